//! The handlers of the addresses that change something: each reads its body, hands one command on and waits for the answer.

use std::sync::Arc;

use axum::body::Bytes;
use axum::extract::{FromRequest, Path, Request, State};
use axum::http::StatusCode;
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::problem::Problem;
use super::routes::Desk;
use crate::event::{Actor, Answer, Command, Deed, Length, Outcome, ProgressTold, Span, Tag, Told, Vacuum};

type Desked = State<Arc<Desk>>;
type Outcomes = Result<StatusCode, Problem>;

const LONGEST_NAME: usize = 64;
const DEEPEST_SKIM_MM: f64 = 10.0;
const LONGEST_RUN_S: f64 = 604_800.0;
const LONGEST_SHELF_MINUTES: f64 = 24.0 * 60.0;

/// A body that is JSON of a known form, read within the limits.
pub(super) struct Body<T>(pub(super) T);

impl<T: DeserializeOwned> FromRequest<Arc<Desk>> for Body<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, desk: &Arc<Desk>) -> Result<Self, Problem> {
        let bytes = tokio::time::timeout(desk.page.limits.answer_within, Bytes::from_request(request, desk))
            .await
            .map_err(|_| Problem::new(StatusCode::REQUEST_TIMEOUT, "the body did not arrive in time"))?
            .map_err(|error| Problem::new(error.status(), error.body_text()))?;
        serde_json::from_slice(&bytes).map(Body).map_err(|error| {
            let status = if error.is_data() { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::BAD_REQUEST };
            Problem::new(status, error.to_string())
        })
    }
}

