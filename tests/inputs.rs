//! Contacts and a pump's drive, read over Modbus by the minder in made time at units that answer as they are asked.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by a panic")]

#[path = "support/bench.rs"]
#[allow(dead_code, reason = "another test uses the rest of it")]
mod bench;
#[path = "support/shop.rs"]
mod shop;

use bench::Bench;
use holdwatch::alarm::State;
use holdwatch::event::{Command, ProgressTold};
use holdwatch::modbus::Request;
use holdwatch::view::{CuttingKnown, Verdict};
use shop::shop;

const CONTACTS: &str = r#"[[contact]]
name = "left valve"
line = "vacuum"
unit_id = 7
input = 0
means = "zone-open"
zone = "left"
[[contact]]
name = "right valve"
line = "vacuum"
unit_id = 7
input = 3
means = "zone-open"
zone = "right"
when = "open"
[[contact]]
name = "cycle"
line = "vacuum"
unit_id = 7
input = 1
means = "cutting"
[[contact]]
name = "button"
line = "vacuum"
unit_id = 8
input = 0
means = "seen"
table = "coil"
"#;

fn open(bench: &Bench) -> Vec<bool> {
    bench.view().zones.iter().map(|zone| zone.told_open).collect()
}

/// What a unit was asked, but for the loopbacks by which it shows that it owes no answer.
fn asked(bench: &Bench, unit: u8) -> impl Iterator<Item = &Request> {
    bench.asked[&unit].iter().filter(|asked| !matches!(asked, Request::Loopback { .. }))
}

#[test]
fn contacts_say_which_zones_are_open_and_neighbours_are_read_together() {
    let mut bench = Bench::new(&shop(CONTACTS));
    bench.bits.insert((7, 3), true);
    bench.run(1.0);
    // The right valve's contact says so while it is open: closed, its zone is shut.
    assert_eq!(open(&bench), [false, false]);
    bench.bits.insert((7, 0), true);
    bench.bits.insert((7, 3), false);
    bench.run(0.5);
    assert_eq!(open(&bench), [true, true]);
    assert!(asked(&bench, 7).all(|asked| *asked == Request::ReadDiscretes { address: 0, count: 4 }));
    assert!(asked(&bench, 8).all(|asked| *asked == Request::ReadCoils { address: 0, count: 1 }));
}

#[test]
fn whether_the_machine_cuts_is_told_by_its_contact_and_guessed_without_it() {
    let mut bench = Bench::new(&shop(CONTACTS));
    bench.bits.insert((7, 0), true);
    bench.bits.insert((7, 1), true);
    bench.level(1, 0, 700.0);
    bench.run(5.0);
    assert_eq!(bench.view().cutting, CuttingKnown::Told);
    bench.bits.insert((7, 1), false);
    bench.run(1.0);
    assert_eq!(bench.view().cutting, CuttingKnown::No);
    // Whoever else tells, the contact is believed.
    bench.command(Command::Progress(ProgressTold::Cutting(true)));
    bench.run(1.0);
    assert_eq!(bench.view().cutting, CuttingKnown::No);
    bench.bits.insert((7, 1), true);
    bench.run(1.0);
    bench.silent.push(7);
    bench.run(6.0);
    let lost = bench.degraded();
    let named = ["left valve", "right valve", "cycle"].map(|name| format!("contact-{name}-silent"));
    assert!(named.iter().all(|name| lost.contains(name)), "{lost:?}");
    assert_ne!(bench.view().cutting, CuttingKnown::Told, "nobody tells any more");
    bench.silent.clear();
    bench.run(6.0);
    assert_eq!(bench.view().cutting, CuttingKnown::Told);
    assert!(!bench.degraded().iter().any(|name| name.starts_with("contact-")));
}

#[test]
fn the_wired_button_sees_every_alarm_once_for_each_press() {
    let mut bench = Bench::new(&shop(CONTACTS));
    bench.bits.insert((8, 0), true);
    bench.silent.push(1);
    bench.run(8.0);
    let state = |bench: &Bench| bench.view().alarms.first().map(|alarm| alarm.state);
    assert_eq!(state(&bench), Some(State::Unacknowledged), "a button that was down from the start was not pressed");
    bench.bits.insert((8, 0), false);
    bench.run(0.5);
    bench.bits.insert((8, 0), true);
    bench.run(0.5);
    assert_eq!(state(&bench), Some(State::Acknowledged));
    assert_eq!(bench.entries("seen").len(), 1, "held down it is one press");
}

/// A table that takes some 25 m³/h of free air at the level held, so that the drive turns at a quarter of its speed.
fn held() -> String {
    let plate = "nameplate_m3_h = 250\n";
    let held = format!("{plate}holds_level_mbar = 600\n[manifold]\nleak_m3_h = 25\nleak_at_mbar = 600\n");
    shop("").replace(plate, &held)
}

const DRIVE: &str = r#"
[drive]
line = "vacuum"
unit_id = 5
table = "holding"
register = 0
kind = "u16"
measures = "speed"
at_full = 500
"#;

/// Level and drive's speed wobble a little, as they do.
fn hold(bench: &mut Bench, secs: f64, mbar: f64, share: f64) {
    bench.run_with(secs, |bench| {
        let step = (bench.now.nanos() / 100_000_000 % 5) as f64 - 2.0;
        bench.level(1, 0, mbar + 0.4 * step);
        bench.registers.insert((5, 0), (500.0 * share + 0.5 * step).round() as u16);
    });
}

