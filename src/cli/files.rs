//! Files as commands read them.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, anyhow, bail};

use crate::job::Card;
use crate::job::plan::Plan;
use crate::setup::{Setup, read_card, read_setup};

/// The largest file that is read as a setup or card, in bytes.
const LARGEST: u64 = 1 << 20;

pub(super) fn text(path: &Path) -> Result<String> {
    let size = std::fs::metadata(path).with_context(|| format!("cannot read {}", path.display()))?.len();
    if size > LARGEST {
        bail!("{} has {size} bytes, more than the {LARGEST} that a setup or card may have", path.display());
    }
    std::fs::read_to_string(path).with_context(|| format!("cannot read {}", path.display()))
}

pub(super) fn setup(path: &Path) -> Result<Setup> {
    match read_setup(&text(path)?, &path.display().to_string()) {
        Ok(setup) => Ok(setup),
        Err(mistakes) => bail!("the setup is not sound\n{mistakes}"),
    }
}

pub(super) fn card(path: &Path, setup: &Setup) -> Result<Card> {
    Ok(planned_card(path, setup)?.0)
}

/// A card and, if it names a program, what that does.
pub(super) fn planned_card(path: &Path, setup: &Setup) -> Result<(Card, Option<Plan>)> {
    let card = match read_card(&text(path)?, &path.display().to_string(), setup) {
        Ok(card) => card,
        Err(mistakes) => bail!("the job card is not sound\n{mistakes}"),
    };
    let Some(program) = &card.program else { return Ok((card, None)) };
    let file = path.with_file_name(&program.file);
    let source = File::open(&file).with_context(|| format!("cannot read {}", file.display()))?;
    card.with_program(BufReader::new(source), &setup.machine).map_err(|refusals| {
        let lines: Vec<String> = refusals.iter().map(|refusal| format!("{}: {refusal}", file.display())).collect();
        anyhow!("the program is not understood\n{}", lines.join("\n"))
    })
}

/// The folder that a setup's relative paths start from.
pub(super) fn folder(setup: &Path) -> PathBuf {
    setup.parent().map(Path::to_owned).unwrap_or_default()
}
