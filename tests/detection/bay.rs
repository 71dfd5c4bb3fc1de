//! The real minder at the simulated table, in made time: no port, no clock, no file but the demo's own.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use holdwatch::alarm::Tag;
use holdwatch::daemon::Brief;
use holdwatch::event::{Action, Actor, Command, CommandId, Event, LineId, Moment, Outcome, ProgressTold, Request};
use holdwatch::expectation::Forecast;
use holdwatch::gauge::Place;
use holdwatch::job::Card;
use holdwatch::minder::{Minder, Remembered};
use holdwatch::moment::{BootId, Span, Steady};
use holdwatch::plant::{Plant, Report, Said, Scene, SheetOutcome, Truth};
use holdwatch::setup::{Setup, read_card, read_setup};
use holdwatch::table::{ClosedForm, Condensed, Table, TableLoad, ZoneMatrix};
use holdwatch::units::Vacuum;
use holdwatch::view::View;

use crate::rig::Chance;

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

    fn forecast(&self, setup: &Setup, request: Request) -> Forecast {
        let brief = Brief::new(setup, request);
        let key = serde_json::to_string(&brief).unwrap();
        let mut known = self.forecasts.lock().unwrap();
        known.entry(key).or_insert_with(|| brief.answer().unwrap()).clone()
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
    pub(crate) actions: Vec<Action>,
}

/// Readings come ten times a second.
pub(crate) const INTERVAL: Span = Span::from_millis(100);

impl<'a> Bay<'a> {
    pub(crate) fn new(shop: &'a Shop, scene: Scene, truth: Truth, seed: u64) -> Self {
        let mut setup = shop.setup.clone();
        setup.gauges[0].place = scene.gauge_place();
        let minder = Minder::new(setup.clone(), Vec::new(), Remembered::default(), moment(Span::ZERO)).unwrap();
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
            actions: Vec::new(),
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
        self.now = Span::from_nanos(self.now.nanos() + INTERVAL.nanos());
        let mut said = Vec::new();
        self.plant.advance(self.now, &mut |report| said.push(report));
        for report in said {
            let at = report.at_s;
            if let Some(command) = self.as_told(report) {
                let late =
                    if matches!(command, Command::Progress(ProgressTold::Fraction(_))) { self.late } else { 0.0 };
                self.held_back.push((at + late, command));
            }
        }
        let now = self.now.secs_f64();
        let (due, later) = std::mem::take(&mut self.held_back).into_iter().partition(|(at, _)| *at <= now);
        self.held_back = later;
        for (_, command) in due {
            self.step(Event::Command(Actor("controller".into()), CommandId(0), command));
        }
        let levels = self.plant.levels();
        let vacuum = levels.at(self.place).vacuum_below(levels.room).pascals();
        let shaking = 80.0 * levels.pump_speed * (std::f64::consts::TAU * (self.ripple * now).fract()).sin();
        let felt = vacuum + self.zero + shaking + 100.0 * self.chance.normal();
        if self.plant.connected() {
            let line = format!("{:.1}\n", felt.clamp(0.0, 100_000.0) / 100.0);
            self.step(Event::Bytes(LineId(0), line.into_bytes()));
        } else {
            self.step(Event::Due);
        }
        self.minder.view_at(moment(self.now))
    }

    pub(crate) fn step(&mut self, event: Event) {
        let mut out = Vec::new();
        self.minder.step(moment(self.now), event, &mut out);
        let asked: Vec<_> = out
            .iter()
            .filter_map(
                |action| if let Action::Compute(id, request) = action { Some((*id, request.clone())) } else { None },
            )
            .collect();
        self.actions.extend(out);
        for (id, request) in asked {
            let forecast = self.shop.forecast(&self.setup, request);
            self.step(Event::Computed(id, Ok(forecast)));
        }
    }

    fn as_told(&self, report: Report) -> Option<Command> {
        match report.what {
            Said::Job { card } => {
                let card = self.shop.cards.iter().find(|one| one.name == card).unwrap();
                Some(Command::LoadCard(Box::new(card.clone())))
            }
            Said::Zones { open } => Some(Command::Open(open)),
            Said::Cutting { cutting } => Some(Command::Progress(ProgressTold::Cutting(cutting))),
            Said::Progress { fraction } => Some(Command::Progress(ProgressTold::Fraction(fraction))),
            Said::Unloaded => Some(Command::Unload),
            Said::Outcome { outcome, part } => {
                let outcome = match outcome {
                    SheetOutcome::Good => Outcome::Good,
                    SheetOutcome::Moved => Outcome::Moved,
                    SheetOutcome::Lost => Outcome::Lost,
                };
                Some(Command::SheetOutcome(outcome, part))
            }
            Said::Scene { .. } | Said::Lamp { .. } | Said::Truth { .. } | Said::Ended => None,
        }
    }
}

pub(crate) fn moment(at: Span) -> Moment {
    Moment { boot: BootId(1), steady: Steady::from_nanos(at.nanos()), civil: None, synced: false }
}
