//! The cheapest plan of skims and new boards, against an independent program's exact solution.
#![expect(clippy::unwrap_used, reason = "a test fails by a panic")]

use holdwatch::board::{Care, Cost, Renewal, Upkeep, UpkeepFault};

fn near(value: f64, expected: f64, tolerance: f64) {
    assert!((value - expected).abs() <= tolerance, "{value} is not {expected} within {tolerance}");
}

fn base() -> Upkeep {
    Upkeep {
        worst_damage: 40,
        skims: 8,
        wear: vec![(1, 0.5), (2, 0.35), (3, 0.15)],
        fresh_margin: 2.2,
        damage_takes: 0.03,
        skim_takes: 0.02,
        margin_spread: 0.18,
        parts: 6.0,
        part: Cost::from_money(35.0),
        energy: Cost::from_money(0.9),
        damage_costs: 0.02,
        skim: Cost::from_money(14.0),
        board: Cost::from_money(95.0),
    }
}

fn hard_wear() -> Upkeep {
    Upkeep { wear: vec![(1, 0.2), (2, 0.4), (3, 0.4)], damage_takes: 0.045, ..base() }
}

/// The damage at which the plan acts, for a full board down to the last skim.
fn thresholds(upkeep: &Upkeep) -> Vec<usize> {
    let plan = upkeep.cheapest().unwrap();
    (0..=upkeep.skims).rev().map(|left| plan.acts_at(left).unwrap().0).collect()
}

#[test]
fn a_sheet_costs_what_its_margin_makes_it_cost() {
    for (damage, left, margin, cost, tolerance) in [
        (0, 8, 2.2, 0.9, 1e-6),
        (10, 8, 1.692_308, 1.092_599, 1e-5),
        (20, 8, 1.375, 5.168_189, 1e-5),
        (20, 0, 1.155, 42.123_569, 1e-5),
    ] {
        near(base().margin(damage, left), margin, 1e-6);
        near(base().sheet(damage, left).money(), cost, tolerance);
    }
    near(base().loss(20, 8), 0.018_610, 1e-6);
}

/// Solved there by policy iteration over 369 states with dense equations, and again by relative value iteration.
#[test]
fn the_cheapest_plan_is_the_exact_one() {
    near(base().cheapest().unwrap().per_sheet.money(), 3.771_895, 1e-5);
    assert_eq!(thresholds(&base()), [19, 18, 17, 16, 15, 14, 13, 12, 11]);
    near(hard_wear().cheapest().unwrap().per_sheet.money(), 5.774_733, 1e-5);
    assert_eq!(thresholds(&hard_wear()), [14, 13, 13, 12, 11, 11, 10, 9, 8]);
    let plan = base().cheapest().unwrap();
    assert_eq!(plan.at(18, 8), Care::Cut);
    assert_eq!(plan.at(19, 8), Care::Skim);
    assert_eq!(plan.at(11, 0), Care::Replace);
    assert_eq!(plan.at(1_000, 1_000), plan.at(40, 8));
}

#[test]
fn one_threshold_for_all_costs_what_is_known_and_never_less_than_the_plan() {
    let cost = |upkeep: &Upkeep, at: usize| upkeep.with_one_threshold(at).unwrap().money();
    for (upkeep, best, at, others) in [
        (base(), 4.015_935, 14, [(20, 5.534_637), (8, 5.448_314)]),
        (hard_wear(), 6.127_624, 11, [(20, 18.104_225), (8, 6.895_925)]),
    ] {
        near(cost(&upkeep, at), best, 1e-5);
        others.into_iter().for_each(|(other, known)| near(cost(&upkeep, other), known, 1e-5));
        let least = (1..=40).map(|at| cost(&upkeep, at)).fold(f64::INFINITY, f64::min);
        near(least, best, 1e-5);
        assert!(upkeep.cheapest().unwrap().per_sheet.money() < least);
    }
}

