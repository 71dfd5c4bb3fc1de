//! A table with two ends in made time: the real minder, a table of the test's own behind a gauge, one end cut while the other is loaded.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by a panic")]

#[path = "support/chance.rs"]
mod chance;

use std::collections::BTreeMap;

use chance::Chance;
use holdwatch::daemon::Brief;
use holdwatch::event::{
    Action, Actor, Answer, Command, CommandId, Event, Fact, LineId, ProgressTold, Record, Request, RequestId, WiresId,
};
use holdwatch::expectation::{Boards, Forecast, ForecastError};
use holdwatch::job::{Card, Lying, Progress};
use holdwatch::minder::{Minder, Remembered};
use holdwatch::moment::{BootId, Moment, Span, Steady};
use holdwatch::setup::{Setup, read_card, read_setup};
use holdwatch::table::field::Resolution;
use holdwatch::table::{ClosedForm, Condensed, Table, TableLoad, Tap, ZoneId, ZoneSet, operating_point_with_hole};
use holdwatch::units::{Area, Length};
use holdwatch::view::View;
use holdwatch::watch::{CuttingKnown, Verdict};

const DEMO: &str = include_str!("../config/demo.toml");
const ENDS: &str =
    "[[end]]\nname = \"left\"\nzones = [\"1\", \"3\"]\n[[end]]\nname = \"right\"\nzones = [\"2\", \"4\"]\n";

/// The demo's table in two rows of two zones, its gauge sending lines of text.
fn setup() -> Setup {
    setup_with("")
}

