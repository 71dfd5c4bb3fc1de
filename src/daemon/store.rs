//! The journal as the daemon keeps it: opened at the start if it can be, tried again if it cannot, never waited for.

use std::time::Duration;

use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, interval_at, timeout_at};
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

use crate::event::{Event, Recalled, Seq};
use crate::journal::{self, Check, Journal, JournalError, Settings, Standing, Where, Write, Writer};
use crate::minder::{CheckLog, Memory, Remembered, SurveyRun};
use crate::moment::{Moment, Utc};

/// How many writes may wait; the writer never stops taking, so this bridges only a stall of its task.
const WAITING_WRITES: usize = 4096;

/// How long to wait before a journal that could not be opened is tried again.
const TRY_AGAIN: Duration = Duration::from_secs(5);

/// When the journal is copied for the first time, and how often from then on.
const COPY_AFTER: Duration = Duration::from_secs(600);
const COPY_EVERY: Duration = Duration::from_secs(86_400);

/// Numbers of records begin here, in milliseconds, where those of before are not known: 2020-01-01.
const NUMBERS_FROM: Utc = Utc::from_micros(1_577_836_800_000_000);

/// The journal's ends: what goes in, how it stands, and where to look.
pub(super) struct Store {
    pub(super) inbox: mpsc::Sender<Write>,
    pub(super) standing: watch::Receiver<Standing>,
    pub(super) journal: watch::Receiver<Option<Journal>>,
    place: Where,
    at: Moment,
    writes: mpsc::Receiver<Write>,
    stands: watch::Sender<Standing>,
    opened: watch::Sender<Option<Journal>>,
    writer: Option<Writer>,
}

/// Opens the journal, and says what it remembers.
///
/// # Errors
/// What will not pass by itself: a newer form, another daemon, a file of something else.
pub(super) async fn open(place: &Where, at: Moment) -> Result<(Store, Remembered), JournalError> {
    let (inbox, writes) = mpsc::channel(WAITING_WRITES);
    let (stands, standing) = watch::channel(Standing::default());
    let (opened, journal) = watch::channel(None);
    let mut store = Store { inbox, standing, journal, place: place.clone(), at, writes, stands, opened, writer: None };
    let remembered = match store.try_open().await {
        Ok(recalled) => recalled.into(),
        Err(error) if passes(&error) => {
            warn!(%error, "the journal cannot be opened; watching without it");
            store.stands.send_modify(|standing| standing.trouble = Some(error.to_string()));
            Remembered { last_seq: unknown_numbers(at), unknown: true, ..Remembered::default() }
        }
        Err(error) => return Err(error),
    };
    Ok((store, remembered))
}

/// More than any number that a journal can have reached: it grows by some tens a second, this by a thousand.
fn unknown_numbers(at: Moment) -> Seq {
    let millis = at.civil.map_or(0, |civil| (civil.micros() - NUMBERS_FROM.micros()) / 1000);
    Seq(u64::try_from(millis).unwrap_or(0))
}

fn passes(error: &JournalError) -> bool {
    match error {
        JournalError::Newer { .. } | JournalError::InUse(_) | JournalError::Stranger(_) => false,
        JournalError::File { .. }
        | JournalError::Database(_)
        | JournalError::Migration(_)
        | JournalError::Damaged { .. } => true,
    }
}

impl Store {
    async fn try_open(&mut self) -> Result<Recalled, JournalError> {
        let (journal, writer, opened) = journal::open(&self.place, Settings::default(), self.at).await?;
        match &opened.check {
            Check::Sound | Check::Unfinished | Check::Served => {}
            Check::Replaced { damage, aside, restored } => {
                warn!(damage, aside = %aside.display(), restored, "the journal was damaged and was moved aside");
            }
        }
        let last_seq = opened.last.map_or(Seq(0), |last| last.seq);
        let memory = last(&journal, "memory", Memory::from_record).await?;
        let survey = last(&journal, "survey", SurveyRun::from_record).await?;
        let check = last(&journal, "check", CheckLog::from_record).await?;
        info!(last = last_seq.0, "journal open");
        self.opened.send_replace(Some(journal));
        self.writer = Some(writer);
        Ok(Recalled { last_seq, memory, survey, check })
    }

    /// Writes until told to close; until the journal can be opened, drops what comes. What one remembers that is opened late is told.
    pub(super) async fn run(mut self, events: mpsc::Sender<Event>) {
        loop {
            if let Some(writer) = self.writer.take() {
                return writer.run(self.writes, self.stands).await;
            }
            if self.drop_for(TRY_AGAIN).await {
                return;
            }
            match self.try_open().await {
                Ok(recalled) => {
                    // Nobody takes it up once the program stops.
                    let _ = events.send(Event::Recalled(Box::new(recalled))).await;
                    self.stands.send_modify(|standing| standing.trouble = None);
                }
                Err(error) => self.stands.send_modify(|standing| standing.trouble = Some(error.to_string())),
            }
        }
    }

    /// Takes and drops writes for a while; whether it was told to close.
    async fn drop_for(&mut self, span: Duration) -> bool {
        let until = Instant::now() + span;
        loop {
            match timeout_at(until, self.writes.recv()).await {
                Err(_) => return false,
                Ok(None | Some(Write::Close)) => return true,
                Ok(Some(_)) => {}
            }
        }
    }
}

/// The body of the last record of a kind; one that cannot be read, of another version of the program say, is passed over.
async fn last<T>(
    journal: &Journal,
    kind: &str,
    read: impl Fn(&str) -> Result<T, String>,
) -> Result<Option<String>, JournalError> {
    let body = journal.last_entry(kind).await?.map(|entry| entry.body);
    let can_be_read = |body: &String| read(body).inspect_err(|error| warn!(kind, error, "it cannot be read")).is_ok();
    Ok(body.filter(can_be_read))
}

/// Copies the journal soon after the start and then daily, so that a damaged one loses a day at most.
pub(super) async fn keep_copies(journal: watch::Receiver<Option<Journal>>, stop: CancellationToken) {
    copy_every(COPY_AFTER, COPY_EVERY, journal, stop).await;
}

async fn copy_every(
    first: Duration,
    every: Duration,
    journal: watch::Receiver<Option<Journal>>,
    stop: CancellationToken,
) {
    let mut rounds = interval_at(Instant::now() + first, every);
    while stop.run_until_cancelled(rounds.tick()).await.is_some() {
        let open = journal.borrow().clone();
        let Some(journal) = open else { continue };
        // A copy broken off leaves the one before as it was.
        if let Some(Err(error)) = stop.run_until_cancelled(journal.copy()).await {
            warn!(%error, "the journal could not be copied");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::{BootId, Steady};

    #[tokio::test]
    async fn a_journal_is_copied_by_itself_and_the_copy_is_a_journal() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("journal.db");
        let at = Moment { boot: BootId(1), steady: Steady::from_nanos(1), civil: None, synced: false };
        let (store, _) = open(&Where::Sqlite(path.clone()), at).await.unwrap();
        let stop = CancellationToken::new();
        let soon = Duration::from_millis(1);
        let copies = tokio::spawn(copy_every(soon, Duration::from_secs(3600), store.journal.clone(), stop.clone()));
        let copy = folder.path().join("journal.db.copy");
        while !copy.exists() {
            tokio::time::sleep(soon).await;
        }
        stop.cancel();
        copies.await.unwrap();
        let copied = Journal::look(&Where::Sqlite(copy)).await.unwrap();
        assert_eq!(copied.last_entry("memory").await.unwrap(), None);
        copied.close().await;
    }
}
