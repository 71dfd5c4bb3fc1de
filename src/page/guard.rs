//! Who may ask for what: checks made before a request reaches its handler, and headers put on every answer.
//!
//! The `Host` allow-list stops a foreign name that was made to point here; a post must be JSON from this very page or from
//! a program, never from another site's page in somebody's browser.

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv4Addr};
use std::sync::{Arc, Mutex, PoisonError};

use axum::extract::{Request, State};
use axum::http::uri::Authority;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::problem::Problem;
use super::routes::Desk;
use super::serve::{Client, Limits};
use crate::event::Steady;

const LONGEST_URI: usize = 2 * 1024;
const MOST_ADDRESSES: usize = 1024;

const HEADERS: [(HeaderName, HeaderValue); 6] = [
    (
        header::CONTENT_SECURITY_POLICY,
        HeaderValue::from_static(
            "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; \
             manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; \
             require-trusted-types-for 'script'",
        ),
    ),
    (header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff")),
    (header::REFERRER_POLICY, HeaderValue::from_static("no-referrer")),
    (HeaderName::from_static("cross-origin-opener-policy"), HeaderValue::from_static("same-origin")),
    (HeaderName::from_static("cross-origin-resource-policy"), HeaderValue::from_static("same-origin")),
    (
        HeaderName::from_static("permissions-policy"),
        HeaderValue::from_static("camera=(), geolocation=(), microphone=()"),
    ),
];

/// What is guarded: who has asked how often, and what may be asked.
pub(super) trait Gate: Send + Sync + 'static {
    /// Who has asked how often.
    fn doors(&self) -> &Doors;

    /// What a client may take.
    fn limits(&self) -> &Limits;

    /// The steady time now.
    fn now(&self) -> Steady;

    /// Names besides loopback under which the page may be asked for.
    fn hosts(&self) -> &[String];

    /// Whether a change may be asked for from this address with these headers.
    fn may_change(&self, from: IpAddr, headers: &HeaderMap) -> bool;
}

/// Where a device pairs, which none is before.
const PAIRING: &str = "/api/v1/pair";

impl Gate for Desk {
    fn doors(&self) -> &Doors {
        &self.doors
    }

    fn limits(&self) -> &Limits {
        &self.page.limits
    }

    fn now(&self) -> Steady {
        self.page.program.now()
    }

    fn hosts(&self) -> &[String] {
        &self.page.hosts
    }

    fn may_change(&self, from: IpAddr, headers: &HeaderMap) -> bool {
        self.pairing.allows(from, headers)
    }
}

