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

    /// The card of this name, by the name in it or of its file, with the file of its program if it names one.
    pub(super) fn find(&self, name: &str, setup: &Setup) -> Option<Result<(Card, Option<PathBuf>), String>> {
        let by_file = self.files().find(|file| file.file_stem().is_some_and(|stem| stem.to_string_lossy() == name));
        let by_name = || self.files().find_map(|file| read(&file, setup).ok().filter(|card| card.name == name)).map(Ok);
        by_name().or_else(|| by_file.map(|file| read(&file, setup))).map(|card| card.map(|card| self.beside(card)))
    }

    fn beside(&self, card: Card) -> (Card, Option<PathBuf>) {
        let file = self.path.as_ref().zip(card.program.as_ref()).map(|(path, program)| path.join(&program.file));
        (card, file)
    }

    fn files(&self) -> impl Iterator<Item = PathBuf> {
        let entries = self.path.as_ref().and_then(|path| std::fs::read_dir(path).ok());
        let mut files: Vec<PathBuf> = entries
            .into_iter()
            .flatten()
            .filter_map(|entry| Some(entry.ok()?.path()))
            .filter(|file| file.extension().is_some_and(|extension| extension == "toml"))
            .collect();
        files.sort();
        files.into_iter()
    }
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
    let (mut told, mut complained) = (None, Vec::new());
    loop {
        let (looked, known) = (folder.clone(), Arc::clone(&setup));
        let Ok((names, broken)) = spawn_blocking(move || {
            let broken: Vec<String> = looked.files().filter_map(|file| read(&file, &known).err()).collect();
            (looked.names(&known), broken)
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
        tokio::select! {
            () = sleep(LOOK_EVERY) => {}
            () = stop.cancelled() => return,
        }
    }
}
