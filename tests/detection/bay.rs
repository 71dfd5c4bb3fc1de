//! The real minder at the simulated table, in made time: no port, no clock, no file but the demo's own.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use holdwatch::cli::as_told;
use holdwatch::daemon::Brief;
use holdwatch::event::{Action, Actor, Command, CommandId, Event, LineId, Moment, ProgressTold, Request, RequestId};
use holdwatch::expectation::{Boards, Forecast, ForecastError};
use holdwatch::gauge::Place;
use holdwatch::job::Card;
use holdwatch::minder::{Minder, Remembered};
use holdwatch::moment::{BootId, Span, Steady};
use holdwatch::plant::{Plant, Report, Scene, Truth};
use holdwatch::setup::{Setup, read_card, read_setup};
use holdwatch::table::field::Resolution;
use holdwatch::table::{ClosedForm, Condensed, Table, TableLoad, ZoneMatrix};
use holdwatch::view::View;

use crate::chance::Chance;

const DEMO: &str = include_str!("../../config/demo.toml");
const CARDS: [&str; 4] = [
    include_str!("../../config/cards/cabinet-sides.toml"),
    include_str!("../../config/cards/drawer-fronts.toml"),
    include_str!("../../config/cards/name-plates.toml"),
    include_str!("../../config/cards/shelves-and-spacer.toml"),
];

/// The demo's setup, its gauge sending lines of text by itself, and its cards.
pub(crate) struct Shop {
    pub(crate) setup: Setup,
    cards: Vec<Card>,
    forecasts: Mutex<BTreeMap<String, Forecast>>,
    condensed: Arc<Mutex<BTreeMap<String, ZoneMatrix>>>,
}

impl Shop {
    pub(crate) fn new() -> Self {
        let mut text =
            DEMO.replace("protocol = \"modbus-rtu\"\nbaud = 19200\nparity = \"none\"", "protocol = \"ascii-talker\"");
        let (before, _) = text.split_once("unit_id = 1\n").unwrap();
        let (_, after) = text.split_once("scale = 0.1\n").unwrap();
        let (after, rest) = after.split_once("[[light]]").unwrap();
        let (_, rest) = rest.split_once("[jobs]").unwrap();
        text = format!("{before}scale = 1\n{after}[jobs]{rest}");
        let setup = read_setup(&text, "demo.toml").unwrap_or_else(|mistakes| panic!("{mistakes}"));
        let cards = CARDS.map(|card| read_card(card, "card", &setup).unwrap_or_else(|mistakes| panic!("{mistakes}")));
        Shop { setup, cards: cards.into(), forecasts: Mutex::default(), condensed: Arc::default() }
    }

    /// By the closed form: the flow field takes seconds for each card.
    fn forecast(&self, setup: &Setup, request: Request) -> Forecast {
        let brief = Brief::new(setup, request, Resolution::default());
        let key = serde_json::to_string(&brief).unwrap();
        let mut known = self.forecasts.lock().unwrap();
        known.entry(key).or_insert_with(|| brief.answer(&boards(&brief)).unwrap()).clone()
    }

    fn plant(&self, scene: Scene, truth: Truth) -> Plant {
        let condensed = Arc::clone(&self.condensed);
        let condense = move |table: &Table, load: &TableLoad| {
            let key = format!("{:?}{load:?}", table.air.room);
            let mut known = condensed.lock().unwrap();
            known.entry(key).or_insert_with(|| ClosedForm::condense(table, load).zones().clone()).clone()
        };
        Plant::new(&self.setup.table, &self.cards, &[scene], truth, Box::new(condense)).unwrap()
    }
}

/// One scene with its truth, seen through a gauge with noise.
pub(crate) struct Bay<'a> {
    shop: &'a Shop,
    pub(crate) minder: Minder,
    setup: Setup,
    plant: Plant,
    chance: Chance,
    pub(crate) now: Span,
    place: Place,
    zero: f64,
    ripple: f64,
    /// Seconds by which the controller's word of the cut's progress comes late.
    late: f64,
    held_back: Vec<(f64, Command)>,
    pub(crate) boot: BootId,
    /// Whether the controller tells how far the cut is.
    pub(crate) tells_progress: bool,
    /// Whether the gauge says its last number again and again.
    pub(crate) hold_number: bool,
    number: String,
    /// Pascals that the level is lower by than the table has it.
    dropped: f64,
    /// Forecasts of jobs that are still being reckoned; if there is no list, each is there at once.
    pub(crate) reckoned_late: Option<Vec<(RequestId, Request)>>,
}

/// Readings come ten times a second.
pub(crate) const INTERVAL: Span = Span::from_millis(100);

