//! `compute`: one forecast in a process of its own, with bounded memory.

use std::io::{Read, Write};
use std::process::ExitCode;

use anyhow::{Context, Result};
use rustix::process::{Resource, Rlimit, setrlimit};

use crate::daemon::Brief;
use crate::expectation::Forecast;

/// The most memory that a forecast may take, in bytes.
const MOST_MEMORY: u64 = 1 << 30;

/// The longest question that is read, in bytes.
const LONGEST_QUESTION: u64 = 16 << 20;

pub(super) fn run() -> Result<ExitCode> {
    let limit = Rlimit { current: Some(MOST_MEMORY), maximum: Some(MOST_MEMORY) };
    setrlimit(Resource::As, limit).context("the memory cannot be bounded")?;
    let mut question = Vec::new();
    std::io::stdin().take(LONGEST_QUESTION).read_to_end(&mut question)?;
    let brief: Brief = serde_json::from_slice(&question).context("the question is no brief for a forecast")?;
    let answer: Result<Forecast, String> = brief.answer().map_err(|error| error.to_string());
    std::io::stdout().write_all(&serde_json::to_vec(&answer)?)?;
    Ok(ExitCode::SUCCESS)
}