fn setup_with(more: &str) -> Setup {
    let (table, _) = DEMO.split_once("[[line]]").unwrap();
    let table = table.replace("columns = 3", "columns = 2");
    let text = format!(
        "{table}[[line]]\nname = \"vacuum\"\nport = \"/dev/null\"\nprotocol = \"ascii-talker\"\n[[gauge]]\nname = \"manifold\"\n\
         line = \"vacuum\"\nplace = \"manifold\"\nunit = \"mbar\"\ncounts = \"vacuum\"\nrange = [0, 1000]\n\
         [watch]\nshadow_sheets = 0\n{ENDS}{more}"
    );
    read_setup(&text, "table.toml").unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

/// Six parts on a sheet of half the table, from x on.
fn card(setup: &Setup, name: &str, at: u32, length: u32) -> Card {
    let text = format!(
        "name = \"{name}\"\n[sheet]\nat_mm = [{at}, 0]\nsize_mm = [{length}, 1220]\nthickness_mm = 19\n\
         material = \"melamine-faced\"\n[cutter]\ndiameter_mm = 8\nflutes = 2\nspindle_rpm = 18000\nfeed_m_min = 6\n\
         helix = \"compression\"\nlast_pass_mm = 4\n[[part]]\nname = \"P\"\nat_mm = [{}, 60]\nsize_mm = [340, 500]\n\
         repeat = {{ columns = 3, rows = 2, spacing_mm = 20 }}\n",
        at + 60
    );
    read_card(&text, "card.toml", setup).unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

const LEFT: [ZoneId; 2] = [ZoneId(0), ZoneId(2)];
const RIGHT: [ZoneId; 2] = [ZoneId(1), ZoneId(3)];

/// The table as it is, which the monitor does not know.
struct Truth {
    table: Table,
    lying: BTreeMap<&'static str, (Card, f64)>,
    open: ZoneSet,
    hole: Area,
    level: f64,
    known: BTreeMap<String, f64>,
}

impl Truth {
    /// The plenum follows with a time constant of 0.3 s.
    fn pass(&mut self, secs: f64) -> f64 {
        let goal = self.rest();
        self.level += (goal - self.level) * (1.0 - (-secs / 0.3).exp());
        self.level
    }

    fn rest(&mut self) -> f64 {
        let load = self
            .lying
            .values()
            .map(|(card, cut)| {
                let lying = Lying { card: Box::new(card.clone()), progress: Progress::from_fraction(*cut) };
                lying.load()
            })
            .fold(TableLoad::default(), |all, one| all.beside(&one));
        let key = format!("{:?} {:?} {load:?}", self.open, self.hole);
        let (table, open, hole) = (&self.table, self.open, self.hole);
        *self.known.entry(key).or_insert_with(|| {
            let zones = ClosedForm::condense(table, &load);
            operating_point_with_hole(table, open, zones.zones(), hole).level(Tap::Manifold).pascals()
        })
    }
}

struct Bay {
    setup: Setup,
    minder: Minder,
    truth: Truth,
    now: Span,
    chance: Chance,
    /// How many seconds a forecast of a job takes.
    reckoning: f64,
    reckoned: Vec<(f64, RequestId, Request)>,
    asked: Vec<Request>,
    answers: Vec<Answer>,
    /// The entries kept, by kind.
    kept: Vec<(String, String)>,
}

const STEP: f64 = 0.1;

impl Bay {
    fn new(reckoning: f64) -> Self {
        Bay::of(setup(), reckoning)
    }

    fn of(setup: Setup, reckoning: f64) -> Self {
        let minder = Minder::new(setup.clone(), Vec::new(), Remembered::default(), moment(Span::ZERO)).unwrap();
        let mut table = setup.table.clone();
        table.pump.wear *= 0.98;
        let truth = Truth {
            table,
            lying: BTreeMap::new(),
            open: LEFT.into_iter().collect(),
            hole: Area::ZERO,
            level: 0.0,
            known: BTreeMap::new(),
        };
        let (reckoned, asked, answers) = (Vec::new(), Vec::new(), Vec::new());
        let chance = Chance::seeded(5);
        let mut bay = Bay {
            setup,
            minder,
            truth,
            now: Span::ZERO,
            chance,
            reckoning,
            reckoned,
            asked,
            answers,
            kept: Vec::new(),
        };
        bay.step(Event::LineUp(LineId(0)));
        bay
    }

    fn step(&mut self, event: Event) {
        let mut out = Vec::new();
        self.minder.step(moment(self.now), event, &mut out);
        for action in out {
            match action {
                Action::Compute(id, request) => {
                    let takes = if request.card.is_some() { self.reckoning } else { 0.0 };
                    self.reckoned.push((self.now.secs_f64() + takes, id, request.clone()));
                    self.asked.push(request);
                }
                Action::Answer(_, answer) => self.answers.push(answer),
                Action::Record(Record { fact: Fact::Entry { kind, body, .. }, .. }) => self.kept.push((kind, body)),
                _ => {}
            }
        }
    }

    fn forecast(&self, request: Request) -> Forecast {
        let brief = Brief::new(&self.setup, request, Resolution::default());
        let condense = |load: &TableLoad| Ok::<_, ForecastError>(ClosedForm::condense(&brief.table, load));
        let card = brief.request.card.as_deref();
        let boards = Boards::condense(&brief.table, card, &brief.request.lying(), 33, condense).unwrap();
        brief.answer(&boards).unwrap()
    }

    fn command(&mut self, command: Command) -> Answer {
        self.step(Event::Command(Actor("somebody".into()), CommandId(0), command));
        self.answers.pop().unwrap()
    }

    fn at(&mut self, end: &'static str, command: Command) -> Answer {
        self.command(Command::At(end.to_owned(), Box::new(command)))
    }

    /// A sheet lies at an end, and somebody says so.
    fn lay(&mut self, end: &'static str, card: &Card) {
        self.truth.lying.insert(end, (card.clone(), 0.0));
        assert_eq!(self.at(end, Command::LoadCard(Box::new(card.clone()))), Answer::Done);
    }

    fn advance(&mut self) -> View {
        self.now = self.now.and(Span::from_secs_f64(STEP));
        let now = self.now.secs_f64();
        let (due, later) = std::mem::take(&mut self.reckoned).into_iter().partition(|(at, _, _)| *at <= now);
        self.reckoned = later;
        let due: Vec<(f64, RequestId, Request)> = due;
        for (_, id, request) in due {
            let forecast = self.forecast(request);
            self.step(Event::Computed(id, Ok(forecast)));
        }
        let felt = self.truth.pass(STEP) + 60.0 * self.chance.normal();
        self.step(Event::Bytes(LineId(0), format!("{:.1}\n", felt.max(0.0) / 100.0).into_bytes()));
        self.minder.view_at(moment(self.now))
    }

    fn wait(&mut self, secs: f64) -> Vec<View> {
        (0..(secs / STEP).round() as usize).map(|_| self.advance()).collect()
    }

    /// An end is cut from one fraction to another at 1 % a second; its controller tells once a second.
    fn cut(&mut self, end: &'static str, from: f64, to: f64) -> Vec<View> {
        let steps = ((to - from) * 1000.0).round() as usize;
        let mut views = Vec::new();
        for step in 0..=steps {
            let fraction = from + (to - from) * step as f64 / steps as f64;
            self.truth.lying.get_mut(end).unwrap().1 = (fraction * 64.0).floor() / 64.0;
            if step % 10 == 0 {
                assert_eq!(self.at(end, Command::Progress(ProgressTold::Fraction(fraction))), Answer::Done);
            }
            views.push(self.advance());
        }
        views
    }

    /// The valves of an end, and nothing is told of them.
    fn valves(&mut self, zones: [ZoneId; 2], open: bool) {
        for zone in zones {
            self.truth.open = if open { self.truth.open.with(zone) } else { self.truth.open.without(zone) };
        }
    }
}

fn moment(now: Span) -> Moment {
    Moment { boot: BootId(1), steady: Steady::from_nanos(now.nanos()), civil: None, synced: false }
}

/// A table whose left end is 30 % through its cut.
fn cutting_left(reckoning: f64) -> (Bay, Card, Card) {
    let mut bay = Bay::new(reckoning);
    let (left, right) = (card(&bay.setup, "Left", 0, 1210), card(&bay.setup, "Right", 1230, 1210));
    bay.lay("left", &left);
    let views = bay.wait(30.0);
    assert_eq!(views.last().unwrap().verdict, Verdict::Tight, "{:?}", views.last().unwrap().why);
    let views = bay.cut("left", 0.0, 0.3);
    assert!(views.iter().all(|view| view.verdict == Verdict::Tight));
    (bay, left, right)
}

fn all_well(what: &str, views: &[View]) {
    for view in views {
        assert_eq!(view.verdict, Verdict::Tight, "{what}: {:?} {:?} {:?}", view.why, view.vacuum_pa, view.expected);
        assert!(view.alarms.is_empty(), "{what}: {:?}", view.alarms);
    }
}

#[test]
fn one_end_is_loaded_and_unloaded_while_the_other_is_cut() {
    let (mut bay, left, right) = cutting_left(3.0);
    // The sheet beside it is told first and its valves opened 4 s later, as its forecast takes 3 s.
    bay.lay("right", &right);
    all_well("told", &bay.cut("left", 0.3, 0.34));
    let before = bay.truth.rest();
    bay.valves(RIGHT, true);
    let after = bay.truth.rest();
    assert!(before - after > 100.0, "the other end takes air: {before} to {after}");
    let views = bay.cut("left", 0.34, 0.99);
    all_well("beside", &views);
    // The end that is cut is watched, with its margin, all the time.
    assert!(
        views
            .iter()
            .all(|view| view.margin.is_some() && view.expected.as_ref().unwrap().basis == holdwatch::view::Basis::Job)
    );
    assert!(views.iter().all(|view| view.job.as_ref().unwrap().end.as_deref() == Some("left")));
    let told: Vec<_> = views[0].ends.iter().map(|end| (end.id.as_str(), end.card.as_deref(), end.worked_at)).collect();
    assert_eq!(told, [("left", Some("Left"), true), ("right", Some("Right"), false)]);
    let sheet = views[0].sheet;
    bay.cut("left", 0.99, 1.0);
    // Cut through: the other end has its turn, though the level never fell; the sheet that was cut is asked about.
    let views = bay.wait(12.0);
    let last = views.last().unwrap();
    assert_eq!(last.job.as_ref().unwrap().end.as_deref(), Some("right"));
    assert_eq!((last.ask_outcome, last.sheet), (Some(sheet), sheet + 1));
    assert_eq!(last.verdict, Verdict::Tight, "{:?} {:?}", last.why, last.expected);
    assert_eq!(last.ends[0].fraction, Some(1.0));
    all_well("right", &bay.cut("right", 0.0, 0.2));
    // The finished parts are taken off behind shut valves, and the next sheet laid, while the right end is cut.
    bay.valves(LEFT, false);
    assert_eq!(bay.at("left", Command::Unload), Answer::Done);
    bay.truth.lying.remove("left");
    all_well("unloaded", &bay.cut("right", 0.2, 0.4));
    bay.lay("left", &left);
    all_well("laid again", &bay.cut("right", 0.4, 0.45));
    bay.valves(LEFT, true);
    let views = bay.cut("right", 0.45, 0.9);
    all_well("opened again", &views);
    assert!(views.last().unwrap().ends.iter().all(|end| end.card.is_some()));
}

/// The other end is told only when the first is cut through; and one that is taken off half cut is a sheet with its card all the same.
#[test]
fn each_end_is_a_sheet_of_its_own_whenever_it_is_told() {
    let (mut bay, left, right) = cutting_left(0.0);
    let first = bay.cut("left", 0.3, 1.0).last().unwrap().sheet;
    bay.lay("right", &right);
    bay.valves(RIGHT, true);
    let view = bay.wait(12.0).pop().unwrap();
    assert_eq!(view.job.as_ref().unwrap().end.as_deref(), Some("right"));
    assert_eq!((view.ask_outcome, view.sheet), (Some(first), first + 1));
    bay.lay("left", &left);
    bay.cut("right", 0.0, 0.5);
    bay.valves(RIGHT, false);
    bay.kept.clear();
    assert_eq!(bay.at("right", Command::Unload), Answer::Done);
    bay.truth.lying.remove("right");
    let view = bay.wait(12.0).pop().unwrap();
    assert_eq!(view.job.as_ref().unwrap().end.as_deref(), Some("left"));
    assert_eq!((view.ask_outcome, view.sheet), (Some(first + 1), first + 2));
    let sheets: Vec<_> = bay.kept.iter().filter(|(kind, _)| kind == "sheet").map(|(_, body)| body).collect();
    assert!(sheets.len() == 1 && sheets[0].contains("Right"), "{sheets:?}");
}

#[test]
fn a_forecast_counts_in_what_lies_at_the_other_end() {
    let (mut bay, _, right) = cutting_left(0.0);
    bay.lay("right", &right);
    let asked = bay.asked.iter().rev().find(|request| request.card.is_some()).unwrap();
    assert_eq!(asked.card.as_ref().unwrap().name, "Left");
    let beside: Vec<_> = asked.beside.iter().map(|lying| (lying.card.name.as_str(), lying.progress)).collect();
    assert_eq!(beside, [("Right", Progress::START)]);
    assert_eq!(asked.open[0].len(), 4, "its zones are open too");
    bay.valves(RIGHT, true);
    bay.cut("left", 0.3, 1.0);
    bay.wait(1.0);
    let asked = bay.asked.iter().rev().find(|request| request.card.is_some()).unwrap();
    let beside: Vec<_> =
        asked.beside.iter().map(|lying| (lying.card.name.as_str(), lying.progress.fraction())).collect();
    assert_eq!((asked.card.as_ref().unwrap().name.as_str(), beside), ("Right", vec![("Left", 1.0)]));
}

/// While the other end is being loaded, before and after its forecast is there, a loss at the end that is cut is called.
#[test]
fn the_end_that_is_cut_is_never_blanked() {
    for (reckoning, after) in [(60.0, 1.0), (60.0, 20.0), (1.0, 1.5), (1.0, 5.0)] {
        let (mut bay, _, right) = cutting_left(0.5);
        bay.reckoning = reckoning;
        bay.lay("right", &right);
        all_well("beside", &bay.cut("left", 0.3, 0.3 + 0.01 * after));
        // A corner lifts: the least of a row of holes that takes 6 kPa.
        let fall = (1..200)
            .find_map(|hole| {
                bay.truth.hole = Area::from_square_metres(2e-5 * f64::from(hole));
                Some(bay.truth.level - bay.truth.rest()).filter(|fall| *fall > 6_000.0)
            })
            .unwrap();
        assert!((5_000.0..20_000.0).contains(&fall), "{fall}");
        let views = bay.wait(3.0);
        let loose = views.iter().position(|view| view.verdict == Verdict::Loose);
        assert!(loose.is_some_and(|at| at <= 25), "forecast in {reckoning} s, {after} s after: {loose:?}");
    }
}

#[test]
fn what_is_told_of_an_end_must_fit_it() {
    let mut bay = Bay::new(0.0);
    let (left, right) = (card(&bay.setup, "Left", 0, 1210), card(&bay.setup, "Right", 1230, 1210));
    let load = |card: &Card| Command::LoadCard(Box::new(card.clone()));
    assert_eq!(bay.at("right", load(&left)), Answer::Refused("card-of-another-end".to_owned()));
    let unknown = Answer::Unknown { name: "middle".to_owned(), known: vec!["left".to_owned(), "right".to_owned()] };
    assert_eq!(bay.at("middle", load(&left)), unknown);
    assert_eq!(bay.at("left", Command::Progress(ProgressTold::Fraction(0.5))), Answer::Refused("no-job".to_owned()));
    assert_eq!(bay.at("left", Command::Teach), Answer::Refused("not-of-an-end".to_owned()));
    // Without a word the card's place says which end it is for.
    assert_eq!(bay.command(load(&right)), Answer::Done);
    assert_eq!(bay.command(load(&left)), Answer::Done);
    let cards = |bay: &Bay| -> Vec<Option<String>> {
        bay.minder.view_at(moment(bay.now)).ends.into_iter().map(|end| end.card).collect()
    };
    assert_eq!(cards(&bay), [Some("Left".to_owned()), Some("Right".to_owned())]);
    assert_eq!(bay.at("right", Command::Unload), Answer::Done);
    assert_eq!(cards(&bay), [Some("Left".to_owned()), None]);
    // A sheet over both ends takes the place of all.
    let whole = card(&bay.setup, "Whole", 0, 2440);
    assert_eq!(bay.command(load(&right)), Answer::Done);
    assert_eq!(bay.command(load(&whole)), Answer::Done);
    let view = bay.minder.view_at(moment(bay.now));
    assert_eq!((view.job.unwrap().end, cards(&bay)), (None, vec![None, None]));
    assert!(view.zones.iter().all(|zone| zone.told_open));
    // And the program's state can be written down and taken up again.
    assert_eq!(bay.command(load(&left)), Answer::Done);
    let taken = Minder::restore(&bay.minder.snapshot().unwrap()).unwrap();
    assert_eq!(taken.view_at(moment(bay.now)).ends, bay.minder.view_at(moment(bay.now)).ends);
}

/// How far the parts reach: the cards lie where the test says.
#[test]
fn the_cards_lie_on_their_ends() {
    let setup = setup();
    for (name, at, zones) in [("Left", 0, LEFT), ("Right", 1230, RIGHT)] {
        let card = card(&setup, name, at, 1210);
        let under = holdwatch::expectation::zones_under(&setup.table, &card.sheet.rect);
        assert_eq!(under, zones.into_iter().collect());
        let edge = card.parts.iter().map(|part| part.rect.high.x).fold(Length::ZERO, Length::max);
        assert!(edge < card.sheet.rect.high.x);
    }
}

/// A contact at each end, on wires: the end whose contact closes is the one that is worked at, and one that opens at the other end says
/// nothing of it.
#[test]
fn the_contact_of_an_end_says_which_end_is_cut() {
    let (mut bay, at_left, at_right) = with_contacts();
    let (left, right) = (card(&bay.setup, "left doors", 0, 1220), card(&bay.setup, "right doors", 1220, 1220));
    bay.lay("left", &left);
    bay.lay("right", &right);
    let worked = |view: &View| view.ends.iter().find(|end| end.worked_at).map(|end| end.id.clone());
    bay.wait(30.0);
    for (levels, end, cutting) in [
        (0, "left", false),
        (at_right, "right", true),
        (0, "right", false),
        (at_left, "left", true),
        (0, "left", false),
    ] {
        bay.step(Event::Wires(WiresId(0), levels));
        let view = bay.advance();
        let told = view.cutting == CuttingKnown::Told;
        assert_eq!((worked(&view).as_deref(), told), (Some(end), cutting), "levels {levels}");
    }
}

/// The contacts of both ends on wires.
fn with_contacts() -> (Bay, u64, u64) {
    let contact = |end: &str, signal: &str| {
        format!(
            "[[contact]]\nname = \"{end}\"\nport = \"/dev/ttyS9\"\nsignal = \"{signal}\"\nmeans = \"cutting\"\nend = \"{end}\"\n\
             debounce_ms = 0\n"
        )
    };
    let bay = Bay::of(setup_with(&(contact("left", "cts") + &contact("right", "dsr"))), 0.0);
    let bit = |name: &str| {
        let contact = bay.setup.contacts.iter().find(|contact| contact.name == name).unwrap();
        1_u64 << contact.bit
    };
    let (left, right) = (bit("left"), bit("right"));
    (bay, left, right)
}

/// A job that is chosen after the cycle began: the contact has not changed, and is told again all the same.
#[test]
fn a_job_chosen_after_the_cut_began_is_cut() {
    let (mut bay, at_left, _) = with_contacts();
    let left = card(&bay.setup, "Left", 0, 1210);
    bay.step(Event::Wires(WiresId(0), at_left));
    bay.wait(5.0);
    bay.lay("left", &left);
    bay.step(Event::Wires(WiresId(0), at_left));
    assert_eq!(bay.advance().cutting, CuttingKnown::Told);
}

/// Whatever is known of jobs, an end that rests does not speak for the one that is cut.
#[test]
fn an_end_is_cut_whatever_lies_at_the_other() {
    for jobs in [&[][..], &["left"], &["right"]] {
        let (mut bay, at_left, at_right) = with_contacts();
        for end in jobs.iter().copied() {
            let at = if end == "left" { 0 } else { 1230 };
            let card = card(&bay.setup, end, at, 1210);
            bay.lay(end, &card);
        }
        bay.wait(30.0);
        for (levels, end) in [(at_left, "left"), (0, ""), (at_right, "right"), (at_left, "left"), (0, "")] {
            // Told twice, as wires are.
            for _ in 0..2 {
                bay.step(Event::Wires(WiresId(0), levels));
                let view = bay.advance();
                assert_eq!(view.cutting == CuttingKnown::Told, levels != 0, "jobs {jobs:?}, levels {levels}");
                let worked: Vec<String> =
                    view.ends.iter().filter(|end| end.worked_at).map(|end| end.id.clone()).collect();
                // The end that is cut is worked at if a job lies there; at rest the only job waits for its turn.
                let expected: Vec<&str> = jobs.iter().copied().filter(|job| levels == 0 || *job == end).collect();
                assert_eq!(worked, expected, "jobs {jobs:?}, levels {levels}");
                let lying = view.ends.iter().filter(|end| end.card.is_some()).count();
                assert_eq!(lying, jobs.len());
            }
        }
    }
}
