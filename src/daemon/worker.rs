//! The one loop: an event, a moment, a step, its actions.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{mpsc, oneshot, watch};
use tokio_util::sync::CancellationToken;
use tracing::{debug, error, info, warn};

use super::black_box::Recorder;
use super::cards::Folder;
use super::clock::Clock;
use super::compute::Computer;
use super::timer::Timer;
use super::{notify, webhook};
use crate::board::survey::Reading;
use crate::event::{
    Action, Actor, Answer, Card, Command, CommandId, Event, Fact, LineId, Record, Request, RequestId, Seq,
};
use crate::journal::{Standing, Write};
use crate::minder::Minder;
use crate::moment::{Moment, Span, Steady};
use crate::page::Shown;
use crate::setup::Setup;
use crate::view::Guides;

/// How often the clocks are compared and the journal is looked after.
const ROUND: Span = Span::from_secs(1);

/// How often the black box is handed to the journal.
const PIECE: Span = Span::from_secs(5);

/// A record that waits longer than this for the disk is trouble, although nothing has failed.
const LONGEST_WAIT: Duration = Duration::from_secs(10);

/// How often the minder's whole state is kept, from which a replay can start.
const SNAPSHOT: Span = Span::from_secs(600);

/// A change of calendar time against steady time that is called a step, in microseconds.
const CLOCK_STEP_MICROS: i64 = 500_000;

/// The longest sleep, so that the black box never waits longer than about that.
const LONGEST_SLEEP: Span = Span::from_secs(1);

/// A command and where its answer goes.
pub(super) struct Asked {
    pub(super) actor: Actor,
    pub(super) command: Command,
    pub(super) answer: oneshot::Sender<Answer>,
}

pub(super) struct Worker {
    pub(super) minder: Minder,
    pub(super) clock: Clock,
    pub(super) setup: Arc<Setup>,
    pub(super) events: mpsc::Sender<Event>,
    pub(super) waiting: mpsc::Receiver<Event>,
    pub(super) asking: mpsc::Receiver<Asked>,
    pub(super) standing: watch::Receiver<Standing>,
    pub(super) outboxes: Vec<mpsc::Sender<Vec<u8>>>,
    pub(super) levels: Vec<watch::Sender<u64>>,
    pub(super) hook: Option<mpsc::Sender<String>>,
    pub(super) inbox: mpsc::Sender<Write>,
    pub(super) shown: watch::Sender<Arc<Shown>>,
    pub(super) guides: watch::Sender<Arc<Guides>>,
    pub(super) computer: Arc<Computer>,
    pub(super) folder: Folder,
    pub(super) stop: CancellationToken,
}

/// What the loop itself remembers.
struct Running {
    recorder: Recorder,
    timer: Timer,
    answers: BTreeMap<CommandId, oneshot::Sender<Answer>>,
    next_command: CommandId,
    wake_at: Steady,
    round_at: Steady,
    piece_at: Steady,
    /// Since when records wait for the disk without any of them being taken.
    waiting_since: Option<Steady>,
    snapshot_at: Steady,
    last_seq: Seq,
    civil_less_steady: Option<i64>,
    out: Vec<Action>,
}

impl Worker {
    pub(super) async fn run(mut self) {
        let now = self.clock.now();
        let mut running = Running {
            recorder: Recorder::new(),
            timer: Timer::new(self.clock.clone()),
            answers: BTreeMap::new(),
            next_command: CommandId(1),
            wake_at: now.steady,
            round_at: now.steady,
            piece_at: now.steady,
            waiting_since: None,
            snapshot_at: now.steady,
            last_seq: Seq(0),
            civil_less_steady: None,
            out: Vec::new(),
        };
        self.keep_snapshot(&mut running, now);
        while let Some(event) = self.next(&mut running).await {
            self.step(&mut running, event);
            self.keep_time(&mut running);
        }
        if let Some(piece) = running.recorder.take() {
            self.keep(Write::BlackBox(piece));
        }
    }

