//! `begin`: finds the gauge on a line, asks the laziest facts, and writes a setup.

mod asking;
mod page;
mod telling;

use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context, Result, anyhow, bail};
use clap::Args;

use super::files;
use crate::daemon::{Bench, adapters};
use crate::gauge::search::{HuntPlan, Proposal};
use crate::moment::Span;
use crate::setup::{
    Answers, CARDS, Draft, Marked, PumpWhileWatched, SUCTION_QUESTIONS, TABLE_QUESTIONS, plausible, read_answers,
    read_setup,
};
use crate::units::Vacuum;
use asking::Asker;

/// Find the gauge on a serial line, ask for the laziest facts about the table, and write a setup.
///
/// On a terminal it asks; with --answers, or without a terminal, it asks nothing, takes what the file tells, and assumes and marks the
/// rest. Nothing is ever written to a gauge: only registers are read, and short lines of text sent.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  holdwatch begin --port /dev/serial/by-id/usb-serial-adapter-if00-port0\n  \
                  holdwatch begin --answers shop.toml --out table.toml --try 5\n  \
                  holdwatch begin --page                       the same steps on a page, for who has no terminal\n  \
                  holdwatch begin --questions > shop.toml      every answer there is, explained\n\n\
                  Exit codes: 0 a sound setup is written, 1 nothing was found or written, 2 wrong usage.")]
pub(super) struct Begin {
    /// The serial port; left out, the only adapter of this computer.
    #[arg(long, value_name = "PATH")]
    port: Option<String>,
    /// Answers to take in the place of asking.
    #[arg(long, value_name = "FILE")]
    answers: Option<PathBuf>,
    /// The setup to write.
    #[arg(long, value_name = "FILE", default_value = "table.toml")]
    out: PathBuf,
    /// Write it even if the file is there already.
    #[arg(long)]
    overwrite: bool,
    /// Take so many readings with the written setup.
    #[arg(long = "try", value_name = "READINGS", value_parser = clap::value_parser!(u16).range(1..=100))]
    trial: Option<u16>,
    /// Write what was found, written and assumed as JSON.
    #[arg(long)]
    json: bool,
    /// Lead through the same steps on a page of this computer, at this port.
    #[arg(long, value_name = "PORT", num_args = 0..=1, default_missing_value = "8017", conflicts_with_all = ["answers", "trial", "json"])]
    page: Option<u16>,
    /// Print an answers file in which every answer is explained, and do nothing.
    #[arg(long)]
    questions: bool,
}

/// How long numbers are watched when nobody switches the pump at a word.
const WATCHED: Span = Span::from_secs(20);
/// How long each state of the pump is watched when somebody does.
const EACH_STATE: Span = Span::from_secs(4);

/// What `begin` came to, for whoever is told.
pub(super) struct Outcome {
    tries: usize,
    took: Span,
    registers: usize,
    proposals: Vec<Proposal>,
    marked: Vec<Marked>,
    doubts: Vec<String>,
    others: Vec<u8>,
    readings: Vec<Vacuum>,
}

impl Begin {
    pub(super) fn run(self) -> Result<ExitCode> {
        if self.questions {
            print!("{}", include_str!("../../../config/example-answers.toml"));
            return Ok(ExitCode::SUCCESS);
        }
        if self.out.exists() && !self.overwrite {
            bail!("{} is there already; name another file with --out, or say --overwrite", self.out.display());
        }
        if let Some(port) = self.page {
            return page::serve(port, &self.out, self.overwrite);
        }
        let mut answers = self.answers()?;
        let mut asker = Asker::new(self.answers.is_none() && std::io::stdin().is_terminal());
        let port = self.port(&answers, &mut asker)?;
        asker.ask(&SUCTION_QUESTIONS, &mut answers)?;
        let mut bench = Bench::open(&port)?;
        let Some((tries, took)) = search(&mut bench, &answers, &port)? else { return Ok(ExitCode::FAILURE) };
        let mut told = None;
        let registers = bench.census(answers.gauge.registers, |census| {
            let left = census.left();
            if telling::is_news(told, left) {
                told = Some(left);
                telling::progress(&format!("reading registers, {left} questions left"));
            }
            true
        })?;
        watch(&mut bench, &answers, &mut asker)?;
        let proposals = bench.proposals(&plausible(&answers), &answers.gauge.told);
        telling::moving(&bench.series(), &proposals);
        let Some(gauge) = bench.gauge(&proposals) else {
            telling::no_number(&bench, registers);
            return Ok(ExitCode::FAILURE);
        };
        asker.ask(&TABLE_QUESTIONS, &mut answers)?;
        let draft = Draft::new(&answers, &gauge);
        let (text, marked) = draft.text().map_err(|mistakes| {
            anyhow!(
                "what was told makes no sound setup\n{mistakes}\nin the setup that would have been written:\n{}",
                draft.plain_text(None)
            )
        })?;
        write_new(&self.out, &text, self.overwrite)?;
        let setup = files::setup(&self.out)?;
        let readings = match self.trial {
            Some(count) => bench.trial(&setup, usize::from(count))?,
            None => Vec::new(),
        };
        let (doubts, others) = (gauge.doubts.clone(), gauge.others.clone());
        let outcome = Outcome { tries, took, registers, proposals, marked, doubts, others, readings };
        let sound = self.trial.is_none() || !outcome.readings.is_empty();
        if self.json {
            println!("{:#}", telling::as_json(&outcome, &self.out, &port, &bench));
        } else {
            telling::tell(&outcome, &self.out, &setup);
        }
        Ok(if sound { ExitCode::SUCCESS } else { ExitCode::FAILURE })
    }

