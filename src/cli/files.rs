//! Files as commands read them.

use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};

use crate::job::Card;
use crate::setup::{Setup, read_card, read_setup};

/// The largest file that is read as a setup or card, in bytes.
const LARGEST: u64 = 1 << 20;

pub(super) fn text(path: &Path) -> Result<String> {
    text_of(path, LARGEST, "setup or card")
}

/// The text of a file of at most `largest` bytes; `kind` is what it is read as.
pub(super) fn text_of(path: &Path, largest: u64, kind: &str) -> Result<String> {
    let size = std::fs::metadata(path).with_context(|| format!("cannot read {}", path.display()))?.len();
    if size > largest {
        bail!("{} has {size} bytes, more than the {largest} that a {kind} may have", path.display());
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
    match read_card(&text(path)?, &path.display().to_string(), setup) {
        Ok(card) => Ok(card),
        Err(mistakes) => bail!("the job card is not sound\n{mistakes}"),
    }
}

/// The folder that a setup's relative paths start from.
pub(super) fn folder(setup: &Path) -> PathBuf {
    setup.parent().map(Path::to_owned).unwrap_or_default()
}
