use super::*;
use crate::moment::Span;

fn plausible() -> Plausible {
    let pascals = AbsolutePressure::from_pascals;
    Plausible {
        room: pascals(97_500.0),
        room_error: Vacuum::from_pascals(3_000.0),
        least: Vacuum::from_pascals(12_000.0),
        deepest: Vacuum::from_pascals(85_000.0),
    }
}

fn place(address: u16) -> RegisterPlace {
    RegisterPlace { unit: 7, table: RegisterTable::Holding, address }
}

/// Sweeps in which registers from 0 hold what `words` gives for each share of a pump's level, off, up, on, down and off again.
fn sweeps(words: impl Fn(usize, f64) -> Vec<u16>) -> Vec<Sweep> {
    (0..60)
        .map(|step| {
            let share = match step {
                0..15 | 45.. => 0.0,
                15..20 => (step - 14) as f64 / 6.0,
                20..40 => 1.0,
                _ => (45 - step) as f64 / 6.0,
            };
            let at = Steady::default().plus(Span::from_millis(200 * step as u64));
            Sweep { at, values: (0..).map(place).zip(words(step, share)).collect() }
        })
        .collect()
}

fn best(sweeps: &[Sweep], plausible: &Plausible) -> Proposal {
    guess(&register_series(sweeps), plausible, &[], &Told::default()).remove(0)
}

/// A level that a proposal makes of a raw number.
fn level(of: &Proposal, raw: f64) -> f64 {
    let room = plausible().room;
    of.counts.absolute(raw * of.scale, of.unit, room).vacuum_below(room).pascals() / 100.0
}

/// Every kind of number, order, unit and convention that gauges have (common practice, no source), among registers that do other
/// things: a serial number, a clock, a temperature. What is found must mean the same level, whatever it calls its unit.
#[test]
fn a_switched_pump_tells_register_kind_order_scale_and_convention() {
    use PressureConvention::{Absolute, Gauge, Vacuum as Below};
    use PressureUnit::{Bar, InchOfMercury, Kilopascal, Millibar, Pascal, Psi};
    let whole = [
        (NumberKind::I16, Millibar, 0.1, Below),
        (NumberKind::I16, Millibar, 0.1, Gauge),
        (NumberKind::U16, Millibar, 1.0, Absolute),
        (NumberKind::U16, Millibar, 0.1, Absolute),
        (NumberKind::I16, Kilopascal, 0.01, Below),
        (NumberKind::I32, Pascal, 1.0, Gauge),
        (NumberKind::U32, Pascal, 1.0, Absolute),
    ];
    let floats = [Millibar, Kilopascal, Bar, Pascal, Psi, InchOfMercury]
        .map(|unit| (NumberKind::F32, unit, 1.0, Absolute))
        .into_iter()
        .chain([(NumberKind::F32, Kilopascal, 1.0, Below), (NumberKind::F32, Millibar, 1.0, Gauge)]);
    for (kind, unit, scale, counts) in whole.into_iter().chain(floats) {
        for order in [WordOrder::HighFirst, WordOrder::LowFirst] {
            let room = plausible().room;
            let raw = |mbar: f64| {
                let pressure = Vacuum::from_pascals(mbar * 100.0).below(room);
                let value = match counts {
                    Absolute => pressure.pascals(),
                    Gauge => -mbar * 100.0,
                    Below => mbar * 100.0,
                };
                value / unit.pascals() / scale
            };
            let played = sweeps(|step, share| {
                let mbar = 612.0 * share + [0.4, -0.3, 0.1][step % 3];
                let mut words = vec![0x4E21, 0, (step / 5) as u16, 0xFFFF, 231 + (step % 2) as u16, 0];
                words.extend(kind.write(order, raw(mbar)));
                words.push(3);
                words
            });
            let found = best(&played, &plausible());
            let case = format!("{kind:?} {order:?} {unit} {scale} {counts:?}: {found:?}");
            assert!(found.moved && found.zero_seen, "{case}");
            assert!((level(&found, found.raw.0)).abs() < 20.0, "{case}");
            assert!((level(&found, found.raw.1) - 612.0).abs() < 20.0, "{case}");
        }
    }
}

