//! The watch against tables that are not as the model has them.

use holdwatch::expectation::Spread;
use holdwatch::watch::{Assessment, Verdict};

use crate::chance::Chance;
use crate::kerf_table::{BY_LABEL, Bench, Extra, INTERVAL, JOBS, Job, Opens, ROOM, Wrong, none};

fn sudden(a: &Assessment) -> bool {
    a.conditions.sudden_loss || a.conditions.pump_lost
}

/// How often a loss was found anew.
fn found(all: &[Assessment]) -> usize {
    all.windows(2).filter(|pair| !sudden(&pair[0]) && sudden(&pair[1])).count()
}

/// Cuts of a job with all that can be wrong, so many hours of them: how often a loss was called, and the share of sheets that was
/// called weak.
fn good_cuts(job: Job, hours: f64, seeds: u64) -> (usize, f64) {
    let runs = (hours * 3600.0 / job.secs).ceil() as u64;
    let mut weak = 0;
    let losses = (seeds..seeds + runs).map(|seed| {
        let mut bench = Bench::new(job, Wrong::drawn(&mut Chance::seeded(seed)), BY_LABEL, seed);
        bench.seat(12.0, &none);
        let all = bench.cut(0.0, job.secs, &none);
        weak += usize::from(all.iter().any(|a| a.conditions.level_low));
        found(&all)
    });
    (losses.sum(), weak as f64 / runs as f64)
}

/// One false alarm in 100 h of cutting is the promise: 0.6 are expected in 60 h, and four or more come with a probability of 0.3 %
/// (Poisson). The seeds are fixed, so the count is too.
#[test]
fn large_parts_cut_otherwise_than_expected_are_no_loss() {
    let counts = [(JOBS[0], 0), (JOBS[1], 10_000)].map(|(job, seeds)| good_cuts(job, 30.0, seeds));
    assert!(counts.iter().map(|(losses, _)| losses).sum::<usize>() < 4, "{counts:?}");
    // One sheet in five opens whole outlines at the first plunge, which can put a large part's level below the band.
    assert!(counts.iter().all(|(_, weak)| *weak < 0.06), "{counts:?}");
}

/// As above: 0.9 are expected in 90 h, and four or more come with a probability of 1.3 %.
#[test]
fn small_parts_cut_otherwise_than_expected_are_no_loss() {
    let jobs = [(JOBS[2], 20_000), (JOBS[3], 30_000), (JOBS[4], 40_000)];
    let counts = jobs.map(|(job, seeds)| good_cuts(job, 30.0, seeds));
    assert!(counts.iter().map(|(losses, _)| losses).sum::<usize>() < 4, "{counts:?}");
    assert!(counts.iter().all(|(_, weak)| *weak < 0.01), "{counts:?}");
}

/// In twenty tables, how long after a fault that comes at a share of the cut and grows over so many seconds it is called; `None`
/// where it is not within ten.
fn delays(job: Job, share: f64, over: f64, wrong: impl Fn(Wrong) -> Wrong, fault: Extra) -> Vec<Option<f64>> {
    let when = share * job.secs;
    let growing = |cut: f64| {
        let share = ((cut - when) / over).clamp(0.0, 1.0);
        Extra { free_air: share * fault.free_air, pump_gone: share * fault.pump_gone, ..fault }
    };
    let delay = |seed| {
        let mut bench = Bench::new(job, wrong(Wrong::drawn(&mut Chance::seeded(seed))), BY_LABEL, seed);
        bench.seat(12.0, &none);
        bench.cut(0.0, when, &none);
        let all = bench.cut(when, when + 10.0, &growing);
        all.iter().position(sudden).map(|place| (place + 1) as f64 * INTERVAL)
    };
    (50_000..50_020).map(delay).collect()
}

/// How many were called within so many seconds.
fn within(delays: &[Option<f64>], secs: f64) -> usize {
    delays.iter().flatten().filter(|delay| **delay <= secs + 1e-9).count()
}

/// Air that lowers the level of an uncut sheet by so many pascals: an end of the sheet that lifts.
fn lift(job: Job, pascals: f64) -> Extra {
    Extra { free_air: job.speed * pascals / ROOM, ..Extra::default() }
}

