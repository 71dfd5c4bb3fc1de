//! `solve`: one table case from a file, its answer to standard output.

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::{Context, Result};
use clap::Args;

use super::files;
use crate::table::case;
use crate::table::field::Resolution;

/// The largest file that is read as a case, in bytes.
const LARGEST: u64 = 16 << 20;

/// Solve one table case: level, flow and the force on every part, as JSON on standard output.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  holdwatch solve table.json\n\nA case that makes no sense is refused on standard error with the field's path and its limit.\n\n\
                  Exit codes: 0 solved, 1 refused or unreadable, 2 wrong usage."
)]
pub(super) struct Solve {
    /// The case, JSON of the schema holddown-case/1.
    #[arg(value_name = "CASE.json")]
    case: PathBuf,
    /// Cells of 2.5 mm instead of 5 mm: nearer to the truth, some eight times slower.
    #[arg(long)]
    fine: bool,
}

impl Solve {
    pub(super) fn run(self) -> Result<ExitCode> {
        let text = files::text_of(&self.case, LARGEST, "case")?;
        let resolution = if self.fine { Resolution::Fine } else { Resolution::Standard };
        let answer = case::solve(&text, resolution).with_context(|| self.case.display().to_string())?;
        println!("{}", serde_json::to_string_pretty(&answer)?);
        Ok(ExitCode::SUCCESS)
    }
}
