//! A line by hand: units that answer as told, and a clock that only moves when something is due.

use std::collections::BTreeMap;

use proptest::prelude::*;

use super::*;
use crate::gauge::{
    AsciiTalk, Health, HealthLimits, Motion, NumberKind, Place, Quality, RegisterTable, RegisterTalk, Talk, WordOrder,
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

#[test]
fn a_gauge_is_read_at_its_own_pace() {
    let mut world = World::new(rtu(vec![u16_gauge(1, 1, 100), u16_gauge(2, 2, 250)], vec![]), honest);
    world.run(11_000);
    let count = |id| world.count(|heard| *heard == Heard::Reading { gauge: GaugeId(id), raw: 321.0 });
    assert!((99..=101).contains(&count(1)), "{}", count(1));
    assert!((40..=41).contains(&count(2)), "{}", count(2));
    assert_eq!(world.readings().len(), world.heard.len());
}

#[test]
fn the_first_request_waits_for_silence_and_asks_whether_anything_is_owed() {
    let mut world = World::new(one_gauge(), honest);
    world.run(1_500);
    assert_eq!(world.sent[0].0, millis(1_020));
    assert_eq!(world.sent[0].1[1], 8);
    assert!(world.sent[1..].iter().all(|(_, frame, _)| is_read(frame)));
}

#[test]
fn between_two_requests_lies_the_silent_interval() {
    let mut world = World::new(rtu((1..=8).map(|unit| u16_gauge(unit.into(), unit, 20)).collect(), vec![]), honest);
    world.run(3_000);
    let silent = crate::modbus::silent_interval(&line(Protocol::ModbusRtu));
    for pair in world.sent.windows(2) {
        assert!(pair[1].0 >= pair[0].0.plus(Span::from_millis(10)).plus(silent));
    }
    assert!(world.sent.len() > 100);
}

/// Every kind of number, word order, unit and convention: a level of 25 kPa in a room of 100 kPa comes out as that.
#[test]
fn every_way_of_writing_a_level_comes_out_as_the_same_level() {
    let room = AbsolutePressure::from_pascals(100_000.0);
    for kind in [NumberKind::U16, NumberKind::I16, NumberKind::U32, NumberKind::I32, NumberKind::F32] {
        for word_order in [WordOrder::HighFirst, WordOrder::LowFirst] {
            for unit in PressureUnit::ALL {
                for (convention, pascals) in [
                    (PressureConvention::Absolute, 75_000.0),
                    (PressureConvention::Gauge, -25_000.0),
                    (PressureConvention::Vacuum, 25_000.0),
                ] {
                    let unsigned = matches!(kind, NumberKind::U16 | NumberKind::U32);
                    let value = pascals / unit.pascals();
                    let scale = value / if unsigned { 20_000.0 } else { 20_000.0_f64.copysign(value) };
                    let settings = GaugeSettings {
                        scale,
                        unit,
                        convention,
                        range: (-110_000.0 / unit.pascals(), 110_000.0 / unit.pascals()),
                        ..gauge_at(UNIT, register(UNIT, kind, word_order), 100)
                    };
                    let registers = kind.write(word_order, value / scale);
                    let talker = rtu(vec![(GAUGE, settings.clone())], vec![]);
                    let mut world = World::new(talker, |_: Steady, frame: &[u8]| {
                        let asked = asked(frame);
                        let reply = if is_read(frame) { Reply::Registers(registers.clone()) } else { Reply::Done };
                        soon(asked.reply(&reply))
                    });
                    world.run(1_090);
                    let mut health = Health::new(settings.clone(), HealthLimits::of(&settings));
                    let judged = health.judge(world.now, world.readings()[0], room, Motion::Unknown);
                    assert!((judged.vacuum.unwrap().pascals() - 25_000.0).abs() < 1e-6, "{kind:?} {unit} {judged:?}");
                    assert_eq!(judged.quality, Quality::Good);
                }
            }
        }
    }
}

#[test]
fn both_register_tables_are_asked_by_their_own_function() {
    for (table, function) in [(RegisterTable::Holding, 3), (RegisterTable::Input, 4)] {
        let (kind, word_order) = (NumberKind::F32, WordOrder::HighFirst);
        let talk = Talk::Register(RegisterTalk { unit: UNIT, table, address: 0x1234, kind, word_order });
        let mut world = World::new(rtu(vec![(GAUGE, gauge_at(UNIT, talk, 100))], vec![]), honest);
        world.run(1_200);
        assert_eq!(world.sent[1].1[..6], [UNIT, function, 0x12, 0x34, 0, 2]);
        assert!(!world.readings().is_empty());
    }
}

#[test]
fn a_reply_cut_anywhere_costs_one_reading_and_no_more() {
    for kept in 0..7 {
        let mut world = World::new(one_gauge(), at_read(2, |frame| soon(answer(frame, 999)[..kept].to_vec())));
        world.run(3_000);
        assert!(world.readings().iter().all(|raw| *raw == 321.0), "{kept}");
        assert!(world.readings().len() > 14, "{kept}: {}", world.readings().len());
        let (cut, none) = (Heard::BadCheck { gauge: GAUGE }, Heard::NoReply { gauge: GAUGE });
        assert_eq!(world.count(|heard| *heard == cut), usize::from(kept > 0), "{kept}");
        assert_eq!(world.count(|heard| *heard == none), usize::from(kept == 0), "{kept}");
    }
}

#[test]
fn a_reply_cut_anywhere_and_the_rest_late_is_no_value() {
    for kept in 0..7 {
        for late in [1, 150, 195, 205, 215, 230, 300] {
            let mut world = World::new(
                one_gauge(),
                at_read(2, |frame| {
                    let whole = answer(frame, 321);
                    vec![(Span::ZERO, whole[..kept].to_vec()), (Span::from_millis(late), whole[kept..].to_vec())]
                }),
            );
            world.run(3_000);
            let lost = world.count(|heard| matches!(heard, Heard::NoReply { .. } | Heard::BadCheck { .. }));
            assert_eq!(lost, usize::from(late > LIMIT), "{kept} {late}");
            assert!(world.readings().len() > 14);
        }
    }
}

#[test]
fn a_wrong_bit_anywhere_is_never_a_value() {
    for bit in 0..7 * 8 {
        let mut world = World::new(
            one_gauge(),
            at_read(2, |frame| {
                let mut reply = answer(frame, 321);
                reply[bit / 8] ^= 1 << (bit % 8);
                soon(reply)
            }),
        );
        world.run(3_000);
        assert!(world.readings().iter().all(|raw| *raw == 321.0), "bit {bit}");
        assert_eq!(world.count(|heard| *heard == Heard::BadCheck { gauge: GAUGE }), 1, "bit {bit}");
        assert!(world.readings().len() > 14, "bit {bit}");
    }
}

/// One bad check word in a hundred, one in five, and nothing else: no value ever, the rest right.
#[test]
fn bad_check_words_are_counted_and_the_rest_is_read() {
    for every in [100, 5, 1] {
        let mut reads = 0;
        let mut world = World::new(one_gauge(), |_: Steady, frame: &[u8]| {
            let mut reply = answer(frame, 321);
            reads += usize::from(is_read(frame));
            if is_read(frame) && reads % every == 0 {
                reply[3] ^= 0x40;
            }
            soon(reply)
        });
        world.run(60_000);
        let (good, bad) = (world.readings().len(), world.count(|heard| *heard == Heard::BadCheck { gauge: GAUGE }));
        assert!(world.readings().iter().all(|raw| *raw == 321.0));
        assert_eq!(bad, (good + bad) / every, "{every}");
        assert!(bad > 3 && (every == 1 || good > 100), "{every}: {good} {bad}");
    }
}

#[test]
fn bytes_may_come_one_at_a_time_with_gaps() {
    for gap in [1, 2, 5, 10, 20, 25] {
        let mut world = World::new(one_gauge(), |_: Steady, frame: &[u8]| {
            let reply = answer(frame, 321).into_iter().zip(1..);
            reply.map(|(byte, n)| (Span::from_millis(n * gap), vec![byte])).collect()
        });
        world.run(5_000);
        assert_eq!(world.readings().len(), world.heard.len(), "{gap}");
        assert!(world.readings().len() > 15, "{gap}");
    }
}

#[test]
fn what_answers_something_else_is_foreign_and_no_value() {
    let read = |unit, function: u8, count| {
        let request = match function {
            3 => Request::ReadHolding { address: 40, count },
            _ => Request::ReadInput { address: 40, count },
        };
        request.reply_frame(unit, &Reply::Registers(vec![999; usize::from(count)]))
    };
    for (foreign, unit, function) in [
        (read(UNIT + 1, 3, 1), UNIT + 1, 3),
        (read(UNIT, 4, 1), UNIT, 4),
        (read(UNIT, 3, 2), UNIT, 3),
        (read(UNIT, 3, 120), UNIT, 3),
        (Request::WriteCoil { address: 0, on: true }.reply_frame(UNIT, &Reply::Done), UNIT, 5),
        (
            Request::ReadInput { address: 0, count: 1 }.reply_frame(UNIT, &Reply::Exception(ExceptionCode(2))),
            UNIT,
            0x84,
        ),
    ] {
        for instead in [true, false] {
            let mut world = World::new(
                one_gauge(),
                at_read(2, |frame| {
                    let honest = if instead { vec![] } else { answer(frame, 321) };
                    soon([foreign.clone(), honest].concat())
                }),
            );
            world.run(3_000);
            assert!(world.readings().iter().all(|raw| *raw == 321.0), "{foreign:?}");
            assert_eq!(world.count(|heard| *heard == Heard::Foreign { unit, function }), 1);
            assert_eq!(world.count(|heard| *heard == Heard::NoReply { gauge: GAUGE }), usize::from(instead));
            assert!(world.readings().len() > 14);
        }
    }
}

#[test]
fn swapped_replies_of_two_units_are_no_values() {
    let mut world =
        World::new(rtu(vec![u16_gauge(1, 1, 100), u16_gauge(2, 2, 100)], vec![]), |_: Steady, frame: &[u8]| {
            let mut swapped = asked(frame);
            swapped.unit = 3 - swapped.unit;
            soon(swapped.reply(&if is_read(frame) { Reply::Registers(vec![321]) } else { Reply::Done }))
        });
    world.run(10_000);
    assert!(world.readings().is_empty());
    assert!(world.count(|heard| matches!(heard, Heard::Foreign { .. })) > 5);
}

#[test]
fn a_stray_byte_before_the_reply_hides_nothing() {
    for stray in 0..=255 {
        let mut world =
            World::new(one_gauge(), |_: Steady, frame: &[u8]| soon([vec![stray], answer(frame, 321)].concat()));
        world.run(3_000);
        assert_eq!(world.readings().len(), world.heard.len(), "{stray}");
        assert!(world.readings().len() > 18, "{stray}");
    }
}

#[test]
fn an_adapter_that_echoes_every_request_does_no_harm() {
    let mut world =
        World::new(one_gauge(), |_: Steady, frame: &[u8]| soon([frame.to_vec(), answer(frame, 321)].concat()));
    world.run(3_000);
    assert!(world.readings().len() > 18);
    assert!(world.readings().iter().all(|raw| *raw == 321.0));
}

#[test]
fn a_unit_that_answers_twice_is_still_read() {
    let mut world =
        World::new(one_gauge(), |_: Steady, frame: &[u8]| soon([answer(frame, 321), answer(frame, 321)].concat()));
    world.run(3_000);
    assert!(world.readings().len() > 15, "{}", world.readings().len());
}

/// A unit that answers in order, each answer `late` behind its request but those before it first; the value is the
/// number of the read request. It may ignore functions that it does not know.
fn slow_unit(late: impl Fn(u16) -> Span, ignores_loopback: bool) -> impl Units {
    let (mut reads, mut free) = (0_u16, Steady::default());
    move |at, frame: &[u8]| {
        reads += u16::from(is_read(frame));
        if !is_read(frame) && ignores_loopback {
            return vec![];
        }
        free = free.max(at.plus(late(reads)));
        vec![(free.since(at), answer(frame, reads))]
    }
}

fn check_no_late_value<U: Units>(mut world: World<U>, end: u64, most_silent: u64) {
    world.run(end);
    let mut last = millis(1_000);
    for (at, heard) in &world.heard {
        if let Some(raw) = reading(heard) {
            let asked = world.sent.iter().filter(|(sent, frame, _)| sent <= at && is_read(frame)).count();
            assert_eq!(raw, asked as f64, "a reply to request {raw} was taken for the answer to {asked}");
            assert!(at.since(last) <= Span::from_millis(most_silent), "silent from {last:?} to {at:?}");
            last = *at;
        }
    }
    assert!(millis(end).since(last) <= Span::from_millis(most_silent), "silent from {last:?} to the end");
}

#[test]
fn one_late_reply_never_becomes_a_value_whatever_its_lateness() {
    for late in 0..1_300 {
        let delay = |n| Span::from_millis(if n == 5 { late } else { 10 });
        check_no_late_value(World::new(one_gauge(), slow_unit(delay, false)), 8_000, late + 1_900);
        check_no_late_value(World::new(one_gauge(), slow_unit(delay, true)), 8_000, late + 1_900);
    }
}

#[test]
fn many_late_replies_never_become_values() {
    for late in (0..1_200).step_by(7) {
        for every in [2, 3, 5] {
            let delay = |n| Span::from_millis(if n % every == 0 { late } else { 10 });
            check_no_late_value(World::new(one_gauge(), slow_unit(delay, false)), 20_000, 2 * late + 4_000);
            check_no_late_value(World::new(one_gauge(), slow_unit(delay, true)), 20_000, 2 * late + 4_000);
        }
    }
}

#[test]
fn a_unit_that_is_always_too_late_gives_no_value_at_all() {
    for late in (205..900).step_by(13) {
        let mut world = World::new(one_gauge(), slow_unit(|_| Span::from_millis(late), false));
        world.run(20_000);
        assert!(world.readings().is_empty(), "{late}");
        assert!(world.count(|heard| matches!(heard, Heard::NoReply { .. } | Heard::BadCheck { .. })) > 8);
    }
}

#[test]
fn two_gauges_in_one_unit_are_not_taken_for_each_other() {
    let first = u16_gauge(1, UNIT, 100);
    let mut second = u16_gauge(2, UNIT, 100);
    second.1.talk = Talk::Register(RegisterTalk {
        unit: UNIT,
        table: RegisterTable::Holding,
        address: 41,
        kind: NumberKind::U16,
        word_order: WordOrder::HighFirst,
    });
    for late in (0..1_300).step_by(3) {
        let (mut reads, mut free) = (0, Steady::default());
        let units = |at: Steady, frame: &[u8]| {
            reads += usize::from(is_read(frame));
            let delay = if reads == 5 && is_read(frame) { late } else { 5 };
            free = free.max(at.plus(Span::from_millis(delay)));
            vec![(free.since(at), answer(frame, u16::from(frame[3])))]
        };
        let mut world = World::new(rtu(vec![first.clone(), second.clone()], vec![]), units);
        world.run(6_000);
        for (_, heard) in &world.heard {
            if let Heard::Reading { gauge, raw } = heard {
                assert_eq!(*raw, f64::from(39 + gauge.0), "{late}");
            }
        }
        assert!(world.readings().len() > 40);
    }
}

#[test]
fn a_reply_to_the_process_before_is_no_value() {
    for late in 0..400 {
        let mut world = World::new(one_gauge(), honest);
        let before = Request::ReadHolding { address: 40, count: 1 }.reply_frame(UNIT, &Reply::Registers(vec![999]));
        world.arrive(millis(1_000).plus(Span::from_nanos(late * 100_000)), before);
        world.run(1_600);
        if late < 300 {
            assert!(world.readings().iter().all(|raw| *raw == 321.0), "{late}");
            assert!(!world.readings().is_empty());
        }
    }
}

#[test]
fn exceptions_are_told_and_heeded() {
    for (code, least, most) in [
        (1, 1, 3),
        (2, 1, 3),
        (3, 1, 3),
        (4, 9, 11),
        (5, 30, 40),
        (6, 30, 40),
        (8, 9, 11),
        (10, 9, 11),
        (11, 9, 11),
        (99, 9, 11),
    ] {
        let mut world = World::new(one_gauge(), |_: Steady, frame: &[u8]| {
            let code = ExceptionCode(code);
            soon(if is_read(frame) { asked(frame).refusal(code) } else { answer(frame, 0) })
        });
        world.run(11_000);
        let told = world.count(|heard| *heard == Heard::Exception { gauge: GAUGE, code: ExceptionCode(code) });
        assert_eq!(told, world.heard.len());
        assert!((least..=most).contains(&told), "{code}: {told}");
    }
}

#[test]
fn a_unit_without_loopback_that_says_so_is_read_all_the_same() {
    let mut world = World::new(one_gauge(), |_: Steady, frame: &[u8]| {
        soon(if is_read(frame) { answer(frame, 321) } else { asked(frame).refusal(ExceptionCode::ILLEGAL_FUNCTION) })
    });
    world.run(2_000);
    assert!(world.readings().len() > 8);
    assert_eq!(world.readings().len(), world.heard.len());
}

#[test]
fn a_unit_that_was_dead_for_long_is_back_within_five_seconds() {
    for silent_for in [300, 1_000, 5_000, 60_000] {
        for ignores in [false, true] {
            let mut world = World::new(one_gauge(), |at: Steady, frame: &[u8]| {
                let dead = (millis(2_000)..millis(2_000 + silent_for)).contains(&at);
                if dead || (ignores && !is_read(frame)) { vec![] } else { soon(answer(frame, 321)) }
            });
            world.run(2_000 + silent_for);
            let before = world.readings().len();
            world.run(2_000 + silent_for + 5_000);
            assert!(world.readings().len() > before + 10, "{silent_for} {ignores}");
        }
    }
}

#[test]
fn a_dead_gauge_does_not_silence_its_neighbour() {
    let gauges = vec![u16_gauge(1, 1, 100), u16_gauge(2, 2, 100)];
    let mut world = World::new(
        rtu(gauges, vec![]),
        |_: Steady, frame: &[u8]| {
            if frame[0] == 1 { vec![] } else { soon(answer(frame, 321)) }
        },
    );
    world.run(61_000);
    assert!(world.readings().len() > 400, "{}", world.readings().len());
    let longest =
        world.heard.iter().filter(|(_, heard)| reading(heard).is_some()).map(|(at, _)| *at).collect::<Vec<_>>();
    assert!(longest.windows(2).all(|pair| pair[1].since(pair[0]) < Span::from_millis(700)));
}

#[test]
fn endless_garbage_is_dropped_in_bounded_memory_and_the_gauge_is_back_after_it() {
    let babble = millis(1_300)..millis(6_300);
    for seed in 0..20_u64 {
        let mut world = World::new(
            one_gauge(),
            |at: Steady, frame: &[u8]| {
                if babble.contains(&at) { vec![] } else { soon(answer(frame, 321)) }
            },
        );
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15).wrapping_add(1);
        for millisecond in 1_300..6_300 {
            let bytes = (0..50).map(|_| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                state.to_be_bytes()[1]
            });
            world.arrive(millis(millisecond), bytes.collect());
        }
        for millisecond in (1_300..6_300).step_by(50) {
            world.run(millisecond);
            assert!(serde_json::to_vec(&world.talker).unwrap().len() < 4_000);
        }
        world.run(6_300);
        assert!(world.readings().iter().all(|raw| *raw == 321.0));
        assert!(world.count(|heard| *heard == Heard::BadCheck { gauge: GAUGE }) > 2);
        let before = world.readings().len();
        world.run(8_300);
        assert!(world.readings().len() > before, "seed {seed}");
    }
}