#[test]
fn a_thinner_board_is_never_left_longer_and_dearer_parts_call_sooner() {
    for part in [5.0, 20.0, 35.0, 100.0, 1_000.0] {
        let here = thresholds(&Upkeep { part: Cost::from_money(part), ..base() });
        assert!(here.windows(2).all(|pair| pair[1] <= pair[0]), "{here:?}");
        let dearer = thresholds(&Upkeep { part: Cost::from_money(2.0 * part), ..base() });
        assert!(here.iter().zip(&dearer).all(|(here, dearer)| dearer <= here), "{here:?} {dearer:?}");
    }
}

/// With a slow skim and a cheap board, the last skims are not worth their minutes.
#[test]
fn a_cheap_board_is_changed_before_its_last_skim() {
    let upkeep = Upkeep { skim: Cost::from_money(40.0), board: Cost::from_money(60.0), ..base() };
    let plan = upkeep.cheapest().unwrap();
    assert_eq!(plan.acts_at(1).unwrap().1, Care::Replace);
    assert_eq!(plan.acts_at(8).unwrap().1, Care::Skim);
}

#[test]
fn care_that_costs_nothing_is_taken_at_once_and_wear_that_does_nothing_never() {
    let free = Upkeep { skim: Cost::from_money(0.0), board: Cost::from_money(0.0), ..base() };
    let plan = free.cheapest().unwrap();
    assert_eq!(plan.acts_at(8).unwrap().0, 1);
    let harmless = Upkeep { part: Cost::from_money(0.0), damage_costs: 0.0, ..base() };
    let plan = harmless.cheapest().unwrap();
    assert_eq!((plan.acts_at(8), plan.acts_at(0)), (None, None));
    near(plan.per_sheet.money(), 0.9, 1e-12);
}

/// The plan's own promise, kept by a board that is cut four hundred thousand sheets by it.
#[test]
fn a_board_kept_by_the_plan_costs_what_the_plan_says() {
    let upkeep = base();
    let plan = upkeep.cheapest().unwrap();
    let mut state = 7_u64;
    let mut chance = move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as f64 / f64::from(1_u32 << 31)
    };
    let (mut damage, mut left, mut cost) = (0_usize, upkeep.skims, 0.0);
    let sheets = 400_000;
    for _ in 0..sheets {
        match plan.at(damage, left) {
            Care::Cut => {}
            Care::Skim => (damage, left, cost) = (0, left - 1, cost + upkeep.skim.money()),
            Care::Replace => (damage, left, cost) = (0, upkeep.skims, cost + upkeep.board.money()),
        }
        cost += upkeep.sheet(damage, left).money();
        let draw = chance();
        damage = (damage
            + if draw < 0.5 {
                1
            } else if draw < 0.85 {
                2
            } else {
                3
            })
        .min(40);
    }
    near(cost / f64::from(sheets) / plan.per_sheet.money(), 1.0, 0.01);
}

#[test]
fn numbers_that_make_no_sense_are_refused() {
    let fault = |upkeep: Upkeep| upkeep.cheapest().unwrap_err();
    assert_eq!(fault(Upkeep { worst_damage: 0, ..base() }), UpkeepFault::NoDamage);
    assert_eq!(fault(Upkeep { wear: vec![(0, 1.0)], ..base() }), UpkeepFault::Wear);
    assert_eq!(fault(Upkeep { wear: vec![(1, 0.7)], ..base() }), UpkeepFault::Wear);
    assert_eq!(fault(Upkeep { wear: vec![], ..base() }), UpkeepFault::Wear);
    assert_eq!(fault(Upkeep { margin_spread: 0.0, ..base() }), UpkeepFault::Amount);
    assert_eq!(fault(Upkeep { skim: Cost::from_money(f64::NAN), ..base() }), UpkeepFault::Amount);
    assert_eq!(fault(Upkeep { parts: -1.0, ..base() }), UpkeepFault::Amount);
}