impl<'a> Bay<'a> {
    pub(crate) fn new(shop: &'a Shop, scene: Scene, truth: Truth, seed: u64) -> Self {
        let mut setup = shop.setup.clone();
        setup.gauges[0].place = scene.gauge_place();
        let began = Moment { boot: BootId(1), steady: Steady::from_nanos(0), civil: None, synced: false };
        let minder = Minder::new(setup.clone(), Vec::new(), Remembered::default(), began).unwrap();
        let mut chance = Chance::seeded(seed);
        let zero = (chance.uniform() - 0.5) * 500.0;
        let ripple = 5.0 + 45.0 * chance.uniform();
        let mut bay = Bay {
            shop,
            minder,
            plant: shop.plant(scene, truth),
            chance,
            now: Span::ZERO,
            place: scene.gauge_place(),
            setup,
            zero,
            ripple,
            late: 0.0,
            held_back: Vec::new(),
            boot: BootId(1),
            tells_progress: true,
            hold_number: false,
            number: String::new(),
            dropped: 0.0,
            reckoned_late: None,
        };
        bay.step(Event::LineUp(LineId(0)));
        bay
    }

    pub(crate) fn late(self, seconds: f64) -> Self {
        Bay { late: seconds, ..self }
    }

    pub(crate) fn ended(&self) -> bool {
        self.plant.ended()
    }

    /// One interval: the controller's words, then a reading.
    pub(crate) fn advance(&mut self) -> View {
        self.pass(INTERVAL);
        if !self.hold_number {
            let shaking = (std::f64::consts::TAU * (self.ripple * self.now.secs_f64()).fract()).sin();
            let shaking = 80.0 * self.plant.levels().pump_speed * shaking;
            let felt = self.level() + self.zero + shaking + 100.0 * self.chance.normal();
            self.number = format!("{:.1}\n", felt.clamp(0.0, 100_000.0) / 100.0);
        }
        if self.plant.connected() {
            self.step(Event::Bytes(LineId(0), self.number.clone().into_bytes()));
        } else {
            self.step(Event::Due);
        }
        self.minder.view_at(self.moment())
    }

    /// Seconds in which nobody watches, though the table is cut and its controller knows how far.
    pub(crate) fn skip(&mut self, secs: f64) {
        self.now = Span::from_secs_f64(self.now.secs_f64() + secs);
        self.plant.advance(self.now, &mut |_| {});
    }

    /// The level at the gauge, in pascals of vacuum.
    pub(crate) fn level(&self) -> f64 {
        let levels = self.plant.levels();
        levels.at(self.place).vacuum_below(levels.room).pascals() - self.dropped
    }

    /// The level drops by so many pascals.
    pub(crate) fn drop_level(&mut self, pascals: f64) {
        self.dropped += pascals;
    }

    pub(crate) fn command(&mut self, command: Command) {
        self.step(Event::Command(Actor("controller".into()), CommandId(0), command));
    }

    fn pass(&mut self, span: Span) {
        self.now = Span::from_nanos(self.now.nanos() + span.nanos());
        let mut said = Vec::new();
        self.plant.advance(self.now, &mut |report| said.push(report));
        for report in said {
            let at = report.at_s;
            match self.as_told(report) {
                Some(Command::Progress(ProgressTold::Fraction(_))) if !self.tells_progress => {}
                Some(told @ Command::Progress(_)) => self.held_back.push((at + self.late, told)),
                Some(told) => self.held_back.push((at, told)),
                None => {}
            }
        }
        let now = self.now.secs_f64();
        let (due, later) = std::mem::take(&mut self.held_back).into_iter().partition(|(at, _)| *at <= now);
        self.held_back = later;
        for (_, command) in due {
            self.command(command);
        }
    }

    pub(crate) fn step(&mut self, event: Event) {
        let mut out = Vec::new();
        self.minder.step(self.moment(), event, &mut out);
        for action in out {
            if let Action::Compute(id, request) = action {
                if let Some(waiting) = self.reckoned_late.as_mut().filter(|_| request.card.is_some()) {
                    waiting.push((id, request));
                    continue;
                }
                let forecast = self.shop.forecast(&self.setup, request);
                self.step(Event::Computed(id, Ok(forecast)));
            }
        }
    }

    /// The forecasts that were held back are there.
    pub(crate) fn reckon(&mut self) {
        for (id, request) in self.reckoned_late.take().unwrap_or_default() {
            let forecast = self.shop.forecast(&self.setup, request);
            self.step(Event::Computed(id, Ok(forecast)));
        }
    }

    fn moment(&self) -> Moment {
        Moment { boot: self.boot, steady: Steady::from_nanos(self.now.nanos()), civil: None, synced: false }
    }

    /// As the demo's controller tells it, the card itself in place of its name.
    fn as_told(&self, report: Report) -> Option<Command> {
        as_told(report).map(|command| match command {
            Command::LoadNamed(name) => {
                Command::LoadCard(Box::new(self.shop.cards.iter().find(|card| card.name == name).unwrap().clone()))
            }
            other => other,
        })
    }
}

fn boards(brief: &Brief) -> Boards {
    let condense = |load: &TableLoad| Ok::<_, ForecastError>(ClosedForm::condense(&brief.table, load));
    Boards::condense(&brief.table, brief.request.card.as_deref(), &brief.request.lying(), 65, condense).unwrap()
}
