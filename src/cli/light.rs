//! `light`: the lights of a setup without a daemon: dark after one that was killed, or a test while wiring.

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Result;
use clap::Args;

use super::files;
use crate::daemon::{Shine, shine};

/// Switch the lights of a setup dark, or every lamp on in turn; the line must be free, so no daemon may run on it.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  holdwatch light --setup table.toml --test")]
pub(super) struct Light {
    /// The setup file.
    #[arg(long, value_name = "FILE")]
    setup: PathBuf,
    /// Switch every lamp off: nobody is watching.
    #[arg(long, required_unless_present = "test", conflicts_with = "test")]
    dark: bool,
    /// Switch each lamp on in turn.
    #[arg(long)]
    test: bool,
}

impl Light {
    pub(super) fn run(self) -> Result<ExitCode> {
        let setup = files::setup(&self.setup)?;
        shine(&setup, if self.test { Shine::Test } else { Shine::Dark })?;
        Ok(ExitCode::SUCCESS)
    }
}