#[test]
fn a_lost_line_is_silent_and_starts_anew() {
    let mut world =
        World::new(one_gauge(), |_: Steady, frame: &[u8]| vec![(Span::from_millis(50), answer(frame, 321))]);
    world.run(1_700);
    let sent = world.sent.len();
    world.talker.line_lost(millis(1_700));
    assert_eq!(world.talker.deadline(), None);
    world.run(5_000);
    assert_eq!(world.sent.len(), sent);
    world.talker.line_up(millis(5_000));
    world.run(6_000);
    assert_eq!(world.sent[sent].1[1], 8);
    assert!(world.sent.len() > sent + 5);
}

#[test]
fn a_light_is_set_at_once_and_again_within_every_second() {
    let mut world = World::new(rtu(vec![u16_gauge(1, 1, 100)], vec![light()]), honest);
    world.talker.show(Pattern::only(Colour::Green, Lamp::Steady));
    world.run(10_250);
    let coils = |world: &World<_>, since: u64| -> Vec<(Steady, Vec<bool>)> {
        let written =
            world.sent.iter().filter(|(at, frame, _)| frame[..4] == [LIGHT_UNIT, 15, 0, 0] && *at >= millis(since));
        written.map(|(at, frame, _)| (*at, asked(frame).request.unwrap().coils().unwrap())).collect()
    };
    let green = coils(&world, 0);
    assert!(green.iter().all(|(_, on)| on == &[false, false, true, false]));
    assert!(green.windows(2).all(|pair| pair[1].0.since(pair[0].0) < Span::from_secs(1)));
    world.talker.show(Pattern::only(Colour::Red, Lamp::Steady));
    world.run(10_400);
    let red = coils(&world, 10_250);
    assert_eq!(red[0].1, [true, false, false, false]);
    assert!(red[0].0 < millis(10_300), "{:?}", red[0].0);
    assert!(world.count(|heard| *heard == Heard::LightWritten { light: 0 }) > 10);
    assert_eq!(world.count(|heard| matches!(heard, Heard::LightFailed { .. })), 0);
}

