//! The commands; the only room that prints.
//!
//! Results go to standard output, errors and notes to standard error. Exit codes: 0 done or sound, 1 failed or unsound, 2 a
//! command line that makes no sense.

mod begin;
mod board;
mod check;
mod compute;
mod demo;
mod export;
mod files;
mod forecast;
mod light;
mod log;
mod plan;
mod pump;
mod replay;
mod report;
mod run;
mod simulate;
mod skim;
mod solve;
mod survey;

pub use simulate::as_told;

use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use clap::{Parser, Subcommand};

/// Watches the vacuum of a router table against the level its job should have.
///
/// It advises; it is no safety device and replaces no guard, interlock or emergency stop.
#[derive(Debug, Parser)]
#[command(
    name = "holdwatch",
    version,
    after_help = "Start here:\n  holdwatch demo                       a simulated table, the real program on it, and its page\n  \
                  holdwatch begin                      find the gauge on a line, and write a setup\n  \
                  holdwatch check --setup table.toml   every mistake in a setup\n  \
                  holdwatch run --setup table.toml     watch\n\n\
                  Exit codes: 0 done, 1 failed or unsound, 2 wrong usage."
)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
    #[command(flatten)]
    log: log::LogArguments,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Watch a simulated table; the page's address is printed.
    Demo(demo::Demo),
    /// Find the gauge on a line, and write a setup.
    Begin(begin::Begin),
    /// Watch a table on real lines.
    Run(run::Run),
    /// Find every mistake in a setup and in job cards.
    Check(check::Check),
    /// Compute level and margins along the cut of a job.
    Forecast(forecast::Show),
    /// Solve one table case: level, flow and the force on every part.
    Solve(solve::Solve),
    /// Play a simulated table behind a pseudo-terminal.
    Simulate(simulate::Simulate),
    /// Play a recorded shift again and compare every action.
    Replay(replay::Replay),
    /// Fit a table's numbers to readings on it.
    Survey(survey::Survey),
    /// Choose, order and accept a new board; when to skim or change the one that lies there.
    Board(board::Board),
    /// Plan a skim of the board: depth, passes, time, what is left, and the program.
    Skim(skim::Plan),
    /// Tell a board's history, trend and care.
    Report(report::Report),
    /// Write kept readings as CSV.
    Export(export::Export),
    /// Switch the lights of a setup dark, or test them, while nothing else uses their line.
    Light(light::Light),
    /// Compute one forecast from standard input to standard output.
    #[command(hide = true)]
    Compute,
}

/// Runs the command line that the process was started with.
pub fn main() -> ExitCode {
    let arguments = Arguments::parse();
    arguments.log.start();
    if let Err(error) = end_with_the_reader(&arguments.command) {
        tracing::debug!(%error, "a reader that goes away is told as an error");
    }
    let done = match arguments.command {
        Command::Demo(demo) => demo.run(),
        Command::Begin(begin) => begin.run(),
        Command::Run(run) => run.run(),
        Command::Check(check) => check.run(),
        Command::Forecast(show) => show.run(),
        Command::Solve(solve) => solve.run(),
        Command::Simulate(simulate) => simulate.run(),
        Command::Replay(replay) => replay.run(),
        Command::Survey(survey) => survey.run(),
        Command::Board(board) => board.run(),
        Command::Skim(plan) => plan.run(),
        Command::Report(report) => report.run(),
        Command::Export(export) => export.run(),
        Command::Light(light) => light.run(),
        Command::Compute => compute::run(),
    };
    done.unwrap_or_else(|error| {
        eprintln!("holdwatch: {error:#}");
        ExitCode::FAILURE
    })
}

/// Exit code of a command whose output nobody reads any more: 128 and the number of the signal, as shells count.
const READER_GONE: i32 = 128 + signal_hook::consts::SIGPIPE;

/// A command that only prints ends quietly with its reader, as in `holdwatch export … | head`. What serves a table goes on.
fn end_with_the_reader(command: &Command) -> std::io::Result<()> {
    match command {
        Command::Demo(_)
        | Command::Begin(_)
        | Command::Run(_)
        | Command::Simulate(_)
        | Command::Light(_)
        | Command::Compute => Ok(()),
        Command::Check(_)
        | Command::Forecast(_)
        | Command::Solve(_)
        | Command::Replay(_)
        | Command::Survey(_)
        | Command::Board(_)
        | Command::Skim(_)
        | Command::Report(_)
        | Command::Export(_) => {
            let always = Arc::new(AtomicBool::new(true));
            signal_hook::flag::register_conditional_shutdown(signal_hook::consts::SIGPIPE, READER_GONE, always)?;
            Ok(())
        }
    }
}
