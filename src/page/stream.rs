//! Server-sent events of the newest view: at once at connect and on a change that matters, at most 4 a second otherwise,
//! at least one a second.
//!
//! A message is made only when the connection can take one, from the newest view then: a slow reader misses views, and
//! nothing queues up behind it.

use std::convert::Infallible;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use axum::response::sse::Event;
use futures_util::stream::{self, Stream};
use tokio::sync::watch;
use tokio::time::{Sleep, sleep};
use tokio_util::sync::CancellationToken;

use super::guard::StreamPlace;
use super::{PageState, Shown};
use crate::view::View;

const PACE: Duration = Duration::from_millis(250);
const HEARTBEAT: Duration = Duration::from_secs(1);
const REOPEN_AFTER: Duration = Duration::from_secs(1);

/// The stream of one client, which holds its place as long as it lives.
pub(super) fn views(
    page: PageState,
    build: String,
    place: StreamPlace,
) -> impl Stream<Item = Result<Event, Infallible>> {
    stream::unfold(Reader::new(page, build, place), |mut reader| async move {
        let event = reader.next().await?;
        Some((Ok(event), reader))
    })
}

struct Reader {
    page: PageState,
    build: String,
    shown: watch::Receiver<Arc<Shown>>,
    shutdown: CancellationToken,
    last: Option<View>,
    count: u64,
    _place: StreamPlace,
}

impl Reader {
    fn new(page: PageState, build: String, place: StreamPlace) -> Self {
        let (shown, shutdown) = (page.shown.clone(), page.shutdown.clone());
        Reader { page, build, shown, shutdown, last: None, count: 0, _place: place }
    }

    /// Waits for the next message; `None` at shutdown.
    async fn next(&mut self) -> Option<Event> {
        if self.last.is_some() {
            self.wait_for_cause().await?;
        }
        let shown = self.shown.borrow_and_update().clone();
        let view = shown.seen_at(self.page.program.now());
        let event =
            Event::default().id(self.count.to_string()).json_data(super::routes::Now::new(&view, &self.build)).ok()?;
        let first = self.last.replace(view).is_none();
        self.count += 1;
        Some(if first { event.retry(REOPEN_AFTER) } else { event })
    }

    async fn wait_for_cause(&mut self) -> Option<()> {
        let mut pace: Pin<Box<Sleep>> = Box::pin(sleep(PACE));
        let mut beat: Pin<Box<Sleep>> = Box::pin(sleep(self.until_beat()));
        let mut waiting = false;
        loop {
            tokio::select! {
                biased;
                () = self.shutdown.cancelled() => return None,
                changed = self.shown.changed() => {
                    changed.ok()?;
                    if self.matters() {
                        return Some(());
                    }
                    waiting = true;
                }
                () = &mut pace, if waiting => return Some(()),
                () = &mut beat => return Some(()),
            }
        }
    }

    /// The heartbeat, or sooner if the reading becomes too old before it.
    fn until_beat(&self) -> Duration {
        let fresh_for_s = self.last.as_ref().and_then(|view| Some(view.stale_after_s - view.age_s?));
        match fresh_for_s {
            Some(secs) if secs > 0.0 && secs < HEARTBEAT.as_secs_f64() => {
                Duration::from_secs_f64(secs) + Duration::from_millis(1)
            }
            Some(_) | None => HEARTBEAT,
        }
    }

    /// Whether the newest view differs from the last one sent in something that nobody may have to wait for.
    fn matters(&mut self) -> bool {
        let newest = self.shown.borrow_and_update().clone();
        self.last.as_ref().is_none_or(|last| differs(last, &newest.view))
    }
}

fn differs(last: &View, newest: &View) -> bool {
    let alarms = |view: &View| view.alarms.iter().map(|alarm| (alarm.tag, alarm.state)).collect::<Vec<_>>();
    last.verdict != newest.verdict
        || last.why.key != newest.why.key
        || last.quality != newest.quality
        || last.source != newest.source
        || alarms(last) != alarms(newest)
}
