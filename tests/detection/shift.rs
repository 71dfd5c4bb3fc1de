//! The real minder at the simulated table, in made time: every scene's word, however the kerf opens, and what a pause, a stop and a
//! gauge that rests do to it.

use holdwatch::event::{Command, Event, LineCause, LineId, ProgressTold};
use holdwatch::gauge::Quality;
use holdwatch::minder::Minder;
use holdwatch::moment::{BootId, Span};
use holdwatch::plant::{Opening, Scene, Truth};
use holdwatch::view::View;
use holdwatch::watch::Verdict;

use crate::bay::{Bay, INTERVAL, Shop};

const OPENINGS: [Opening; 2] = [Opening::Eighths, Opening::Outlines];

fn word(view: &View) -> String {
    serde_json::to_value(view.verdict).unwrap().as_str().unwrap().to_owned()
}

fn active(view: &View) -> impl Iterator<Item = String> + '_ {
    let alarms = serde_json::to_value(&view.alarms).unwrap();
    let alarms = alarms.as_array().unwrap().clone().into_iter();
    alarms.filter(|alarm| alarm["state"] == "unacknowledged").map(|alarm| alarm["tag"].as_str().unwrap().to_owned())
}

fn notes(view: &View) -> Vec<&str> {
    view.degraded.iter().map(|note| note.name.as_str()).collect()
}

/// Plays a scene and holds the minder's word against its truth; in scenes that lose no vacuum suddenly, nothing is ever called loose.
fn play(shop: &Shop, scene: Scene, truth: Truth, seed: u64, late: f64) {
    let what = format!("{scene}, {:?}, seed {seed}, progress {late} s late", truth.opening);
    let main = scene.main_part();
    let mut bay = Bay::new(shop, scene, truth, seed).late(late);
    let mut alarms = Vec::new();
    while !bay.ended() {
        let view = bay.advance();
        assert!(main.word == "loose" || view.verdict != Verdict::Loose, "{what}: loose at {} s", bay.now.secs_f64());
        if bay.now > main.from && bay.now < main.until {
            assert_eq!(word(&view), main.word, "{what}: at {} s", bay.now.secs_f64());
            alarms.extend(active(&view));
        }
    }
    let right = alarms.iter().any(|alarm| main.alarms.contains(&alarm.as_str()));
    assert!(if main.alarms.is_empty() { alarms.is_empty() } else { right }, "{what}: {alarms:?}");
}

#[test]
fn every_scene_has_its_word_however_the_kerf_opens() {
    let shop = Shop::new();
    for opening in OPENINGS {
        for scene in Scene::ALL {
            for seed in 1..=3 {
                play(&shop, scene, Truth { opening, ..Truth::drawn(&shop.setup.table, seed) }, seed, 0.0);
            }
        }
    }
}

#[test]
fn every_scene_has_its_word_although_progress_is_told_late_and_kerfs_leak_more_or_less() {
    let shop = Shop::new();
    for (seed, opening) in (4..).zip(OPENINGS) {
        for scene in [Scene::GoodCut, Scene::SmallPartLost, Scene::SheetLifts, Scene::PumpFailing] {
            for (kerf, late) in [(0.75, 3.0), (1.25, 3.0), (1.0, 0.0)] {
                let truth = Truth { opening, kerf, ..Truth::drawn(&shop.setup.table, seed) };
                play(&shop, scene, truth, seed, late);
            }
        }
    }
}

#[test]
fn a_hose_that_works_loose_is_weak_however_much_it_leaks() {
    let shop = Shop::new();
    for opening in OPENINGS {
        for (seed, loose_hose) in [(1, 0.15), (2, 0.33), (3, 0.33)] {
            play(
                &shop,
                Scene::SlowLeak,
                Truth { opening, loose_hose, ..Truth::drawn(&shop.setup.table, seed) },
                seed,
                0.0,
            );
        }
    }
}

/// A good cut, so many seconds on.
fn in_a_good_cut(shop: &Shop, secs: u64) -> Bay<'_> {
    let mut bay = Bay::new(shop, Scene::GoodCut, Truth::drawn(&shop.setup.table, 1), 1);
    while bay.now < Span::from_secs(secs) {
        bay.advance();
    }
    bay
}

fn advance(bay: &mut Bay<'_>, secs: f64) -> Vec<View> {
    (0..(secs / INTERVAL.secs_f64()).round() as usize).map(|_| bay.advance()).collect()
}

/// The program is stopped and its state taken up again half a minute of cutting later, or the computer slept so long, or is another
/// start of it: the level has fallen by 3 kPa meanwhile, and that is neither a jump nor a loss.
#[test]
fn a_gap_after_a_kept_state_is_no_jump() {
    let shop = Shop::new();
    for (kept, boot) in [(true, 1), (false, 1), (true, 2)] {
        let mut bay = in_a_good_cut(&shop, 60);
        bay.boot = BootId(boot);
        if kept {
            bay.minder = Minder::restore(&bay.minder.snapshot().unwrap()).unwrap();
        }
        let before = bay.level();
        bay.skip(30.0);
        assert!(before - bay.level() > 2_500.0);
        let views = advance(&mut bay, 40.0);
        assert!(views.iter().all(|view| view.verdict == Verdict::Tight && view.quality == Quality::Good));
        assert!(views.iter().all(|view| active(view).count() == 0));
        // What happened in the gap is known no more, but the watch goes on.
        bay.drop_level(9_000.0);
        let views = advance(&mut bay, 5.0);
        assert_eq!(views.last().map(|view| view.verdict), Some(Verdict::Loose));
    }
}

