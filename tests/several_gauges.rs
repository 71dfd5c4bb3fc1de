//! Several gauges on one bus, each where it sits: the table's, both sides of the filter, a zone's own, a barometer; the minder in
//! made time at units that answer as they are asked.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by a panic")]

#[path = "support/bench.rs"]
#[allow(dead_code, reason = "another test uses the rest of it")]
mod bench;
#[path = "support/shop.rs"]
mod shop;

use bench::Bench;
use holdwatch::event::{Event, Fact, GaugeId, LineId};
use holdwatch::gauge::{Doubt, Quality};
use shop::TABLE;

/// On a line of the shop's.
const GAUGES: &str = r#"[[gauge]]
name = "weather"
line = "vacuum"
place = "barometer"
unit_id = 9
table = "input"
register = 0
kind = "u16"
scale = 0.1
unit = "hPa"
counts = "absolute"
range = [500, 1100]
every_ms = 1000
[[gauge]]
name = "table"
line = "vacuum"
place = "before-filter"
unit_id = 1
table = "input"
register = 0
kind = "i16"
scale = 0.1
unit = "mbar"
counts = "vacuum"
range = [0, 1000]
[[gauge]]
name = "pump"
line = "vacuum"
place = "after-filter"
unit_id = 2
table = "input"
register = 0
kind = "u16"
signal = "current-loop"
at_4_ma = 4000
at_20_ma = 20000
unit = "mbar"
counts = "vacuum"
range = [0, 900]
[[gauge]]
name = "right"
line = "vacuum"
place = "zone"
zone = "right"
unit_id = 1
table = "input"
register = 2
kind = "i16"
scale = 0.1
unit = "mbar"
counts = "vacuum"
range = [0, 1000]
"#;

/// The analogue unit gives microamperes: 4 mA at 0 mbar, 20 mA at 900.
fn microamperes(mbar: f64) -> u16 {
    (4_000.0 + 16_000.0 / 900.0 * mbar).round() as u16
}

fn shop(mbar: f64) -> Bench {
    let mut bench = Bench::new(&[TABLE, GAUGES].concat());
    bench.registers.insert((9, 0), 10_130);
    bench.level(1, 0, mbar);
    bench.level(1, 2, mbar);
    bench.registers.insert((2, 0), microamperes(mbar + 8.0));
    bench
}

#[test]
fn each_gauge_is_read_and_shown_where_it_sits() {
    let mut bench = shop(600.0);
    bench.run(3.0);
    let view = bench.view();
    let found: Vec<(&str, Option<&str>, Quality)> =
        view.gauges.iter().map(|gauge| (gauge.name.as_str(), gauge.zone.as_deref(), gauge.quality)).collect();
    let good = Quality::Good;
    let all = [("weather", None, good), ("table", None, good), ("pump", None, good), ("right", Some("right"), good)];
    assert_eq!(found, all);
    // The table is judged by the first gauge that feels the suction, wherever it stands in the setup.
    assert!((view.vacuum_pa.unwrap() - 60_000.0).abs() < 1.0);
    assert!((view.gauges[2].vacuum_pa.unwrap() - 60_800.0).abs() < 10.0, "by 4-20 mA");
    assert!((view.zones[1].vacuum_pa.unwrap() - 60_000.0).abs() < 1.0);
    assert_eq!((view.zones[0].vacuum_pa, view.gauges[0].vacuum_pa), (None, None));
    let kept = bench.records.iter().filter_map(|record| match &record.fact {
        Fact::Reading(reading) => Some((reading.gauge, reading.band.is_some())),
        _ => None,
    });
    let kept: Vec<_> = kept.collect();
    assert!((0..4).all(|gauge| kept.iter().any(|(id, _)| *id == GaugeId(gauge))));
    assert!(kept.iter().all(|(id, band)| *id == GaugeId(1) || !band), "only the table's gauge has a band");
}

/// NAMUR NE 43: 3.8 to 20.5 mA measure, 3.6 and less or 21.0 and more are failures, and what lies between is neither.
#[test]
fn a_current_loop_is_driven_to_its_end_before_it_fails() {
    let mut bench = shop(600.0);
    for (microamperes, quality, doubts) in [
        (3_800, Quality::Good, vec![]),
        (3_700, Quality::OutOfSpecification, vec![Doubt::LoopSuspect]),
        (3_600, Quality::Failure, vec![Doubt::LoopFault]),
        (0, Quality::Failure, vec![Doubt::LoopFault]),
        (12_000, Quality::Good, vec![]),
        (20_500, Quality::Good, vec![]),
        (20_700, Quality::OutOfSpecification, vec![Doubt::LoopSuspect]),
        (21_000, Quality::Failure, vec![Doubt::LoopFault]),
    ] {
        // A live converter's last digit never rests; here it does so only beyond the limits of a band.
        let apart = u16::from(doubts.is_empty());
        let towards = if microamperes == 20_500 { microamperes - apart } else { microamperes + apart };
        bench.run_with(6.0, |bench| {
            let odd = bench.now.nanos() / 100_000_000 % 2 == 1;
            bench.registers.insert((2, 0), if odd { towards } else { microamperes });
        });
        bench.run(0.001);
        let pump = bench.view().gauges[2].clone();
        let stuck = |doubts: Vec<Doubt>| doubts.into_iter().filter(|doubt| *doubt != Doubt::Stuck).collect::<Vec<_>>();
        assert_eq!((pump.quality, stuck(pump.doubts)), (quality, doubts), "{microamperes} µA");
        assert_eq!(pump.vacuum_pa.is_some(), quality != Quality::Failure);
    }
}

