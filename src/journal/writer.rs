//! The one that writes: it gathers, commits once a second, and goes on when the disk does not.

use std::future::{Future, pending};
use std::pin::pin;
use std::time::Duration;

use tokio::sync::{mpsc, watch};
use tokio::time::{Interval, MissedTickBehavior, interval, sleep};

use super::desk::{self, Desk};
use super::keeping::{self, Sweeper};
use super::link;
use super::pending::{Batch, GapRow, Pending};
use super::tally::Roller;
use super::{Check, Journal, JournalError, Opened, Settings, Standing, Where, Write};
use crate::event::{GapCause, Seq};
use crate::moment::Moment;

/// So many failures without [`CALM`] commits between them are trouble.
const FAILURES: u32 = 3;
/// So many commits in a row, a minute of them, let earlier failures be forgotten.
const CALM: u32 = 60;
/// The longest wait before the next attempt.
const LONGEST_WAIT: Duration = Duration::from_secs(4);

/// The only writer of a journal.
pub struct Writer {
    desk: Desk,
    settings: Settings,
    roller: Roller,
    last: Seq,
    sweeper: Sweeper,
    failures: u32,
    calm: u32,
}

/// Opens a journal for writing; see [`super::open`].
pub(super) async fn open(
    place: &Where,
    settings: Settings,
    at: Moment,
) -> Result<(Journal, Writer, Opened), JournalError> {
    let (mut desk, check) = Desk::open(place).await?;
    let last = desk::last(&mut desk.link()?.wire()).await?;
    let roller = desk::roller(&mut desk.link()?.wire()).await?;
    let seq = last.map_or(Seq(0), |last| last.seq);
    if let Some(last) = last {
        let gap = GapRow {
            id: desk.counters.gap,
            seq: None,
            gauge: None,
            cause: GapCause::NotRunning,
            steady_from: (last.at.boot == at.boot).then_some(last.at.steady),
            civil_from: last.at.civil.map(|civil| civil.micros()),
            to: at,
        };
        desk.counters.gap += 1;
        desk.commit(&Batch { gaps: vec![gap], ..Batch::nothing_after(seq) }).await?;
    }
    let writer = Writer { desk, settings, roller, last: seq, sweeper: Sweeper::default(), failures: 0, calm: 0 };
    Ok((Journal::of(place)?, writer, Opened { last, check }))
}

impl Writer {
    /// Writes what comes until [`Write::Close`] or until every sender is gone, and says in `standing` how it goes.
    ///
    /// The channel is emptied even while a commit hangs, so a sender may wait for room in it.
    ///
    /// # Cancellation
    /// Dropping the future loses what is not yet committed; let it run to its end.
    pub async fn run(mut self, inbox: mpsc::Receiver<Write>, standing: watch::Sender<Standing>) {
        standing.send_modify(|s| s.stored = self.last);
        let mut inbox = Inbox::new(inbox, Pending::after(self.last, self.settings.limits));
        let mut rounds = interval(self.settings.commit_every);
        rounds.set_missed_tick_behavior(MissedTickBehavior::Delay);
        // The first comes at once.
        rounds.tick().await;
        loop {
            inbox.gather(&mut rounds).await;
            inbox.flush = false;
            self.look_after_disk(&mut inbox, &standing).await;
            if !inbox.pending.is_empty() {
                let batch = inbox.pending.seal(&mut self.desk.counters, &mut self.roller, inbox.closing);
                if !self.keep(&batch, &mut inbox, &standing).await {
                    break;
                }
            }
            self.sweep(&mut inbox).await;
            if inbox.closing && inbox.pending.is_empty() {
                break;
            }
        }
        if let Err(e) = self.desk.close().await {
            tracing::warn!(error = %e, "the journal did not close in order");
        }
    }

    /// Writes a batch, however often it takes; `false` if it was given up because the program is to end.
    async fn keep(&mut self, batch: &Batch, inbox: &mut Inbox, standing: &watch::Sender<Standing>) -> bool {
        let mut wait = Duration::ZERO;
        for attempt in 1.. {
            let Err(error) = inbox.attend(self.attempt(batch)).await else { break };
            tracing::warn!(error = %error, attempt, "records were not stored");
            self.note_failure(&error, inbox, standing).await;
            if inbox.closing && attempt >= FAILURES {
                return false;
            }
            inbox.attend(sleep(wait)).await;
            wait = (wait * 2).clamp(Duration::from_secs(1), LONGEST_WAIT);
        }
        self.calm = self.calm.saturating_add(1);
        if self.calm >= CALM {
            self.failures = 0;
        }
        let full = inbox.pending.entries_only;
        let dropped = inbox.pending.dropped();
        standing.send_modify(|s| {
            s.stored = batch.last;
            s.dropped = dropped;
            s.trouble = s.trouble.take().filter(|_| full);
        });
        true
    }