/// A tight table takes next to nothing: the drive comes to rest, and the level stays.
#[test]
fn a_drive_that_comes_to_rest_on_a_tight_table_is_no_loss() {
    let mut bench = Bench::new(&(held() + DRIVE));
    hold(&mut bench, 40.0, 600.0, 0.03);
    bench.command(Command::Progress(ProgressTold::Cutting(true)));
    hold(&mut bench, 20.0, 600.0, 0.03);
    for share in [0.01, 0.0] {
        hold(&mut bench, 20.0, 600.0, share);
        assert_ne!(bench.view().verdict, Verdict::Loose, "at {share} of full speed");
    }
}

#[test]
fn without_the_drives_word_a_held_level_says_plainly_that_leaks_cannot_be_seen() {
    let mut bench = Bench::new(&held());
    assert!(bench.setup.warnings.iter().any(|warning| warning.wrong.contains("leaks cannot be seen on this pump")));
    hold(&mut bench, 10.0, 600.0, 0.0);
    let view = bench.view();
    assert!(bench.degraded().contains(&"cannot-see-leaks".to_owned()));
    assert!(!view.hold.unwrap().sees_leaks);
    let expected = view.expected.unwrap();
    assert!(expected.low_pa < 60_000.0 && expected.mid_pa <= 60_000.0, "{expected:?}");
    assert_eq!(view.verdict, Verdict::Tight, "the level is the one held");
    // What the drive can no longer hold shows.
    hold(&mut bench, 20.0, 400.0, 0.0);
    assert_eq!(bench.view().verdict, Verdict::Weak);
}

#[test]
fn the_drives_speed_shows_a_leak_that_the_level_hides() {
    let mut bench = Bench::new(&(held() + DRIVE));
    bench.level(1, 0, 600.0);
    bench.run(2.0);
    // The speed at which the pump would reach, unheld, what is expected.
    let mid = unheld_mid();
    let share = (15..500).map(|step| f64::from(step) / 500.0).find(|share| {
        hold(&mut bench, 1.0, 600.0, *share);
        bench.view().hold.unwrap().reach_pa.unwrap() < mid
    });
    assert!(!bench.degraded().contains(&"cannot-see-leaks".to_owned()));
    let share = share.unwrap();
    hold(&mut bench, 40.0, 600.0, share);
    let tight = bench.view();
    assert_eq!(tight.verdict, Verdict::Tight, "{:?}", tight.why);
    // The same level, the drive faster and faster: something leaks.
    bench.command(Command::Progress(ProgressTold::Cutting(true)));
    hold(&mut bench, 10.0, 600.0, share);
    hold(&mut bench, 30.0, 600.0, (share * 2.5).min(0.99));
    let leaks = bench.view();
    assert!((leaks.vacuum_pa.unwrap() - 60_000.0).abs() < 200.0, "the gauge shows what it showed");
    assert!(matches!(leaks.verdict, Verdict::Weak | Verdict::Loose), "{:?} {:?}", leaks.verdict, leaks.hold);
    // A drive that falls silent takes that sight away, and says so.
    bench.silent.push(5);
    bench.run(6.0);
    assert!(bench.degraded().contains(&"cannot-see-leaks".to_owned()));
}

/// What the same table would come to, covered, if nothing held the pump.
fn unheld_mid() -> f64 {
    let mut bench = Bench::new(&held().replace("holds_level_mbar = 600\n", ""));
    bench.level(1, 0, 600.0);
    bench.run(1.0);
    bench.view().expected.unwrap().mid_pa
}

/// By hand: at 600 mbar of 1013.25 in the room, a pump that displaces 250 m³/h at that level and turns at half its speed moves as much
/// as one at full speed would through half the leak; at full speed it comes to rest where S(p)·p = half of S(p₀)·p₀·(p_r² − p²)/(p_r² −
/// p₀²).
#[test]
fn what_is_judged_is_the_level_that_the_pump_would_reach() {
    let mut bench = Bench::new(&(held() + DRIVE));
    hold(&mut bench, 5.0, 600.0, 0.5);
    let reach = bench.view().hold.unwrap().reach_pa.unwrap();
    let (room, held) = (101_325.0_f64, 101_325.0 - 60_000.0);
    let pump = &bench.setup.table.pump;
    let moved =
        |pressure: f64| pump.throughput(holdwatch::units::AbsolutePressure::from_pascals(pressure)).pa_m3_per_s();
    let rest = room - reach;
    let taken = 0.5 * moved(held) * (room * room - rest * rest) / (room * room - held * held);
    assert!((moved(rest) / taken - 1.0).abs() < 0.01, "{} {taken}", moved(rest));
    assert!(reach > 60_000.0);
}

/// Contacts of two ends, of one unit or of two that are polled one after the other, and no job: while either says that its end is cut, the
/// machine cuts.
#[test]
fn a_contact_that_says_no_does_not_overrule_one_that_says_yes() {
    for unit in [7, 8] {
        let contact = |end: &str, unit: u8, input: u16| {
            format!(
                "[[end]]\nname = \"{end}\"\nzones = [\"{end}\"]\n[[contact]]\nname = \"cut {end}\"\nline = \"vacuum\"\n\
                 unit_id = {unit}\ninput = {input}\nmeans = \"cutting\"\nend = \"{end}\"\n"
            )
        };
        let (left, right) = ((7, 1), (unit, 2));
        let mut bench = Bench::new(&shop(&(contact("left", 7, 1) + &contact("right", unit, 2))));
        bench.level(1, 0, 700.0);
        for (at_left, at_right) in [(true, false), (false, false), (false, true), (true, true), (true, false)] {
            bench.bits.insert(left, at_left);
            bench.bits.insert(right, at_right);
            bench.run(2.0);
            let cuts = at_left || at_right;
            bench.run_with(5.0, |bench| {
                assert_eq!(bench.view().cutting == CuttingKnown::Told, cuts, "{at_left} {at_right} of unit {unit}");
            });
        }
    }
}