#[test]
fn a_barometer_is_the_room_that_levels_and_forecasts_stand_on() {
    let mut bench = shop(600.0);
    bench.registers.insert((9, 0), 10_132);
    bench.run(3.0);
    let before = bench.rooms.len();
    assert!((bench.view().room_absolute_pa - 101_320.0).abs() < 1.0);
    let sealed = bench.view().expected.unwrap().mid_pa;
    // A deep low: 40 hPa less in the room.
    bench.registers.insert((9, 0), 9_732);
    bench.run(400.0);
    let view = bench.view();
    assert!((view.room_absolute_pa - 97_320.0).abs() < 20.0, "{}", view.room_absolute_pa);
    assert!(bench.rooms.len() > before);
    assert!((bench.rooms.last().unwrap().unwrap() - 97_320.0).abs() < 160.0);
    // The pump keeps its compression ratio, so what it reaches falls with the room by the same share.
    let share = view.expected.unwrap().mid_pa / sealed;
    assert!((share - 97_320.0 / 101_320.0).abs() < 0.01, "{share}");
    // A barometer that fails says nothing more, and the room stays as it was.
    bench.registers.insert((9, 0), 0);
    bench.run(60.0);
    assert!((bench.view().room_absolute_pa - 97_320.0).abs() < 20.0);
}

#[test]
fn a_zone_told_open_that_its_own_gauge_finds_flat_is_said_to_be_so() {
    let mut bench = shop(600.0);
    bench.run(3.0);
    bench.level(1, 2, 3.0);
    bench.run(8.0);
    assert!(!bench.degraded().contains(&"zone-right-flat".to_owned()));
    bench.run(5.0);
    assert!(bench.degraded().contains(&"zone-right-flat".to_owned()), "{:?}", bench.degraded());
    bench.level(1, 2, 580.0);
    bench.run(1.0);
    assert!(!bench.degraded().contains(&"zone-right-flat".to_owned()));
}

#[test]
fn a_gauge_that_falls_silent_is_named_and_does_not_hold_up_the_others() {
    let mut bench = shop(600.0);
    bench.run(3.0);
    bench.silent.push(2);
    bench.run(5.0);
    assert_eq!(bench.degraded(), ["gauge-pump-silent"]);
    let view = bench.view();
    assert!(view.age_s.unwrap() < 1.0, "the table's gauge is still read: {:?}", view.age_s);
    assert_eq!(view.gauges[2].quality, Quality::Failure);
    bench.silent.clear();
    bench.run(8.0);
    assert_eq!(bench.degraded(), Vec::<String>::new());
}

/// The filter's law p_u² − p_d² = r·Q² (isothermal pipe flow): where the pump's curve gives the same flow, r goes with the difference
/// of squares.
#[test]
fn a_filter_between_two_gauges_tells_its_own_state() {
    let mut bench = shop(400.0);
    bench.run(90.0);
    let clean = bench.view().filter.unwrap();
    assert!((clean.drop_pa - 800.0).abs() < 15.0, "{clean:?}");
    let (up, down) = (101_325.0 - 40_000.0, 101_325.0 - 40_800.0);
    bench.level(1, 0, 300.0);
    bench.run(400.0);
    let loaded = bench.view().filter.unwrap();
    let squares = |up: f64, down: f64| up * up - down * down;
    let wanted = squares(up + 10_000.0, down) / squares(up, down);
    let found = loaded.times_clean.unwrap() / clean.times_clean.unwrap();
    assert!((found / wanted - 1.0).abs() < 0.03, "{found} for {wanted}");
    assert!(bench.view().board.prompts.iter().any(|prompt| prompt.key == "prompt-filter"));
}

#[test]
fn a_line_that_comes_back_reads_on() {
    let mut bench = shop(600.0);
    bench.run(3.0);
    bench.step(Event::LineUp(LineId(0)));
    bench.run(3.0);
    assert!(bench.view().gauges.iter().all(|gauge| gauge.quality == Quality::Good));
}

/// NAMUR NE 107 (by device manuals that quote it): a zero that has wandered asks for care, and its number still counts.
#[test]
fn a_zero_that_has_wandered_with_the_pump_off_asks_for_care() {
    let mut bench = shop(600.0);
    bench.run(5.0);
    // With the pump off there is no vacuum; 1.5 kPa are more than 1 % of the gauge's range, and less than five times that.
    bench.level(1, 0, 15.0);
    bench.run(120.0);
    let table = bench.view().gauges[1].clone();
    assert_eq!((table.quality, table.doubts), (Quality::MaintenanceRequired, vec![Doubt::ZeroDrift]));
    assert!((table.zero_error_pa.unwrap() - 1_500.0).abs() < 1.0, "{:?}", table.zero_error_pa);
    bench.level(1, 0, 0.0);
    bench.run(120.0);
    assert_eq!(bench.view().gauges[1].quality, Quality::Good);
}
