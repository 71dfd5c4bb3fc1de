//! The addresses of guided runs: a survey of the table, and the morning's check.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::json;

use super::orders::{Body, carry_out, unprocessable};
use super::problem::Problem;
use super::routes::Desk;
use crate::event::{
    AbsolutePressure, Area, CheckItem, CheckOrder, Command, Force, Length, Reference, SurveyOrder, Typed, Vacuum,
};

type Desked = State<Arc<Desk>>;
type Outcomes = Result<StatusCode, Problem>;

/// The accuracy that is wanted if nobody says another.
const USUAL_WANTED: f64 = 0.1;
/// What may be typed: a barometer in pascals, a level in pascals, a hole in millimetres, a pull in newtons, an area in m².
const BAROMETER: (f64, f64) = (50_000.0, 110_000.0);
const LEVEL: (f64, f64) = (0.0, 110_000.0);
const HOLE: (f64, f64) = (0.5, 100.0);
const PULL: (f64, f64) = (0.1, 10_000.0);
const AREA: (f64, f64) = (0.001, 20.0);
const WANTED: (f64, f64) = (0.02, 0.5);

/// An order to a survey, by its word.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SurveyWord {
    Start,
    Measure,
    Stop,
    Confirm,
    Opened,
    Type,
    Throw,
    TakeBack,
    Skip,
    Unskip,
    End,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SurveyBody {
    order: SurveyWord,
    step: Option<u16>,
    reading: Option<u16>,
    hole_mm: Option<f64>,
    beside: Option<bool>,
    wanted: Option<f64>,
    barometer_pa: Option<f64>,
    level_pa: Option<f64>,
    pull_n: Option<f64>,
    area_m2: Option<f64>,
    by: Option<String>,
}

impl SurveyBody {
    fn order(&self) -> Result<SurveyOrder, Problem> {
        let step = || self.step.ok_or_else(|| missing("step"));
        let reading = || self.reading.ok_or_else(|| missing("reading"));
        Ok(match self.order {
            SurveyWord::Start => {
                SurveyOrder::Start { wanted: within("wanted", self.wanted.or(Some(USUAL_WANTED)), WANTED)? }
            }
            SurveyWord::Measure => {
                let hole = self.hole_mm.map(|_| within("hole_mm", self.hole_mm, HOLE)).transpose()?;
                let hole = hole.map(Length::from_millimetres);
                SurveyOrder::Measure { step: step()?, hole, beside: self.beside.unwrap_or(false) }
            }
            SurveyWord::Stop => SurveyOrder::Stop,
            SurveyWord::Confirm => SurveyOrder::Confirm,
            SurveyWord::Opened => SurveyOrder::Opened,
            SurveyWord::Type => SurveyOrder::Type { step: step()?, typed: self.typed()? },
            SurveyWord::Throw => SurveyOrder::Throw { reading: reading()? },
            SurveyWord::TakeBack => SurveyOrder::TakeBack { reading: reading()? },
            SurveyWord::Skip => SurveyOrder::Skip { step: step()?, skip: true },
            SurveyWord::Unskip => SurveyOrder::Skip { step: step()?, skip: false },
            SurveyWord::End => SurveyOrder::End,
        })
    }

    fn typed(&self) -> Result<Typed, Problem> {
        match (self.barometer_pa, self.level_pa, self.pull_n) {
            (Some(_), None, None) => {
                let pascals = within("barometer_pa", self.barometer_pa, BAROMETER)?;
                Ok(Typed::Barometer(AbsolutePressure::from_pascals(pascals)))
            }
            (None, Some(_), None) => Ok(Typed::Level(Vacuum::from_pascals(within("level_pa", self.level_pa, LEVEL)?))),
            (None, None, Some(_)) => Ok(Typed::Pull {
                pull: Force::from_newtons(within("pull_n", self.pull_n, PULL)?),
                area: Area::from_square_metres(within("area_m2", self.area_m2, AREA)?),
            }),
            _ => Err(unprocessable("give one of barometer_pa, level_pa, and pull_n with area_m2".to_owned())),
        }
    }
}

fn missing(name: &str) -> Problem {
    unprocessable(format!("{name} is missing"))
}

fn within(name: &str, value: Option<f64>, (least, most): (f64, f64)) -> Result<f64, Problem> {
    let value = value.ok_or_else(|| missing(name))?;
    if (least..=most).contains(&value) {
        return Ok(value);
    }
    Err(unprocessable(format!("{name}: {value} is not within {least} to {most}")))
}

/// An order to the morning's check, by its word.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum CheckWord {
    Start,
    Mark,
    Measure,
    Stop,
    Finish,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct CheckBody {
    order: CheckWord,
    item: Option<CheckItem>,
    fine: Option<bool>,
    hole_mm: Option<f64>,
    zone: Option<String>,
    by: Option<String>,
}

impl CheckBody {
    fn order(&self) -> Result<CheckOrder, Problem> {
        Ok(match self.order {
            CheckWord::Start => CheckOrder::Start,
            CheckWord::Mark => {
                let item = self.item.ok_or_else(|| missing("item"))?;
                CheckOrder::Mark { item, fine: self.fine.ok_or_else(|| missing("fine"))? }
            }
            CheckWord::Measure => CheckOrder::Measure(self.reference()?),
            CheckWord::Stop => CheckOrder::Stop,
            CheckWord::Finish => CheckOrder::Finish,
        })
    }

    /// A hole, a zone, or the whole bare table if neither is named.
    fn reference(&self) -> Result<Reference, Problem> {
        match (self.hole_mm, &self.zone) {
            (Some(_), None) => {
                let tenths = within("hole_mm", self.hole_mm, HOLE)? * 10.0;
                Ok(Reference::Hole { tenths: tenths.round() as u16 })
            }
            (None, Some(zone)) => Ok(Reference::BareZone { zone: zone.clone() }),
            (None, None) => Ok(Reference::BareTable),
            (Some(_), Some(_)) => Err(unprocessable("give hole_mm or zone, not both".to_owned())),
        }
    }
}

pub(super) async fn survey_page(State(desk): Desked, asked: HeaderMap) -> Response {
    desk.assets.page("survey.html", &asked)
}

pub(super) async fn check_page(State(desk): Desked, asked: HeaderMap) -> Response {
    desk.assets.page("check.html", &asked)
}

pub(super) async fn survey(State(desk): Desked) -> Response {
    Json(json!({ "survey": desk.page.program.guides().survey })).into_response()
}

pub(super) async fn check(State(desk): Desked) -> Response {
    Json(json!({ "check": desk.page.program.guides().check })).into_response()
}

pub(super) async fn order_survey(desk: Desked, Body(body): Body<SurveyBody>) -> Outcomes {
    let order = body.order()?;
    carry_out(desk, body.by, Command::Survey(order)).await
}

pub(super) async fn order_check(desk: Desked, Body(body): Body<CheckBody>) -> Outcomes {
    let order = body.order()?;
    carry_out(desk, body.by, Command::Check(order)).await
}