/// The float of 123.456 is 0x42F6E979 (IEEE 754); here as a blower's level in mbar, its words either way round.
#[test]
fn word_orders_of_a_published_float_are_told_apart() {
    let blower =
        Plausible { deepest: Vacuum::from_pascals(27_000.0), least: Vacuum::from_pascals(5_000.0), ..plausible() };
    for (order, on) in [(WordOrder::HighFirst, [0x42F6, 0xE979]), (WordOrder::LowFirst, [0xE979, 0x42F6])] {
        let played = sweeps(|_, share| if share > 0.5 { on.to_vec() } else { vec![0, 0] });
        let found = best(&played, &blower);
        assert_eq!(found.at, Whereabouts::Register { place: place(0), kind: NumberKind::F32, order }, "{found:?}");
        assert!((level(&found, found.raw.1) - 123.456).abs() < 1e-3, "{found:?}");
    }
}

/// MODBUS Application Protocol Specification V1.1b3, 6.3: the reply to function 3 holds 022B 0000 0064, which are 555, 0 and 100
/// (from memory). The first as a level in millibars.
#[test]
fn the_published_registers_are_read_as_they_stand() {
    let played = [Sweep { at: Steady::default(), values: (0..).map(place).zip([0x022B, 0, 0x64]).collect() }];
    let series = register_series(&played);
    let value = |address| {
        let at = Whereabouts::Register { place: place(address), kind: NumberKind::I16, order: WordOrder::HighFirst };
        series.iter().find(|series| series.at == at).map(|series| series.values[0].1)
    };
    assert_eq!((value(0), value(1), value(2)), (Some(555.0), Some(0.0), Some(100.0)));
    let found = guess(&series, &plausible(), &[], &Told { register: Some(0), ..Told::default() }).remove(0);
    assert!((level(&found, 555.0) - 555.0).abs() < 1e-6, "{found:?}");
}

/// What numbers alone do not tell is said: 62.3 may be kilopascals of vacuum, or of absolute pressure.
#[test]
fn a_level_that_stands_still_has_rivals() {
    let words = NumberKind::F32.write(WordOrder::HighFirst, 62.3);
    let played = sweeps(|_, _| words.clone());
    let all = guess(&register_series(&played), &plausible(), &[], &Told::default());
    assert!(!all[0].moved);
    let rivals: Vec<&Proposal> = all[0].rivals(&all).collect();
    assert!(rivals.iter().any(|rival| rival.counts == PressureConvention::Absolute), "{rivals:?}");
    let told = Told { counts: Some(PressureConvention::Absolute), ..Told::default() };
    let absolute = guess(&register_series(&played), &plausible(), &[], &told).remove(0);
    assert!((level(&absolute, absolute.raw.1) - 352.0).abs() < 1.0, "{absolute:?}");
}

/// A level of 842 mbar in tenths beside a register that is 1 for ever, the pump not switched meanwhile: as one number they would be 740 mbar.
#[test]
fn a_register_that_stands_still_is_no_half_of_the_level_beside_it() {
    for still_first in [false, true] {
        let played = sweeps(|step, _| {
            let level = [8_420, 8_418, 8_423][step % 3];
            if still_first { vec![1, level] } else { vec![level, 1] }
        });
        let found = best(&played, &plausible());
        assert!(matches!(found.at, Whereabouts::Register { kind: NumberKind::I16, .. }), "{found:?}");
        assert!((level(&found, found.raw.1) - 842.0).abs() < 1.0, "{found:?}");
    }
}

