//! Further exact properties: what is held of a strip, a rim's leak, superposition, a semi-definite S, balance to the last digit.

use super::*;

/// The mean held share of an endless airtight strip of width w on open board, with L' = t·√(k_xy/k_z): values from a
/// finite-difference Laplace solution, extrapolated, ±0.003 (derived, no publication found); the last are 1 − (4·ln 2/π)·L'/w.
#[test]
fn a_strip_on_open_board_is_held_as_far_as_its_edges_let_it() {
    for (ratio, offset) in [(1.0, 0.0), (4.0, 0.001_7)] {
        let reach = 0.018 * f64::sqrt(ratio);
        for (widths, share) in
            [(2.0, 0.586), (3.0, 0.710), (4.0, 0.780), (6.0, 0.853), (8.0, 0.890), (12.0, 0.926), (16.0, 0.945)]
        {
            let width = widths * reach;
            let length = width + 0.3;
            let table = small_table(length, 0.04, ratio * 2e-13, 2e-13, 0.0);
            let (x0, x1) = (0.15 + offset, 0.15 + offset + width);
            let load = TableLoad { sheets: vec![sheet(x0, 0.0, x1, 0.04)], ..TableLoad::default() };
            let field = Field::solve(&table, &load, Resolution::Standard).unwrap();
            let found = mean_potential_area(&field) / (0.04 * width);
            assert!((found - share).abs() < 0.005, "ratio {ratio}, {widths} L': {found} is not {share}");
        }
    }
}

/// Along 18 mm of board from an open rim, 50 mm to the plenum, k = 1e-12 m²: S per metre = k·t/50 mm; that the board is much
/// more pervious upwards makes it one-dimensional. 200 mbar of it are 1.28322 m³/h of free air per metre (Darcy).
#[test]
fn an_open_rim_leaks_along_the_board() {
    let mut table = small_table(0.4, 0.08, 1e-12, 1e-9, 1e4);
    table.board.rims.x_min = Rim::Open;
    table.plenum.zones[0].rects = vec![Rect::from_metres(0.05, 0.0, 0.4, 0.08)];
    let found = conductance(&table, &covered(0.4, 0.08), Resolution::Standard) / 0.08;
    close(found, 1e-12 * 0.018 / 0.05, 0.01, "S per metre");
    let potential = 101_325.0_f64.powi(2) - 81_325.0_f64.powi(2);
    close(found * potential / (2.0 * 1.820_567_5e-5) / 101_325.0 * 3600.0, 1.283_22, 0.01, "free air");
}

/// One zone under two plenums draws what both draw together, and presses what both press together.
#[test]
fn zones_superpose() {
    let mut table = small_table(0.4, 0.2, 1e-12, 2e-13, 1.5e10);
    let zone = table.plenum.zones[0].clone();
    let rects = [Rect::from_metres(0.02, 0.02, 0.18, 0.18), Rect::from_metres(0.2, 0.02, 0.38, 0.18)];
    table.plenum.zones = rects.iter().map(|rect| Zone { rects: vec![*rect], ..zone.clone() }).collect();
    let mut load = turned(0.1, 20.0, 0.006, 2e-5);
    load.sheets = vec![sheet(0.0, 0.0, 0.4, 0.2)];
    load.sheets[0].gap = Length::from_metres(2e-5);
    let apart = Field::solve_to(&table, &load, Resolution::Preview, Precision::Exact).unwrap();
    table.plenum.zones = vec![Zone { rects: rects.to_vec(), ..zone }];
    let together = Field::solve_to(&table, &load, Resolution::Preview, Precision::Exact).unwrap();
    let sum: f64 = entries(&apart).iter().flatten().sum();
    close(sum, together.zones().get(ZoneId(0), ZoneId(0)), 1e-9, "S");
    let (v, room) = (PressureSquared::from_pascals_squared(6e9), AbsolutePressure::STANDARD_ATMOSPHERE);
    let force = |field: &Field, potentials: &[PressureSquared]| field.part_force(PartId(0), potentials, room).newtons();
    close(force(&apart, &[v, v]), force(&together, &[v]), 1e-6, "force");
}

/// The pull of a part as patches is that of its cells, whatever the zones' potentials are.
#[test]
fn a_grip_presses_as_its_part_does() {
    let case = Case::read(&text("half_sheet_12_parts_2_closed")).unwrap();
    let field = Field::solve(&case.table, &case.load, Resolution::Standard).unwrap();
    let room = case.table.air.room;
    for depths in [[0.99; 6], [0.8, 0.1, 0.7, 0.0, 0.9, 0.3], [0.2, 0.9, 0.0, 0.9, 0.0, 0.5]] {
        let potentials =
            depths.map(|depth| PressureSquared::from_pascals_squared(depth * room.pascals() * room.pascals()));
        for part in (0..case.load.parts.len() as u32).map(PartId) {
            let (cells, patches) =
                (field.part_force(part, &potentials, room), field.grip(part).force(&potentials, room));
            assert!(
                (cells - patches).newtons().abs() <= 1e-3 * cells.newtons() + 0.1,
                "{part:?}: {cells:?} {patches:?}"
            );
        }
    }
}

