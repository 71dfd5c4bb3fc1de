//! Which devices may change something from another computer: those that were paired by a code shown on this one.
//!
//! A code has eight digits, lasts five minutes, pairs one device, and is void after five wrong tries, so that a guess succeeds once
//! in twenty million. A paired device holds a token of 256 random bits; only its SHA-256 is kept. On plain HTTP whoever can
//! listen on the network can take a token: this keeps out hands, not listeners.

use std::io::Read;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use axum::Json;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::guard::remote;
use super::orders::Body;
use super::problem::Problem;
use super::routes::Desk;
use crate::event::{Span, Steady};

const VALID: Span = Span::from_secs(300);
const MOST_WRONG: u32 = 5;
const MOST_PAIRED: usize = 64;
const COOKIE: &str = "holdwatch-paired";
const A_YEAR_S: u32 = 365 * 24 * 3600;

/// Codes and tokens. The lock is held for a look-up, never across a wait.
pub(super) struct Pairing {
    required: bool,
    state: Mutex<Paired>,
}

#[derive(Default)]
struct Paired {
    offer: Option<Offer>,
    /// The tokens' digests, oldest first, in hexadecimal digits.
    digests: Vec<String>,
}

struct Offer {
    code: String,
    until: Steady,
    wrong: u32,
}

/// Why a code pairs nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Refused {
    /// None is offered, or its time is over.
    NoCode,
    /// It is another one.
    Wrong,
}

impl Pairing {
    /// With the digests kept from before; `required` refuses changes from other computers that are not paired.
    pub(super) fn new(required: bool, digests: Vec<String>) -> Self {
        Pairing { required, state: Mutex::new(Paired { offer: None, digests }) }
    }

    /// Whether a change may be asked for from this address with these headers.
    pub(super) fn allows(&self, from: IpAddr, headers: &HeaderMap) -> bool {
        !self.required || from.is_loopback() || token_in(headers).is_some_and(|token| self.knows(&token))
    }

    fn state(&self) -> MutexGuard<'_, Paired> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn knows(&self, token: &str) -> bool {
        let digest = digest_of(token);
        self.state().digests.contains(&digest)
    }

    /// A new code in the place of any before it.
    fn offer(&self, now: Steady, random: [u8; 32]) -> String {
        let number = random.iter().take(8).fold(0_u64, |number, byte| number << 8 | u64::from(*byte));
        let code = format!("{:08}", number % 100_000_000);
        self.state().offer = Some(Offer { code: code.clone(), until: now.plus(VALID), wrong: 0 });
        code
    }

    /// The digests to keep once a device is paired with this token.
    fn redeem(&self, now: Steady, code: &str, token: &str) -> Result<Vec<String>, Refused> {
        let mut state = self.state();
        let Some(offer) = state.offer.as_mut().filter(|offer| now < offer.until) else { return Err(Refused::NoCode) };
        if offer.code != code {
            offer.wrong += 1;
            if offer.wrong >= MOST_WRONG {
                state.offer = None;
            }
            return Err(Refused::Wrong);
        }
        state.offer = None;
        state.digests.push(digest_of(token));
        let over = state.digests.len().saturating_sub(MOST_PAIRED);
        state.digests.drain(..over);
        Ok(state.digests.clone())
    }

    fn forget(&self) {
        *self.state() = Paired::default();
    }

    fn count(&self) -> usize {
        self.state().digests.len()
    }
}

/// The token that a request carries, in its cookie or as a bearer's.
fn token_in(headers: &HeaderMap) -> Option<String> {
    let text = |name| headers.get_all(name).iter().filter_map(|value: &HeaderValue| value.to_str().ok());
    let cookie = text(header::COOKIE)
        .flat_map(|cookies| cookies.split(';'))
        .find_map(|cookie| cookie.trim().strip_prefix(COOKIE)?.strip_prefix('='));
    let bearer = text(header::AUTHORIZATION).find_map(|value| value.strip_prefix("Bearer "));
    cookie.or(bearer).map(str::to_owned)
}