/// A blower's 200 mbar as absolute pascals in two words: 97,500 and 77,500 both lie above 65,536, so that the higher word is 1 throughout.
#[test]
fn a_number_of_two_words_is_found_though_its_higher_one_never_moves() {
    let blower =
        Plausible { deepest: Vacuum::from_pascals(27_000.0), least: Vacuum::from_pascals(5_000.0), ..plausible() };
    for order in [WordOrder::HighFirst, WordOrder::LowFirst] {
        let words = |step: usize, share: f64| {
            NumberKind::U32.write(order, 97_500.0 - 20_000.0 * share + [4.0, -3.0, 1.0][step % 3])
        };
        let is_true = |found: &Proposal| {
            let kind = NumberKind::U32;
            found.at == Whereabouts::Register { place: place(0), kind, order }
                && found.counts == PressureConvention::Absolute
                && (level(found, found.raw.0.min(found.raw.1)) - 200.0).abs() < 1.0
        };
        let switched = best(&sweeps(words), &blower);
        assert!(is_true(&switched), "{switched:?}");
        // Nobody switched the pump: it stays in doubt, and that is said.
        let all = guess(&register_series(&sweeps(|step, _| words(step, 1.0))), &blower, &[], &Told::default());
        assert!(is_true(&all[0]) || all[0].rivals(&all).any(is_true), "{all:?}");
    }
}

#[test]
fn an_absolute_gauge_at_rest_shows_the_room() {
    let played = sweeps(|step, _| vec![40, 231, 9_741 + (step % 2) as u16]);
    let found = best(&played, &plausible());
    assert_eq!((found.counts, found.zero_seen), (PressureConvention::Absolute, true), "{found:?}");
    assert!(matches!(found.at, Whereabouts::Register { place: RegisterPlace { address: 2, .. }, .. }));
}

/// A clock counts on whether the pump runs or not.
#[test]
fn a_counter_is_not_taken_for_a_level() {
    let played = sweeps(|step, _| vec![10 * step as u16]);
    let all = guess(&register_series(&played), &plausible(), &[], &Told::default());
    assert!(all.is_empty(), "{all:?}");
}

#[test]
fn a_pump_switched_at_a_word_parts_the_level_from_what_moves_otherwise() {
    // Register 1 moves as much, at other times.
    let played = sweeps(|step, share| vec![(6_000.0 * share) as u16, if step % 20 < 8 { 6_100 } else { 5 }]);
    let at = |step: u64| Steady::default().plus(Span::from_millis(200 * step));
    let phases = [
        Phase { from: at(0), to: at(14), on: false },
        Phase { from: at(21), to: at(39), on: true },
        Phase { from: at(46), to: at(59), on: false },
    ];
    let found = guess(&register_series(&played), &plausible(), &phases, &Told::default()).remove(0);
    assert!(matches!(found.at, Whereabouts::Register { place: RegisterPlace { address: 0, .. }, .. }), "{found:?}");
}

#[test]
fn a_unit_in_the_line_settles_it() {
    let line = |at: u64, text: &str| TextLine {
        at: Steady::from_nanos(at),
        text: text.to_owned(),
        numbers: vec![23.1, text.rsplit(' ').nth(1).unwrap().parse().unwrap()],
    };
    let lines = [line(0, "23.1 C -0.0 inHg"), line(1, "23.1 C -18.1 inHg")];
    let found = guess(&text_series(&lines), &plausible(), &[], &Told::default()).remove(0);
    assert_eq!((found.at, found.unit, found.scale), (Whereabouts::Position(1), PressureUnit::InchOfMercury, 1.0));
    assert_eq!(found.counts, PressureConvention::Gauge);
}

#[test]
fn nothing_that_can_be_a_level_gives_nothing() {
    let played = sweeps(|_, _| vec![0xFFFF, 0x7FFF]);
    let told = Told { counts: Some(PressureConvention::Absolute), unit: Some(PressureUnit::Bar), ..Told::default() };
    assert!(guess(&register_series(&played), &plausible(), &[], &told).is_empty());
}