/// A sequence that goes back and forth between loads of a cut comes to what each is alone.
#[test]
fn a_sequence_goes_to_any_load_of_its_cut() {
    let case = Case::read(&text("half_sheet_12_parts_2_closed")).unwrap();
    let with = |kerfs: usize, part_way: f64| {
        let mut load = case.load.clone();
        load.kerfs.truncate(kerfs);
        if let Some(last) = load.kerfs.last_mut().filter(|_| part_way < 1.0) {
            let (a, b) = (last.path[0], last.path[1]);
            last.path = vec![a, Point { x: a.x + (b.x - a.x) * part_way, y: a.y + (b.y - a.y) * part_way }];
        }
        load
    };
    let mut sequence = Sequence::start(&case.table, &with(0, 1.0), Resolution::Standard).unwrap();
    for (kerfs, part_way) in [(1, 0.3), (1, 0.8), (2, 0.5), (5, 1.0), (4, 0.4), (0, 1.0), (12, 1.0)] {
        let load = with(kerfs, part_way);
        sequence.go_to(&load).unwrap();
        let alone = Field::solve(&case.table, &load, Resolution::Standard).unwrap();
        let (followed, anew) = (answer(&case, sequence.field()).result, answer(&case, &alone).result);
        assert!((followed.manifold_Pa - anew.manifold_Pa).abs() < 20.0, "{kerfs}: {followed:?} {anew:?}");
        for (part, force) in &followed.part_force_N {
            close(*force, anew.part_force_N[part], 1e-3, part);
        }
    }
    let mut lost = with(12, 1.0);
    lost.parts[3].lost = true;
    sequence.go_to(&lost).unwrap();
    let alone = Field::solve(&case.table, &lost, Resolution::Standard).unwrap();
    assert_eq!(entries(sequence.field()), entries(&alone));
}

/// Whatever the network balances, mass does: what the zones draw, leak and bleed is what the pump moves.
#[test]
fn every_open_case_balances_to_a_billionth() {
    for name in CASES {
        let case = Case::read(&text(name)).unwrap();
        let found = solve(&text(name), Resolution::Preview).unwrap().result;
        let room = case.table.air.room.pascals();
        let below = |pressure: f64| room * room - pressure * pressure;
        let manifold = &case.table.manifold;
        let leaks = case.table.plenum.zones.iter().zip(&found.zone_Pa).zip(0u8..);
        let leaks = leaks.map(
            |((zone, p), id)| {
                if case.open.contains(ZoneId(id)) { zone.leak.m3_per_s_pa() * below(*p) } else { 0.0 }
            },
        );
        let relief = manifold
            .relief
            .map_or(0.0, |relief| relief.slope_m3_s * (relief.set.pascals() - found.manifold_Pa).max(0.0));
        let drawn = case.open.iter().map(|zone| found.zone_throughput_Pa_m3_s[usize::from(zone.0)]);
        let bleed = manifold.bleed.m3_per_s_pa() * below(found.manifold_Pa);
        let sum = drawn.sum::<f64>() + leaks.sum::<f64>() + bleed + relief;
        close(sum, found.throughput_Pa_m3_s, 1e-9, name);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, failure_persistence: None, ..ProptestConfig::default() })]

    /// vᵀ·S·v is the power that drives the flow: never below zero, whatever the zones' potentials.
    #[test]
    fn the_zone_matrix_is_semi_definite((table, load) in any_load(), v in prop::array::uniform4(-1.0..1.0f64)) {
        let matrix = entries(&Field::solve(&table, &load, Resolution::Preview).unwrap());
        let power: f64 =
            matrix.iter().zip(&v).map(|(row, own)| own * row.iter().zip(&v).map(|(s, v)| s * v).sum::<f64>()).sum();
        let scale: f64 = matrix.iter().zip(&v).enumerate().map(|(at, (row, v))| row[at] * v * v).sum();
        prop_assert!(power >= -1e-6 * scale, "{power} of {scale}");
        for (one, row) in matrix.iter().enumerate() {
            prop_assert!(row.iter().enumerate().all(|(other, s)| *s == matrix[other][one]));
        }
    }
}
