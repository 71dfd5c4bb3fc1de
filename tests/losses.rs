//! A loss, and what stands about it, in made time: the whole minder at a gauge, a light and a contact of the test's own.
#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by a panic")]

#[path = "support/bench.rs"]
#[allow(dead_code, reason = "another test uses the rest of it")]
mod bench;
#[path = "support/shop.rs"]
mod shop;

use bench::Bench;
use holdwatch::event::{Command, ProgressTold};
use holdwatch::job::Card;
use holdwatch::lamp::Lamp;
use holdwatch::setup::read_card;
use holdwatch::view::Verdict;
use shop::shop;

const LIGHT: &str = "[[light]]\nname = \"post\"\nline = \"vacuum\"\nunit_id = 2\nred = 0\nyellow = 1\ngreen = 2\nwhite = 3\n\
                     feed_hold = 4\n[feed_hold]\nwired_by = \"a licensed person\"\npurpose = \"advice, no safety function\"\n";
const CYCLE: &str = "[[contact]]\nname = \"cycle\"\nline = \"vacuum\"\nunit_id = 7\ninput = 1\nmeans = \"cutting\"\n";
const CYCLE_AT: (u8, u16) = (7, 1);

/// Six parts on a sheet that covers the table.
fn card(bench: &Bench, name: &str) -> Card {
    let text = format!(
        "name = \"{name}\"\n[sheet]\nat_mm = [0, 0]\nsize_mm = [2440, 1220]\nthickness_mm = 18\nmaterial = \"melamine-faced\"\n\
         [cutter]\ndiameter_mm = 8\nflutes = 2\nspindle_rpm = 18000\nfeed_m_min = 6\nhelix = \"compression\"\nlast_pass_mm = 4\n\
         [[part]]\nname = \"P\"\nat_mm = [60, 60]\nsize_mm = [700, 500]\nrepeat = {{ columns = 3, rows = 2, spacing_mm = 20 }}\n"
    );
    read_card(&text, "card.toml", &bench.setup).unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

/// The level wobbles a little, as it does.
fn run_at(bench: &mut Bench, secs: f64, mbar: f64) {
    bench.run_with(secs, |bench| {
        let step = (bench.now.nanos() / 100_000_000 % 5) as f64 - 2.0;
        bench.level(1, 0, mbar + 0.3 * step);
    });
}

/// The middle of what is expected, its low and its high end, in millibars.
fn expected(bench: &Bench) -> [f64; 3] {
    let expected = bench.view().expected.unwrap();
    [expected.low_pa, expected.mid_pa, expected.high_pa].map(|level| level / 100.0)
}

/// A sheet that lies as it should, a job chosen, the machine at rest; and the level in the middle of its band.
fn seated(more: &str) -> (Bench, f64) {
    let mut bench = Bench::new(&shop(more));
    run_at(&mut bench, 2.0, 0.0);
    let card = card(&bench, "panels");
    bench.command(Command::LoadCard(Box::new(card)));
    run_at(&mut bench, 2.0, 0.0);
    let [_, mid, _] = expected(&bench);
    run_at(&mut bench, 40.0, mid);
    assert_eq!(bench.view().verdict, Verdict::Tight);
    (bench, mid)
}

fn cuts(bench: &mut Bench, cuts: bool) {
    bench.bits.insert(CYCLE_AT, cuts);
}

fn is_called_loose(bench: &Bench) -> bool {
    let view = bench.view();
    let told = view.light.red != Lamp::Off && view.light.green == Lamp::Off && view.light.feed_hold;
    assert_eq!(view.verdict == Verdict::Loose, told, "{:?} {:?}", view.verdict, view.light);
    told
}

/// Whoever holds the feed because of a loss has not mended it: it lasts until the level is back.
#[test]
fn a_loss_outlasts_the_stop_that_it_calls_for() {
    let (mut bench, mid) = seated(&[LIGHT, CYCLE].concat());
    cuts(&mut bench, true);
    run_at(&mut bench, 30.0, mid);
    assert_eq!(bench.view().verdict, Verdict::Tight);
    run_at(&mut bench, 3.0, mid - 120.0);
    assert!(is_called_loose(&bench));
    for cutting in [false, true] {
        cuts(&mut bench, cutting);
        run_at(&mut bench, 30.0, mid - 120.0);
        assert!(is_called_loose(&bench), "cutting {cutting}");
    }
    run_at(&mut bench, 5.0, mid);
    assert_eq!(bench.view().verdict, Verdict::Tight, "pressed down again");
}

/// A controller may say nothing while the feed is held: what is compared with is then another thing, and the loss is not.
#[test]
fn a_loss_outlasts_the_word_of_where_the_cut_is() {
    let (mut bench, _) = seated(LIGHT);
    let tell = |bench: &mut Bench, second: u32| {
        bench.command(Command::Progress(ProgressTold::Fraction(0.005 * f64::from(second))));
        expected(bench)
    };
    for second in 0..120 {
        let [_, mid, _] = tell(&mut bench, second);
        run_at(&mut bench, 1.0, mid);
    }
    assert_eq!(bench.view().verdict, Verdict::Tight);
    let [low, mid, _] = expected(&bench);
    // Inside the band, that late in the cut.
    let lost = mid - 0.8 * (mid - low);
    run_at(&mut bench, 3.0, lost);
    assert!(is_called_loose(&bench), "{low} to {mid}");
    run_at(&mut bench, 30.0, lost);
    assert!(is_called_loose(&bench), "nobody tells any more");
    for second in 120..135 {
        tell(&mut bench, second);
        run_at(&mut bench, 1.0, lost);
    }
    assert!(is_called_loose(&bench), "the cut goes on over the loose sheet");
    let bare = 30.0;
    run_at(&mut bench, 20.0, bare);
    bench.command(Command::Progress(ProgressTold::Cutting(false)));
    run_at(&mut bench, 5.0, bare);
    assert_ne!(bench.view().verdict, Verdict::Loose, "the sheet is off");
}

/// A gauge that goes silent does not mend a loss.
#[test]
fn red_and_the_advice_to_hold_stay_when_the_gauge_is_lost_in_a_loss() {
    let (mut bench, mid) = seated(&[LIGHT, CYCLE].concat());
    cuts(&mut bench, true);
    run_at(&mut bench, 30.0, mid);
    run_at(&mut bench, 3.0, mid - 120.0);
    assert!(is_called_loose(&bench));
    bench.silent.push(1);
    bench.run(5.0);
    let view = bench.view();
    assert_eq!(view.verdict, Verdict::Blind);
    assert!(view.light.red != Lamp::Off && view.light.feed_hold, "{:?}", view.light);
}

/// Half-way back from the band's end to its middle is back, be the band as narrow as that of a deep vacuum.
#[test]
fn weak_and_high_are_left_where_the_band_is_narrow() {
    let (mut bench, mut level) = seated(LIGHT);
    let [low, mid, high] = expected(&bench);
    assert!(mid - low < 0.02 * mid, "the band is no narrow one: {low} to {mid}");
    // Slowly, in a cut that has hardly begun: at rest a sheet that moves is looked at anew.
    let mut seen = |bench: &mut Bench, mbar: f64| {
        for second in 0..40 {
            level += (mbar - level) / f64::from(40 - second).min(20.0);
            bench.command(Command::Progress(ProgressTold::Fraction(1e-6)));
            run_at(bench, 1.0, level);
        }
        bench.view().verdict
    };
    assert_eq!(seen(&mut bench, low - 3.0), Verdict::Weak);
    assert_eq!(seen(&mut bench, mid), Verdict::Tight);
    assert_eq!(seen(&mut bench, high + 3.0), Verdict::High);
    assert_eq!(seen(&mut bench, mid), Verdict::Tight);
}

/// Once told is not told for ever: when the contact is lost, whether the machine cuts is guessed again.
#[test]
fn a_cut_is_guessed_again_when_its_contact_is_lost() {
    let (mut bench, mid) = seated(&[LIGHT, CYCLE].concat());
    cuts(&mut bench, true);
    run_at(&mut bench, 10.0, mid);
    bench.silent.push(7);
    run_at(&mut bench, 60.0, mid);
    assert!(bench.degraded().contains(&"contact-cycle-silent".to_owned()));
    run_at(&mut bench, 30.0, 0.7 * mid);
    assert!(is_called_loose(&bench));
}

/// Nobody watched before: a level far below what it should be is not called TIGHT until it has been compared.
#[test]
fn a_start_in_the_middle_of_a_cut_is_never_green_before_the_level_was_compared() {
    let mut bench = Bench::new(&shop(&[LIGHT, CYCLE].concat()));
    cuts(&mut bench, true);
    bench.level(1, 0, 500.0);
    let card = card(&bench, "panels");
    bench.command(Command::LoadCard(Box::new(card)));
    let mut seen = Vec::new();
    for _ in 0..150 {
        run_at(&mut bench, 0.1, 500.0);
        let view = bench.view();
        assert_eq!(view.light.green, Lamp::Off, "{:?} after {seen:?}", view.verdict);
        if seen.last() != Some(&view.verdict) {
            seen.push(view.verdict);
        }
    }
    assert!(matches!(seen.last(), Some(Verdict::Weak | Verdict::Loose)), "{seen:?}");
}

/// The next job is often chosen while the sheet that was cut by the last one still lies there.
#[test]
fn a_sheet_is_booked_by_the_job_that_it_was_cut_by() {
    let (mut bench, mid) = seated(&[LIGHT, CYCLE].concat());
    cuts(&mut bench, true);
    for share in [0.25, 0.5, 0.75, 1.0] {
        bench.command(Command::Progress(ProgressTold::Fraction(share)));
        run_at(&mut bench, 2.0, mid);
    }
    cuts(&mut bench, false);
    run_at(&mut bench, 5.0, mid);
    let next = Card { parts: vec![], ..card(&bench, "shelves") };
    bench.command(Command::LoadCard(Box::new(next)));
    run_at(&mut bench, 5.0, mid);
    run_at(&mut bench, 10.0, 20.0);
    let sheets = bench.entries("sheet");
    assert_eq!(sheets.len(), 1);
    assert!(sheets[0].contains("\"card\":\"panels\""), "{}", sheets[0]);
    let cut: serde_json::Value = serde_json::from_str(&bench.entries("board-cut")[0]).unwrap();
    // Six outlines of 708 by 508 mm.
    let cut = cut["cut_m"].as_f64().unwrap();
    assert!((cut - 6.0 * 2.0 * (0.708 + 0.508)).abs() < 0.01, "{cut} m");
}

/// The same job for the next sheet: what is expected of it is a whole sheet's level.
#[test]
fn a_job_stays_for_the_next_sheet_and_begins_anew() {
    let (mut bench, mid) = seated(&[LIGHT, CYCLE].concat());
    cuts(&mut bench, true);
    for share in [0.25, 0.5, 0.75, 1.0] {
        bench.command(Command::Progress(ProgressTold::Fraction(share)));
        let [_, mid, _] = expected(&bench);
        run_at(&mut bench, 2.0, mid);
    }
    let [_, cut_out, _] = expected(&bench);
    cuts(&mut bench, false);
    run_at(&mut bench, 5.0, cut_out);
    run_at(&mut bench, 15.0, 20.0);
    assert!(bench.view().job.unwrap().fraction < 1e-9);
    run_at(&mut bench, 20.0, mid);
    assert_eq!(bench.view().verdict, Verdict::Tight);
}