/// Noise of the flow that passes through the plenum hides a loss best; with more of it than 0.2 kPa small ones stay unseen.
fn quiet(wrong: Wrong) -> Wrong {
    Wrong { flow: wrong.flow.min(200.0), ..wrong }
}

/// A kerf that opens as expected, leaks up to a quarter more or less and is told 3 s late.
fn fair(wrong: Wrong) -> Wrong {
    Wrong { opens: Opens::Evenly, board: 1.0, late: 3.0, ..quiet(wrong) }
}

/// An independent model of such tables: a sheet that shifts or lifts moves the level by 0.3 to 1.2 kPa and by more. 4 kPa are those of the
/// demo's; it is to be seen within the seconds in which a hand finds the feed-hold key.
#[test]
fn a_lifted_sheet_is_called_within_seconds_in_a_wrong_table_too() {
    for job in &JOBS[1..] {
        for share in [0.3, 0.6, 0.9] {
            let all = delays(*job, share, 0.5, quiet, lift(*job, 4_000.0));
            assert!(within(&all, 3.0) >= 19, "{} parts at {share}: {all:?}", job.parts);
        }
    }
    // Six large parts: each lowers the level by some 2 kPa, and half of the cut must have shown how evenly.
    for share in [0.55, 0.9] {
        let all = delays(JOBS[0], share, 0.5, fair, lift(JOBS[0], 4_000.0));
        assert!(within(&all, 3.0) >= 19, "at {share}: {all:?}");
    }
}

/// An independent model: a leak of 10 m³/h of free air moves the level by 1.9 kPa with few parts cut, and by 1.0 kPa with 200.
#[test]
fn a_leak_of_nine_cubic_metres_an_hour_is_called_within_seconds_where_parts_are_small() {
    for job in &JOBS[2..] {
        for share in [0.1, 0.3, 0.5] {
            let all = delays(*job, share, 0.5, quiet, Extra { free_air: 9.0, ..Extra::default() });
            let found = (within(&all, 3.0), within(&all, 10.0));
            assert!(found.0 >= 16 && found.1 >= 18, "{} parts at {share}: {found:?} {all:?}", job.parts);
        }
    }
}

#[test]
fn a_pump_that_stops_is_called_at_once_and_one_that_runs_down_before_it_stands_in_any_table() {
    for job in JOBS {
        for share in [0.1, 0.5, 0.9] {
            for (over, secs) in [(0.5, 1.0), (8.0, 8.0)] {
                let all = delays(job, share, over, |wrong| wrong, Extra { pump_gone: 1.0, ..Extra::default() });
                assert_eq!(within(&all, secs), 20, "{} parts at {share} over {over} s: {all:?}", job.parts);
            }
        }
    }
}

/// A leak of a share of what the pump moves, there from the beginning or grown little by little, is a low level and no sudden loss.
#[test]
fn a_leak_that_comes_on_slowly_is_weak_and_never_loose() {
    // When it begins by the beginning of the cut, how long it grows, and how long the sheet lies first.
    let before = [(-1_000.0, 1.0, 15.0), (-70.0, 50.0, 80.0), (-40.0, 50.0, 60.0)];
    for (seed, job) in (60_000..).zip(JOBS) {
        for share in [0.15, 0.33] {
            let meanwhile = (0.2 * job.secs, if share > 0.2 { 300.0 } else { 100.0 }, 15.0);
            for (from, over, lies) in before.into_iter().chain([meanwhile]) {
                // A pump known by its plate alone may be weaker by as much as the lesser leak takes.
                let mut bench = Bench::new(job, fair(Wrong::drawn(&mut Chance::seeded(seed))), Spread::SURVEYED, seed);
                let leak = |cut: f64| {
                    let conductance = job.leak(share) * ((cut - from) / over).clamp(0.0, 1.0);
                    Extra { conductance, ..Extra::default() }
                };
                let mut all = bench.seat(lies, &leak);
                all.extend(bench.cut(0.0, 0.95 * job.secs, &leak));
                let what = format!("{share} of the pump, {} parts, from {from} s over {over} s", job.parts);
                assert_eq!(found(&all), 0, "{what}");
                assert_eq!(all.last().map(|a| a.verdict), Some(Verdict::Weak), "{what}");
            }
        }
    }
}
