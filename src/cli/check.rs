//! `check`: every mistake in a setup and in job cards.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use serde_json::json;

use super::{files, plan};
use crate::daemon::written;
use crate::setup::{Mistake, Mistakes, Setup, read_card, read_setup};

/// Find every mistake in a setup and in job cards: file, line, what, the limit and what to do.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  holdwatch check --setup table.toml --job cards/drawers.toml\n\nExit codes: 0 sound, 1 unsound, 2 wrong usage."
)]
pub(super) struct Check {
    /// The setup file.
    #[arg(long, value_name = "FILE")]
    setup: PathBuf,
    /// A job card to check against it; may be given more than once.
    #[arg(long, value_name = "FILE")]
    job: Vec<PathBuf>,
    /// Write the findings as JSON.
    #[arg(long)]
    json: bool,
}

impl Check {
    pub(super) fn run(self) -> Result<ExitCode> {
        let (setup, mut mistakes) = match read_setup(&files::text(&self.setup)?, &self.setup.display().to_string()) {
            Ok(setup) => (Some(setup), Vec::new()),
            Err(mistakes) => (None, listed(&mistakes)),
        };
        let mut looks = Vec::new();
        if let Some(setup) = &setup {
            for job in &self.job {
                match self.job_looks(job, setup)? {
                    Ok(found) => looks.extend(found),
                    Err(found) => mistakes.extend(found),
                }
            }
        }
        let unread = if setup.is_none() { self.job.len() } else { 0 };
        if self.json {
            println!("{}", as_json(setup.as_ref(), &mistakes, &looks, unread));
        } else {
            self.tell(setup.as_ref(), &mistakes, unread);
            for look in &looks {
                println!("look at: {look}");
            }
        }
        Ok(if mistakes.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
    }

    /// What someone should look at before a job is cut, or the mistakes in it.
    fn job_looks(&self, job: &Path, setup: &Setup) -> Result<Result<Vec<String>, Vec<Mistake>>> {
        let card = match read_card(&files::text(job)?, &job.display().to_string(), setup) {
            Ok(card) => card.zeroed_unless_said(written(job)),
            Err(found) => return Ok(Err(listed(&found))),
        };
        let zero = plan::zero(&card, setup, &self.setup);
        Ok(files::with_program(card, job, setup).map(|(_, planned)| {
            let warnings = planned.map(|plan| plan.warnings).unwrap_or_default();
            let told = warnings.iter().map(|warning| format!("{}: {warning}", job.display()));
            zero.into_iter().chain(told).collect()
        }))
    }

    fn tell(&self, setup: Option<&Setup>, mistakes: &[Mistake], unread: usize) {
        for mistake in mistakes {
            println!("{mistake}");
        }
        if unread > 0 {
            println!("{unread} job card(s) not looked at: the setup must be sound first");
        }
        let Some(setup) = setup else { return };
        for warning in &setup.warnings {
            println!("worth a look: {warning}");
        }
        if mistakes.is_empty() {
            println!("{}: sound", self.setup.display());
            if !setup.assumptions.is_empty() {
                println!("assumed, because the setup leaves it out:");
            }
            for assumption in &setup.assumptions {
                println!("  {} = {} ({})", assumption.key, assumption.value, assumption.ground);
            }
        }
    }
}

fn listed(mistakes: &Mistakes) -> Vec<Mistake> {
    mistakes.iter().cloned().collect()
}

fn as_json(setup: Option<&Setup>, mistakes: &[Mistake], looks: &[String], unread: usize) -> serde_json::Value {
    json!({
        "sound": mistakes.is_empty(),
        "mistakes": mistakes,
        "look_at": looks,
        "cards_not_looked_at": unread,
        "warnings": setup.map(|setup| &setup.warnings),
        "assumptions": setup.map(|setup| &setup.assumptions),
    })
}
