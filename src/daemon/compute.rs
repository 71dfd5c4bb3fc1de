//! Forecasts, each in a child process of this same program, so that heavy work neither grows the daemon nor stalls it.

use std::process::Stdio;
use std::time::Duration;

use serde::{Deserialize, Serialize};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::process::Command;
use tokio::time::timeout;

use crate::event::Request;
use crate::expectation::Forecast;
use crate::gauge::Place;
use crate::table::Table;

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
    pub place: Place,
    /// What is asked.
    pub request: Request,
}

/// Has a forecast computed.
///
/// # Errors
/// One line of text that says why there is none.
///
/// # Cancellation
/// Dropping the future kills the child.
pub(super) async fn forecast(brief: &Brief) -> Result<Forecast, String> {
    let said = timeout(LIMIT, run(brief)).await.map_err(|_| format!("the forecast took longer than {} s", LIMIT.as_secs()))??;
    serde_json::from_slice::<Result<Forecast, String>>(&said).map_err(|error| format!("the forecast is unreadable: {error}"))?
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
