//! The edge: ports, clocks, the worker, the store, the page, signals and the service manager, wired together.
//!
//! Tasks, and what runs between them:
//! - one task for each line (`port`): bytes and losses go to the worker, bytes to write come from it;
//! - one task for each device with wires (`wires`): levels go to the worker, those that are wanted come from it;
//! - one task that posts to the webhook (`webhook`), if there is one;
//! - the worker (`worker`): takes events, steps the minder, carries its actions out; it never waits for any other task;
//! - the journal's writer: takes records from a bounded channel that the worker only ever tries, and publishes how far it is;
//! - the page, in a thread of its own: shows the newest view, and passes commands to the worker;
//! - one child process for each forecast, each cut program that is read, and each fit of a survey (`compute`).
//!
//! A panic anywhere darkens the light and ends the process: it must not run on with a task missing.

mod begin;
mod black_box;
mod cards;
mod clock;
mod compute;
mod desk;
mod look;
mod port;
mod probe;
mod replay;
mod shift_load;
mod shine;
mod store;
mod timer;
mod webhook;
mod wires;
mod worker;

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use tokio::net::TcpListener;
use tokio::runtime::Builder;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tracing::{info, warn};

pub use begin::{Bench, serve_page_of_beginning};
pub use cards::written;
pub use clock::Clock;
pub use compute::{Brief, Commission, ProgramTask, Reply, SurveyBrief, Task};
pub use look::{entries, last_entry, readings};
pub use probe::{Probe, ProbeError, adapters, is_pseudo};
pub use replay::{ReplayError, Replayed, replay};
pub use shift_load::{ACTIVE_BEFORE, shift_loads};
pub use shine::{Shine, ShineError, shine};

use crate::event::{Actor, Command, Event, LineId, WiresId};
use crate::journal::{self, JournalError};
use crate::minder::{Minder, MinderError};
use crate::page::{self, Limits, PageState, Shown};
use crate::setup::{Setup, StoreSettings};

/// How many events may wait for the worker; a line that sends more is not read until there is room.
const WAITING_EVENTS: usize = 1024;

/// How many frames may wait for a line; a line that takes none has them dropped.
const WAITING_FRAMES: usize = 16;

/// The longest that a stop may take.
const STOP_LIMIT: Duration = Duration::from_secs(5);

/// What a daemon is started with.
pub struct Options {
    /// The setup.
    pub setup: Setup,
    /// The folder that relative paths of the setup start from.
    pub folder: PathBuf,
    /// How many times as fast as the computer's clock to run; 1 but for a demo.
    pub pace: f64,
    /// Ends the daemon when cancelled, as a signal does.
    pub stop: CancellationToken,
    /// What a machine's controller in this process tells.
    pub controller: Option<mpsc::Receiver<(Actor, Command)>>,
    /// Called once with the page's address.
    pub ready: Box<dyn FnOnce(SocketAddr) + Send>,
}

/// Why the daemon does not start.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    /// The runtime does not start.
    #[error("the runtime cannot start: {0}")]
    Runtime(std::io::Error),
    /// The page's address cannot be used.
    #[error("the page cannot listen on {address}: {reason}; choose another under [page] listen")]
    Listen {
        /// The address.
        address: SocketAddr,
        /// Why.
        reason: std::io::Error,
    },
    /// The journal cannot be opened, and that will not pass.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// Gauges and lights cannot work together.
    #[error(transparent)]
    Minder(#[from] MinderError),
}

/// Runs until a signal or [`Options::stop`] ends it.
///
/// # Errors
/// [`DaemonError`] if it cannot start; once started it goes on whatever breaks.
pub fn run(options: Options) -> Result<(), DaemonError> {
    let runtime = Builder::new_current_thread().enable_all().build().map_err(DaemonError::Runtime)?;
    let ended = runtime.block_on(serve(options));
    runtime.shutdown_timeout(STOP_LIMIT);
    ended
}

