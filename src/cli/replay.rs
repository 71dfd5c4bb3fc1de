//! `replay`: a recorded shift played again.

use std::process::ExitCode;

use anyhow::{Context, Result};
use clap::Args;
use serde_json::json;

use crate::daemon::{Replayed, replay};
use crate::event::Action;
use crate::journal::Where;
use crate::moment::{Moment, Utc};

/// Play a recorded shift again, from a kept state on, and compare every action with what was ordered then.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  holdwatch replay holdwatch.db\n  holdwatch replay holdwatch.db --from 2026-03-02T14:30:00Z --actions\n\n\
                  Exit codes: 0 every action the same, 1 not, 2 wrong usage."
)]
pub(super) struct Replay {
    /// The journal: an SQLite file, or `postgres://…`.
    #[arg(value_name = "FILE")]
    journal: String,
    /// Begin with the newest state kept at or before this time, RFC 3339; the oldest state if it is left out.
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Write each action as a line of JSON.
    #[arg(long)]
    actions: bool,
    /// Write the result as JSON.
    #[arg(long)]
    json: bool,
}

impl Replay {
    pub(super) fn run(self) -> Result<ExitCode> {
        let from = self.from.as_deref().map(Utc::parse_rfc3339).transpose();
        let from = from.map_err(anyhow::Error::msg).context("--from is no time such as 2026-03-02T14:30:00Z")?;
        let mut see = |at: Moment, actions: &[Action]| {
            if self.actions {
                for action in actions {
                    println!("{}", json!({ "steady_ns": at.steady.nanos(), "action": action }));
                }
            }
        };
        let replayed = replay(&Where::from_text(&self.journal), from, &mut see)?;
        if self.json {
            println!("{}", as_json(&replayed));
        } else {
            tell(&replayed);
        }
        Ok(if replayed.different.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
    }
}

fn civil(at: Moment) -> String {
    at.civil.map_or_else(|| format!("{:.3} s after the boot", at.steady.nanos() as f64 / 1e9), Utc::rfc3339)
}

fn tell(replayed: &Replayed) {
    let (events, actions, same) = (replayed.events, replayed.actions, replayed.same);
    if let Some((first, last)) = replayed.span {
        println!("from {} to {}", civil(first), civil(last));
    }
    println!(
        "{events} events, {actions} actions; {same} pieces the same to the byte, {} not",
        replayed.different.len()
    );
    for at in &replayed.different {
        println!("not the same: the piece that begins at {}", civil(*at));
    }
    if replayed.holes > 0 {
        println!("a piece is missing or damaged; the replay ends there");
    }
}

fn as_json(replayed: &Replayed) -> serde_json::Value {
    json!({
        "events": replayed.events,
        "actions": replayed.actions,
        "pieces_same": replayed.same,
        "pieces_different": replayed.different.iter().map(|at| civil(*at)).collect::<Vec<_>>(),
        "holes": replayed.holes,
        "from": replayed.span.map(|(first, _)| civil(first)),
        "to": replayed.span.map(|(_, last)| civil(last)),
    })
}
