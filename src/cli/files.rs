//! Files as commands read them.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, anyhow, bail};

use crate::daemon::{last_entry, place, written};
use crate::job::Card;
use crate::job::plan::Plan;
use crate::job::program::Refusal;
use crate::journal::Where;
use crate::minder::Memory;
use crate::moment::Utc;
use crate::setup::{Mistake, Setup, read_card, read_setup};

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
    Ok(planned_card(path, setup)?.0)
}

/// A card and, if it names a program, what that does.
pub(super) fn planned_card(path: &Path, setup: &Setup) -> Result<(Card, Option<Plan>)> {
    let card = match read_card(&text(path)?, &path.display().to_string(), setup) {
        Ok(card) => card.zeroed_unless_said(written(path)),
        Err(mistakes) => bail!("the job card is not sound\n{mistakes}"),
    };
    with_program(card, path, setup).map_err(|mistakes| {
        let lines: Vec<String> = mistakes.iter().map(ToString::to_string).collect();
        anyhow!("the program is not understood\n{}", lines.join("\n"))
    })
}

/// The card at `path` with the parts that its program cuts, or every line of that which is refused.
pub(super) fn with_program(card: Card, path: &Path, setup: &Setup) -> Result<(Card, Option<Plan>), Vec<Mistake>> {
    let Some(program) = &card.program else { return Ok((card, None)) };
    let file = path.with_file_name(&program.file);
    let source = File::open(&file).map_err(|error| {
        vec![Mistake {
            file: path.display().to_string(),
            line: None,
            key: "program".to_owned(),
            wrong: format!("{} cannot be read: {error}", file.display()),
            limit: "a file beside the card".to_owned(),
            remedy: "put it there, or correct the name".to_owned(),
        }]
    })?;
    card.with_program(BufReader::new(source), &setup.machine, &setup.bed()).map_err(|refusals| {
        let mistake = |refusal: Refusal| Mistake {
            file: file.display().to_string(),
            line: usize::try_from(refusal.line).ok(),
            key: String::new(),
            wrong: refusal.what,
            limit: "a line that is understood".to_owned(),
            remedy: refusal.remedy,
        };
        refusals.into_iter().map(mistake).collect()
    })
}

/// The folder that a setup's relative paths start from.
pub(super) fn folder(setup: &Path) -> PathBuf {
    setup.parent().map(Path::to_owned).unwrap_or_default()
}

/// When the board was last skimmed, by the setup's journal; none if there is no journal or it does not say.
///
/// # Errors
/// The text of why the journal cannot be read.
pub(super) fn last_skim(setup: &Setup, path: &Path) -> Result<Option<Utc>, String> {
    let place = place(setup, &folder(path));
    if let Where::Sqlite(file) = &place
        && !file.exists()
    {
        return Ok(None);
    }
    let entry = last_entry(&place, "memory").map_err(|error| error.to_string())?;
    let memory = entry.map(|entry| Memory::from_record(&entry.body)).transpose()?;
    Ok(memory.and_then(|memory| memory.skimmed_on()))
}