    async fn next(&mut self, running: &mut Running) -> Option<Event> {
        let until = running.wake_at.min(running.round_at.plus(LONGEST_SLEEP));
        tokio::select! {
            biased;
            () = self.stop.cancelled() => None,
            Some(event) = self.waiting.recv() => Some(event),
            Some(asked) = self.asking.recv() => {
                let id = running.next_command;
                running.next_command = CommandId(id.0 + 1);
                running.answers.insert(id, asked.answer);
                Some(Event::Command(asked.actor, id, asked.command))
            }
            Ok(()) = self.standing.changed() => {
                running.waiting_since = None;
                let standing = self.standing.borrow_and_update();
                Some(match &standing.trouble {
                    Some(trouble) => Event::StoreTrouble(trouble.clone()),
                    None => Event::Stored(standing.stored),
                })
            }
            () = running.timer.until(until) => Some(Event::Due),
        }
    }

    fn step(&mut self, running: &mut Running, event: Event) {
        let at = self.clock.now();
        let mut out = std::mem::take(&mut running.out);
        let recalled = matches!(event, Event::Recalled(_));
        running.recorder.event(at, &event);
        self.minder.step(at, event, &mut out);
        running.recorder.actions(&out);
        if recalled {
            // What the black box holds so far follows on no state that is in the journal.
            running.recorder.take();
            self.keep_snapshot(running, at);
        }
        for action in out.drain(..) {
            self.carry_out(running, at, action);
        }
        running.out = out;
    }

    fn carry_out(&mut self, running: &mut Running, at: Moment, action: Action) {
        match action {
            Action::Send(line, bytes, _) => self.send(line, bytes),
            Action::Light(pattern) => debug!(?pattern, "light"),
            Action::Record(record) => {
                running.last_seq = record.seq;
                tell_log(&record.fact);
                self.tell_webhook(&record);
                self.keep(Write::Record(record));
            }
            Action::Show(view) => {
                self.shown.send_replace(Arc::new(Shown { view: *view, made: at.steady }));
            }
            Action::Compute(id, request) => self.compute(id, request),
            Action::Fit(id, readings, wanted) => self.fit(id, readings, wanted),
            Action::Guide(guides) => {
                self.guides.send_replace(Arc::new(*guides));
            }
            Action::ReadCard(id, name) => self.read_card(id, name),
            Action::ReadProgram(id, card) => self.read_program(id, *card),
            Action::Switch(id, levels) => {
                if let Some(device) = self.levels.get(usize::from(id.0)) {
                    device.send_replace(levels);
                }
            }
            Action::WakeAt(when) => running.wake_at = when,
            Action::Answer(id, answer) => {
                if let Some(asker) = running.answers.remove(&id) {
                    // Whoever asked may have gone.
                    let _ = asker.send(answer);
                }
            }
        }
    }

    fn send(&self, line: LineId, bytes: Vec<u8>) {
        let taken = self.outboxes.get(usize::from(line.0)).map(|outbox| outbox.try_send(bytes));
        if taken.is_none_or(|taken| taken.is_err()) {
            debug!(?line, "the line takes no more frames; one is dropped");
        }
    }

    fn tell_webhook(&self, record: &Record) {
        if let Some(hook) = &self.hook
            && let Some(message) = webhook::message(&self.setup, record)
            && hook.try_send(message).is_err()
        {
            debug!("the webhook takes no more messages; one is dropped");
        }
    }

    fn keep(&self, write: Write) {
        if self.inbox.try_send(write).is_err() {
            // The writer never stops taking, so a full channel means that it hangs.
            let _ = self.events.try_send(Event::StoreTrouble("the journal's writer hangs".to_owned()));
        }
    }

    fn compute(&self, id: RequestId, request: Request) {
        let setup = Arc::clone(&self.setup);
        let events = self.events.clone();
        let stop = self.stop.clone();
        let computer = Arc::clone(&self.computer);
        tokio::spawn(async move {
            tokio::select! {
                forecast = computer.forecast(&setup, request) => {
                    if let Err(text) = &forecast {
                        warn!(text, "no forecast");
                    }
                    // Nobody waits for it once the program stops.
                    let _ = events.send(Event::Computed(id, forecast)).await;
                }
                () = stop.cancelled() => {}
            }
        });
    }

    fn fit(&self, id: RequestId, readings: Vec<Reading>, wanted: f64) {
        let table = self.setup.table.clone();
        let (events, stop, computer) = (self.events.clone(), self.stop.clone(), Arc::clone(&self.computer));
        tokio::spawn(async move {
            tokio::select! {
                finding = computer.survey(table, readings, wanted) => {
                    if let Err(text) = &finding {
                        warn!(text, "no numbers of the survey");
                    }
                    // Nobody waits for it once the program stops.
                    let _ = events.send(Event::Surveyed(id, finding.map(Box::new))).await;
                }
                () = stop.cancelled() => {}
            }
        });
    }

