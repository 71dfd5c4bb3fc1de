//! Trends, where they cross a level, and the board's life that stands on them.

#![expect(clippy::unwrap_used, reason = "a test fails by a panic")]

use holdwatch::board::{BoardLife, BoardSettings, Deed, Prompt, Trace};
use holdwatch::moment::Steady;
use holdwatch::stats::{Drift, Line, kendall};

fn near(value: f64, expected: f64, tolerance: f64) {
    assert!((value - expected).abs() <= tolerance, "{value} is not {expected} within {tolerance}");
}

fn series(values: &[f64]) -> Vec<(f64, f64)> {
    values.iter().enumerate().map(|(place, value)| (place as f64, *value)).collect()
}

/// A leak index over twelve sheets; expected values below are from two public packages for trend tests.
const SHEETS: [f64; 12] = [12.0, 12.1, 12.0, 12.4, 12.3, 12.8, 12.7, 13.1, 13.0, 13.4, 13.3, 13.9];

/// Metres cut and leak index before and after a skim.
const BEFORE: [(f64, f64); 6] = [(0.0, 5.0), (40.0, 5.4), (85.0, 5.7), (120.0, 6.3), (160.0, 6.4), (210.0, 7.1)];
const AFTER: [(f64, f64); 5] = [(220.0, 4.1), (260.0, 4.4), (300.0, 5.0), (345.0, 5.2), (380.0, 5.7)];

/// The yearly flow of the Nile at Aswan, 1871 to 1970, in 10⁸ m³ (Cobb, Biometrika 65, 1978).
const NILE: [f64; 100] = [
    1120.0, 1160.0, 963.0, 1210.0, 1160.0, 1160.0, 813.0, 1230.0, 1370.0, 1140.0, 995.0, 935.0, 1110.0, 994.0, 1020.0,
    960.0, 1180.0, 799.0, 958.0, 1140.0, 1100.0, 1210.0, 1150.0, 1250.0, 1260.0, 1220.0, 1030.0, 1100.0, 774.0, 840.0,
    874.0, 694.0, 940.0, 833.0, 701.0, 916.0, 692.0, 1020.0, 1050.0, 969.0, 831.0, 726.0, 456.0, 824.0, 702.0, 1120.0,
    1100.0, 832.0, 764.0, 821.0, 768.0, 845.0, 864.0, 862.0, 698.0, 845.0, 744.0, 796.0, 1040.0, 759.0, 781.0, 865.0,
    845.0, 944.0, 984.0, 897.0, 822.0, 1010.0, 771.0, 676.0, 649.0, 846.0, 812.0, 742.0, 801.0, 1040.0, 860.0, 874.0,
    848.0, 890.0, 744.0, 749.0, 838.0, 1050.0, 918.0, 986.0, 797.0, 923.0, 975.0, 815.0, 1020.0, 906.0, 901.0, 1170.0,
    912.0, 746.0, 919.0, 718.0, 714.0, 740.0,
];

/// A by-hand example of a college's statistics course, with one tie.
#[test]
fn the_trend_test_meets_an_example_worked_by_hand() {
    let values = [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7];
    let trend = kendall(&[&series(&values)]).unwrap();
    near(trend.s, 54.0, 1e-9);
    near(trend.variance, 332.6667, 1e-4);
    near(trend.z, 2.9058, 1e-4);
    near(trend.p, 0.003_662_7, 1e-6);
    near(trend.slope, 0.566_667, 1e-6);
}

#[test]
fn the_trend_test_meets_public_packages_with_many_ties_and_with_none() {
    let tied = kendall(&[&series(&[1.0, 1.0, 2.0, 3.0, 2.0, 4.0, 5.0, 5.0, 6.0, 4.0])]).unwrap();
    assert_eq!((tied.s, tied.variance), (33.0, 121.0));
    near(tied.z, 2.909_091, 1e-6);
    near(tied.slope, 0.6, 1e-9);
    let (low, high) = tied.slope_limits(0.95);
    near(low, 0.320_01, 1e-5);
    near(high, 0.75, 1e-9);
    let sheets = kendall(&[&series(&SHEETS)]).unwrap();
    near(sheets.s, 55.0, 1e-9);
    near(sheets.z, 3.711_654, 1e-6);
    near(sheets.p, 2.0591e-4, 1e-8);
    near(sheets.slope, 0.161_25, 1e-9);
    let (low, high) = sheets.slope_limits(0.95);
    near(low, 0.128_571, 2e-3);
    near(high, 0.2, 2e-3);
}

