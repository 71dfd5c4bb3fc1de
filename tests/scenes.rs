//! The word and the alarms of each scene of the demo, the real program watching the simulated table through a
//! pseudo-terminal.

mod support;

use std::collections::BTreeSet;
use std::thread;
use std::time::{Duration, Instant};

use holdwatch::plant::Scene;
use serde_json::Value;
use support::Watched;

/// As fast as a shared two-core computer follows with ease.
const PACE: f64 = 12.0;

/// The word and the active alarms of a view, with the time that the program has watched.
fn seen(view: &Value) -> (f64, String, BTreeSet<String>) {
    let active = |alarm: &&Value| matches!(alarm["state"].as_str(), Some("unacknowledged" | "acknowledged"));
    let alarms = view["alarms"].as_array().unwrap().iter().filter(active);
    (
        view["watching_s"].as_f64().unwrap(),
        view["verdict"].as_str().unwrap().to_owned(),
        alarms.map(|alarm| alarm["tag"].as_str().unwrap().to_owned()).collect(),
    )
}

/// Plays a scene and holds the program's word against its truth; a computer that has no forecast in time gets more of it.
fn play(scene: Scene) {
    let judged = [PACE, PACE / 4.0].into_iter().any(|pace| play_at(scene, pace));
    assert!(judged, "{scene}: its forecast came too late to judge anything");
}

/// Whether the scene's forecast came early enough to judge it at this pace.
fn play_at(scene: Scene, pace: f64) -> bool {
    let truth = scene.main_part();
    let folder = tempfile::tempdir().unwrap();
    let begun = Instant::now();
    let watched = Watched::start(&[
        "--log-level",
        "warn",
        "demo",
        "--scene",
        scene.name(),
        "--pace",
        &pace.to_string(),
        "--port",
        "0",
        "--data",
        folder.path().to_str().unwrap(),
    ]);
    // The child that plays the table starts before the program's own clock does, and after the program itself was started:
    // its time lies between the two, however slow the computer is.
    let (from, until) = (truth.from.secs_f64() + 2.0, truth.until.secs_f64() - 2.0);
    let limit = Instant::now() + Duration::from_secs_f64((until + 60.0) / pace);
    let (mut right, mut wrong, mut alarms) = (0, Vec::new(), BTreeSet::new());
    loop {
        let view = watched.now();
        assert_eq!(view["source"], "simulated");
        let (at, word, active) = seen(&view);
        let at_most = begun.elapsed().as_secs_f64() * pace;
        assert!(word != "loose" || view["margin"].is_null(), "a loose sheet has no margin: {view}");
        if at_most > until {
            break;
        }
        // On a slow computer the forecast may come late; until the reading after it nothing is judged.
        let awaits = view["job"]["computing"] == true || view["why"]["key"] == "forecast-awaited";
        if at >= from && !awaits {
            alarms.extend(active);
            if word == truth.word { right += 1 } else { wrong.push((at, word)) }
        }
        assert!(Instant::now() < limit, "{scene}: the scene did not come to its end");
        thread::sleep(Duration::from_millis(50));
    }
    assert!(wrong.is_empty(), "{scene}: {right} views said {}, others {wrong:?}", truth.word);
    if right == 0 {
        return false;
    }
    if truth.alarms.is_empty() {
        assert!(alarms.is_empty(), "{scene}: alarms where none is true: {alarms:?}");
    } else {
        assert!(
            truth.alarms.iter().any(|tag| alarms.contains(*tag)),
            "{scene}: none of {:?} in {alarms:?}",
            truth.alarms
        );
    }
    assert_eq!(watched.stop(), Some(0));
    true
}

#[test]
fn a_sheet_that_lifts_is_loose_and_alarms() {
    play(Scene::SheetLifts);
}

#[test]
fn a_failing_pump_is_loose_and_alarms() {
    play(Scene::PumpFailing);
}

#[test]
fn a_pulled_cable_is_blind_and_comes_back_alone() {
    play(Scene::CablePulled);
}

#[test]
fn a_good_cut_is_tight_throughout() {
    play(Scene::GoodCut);
}

#[test]
fn a_sheet_that_does_not_seat_is_weak() {
    play(Scene::BadlySeated);
}

#[test]
fn a_zone_left_open_over_bare_board_is_weak() {
    play(Scene::ZoneLeftOpen);
}

#[test]
fn a_small_part_that_goes_stays_tight() {
    play(Scene::SmallPartLost);
}

#[test]
fn a_slow_leak_comes_to_weak() {
    play(Scene::SlowLeak);
}

#[test]
fn a_plugging_filter_is_high() {
    play(Scene::FilterPlugging);
}

/// The simulated table is a process of its own: one that outlived its demo would play on for nobody.
#[test]
fn the_simulated_table_ends_with_a_demo_that_is_killed() {
    let folder = tempfile::tempdir().unwrap();
    let watched = Watched::start(&["demo", "--port", "0", "--data", folder.path().to_str().unwrap()]);
    watched.wait_for("a view", Duration::from_secs(30), |view| view["source"] == "simulated");
    let children = std::fs::read_to_string(format!("/proc/{0}/task/{0}/children", watched.pid())).unwrap();
    let tables: Vec<u32> = children.split_whitespace().map(|pid| pid.parse().unwrap()).collect();
    assert!(!tables.is_empty());
    watched.kill();
    let limit = Instant::now() + Duration::from_secs(30);
    let plays = |pid: &u32| {
        let status = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
        status.lines().any(|line| line.starts_with("State:") && !line.contains('Z'))
    };
    while tables.iter().any(plays) {
        assert!(Instant::now() < limit, "a simulated table plays on: {tables:?}");
        thread::sleep(Duration::from_millis(50));
    }
}
