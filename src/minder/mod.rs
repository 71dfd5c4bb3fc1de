//! Where every decision is taken: an event and a moment go in, actions come out.
//!
//! [`Minder::step`] has no access to time or devices but what it is handed; equal input gives equal actions, so a shift can
//! be replayed to the byte from a [`Minder::snapshot`] on.
//!
//! Invariants:
//! - a reading older than the limit is never judged, shown or learned from;
//! - while sheets are in shadow no alarm about the table is announced and no colour but white is lit;
//! - a memory that is not known yet is no shadow, and none is written in its place;
//! - every record has the next number, and no number is used twice.

mod around;
mod board;
mod calling;
mod check;
mod comparing;
mod contacts;
mod ends;
mod fetching;
mod guided;
mod hearing;
mod holding;
mod keeping;
mod likes;
mod orders;
mod progress;
mod showing;
mod survey;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::alarm::{Flood, Roll, Rule};
use crate::board::Outlook;
use crate::event::{Action, Event, LineCause, RequestId, Seq};
use crate::expectation::Forecast;
use crate::gauge::{Doubt, GaugeId, Health, HealthLimits, InputId, LineId, Talker, UnfitLine};
use crate::job::{Card, Progress};
use crate::lamp::Pattern;
use crate::moment::{Moment, Span, Steady};
use crate::setup::Setup;
use crate::table::ZoneSet;
use crate::view::{BoardDetail, LineView};
use crate::watch::{Assessment, Seated, Watch, WatchSettings};

use around::{Filter, Room, Troubles};
pub use check::{CheckLog, Morning};
use comparing::Compared;
use contacts::{Contact, Wires};
use ends::EndId;
use fetching::Fetching;
use guided::Guided;
use hearing::Newest;
use holding::DriveTold;
use keeping::{MEMORY_UNKNOWN, Meanwhile};
pub use keeping::{Memory, Remembered};
use progress::{Pace, Run};
pub use survey::SurveyRun;

/// Something wakes the minder every second; after more than this nobody watched meanwhile (common practice for dropping what a
/// filter remembers, no source).
const LONGEST_SLEEP: Span = Span::from_secs(5);

/// A setup that cannot be minded, or a snapshot that cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum MinderError {
    /// Gauges and lights that cannot share a line.
    #[error(transparent)]
    Line(#[from] UnfitLine),
    /// The setup has no gauge.
    #[error("the setup has no gauge; add a [[gauge]]")]
    NoGauge,
    /// A snapshot of another version, or damaged.
    #[error("the snapshot cannot be read: {0}")]
    Snapshot(#[from] postcard::Error),
}

/// A job on the table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Loaded {
    card: Card,
    /// How far the cut is when each part comes free, in the card's order.
    freed_at: Vec<Progress>,
    /// The end that it lies at; none for the table as a whole.
    end: Option<EndId>,
    forecast: Option<Forecast>,
    /// The zones for which the forecast is still compared with, though something else lies beside by now.
    held: Option<ZoneSet>,
    progress: Progress,
    pace: Option<Pace>,
    /// How long its program has run.
    run: Run,
}

/// A request for a forecast that has not been answered.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Awaited {
    id: RequestId,
    of_job: bool,
    open: ZoneSet,
}