/// The seasonal test's algebra: four seasons are four blocks (a public package's seasonal test).
#[test]
fn blocks_add_up_as_seasons_do() {
    let values = [10.0, 12.0, 13.0, 14.0, 10.5, 12.4, 13.2, 14.9, 11.0, 12.3, 13.9, 15.0, 11.2, 13.0, 14.1, 15.5];
    let season = |start: usize| -> Vec<(f64, f64)> {
        series(&values.iter().skip(start).step_by(4).copied().collect::<Vec<_>>())
    };
    let seasons: Vec<_> = (0..4).map(season).collect();
    let trend = kendall(&seasons.iter().map(Vec::as_slice).collect::<Vec<_>>()).unwrap();
    near(trend.s, 22.0, 1e-9);
    near(trend.variance, 34.6667, 1e-4);
    near(trend.z, 3.566_673, 1e-6);
    near(trend.slope, 0.4, 1e-9);
}

#[test]
fn a_skim_hides_a_trend_only_from_those_who_look_across_it() {
    let trend = kendall(&[&BEFORE, &AFTER]).unwrap();
    assert_eq!((trend.s, trend.variance), (25.0, 45.0));
    near(trend.z, 3.577_709, 1e-6);
    near(trend.slope, 0.01, 1e-9);
    let pooled: Vec<_> = BEFORE.into_iter().chain(AFTER).collect();
    let across = kendall(&[&pooled]).unwrap();
    near(across.s, 3.0, 1e-9);
    near(across.p, 0.876, 1e-3);
    let line = Line::fit(&[&BEFORE, &AFTER]).unwrap();
    near(line.slope, 0.009_789_99, 1e-8);
    near(line.at(0.0), 1.933_213, 1e-6);
    near(line.deviation, 0.110_703, 1e-6);
    assert_eq!(line.freedom, 8);
}

/// Least squares and Fieller's interval, from an independent program whose intervals cover 0.8975 of simulated crossings.
#[test]
fn a_line_meets_its_level_within_a_known_interval() {
    let line = Line::fit(&[&series(&SHEETS)]).unwrap();
    near(line.at(0.0), 11.85, 1e-9);
    near(line.slope, 0.163_636_4, 1e-7);
    near(line.deviation, 0.167_603, 1e-6);
    let crossing = line.meets(15.0, 0.9).unwrap();
    near(crossing.x, 19.25, 1e-9);
    near(crossing.interval.0, 17.336, 1e-3);
    near(crossing.interval.1, 21.843, 1e-3);
    let reading = line.reading_meets(15.0, 0.9).unwrap();
    near(reading.interval.0, 16.655, 1e-3);
    near(reading.interval.1, 22.524, 1e-3);
}

/// The drop of the Nile at Aswan after 1898 (Cobb 1978), by the difference of the published means, 1097.75 and 849.972; a line
/// through both sides takes some of it.
#[test]
fn a_jump_that_nobody_told_of_is_offered() {
    let mut board = BoardLife::new(BoardSettings { skim_at: 2_000.0, seal_at: 9.0 });
    NILE.iter().for_each(|flow| board.seated(trace(*flow)));
    let jump = board.jump().unwrap();
    assert_eq!(jump.sheets_ago, 100 - (1898 - 1870));
    near(jump.by, 849.972 - 1097.75, 60.0);
    board.did(Deed::Skimmed);
    NILE[28..].iter().for_each(|flow| board.seated(trace(*flow)));
    assert_eq!(board.jump(), None);
}