#[test]
fn flashing_and_heartbeat_are_driven_by_time() {
    let mut world = World::new(rtu(vec![], vec![light()]), honest);
    world.talker.show(Pattern::only(Colour::Yellow, Lamp::Flashing));
    world.run(21_000);
    let mut yellow = Vec::new();
    let mut beat = Vec::new();
    for (at, frame, _) in &world.sent {
        let Some(on) = asked(frame).request.unwrap().coils() else { continue };
        let row = if frame[3] == 0 { &mut yellow } else { &mut beat };
        let state = on[1];
        if row.last().is_none_or(|(_, before)| *before != state) {
            row.push((*at, state));
        }
    }
    for (changes, expected, period) in [(&yellow, 40, 500), (&beat, 20, 1_000)] {
        assert!((expected - 1..=expected + 1).contains(&changes.len()), "{}", changes.len());
        for pair in changes[1..].windows(2) {
            let gap = pair[1].0.since(pair[0].0).nanos() / 1_000_000;
            assert!(gap.abs_diff(period) <= 30, "{gap} is not {period}");
        }
    }
}

#[test]
fn lights_go_first_and_polls_are_not_starved() {
    let mut lights = vec![];
    for n in 0..6 {
        lights.push(LightSettings { name: format!("light {n}"), unit: 20 + n, red: Some(10), ..light() });
    }
    let mut world = World::new(rtu(vec![u16_gauge(1, 1, 40)], lights), honest);
    world.talker.show(Pattern::only(Colour::Yellow, Lamp::Flashing));
    world.run(11_000);
    let mut since = millis(1_500);
    for (at, heard) in world.heard.iter().filter(|(at, _)| *at > millis(1_500)) {
        if reading(heard).is_some() {
            assert!(at.since(since) < Span::from_millis(120), "no reading from {since:?} to {at:?}");
            since = *at;
        }
    }
    let first = world.sent.iter().position(|(_, _, errand)| *errand == Errand::Light);
    assert_eq!(first, Some(0));
}