/// Everything that is decided upon.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Minder {
    setup: Setup,
    cards: Vec<String>,
    /// Programs in the folder of cards that no card names.
    programs: Vec<String>,
    started: Moment,
    /// When the last event came.
    stepped: Moment,
    /// Since when events have come without a long pause.
    awake_since: Steady,
    talkers: Vec<Talker>,
    health: Vec<Health>,
    /// What was last known against each gauge.
    doubts: Vec<Vec<Doubt>>,
    /// What came last from each gauge instead of a number, and what of that is said.
    troubles: Vec<Troubles>,
    /// What came over each line.
    lines: Vec<LineView>,
    /// The gauge that the level is judged by.
    main: GaugeId,
    room: Room,
    filter: Filter,
    /// Since when a zone's own gauge has shown nothing though the zone was told open, by gauge.
    flat: Vec<Option<Steady>>,
    watch: Watch,
    roll: Roll,
    flood: Flood,
    memory: Memory,
    /// What was learned since the start, while the memory of before is not known.
    meanwhile: Option<Vec<Meanwhile>>,
    /// What is cut, or will be next.
    loaded: Option<Loaded>,
    /// What lies at other ends.
    beside: Vec<Loaded>,
    /// The job by which the sheet was cut that still lies there, though another was chosen since, or none; without its forecast.
    left: Option<Loaded>,
    open: ZoneSet,
    cutting: Option<bool>,
    contacts: Vec<Contact>,
    wires: Vec<Wires>,
    /// When each input was last read.
    inputs_at: Vec<Option<Steady>>,
    drive: DriveTold,
    /// Whether leaks show on a pump that is held; nothing before it was looked at.
    sees_leaks: Option<bool>,
    /// The forecast without a job.
    bare: Option<Forecast>,
    awaited: Vec<Awaited>,
    fetching: Option<Fetching>,
    next_request: RequestId,
    compared: Option<Compared>,
    newest: Vec<Option<Newest>>,
    assessment: Option<Assessment>,
    seated: Option<Seated>,
    worst_margin: Option<f64>,
    /// Whether the sheet on the table was cut.
    was_cut: bool,
    /// Whether nothing on the table hung on the vacuum when that was last looked at.
    held_otherwise: bool,
    /// How long the pump has run that is not yet in the book.
    pumped: Span,
    /// How the board stands; it follows from the memory and is not written down.
    #[serde(skip)]
    outlook: Option<Outlook>,
    #[serde(skip)]
    board_detail: Arc<BoardDetail>,
    light: Pattern,
    light_test_from: Option<Steady>,
    /// Lights that did not confirm what they were last told, by their place on their line.
    silent_lights: BTreeSet<(LineId, usize)>,
    degraded: BTreeMap<String, Moment>,
    next_seq: Seq,
    acked: Seq,
    shown_at: Option<Steady>,
    blind_since: Option<Steady>,
    wake_at: Option<Steady>,
    changed: bool,
    guided: Guided,
}

impl Minder {
    /// A minder that starts now.
    ///
    /// # Errors
    /// [`MinderError`] for a setup whose gauges and lights cannot work together.
    pub fn new(setup: Setup, cards: Vec<String>, remembered: Remembered, at: Moment) -> Result<Self, MinderError> {
        setup.main_gauge_settings().ok_or(MinderError::NoGauge)?;
        let watch = watch(&setup);
        let talkers = talkers(&setup)?;
        let health = setup.gauges.iter().map(|gauge| Health::new(gauge.clone(), HealthLimits::of(gauge))).collect();
        let count = setup.gauges.len();
        let open = ZoneSet::first(setup.table.plenum.zones.len());
        let shadow_sheets = if remembered.unknown { 0 } else { setup.watch.shadow_sheets };
        let memory = remembered.memory.unwrap_or_else(|| Memory::new(shadow_sheets));
        let (contacts, inputs_at) = (vec![Contact::default(); setup.contacts.len()], vec![None; setup.inputs.len()]);
        let wires = vec![Wires::default(); setup.wires.len()];
        let lines =
            setup.lines.iter().map(|line| LineView { name: line.name.clone(), ..LineView::default() }).collect();
        let (main, room) = (setup.main_gauge(), Room::of_setup(setup.table.air.room));
        let mut minder = Minder {
            setup,
            cards,
            programs: Vec::new(),
            started: at,
            stepped: at,
            awake_since: at.steady,
            talkers,
            health,
            doubts: vec![Vec::new(); count],
            troubles: vec![Troubles::default(); count],
            lines,
            main,
            room,
            filter: Filter::default(),
            flat: vec![None; count],
            watch,
            roll: Roll::new(Rule::standard_set()),
            flood: Flood::default(),
            memory,
            meanwhile: remembered.unknown.then(Vec::new),
            loaded: None,
            beside: Vec::new(),
            left: None,
            open,
            cutting: None,
            contacts,
            wires,
            inputs_at,
            drive: None,
            sees_leaks: None,
            bare: None,
            awaited: Vec::new(),
            fetching: None,
            next_request: RequestId(1),
            compared: None,
            newest: vec![None; count],
            assessment: None,
            seated: None,
            worst_margin: None,
            was_cut: false,
            held_otherwise: false,
            pumped: Span::ZERO,
            outlook: None,
            board_detail: Arc::default(),
            light: Pattern::DARK,
            light_test_from: None,
            silent_lights: BTreeSet::new(),
            degraded: BTreeMap::new(),
            next_seq: Seq(remembered.last_seq.0 + 1),
            acked: remembered.last_seq,
            shown_at: None,
            blind_since: None,
            wake_at: None,
            changed: true,
            guided: Guided::remembered(remembered.survey, remembered.check.unwrap_or_default(), at.steady),
        };
        // What only a person reads of a setup need not be written down with the state.
        minder.setup.assumptions.clear();
        minder.setup.warnings.clear();
        minder.setup.webhook = None;
        minder.say_whether(at, remembered.unknown, MEMORY_UNKNOWN);
        minder.keep_out_of_service(at);
        minder.heed_shadow(at.steady);
        minder.open_book();
        Ok(minder)
    }