    fn read_card(&self, id: RequestId, name: String) {
        let (setup, events, stop) = (Arc::clone(&self.setup), self.events.clone(), self.stop.clone());
        let (computer, folder) = (Arc::clone(&self.computer), self.folder.clone());
        tokio::spawn(async move {
            tokio::select! {
                card = computer.card(&setup, &folder, name) => {
                    if let Err(text) = &card {
                        warn!(text, "no job");
                    }
                    // Nobody waits for it once the program stops.
                    let _ = events.send(Event::CardRead(id, card)).await;
                }
                () = stop.cancelled() => {}
            }
        });
    }

    fn read_program(&self, id: RequestId, card: Card) {
        let (setup, events, stop) = (Arc::clone(&self.setup), self.events.clone(), self.stop.clone());
        let (computer, folder) = (Arc::clone(&self.computer), self.folder.clone());
        tokio::spawn(async move {
            tokio::select! {
                card = computer.program(&setup, &folder, card) => {
                    if let Err(text) = &card {
                        warn!(text, "no job");
                    }
                    // Nobody waits for it once the program stops.
                    let _ = events.send(Event::CardRead(id, card.map(Some))).await;
                }
                () = stop.cancelled() => {}
            }
        });
    }

    /// Once a second: the black box goes to the journal, the clocks are compared, the service manager is told.
    fn keep_time(&mut self, running: &mut Running) {
        if self.clock.steady().since(running.round_at) < ROUND {
            return;
        }
        self.clock.look_at_calendar();
        let at = self.clock.now();
        running.round_at = at.steady;
        if at.steady.since(running.piece_at) >= PIECE {
            running.piece_at = at.steady;
            if let Some(piece) = running.recorder.take() {
                self.keep(Write::BlackBox(piece));
            }
        }
        if at.steady.since(running.snapshot_at) >= SNAPSHOT {
            self.keep_snapshot(running, at);
        }
        self.notice_a_stuck_disk(running, at.steady);
        notify(sd_notify::NotifyState::Watchdog);
        let offset = at.civil.map(|civil| civil.micros() - (at.steady.nanos() / 1000) as i64);
        if let (Some(before), Some(now)) = (running.civil_less_steady, offset)
            && (now - before).abs() > CLOCK_STEP_MICROS
        {
            self.step(running, Event::ClockStep((now - before).saturating_mul(1000)));
        }
        running.civil_less_steady = offset;
    }

    /// A disk that hangs reports no failure; that nothing comes back from it is one.
    fn notice_a_stuck_disk(&mut self, running: &mut Running, now: Steady) {
        let all_stored = self.standing.borrow().stored >= running.last_seq;
        running.waiting_since = if all_stored { None } else { running.waiting_since.or(Some(now)) };
        if running.waiting_since.is_some_and(|since| self.clock.real(now.since(since)) > LONGEST_WAIT) {
            let text = format!("the disk has taken nothing for {} s", LONGEST_WAIT.as_secs());
            self.step(running, Event::StoreTrouble(text));
        }
    }

    fn keep_snapshot(&self, running: &mut Running, at: Moment) {
        running.snapshot_at = at.steady;
        // What was done before the state was taken is not to be played after it.
        if let Some(piece) = running.recorder.take() {
            self.keep(Write::BlackBox(piece));
        }
        match self.minder.snapshot() {
            Ok(bytes) => self.keep(Write::Snapshot { seq: running.last_seq, at, bytes }),
            Err(text) => error!(%text, "the state cannot be kept for a replay"),
        }
    }
}

/// What a person should find in the log: the few things that change the state of the table.
fn tell_log(fact: &Fact) {
    if let Fact::Entry { kind, body, .. } = fact {
        match kind.as_str() {
            "alarm" | "verdict" | "sheet" | "seated" => info!(kind, body, "table"),
            "store-trouble" | "no-forecast" | "clock-step" => warn!(kind, body, "program"),
            _ => debug!(kind, body, "kept"),
        }
    }
}
