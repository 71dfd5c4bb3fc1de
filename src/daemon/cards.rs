//! The folder of job cards.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::mpsc;
use tokio::task::spawn_blocking;
use tokio::time::sleep;
use tokio_util::sync::CancellationToken;
use tracing::warn;

use crate::event::Event;
use crate::job::Card;
use crate::moment::Utc;
use crate::setup::{Setup, read_card};

/// How often the folder is looked at.
const LOOK_EVERY: Duration = Duration::from_secs(10);

/// The largest card that is read, in bytes.
const LARGEST: u64 = 1 << 20;

/// How the names of cut programs end.
const PROGRAM_ENDS: [&str; 6] = ["nc", "ngc", "tap", "gcode", "cnc", "txt"];

/// The most programs that are offered for a choice.
const MOST_PROGRAMS: usize = 50;

/// A folder of job cards, or none.
#[derive(Clone, Debug)]
pub(super) struct Folder {
    path: Option<PathBuf>,
}

impl Folder {
    pub(super) fn new(path: Option<PathBuf>) -> Self {
        Folder { path }
    }

    /// The names of the cards that can be read, in order.
    pub(super) fn names(&self, setup: &Setup) -> Vec<String> {
        let mut names: Vec<String> =
            self.files().filter_map(|file| read(&file, setup).ok()).map(|card| card.name).collect();
        names.sort();
        names.dedup();
        names
    }

    /// The cut programs that no card names, in order.
    fn programs(&self, setup: &Setup) -> Vec<String> {
        let named: Vec<String> = self.files().filter_map(|file| Some(read(&file, setup).ok()?.program?.file)).collect();
        let loose = self
            .all_files()
            .filter(|file| is_program(file))
            .filter_map(|file| Some(file.file_name()?.to_str()?.to_owned()));
        let mut programs: Vec<String> = loose.filter(|file| !named.contains(file)).take(MOST_PROGRAMS).collect();
        programs.sort();
        programs
    }

    /// The file of a cut program.
    ///
    /// # Errors
    /// What is wrong with the name, or that there is no such file.
    pub(super) fn program(&self, name: &str) -> Result<PathBuf, String> {
        if name.contains(['/', '\\']) {
            return Err(format!(
                "{name:?} has a folder in it; put the program into the folder of cards and tell its name alone"
            ));
        }
        let found = self.all_files().find(|file| is_program(file) && file.file_name().is_some_and(|file| file == name));
        found.ok_or_else(|| {
            format!("there is no program {name:?} in the folder of cards; they end with {}", PROGRAM_ENDS.join(", "))
        })
    }

    /// The card of this name, by the name in it, of its file or of its program's file, with the file of its program if it names one.
    pub(super) fn find(&self, name: &str, setup: &Setup) -> Option<Result<(Card, Option<PathBuf>), String>> {
        let by_file = self.files().find(|file| file.file_stem().is_some_and(|stem| stem.to_string_lossy() == name));
        let by_name = || self.files().find_map(|file| read(&file, setup).ok().filter(|card| card.name == name)).map(Ok);
        let cuts = |card: &Card| card.program.as_ref().is_some_and(|program| program.file == name);
        let by_program = || self.files().find_map(|file| read(&file, setup).ok().filter(cuts)).map(Ok);
        let found = by_name().or_else(|| by_file.map(|file| read(&file, setup))).or_else(by_program);
        found.map(|card| card.map(|card| self.beside(card)))
    }

    fn beside(&self, card: Card) -> (Card, Option<PathBuf>) {
        let file = self.path.as_ref().zip(card.program.as_ref()).map(|(path, program)| path.join(&program.file));
        (card, file)
    }

    fn files(&self) -> impl Iterator<Item = PathBuf> {
        self.all_files().filter(|file| file.extension().is_some_and(|extension| extension == "toml"))
    }

    fn all_files(&self) -> impl Iterator<Item = PathBuf> {
        let entries = self.path.as_ref().and_then(|path| std::fs::read_dir(path).ok());
        let mut files: Vec<PathBuf> =
            entries.into_iter().flatten().filter_map(|entry| Some(entry.ok()?.path())).collect();
        files.sort();
        files.into_iter()
    }
}

fn is_program(file: &std::path::Path) -> bool {
    let end = file.extension().and_then(|end| end.to_str());
    end.is_some_and(|end| PROGRAM_ENDS.iter().any(|known| end.eq_ignore_ascii_case(known)))
}

fn read(file: &std::path::Path, setup: &Setup) -> Result<Card, String> {
    let size = std::fs::metadata(file).map_err(|error| format!("{}: {error}", file.display()))?.len();
    if size > LARGEST {
        return Err(format!("{}: {size} bytes are too many for a card; at most {LARGEST}", file.display()));
    }
    let text = std::fs::read_to_string(file).map_err(|error| format!("{}: {error}", file.display()))?;
    let card = read_card(&text, &file.display().to_string(), setup).map_err(|mistakes| mistakes.to_string())?;
    Ok(card.zeroed_unless_said(written(file)))
}

/// When a file was last written; none if the file system does not say.
pub fn written(file: &std::path::Path) -> Option<Utc> {
    let time = std::fs::metadata(file).and_then(|metadata| metadata.modified()).ok()?;
    let since = time.duration_since(std::time::UNIX_EPOCH).ok()?;
    i64::try_from(since.as_micros()).ok().map(Utc::from_micros)
}

/// Tells of cards that come and go, and of those that cannot be read, until told to stop.
pub(super) async fn watch(folder: Folder, setup: Arc<Setup>, events: mpsc::Sender<Event>, stop: CancellationToken) {
    let (mut told, mut told_programs, mut complained) = (None, Vec::new(), Vec::new());
    loop {
        let (looked, known) = (folder.clone(), Arc::clone(&setup));
        let Ok((names, programs, broken)) = spawn_blocking(move || {
            let broken: Vec<String> = looked.files().filter_map(|file| read(&file, &known).err()).collect();
            (looked.names(&known), looked.programs(&known), broken)
        })
        .await
        else {
            return;
        };
        for text in broken.iter().filter(|text| !complained.contains(*text)) {
            warn!(text, "job card left out");
        }
        complained = broken;
        if told.as_ref() != Some(&names) {
            if events.send(Event::Cards(names.clone())).await.is_err() {
                return;
            }
            told = Some(names);
        }
        if told_programs != programs {
            if events.send(Event::Programs(programs.clone())).await.is_err() {
                return;
            }
            told_programs = programs;
        }
        tokio::select! {
            () = sleep(LOOK_EVERY) => {}
            () = stop.cancelled() => return,
        }
    }
}