    /// Takes one event at its moment and adds what is to be done to `out`.
    pub fn step(&mut self, at: Moment, event: Event, out: &mut Vec<Action>) {
        self.notice_interruption(at);
        match event {
            Event::Bytes(line, bytes) => self.hear(at, line, &bytes, out),
            Event::LineUp(line) => self.line_up(at, line, out),
            Event::LineLost(line, cause) => self.line_lost(at, line, &cause, out),
            Event::Inputs(inputs) => self.heed_inputs(at, &inputs, out),
            Event::Cards(cards) => self.cards = cards,
            Event::Command(actor, id, command) => self.carry_out(at, &actor, id, command, out),
            Event::Computed(id, forecast) => self.take_forecast(at, id, forecast, out),
            Event::Stored(seq) => self.stored(at, seq),
            Event::StoreTrouble(text) => self.store_trouble(at, &text, out),
            Event::ClockStep(nanos) => self.clock_stepped(at, nanos, out),
            Event::Due => {}
            Event::Surveyed(id, finding) => self.take_finding(at, id, finding, out),
            Event::CardRead(id, card) => self.take_card(at, id, card, out),
            Event::Programs(programs) => self.programs = programs,
            Event::Wires(id, levels) => self.take_wires(at, id, levels, out),
            Event::WiresLost(id, cause) => self.wires_lost(at, id, &cause, out),
            Event::Recalled(recalled) => self.recall(at, *recalled, out),
        }
        self.settle(at, out);
    }

    /// The whole state as bytes, for [`Minder::restore`].
    ///
    /// # Errors
    /// [`MinderError::Snapshot`] if the state cannot be written down.
    pub fn snapshot(&self) -> Result<Vec<u8>, MinderError> {
        Ok(postcard::to_stdvec(self)?)
    }

    /// The minder whose [`Minder::snapshot`] this is.
    ///
    /// # Errors
    /// [`MinderError::Snapshot`] for bytes that are none, or of another version of the program.
    pub fn restore(snapshot: &[u8]) -> Result<Self, MinderError> {
        let mut minder: Minder = postcard::from_bytes(snapshot)?;
        minder.look_at_board();
        Ok(minder)
    }

    /// The setup that is minded.
    pub fn setup(&self) -> &Setup {
        &self.setup
    }

    /// For each line the frames that switch its lights dark: nobody is watching.
    pub fn dark_frames(&self) -> Vec<Vec<Vec<u8>>> {
        self.talkers.iter().map(Talker::dark_frames).collect()
    }

    /// What follows from any event: forecasts asked for, stale readings noticed, alarms moved, lights and page brought up
    /// to date, lines served, the next wake-up set.
    fn settle(&mut self, at: Moment, out: &mut Vec<Action>) {
        self.turn_to_next(at, out);
        self.ask_for_forecasts(out);
        self.follow_room(out);
        self.notice_drive(at);
        self.follow_guided(at, out);
        self.notice_silence(at, out);
        self.heed_other_holds(at.steady);
        self.move_alarms(at, out);
        self.heed_wires(at, out);
        self.set_light(at, out);
        self.switch_wires(at.steady, out);
        self.serve_lines(at, out);
        self.show_if_due(at, out);
        self.set_wake_up(at, out);
    }