/// Checks a request, hands it on, and puts the security headers on whatever comes back.
pub(super) async fn guard<G: Gate>(State(gate): State<Arc<G>>, request: Request, next: Next) -> Response {
    let mut response = match admit(&*gate, &request) {
        Ok(()) => next.run(request).await,
        Err(problem) => problem.into_response(),
    };
    let headers = response.headers_mut();
    headers.extend(HEADERS);
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

/// The address that a request came from; loopback for one that came through no socket.
pub(super) fn remote(request: &Request) -> IpAddr {
    request.extensions().get::<Client>().map_or(IpAddr::V4(Ipv4Addr::LOCALHOST), |client| client.remote)
}

fn admit(gate: &impl Gate, request: &Request) -> Result<(), Problem> {
    let host = known_host(gate, request)?;
    if request.uri().to_string().len() > LONGEST_URI {
        let limit = format!("the address is longer than {LONGEST_URI} bytes");
        return Err(Problem::new(StatusCode::URI_TOO_LONG, limit));
    }
    if !gate.doors().may_ask(remote(request), gate.now(), gate.limits()) {
        return Err(Problem::new(StatusCode::TOO_MANY_REQUESTS, "too many requests from this address, wait a second"));
    }
    if *request.method() != Method::POST {
        return Ok(());
    }
    from_here(request.headers(), &host)?;
    if request.uri().path() == PAIRING || gate.may_change(remote(request), request.headers()) {
        return Ok(());
    }
    let why = "this device is not paired; open /pair on it, and on the computer that watches for the code";
    Err(Problem::new(StatusCode::UNAUTHORIZED, why).with_key("not-paired"))
}

/// The `Host` that was asked for, if the page may be asked for under it.
fn known_host(gate: &impl Gate, request: &Request) -> Result<Authority, Problem> {
    let mut given = request.headers().get_all(header::HOST).iter();
    let only = given.next().filter(|_| given.next().is_none());
    let host: Authority = only
        .and_then(|host| host.to_str().ok()?.parse().ok())
        .ok_or_else(|| Problem::new(StatusCode::BAD_REQUEST, "a request must name one host"))?;
    let local = request.extensions().get::<Client>().map(|client| client.local);
    let named = |name: &str| host.host().trim_end_matches('.').eq_ignore_ascii_case(name);
    let address: Option<IpAddr> = host.host().trim_start_matches('[').trim_end_matches(']').parse().ok();
    let known = named("localhost")
        || address.is_some_and(|address| address.is_loopback() || Some(address) == local)
        || gate.hosts().iter().any(|name| named(name));
    let same = request.uri().authority().is_none_or(|asked| *asked == host);
    if known && same {
        Ok(host)
    } else {
        Err(Problem::new(
            StatusCode::MISDIRECTED_REQUEST,
            "this page is not served under that name, add it to the setup",
        ))
    }
}

/// Refuses a post that another site's page sent, or that an HTML form could have sent.
fn from_here(headers: &HeaderMap, host: &Authority) -> Result<(), Problem> {
    let text = |name: HeaderName| headers.get(name).map(|value| value.to_str().unwrap_or("unreadable"));
    let same_site =
        text(HeaderName::from_static("sec-fetch-site")).is_none_or(|site| matches!(site, "same-origin" | "none"));
    let same_origin = text(header::ORIGIN).is_none_or(|origin| {
        let rest = origin.strip_prefix("http://").or_else(|| origin.strip_prefix("https://"));
        rest.is_some_and(|rest| rest.eq_ignore_ascii_case(host.as_str()))
    });
    if !(same_site && same_origin) {
        return Err(Problem::new(StatusCode::FORBIDDEN, "a change must be asked for from this page itself"));
    }
    let kind = text(header::CONTENT_TYPE).unwrap_or_default();
    if !kind.split(';').next().unwrap_or_default().trim().eq_ignore_ascii_case("application/json") {
        return Err(Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "a change must be sent as application/json"));
    }
    Ok(())
}

/// How much each address has taken of late. The lock is held for a look-up, never across a wait.
#[derive(Default)]
pub(super) struct Doors {
    addresses: Mutex<BTreeMap<IpAddr, Taken>>,
}

#[derive(Clone, Copy)]
struct Taken {
    /// Requests left, by a token bucket.
    left: f64,
    at: Steady,
    streams: usize,
}

impl Doors {
    fn may_ask(&self, address: IpAddr, now: Steady, limits: &Limits) -> bool {
        self.with(
            address,
            |taken| {
                let refilled = taken.left + now.since(taken.at).secs_f64() * limits.requests_per_second;
                *taken = Taken { left: refilled.min(limits.burst), at: now, ..*taken };
                let may = taken.left >= 1.0;
                if may {
                    taken.left -= 1.0;
                }
                may
            },
            limits.burst,
            now,
        )
    }

    /// Takes a place among the streams, given back when the place is dropped; `None` if there is none left.
    pub(super) fn take_stream(desk: &Arc<Desk>, address: IpAddr) -> Option<StreamPlace> {
        let limits = desk.page.limits;
        if desk.doors.streams() >= limits.streams {
            return None;
        }
        let taken = desk.doors.with(
            address,
            |taken| {
                let free = taken.streams < limits.streams_per_address;
                taken.streams += usize::from(free);
                free
            },
            limits.burst,
            desk.page.program.now(),
        );
        taken.then(|| StreamPlace { desk: desk.clone(), address })
    }

    /// How many streams are open.
    pub(super) fn streams(&self) -> usize {
        self.addresses.lock().unwrap_or_else(PoisonError::into_inner).values().map(|taken| taken.streams).sum()
    }

    fn with<T>(&self, address: IpAddr, change: impl FnOnce(&mut Taken) -> T, burst: f64, now: Steady) -> T {
        let mut addresses = self.addresses.lock().unwrap_or_else(PoisonError::into_inner);
        if addresses.len() >= MOST_ADDRESSES {
            addresses.retain(|_, taken| taken.streams > 0);
        }
        change(addresses.entry(address).or_insert(Taken { left: burst, at: now, streams: 0 }))
    }
}

/// A place among the streams.
pub(super) struct StreamPlace {
    desk: Arc<Desk>,
    address: IpAddr,
}

impl Drop for StreamPlace {
    fn drop(&mut self) {
        let mut addresses = self.desk.doors.addresses.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(taken) = addresses.get_mut(&self.address) {
            taken.streams -= 1;
        }
    }
}