async fn serve(options: Options) -> Result<(), DaemonError> {
    let Options { setup, folder, pace, stop, controller, ready } = options;
    darken_on_panic();
    let clock = Clock::new(pace);
    let tasks = TaskTracker::new();
    let paired = Arc::new(paired_file(&setup, &folder));
    let (store, opened) = store::open(&place(&setup, &folder), clock.now()).await?;
    let address = setup.page.listen;
    let (listener, local) = listen(address).map_err(|reason| DaemonError::Listen { address, reason })?;
    let folder = cards::Folder::new(setup.cards_dir.as_ref().map(|cards| folder.join(cards)));
    let minder = Minder::new(setup.clone(), folder.names(&setup), opened, clock.now())?;

    let (events, waiting) = mpsc::channel(WAITING_EVENTS);
    let outboxes = tend_lines(&setup, &minder, &events, &stop, &tasks);
    let levels = tend_wires(&setup, &events, &stop, &tasks);
    let hook = tell_webhook(&setup, &stop, &tasks);
    let setup = Arc::new(setup);
    let (asked, asking) = mpsc::channel(64);
    let first = Shown { view: minder.view_at(clock.now()), made: clock.steady() };
    let (shown, showing) = watch::channel(Arc::new(first));
    let (guides, guided) = watch::channel(Arc::new(minder.guides()));
    let desk = desk::Desk {
        clock: clock.clone(),
        asked: asked.clone(),
        journal: store.journal.clone(),
        setup: Arc::clone(&setup),
        guided,
        paired,
    };
    let state = PageState {
        shown: showing,
        program: Arc::new(desk.clone()),
        hosts: setup.page.hosts.clone().into(),
        limits: Limits::default(),
        shutdown: stop.clone(),
    };
    let page = serve_page(listener, state)?;
    tasks.spawn(cards::watch(folder.clone(), Arc::clone(&setup), events.clone(), stop.clone()));
    if let Some(controller) = controller {
        tasks.spawn(desk::pass_on(desk, controller, stop.clone()));
    }
    tasks.spawn(stop_on_signal(stop.clone()));
    let (inbox, standing, journal) = (store.inbox.clone(), store.standing.clone(), store.journal.clone());
    tasks.spawn(store::keep_copies(journal.clone(), stop.clone()));
    let writer = tokio::spawn(store.run(events.clone()));

    info!(table = setup.table_name, page = %local, "watching");
    ready(local);
    notify(sd_notify::NotifyState::Ready);
    let worker = worker::Worker {
        minder,
        clock,
        setup,
        events,
        waiting,
        asking,
        standing,
        outboxes,
        levels,
        hook,
        inbox: inbox.clone(),
        shown,
        guides,
        computer: Arc::new(compute::Computer::new(pace)),
        folder,
        stop: stop.clone(),
    };
    // A task of its own: what wakes the one that the runtime blocks on goes by way of the kernel each time.
    let worked = tokio::spawn(worker.run()).await;
    stop.cancel();
    notify(sd_notify::NotifyState::Stopping);
    tasks.close();
    let ended = async {
        tasks.wait().await;
        // Nobody may look any more when the writer closes, or the journal's log stays behind. The page, or the writer's
        // task, may have ended before.
        let _ = page.await;
        let looking = journal.borrow().clone();
        if let Some(journal) = looking {
            journal.close().await;
        }
        let _ = inbox.send(journal::Write::Close).await;
        let _ = writer.await;
    };
    if timeout(STOP_LIMIT, ended).await.is_err() {
        warn!("some tasks did not end in time");
    }
    if let Err(Ok(panic)) = worked.map_err(tokio::task::JoinError::try_into_panic) {
        std::panic::resume_unwind(panic);
    }
    info!("stopped");
    Ok(())
}

fn listen(address: SocketAddr) -> std::io::Result<(std::net::TcpListener, SocketAddr)> {
    let listener = std::net::TcpListener::bind(address)?;
    listener.set_nonblocking(true)?;
    let local = listener.local_addr()?;
    Ok((listener, local))
}

