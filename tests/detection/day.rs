//! A shift of forty sheets, as a shop works it: breaks, sheets pressed down again, blow-offs, and nothing wrong.

use holdwatch::alarm::State;
use holdwatch::moment::Span;
use holdwatch::plant::{Scene, Truth};
use holdwatch::view::View;

use crate::bay::{Bay, INTERVAL, Shop};

const SHEETS: usize = 40;

/// What is played with the level at one sheet, besides what the scene plays: so many seconds after it begins, for so long, the share of the
/// level that is lost.
fn handling(sheet: usize) -> Vec<(f64, f64, f64)> {
    let mut done = Vec::new();
    // Lifted at a corner and pressed down again, once or twice, before the first plunge at 30 s.
    if sheet.is_multiple_of(3) {
        done.push((19.0, 2.5, 0.6));
    }
    if sheet.is_multiple_of(6) {
        done.push((23.5, 1.5, 0.95));
    }
    // The cut has ended at 150 s; the pump still runs while chips are blown off and the first parts are taken.
    if sheet.is_multiple_of(2) {
        done.push((151.0, 0.7, 0.3));
        done.push((152.5, 3.0, 0.7));
    }
    done
}

fn called(view: &View) -> Vec<String> {
    let calls = view.alarms.iter().filter(|alarm| alarm.state == State::Unacknowledged);
    calls.map(|alarm| format!("{:?} {:?}", alarm.tag, view.why)).collect()
}

/// What a sensible operator would call a false alarm is one that comes though every sheet is held and every reading arrives.
#[test]
fn forty_sheets_with_breaks_blow_offs_and_reloads_call_nobody() {
    let shop = Shop::new();
    // The card with many small parts in its turn; a small part that goes moves the gauge by less than can be told, and calls nobody.
    let scenes: Vec<Scene> =
        (0..SHEETS).map(|sheet| if sheet % 5 == 4 { Scene::SmallPartLost } else { Scene::GoodCut }).collect();
    let mut bay = Bay::day(&shop, &scenes, Truth::drawn(&shop.setup.table, 11), 11);
    // Each scene lasts as long as a good cut.
    let mut alone = Bay::new(&shop, Scene::GoodCut, Truth::drawn(&shop.setup.table, 11), 11);
    while !alone.ended() {
        alone.advance();
    }
    let each = alone.now.secs_f64().floor();
    let mut lost = 0.0;
    let mut sheet = 0;
    while !bay.ended() {
        let now = bay.worked().secs_f64();
        if now >= each * (sheet as f64 + 1.0) && sheet + 1 < SHEETS {
            sheet += 1;
            // Coffee twice and lunch, the pump off, the gauge read all the while.
            let pause = match sheet {
                10 | 30 => 900.0,
                20 => 1_800.0,
                _ => 0.0,
            };
            for _ in 0..(pause / INTERVAL.secs_f64()) as usize {
                assert_eq!(called(&bay.rest()), [""; 0], "in the break before sheet {sheet}");
            }
        }
        let into = now - each * sheet as f64;
        let share: f64 =
            handling(sheet).iter().filter(|(at, long, _)| (*at..at + long).contains(&into)).map(|part| part.2).sum();
        bay.drop_level(-lost);
        lost = share * bay.level();
        bay.drop_level(lost);
        assert_eq!(called(&bay.advance()), [""; 0], "sheet {sheet}, {into:.1} s into it");
    }
    assert!(bay.now > Span::from_secs(2 * 3_600), "{:?}", bay.now);
}
