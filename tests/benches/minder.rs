//! How long the minder takes for a step: a minute in the middle of a cut, 10 readings a second and its progress told every
//! second, every event of the line included.
//!
//! `cargo bench --bench minder`; an item is one event, so the time for a step is the inverse of the throughput.
#![allow(clippy::unwrap_used, missing_docs, reason = "a bench panics if what it measures is not there")]

use std::fs;
use std::path::Path;

use divan::Bencher;
use divan::counter::ItemsCount;
use holdwatch::daemon::Brief;
use holdwatch::event::{Action, Actor, Command, CommandId, Event, LineId, ProgressTold};
use holdwatch::minder::{Minder, Remembered};
use holdwatch::modbus::{Reply, Request, RequestReceiver};
use holdwatch::moment::{BootId, Moment, Span, Steady, Utc};
use holdwatch::setup::{Setup, read_card, read_setup};
use holdwatch::table::field::Resolution;

const LINE: LineId = LineId(0);

fn main() {
    divan::main();
}

/// A minder, its time, and a gauge and a light that answer it.
#[derive(Clone)]
struct Table {
    setup: Setup,
    minder: Minder,
    now: Moment,
    wake: Steady,
    asked: Vec<Vec<u8>>,
    /// The level in tenths of a millibar.
    level: u16,
    /// Every event given, and when.
    given: Vec<(Moment, Event)>,
}

impl Table {
    /// A table in the middle of a cut that holds.
    fn in_a_cut() -> Self {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
        let read = |name: &str| fs::read_to_string(root.join(name)).unwrap();
        let setup = read_setup(&read("demo.toml"), "demo.toml").unwrap();
        let card = read_card(&read("cards/cabinet-sides.toml"), "cabinet-sides.toml", &setup).unwrap();
        let civil = Some(Utc::from_micros(1_772_350_200_000_000));
        let now = Moment { boot: BootId(1), steady: Steady::from_nanos(1_000_000_000), civil, synced: true };
        let remembered = Remembered::default();
        let minder = Minder::new(setup.clone(), Vec::new(), remembered, now).unwrap();
        let mut table = Table { setup, minder, now, wake: now.steady, asked: Vec::new(), level: 0, given: Vec::new() };
        table.give(Event::LineUp(LINE));
        table.tell(Command::LoadCard(Box::new(card)));
        table.run(Span::from_secs(5));
        table.level = 7_000;
        table.run(Span::from_secs(30));
        table.tell(Command::Progress(ProgressTold::Fraction(0.3)));
        table.run(Span::from_secs(5));
        table
    }

    fn tell(&mut self, command: Command) {
        self.give(Event::Command(Actor("bench".to_owned()), CommandId(1), command));
    }

    /// Gives an event, and what follows from its actions.
    fn give(&mut self, event: Event) {
        let mut out = Vec::new();
        self.given.push((self.now, event.clone()));
        self.minder.step(self.now, event, &mut out);
        for action in out {
            match action {
                Action::Send(_, bytes, _) => self.asked.push(bytes),
                Action::WakeAt(when) => self.wake = when,
                Action::Compute(id, request) => {
                    let brief = Brief::new(&self.setup, request, Resolution::Preview);
                    let answer = brief.condense().and_then(|boards| brief.answer(&boards));
                    let answer = answer.map_err(|error| error.to_string());
                    self.give(Event::Computed(id, answer));
                }
                Action::Record(_)
                | Action::Show(_)
                | Action::Guide(_)
                | Action::Light(_)
                | Action::Answer(..)
                | Action::Fit(..)
                | Action::ReadCard(..)
                | Action::ReadProgram(..)
                | Action::Switch(..) => {}
            }
        }
    }

    /// Lets time go by; replies come 8 ms after their requests.
    fn run(&mut self, span: Span) {
        let until = self.now.steady.plus(span);
        while self.now.steady < until {
            match self.asked.pop() {
                Some(request) => {
                    self.go_on(Span::from_millis(8));
                    let reply = answer(&request, self.level);
                    self.give(Event::Bytes(LINE, reply));
                }
                None => {
                    let wait = self.wake.since(self.now.steady);
                    self.go_on(wait.max(Span::from_nanos(1000)));
                    self.give(Event::Due);
                }
            }
        }
    }

    fn go_on(&mut self, span: Span) {
        let civil = self.now.civil.map(|civil| Utc::from_micros(civil.micros() + (span.nanos() / 1000).cast_signed()));
        self.now = Moment { steady: self.now.steady.plus(span), civil, ..self.now };
    }
}

fn answer(frame: &[u8], level: u16) -> Vec<u8> {
    let mut receiver = RequestReceiver::default();
    receiver.push(frame);
    let asked = receiver.next().unwrap();
    let reply = match asked.request.as_ref().unwrap() {
        Request::ReadInput { .. } => Reply::Registers(vec![level]),
        _ => Reply::Done,
    };
    asked.reply(&reply)
}

/// Every event of a minute, as they came; the actions are dropped, and the room they took is kept, as the daemon does.
#[divan::bench(sample_count = 50)]
fn a_minute_of_a_cut(bencher: Bencher) {
    let mut table = Table::in_a_cut();
    let before = table.minder.clone();
    table.given.clear();
    for second in 1..=60 {
        table.tell(Command::Progress(ProgressTold::Fraction(0.3 + 0.002 * f64::from(second))));
        table.run(Span::from_secs(1));
    }
    let given = table.given;
    bencher
        .counter(ItemsCount::new(given.len()))
        .with_inputs(|| (before.clone(), given.clone(), Vec::new()))
        .bench_values(|(mut minder, given, mut out)| {
            for (at, event) in given {
                minder.step(at, event, &mut out);
                out.clear();
            }
            minder
        });
}

/// The state as it is kept for a replay.
#[divan::bench]
fn a_snapshot(bencher: Bencher) {
    let table = Table::in_a_cut();
    bencher.bench(|| table.minder.snapshot());
}
