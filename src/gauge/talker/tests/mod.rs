//! A line by hand: units that answer as told, and a clock that only moves when something is due.
#![expect(clippy::float_cmp, reason = "a number must come back bit by bit as it was sent")]

mod anything;
mod lateness;
mod lights;
mod polls;
mod share;
mod text;

use std::collections::BTreeMap;

use super::*;
use crate::gauge::{
    AsciiTalk, Health, HealthLimits, Motion, NumberKind, Place, Quality, RegisterTable, RegisterTalk, Signal, Talk,
    WordOrder,
};
use crate::lamp::{Colour, Lamp};
use crate::line::{DataBits, LineId, Parity, StopBits};
use crate::modbus::{Asked, Reply, Request, RequestReceiver};
use crate::moment::Span;
use crate::units::{AbsolutePressure, PressureConvention, PressureUnit};

const GAUGE: GaugeId = GaugeId(7);
const UNIT: u8 = 5;
const LIGHT_UNIT: u8 = 9;
const LIMIT: u64 = 200;

fn line(protocol: Protocol) -> LineSettings {
    LineSettings {
        name: "table".into(),
        port: "/dev/null".into(),
        baud: 19_200,
        data_bits: DataBits::Eight,
        parity: Parity::None,
        stop_bits: StopBits::One,
        protocol,
        reply_limit: Span::from_millis(LIMIT),
    }
}

fn gauge_at(unit: u8, talk: Talk, every: u64) -> GaugeSettings {
    GaugeSettings {
        name: format!("gauge {unit}"),
        line: LineId(0),
        place: Place::Manifold,
        zone: None,
        signal: Signal::Digital,
        talk,
        scale: 1.0,
        offset: 0.0,
        unit: PressureUnit::Millibar,
        convention: PressureConvention::Vacuum,
        range: (0.0, 1_000.0),
        every: Span::from_millis(every),
    }
}

fn register(unit: u8, kind: NumberKind, word_order: WordOrder) -> Talk {
    Talk::Register(RegisterTalk { unit, table: RegisterTable::Holding, address: 40, kind, word_order })
}

fn u16_gauge(id: u16, unit: u8, every: u64) -> (GaugeId, GaugeSettings) {
    (GaugeId(id), gauge_at(unit, register(unit, NumberKind::U16, WordOrder::HighFirst), every))
}

fn light() -> LightSettings {
    LightSettings {
        name: "hold-down".into(),
        line: LineId(0),
        unit: LIGHT_UNIT,
        red: Some(0),
        yellow: Some(1),
        green: Some(2),
        blue: None,
        white: Some(3),
        horn: Some(5),
        heartbeat: Some(6),
        feed_hold: None,
    }
}

fn rtu(gauges: Vec<(GaugeId, GaugeSettings)>, lights: Vec<LightSettings>) -> Talker {
    Talker::new(line(Protocol::ModbusRtu), gauges, lights).unwrap()
}

fn one_gauge() -> Talker {
    rtu(vec![u16_gauge(7, UNIT, 100)], vec![])
}

fn millis(at: u64) -> Steady {
    Steady::from_nanos(at * 1_000_000)
}

/// Bytes that arrive so many nanoseconds after the request.
type Answer = Vec<(Span, Vec<u8>)>;

/// What the units on the line do: given a frame and when it was sent, what comes back and when.
trait Units: FnMut(Steady, &[u8]) -> Answer {}
impl<F: FnMut(Steady, &[u8]) -> Answer> Units for F {}

struct World<U> {
    talker: Talker,
    now: Steady,
    units: U,
    air: BTreeMap<(Steady, usize), Vec<u8>>,
    sent: Vec<(Steady, Vec<u8>, Errand)>,
    heard: Vec<(Steady, Heard)>,
    arrivals: usize,
}

impl<U: Units> World<U> {
    fn new(mut talker: Talker, units: U) -> Self {
        let now = millis(1_000);
        talker.line_up(now);
        World { talker, now, units, air: BTreeMap::new(), sent: vec![], heard: vec![], arrivals: 0 }
    }

