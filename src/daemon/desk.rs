//! What the page, and a controller in this process, ask of the program.

use std::fs::OpenOptions;
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use futures_util::future::BoxFuture;
use tokio::sync::{mpsc, oneshot, watch};
use tokio_util::sync::CancellationToken;

use super::clock::Clock;
use super::worker::Asked;
use crate::event::{Actor, Answer, Command};
use crate::job::Card;
use crate::journal::{self, Journal, Window};
use crate::moment::Steady;
use crate::page::{Bucket, HistorySpan, Program};
use crate::setup::{Setup, card_from_json};
use crate::view::Guides;

/// Passes questions on to the worker and the journal.
#[derive(Clone)]
pub(super) struct Desk {
    pub(super) clock: Clock,
    pub(super) asked: mpsc::Sender<Asked>,
    pub(super) journal: watch::Receiver<Option<Journal>>,
    pub(super) setup: Arc<Setup>,
    pub(super) guided: watch::Receiver<Arc<Guides>>,
    /// Where the digests of paired devices are kept.
    pub(super) paired: Arc<PathBuf>,
}

impl Desk {
    async fn ask(&self, actor: Actor, command: Command) -> Answer {
        let (answer, answered) = oneshot::channel();
        if self.asked.send(Asked { actor, command, answer }).await.is_err() {
            return Answer::Refused("stopping".to_owned());
        }
        answered.await.unwrap_or_else(|_| Answer::Refused("stopping".to_owned()))
    }
}

impl Program for Desk {
    fn now(&self) -> Steady {
        self.clock.steady()
    }

    fn command(&self, actor: Actor, command: Command) -> BoxFuture<'static, Answer> {
        let desk = self.clone();
        Box::pin(async move { desk.ask(actor, command).await })
    }

    fn pairing_required(&self) -> bool {
        !self.setup.page.changes_by_anyone
    }

    fn paired(&self) -> Vec<String> {
        let text = std::fs::read_to_string(&*self.paired).unwrap_or_default();
        text.lines().filter(|line| line.len() == 64).map(str::to_owned).collect()
    }

    fn keep_paired(&self, digests: Vec<String>) {
        let text: String = digests.iter().map(|digest| format!("{digest}\n")).collect();
        if let Err(error) = keep(&self.paired, &text) {
            tracing::warn!(path = %self.paired.display(), %error, "paired devices are forgotten at the next start");
        }
    }

    fn guides(&self) -> Arc<Guides> {
        self.guided.borrow().clone()
    }

    fn history(&self, span: HistorySpan) -> BoxFuture<'static, Result<Vec<Bucket>, String>> {
        let (journal, main) = (self.journal.borrow().clone(), self.setup.main_gauge());
        Box::pin(async move {
            let journal = journal.ok_or("the journal is not open")?;
            let window = Window { from: span.from, to: span.to };
            let points = u32::try_from(span.points).unwrap_or(u32::MAX);
            let buckets = journal.history(main, window, points).await.map_err(|error| error.to_string())?;
            Ok(buckets.into_iter().map(shown).collect())
        })
    }

    fn parse_card(&self, posted: serde_json::Value) -> Result<Card, String> {
        card_from_json(&posted, &self.setup).map_err(|mistakes| mistakes.to_string())
    }
}

/// Writes a file that only this program may read, whole or not at all.
fn keep(path: &Path, text: &str) -> std::io::Result<()> {
    let beside = path.with_extension("new");
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&beside)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    std::fs::rename(&beside, path)
}

fn shown(bucket: journal::Bucket) -> Bucket {
    Bucket {
        from: bucket.window.from.rfc3339(),
        to: bucket.window.to.rfc3339(),
        count: bucket.count,
        min_vacuum_pa: bucket.min.pascals(),
        max_vacuum_pa: bucket.max.pascals(),
        mean_vacuum_pa: bucket.mean.pascals(),
        quality: bucket.quality,
        expected_low_vacuum_pa: bucket.band.map(|(low, _)| low.pascals()),
        expected_high_vacuum_pa: bucket.band.map(|(_, high)| high.pascals()),
    }
}

/// Carries out what a controller tells, in its order, until it says no more or the program stops.
pub(super) async fn pass_on(desk: Desk, mut controller: mpsc::Receiver<(Actor, Command)>, stop: CancellationToken) {
    while let Some(Some((actor, command))) = stop.run_until_cancelled(controller.recv()).await {
        let what = format!("{command:?}");
        match desk.ask(actor, command).await {
            Answer::Done => {}
            Answer::Unknown { .. } | Answer::Refused(_) if stop.is_cancelled() => {}
            answer @ (Answer::Unknown { .. } | Answer::Refused(_)) => {
                tracing::warn!(what, ?answer, "the controller's word was not taken");
            }
        }
    }
}
