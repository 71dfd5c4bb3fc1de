//! `export`: kept readings as CSV by RFC 4180.

use std::io::{ErrorKind, Write};
use std::process::ExitCode;

use anyhow::{Context, Result};
use clap::Args;

use crate::daemon::{ReplayError, readings};
use crate::journal::{KeptReading, Where, Window};
use crate::moment::Utc;

/// Write kept readings as CSV (RFC 4180) to standard output, in the order of their numbers.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  holdwatch export holdwatch.db --from 2026-03-02T00:00:00Z > readings.csv")]
pub(super) struct Export {
    /// The journal: an SQLite file, or `postgres://…`.
    #[arg(value_name = "FILE")]
    journal: String,
    /// The first time to write, RFC 3339.
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// The first time not to write any more, RFC 3339.
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
}

#[derive(Debug, thiserror::Error)]
enum ExportError {
    #[error(transparent)]
    Journal(#[from] ReplayError),
    #[error("the rows cannot be written: {0}")]
    Rows(#[from] csv::Error),
}

impl Export {
    pub(super) fn run(self) -> Result<ExitCode> {
        let window = Window { from: time(self.from.as_deref(), i64::MIN)?, to: time(self.to.as_deref(), i64::MAX)? };
        let mut rows =
            csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(std::io::stdout().lock());
        match write(&Where::from_text(&self.journal), window, &mut rows) {
            Ok(()) => Ok(ExitCode::SUCCESS),
            // Whoever reads has seen enough.
            Err(ExportError::Rows(error)) if is_closed(&error) => Ok(ExitCode::SUCCESS),
            Err(error) => Err(error.into()),
        }
    }
}

pub(super) fn time(text: Option<&str>, otherwise: i64) -> Result<Utc> {
    match text {
        None => Ok(Utc::from_micros(otherwise)),
        Some(text) => {
            let time = Utc::parse_rfc3339(text).map_err(anyhow::Error::msg);
            time.with_context(|| format!("{text:?} is no time such as 2026-03-02T14:30:00Z"))
        }
    }
}

fn is_closed(error: &csv::Error) -> bool {
    matches!(error.kind(), csv::ErrorKind::Io(error) if error.kind() == ErrorKind::BrokenPipe)
}

fn write<W: Write>(place: &Where, window: Window, rows: &mut csv::Writer<W>) -> Result<(), ExportError> {
    rows.write_record([
        "seq",
        "time_utc",
        "steady_ns",
        "boot",
        "gauge",
        "vacuum_pa",
        "quality",
        "expected_low_vacuum_pa",
        "expected_high_vacuum_pa",
    ])?;
    readings(place, window, &mut |page| page.iter().try_for_each(|reading| write_row(rows, reading)))?;
    rows.flush().map_err(|error| ExportError::Rows(error.into()))
}

fn write_row<W: Write>(rows: &mut csv::Writer<W>, kept: &KeptReading) -> Result<(), ExportError> {
    let quality = serde_json::to_value(kept.reading.quality).unwrap_or_default();
    let edge = |edge: Option<f64>| edge.map(|pascals| format!("{pascals:.2}")).unwrap_or_default();
    rows.write_record([
        kept.seq.0.to_string(),
        kept.at.civil.map(Utc::rfc3339).unwrap_or_default(),
        kept.at.steady.nanos().to_string(),
        kept.at.boot.0.to_string(),
        kept.reading.gauge.0.to_string(),
        format!("{:.2}", kept.reading.vacuum.pascals()),
        quality.as_str().unwrap_or_default().to_owned(),
        edge(kept.reading.band.map(|(low, _)| low.pascals())),
        edge(kept.reading.band.map(|(_, high)| high.pascals())),
    ])?;
    Ok(())
}
