//! `run`: the daemon on real lines.

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use tokio_util::sync::CancellationToken;

use super::files;
use crate::daemon::{self, Options};

/// Watch a table on real lines until a signal ends it.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  holdwatch run --setup /etc/holdwatch/table.toml")]
pub(super) struct Run {
    /// The setup file.
    #[arg(long, value_name = "FILE")]
    setup: PathBuf,
}

impl Run {
    pub(super) fn run(self) -> Result<ExitCode> {
        let setup = files::setup(&self.setup)?;
        for warning in &setup.warnings {
            eprintln!("holdwatch: {warning}");
        }
        daemon::run(Options {
            setup,
            folder: files::folder(&self.setup),
            pace: 1.0,
            stop: CancellationToken::new(),
            controller: None,
            ready: Box::new(|address| println!("page: http://{address}/")),
        })?;
        Ok(ExitCode::SUCCESS)
    }
}