/// Serves the page from a thread of its own, so that whoever looks can never hold up the watching; the receiver ends with it.
fn serve_page(listener: std::net::TcpListener, state: PageState) -> Result<oneshot::Receiver<()>, DaemonError> {
    let runtime = Builder::new_current_thread().enable_all().build().map_err(DaemonError::Runtime)?;
    let (ended, end) = oneshot::channel();
    let serve = async move {
        match TcpListener::from_std(listener) {
            Ok(listener) => page::serve(listener, state).await,
            Err(error) => Err(error),
        }
    };
    let thread = std::thread::Builder::new().name("page".to_owned()).spawn(move || {
        if let Err(error) = runtime.block_on(serve) {
            warn!(%error, "the page is not served any more");
        }
        runtime.shutdown_background();
        // Nobody may wait for it any more.
        let _ = ended.send(());
    });
    thread.map(|_| end).map_err(DaemonError::Runtime)
}

/// Where a setup's journal is, if its relative paths start from `folder`.
pub fn place(setup: &Setup, folder: &std::path::Path) -> journal::Where {
    match &setup.store {
        StoreSettings::Sqlite { path } => journal::Where::Sqlite(folder.join(path)),
        StoreSettings::Postgres { url } => journal::Where::Postgres(url.clone()),
    }
}

/// Where paired devices are kept: beside the journal's file, else beside the setup.
fn paired_file(setup: &Setup, folder: &std::path::Path) -> PathBuf {
    match place(setup, folder) {
        journal::Where::Sqlite(file) => file.with_extension("paired"),
        journal::Where::Postgres(_) => folder.join("holdwatch.paired"),
    }
}

fn tend_lines(
    setup: &Setup,
    minder: &Minder,
    events: &mpsc::Sender<Event>,
    stop: &CancellationToken,
    tasks: &TaskTracker,
) -> Vec<mpsc::Sender<Vec<u8>>> {
    let lines = setup.lines.iter().zip(minder.dark_frames()).zip(0..);
    lines
        .map(|((settings, dark_frames), line)| {
            let (outbox, frames) = mpsc::channel(WAITING_FRAMES);
            let tended = port::Tended {
                line: LineId(line),
                settings: settings.clone(),
                dark_frames,
                events: events.clone(),
                outbox: frames,
                stop: stop.clone(),
            };
            tasks.spawn(tended.run());
            outbox
        })
        .collect()
}

/// Where each device's wires are told the levels that are wanted.
fn tend_wires(
    setup: &Setup,
    events: &mpsc::Sender<Event>,
    stop: &CancellationToken,
    tasks: &TaskTracker,
) -> Vec<watch::Sender<u64>> {
    let devices = setup.wires.iter().zip(0..);
    devices
        .map(|(settings, id)| {
            let (wanted, levels) = watch::channel(settings.at_rest);
            let (settings, events, stop) = (settings.clone(), events.clone(), stop.clone());
            tasks.spawn(wires::Tended { id: WiresId(id), settings, events, levels, stop }.run());
            wanted
        })
        .collect()
}

fn tell_webhook(setup: &Setup, stop: &CancellationToken, tasks: &TaskTracker) -> Option<mpsc::Sender<String>> {
    let webhook = setup.webhook.clone()?;
    let (hook, messages) = mpsc::channel(webhook::WAITING);
    tasks.spawn(webhook::post_all(webhook, messages, stop.clone()));
    Some(hook)
}

async fn stop_on_signal(stop: CancellationToken) {
    let (Ok(mut term), Ok(mut int)) = (signal(SignalKind::terminate()), signal(SignalKind::interrupt())) else {
        warn!("signals cannot be received; stop the program by its service manager");
        return;
    };
    tokio::select! {
        _ = term.recv() => {}
        _ = int.recv() => {}
        () = stop.cancelled() => {}
    }
    stop.cancel();
}

/// Before a panic ends the process, nobody is watching any more, and the light must say so.
fn darken_on_panic() {
    let before = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        port::darken_all();
        before(panic);
    }));
}

/// Tells the service manager, if there is one.
fn notify(state: sd_notify::NotifyState<'_>) {
    // Without a service manager there is nobody to tell, which is no fault.
    let _ = sd_notify::notify(&[state]);
}
