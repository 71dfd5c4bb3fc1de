//! `compute`: one forecast, one cut program, or the numbers of one survey, in a process of its own, with bounded memory and time.

use std::io::{Read, Write};
use std::process::ExitCode;

use anyhow::{Context, Result};
use rustix::process::{Resource, Rlimit, nice, setrlimit};

use crate::board::survey::Finding;
use crate::daemon::{Reply, Task};
use crate::job::Card;

/// The most memory that a forecast may take, in bytes.
const MOST_MEMORY: u64 = 1 << 30;

/// The longest processor time that a forecast may take, in seconds; the daemon ends it after as long by the clock.
const MOST_SECONDS: u64 = 120;

/// How far the forecast stands back for the watch.
const NICENESS: i32 = 5;

/// The longest commission that is read, in bytes.
const LONGEST_COMMISSION: u64 = 64 << 20;

pub(super) fn run() -> Result<ExitCode> {
    let limit = |most| Rlimit { current: Some(most), maximum: Some(most) };
    setrlimit(Resource::As, limit(MOST_MEMORY)).context("the memory cannot be bounded")?;
    setrlimit(Resource::Cpu, limit(MOST_SECONDS)).context("the processor time cannot be bounded")?;
    nice(NICENESS).context("the forecast cannot stand back")?;
    let mut question = Vec::new();
    std::io::stdin().take(LONGEST_COMMISSION).read_to_end(&mut question)?;
    let task: Task = postcard::from_bytes(&question).context("the question is no task of this program")?;
    let said = match task {
        Task::Forecast(commission) => {
            let reply: Result<Reply, String> = commission.run();
            postcard::to_stdvec(&reply)?
        }
        Task::Program(program) => {
            setrlimit(Resource::Data, limit(program.most_memory)).context("the memory cannot be bounded")?;
            let card: Result<Card, String> = program.run();
            postcard::to_stdvec(&card)?
        }
        Task::Survey(brief) => {
            let finding: Result<Finding, String> = brief.run();
            postcard::to_stdvec(&finding)?
        }
    };
    std::io::stdout().write_all(&said)?;
    Ok(ExitCode::SUCCESS)
}