/// A walk of known variance: distance 6, drift 0.15, 0.4 per step. Its height is at the level 6 from the last point when
/// (6 − 0.15·τ)² = 1.644854²·0.16·τ, by hand 20.26 and 78.98 for an exactly known drift; fitted to 4000 steps it is near that.
#[test]
fn a_walk_that_is_still_to_come_widens_the_interval() {
    let mut state = 5_u64;
    let mut normal = move || {
        let mut share = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((state >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
        };
        (-2.0 * share().ln()).sqrt() * (std::f64::consts::TAU * share()).cos()
    };
    let mut height = 0.0;
    let points: Vec<(f64, f64)> = (0..4000)
        .map(|step| {
            height += 0.15 + 0.4 * normal();
            (f64::from(step), height + 0.2 * normal())
        })
        .collect();
    let drift = Drift::fit(&[&points], 0.0).unwrap();
    near(drift.walk, 0.16, 0.02);
    let scaled = drift.slope / 0.15;
    let crossing = drift.meets(drift.height + 6.0 * scaled, 0.9).unwrap();
    near(crossing.interval.0 - drift.last_x, 20.26, 2.0);
    near(crossing.interval.1 - drift.last_x, 78.98, 8.0);
}

#[test]
fn data_that_set_no_bound_give_unknown() {
    let flat = Line::fit(&[&series(&[1.0, 1.2, 0.9, 1.1, 1.0, 1.1])]).unwrap();
    assert_eq!(flat.meets(2.0, 0.9), None);
    assert_eq!(Line::fit(&[&series(&[1.0, 2.0])]), None);
    assert_eq!(Line::fit(&[&[(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)]]), None);
    assert_eq!(Line::fit(&[&series(&SHEETS), &[]]), None);
    assert!(kendall(&[&[(1.0, 1.0)]]).is_none());
}

/// The best single split by least squares, for the test below: points before it.
fn split(values: &[f64]) -> usize {
    let about_mean = |part: &[f64]| {
        let mean = part.iter().sum::<f64>() / part.len() as f64;
        part.iter().map(|value| (value - mean).powi(2)).sum::<f64>()
    };
    (1..values.len())
        .min_by(|i, j| {
            let cost = |at: usize| about_mean(&values[..at]) + about_mean(&values[at..]);
            cost(*i).total_cmp(&cost(*j))
        })
        .unwrap()
}

/// A drop in 1898 (Cobb 1978) fools a trend test: each side alone has no trend.
#[test]
fn a_single_drop_looks_like_a_trend_until_it_is_split() {
    let at = split(&NILE);
    assert_eq!(1870 + at, 1898);
    near(NILE[..at].iter().sum::<f64>() / at as f64, 1097.75, 1e-3);
    near(NILE[at..].iter().sum::<f64>() / (100 - at) as f64, 849.972, 1e-3);
    near(kendall(&[&series(&NILE)]).unwrap().z, -4.128_07, 1e-4);
    near(kendall(&[&series(&NILE[at..])]).unwrap().p, 0.3096, 1e-4);
    let blocks = kendall(&[&series(&NILE[..at]), &series(&NILE[at..])]).unwrap();
    assert!(blocks.p > 0.1);
}

fn trace(leak_index: f64) -> Trace {
    Trace { at: Steady::default(), leak_index, spread: 0.02 }
}

fn board() -> BoardLife {
    BoardLife::new(BoardSettings { skim_at: 15.0, seal_at: 1.5 })
}

/// The twelve sheets again. The most likely walk is none, and the drift's interval is then the line's to the digits above; the board
/// reckons with jobs that differ, so that its own is wider.
#[test]
fn a_board_says_in_how_many_sheets_it_is_to_be_skimmed() {
    let mut board = board();
    assert_eq!((board.skim_due(), board.leak_index(), board.sheets()), (None, None, 0));
    SHEETS.iter().for_each(|index| board.seated(trace(*index)));
    let still = Drift::fit(&[&series(&SHEETS)], 0.0).unwrap().meets(15.0, 0.9).unwrap();
    near(still.x, 19.25, 1e-9);
    near(still.interval.0, 17.336, 1e-3);
    near(still.interval.1, 21.843, 1e-3);
    let due = board.skim_due().unwrap();
    near(due.sheets, 19.25 - 11.0, 1.0);
    assert!(due.interval.0 < 17.336 - 11.0 && due.interval.1 > 21.843 - 11.0 - 1.0, "{due:?}");
    assert!(due.interval.1 - due.interval.0 > 21.843 - 17.336);
    assert_eq!(board.sheets(), 12);
    assert_eq!(board.leak_index(), Some(13.3));
}

#[test]
fn a_warped_sheet_does_not_bring_the_skim_forward() {
    let (mut clean, mut warped) = (board(), board());
    for (sheet, index) in SHEETS.iter().enumerate() {
        clean.seated(trace(*index));
        warped.seated(trace(if sheet == 7 { 40.0 } else { *index }));
    }
    let (clean, warped) = (clean.skim_due().unwrap(), warped.skim_due().unwrap());
    near(warped.sheets, clean.sheets, 0.5);
}

/// A badly seated sheet leaks as much as a worn face does, and says nothing of it.
#[test]
fn two_badly_seated_sheets_ask_for_no_care() {
    for bad in [[0, 1], [0, 2], [1, 4]] {
        let mut board = BoardLife::new(BoardSettings::default());
        for sheet in 0..5 {
            board.seated(trace(if bad.contains(&sheet) { 11.5 } else { 1.1 }));
            assert!(board.prompts().is_empty(), "sheet {sheet} of {bad:?}: {:?}", board.prompts());
        }
    }
}

#[test]
fn a_board_that_does_not_wear_does_not_say_when() {
    let mut board = board();
    for sheet in 0..40 {
        board.seated(trace(12.0 + f64::from(sheet * 7 % 5) * 0.1));
    }
    assert_eq!(board.skim_due(), None);
    assert!(!board.prompts().contains(&Prompt::Skim));
}

#[test]
fn a_skim_starts_the_trend_anew_and_keeps_its_slope() {
    let mut board = BoardLife::new(BoardSettings::default());
    let wear = |board: &mut BoardLife, from: f64, sheets: i32| {
        (0..sheets).for_each(|n| board.seated(trace(from + 0.05 * f64::from(n) + 0.01 * f64::from(n % 3))));
    };
    wear(&mut board, 1.0, 16);
    assert!(board.prompts().is_empty());
    wear(&mut board, 1.8, 8);
    assert_eq!(board.prompts(), [Prompt::Skim]);
    assert!(board.skim_due().is_some_and(|due| due.sheets == 0.0));
    board.did(Deed::Skimmed);
    assert_eq!((board.sheets(), board.leak_index(), board.skim_due()), (0, None, None));
    assert!(board.prompts().is_empty());
    // Four sheets on a fresh face, with the slope known from the last run: from 1.16 to 2 in about 17 more.
    wear(&mut board, 1.0, 4);
    near(board.skim_due().unwrap().sheets, 17.0, 1.5);
}

#[test]
fn a_fresh_face_that_leaks_more_than_the_last_one_asks_for_its_rims_to_be_sealed() {
    let mut board = BoardLife::new(BoardSettings::default());
    (0..8).for_each(|_| board.seated(trace(1.1)));
    assert!(board.prompts().is_empty());
    board.did(Deed::Skimmed);
    (0..5).for_each(|_| board.seated(trace(1.8)));
    assert_eq!(board.prompts(), [Prompt::Seal]);
    near(board.rim_index().unwrap(), 1.8, 1e-12);
    board.did(Deed::Sealed);
    (0..5).for_each(|_| board.seated(trace(1.1)));
    assert!(board.prompts().is_empty());
    assert_eq!(board.sheets(), 10);
}

#[test]
fn a_long_run_stays_small_and_keeps_its_trend() {
    let mut board = BoardLife::new(BoardSettings { skim_at: 12.0, seal_at: 1.5 });
    for sheet in 0..10_000 {
        board.seated(trace(1.0 + 0.001 * f64::from(sheet) + 0.1 * f64::from(sheet * 7 % 11)));
    }
    let size = postcard::to_stdvec(&board).unwrap().len();
    assert!(size < 4_096, "{size} bytes");
    // The spread of 0.3 about the line is worth 300 sheets of wear.
    near(board.skim_due().unwrap().sheets, 500.0, 100.0);
    for _ in 0..100 {
        board.did(Deed::Skimmed);
        (0..300).for_each(|_| board.seated(trace(1.0)));
    }
    let size = postcard::to_stdvec(&board).unwrap().len();
    assert!(size < 6 * 4_096, "{size} bytes");
    assert_eq!(postcard::from_bytes::<BoardLife>(&postcard::to_stdvec(&board).unwrap()).unwrap(), board);
}

#[test]
fn a_sheet_without_a_number_is_only_counted() {
    let mut board = board();
    board.seated(trace(f64::NAN));
    assert_eq!((board.sheets(), board.leak_index()), (1, None));
}
