//! Many gauges on one line whose bytes take the time that they take.

use super::*;
use crate::gauge::{LineLoad, exchange_time};
use crate::modbus::silent_interval;

const GAUGES: u16 = 8;
const EVERY: u64 = 100;

fn paced_line(baud: u32, parity: Parity) -> LineSettings {
    LineSettings { baud, parity, ..line(Protocol::ModbusRtu) }
}

/// Eight gauges that are each asked ten times a second, units 1 to 8.
fn eight(line: &LineSettings) -> Talker {
    let gauges = (1..=GAUGES).map(|id| u16_gauge(id, id.to_le_bytes()[0], EVERY)).collect();
    Talker::new(line.clone(), gauges, vec![]).unwrap()
}

/// Units at a line's speed: the request has to be through, then the silence, then they think for so long, then each byte of the reply
/// takes its time.
fn paced(line: LineSettings, thinks: Span) -> impl Units {
    move |_, frame: &[u8]| {
        let begins = line.characters(frame.len() as f64).and(silent_interval(&line)).and(thinks);
        let byte = |(n, byte): (u32, u8)| (begins.and(line.characters(f64::from(n))), vec![byte]);
        (1..).zip(answer(frame, 321)).map(byte).collect()
    }
}

/// The moments at which each gauge was read from 2 s on, when the line has settled, in the order of the gauges.
fn read_at<U: Units>(world: &World<U>) -> Vec<Vec<Steady>> {
    let of = |id| {
        let its = world.heard.iter().filter(|(at, heard)| {
            *at >= millis(2_000) && matches!(heard, Heard::Reading { gauge, .. } if gauge.0 == id)
        });
        its.map(|(at, _)| *at).collect()
    };
    (1..=GAUGES).map(of).collect()
}

/// The longest time from one reading of a gauge to its next.
fn longest_pause(readings: &[Steady]) -> Span {
    readings.windows(2).map(|pair| pair[1].since(pair[0])).max().unwrap()
}

/// What fits on a line, by its load, is read in full: each gauge its hundred readings in ten seconds, none a whole turn late.
#[test]
fn eight_gauges_ten_times_a_second_are_all_read_where_the_line_carries_them() {
    for (baud, parity, thinks) in [(38_400, Parity::Even, 4), (57_600, Parity::None, 5), (115_200, Parity::Even, 7)] {
        let line = paced_line(baud, parity);
        let talker = eight(&line);
        let load: LineLoad = talker.load(&line).unwrap();
        assert!((load.exchanges - 80.0).abs() < 1e-9 && load.spare().unwrap() > Span::from_millis(thinks));
        let mut world = World::new(talker, paced(line, Span::from_millis(thinks)));
        world.run(62_000);
        for readings in read_at(&world) {
            assert!((599..=601).contains(&readings.len()), "{} of 600 at {baud}", readings.len());
            assert!(
                longest_pause(&readings) < Span::from_millis(2 * EVERY),
                "{:?} at {baud}",
                longest_pause(&readings)
            );
        }
        assert_eq!(world.readings().len(), world.heard.len(), "nothing else was heard");
    }
}

/// What does not fit is shared: the line never rests, and of eight gauges none has two readings more than another.
#[test]
fn a_line_that_is_asked_too_much_is_shared_fairly() {
    for (baud, parity, thinks) in [(9_600, Parity::Even, 0), (19_200, Parity::Even, 0), (38_400, Parity::Even, 20)] {
        let line = paced_line(baud, parity);
        let talker = eight(&line);
        let load = talker.load(&line).unwrap();
        assert!(load.spare().is_none_or(|spare| spare < Span::from_millis(thinks)), "{load:?}");
        let mut world = World::new(talker, paced(line.clone(), Span::from_millis(thinks)));
        world.run(62_000);
        let all = read_at(&world);
        let counts: Vec<usize> = all.iter().map(Vec::len).collect();
        assert!(counts.iter().max().unwrap() - counts.iter().min().unwrap() <= 1, "{counts:?} at {baud}");
        let request = Request::ReadHolding { address: 40, count: 1 };
        let turn = exchange_time(&line, &request).and(Span::from_millis(thinks)).times(f64::from(GAUGES));
        let possible = 60.0 / turn.secs_f64();
        assert!(counts.iter().all(|count| *count as f64 > 0.99 * possible - 1.0), "{counts:?} of {possible} at {baud}");
        assert!(
            all.iter().all(|readings| longest_pause(readings) < turn.times(1.5)),
            "none waits for another's second"
        );
        // Each in its turn, always the same one after the same one.
        let order: Vec<u8> = world.sent.iter().rev().take(24).map(|(_, frame, _)| frame[0]).collect();
        assert!(order.windows(9).all(|turn| turn[0] == turn[8]), "{order:?}");
    }
}

/// A light among them flashes and beats: the gauges lose no reading by it where there is room for both.
#[test]
fn a_light_that_flashes_beside_eight_gauges_costs_them_nothing() {
    let line = paced_line(115_200, Parity::None);
    let gauges = (1..=GAUGES).map(|id| u16_gauge(id, id.to_le_bytes()[0], EVERY)).collect();
    let talker = Talker::new(line.clone(), gauges, vec![LightSettings { unit: 20, ..light() }]).unwrap();
    assert!(talker.load(&line).unwrap().exchanges > 80.0);
    let mut world = World::new(talker, paced(line, Span::from_millis(4)));
    world.talker.show(Pattern::only(Colour::Yellow, Lamp::Flashing));
    world.run(62_000);
    assert!(read_at(&world).iter().all(|readings| (599..=601).contains(&readings.len())));
    assert!(world.count(|heard| *heard == Heard::LightWritten { light: 0 }) > 100);
}