#[test]
fn a_light_that_is_gone_is_told_and_does_not_silence_the_gauge() {
    let mut world = World::new(rtu(vec![u16_gauge(1, 1, 100)], vec![light()]), |_: Steady, frame: &[u8]| {
        if frame[0] == LIGHT_UNIT { vec![] } else { soon(answer(frame, 321)) }
    });
    world.run(31_000);
    assert!(world.readings().len() > 200, "{}", world.readings().len());
    assert!(world.count(|heard| *heard == Heard::LightFailed { light: 0 }) > 10);
    assert_eq!(world.count(|heard| matches!(heard, Heard::LightWritten { .. })), 0);
}

#[test]
fn a_light_that_refuses_has_failed() {
    let mut world = World::new(rtu(vec![], vec![light()]), |_: Steady, frame: &[u8]| {
        let asked = asked(frame);
        soon(if frame[1] == 15 { asked.refusal(ExceptionCode::ILLEGAL_ADDRESS) } else { answer(frame, 0) })
    });
    world.run(31_000);
    let failed = world.count(|heard| *heard == Heard::LightFailed { light: 0 });
    assert!((5..=14).contains(&failed), "{failed}");
}

#[test]
fn dark_frames_switch_every_coil_off() {
    let lights = vec![light(), LightSettings { unit: 10, white: Some(4), heartbeat: None, ..light() }];
    let talker = rtu(vec![u16_gauge(1, 1, 100)], lights);
    let off: Vec<(u8, Request)> =
        talker.dark_frames().iter().map(|frame| (frame[0], asked(frame).request.unwrap())).collect();
    assert_eq!(
        off,
        [
            (9, Request::WriteCoils { address: 0, on: vec![false; 4] }),
            (9, Request::WriteCoils { address: 5, on: vec![false; 2] }),
            (10, Request::WriteCoils { address: 0, on: vec![false; 3] }),
            (10, Request::WriteCoils { address: 4, on: vec![false; 2] }),
        ]
    );
}

