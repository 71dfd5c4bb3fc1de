//! Every state of the page as a view, and a program that shows them; for the checks of the page alone.
//!
//! The shop, its jobs and its parts are invented.

use std::sync::{Arc, Mutex};
use std::time::Instant;

use futures_util::FutureExt;
use futures_util::future::{BoxFuture, ready};
use holdwatch::alarm::{Load, Move, Priority, State, Tag};
use holdwatch::event::{Actor, Answer, Command};
use holdwatch::gauge::Quality;
use holdwatch::job::Card;
use holdwatch::lamp::{Lamp, Pattern};
use holdwatch::moment::{Steady, Utc};
use holdwatch::page::{Bucket, HistorySpan, Limits, PageState, Program, Shown};
use holdwatch::view::{
    AlarmLoadView, AlarmView, Basis, BoardView, Degraded, ExpectedView, FloodView, Guides, JobView, MarginView,
    Message, SetAsideView, Source, View, ZoneView,
};
use holdwatch::watch::Verdict;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// The calendar time of every scene.
pub(crate) const AT: &str = "2026-03-02T10:52:00.000Z";

/// The names of the scenes.
pub(crate) const SCENES: [&str; 21] = [
    "tight",
    "taught",
    "simulated",
    "shadow",
    "weak",
    "margin",
    "not-seated",
    "loose",
    "pump-lost",
    "high",
    "blind",
    "line-gone",
    "no-job",
    "off",
    "starting",
    "first-run",
    "crowded",
    "hostile",
    "sheet-ended",
    "flooded",
    "over",
];

/// The view of a scene; `None` for a name that is not in [`SCENES`].
pub(crate) fn scene(name: &str) -> Option<View> {
    let mut view = tight();
    match name {
        "tight" => {}
        "taught" => taught(&mut view),
        "simulated" => view.source = Source::Simulated,
        "shadow" => view.shadow_sheets_left = 7,
        "weak" => weak(&mut view),
        "margin" => margin(&mut view),
        "not-seated" => word(&mut view, Verdict::Weak, Message::new("not-seated").with_number("below_pa", 14_300.0)),
        "loose" => loose(&mut view, Tag::SuddenLoss, "cause-sheet-lifted"),
        "pump-lost" => loose(&mut view, Tag::PumpLost, "cause-pump-stopped"),
        "high" => high(&mut view),
        "blind" => blind(&mut view, Message::new("no-reading").with_number("age_s", 190.0)),
        "line-gone" => {
            blind(&mut view, Message::new("line-gone").with_text("line", "gauge"));
            view.degraded.push(degraded("line-gauge-gone"));
        }
        "no-job" => no_job(&mut view),
        "off" => off(&mut view),
        "starting" => starting(&mut view),
        "first-run" => first_run(&mut view),
        "crowded" => crowded(&mut view),
        "flooded" => flooded(&mut view),
        "hostile" => hostile(&mut view),
        "over" => over(&mut view),
        "sheet-ended" => view.ask_outcome = Some(412),
        _ => return None,
    }
    Some(view)
}

fn tight() -> View {
    View {
        ends: vec![],
        programs: vec![],
        materials: vec![],
        table: "Three Alders Joinery, long table".to_owned(),
        verdict: Verdict::Tight,
        why: Message::new("tight-in-band").with_number("vacuum_pa", 52_400.0),
        shadow_sheets_left: 0,
        source: Source::Gauge,
        at: Some(AT.to_owned()),
        age_s: Some(0.05),
        stale_after_s: 2.0,
        quality: Quality::Good,
        vacuum_pa: Some(52_400.0),
        absolute_pa: Some(48_900.0),
        room_absolute_pa: 101_300.0,
        full_scale_vacuum_pa: 90_000.0,
        expected: Some(ExpectedView {
            low_pa: 50_000.0,
            mid_pa: 52_500.0,
            high_pa: 55_000.0,
            basis: Basis::Job,
            smallest_visible_leak_m3_h: Some(6.4),
        }),
        margin: Some(MarginView {
            least: 2.6,
            part: "rail 3".to_owned(),
            required: 1.5,
            least_ahead: 1.8,
            part_ahead: "rail 9".to_owned(),
        }),
        light: Pattern { green: Lamp::Steady, ..Pattern::DARK },
        gauges: Vec::new(),
        lines: Vec::new(),
        filter: None,
        hold: None,
        cutting: holdwatch::view::CuttingKnown::Told,
        zones: zones(6),
        job: Some(JobView {
            end: None,
            look_at: vec![],
            between: None,
            card: "alder-doors".to_owned(),
            fraction: 0.43,
            cutting: true,
            parts: 12,
            unseen: vec!["rail 3".to_owned(), "rail 9".to_owned()],
            computing: false,
        }),
        cards: ["alder-doors", "drawer-fronts", "shelf-pins"].map(str::to_owned).to_vec(),
        alarms: vec![],
        flood: None,
        board: BoardView { leak_index: Some(1.1), sheets: 34, skim_in_sheets: Some(21.0), ..BoardView::default() },
        degraded: vec![],
        acked: 81_204,
        newest: 81_209,
        watching_s: 15_000.0,
        sheet: 412,
        version: "0.1.0".to_owned(),
        guide: None,
        ask_outcome: None,
    }
}