/// Textbook: minimal repair with replacement at a fixed age (Barlow and Hunter 1960), C(T) = (c_p + c_f·H(T))/T, with a lost part
/// as the repair and wear of exactly one step a sheet; its best T found here by trying each.
#[test]
fn a_board_without_skims_is_replaced_at_the_textbook_age() {
    for (part, board) in [(35.0, 95.0), (5.0, 95.0), (35.0, 400.0)] {
        let (part, board) = (Cost::from_money(part), Cost::from_money(board));
        let upkeep = Upkeep { wear: vec![(1, 1.0)], skims: 0, part, board, energy: Cost::from_money(0.0), ..base() };
        let rate = |age: usize| {
            let repairs: f64 = (0..age).map(|damage| upkeep.parts * upkeep.loss(damage, 0) * part.money()).sum();
            (board.money() + repairs) / age as f64
        };
        let best = (1..=40).min_by(|a, b| rate(*a).total_cmp(&rate(*b))).unwrap();
        let plan = upkeep.cheapest().unwrap();
        near(plan.per_sheet.money(), rate(best), 1e-9);
        assert_eq!(plan.acts_at(0), Some((best, Care::Replace)));
    }
}

/// Wear of exactly one step a sheet: the plan's own thresholds are the sheets, by counting.
#[test]
fn what_lies_ahead_is_counted_out() {
    let upkeep = Upkeep { wear: vec![(1, 1.0)], ..base() };
    let plan = upkeep.cheapest().unwrap();
    let acts: Vec<usize> = (0..=8).map(|left| plan.acts_at(left).unwrap().0).collect();
    let ahead = plan.prospect(&upkeep, 3, 8, 0.0);
    let to_care = (acts[8] - 3) as f64;
    assert_eq!(ahead.to_care, Some((to_care, to_care)));
    // A skim is followed by a cut, so that each later life has its threshold's sheets.
    let to_board = to_care + acts[..8].iter().sum::<usize>() as f64;
    assert_eq!(ahead.to_board, Some((to_board, to_board)));
    let due = plan.prospect(&upkeep, acts[8], 8, 0.3);
    assert_eq!(due.to_care, Some((0.0, 0.0)));
}

/// Twenty thousand boards kept by the plan, counted.
#[test]
fn nine_boards_of_ten_need_care_within_the_interval() {
    let upkeep = base();
    let plan = upkeep.cheapest().unwrap();
    let mut state = 99_u64;
    let mut chance = move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as f64 / f64::from(1_u32 << 31)
    };
    let (low, high) = plan.prospect(&upkeep, 4, 8, 0.0).to_care.unwrap();
    let boards = 20_000;
    let (mut below, mut above) = (0, 0);
    for _ in 0..boards {
        let (mut damage, mut sheets) = (4, 0.0);
        while plan.at(damage, 8) == Care::Cut {
            let draw = chance();
            damage += if draw < 0.5 {
                1
            } else if draw < 0.85 {
                2
            } else {
                3
            };
            sheets += 1.0;
        }
        below += u32::from(sheets < low);
        above += u32::from(sheets > high);
    }
    assert!(f64::from(below) <= 0.055 * f64::from(boards), "{below}");
    assert!(f64::from(above) <= 0.055 * f64::from(boards), "{above}");
    let wider = plan.prospect(&upkeep, 4, 8, 0.3).to_care.unwrap();
    assert!(wider.0 < low && wider.1 > high, "{wider:?}");
}