#[test]
fn what_cannot_share_a_line_is_refused() {
    let modbus = line(Protocol::ModbusRtu);
    let text = line(Protocol::AsciiTalker);
    let new = |line: &LineSettings, gauges, lights| Talker::new(line.clone(), gauges, lights).unwrap_err();
    let shared = LightSettings { unit: 1, ..light() };
    let ascii = |id| (GaugeId(id), gauge_at(1, ascii_talk(b"?\r", 0), 100));
    assert!(matches!(new(&modbus, vec![u16_gauge(1, 1, 100)], vec![shared]), UnfitLine::SharedUnit { unit: 1, .. }));
    assert!(matches!(new(&modbus, vec![u16_gauge(1, 0, 100)], vec![]), UnfitLine::Unit { unit: 0, .. }));
    assert!(matches!(new(&modbus, vec![u16_gauge(1, 248, 100)], vec![]), UnfitLine::Unit { unit: 248, .. }));
    let nowhere = LightSettings { unit: 0, ..light() };
    assert!(matches!(new(&modbus, vec![], vec![nowhere]), UnfitLine::Unit { unit: 0, .. }));
    assert!(matches!(new(&modbus, vec![ascii(1)], vec![]), UnfitLine::Language(_)));
    assert!(matches!(new(&text, vec![u16_gauge(1, 1, 100)], vec![]), UnfitLine::Language(_)));
    assert!(matches!(new(&text, vec![ascii(1), ascii(2)], vec![]), UnfitLine::OneTalker(2)));
    assert!(matches!(new(&text, vec![ascii(1)], vec![light()]), UnfitLine::LightOnText(_)));
    assert!(matches!(new(&modbus, vec![u16_gauge(1, 1, 0)], vec![]), UnfitLine::NoPause(_)));
}

