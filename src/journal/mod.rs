//! The store: every reading, decision, alarm move and operator action, kept in SQLite or PostgreSQL.
//!
//! [`open`] gives three things: the [`Writer`], which alone writes and is spawned by the daemon; a [`Journal`], through
//! which any number of readers look; and [`Opened`], what was found. The writer takes [`Write`]s from a bounded channel,
//! commits them once a second, and publishes its [`Standing`]: the number up to which everything is on disk, and what is
//! wrong if nothing can be stored.
//!
//! # Promises
//! * What [`Standing::stored`] has reached survives `kill -9` and a power cut, in order, once, as it was written.
//! * A failed commit is never taken for a good one: the connection is closed and opened anew, the batch is looked for, and
//!   written again if it is not there.
//! * Nothing here keeps the thread that it is awaited in waiting for the disk.
//! * While nothing can be stored the writer goes on taking from its channel. Beyond [`Limits`] readings are dropped and a
//!   gap of cause [`GapCause::NotSaved`] stands for them; entries are kept as long as
//!   [`Limits::entries`] allows.
//!
//! # What is kept how
//! Readings are kept exactly, save that levels are rounded to 0.01 Pa; see there. Calendar times are integer
//! microseconds since 1970 UTC. Nothing is ordered by calendar time: the order is that of the record's numbers.

use std::path::PathBuf;
use std::time::Duration;

use crate::event::{GapCause, GaugeId, Quality, ReadingRecord, Record, Seq};
use crate::moment::{Moment, Span, Utc};
use crate::units::Vacuum;

mod codec;
mod desk;
mod file;
mod keeping;
mod link;
mod migrations;
mod pending;
mod reader;
mod tallies;
mod tally;
mod writer;

pub use reader::{BlackBox, Journal, Readings};
pub use writer::Writer;

/// Where the journal is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Where {
    /// An SQLite file; `FILE.lock`, `FILE.ballast` and `FILE.copy` lie beside it.
    Sqlite(PathBuf),
    /// A PostgreSQL database, by its address: `postgres://USER@HOST/NAME`.
    Postgres(String),
}

impl Where {
    /// A place by its text: an address that begins with `postgres://` or `postgresql://`, or else a file.
    pub fn from_text(text: &str) -> Self {
        if text.starts_with("postgres://") || text.starts_with("postgresql://") {
            return Where::Postgres(text.to_owned());
        }
        Where::Sqlite(PathBuf::from(text))
    }
}

/// How long things are kept.
///
/// Ages are judged by the newest calendar time that a time service vouches for; without one only `bytes` limits the file,
/// so that a clock which jumps to the year 2038 deletes nothing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Keep {
    /// Raw readings.
    pub readings: Span,
    /// The roll-up of each minute; those of each hour are kept for ever.
    pub minutes: Span,
    /// Snapshots, newest first; the black box reaches back to the oldest of them.
    pub snapshots: u32,
    /// The size beyond which the oldest raw readings go whatever their age.
    pub bytes: u64,
}

impl Default for Keep {
    /// Thirty days of readings, two years of minutes, forty-eight snapshots, one gibibyte.
    fn default() -> Self {
        const DAY: u64 = 86_400;
        Keep { readings: Span::from_secs(30 * DAY), minutes: Span::from_secs(730 * DAY), snapshots: 48, bytes: 1 << 30 }
    }
}

/// What the writer holds at most while nothing can be stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Readings; more are dropped and a gap stands for them.
    pub readings: usize,
    /// Entries and gaps; more are dropped and a gap stands for them.
    pub entries: usize,
    /// Bytes of the black box; more are dropped and a hole stands for them.
    pub black_box: usize,
}

impl Default for Limits {
    /// Half an hour of readings at 10 Hz, ten thousand entries, four mebibytes.
    fn default() -> Self {
        Limits { readings: 18_000, entries: 10_000, black_box: 4 << 20 }
    }
}

/// How the journal is run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// The time from one commit to the next.
    pub commit_every: Duration,
    /// How long things are kept.
    pub keep: Keep,
    /// What is held at most while nothing can be stored.
    pub limits: Limits,
}

impl Default for Settings {
    fn default() -> Self {
        Settings { commit_every: Duration::from_secs(1), keep: Keep::default(), limits: Limits::default() }
    }
}

/// Something for the writer to do.
#[derive(Clone, Debug, PartialEq)]
pub enum Write {
    /// Keep a record; their numbers must grow.
    Record(Record),
    /// Keep a piece of the black box: opaque bytes that come back as the same piece, in the same order. It is on disk with
    /// the next entry or snapshot, or after sixty commits.
    BlackBox(Vec<u8>),
    /// Keep a state of the minder, taken after the record `seq`; pieces sent later follow it in a replay.
    Snapshot {
        /// The last record before it.
        seq: Seq,
        /// When it was taken.
        at: Moment,
        /// The state.
        bytes: Vec<u8>,
    },
    /// Commit now. The black box may wait for a few commits more, but not for an entry or a snapshot.
    Flush,
    /// Commit, close and end.
    Close,
}