fn zones(count: usize) -> Vec<ZoneView> {
    let zone = |k: usize| {
        let x0 = 0.4 * k as f64;
        ZoneView {
            id: (k + 1).to_string(),
            told_open: k % 3 != 2,
            vacuum_pa: None,
            rects_m: vec![[x0, 0.0, x0 + 0.4, 1.2]],
        }
    };
    (0..count).map(zone).collect()
}

fn word(view: &mut View, verdict: Verdict, why: Message) {
    view.verdict = verdict;
    view.why = why;
}

fn alarm(tag: Tag, priority: Priority, cause: &str, action: &str) -> AlarmView {
    AlarmView {
        tag,
        state: State::Unacknowledged,
        priority,
        since_s: Some(14.0),
        since: Some("2026-03-02T10:42:10.000Z".to_owned()),
        first: false,
        cause: Some(Message::new(cause)),
        action: Some(Message::new(action)),
        shelved_for_s: None,
        shelve_limit_s: 28_800.0,
        set_aside: None,
    }
}

fn degraded(name: &str) -> Degraded {
    Degraded { name: name.to_owned(), since_s: 600.0, since: Some("2026-03-02T10:42:00.000Z".to_owned()) }
}

fn taught(view: &mut View) {
    view.job = None;
    view.margin = None;
    if let Some(expected) = &mut view.expected {
        expected.basis = Basis::Taught;
    }
    view.board.prompts = vec![Message::new("prompt-skim").with_number("sheets", 6.0), Message::new("prompt-seal")];
}

fn weak(view: &mut View) {
    view.vacuum_pa = Some(46_100.0);
    word(
        view,
        Verdict::Weak,
        Message::new("level-below-band").with_number("vacuum_pa", 46_100.0).with_number("low_pa", 50_000.0),
    );
    view.alarms = vec![alarm(Tag::LevelLow, Priority::Medium, "cause-uncovered-zone", "do-level-low")];
}

fn margin(view: &mut View) {
    view.margin = view.margin.take().map(|margin| MarginView { least: 1.2, ..margin });
    let why = Message::new("margin-below-required").with_text("part", "rail 3");
    word(view, Verdict::Weak, why.with_number("margin", 1.2).with_number("required", 1.5));
    view.alarms = vec![alarm(Tag::MarginLow, Priority::Medium, "cause-weak-part", "do-margin-low")];
}

fn loose(view: &mut View, tag: Tag, cause: &str) {
    view.vacuum_pa = Some(24_800.0);
    view.margin = view.margin.take().map(|margin| MarginView { least: 0.7, ..margin });
    let key = if tag == Tag::PumpLost { "pump-lost" } else { "sudden-loss" };
    word(view, Verdict::Loose, Message::new(key).with_number("below_pa", 27_600.0));
    let action = if tag == Tag::PumpLost { "do-pump-lost" } else { "do-sudden-loss" };
    let mut first = alarm(tag, Priority::High, cause, action);
    first.first = true;
    view.alarms = vec![first, alarm(Tag::MarginLow, Priority::Medium, "cause-more-kerf-than-thought", "do-margin-low")];
    view.light = Pattern { red: Lamp::Flashing, horn: true, ..Pattern::DARK };
}

/// A loss that is over and that nobody has seen; the lamp is what `minder/calling.rs` makes of it.
fn over(view: &mut View) {
    let mut gone = alarm(Tag::NoReading, Priority::High, "cause-gauge-or-line", "do-no-reading");
    gone.state = State::ReturnedUnacknowledged;
    view.alarms = vec![gone];
    view.light = Pattern { yellow: Lamp::Flashing, ..Pattern::DARK };
}