fn ascii_talk(request: &[u8], position: usize) -> Talk {
    Talk::Ascii(AsciiTalk { request: request.to_vec(), terminator: b'\n', position })
}

fn talker_of_text(request: &[u8], position: usize) -> Talker {
    let gauge = gauge_at(1, ascii_talk(request, position), 100);
    Talker::new(line(Protocol::AsciiTalker), vec![(GAUGE, gauge)], vec![]).unwrap()
}

#[test]
fn a_talker_that_is_asked_gives_its_number() {
    let mut world = World::new(talker_of_text(b"PR1\r", 1), |_: Steady, _: &[u8]| {
        vec![(Span::from_millis(5), b"ch 1: ".to_vec()), (Span::from_millis(9), b"-0.812 bar\r\nOK\r\n".to_vec())]
    });
    world.run(2_200);
    assert!(world.sent.iter().all(|(_, request, errand)| request == b"PR1\r" && *errand == Errand::Poll));
    assert!(world.readings().len() >= 9);
    assert!(world.readings().iter().all(|raw| *raw == -0.812));
    assert_eq!(world.readings().len(), world.heard.len());
}

#[test]
fn a_line_of_text_cut_anywhere_is_never_a_wrong_value() {
    let whole = b"812.5 mbar\n";
    for kept in 0..whole.len() {
        let mut asked = 0;
        let mut world = World::new(talker_of_text(b"?", 0), |_: Steady, _: &[u8]| {
            asked += 1;
            soon(if asked == 3 { whole[..kept].to_vec() } else { whole.to_vec() })
        });
        world.run(4_000);
        assert!(world.readings().iter().all(|raw| *raw == 812.5), "{kept}");
        assert_eq!(world.heard.len() - world.readings().len(), 1, "{kept}");
        assert!(world.readings().len() > 10, "{kept}");
    }
}

