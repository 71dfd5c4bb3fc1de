//! `simulate`: the simulated table alone, behind a pseudo-terminal.

use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use anyhow::{Context, Result, bail};
use clap::Args;
use rustix::process::{Signal, set_parent_process_death_signal};

use super::files;
use crate::daemon::Clock;
use crate::gauge::{GaugeSettings, LineId, Place};
use crate::job::Card;
use crate::plant::{self, Blemish, Mischief, OnTheLine, Plant, Report, Said, Scene, Server, Truth};
use crate::setup::Setup;
use crate::table::{ClosedForm, Condensed, Table, TableLoad};

/// Play a simulated table behind a pseudo-terminal, with the setup's gauge and light on it, again and again until a signal.
///
/// What the machine's controller would tell, and the truth beside it, is written to standard output as lines of JSON.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  holdwatch simulate --setup config/demo.toml --scene sheet-lifts --link /tmp/gauge")]
pub(super) struct Simulate {
    /// The setup whose table, gauge and light are simulated.
    #[arg(long, value_name = "FILE")]
    setup: PathBuf,
    /// The scene, or `shift` for all that a shop sees, one after the other.
    #[arg(long, value_name = "NAME", default_value = "good-cut")]
    scene: String,
    /// The symbolic link to make to the pseudo-terminal.
    #[arg(long, value_name = "PATH")]
    link: PathBuf,
    /// How many times as fast as real time to play, 1 to 60.
    #[arg(long, value_name = "N", default_value_t = 1.0, value_parser = pace)]
    pace: f64,
    /// Draws what the setup does not know of the table: wear, unevenness, noise.
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Play once instead of again and again.
    #[arg(long)]
    once: bool,
    /// End when the program that started this one does, however it ends.
    #[arg(long, hide = true)]
    with_starter: bool,
}

/// Scenes by a name on the command line.
pub(super) fn scenes(name: &str) -> Result<Vec<Scene>> {
    if name == "shift" {
        return Ok(Scene::SHIFT.to_vec());
    }
    match name.parse() {
        Ok(scene) => Ok(vec![scene]),
        Err(error) => {
            let known: Vec<&str> = Scene::ALL.iter().map(|scene| scene.name()).collect();
            bail!("{error}; the scenes are {} and shift", known.join(", "))
        }
    }
}

/// Reads a pace of 1 to 60.
pub(super) fn pace(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(pace) if (1.0..=60.0).contains(&pace) => Ok(pace),
        Ok(_) | Err(_) => Err(format!("{text:?} is no pace; use 1 (real time) to 60")),
    }
}

/// Where the gauge must sit for these scenes to be seen.
pub(super) fn place(scenes: &[Scene]) -> Place {
    scenes.first().map_or(Place::Manifold, |scene| scene.gauge_place())
}

impl Simulate {
    pub(super) fn run(self) -> Result<ExitCode> {
        if self.with_starter {
            set_parent_process_death_signal(Some(Signal::TERM))
                .context("the kernel cannot tie this process to another")?;
        }
        let scenes = scenes(&self.scene)?;
        let mut setup = files::setup(&self.setup)?;
        if let Some(gauge) = setup.gauges.first_mut() {
            gauge.place = place(&scenes);
        }
        let cards = self.cards(&setup)?;
        let clock = Clock::new(self.pace);
        let stop = Arc::new(AtomicBool::new(false));
        for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
            signal_hook::flag::register(signal, Arc::clone(&stop)).context("signals cannot be received")?;
        }
        let mut server = Server::open(&self.link, on_the_line(&setup)?, self.seed)?;
        loop {
            let mut plant = plant(&setup, &cards, &scenes, self.seed)?;
            self.play(&mut server, &mut plant, &clock, &stop)?;
            if self.once || stop.load(Ordering::Relaxed) {
                return Ok(ExitCode::SUCCESS);
            }
        }
    }

    fn cards(&self, setup: &Setup) -> Result<Vec<Card>> {
        let Some(folder) = &setup.cards_dir else { return Ok(Vec::new()) };
        let folder = files::folder(&self.setup).join(folder);
        let mut paths = Vec::new();
        for entry in std::fs::read_dir(&folder).with_context(|| format!("cannot read {}", folder.display()))? {
            let path = entry?.path();
            if path.extension().is_some_and(|extension| extension == "toml") {
                paths.push(path);
            }
        }
        paths.sort();
        paths.iter().map(|path| files::card(path, setup)).collect()
    }

    fn play(&self, server: &mut Server, plant: &mut Plant, clock: &Clock, stop: &Arc<AtomicBool>) -> Result<()> {
        let now = || clock.steady();
        let mut say = |report: Report| tell(&report);
        server.serve(plant, plant::Clock { now: &now, pace: self.pace }, stop, &mut say)?;
        Ok(())
    }
}

/// The setup's first line with its gauges, and its light if there is one.
fn on_the_line(setup: &Setup) -> Result<OnTheLine> {
    let line = setup.lines.first().context("the setup has no line to simulate")?;
    let gauges: Vec<GaugeSettings> = setup.gauges.iter().filter(|gauge| gauge.line == LineId(0)).cloned().collect();
    let relay = setup.lights.iter().find(|light| light.line == LineId(0)).map(|light| light.unit);
    Ok(OnTheLine { line: line.clone(), gauges, relay, blemish: Blemish::USUAL, mischief: Mischief::default() })
}

fn plant(setup: &Setup, cards: &[Card], scenes: &[Scene], seed: u64) -> Result<Plant> {
    let truth = Truth::drawn(&setup.table, seed);
    let condense = Box::new(|table: &Table, load: &TableLoad| ClosedForm::condense(table, load).zones().clone());
    Ok(Plant::new(&setup.table, cards, scenes, truth, condense)?)
}

fn tell(report: &Report) {
    // The truth is for tests that watch this program's output; whoever is told does not hear it.
    if let Ok(line) = serde_json::to_string(report) {
        // Whoever listened may be gone; the table is there for the line, not for them.
        let _ = writeln!(std::io::stdout(), "{line}");
    }
}

/// What a machine's controller would say of a report, for the program that watches.
pub fn as_told(report: Report) -> Option<crate::event::Command> {
    use crate::event::{Command, Outcome, ProgressTold};
    use crate::plant::SheetOutcome;
    match report.what {
        Said::Job { card } => Some(Command::LoadNamed(card)),
        Said::Zones { open } => Some(Command::Open(open)),
        Said::Cutting { cutting } => Some(Command::Progress(ProgressTold::Cutting(cutting))),
        Said::Progress { fraction } => Some(Command::Progress(ProgressTold::Fraction(fraction))),
        Said::Unloaded => Some(Command::Unload),
        Said::Outcome { outcome, part } => {
            let outcome = match outcome {
                SheetOutcome::Good => Outcome::Good,
                SheetOutcome::Moved => Outcome::Moved,
                SheetOutcome::Lost => Outcome::Lost,
            };
            Some(Command::SheetOutcome(outcome, part))
        }
        Said::Scene { .. } | Said::Lamp { .. } | Said::Truth { .. } | Said::Ended => None,
    }
}