    fn answers(&self) -> Result<Answers> {
        let Some(file) = &self.answers else { return Ok(Answers::default()) };
        read_answers(&files::text(file)?, &file.display().to_string())
            .map_err(|mistakes| anyhow!("the answers cannot be used\n{mistakes}"))
    }

    fn port(&self, answers: &Answers, asker: &mut Asker) -> Result<String> {
        if let Some(port) = self.port.clone().or_else(|| answers.gauge.port.clone()) {
            return Ok(port);
        }
        let adapters = adapters();
        match adapters.as_slice() {
            [only] => Ok(only.clone()),
            several => {
                if let Some(port) = asker.port(several)? {
                    return Ok(port);
                }
                let there = if several.is_empty() {
                    "none is plugged in, or none has a name below /dev/serial/by-id".to_owned()
                } else {
                    format!("there are {}", several.join(", "))
                };
                bail!("which serial port? {there}; name one with --port, or as port under [gauge] in the answers")
            }
        }
    }
}

/// Looks for whoever answers; says what to do if nobody does.
fn search(bench: &mut Bench, answers: &Answers, port: &str) -> Result<Option<(usize, Span)>> {
    let plan: HuntPlan = answers.plan();
    telling::plan(&plan, port);
    let mut shown = None;
    let took = bench.hunt(plan, |hunt| {
        if hunt.form() != shown {
            shown = hunt.form();
            if let Some(form) = shown {
                telling::progress(&format!("try {}: {form}", hunt.found().tries + 1));
            }
        }
        true
    })?;
    telling::found(bench.found(), took);
    if bench.found().form.is_none() {
        telling::nobody(bench.found(), answers);
        return Ok(None);
    }
    Ok(Some((bench.found().tries, took)))
}

/// Watches the numbers with the pump off, on and off again if somebody is there to switch it, else for a while as it comes.
fn watch(bench: &mut Bench, answers: &Answers, asker: &mut Asker) -> Result<()> {
    let switched = [
        ("Switch the pump off, wait until the table is at rest,", false),
        ("Now switch it on, something lying on the table, wait until the level stands,", true),
        ("And off again, wait until the table is at rest,", false),
    ];
    if asker.is_there() {
        for (what, on) in switched {
            asker.wait(what)?;
            telling::progress("watching every number");
            bench.watch(EACH_STATE, Some(on), || true)?;
        }
        return Ok(());
    }
    let span = answers.watch.unwrap_or(WATCHED);
    telling::progress(&format!("watching every number for {:.0} s", span.secs_f64()));
    let known = match answers.pump_while_watched {
        PumpWhileWatched::Unknown => None,
        PumpWhileWatched::Off => Some(false),
        PumpWhileWatched::On => Some(true),
    };
    bench.watch(span, known, || true)?;
    Ok(())
}

/// Writes a setup that must not be there yet, unless told otherwise, and whole or not at all, beside the folder of its cards.
fn write_new(path: &Path, text: &str, overwrite: bool) -> Result<()> {
    read_setup(text, &path.display().to_string()).map_err(|mistakes| anyhow!("the setup is not sound\n{mistakes}"))?;
    let cannot = || format!("cannot write {}", path.display());
    let cards = path.with_file_name(CARDS);
    std::fs::create_dir_all(&cards).with_context(|| format!("cannot make the folder {}", cards.display()))?;
    if overwrite {
        let beside = path.with_extension("toml.new");
        std::fs::write(&beside, text).with_context(cannot)?;
        return std::fs::rename(&beside, path).with_context(cannot);
    }
    let mut file = std::fs::OpenOptions::new().write(true).create_new(true).open(path).with_context(cannot)?;
    std::io::Write::write_all(&mut file, text.as_bytes()).with_context(cannot)
}