fn digest_of(token: &str) -> String {
    hexadecimal(&Sha256::digest(token.as_bytes()))
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Random bytes from the kernel.
fn random() -> Result<[u8; 32], Problem> {
    let mut bytes = [0; 32];
    let read = std::fs::File::open("/dev/urandom").and_then(|mut source| source.read_exact(&mut bytes));
    read.map(|()| bytes).map_err(|error| {
        Problem::new(StatusCode::SERVICE_UNAVAILABLE, format!("the computer gives no random numbers: {error}"))
    })
}

/// The page on which a device is paired.
pub(super) async fn page(State(desk): State<Arc<Desk>>, asked: HeaderMap) -> Response {
    desk.assets.page("pair.html", &asked)
}

/// Whether pairing is needed, and whether whoever asks is paired.
pub(super) async fn standing(State(desk): State<Arc<Desk>>, request: Request) -> Json<Value> {
    let here = remote(&request).is_loopback();
    Json(json!({
        "required": desk.pairing.required,
        "at_the_computer": here,
        "may_change": desk.pairing.allows(remote(&request), request.headers()),
        "paired": desk.pairing.count(),
    }))
}

/// A new code, for whoever sits at this computer.
pub(super) async fn code(State(desk): State<Arc<Desk>>, request: Request) -> Result<Json<Value>, Problem> {
    at_the_computer(&request)?;
    let code = desk.pairing.offer(desk.page.program.now(), random()?);
    Ok(Json(json!({ "code": code, "valid_s": VALID.secs_f64() })))
}

/// Forgets every paired device.
pub(super) async fn forget(State(desk): State<Arc<Desk>>, request: Request) -> Result<StatusCode, Problem> {
    at_the_computer(&request)?;
    desk.pairing.forget();
    desk.page.program.keep_paired(Vec::new());
    Ok(StatusCode::NO_CONTENT)
}

fn at_the_computer(request: &Request) -> Result<(), Problem> {
    if remote(request).is_loopback() {
        return Ok(());
    }
    Err(Problem::new(StatusCode::FORBIDDEN, "only the computer that watches can do this; open this page there"))
}

/// A code as typed on a device.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Typed {
    code: String,
    /// Whether a program pairs, which keeps the token itself.
    #[serde(default)]
    program: bool,
}

/// Pairs a device with a code.
pub(super) async fn pair(State(desk): State<Arc<Desk>>, Body(typed): Body<Typed>) -> Result<Response, Problem> {
    let digits: String = typed.code.chars().filter(char::is_ascii_digit).collect();
    let token = hexadecimal(&random()?);
    let kept = desk.pairing.redeem(desk.page.program.now(), &digits, &token).map_err(|refused| {
        let (why, key) = match refused {
            Refused::NoCode => ("no code is offered; ask for one at the computer that watches", "pair-no-code"),
            Refused::Wrong => ("that is not the code; after five wrong ones it is void", "pair-wrong-code"),
        };
        Problem::new(StatusCode::FORBIDDEN, why).with_key(key)
    })?;
    desk.page.program.keep_paired(kept);
    if typed.program {
        return Ok(Json(json!({ "token": token })).into_response());
    }
    let cookie = format!("{COOKIE}={token}; Path=/; Max-Age={A_YEAR_S}; HttpOnly; SameSite=Strict");
    let cookie = HeaderValue::from_str(&cookie)
        .map_err(|_| Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "the token makes no cookie"))?;
    Ok((StatusCode::OK, [(header::SET_COOKIE, cookie)], Json(json!({}))).into_response())
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: Steady = Steady::from_nanos(1_000);

    #[test]
    fn a_code_pairs_one_device_within_its_time() {
        let pairing = Pairing::new(true, Vec::new());
        let code = pairing.offer(NOW, [7; 32]);
        assert_eq!(code.len(), 8);
        assert_eq!(pairing.redeem(NOW, "1", "t"), Err(Refused::Wrong));
        assert_eq!(pairing.redeem(NOW, &code, "t").map(|kept| kept.len()), Ok(1));
        assert!(pairing.knows("t") && !pairing.knows("u"));
        assert_eq!(pairing.redeem(NOW, &code, "u"), Err(Refused::NoCode));
        let code = pairing.offer(NOW, [8; 32]);
        assert_eq!(pairing.redeem(NOW.plus(VALID), &code, "u"), Err(Refused::NoCode));
        pairing.forget();
        assert!(!pairing.knows("t"));
    }

    #[test]
    fn five_wrong_tries_make_a_code_void() {
        let pairing = Pairing::new(true, Vec::new());
        let code = pairing.offer(NOW, [7; 32]);
        for _ in 0..MOST_WRONG {
            assert_eq!(pairing.redeem(NOW, "00000001", "t"), Err(Refused::Wrong));
        }
        assert_eq!(pairing.redeem(NOW, &code, "t"), Err(Refused::NoCode));
    }

    /// SHA-256 of "abc", FIPS 180-2, appendix B.1.
    #[test]
    fn only_the_digest_of_a_token_is_kept() {
        let digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(digest_of("abc"), digest);
        let pairing = Pairing::new(true, vec![digest.to_owned()]);
        let mut headers = HeaderMap::new();
        let far: IpAddr = [192, 0, 2, 7].into();
        assert!(!pairing.allows(far, &headers));
        headers.insert(header::COOKIE, HeaderValue::from_static("a=b; holdwatch-paired=abc"));
        assert!(pairing.allows(far, &headers));
        headers.clear();
        headers.insert(header::AUTHORIZATION, HeaderValue::from_static("Bearer abc"));
        assert!(pairing.allows(far, &headers));
        assert!(pairing.allows([127, 0, 0, 1].into(), &HeaderMap::new()));
        assert!(Pairing::new(false, Vec::new()).allows(far, &HeaderMap::new()));
    }
}