#[test]
fn a_line_that_comes_back_begins_anew() {
    let shop = Shop::new();
    let mut bay = in_a_good_cut(&shop, 60);
    bay.step(Event::LineLost(LineId(0), LineCause::Gone("pulled".into())));
    bay.skip(4.0);
    bay.step(Event::LineUp(LineId(0)));
    let views = advance(&mut bay, 20.0);
    assert!(views[1..].iter().all(|view| view.verdict == Verdict::Tight && view.quality == Quality::Good));
}

/// A slow computer: the sheet lies and is cut before its forecast is there. With everything covered it would be called weak.
#[test]
fn until_its_forecast_is_there_a_job_is_not_judged() {
    let shop = Shop::new();
    let mut bay = Bay::new(&shop, Scene::GoodCut, Truth::drawn(&shop.setup.table, 1), 1);
    bay.reckoned_late = Some(Vec::new());
    let waiting = advance(&mut bay, 45.0);
    let seen = |verdict| waiting.iter().any(|view| view.verdict == verdict);
    assert!(!seen(Verdict::Weak) && !seen(Verdict::Loose), "{:?}", waiting.last());
    let last = waiting.last().unwrap();
    assert_eq!((last.verdict, last.why.key.as_str()), (Verdict::NoJob, "forecast-awaited"));
    assert!(last.expected.is_none());
    bay.reckon();
    let views = advance(&mut bay, 20.0);
    assert_eq!(views.last().map(|view| view.verdict), Some(Verdict::Tight));
    assert!(views.iter().all(|view| active(view).count() == 0));
}

/// A hose works loose and the machine is stopped: the sheet had seated, and "do not start" would be no help.
#[test]
fn a_stop_in_a_weak_cut_does_not_ask_for_the_sheet_to_be_seated() {
    let shop = Shop::new();
    let mut bay = in_a_good_cut(&shop, 80);
    bay.tells_progress = false;
    bay.command(Command::Progress(ProgressTold::Cutting(false)));
    bay.drop_level(6_000.0);
    let views = advance(&mut bay, 20.0);
    let weak: Vec<&str> =
        views.iter().filter(|view| view.verdict == Verdict::Weak).map(|view| view.why.key.as_str()).collect();
    assert!(weak.len() > 20 && weak.iter().all(|key| *key == "level-below-band"), "{weak:?}");
}

/// NAMUR NE 107 (by device manuals that quote it): out of specification, and still a reading.
#[test]
fn a_number_that_rests_in_the_cut_is_noted_and_not_blind() {
    let shop = Shop::new();
    let mut bay = in_a_good_cut(&shop, 60);
    bay.hold_number = true;
    let views = advance(&mut bay, 10.0);
    let last = views.last().unwrap();
    assert_eq!(
        (last.verdict, last.quality, notes(last)),
        (Verdict::Tight, Quality::OutOfSpecification, vec!["gauge-stuck"])
    );
    bay.hold_number = false;
    let views = advance(&mut bay, 1.0);
    let last = views.last().unwrap();
    assert_eq!((last.quality, notes(last)), (Quality::Good, vec![]));
}

/// A zone over bare board is told open: the level must fall by several kilopascals, and the gauge does not stir.
#[test]
fn a_number_that_rests_while_a_zone_opens_over_bare_board_is_blind() {
    let shop = Shop::new();
    let mut bay = Bay::new(&shop, Scene::SmallPartLost, Truth::drawn(&shop.setup.table, 1), 1);
    while bay.now < Span::from_secs(60) {
        bay.advance();
    }
    bay.hold_number = true;
    advance(&mut bay, 3.0);
    bay.command(Command::Open(["1", "4", "2"].map(String::from).into()));
    let views = advance(&mut bay, 10.0);
    assert_eq!(views.last().map(|view| (view.verdict, view.quality)), Some((Verdict::Blind, Quality::Failure)));
    bay.hold_number = false;
    assert!(advance(&mut bay, 1.0).last().is_some_and(|view| view.quality == Quality::Good));
}

/// A job is loaded and the machine says that it cuts, but nobody says how far: the level falls by 13 kPa and all is well.
#[test]
fn a_cut_whose_progress_nobody_tells_is_not_loose() {
    let shop = Shop::new();
    let mut bay = Bay::new(&shop, Scene::GoodCut, Truth::drawn(&shop.setup.table, 1), 1);
    bay.tells_progress = false;
    while !bay.ended() {
        let view = bay.advance();
        assert!(view.verdict != Verdict::Loose && active(&view).count() == 0, "at {} s", bay.now.secs_f64());
    }
}

/// A controller that tells its progress every eight seconds leaves no stairs in what is expected.
#[test]
fn progress_is_carried_on_between_two_words_of_it() {
    let shop = Shop::new();
    let mut bay = in_a_good_cut(&shop, 60);
    bay.tells_progress = false;
    let expected: Vec<f64> = advance(&mut bay, 8.0).iter().map(|view| view.expected.as_ref().unwrap().mid_pa).collect();
    let fallen = expected[0] - expected[expected.len() - 1];
    assert!(expected.is_sorted_by(|a, b| a >= b) && (500.0..1_500.0).contains(&fallen), "{fallen}");
}
