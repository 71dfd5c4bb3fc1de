//! Slow causes parted across sheets, against sheets of which the causes are known.
#![allow(clippy::unwrap_used, reason = "a test fails by a panic")]

#[path = "support/chance.rs"]
mod chance;

use chance::Chance;
use holdwatch::board::causes::{Causes, Lie, SheetLeak};
use holdwatch::board::sealing::Bead;
use holdwatch::board::survey::Side;
use holdwatch::units::{Area, Length, SquareConductance};

/// What really leaks: for each square metre and each metre in m³/(s·Pa), and the pump's loss.
#[derive(Clone, Copy)]
struct Truth {
    face: f64,
    rim: f64,
    suction: f64,
}

/// A sheet of these many zones of 0.8 by 0.6 m, from a corner of the table inwards; the film of small errors of the expectation, 3 %.
fn sheet(zones: f64, beside: f64, truth: Truth, chance: &mut Chance) -> SheetLeak {
    let (covered, rim) = (0.48 * zones * (0.6 + 0.4 * chance.uniform()), 0.7 * beside);
    let expected = 2e-9 + 3e-9 * covered + 1e-9 * rim;
    let measured = (expected + truth.face * covered + truth.rim * rim) * (1.0 + truth.suction);
    let measured = measured * (1.0 + 0.03 * chance.normal());
    let conductance = SquareConductance::from_m3_per_s_pa;
    SheetLeak {
        expected: conductance(expected),
        measured: conductance(measured),
        spread: conductance(0.03 * expected),
        lie: Lie {
            covered: Area::from_square_metres(covered),
            sides: [Length::from_metres(rim), Length::ZERO, Length::ZERO, Length::ZERO],
            seams: Vec::new(),
        },
    }
}

fn month(truth: Truth, chance: &mut Chance) -> Vec<SheetLeak> {
    // Zones, and zone sides at a rim: one in a corner, a row, the middle columns, all six.
    [(1.0, 2.0), (2.0, 3.0), (3.0, 5.0), (2.0, 2.0), (4.0, 7.0), (6.0, 10.0)]
        .into_iter()
        .cycle()
        .take(60)
        .map(|(zones, beside)| sheet(zones, beside, truth, chance))
        .collect()
}

/// The shares as defined: of what the mean sheet should leak.
fn shares(truth: Truth, sheets: &[SheetLeak]) -> [f64; 3] {
    let mean = |of: &dyn Fn(&SheetLeak) -> f64| sheets.iter().map(of).sum::<f64>() / sheets.len() as f64;
    let expected = mean(&|sheet| sheet.expected.m3_per_s_pa());
    let whole = 1.0 + truth.suction;
    [
        whole * truth.face * mean(&|sheet| sheet.lie.covered.square_metres()) / expected,
        whole * truth.rim * mean(&|sheet| sheet.lie.rim().metres()) / expected,
        truth.suction,
    ]
}

/// A table of 3 by 2 zones of 0.8 by 0.6 m with a seam over its second one; a sheet that covers more or less of its zones. Each side and
/// the seam leaks so much a metre.
fn on_zones(zones: &[usize], metre: [f64; 5], suction: f64, chance: &mut Chance) -> SheetLeak {
    let count = |of: &dyn Fn(usize) -> bool| zones.iter().filter(|zone| of(**zone)).count() as f64;
    let sides = [
        0.6 * count(&|zone| zone % 3 == 0),
        0.6 * count(&|zone| zone % 3 == 2),
        0.8 * count(&|zone| zone < 3),
        0.8 * count(&|zone| zone >= 3),
    ];
    let seam = 0.6 * count(&|zone| zone == 1);
    let covered = 0.48 * zones.len() as f64 * (0.5 + 0.5 * chance.uniform());
    let rim: f64 = sides.iter().sum();
    let expected = 2e-9 + 3e-9 * covered + 1e-9 * rim;
    let extra: f64 = sides.iter().chain([&seam]).zip(metre).map(|(length, metre)| length * metre).sum();
    let measured = (expected + extra) * (1.0 + suction) * (1.0 + 0.02 * chance.normal());
    let conductance = SquareConductance::from_m3_per_s_pa;
    let lie = Lie {
        covered: Area::from_square_metres(covered),
        sides: sides.map(Length::from_metres),
        seams: vec![Length::from_metres(seam)],
    };
    SheetLeak {
        expected: conductance(expected),
        measured: conductance(measured),
        spread: conductance(0.02 * expected),
        lie,
    }
}