fn high(view: &mut View) {
    view.vacuum_pa = Some(68_300.0);
    word(view, Verdict::High, Message::new("level-above-band").with_number("vacuum_pa", 68_300.0));
    view.alarms = vec![alarm(Tag::LevelHigh, Priority::Low, "cause-shut-valve-or-plugged-filter", "do-level-high")];
}

fn blind(view: &mut View, why: Message) {
    word(view, Verdict::Blind, why);
    view.quality = Quality::Failure;
    view.age_s = Some(190.0);
    (view.vacuum_pa, view.absolute_pa, view.margin) = (None, None, None);
    view.alarms = vec![alarm(Tag::NoReading, Priority::High, "cause-gauge-or-line", "do-no-reading")];
}

fn no_job(view: &mut View) {
    word(view, Verdict::NoJob, Message::new("nothing-to-compare"));
    (view.job, view.margin, view.expected) = (None, None, None);
}

fn off(view: &mut View) {
    no_job(view);
    view.vacuum_pa = Some(-40.0);
    word(view, Verdict::Off, Message::new("pump-off"));
}

fn starting(view: &mut View) {
    blind(view, Message::new("starting"));
    (view.age_s, view.watching_s, view.job, view.expected) = (None, 1.0, None, None);
    view.alarms = vec![];
}

fn first_run(view: &mut View) {
    no_job(view);
    (view.zones, view.cards, view.shadow_sheets_left, view.watching_s) = (vec![], vec![], 10, 130.0);
    view.board = BoardView::default();
    (view.acked, view.newest, view.sheet) = (0, 3, 0);
}

fn crowded(view: &mut View) {
    loose(view, Tag::SuddenLoss, "cause-uncovered-zone");
    view.source = Source::Simulated;
    view.zones = zones(16);
    let more = [Tag::LevelLow, Tag::LevelHigh, Tag::NoReading, Tag::NotSaving];
    view.alarms.extend(more.map(|tag| alarm(tag, Priority::Low, "cause-rim", "do-level-low")));
    view.alarms[2].state = State::Shelved;
    view.alarms[2].shelved_for_s = Some(410.0);
    view.alarms[3].state = State::LatchedAcknowledged;
    view.degraded = ["not-saving", "no-forecast", "light-unreachable", "clock-stepped"].map(degraded).to_vec();
    view.watching_s = 70.0;
    view.cards = (1..=14).map(|k| format!("cabinet-{k}")).collect();
    view.board.prompts = vec![Message::new("prompt-skim").with_number("sheets", 2.0), Message::new("prompt-seal")];
    if let Some(job) = &mut view.job {
        job.unseen = (1..=9).map(|k| format!("small part {k}")).collect();
    }
}

/// Twelve alarms in ten minutes, one of them out of service and one that can wait.
fn flooded(view: &mut View) {
    loose(view, Tag::PumpLost, "cause-pump-stopped");
    view.flood = Some(FloodView { since_s: 95.0, alarms: 12 });
    view.alarms[0].first = true;
    let more =
        [(Tag::NoReading, Priority::Medium), (Tag::NotSaving, Priority::Low), (Tag::LevelHigh, Priority::Medium)];
    view.alarms.extend(more.map(|(tag, priority)| alarm(tag, priority, "cause-gauge-or-line", "do-no-reading")));
    let removed = view.alarms.last_mut().unwrap();
    removed.state = State::OutOfService;
    removed.set_aside = Some(SetAsideView {
        by: "whoever mends the valve".to_owned(),
        why: Some("the valve of zone 3 is at the workshop".to_owned()),
        since: Some("2026-03-01T15:04:00.000Z".to_owned()),
        since_s: Some(71_280.0),
    });
    view.degraded = ["alarm-flood", "alarm-out-of-service"].map(degraded).to_vec();
}

fn hostile(view: &mut View) {
    let nasty = "<img src=x onerror=alert(1)>\u{202e}=cmd()\n".to_owned() + &"long-name-".repeat(12);
    view.table = nasty.clone();
    view.why = Message::new("<b>unheard-of</b>");
    view.cards = vec![nasty.clone()];
    view.degraded.push(degraded("<b>bold</b>"));
    if let Some(job) = &mut view.job {
        job.card = nasty.clone();
    }
    if let Some(zone) = view.zones.first_mut() {
        zone.id = nasty;
    }
}