    /// A computer that slept, or a state taken up again later, knows nothing of the time between.
    fn notice_interruption(&mut self, at: Moment) {
        let gap = at.since(self.stepped);
        self.stepped = at;
        if gap.is_some_and(|gap| gap <= LONGEST_SLEEP) {
            return;
        }
        self.awake_since = at.steady;
        self.health.iter_mut().for_each(Health::interrupt);
        self.watch.interrupt();
        for loaded in self.loaded.iter_mut().chain(&mut self.beside) {
            loaded.pace = None;
        }
        if gap.is_none() {
            // Its steady time is of another start of the computer.
            self.newest.fill(None);
            self.inputs_at.fill(None);
            self.contacts.fill(Contact::default());
            self.wires.fill(Wires::default());
            self.drive = None;
            self.flood.forget();
            (self.shown_at, self.blind_since, self.wake_at) = (None, None, None);
        }
    }

    fn set_wake_up(&mut self, at: Moment, out: &mut Vec<Action>) {
        let lines = self.talkers.iter().filter_map(Talker::deadline).min();
        let test = self.light_test_from.map(|_| at.steady.plus(Span::from_millis(100)));
        let alarms = [self.roll.deadline(), self.flood.deadline(), self.wires_deadline(at.steady)];
        let wake = [lines, Some(self.next_show()), Some(self.next_silence()), test].into_iter().chain(alarms);
        let wake = wake.flatten().min();
        if wake != self.wake_at {
            self.wake_at = wake;
            out.extend(wake.map(Action::WakeAt));
        }
    }

    fn degrade(&mut self, at: Moment, name: &str) {
        if !self.degraded.contains_key(name) {
            self.degraded.insert(name.to_owned(), at);
            self.changed = true;
        }
    }

    fn restore_from(&mut self, name: &str) {
        self.changed |= self.degraded.remove(name).is_some();
    }

    fn line_up(&mut self, at: Moment, line: LineId, out: &mut Vec<Action>) {
        self.restore_from(&self.line_gone(line));
        if let Some(talker) = self.talkers.get_mut(usize::from(line.0)) {
            talker.line_up(at.steady);
        }
        for (health, gauge) in self.health.iter_mut().zip(&self.setup.gauges) {
            if gauge.line == line {
                health.interrupt();
            }
        }
        self.keep_entry(at, "line-up", &self.line_name(line), out);
    }

    fn line_lost(&mut self, at: Moment, line: LineId, cause: &LineCause, out: &mut Vec<Action>) {
        self.degrade(at, &self.line_gone(line));
        if let Some(talker) = self.talkers.get_mut(usize::from(line.0)) {
            talker.line_lost(at.steady);
        }
        self.keep_entry(at, "line-lost", &(self.line_name(line), cause), out);
    }

    fn line_name(&self, line: LineId) -> String {
        self.setup.lines.get(usize::from(line.0)).map(|line| line.name.clone()).unwrap_or_default()
    }

    fn line_gone(&self, line: LineId) -> String {
        format!("line-{}-gone", self.line_name(line))
    }
}

/// A watch that has seen nothing yet.
fn watch(setup: &Setup) -> Watch {
    let usual = WatchSettings::default();
    Watch::new(WatchSettings {
        interval: setup.main_gauge_settings().map_or(usual.interval, |main| main.every),
        false_alarm_interval: setup.watch.false_alarm_every,
        kerf_error: kerf_error(setup),
        ..usual
    })
}

/// The standard error of the computed effect of the kerf, as a share of it. The band has it at what is not known of the board and of a
/// kerf's leak, taken as two standard errors; the watch learns it once a cut is under way.
fn kerf_error(setup: &Setup) -> f64 {
    (0.5 * (setup.spread.board * setup.spread.kerf - 1.0)).clamp(0.05, 0.5)
}

fn talkers(setup: &Setup) -> Result<Vec<Talker>, UnfitLine> {
    let on = |line: usize| LineId(u16::try_from(line).unwrap_or(u16::MAX));
    let gauges = setup.gauges.iter().zip(0..).map(|(gauge, id)| (GaugeId(id), gauge.clone()));
    setup
        .lines
        .iter()
        .enumerate()
        .map(|(place, line)| {
            let gauges = gauges.clone().filter(|(_, gauge)| gauge.line == on(place)).collect();
            let lights = setup.lights.iter().filter(|light| light.line == on(place)).cloned().collect();
            let inputs = setup.inputs.iter().zip(0..).map(|(input, id)| (InputId(id), input.clone()));
            let inputs = inputs.filter(|(_, input)| input.line == on(place)).collect();
            Talker::with_inputs(line.clone(), gauges, lights, inputs)
        })
        .collect()
}