#[test]
fn a_late_line_never_becomes_a_value() {
    for late in 1..1_150 {
        let (mut asked, mut free) = (0, Steady::default());
        let mut world = World::new(talker_of_text(b"?", 0), |at: Steady, _: &[u8]| {
            asked += 1;
            free = free.max(at.plus(Span::from_millis(if asked == 4 { late } else { 10 })));
            vec![(free.since(at), format!("{asked} mbar\n").into_bytes())]
        });
        world.run(6_000);
        for (at, heard) in &world.heard {
            if let Some(raw) = reading(heard) {
                let asked = world.sent.iter().filter(|(sent, ..)| sent < at).count();
                assert_eq!(raw, asked as f64, "late by {late} ms");
            }
        }
        assert!(world.readings().len() > 20, "late by {late} ms");
    }
}

#[test]
fn a_talker_that_sends_by_itself_is_heard_and_missed() {
    let mut world = World::new(talker_of_text(b"", 0), |_: Steady, _: &[u8]| vec![]);
    for n in 0..20 {
        world.arrive(millis(1_040 + 50 * n), format!("{}", 700 + n).into_bytes());
        world.arrive(millis(1_045 + 50 * n), b" mbar\r\n".to_vec());
    }
    world.run(2_050);
    assert!(world.sent.is_empty());
    assert_eq!(world.readings(), (701..720).map(f64::from).collect::<Vec<f64>>(), "the first may be half a line");
    assert_eq!(world.heard.len(), 19);
    world.run(4_000);
    assert_eq!(world.count(|heard| *heard == Heard::NoReply { gauge: GAUGE }), 10);
}

