//! What the page needs from the program behind it.

use std::sync::Arc;

use futures_util::future::BoxFuture;
use serde::{Deserialize, Serialize};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use super::{Limits, Shown};
use crate::event::{Actor, Answer, Card, Command, Steady, Utc};
use crate::view::{Guides, Quality};

/// Everything the page is built over; cheap to clone.
#[derive(Clone)]
pub struct PageState {
    /// The newest view, stamped with the steady time at which it was made.
    pub shown: watch::Receiver<Arc<Shown>>,
    /// The program behind the page.
    pub program: Arc<dyn Program>,
    /// Names and addresses, without port, under which the page may be asked for besides loopback and the address that a
    /// connection came in on.
    pub hosts: Arc<[String]>,
    /// What clients may take.
    pub limits: Limits,
    /// Ends every stream and the server.
    pub shutdown: CancellationToken,
}

/// What the page asks of the program behind it.
pub trait Program: Send + Sync + 'static {
    /// The steady time now, by the clock that stamps each [`Shown`].
    fn now(&self) -> Steady;

    /// Carries out a command; the page stops waiting after [`Limits::answer_within`](super::Limits::answer_within).
    ///
    /// # Cancellation
    /// Dropping the future forgets the answer; the command may still be carried out.
    fn command(&self, actor: Actor, command: Command) -> BoxFuture<'static, Answer>;

    /// Whether changes from other computers need a paired device.
    fn pairing_required(&self) -> bool {
        false
    }

    /// The digests of paired devices kept from before.
    fn paired(&self) -> Vec<String> {
        Vec::new()
    }

    /// Keeps the digests of paired devices over a restart.
    fn keep_paired(&self, _digests: Vec<String>) {}

    /// The survey and the morning's check, as last changed.
    fn guides(&self) -> Arc<Guides>;

    /// Past readings in at most `span.points` buckets, oldest first, without a bucket where there was no reading.
    ///
    /// The error says what is wrong with the journal.
    fn history(&self, span: HistorySpan) -> BoxFuture<'static, Result<Vec<Bucket>, String>>;

    /// Reads a posted job card; the error names the field and the limit.
    ///
    /// # Errors
    /// The text of what is wrong with the card.
    fn parse_card(&self, posted: serde_json::Value) -> Result<Card, String>;
}

/// A span of history and how finely to cut it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HistorySpan {
    /// Its beginning.
    pub from: Utc,
    /// Its end, after `from`.
    pub to: Utc,
    /// The most buckets to give, 1 to 2400.
    pub points: usize,
}

/// The readings of one stretch of time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bucket {
    /// When it begins, RFC 3339.
    pub from: String,
    /// When it ends, RFC 3339.
    pub to: String,
    /// How many readings it holds, at least one.
    pub count: u64,
    /// The least vacuum.
    pub min_vacuum_pa: f64,
    /// The greatest vacuum.
    pub max_vacuum_pa: f64,
    /// The mean vacuum.
    pub mean_vacuum_pa: f64,
    /// The worst quality.
    pub quality: Quality,
    /// The lower end of the band expected, if there was one.
    pub expected_low_vacuum_pa: Option<f64>,
    /// The upper end of the band expected, if there was one.
    pub expected_high_vacuum_pa: Option<f64>,
}