/// By the plan's own promise: cutting on where care is due costs more, and the more so the longer it is due.
#[test]
fn waiting_costs_more_the_longer_care_is_due() {
    let upkeep = base();
    let plan = upkeep.cheapest().unwrap();
    let costs: Vec<f64> =
        [19, 22, 26, 30].map(|damage| plan.prospect(&upkeep, damage, 8, 0.0).waiting.money()).to_vec();
    assert!(costs[0] > 0.0 && costs.windows(2).all(|pair| pair[0] < pair[1]), "{costs:?}");
    assert_eq!(plan.prospect(&upkeep, 0, 8, 0.0).waiting.money().to_bits(), costs[0].to_bits());
    let harmless = Upkeep { part: Cost::from_money(0.0), damage_costs: 0.0, ..base() };
    let never = harmless.cheapest().unwrap().prospect(&harmless, 0, 8, 0.0);
    assert_eq!((never.to_care, never.to_board, never.waiting.money()), (None, None, 0.0));
}

/// A part of Weibull's life, looked at once in an hour, replaced at an age or when it fails (Barlow and Hunter 1960). Optimum and cost
/// rate by quadrature with scipy, and within 0.03 % by the grid search of the package reliability.
#[test]
fn a_part_that_fails_is_replaced_at_the_textbook_age() {
    for (failure, scale, shape, best, rate) in [
        (5.0, 1000.0_f64, 2.5_f64, 493.047, 0.003_462_043),
        (10.0, 1000.0, 2.5, 354.574, 0.004_750_547),
        (5.0, 1000.0, 1.5, 675.492, 0.004_931_299),
    ] {
        let survives = |age: f64| (-(age / scale).powf(shape)).exp();
        let hours = 2000;
        let ends = (0..=hours).map(|hour| 1.0 - survives(f64::from(hour) + 1.0) / survives(f64::from(hour))).collect();
        let renewal = Renewal {
            wear: vec![(1, 1.0)],
            sheet: vec![vec![Cost::from_money(0.0); hours as usize + 1]],
            ends,
            broken: Cost::from_money(failure - 1.0),
            skim: Cost::from_money(0.0),
            board: Cost::from_money(1.0),
        };
        let plan = renewal.cheapest();
        // In whole hours the age is right to one; the rate counts a started hour as a whole one: half of one in some 450.
        let (age, care) = plan.acts_at(0).unwrap();
        assert_eq!(care, Care::Replace);
        near(age as f64, best, 1.5);
        near(plan.per_sheet.money() / rate, 1.0, 2e-3);
    }
}

/// Wear by exponential steps of mean 1 for each look, failure at a level: the control limit in closed form, ξ·e^ξ = c_p·e^L/(c_f − c_p),
/// at the cost c_p/ξ, and confirmed there by simulation. Here in steps of 0.02.
#[test]
fn wear_by_chance_is_stopped_at_the_textbook_limit() {
    for (level, planned, failed, limit, rate) in
        [(8.0, 50.0, 500.0, 4.335_856, 11.531_747), (6.0, 20.0, 400.0, 2.246_284, 8.903_594)]
    {
        let step = 0.02;
        let states = (level / step) as usize;
        // A step is as long as its middle, so that the mean is kept.
        let wear: Vec<(usize, f64)> = (1..=states)
            .map(|steps| {
                let (low, high) = ((steps as f64 - 0.5) * step, (steps as f64 + 0.5) * step);
                let low: f64 = if steps == 1 { 0.0 } else { low };
                let high = if steps == states { f64::INFINITY } else { high };
                (steps, (-low).exp() - (-high).exp())
            })
            .collect();
        let breaks = |damage: usize| (-(level - damage as f64 * step)).exp() * (failed - planned);
        let renewal = Renewal {
            wear,
            sheet: vec![(0..=states).map(|damage| Cost::from_money(breaks(damage))).collect()],
            ends: vec![0.0; states + 1],
            broken: Cost::from_money(0.0),
            skim: Cost::from_money(0.0),
            board: Cost::from_money(planned),
        };
        let plan = renewal.cheapest();
        near(plan.acts_at(0).unwrap().0 as f64 * step, limit, 0.04);
        near(plan.per_sheet.money() / rate, 1.0, 5e-3);
    }
}