/// One side or the seam leaks; sheets on many sets of zones tell which, and hardly ever blame another.
#[test]
fn the_side_or_seam_that_leaks_is_named() {
    let sets: [&[usize]; 9] =
        [&[0], &[2, 5], &[1, 4], &[0, 3], &[3, 4], &[1, 2], &[5], &[0, 1, 2, 3, 4, 5], &[0, 1, 3, 4]];
    let beads =
        [Bead::Side(Side::XMin), Bead::Side(Side::XMax), Bead::Side(Side::YMin), Bead::Side(Side::YMax), Bead::Seam(0)];
    let (mut named, mut blamed) = (0, 0);
    for seed in 0..100 {
        let mut chance = Chance::seeded(seed);
        let mut metre = [0.0; 5];
        let place = usize::try_from(seed).unwrap() % 5;
        metre[place] = 2e-9 + 2e-9 * chance.uniform();
        let suction = 0.1 * chance.uniform();
        let sheets: Vec<SheetLeak> =
            sets.iter().cycle().take(54).map(|zones| on_zones(zones, metre, suction, &mut chance)).collect();
        let leaking = Causes::of(&sheets).unwrap().leaking();
        named += u32::from(leaking.first().is_some_and(|(bead, _)| *bead == beads[place]));
        blamed += u32::from(leaking.iter().any(|(bead, _)| *bead != beads[place]));
    }
    println!("of 100 leaking sides and seams {named} are named first; in {blamed} another is blamed as well");
    // At 95 %, each of four sound ones is found leaking at most once in forty.
    assert!(named >= 90 && blamed <= 15, "{named} {blamed}");
}

/// Sheets on the whole table alone tell no side from another.
#[test]
fn zones_that_are_always_open_together_name_no_side() {
    let mut chance = Chance::seeded(8);
    let sheets: Vec<SheetLeak> =
        (0..40).map(|_| on_zones(&[0, 1, 2, 3, 4, 5], [3e-9, 0.0, 0.0, 0.0, 0.0], 0.0, &mut chance)).collect();
    assert!(Causes::of(&sheets).unwrap().leaking().is_empty());
}

#[test]
fn shares_lie_in_their_intervals_as_often_as_they_say() {
    let (mut told, mut inside) = (0_u32, 0_u32);
    for seed in 0..400 {
        let mut chance = Chance::seeded(seed);
        let truth =
            Truth { face: 3e-9 * chance.uniform(), rim: 1.5e-9 * chance.uniform(), suction: 0.2 * chance.uniform() };
        let sheets = month(truth, &mut chance);
        let causes = Causes::of(&sheets).unwrap();
        for (part, share) in [causes.face, causes.rim, causes.suction].into_iter().zip(shares(truth, &sheets)) {
            if part.told {
                told += 1;
                inside += u32::from(part.interval.0 <= share && share <= part.interval.1);
            }
        }
    }
    let share = f64::from(inside) / f64::from(told);
    println!("{inside} of {told} shares lie in their 95 % interval");
    assert!(told > 300, "{told}");
    assert!((0.90..=0.99).contains(&share), "{share}");
}

/// A shop that cuts one kind of sheet on one zone cannot part the causes, only their sum.
#[test]
fn sheets_that_all_lie_alike_part_nothing_but_the_sum() {
    let mut chance = Chance::seeded(5);
    let truth = Truth { face: 2e-9, rim: 0.0, suction: 0.0 };
    let alike: Vec<SheetLeak> = (0..40)
        .map(|_| {
            let mut one = sheet(2.0, 3.0, truth, &mut Chance::seeded(1));
            let measured = one.measured.m3_per_s_pa() * (1.0 + 0.03 * chance.normal());
            one.measured = SquareConductance::from_m3_per_s_pa(measured);
            one
        })
        .collect();
    let causes = Causes::of(&alike).unwrap();
    assert!(!causes.face.told && !causes.rim.told && !causes.suction.told, "{causes:?}");
    let excess = alike[0].measured.m3_per_s_pa() / alike[0].expected.m3_per_s_pa() - 1.0;
    assert!(causes.together.told && (causes.together.share - excess).abs() < 0.1, "{causes:?}");
}

#[test]
fn a_warped_sheet_does_not_become_a_cause() {
    let mut chance = Chance::seeded(11);
    let truth = Truth { face: 1e-9, rim: 5e-10, suction: 0.05 };
    let sound = month(truth, &mut chance);
    let mut warped = sound.clone();
    warped[7].measured = SquareConductance::from_m3_per_s_pa(10.0 * warped[7].measured.m3_per_s_pa());
    let (sound, warped) = (Causes::of(&sound).unwrap(), Causes::of(&warped).unwrap());
    assert!((sound.face.share - warped.face.share).abs() < 0.15, "{sound:?} {warped:?}");
    assert!((sound.suction.share - warped.suction.share).abs() < 0.15);
}

#[test]
fn too_few_sheets_and_numbers_that_cannot_be_give_nothing() {
    let mut chance = Chance::seeded(3);
    let truth = Truth { face: 0.0, rim: 0.0, suction: 0.0 };
    let mut sheets = month(truth, &mut chance);
    assert_eq!(Causes::of(&sheets[..5]), None);
    sheets[3].measured = SquareConductance::from_m3_per_s_pa(f64::NAN);
    assert_eq!(Causes::of(&sheets), None);
}