#[test]
fn lines_without_the_number_and_lines_without_end_are_bad_checks() {
    let mut world = World::new(talker_of_text(b"", 0), |_: Steady, _: &[u8]| vec![]);
    for n in 0..200 {
        world.arrive(millis(1_000 + 10 * n), vec![b'7'; 97]);
    }
    world.run(3_000);
    assert!(serde_json::to_vec(&world.talker).unwrap().len() < 3_000);
    assert!(world.readings().is_empty());
    assert_eq!(
        world.count(|heard| *heard == Heard::NoReply { gauge: GAUGE }),
        10,
        "nothing to read before a first end"
    );
    world.arrive(millis(3_001), b"\n".to_vec());
    for n in 0..10 {
        world.arrive(millis(3_010 + 100 * n), b"-- ERR --\n".to_vec());
    }
    world.arrive(millis(4_020), [vec![b'9'; 5_000], b"\n123.5\n".to_vec()].concat());
    world.run(4_030);
    assert_eq!(world.readings(), [123.5]);
    assert!(world.count(|heard| *heard == Heard::BadCheck { gauge: GAUGE }) >= 4);
}

fn any_bytes() -> impl Strategy<Value = Vec<(u64, Vec<u8>)>> {
    let piece = (0..400_u64, prop::collection::vec(any::<u8>(), 0..40));
    let reply = (0..400_u64, (1..4_u8, 0..3_u16)).prop_map(|(gap, (unit, count))| {
        let request = Request::ReadHolding { address: 40, count };
        (gap, request.reply_frame(unit, &Reply::Registers(vec![60_000; usize::from(count)])))
    });
    prop::collection::vec(prop_oneof![piece, reply], 0..60)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Whatever comes in: no panic, no endless loop, little memory, and to a gauge only reads and loopbacks.
    #[test]
    fn whatever_comes_in_a_gauge_is_only_ever_read(pieces in any_bytes(), lost in any::<bool>()) {
        let talker = rtu(vec![u16_gauge(1, 1, 50), u16_gauge(2, 2, 130)], vec![light()]);
        let mut world = World::new(talker, |_: Steady, frame: &[u8]| {
            if frame[0] == 2 || frame[0] == LIGHT_UNIT { soon(answer(frame, 321)) } else { vec![] }
        });
        let mut at = 1_000;
        for (gap, bytes) in pieces {
            at += gap;
            world.arrive(millis(at), bytes);
        }
        world.run(at / 2 + 500);
        if lost {
            world.talker.line_lost(world.now);
            world.talker.line_up(world.now);
        }
        world.run(at + 100);
        for (_, frame, errand) in &world.sent {
            let reads = matches!(frame[1], 3 | 8);
            let expected = if frame[0] == LIGHT_UNIT { Errand::Light } else { Errand::Poll };
            prop_assert_eq!(*errand, expected);
            prop_assert!(reads || frame[0] == LIGHT_UNIT);
        }
        prop_assert!(serde_json::to_vec(&world.talker).unwrap().len() < 6_000);
    }

    /// A talker written down and read back at any moment goes on as if nothing had been.
    #[test]
    fn a_talker_can_be_put_away_and_taken_up_again(pieces in any_bytes(), every in 1..9_u64) {
        let run = |put_away: bool| {
            let talker = rtu(vec![u16_gauge(1, 1, 50)], vec![light()]);
            let mut world = World::new(talker, honest);
            let mut at = 1_000;
            for (gap, bytes) in &pieces {
                at += gap;
                world.arrive(millis(at), bytes.clone());
            }
            for step in 0..40 {
                world.run(1_000 + step * every * 7);
                if put_away {
                    let kept = postcard::to_stdvec(&world.talker).unwrap();
                    world.talker = postcard::from_bytes(&kept).unwrap();
                }
            }
            (world.sent, world.heard)
        };
        prop_assert_eq!(run(true), run(false));
    }

    /// Sound readings between any junk: what comes out was sent.
    #[test]
    fn a_line_of_text_gives_only_numbers_that_were_sent(levels in prop::collection::vec(-1_000..1_000_i32, 1..30), cut in 1..20_usize) {
        let mut world = World::new(talker_of_text(b"", 0), |_: Steady, _: &[u8]| vec![]);
        let text: String = levels.iter().map(|level| format!(">p {level}.25 mbar\r\n")).collect();
        let stream = [b"5\n".to_vec(), text.into_bytes()].concat();
        for (n, piece) in stream.chunks(cut).enumerate() {
            world.arrive(Steady::from_nanos(1_001_000_000 + n as u64 * 1_000_000), piece.to_vec());
        }
        world.run(3_000);
        let expected: Vec<f64> = levels.iter().map(|level| format!("{level}.25").parse().unwrap()).collect();
        prop_assert_eq!(world.readings(), expected);
    }
}