    fn arrive(&mut self, at: Steady, bytes: Vec<u8>) {
        self.arrivals += 1;
        self.air.insert((at, self.arrivals), bytes);
    }

    /// Lets everything happen that happens up to `end`.
    fn run(&mut self, end: u64) -> &mut Self {
        loop {
            let bytes = self.air.keys().next().map(|(at, _)| *at);
            let Some(next) = self.talker.deadline().into_iter().chain(bytes).min().filter(|at| *at <= millis(end))
            else {
                self.now = millis(end);
                return self;
            };
            self.now = self.now.max(next);
            let mut heard = Vec::new();
            while let Some(first) = self.air.first_entry().filter(|first| first.key().0 <= self.now) {
                self.talker.bytes(self.now, &first.remove(), &mut heard);
            }
            match self.talker.due(self.now, &mut heard) {
                Some((frame, errand)) => self.send(frame, errand),
                None => assert!(self.talker.deadline().is_none_or(|at| at > self.now), "it would spin"),
            }
            self.heard.extend(heard.into_iter().map(|heard| (self.now, heard)));
        }
    }

    fn send(&mut self, frame: Vec<u8>, errand: Errand) {
        for (delay, bytes) in (self.units)(self.now, &frame) {
            self.arrive(self.now.plus(delay), bytes);
        }
        self.sent.push((self.now, frame, errand));
    }

    fn readings(&self) -> Vec<f64> {
        self.heard.iter().filter_map(|(_, heard)| reading(heard)).collect()
    }

    fn count(&self, is: impl Fn(&Heard) -> bool) -> usize {
        self.heard.iter().filter(|(_, heard)| is(heard)).count()
    }
}

fn reading(heard: &Heard) -> Option<f64> {
    match heard {
        Heard::Reading { raw, .. } => Some(*raw),
        Heard::NoReply { .. }
        | Heard::BadCheck { .. }
        | Heard::Exception { .. }
        | Heard::Foreign { .. }
        | Heard::Number { .. }
        | Heard::Bits { .. }
        | Heard::NoInput { .. }
        | Heard::LightWritten { .. }
        | Heard::LightFailed { .. } => None,
    }
}

fn asked(frame: &[u8]) -> Asked {
    let mut receiver = RequestReceiver::default();
    receiver.push(frame);
    receiver.next().expect("every frame sent is sound")
}

fn is_read(frame: &[u8]) -> bool {
    matches!(frame[1], 3 | 4)
}

/// A sound reply in which every register holds `value`.
fn answer(frame: &[u8], value: u16) -> Vec<u8> {
    let asked = asked(frame);
    asked.reply(&match &asked.request {
        Ok(Request::ReadHolding { count, .. } | Request::ReadInput { count, .. }) => {
            Reply::Registers(vec![value; usize::from(*count)])
        }
        Ok(_) => Reply::Done,
        Err(code) => Reply::Exception(*code),
    })
}

fn soon(bytes: Vec<u8>) -> Answer {
    vec![(Span::from_millis(10), bytes)]
}

/// A unit that answers everything at once with 321.
fn honest(_: Steady, frame: &[u8]) -> Answer {
    soon(answer(frame, 321))
}

/// Answers the `n`-th read, counted from 0, as told, and everything else honestly.
fn at_read(n: usize, mut odd: impl FnMut(&[u8]) -> Answer) -> impl Units {
    let mut reads = 0;
    move |_, frame: &[u8]| {
        reads += usize::from(is_read(frame));
        if is_read(frame) && reads == n + 1 { odd(frame) } else { soon(answer(frame, 321)) }
    }
}

fn ascii_talk(request: &[u8], position: usize) -> Talk {
    Talk::Ascii(AsciiTalk { request: request.to_vec(), terminator: b'\n', position })
}

fn talker_of_text(request: &[u8], position: usize) -> Talker {
    let gauge = gauge_at(1, ascii_talk(request, position), 100);
    Talker::new(line(Protocol::AsciiTalker), vec![(GAUGE, gauge)], vec![]).unwrap()
}
