//! The lights of a setup driven without a daemon.

use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::runtime::Builder;
use tokio::time::timeout;

use super::clock::Clock;
use super::{port, wires};
use crate::event::{LineCause, LineId};
use crate::gauge::{Heard, Talker, UnfitLine};
use crate::lamp::{LAMP_TEST, Pattern};
use crate::moment::Span;
use crate::setup::Setup;

/// What the lights are to show.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shine {
    /// Nothing: nobody is watching.
    Dark,
    /// Every lamp in turn, then nothing.
    Test,
}

/// Why the lights cannot be driven.
#[derive(Debug, thiserror::Error)]
pub enum ShineError {
    /// The runtime does not start.
    #[error("the runtime cannot start: {0}")]
    Runtime(std::io::Error),
    /// The setup's lights do not fit their line.
    #[error(transparent)]
    Unfit(#[from] UnfitLine),
    /// The line cannot be used.
    #[error("line {line}: {cause:?}")]
    Line {
        /// The line's name.
        line: String,
        /// Why.
        cause: LineCause,
    },
    /// The line failed.
    #[error("line {line}: {source}")]
    Lost {
        /// The line's name.
        line: String,
        /// Why.
        source: std::io::Error,
    },
    /// A light did not confirm.
    #[error("light {0} does not answer; check its unit address, wiring and supply")]
    NoAnswer(String),
}

/// How long a light may take to confirm that it is dark.
const DARK_LIMIT: Span = Span::from_secs(2);

/// Drives every light of a setup; their lines must be free.
///
/// # Errors
/// [`ShineError`] for the first light that cannot be driven.
pub fn shine(setup: &Setup, shine: Shine) -> Result<(), ShineError> {
    let runtime = Builder::new_current_thread().enable_all().build().map_err(ShineError::Runtime)?;
    runtime.block_on(async {
        let test = shine == Shine::Test;
        wires::shine(setup, &Clock::new(1.0), test).await.map_err(|(line, cause)| ShineError::Line { line, cause })?;
        for (settings, line) in setup.lines.iter().zip(0..) {
            let lights: Vec<_> = setup.lights.iter().filter(|light| light.line == LineId(line)).cloned().collect();
            if lights.is_empty() {
                continue;
            }
            let name = lights.first().map(|light| light.name.clone()).unwrap_or_default();
            let talker = Talker::new(settings.clone(), Vec::new(), lights)?;
            if !drive(settings, talker, shine).await? {
                return Err(ShineError::NoAnswer(name));
            }
        }
        Ok(())
    })
}

/// Talks to one line's lights; whether they confirmed what they were told last.
async fn drive(settings: &crate::gauge::LineSettings, mut talker: Talker, shine: Shine) -> Result<bool, ShineError> {
    let lost = |source| ShineError::Lost { line: settings.name.clone(), source };
    let mut port = port::open(settings).map_err(|cause| ShineError::Line { line: settings.name.clone(), cause })?;
    let clock = Clock::new(1.0);
    let begun = clock.steady();
    let limit = match shine {
        Shine::Dark => DARK_LIMIT,
        Shine::Test => Span::from_nanos(LAMP_TEST.nanos() + DARK_LIMIT.nanos()),
    };
    talker.line_up(begun);
    let mut heard = Vec::new();
    let mut buffer = [0; 256];
    while clock.steady().since(begun) < limit {
        let at = clock.steady();
        let test = (shine == Shine::Test).then(|| Pattern::lamp_test(at.since(begun))).flatten();
        talker.show(test.unwrap_or(Pattern::DARK));
        heard.clear();
        if let Some((frame, _)) = talker.due(at, &mut heard) {
            AsyncWriteExt::write_all(&mut port, &frame).await.map_err(lost)?;
        }
        if let Ok(read) = timeout(Duration::from_millis(20), AsyncReadExt::read(&mut port, &mut buffer)).await {
            let count = read.map_err(lost)?;
            talker.bytes(clock.steady(), &buffer[..count], &mut heard);
        }
        let written = heard.iter().any(|heard| matches!(heard, Heard::LightWritten { .. }));
        if test.is_none() && written {
            return Ok(true);
        }
    }
    Ok(false)
}