/// A program that shows scenes, keeps what it is commanded, and remembers a made-up ten minutes.
pub(crate) struct Shop {
    /// The steady time.
    pub(crate) clock: Box<dyn Fn() -> Steady + Send + Sync>,
    /// What it was commanded, oldest first.
    pub(crate) commanded: Mutex<Vec<(Actor, Command)>>,
    /// What it answers.
    pub(crate) answer: Mutex<Answer>,
    /// The guided runs that it shows.
    pub(crate) guides: Mutex<Guides>,
    /// Whether its journal answers at all.
    pub(crate) journal: bool,
    /// Whether it answers commands at all.
    pub(crate) deaf: bool,
}

impl Default for Shop {
    fn default() -> Self {
        let (commanded, answer) = (Mutex::default(), Mutex::new(Answer::Done));
        let start = Instant::now();
        let clock = Box::new(move || Steady::from_nanos(u64::try_from(start.elapsed().as_nanos()).unwrap()));
        Shop { clock, commanded, answer, guides: Mutex::default(), journal: true, deaf: false }
    }
}

impl Program for Shop {
    fn now(&self) -> Steady {
        (self.clock)()
    }

    fn command(&self, actor: Actor, command: Command) -> BoxFuture<'static, Answer> {
        self.commanded.lock().unwrap().push((actor, command));
        let answer = self.answer.lock().unwrap().clone();
        if self.deaf { std::future::pending().boxed() } else { ready(answer).boxed() }
    }

    fn guides(&self) -> Arc<Guides> {
        Arc::new(self.guides.lock().unwrap().clone())
    }

    fn history(&self, span: HistorySpan) -> BoxFuture<'static, Result<Vec<Bucket>, String>> {
        if self.journal { ready(Ok(past(span))).boxed() } else { ready(Err("the disk is gone".to_owned())).boxed() }
    }

    fn alarm_load(&self, shifts: usize) -> BoxFuture<'static, Result<Vec<AlarmLoadView>, String>> {
        let shift = |n: usize| {
            let hours = |hours: i64| Utc::from_micros(1_790_000_000_000_000 + hours * 3_600_000_000);
            let from = -8 * i64::try_from(n).unwrap();
            let step = |second: u64, from, to| Move {
                tag: Tag::LevelLow,
                from,
                to,
                at: Steady::from_nanos(second * 1_000_000_000),
            };
            let moves = [
                step(60, State::Normal, State::Unacknowledged),
                step(90, State::Unacknowledged, State::Acknowledged),
                step(200, State::Acknowledged, State::Normal),
            ];
            let load = Load::of(&moves, Steady::from_nanos(0), Steady::from_nanos(28_800_000_000_000));
            AlarmLoadView::of(&load, hours(from), hours(from + 8))
        };
        if self.journal {
            ready(Ok((0..shifts).map(shift).collect())).boxed()
        } else {
            ready(Err("the disk is gone".to_owned())).boxed()
        }
    }

    fn parse_card(&self, posted: serde_json::Value) -> Result<Card, String> {
        serde_json::from_value(posted).map_err(|error| error.to_string())
    }
}

/// A sheet pulled down, cut, and one dip; nothing for the first minute, as if it had not been watched.
fn past(span: HistorySpan) -> Vec<Bucket> {
    let step = (span.to.micros() - span.from.micros()) / i64::try_from(span.points).unwrap();
    let label = |k: usize| Utc::from_micros(span.from.micros() + step * i64::try_from(k).unwrap()).rfc3339();
    (span.points / 10..span.points)
        .map(|k| {
            let part = k as f64 / span.points as f64;
            let mean = 52_500.0 + 1_500.0 * (40.0 * part).sin() - 2_000.0 * part;
            let dip = if (0.60..0.62).contains(&part) { 14_000.0 } else { 500.0 };
            Bucket {
                from: label(k),
                to: label(k + 1),
                count: 10,
                min_vacuum_pa: mean - dip,
                max_vacuum_pa: mean + 500.0,
                mean_vacuum_pa: mean,
                quality: Quality::Good,
                expected_low_vacuum_pa: Some(48_000.0),
                expected_high_vacuum_pa: Some(55_500.0),
            }
        })
        .collect()
}

/// The page over `shop`, and the sender that shows it a view.
pub(crate) fn page(shop: &Arc<Shop>, first: View) -> (PageState, watch::Sender<Arc<Shown>>) {
    let (show, shown) = watch::channel(Arc::new(Shown { view: first, made: shop.now() }));
    let hosts = Arc::from(["holdwatch.shop".to_owned()]);
    let state = PageState {
        shown,
        program: shop.clone(),
        hosts,
        limits: Limits::default(),
        shutdown: CancellationToken::new(),
    };
    (state, show)
}