/// Who asks, and nothing else.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    by: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Shelf {
    by: Option<String>,
    minutes: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Zones {
    open: Vec<String>,
    by: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ProgressBody {
    line: Option<u64>,
    fraction: Option<f64>,
    cutting: Option<bool>,
    number: Option<u32>,
    share: Option<f64>,
    elapsed_s: Option<f64>,
    end: Option<String>,
    by: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Sheet {
    outcome: Outcome,
    part: Option<String>,
    by: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Did {
    did: Deed,
    depth_mm: Option<f64>,
    by: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct JumpBody {
    /// Null for nothing; it may not be left out.
    #[serde(deserialize_with = "Option::deserialize")]
    was: Option<Deed>,
    by: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FilterBody {
    drop_pa: f64,
    by: Option<String>,
}

pub(super) async fn acknowledge(desk: Desked, Path(tag): Path<String>, Body(body): Body<Asked>) -> Outcomes {
    carry_out(desk, body.by, Command::Acknowledge(alarm(&tag)?)).await
}

pub(super) async fn shelve(desk: Desked, Path(tag): Path<String>, Body(body): Body<Shelf>) -> Outcomes {
    let minutes = body.minutes;
    if !(minutes > 0.0 && minutes <= LONGEST_SHELF_MINUTES) {
        return Err(unprocessable(format!("minutes: {minutes} is not above 0 and up to {LONGEST_SHELF_MINUTES}")));
    }
    carry_out(desk, body.by, Command::Shelve(alarm(&tag)?, Span::from_secs_f64(minutes * 60.0))).await
}

pub(super) async fn unshelve(desk: Desked, Path(tag): Path<String>, Body(body): Body<Asked>) -> Outcomes {
    carry_out(desk, body.by, Command::Unshelve(alarm(&tag)?)).await
}

pub(super) async fn reset(desk: Desked, Path(tag): Path<String>, Body(body): Body<Asked>) -> Outcomes {
    carry_out(desk, body.by, Command::Reset(alarm(&tag)?)).await
}

/// `{"card": NAME}` loads the card of that name, `{"card": null}` unloads, `{"program": FILE}` loads a program without a card, anything
/// else is a card itself.
pub(super) async fn job(desk: Desked, Body(posted): Body<Value>) -> Outcomes {
    let mut posted = posted;
    let mut take = |name: &str| Some(posted.as_object_mut()?.remove(name)?.as_str()?.to_owned());
    let (by, end) = (take("by"), take("end"));
    if let Some(program) = take("program") {
        let command = Command::LoadProgram { file: program, material: take("material") };
        return match posted.as_object().and_then(|fields| fields.keys().next()) {
            Some(stray) => Err(unprocessable(format!("{stray}: unknown beside program, material, end and by"))),
            None => carry_out(desk, by, at_end(end, command)).await,
        };
    }
    let alone = posted.as_object().filter(|fields| fields.len() == 1).and_then(|fields| fields.get("card"));
    let command = match alone {
        Some(Value::String(name)) => Command::LoadNamed(name.clone()),
        Some(Value::Null) => Command::Unload,
        Some(_) | None => Command::LoadCard(Box::new(desk.page.program.parse_card(posted).map_err(unprocessable)?)),
    };
    carry_out(desk, by, at_end(end, command)).await
}

/// The same, told of one end of the table.
fn at_end(end: Option<String>, command: Command) -> Command {
    match end {
        Some(end) => Command::At(end, Box::new(command)),
        None => command,
    }
}

pub(super) async fn zones(desk: Desked, Body(body): Body<Zones>) -> Outcomes {
    carry_out(desk, body.by, Command::Open(body.open)).await
}

pub(super) async fn progress(desk: Desked, Body(body): Body<ProgressBody>) -> Outcomes {
    let within = |name: &str, value: f64, most: f64| {
        let limit = format!("{name}: {value} is not within 0 to {most}");
        if (0.0..=most).contains(&value) { Ok(value) } else { Err(unprocessable(limit)) }
    };
    let told = [
        body.line.map(|line| Ok(ProgressTold::Line(line))),
        body.fraction.map(|fraction| within("fraction", fraction, 1.0).map(ProgressTold::Fraction)),
        body.cutting.map(|cutting| Ok(ProgressTold::Cutting(cutting))),
        body.number.map(|number| Ok(ProgressTold::Number(number))),
        body.share.map(|share| within("share", share, 1.0).map(ProgressTold::Share)),
        body.elapsed_s.map(|elapsed| {
            within("elapsed_s", elapsed, LONGEST_RUN_S)
                .map(|elapsed| ProgressTold::Elapsed(Span::from_secs_f64(elapsed)))
        }),
    ];
    let mut told = told.into_iter().flatten();
    let (Some(told), None) = (told.next(), told.next()) else {
        let names = "line, fraction, cutting, number, share and elapsed_s";
        return Err(unprocessable(format!("give one of {names}")));
    };
    let told = told?;
    carry_out(desk, body.by, at_end(body.end, Command::Progress(told))).await
}

pub(super) async fn teach(desk: Desked, Body(body): Body<Asked>) -> Outcomes {
    carry_out(desk, body.by, Command::Teach).await
}

pub(super) async fn sheet(desk: Desked, Body(body): Body<Sheet>) -> Outcomes {
    carry_out(desk, body.by, Command::SheetOutcome(body.outcome, body.part)).await
}

pub(super) async fn light_test(desk: Desked, Body(body): Body<Asked>) -> Outcomes {
    carry_out(desk, body.by, Command::TestLight).await
}

pub(super) async fn skimmed(desk: Desked, Body(body): Body<Asked>) -> Outcomes {
    carry_out(desk, body.by, Command::Skimmed).await
}

pub(super) async fn sealed(desk: Desked, Body(body): Body<Asked>) -> Outcomes {
    carry_out(desk, body.by, Command::Sealed).await
}

pub(super) async fn did(desk: Desked, Body(body): Body<Did>) -> Outcomes {
    let depth = body.depth_mm.map(|mm| within("depth_mm", mm, 0.0, DEEPEST_SKIM_MM)).transpose()?;
    carry_out(desk, body.by, Command::Board(Told::Did(body.did, depth.map(Length::from_millimetres)))).await
}

pub(super) async fn jump(desk: Desked, Body(body): Body<JumpBody>) -> Outcomes {
    carry_out(desk, body.by, Command::Board(Told::JumpWas(body.was))).await
}

pub(super) async fn filter(desk: Desked, Body(body): Body<FilterBody>) -> Outcomes {
    let drop = Vacuum::from_pascals(within("drop_pa", body.drop_pa, 0.0, 1e5)?);
    carry_out(desk, body.by, Command::Board(Told::FilterDrop(drop))).await
}

pub(super) async fn tool_changed(desk: Desked, Path(tool): Path<u32>, Body(body): Body<Asked>) -> Outcomes {
    carry_out(desk, body.by, Command::ToolChanged(tool)).await
}

fn within(name: &str, value: f64, least: f64, most: f64) -> Result<f64, Problem> {
    if (least..=most).contains(&value) {
        return Ok(value);
    }
    Err(unprocessable(format!("{name}: {value} is not within {least} to {most}")))
}

pub(super) async fn carry_out(State(desk): Desked, by: Option<String>, command: Command) -> Outcomes {
    let answer = desk.page.program.command(actor(by), command);
    match tokio::time::timeout(desk.page.limits.answer_within, answer).await {
        Ok(Answer::Done) => Ok(StatusCode::NO_CONTENT),
        Ok(Answer::Unknown { name, known }) => {
            Err(unprocessable(format!("there is no {name:?} here")).with_key("unknown-name").with_known(known))
        }
        Ok(Answer::Refused(text)) if text.contains(' ') => Err(unprocessable(text)),
        Ok(Answer::Refused(key)) => {
            Err(Problem::new(StatusCode::CONFLICT, "this cannot be done now, the key says why").with_key(key))
        }
        Err(_) => {
            Err(Problem::new(StatusCode::SERVICE_UNAVAILABLE, "the program did not answer in time")
                .with_key("no-answer"))
        }
    }
}

/// Who asked, as it is kept: printable, short, `page` for nobody in particular.
fn actor(by: Option<String>) -> Actor {
    let printable =
        |by: String| by.chars().filter(|letter| !letter.is_control()).take(LONGEST_NAME).collect::<String>();
    Actor(by.map(printable).filter(|by| !by.trim().is_empty()).unwrap_or_else(|| "page".to_owned()))
}

fn alarm(tag: &str) -> Result<Tag, Problem> {
    serde_json::from_value(Value::String(tag.to_owned())).map_err(|_| {
        let known = Tag::ALL.iter().filter_map(|tag| serde_json::to_value(tag).ok()?.as_str().map(str::to_owned));
        Problem::new(StatusCode::NOT_FOUND, format!("there is no alarm {tag:?}")).with_known(known.collect())
    })
}

pub(super) fn unprocessable(detail: String) -> Problem {
    Problem::new(StatusCode::UNPROCESSABLE_ENTITY, detail)
}