/// How the writer stands.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Standing {
    /// Every record up to this is on disk, or a gap that is on disk stands for it.
    pub stored: Seq,
    /// Why nothing can be stored just now.
    pub trouble: Option<String>,
    /// Readings and entries that were dropped since the start.
    pub dropped: u64,
}

/// The newest record of a journal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Last {
    /// Its number.
    pub seq: Seq,
    /// When it happened.
    pub at: Moment,
}

/// What the check of the file at the start said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Check {
    /// It is sound.
    Sound,
    /// There was no time to look at all of it; what was looked at is sound.
    Unfinished,
    /// The database server answers for it.
    Served,
    /// It was damaged, for this reason, and moved aside to this file; the newest copy took its place if there was one.
    Replaced {
        /// What was wrong.
        damage: String,
        /// Where the damaged file lies now.
        aside: PathBuf,
        /// Whether a copy took its place; if not, the journal begins anew.
        restored: bool,
    },
}

/// What was found on opening.
#[derive(Clone, Debug, PartialEq)]
pub struct Opened {
    /// The newest record, if there is any.
    pub last: Option<Last>,
    /// The check of the file.
    pub check: Check,
}

/// Why the journal cannot be opened or read.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// A later version of the program wrote it.
    #[error(
        "journal {place} has form {found}, this program knows forms up to {known}; use the newer program, or move the file away"
    )]
    Newer {
        /// Where.
        place: String,
        /// The form found.
        found: i64,
        /// The newest form known.
        known: i64,
    },
    /// Another daemon writes to it.
    #[error("journal {0} is in use by another daemon; stop that one first, or name another journal in the setup")]
    InUse(String),
    /// It is something else.
    #[error("{0} is a database, but no journal of this program; name another file in the setup")]
    Stranger(String),
    /// The file or its folder cannot be used.
    #[error("journal {path} cannot be used: {source}")]
    File {
        /// The path.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The database says no.
    #[error("journal: {0}")]
    Database(#[from] sqlx::Error),
    /// The tables cannot be brought to the newest form.
    #[error("journal: its tables cannot be brought to the newest form: {0}")]
    Migration(#[from] sqlx::migrate::MigrateError),
    /// Bytes in it make no sense.
    #[error("journal: row {row} of table {table} is damaged: {what}")]
    Damaged {
        /// The table.
        table: &'static str,
        /// The row's number.
        row: i64,
        /// What is wrong.
        what: String,
    },
}

/// A span of calendar time, its end not included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    /// Where it begins.
    pub from: Utc,
    /// Where it ends.
    pub to: Utc,
}

/// A reading as it was kept.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KeptReading {
    /// Its number.
    pub seq: Seq,
    /// When it was heard.
    pub at: Moment,
    /// What it says.
    pub reading: ReadingRecord,
}

/// An entry as it was kept.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptEntry {
    /// Its number.
    pub seq: Seq,
    /// When it happened.
    pub at: Moment,
    /// Its kind.
    pub kind: String,
    /// The form of the body.
    pub version: u16,
    /// JSON text.
    pub body: String,
}

/// A gap as it was kept.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KeptGap {
    /// Which gauge; none for all.
    pub gauge: Option<GaugeId>,
    /// Why.
    pub cause: GapCause,
    /// When it began, if there was calendar time.
    pub from: Option<Utc>,
    /// When it ended, if there was calendar time.
    pub to: Option<Utc>,
}

/// What the readings of a span of time come to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bucket {
    /// The span.
    pub window: Window,
    /// The lowest level.
    pub min: Vacuum,
    /// The highest level.
    pub max: Vacuum,
    /// The mean level.
    pub mean: Vacuum,
    /// How many readings.
    pub count: u64,
    /// The worst quality among them.
    pub quality: Quality,
    /// The lowest and the highest edge of the bands expected, if any was.
    pub band: Option<(Vacuum, Vacuum)>,
}

/// A state of the minder as it was kept.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptSnapshot {
    /// The last record before it.
    pub seq: Seq,
    /// When it was taken, if there was calendar time.
    pub at: Option<Utc>,
    /// The state.
    pub bytes: Vec<u8>,
}

/// What a replay finds after a snapshot.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Played {
    /// A piece as it was written.
    Piece(Vec<u8>),
    /// Pieces are missing here.
    Hole,
}

/// Opens the journal for writing and looking, creating it if it is not there, and writes the gap since its newest record.
///
/// # Errors
/// [`JournalError::Newer`], [`JournalError::InUse`] and [`JournalError::Stranger`] will stay until somebody acts; the
/// others may pass, and opening may be tried again.
pub async fn open(place: &Where, settings: Settings, at: Moment) -> Result<(Journal, Writer, Opened), JournalError> {
    writer::open(place, settings, at).await
}