    async fn attempt(&mut self, batch: &Batch) -> Result<(), JournalError> {
        if !self.desk.is_open() {
            self.reopen().await?;
        }
        let done = self.desk.commit(batch).await;
        if done.is_err() {
            // What failed once is not trusted again: the next attempt opens the journal anew. It is closed because it
            // failed, so that closing fails as well says nothing new.
            let _ = self.desk.close().await;
        }
        done
    }

    async fn reopen(&mut self) -> Result<(), JournalError> {
        let check = self.desk.reopen().await?;
        if let Check::Replaced { damage, aside, restored } = check {
            tracing::warn!(damage, aside = %aside.display(), restored, "a damaged journal was moved aside");
        }
        Ok(())
    }

    async fn note_failure(&mut self, error: &JournalError, inbox: &mut Inbox, standing: &watch::Sender<Standing>) {
        self.failures = self.failures.saturating_add(1);
        self.calm = 0;
        let full = matches!(error, JournalError::Database(e) if link::is_disk_full(e));
        if full {
            inbox.attend(self.desk.drop_ballast()).await;
            inbox.pending.entries_only = true;
        }
        if full || self.failures >= FAILURES {
            let dropped = inbox.pending.dropped();
            standing.send_modify(|s| {
                s.trouble = Some(error.to_string());
                s.dropped = dropped;
            });
        }
    }

    /// Sees whether there is room again, and whether the file is still the one at its path.
    async fn look_after_disk(&mut self, inbox: &mut Inbox, standing: &watch::Sender<Standing>) {
        if inbox.pending.entries_only && inbox.attend(self.desk.take_ballast()).await {
            inbox.pending.entries_only = false;
            standing.send_modify(|s| s.trouble = None);
        }
        if self.desk.is_open() && inbox.attend(self.desk.is_gone()).await {
            let text = "the journal's file was taken away while in use; a new one was begun".to_owned();
            tracing::warn!("{text}");
            standing.send_modify(|s| s.trouble = Some(text));
            if let Err(e) = inbox.attend(self.reopen()).await {
                tracing::warn!(error = %e, "the journal cannot be opened");
            }
        }
    }

    /// Deletes a little of what is old.
    async fn sweep(&mut self, inbox: &mut Inbox) {
        if inbox.closing || !self.desk.is_open() || !self.sweeper.is_due() {
            return;
        }
        let now = self.roller.newest_synced();
        let swept = match self.desk.link() {
            Ok(link) => inbox.attend(keeping::sweep(link, self.settings.keep, now)).await,
            Err(_) => return,
        };
        match swept {
            Ok(more) => self.sweeper.swept(more),
            Err(e) => {
                tracing::warn!(error = %e, "old records were not deleted");
                self.sweeper.swept(false);
                // The connection may be within a transaction.
                let _ = self.desk.close().await;
            }
        }
    }
}

/// The channel, and what came out of it.
struct Inbox {
    channel: mpsc::Receiver<Write>,
    pending: Pending,
    flush: bool,
    closing: bool,
}

impl Inbox {
    fn new(channel: mpsc::Receiver<Write>, pending: Pending) -> Self {
        Inbox { channel, pending, flush: false, closing: false }
    }

    /// Takes in what comes until the next round, or until it is to be written now.
    async fn gather(&mut self, rounds: &mut Interval) {
        while !self.flush && !self.closing {
            tokio::select! {
                biased;
                _ = rounds.tick() => return,
                () = self.take() => {}
            }
        }
    }

    /// Does some work to its end and takes in what comes meanwhile.
    async fn attend<T>(&mut self, work: impl Future<Output = T>) -> T {
        let mut work = pin!(work);
        loop {
            tokio::select! {
                biased;
                done = &mut work => return done,
                () = self.take() => {}
            }
        }
    }

    /// Takes in the next that comes; nothing comes any more once it is closing.
    ///
    /// # Cancellation
    /// Nothing is lost: what has come out of the channel is taken in before the next wait.
    async fn take(&mut self) {
        if self.closing {
            return pending().await;
        }
        match self.channel.recv().await {
            None | Some(Write::Close) => self.closing = true,
            Some(Write::Flush) => self.flush = true,
            Some(write) => self.pending.take(write),
        }
    }
}
