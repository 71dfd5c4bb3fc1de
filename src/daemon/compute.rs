//! Forecasts, each in a child process of this same program, so that heavy work neither grows the daemon nor stalls it.

use std::process::Stdio;
use std::time::Duration;

use serde::{Deserialize, Serialize};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::process::Command;
use tokio::time::timeout;

use crate::event::Request;
use crate::expectation::{self, Forecast, ForecastError, Question, Spread};
use crate::gauge::Place;
use crate::setup::Setup;
use crate::table::{ClosedForm, Table, Tap};

/// The longest a forecast may take.
const LIMIT: Duration = Duration::from_secs(120);

/// The longest answer that is read, in bytes.
const LONGEST_ANSWER: u64 = 64 << 20;

/// What the child reads from its standard input, as JSON.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Brief {
    /// The table.
    pub table: Table,
    /// Where the gauge sits that the forecast is compared with.
    pub tap: Tap,
    /// How well the table is known.
    pub spread: Spread,
    /// What is asked.
    pub request: Request,
}

/// At how many points of a cut a forecast is reckoned.
const POINTS: u16 = 65;

impl Brief {
    /// The brief for a table as it is set up.
    pub fn new(setup: &Setup, request: Request) -> Self {
        let place = setup.gauges.first().map_or(Place::Manifold, |gauge| gauge.place);
        let tap = match place {
            Place::Manifold => Tap::Manifold,
            Place::PumpInlet => Tap::PumpInlet,
        };
        Brief { table: setup.table.clone(), tap, spread: setup.spread, request }
    }

    /// Reckons the forecast here and now.
    ///
    /// # Errors
    /// [`ForecastError`] for a request that cannot be answered.
    pub fn answer(&self) -> Result<Forecast, ForecastError> {
        let question = Question {
            table: &self.table,
            tap: self.tap,
            card: self.request.card.as_deref(),
            sets: &self.request.open,
            spread: &self.spread,
            points: POINTS,
        };
        expectation::forecast(&question, ClosedForm::condense)
    }
}

/// Has a forecast computed.
///
/// # Errors
/// One line of text that says why there is none.
///
/// # Cancellation
/// Dropping the future kills the child.
pub(super) async fn forecast(brief: &Brief) -> Result<Forecast, String> {
    let said = timeout(LIMIT, run(brief))
        .await
        .map_err(|_| format!("the forecast took longer than {} s", LIMIT.as_secs()))??;
    serde_json::from_slice::<Result<Forecast, String>>(&said)
        .map_err(|error| format!("the forecast is unreadable: {error}"))?
}

async fn run(brief: &Brief) -> Result<Vec<u8>, String> {
    let program = std::env::current_exe().map_err(|error| format!("this program cannot find itself: {error}"))?;
    let asked = serde_json::to_vec(brief).map_err(|error| error.to_string())?;
    let mut child = Command::new(program)
        .arg("compute")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::inherit())
        .kill_on_drop(true)
        .spawn()
        .map_err(|error| format!("the forecast cannot start: {error}"))?;
    if let Some(mut input) = child.stdin.take() {
        input.write_all(&asked).await.map_err(|error| format!("the forecast takes no question: {error}"))?;
    }
    let mut said = Vec::new();
    if let Some(output) = child.stdout.take() {
        let read = output.take(LONGEST_ANSWER).read_to_end(&mut said).await;
        read.map_err(|error| format!("the forecast gives no answer: {error}"))?;
    }
    let status = child.wait().await.map_err(|error| error.to_string())?;
    if status.success() { Ok(said) } else { Err(format!("the forecast failed: {status}")) }
}
