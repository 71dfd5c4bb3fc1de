//! The flow field against exact solutions, against the answers of an independent finite-volume program on finer grids, and
//! against an independent program in Python.
//!
//! `tests/cases/*.result.json` were made beforehand by an independent program on grids of 2 mm with corrections from 1 mm;
//! their stated accuracy is ±0.2 kPa, ±0.5 % in flow and ±1 to 1.5 % in force.

#![expect(clippy::unwrap_used, reason = "a test that cannot read its case must stop")]

mod own;
mod parts;
mod pores;
mod proof;
mod slanted;

use std::collections::BTreeMap;
use std::f64::consts::{LN_2, PI};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use holdwatch::table::case::{Answer, Case, CaseError, answer, solve};
use holdwatch::table::field::{Field, Precision, Resolution, Sequence};
use holdwatch::table::{
    ClosedForm, Condensed, Kerf, Layer, PartId, PartShape, Point, Rect, Rim, Sheet, Table, TableLoad, Zone, ZoneId,
};
use holdwatch::units::{AbsolutePressure, LayerResistance, Length, Permeability, PressureSquared};
use proptest::prelude::*;
use serde_json::{Value, json};

const CASES: [&str; 5] = [
    "bare_table_4_zones",
    "film_covered_6_zones_unsealed",
    "half_sheet_12_parts_2_closed",
    "blower_128_small_parts",
    "every_field_once",
];

fn text(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/cases").join(format!("{name}.json"));
    fs::read_to_string(path).unwrap()
}

fn value(name: &str) -> Value {
    serde_json::from_str(&text(name)).unwrap()
}

fn close(found: f64, expected: f64, relative: f64, what: &str) {
    let error = found / expected - 1.0;
    assert!(error.abs() <= relative, "{what}: {found:e} is {:.3} % off {expected:e}", 100.0 * error);
}

// ---------------------------------------------------------------- the open cases

/// Our limits: 0.5 kPa, 2 % in flow, 3 % in force, 5 % for parts that are under 80 mm one way or the other.
#[test]
fn the_open_cases_come_out_as_an_independent_program_found_them() {
    for name in CASES {
        let case = Case::read(&text(name)).unwrap();
        let field = Field::solve(&case.table, &case.load, Resolution::Standard).unwrap();
        let reference = &value(&format!("{name}.result"))["reference"];
        check_against_reference(&case, &answer(&case, &field), reference, &STANDARD);
        let matrix = &value(&format!("{name}.result"))["zone_matrix_m3_at_2_mm"];
        for zone in 0..field.zones().count() {
            let id = ZoneId(zone as u8);
            close(field.zones().get(id, id), matrix[zone][zone].as_f64().unwrap(), 0.015, "diagonal of S");
        }
    }
}

/// What may lie between an answer and its reference: pascals, and ratios of flow and force, the last for parts that are under
/// 80 mm one way or the other.
struct Allowed {
    pascals: f64,
    flow: f64,
    force: f64,
    small_force: f64,
}

const STANDARD: Allowed = Allowed { pascals: 500.0, flow: 0.02, force: 0.03, small_force: 0.05 };
const FINE: Allowed = Allowed { pascals: 350.0, flow: 0.02, force: 0.02, small_force: 0.02 };

fn check_against_reference(case: &Case, answer: &Answer, reference: &Value, allowed: &Allowed) {
    let (name, found) = (&answer.case, &answer.result);
    let number = |key: &str| reference[key].as_f64().unwrap();
    let pressures = [(found.manifold_Pa, number("manifold_Pa")), (found.pump_inlet_Pa, number("pump_inlet_Pa"))];
    let zones = found.zone_Pa.iter().enumerate().map(|(at, zone)| (*zone, reference["zone_Pa"][at].as_f64().unwrap()));
    for (pressure, expected) in pressures.into_iter().chain(zones) {
        assert!((pressure - expected).abs() <= allowed.pascals, "{name}: {pressure} Pa is not {expected} Pa");
    }
    close(found.flow_free_air_m3_h, number("flow_free_air_m3_h"), allowed.flow, name);
    close(found.mass_flow_kg_s, number("mass_flow_kg_s"), allowed.flow, name);
    for part in &case.load.parts {
        let (force, expected) =
            (found.part_force_N[&part.name], reference["part_force_N"][&part.name].as_f64().unwrap());
        if part.lost {
            assert!(force == 0.0 && expected == 0.0, "{name}: a lost part presses with {force} N");
        } else {
            let (width, height) = (part.outline[2].x - part.outline[0].x, part.outline[2].y - part.outline[0].y);
            let small = width.min(height).metres() < 0.08;
            let limit = if small { allowed.small_force } else { allowed.force };
            close(force, expected, limit, &format!("{name}, part {}", part.name));
        }
    }
}

#[test]
fn an_answer_is_written_with_the_fields_that_a_result_has() {
    let answer = serde_json::to_value(solve(&text("bare_table_4_zones"), Resolution::Preview).unwrap()).unwrap();
    assert_eq!(answer["schema"], "holddown-result/1");
    assert_eq!(answer["case"], "bare_table_4_zones");
    let keys: Vec<&String> = answer["result"].as_object().unwrap().keys().collect();
    let expected = [
        "flow_free_air_m3_h",
        "manifold_Pa",
        "mass_flow_kg_s",
        "part_force_N",
        "pump_inlet_Pa",
        "throughput_Pa_m3_s",
        "total_cover_force_N",
        "zone_Pa",
        "zone_throughput_Pa_m3_s",
    ];
    let mut sorted: Vec<&str> = keys.iter().map(|key| key.as_str()).collect();
    sorted.sort_unstable();
    assert_eq!(sorted, expected);
}

/// 200 parts cut one after the other. The independent program followed them on a 5 mm grid without its kerf correction:
/// 0.5 kPa, 2 % in flow and 5 % in force there; against own full solutions 20 Pa and 0.1 %, also just before windows give way to one.
#[test]
fn a_cut_sequence_keeps_to_its_full_solutions_and_to_an_independent_program() {
    let case = Case::read(&text("sequence_200")).unwrap();
    let reference = value("sequence_200.result");
    let mut sequence = Sequence::start(&case.table, &case.load, Resolution::Standard).unwrap();
    let mut load = case.load.clone();
    for step in 0..=case.load.parts.len() {
        if let Some(part) = step.checked_sub(1).map(|last| &case.load.parts[last]) {
            let kerf = kerf_around(&part.outline, 0.006);
            sequence.cut(&kerf).unwrap();
            load.kerfs.push(kerf);
        }
        let found = answer(&case, sequence.field()).result;
        let expected = &reference["steps"][step];
        let number = |key: &str| expected[key].as_f64();
        let zones = expected["zone_Pa"].as_array().unwrap().iter().map(|zone| zone.as_f64().unwrap());
        let pressures = zones.zip(&found.zone_Pa).chain([(number("manifold_Pa").unwrap(), &found.manifold_Pa)]);
        for (wanted, pressure) in pressures {
            assert!((pressure - wanted).abs() <= 500.0, "step {step}: {pressure} is not {wanted}");
        }
        close(found.flow_free_air_m3_h, number("flow_free_air_m3_h").unwrap(), 0.02, &format!("step {step}, flow"));
        let (freed, uncut) = case.load.parts.split_at(step);
        for (parts, key) in [(freed, "min_force_freed_N"), (uncut, "min_force_uncut_N")] {
            let least = parts.iter().map(|part| found.part_force_N[&part.name]).fold(f64::INFINITY, f64::min);
            if let Some(wanted) = number(key) {
                close(least, wanted, 0.05, &format!("step {step}, {key}"));
            }
        }
        if step > 0 && step % 16 == 0 {
            check_against_full(&case, &load, &sequence);
        }
    }
    let last = answer(&case, sequence.field()).result.part_force_N;
    assert_eq!(last.len(), reference["last_forces_N"].as_object().unwrap().len());
    for (part, force) in &last {
        close(*force, reference["last_forces_N"][part].as_f64().unwrap(), 0.05, part);
    }
}

fn check_against_full(case: &Case, load: &TableLoad, sequence: &Sequence) {
    let full = answer(case, &Field::solve(&case.table, load, Resolution::Standard).unwrap()).result;
    let windowed = answer(case, sequence.field()).result;
    assert!((windowed.manifold_Pa - full.manifold_Pa).abs() <= 20.0, "{} {}", windowed.manifold_Pa, full.manifold_Pa);
    for (part, force) in &windowed.part_force_N {
        close(*force, full.part_force_N[part], 1e-3, part);
    }
}

fn point(x: f64, y: f64) -> Point {
    Point { x: Length::from_metres(x), y: Length::from_metres(y) }
}

/// A closed kerf whose inner side runs along a rectangle that is turned by no or any angle.
fn kerf_around(outline: &[Point], width: f64) -> Kerf {
    let corners: Vec<(f64, f64)> = outline.iter().map(|corner| (corner.x.metres(), corner.y.metres())).collect();
    let (ux, uy) = (corners[1].0 - corners[0].0, corners[1].1 - corners[0].1);
    let (vx, vy) = (corners[3].0 - corners[0].0, corners[3].1 - corners[0].1);
    let (a, b) = (0.5 * width / ux.hypot(uy), 0.5 * width / vx.hypot(vy));
    let signs = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0)];
    let moved = signs.iter().enumerate().map(|(at, (s, t))| {
        let corner = corners[at % 4];
        point(corner.0 + s * a * ux + t * b * vx, corner.1 + s * a * uy + t * b * vy)
    });
    Kerf { width: Length::from_metres(width), path: moved.collect() }
}

// ---------------------------------------------------------------- exact solutions

/// One zone under all of a sealed board of 18 mm.
fn small_table(length: f64, width: f64, along: f64, through: f64, contact: f64) -> Table {
    let mut table = Case::read(&text("bare_table_4_zones")).unwrap().table;
    table.board.length = Length::from_metres(length);
    table.board.width = Length::from_metres(width);
    table.board.layers = vec![layer(0.018, along, through)];
    table.plenum.contact = LayerResistance::from_per_metre(contact);
    let zone = Zone { rects: vec![Rect::from_metres(0.0, 0.0, length, width)], ..table.plenum.zones[0].clone() };
    table.plenum.zones = vec![zone];
    table
}

fn layer(thickness: f64, along: f64, through: f64) -> Layer {
    Layer {
        thickness: Length::from_metres(thickness),
        along: Permeability::from_square_metres(along),
        through: Permeability::from_square_metres(through),
    }
}

fn sheet(x0: f64, y0: f64, x1: f64, y1: f64) -> Sheet {
    Sheet { rect: Rect::from_metres(x0, y0, x1, y1), gap: Length::ZERO, passes: None }
}

fn covered(length: f64, width: f64) -> TableLoad {
    TableLoad { sheets: vec![sheet(0.0, 0.0, length, width)], ..TableLoad::default() }
}

/// S of the only zone, in m³.
fn conductance(table: &Table, load: &TableLoad, resolution: Resolution) -> f64 {
    Field::solve(table, load, resolution).unwrap().zones().get(ZoneId(0), ZoneId(0))
}

/// The same in double precision, where what is sought is a faint rest.
fn faint_conductance(table: &Table, load: &TableLoad) -> f64 {
    let field = Field::solve_to(table, load, Resolution::Preview, Precision::Exact).unwrap();
    field.zones().get(ZoneId(0), ZoneId(0))
}

/// Through layers in series S = area / Σ resistances, exactly; with the flux G = S·(p₁² − p₂²) / (2µRT·area) this is
/// k·(p₁² − p₂²) / (2µRTL) of any textbook on gas in porous media.
#[test]
fn through_layers_the_flow_is_that_of_resistances_in_series() {
    let mut table = small_table(0.4, 0.2, 1e-12, 2e-13, 1e10);
    table.board.layers = vec![layer(0.0015, 1e-14, 1e-14), layer(0.015, 8e-13, 4e-13), layer(0.0015, 1e-14, 1e-14)];
    table.board.top_entry = LayerResistance::from_per_metre(5e9);
    let resistance = 1e10 + 0.003 / 1e-14 + 0.015 / 4e-13 + 5e9;
    close(conductance(&table, &TableLoad::default(), Resolution::Preview), 0.08 / resistance, 1e-4, "S");
}

/// Both dense faces skimmed off a board of 18 mm raise the flow 9.0 times, one face 1.8 times (layers in series).
#[test]
fn skimming_both_dense_faces_counts_nine_times() {
    let (face, core) = (layer(0.0015, 1e-14, 1e-14), layer(0.015, 4e-13, 4e-13));
    let flow = |layers: Vec<Layer>| {
        let mut table = small_table(0.2, 0.2, 1e-12, 1e-12, 0.0);
        table.board.layers = layers;
        conductance(&table, &TableLoad::default(), Resolution::Preview)
    };
    let whole = flow(vec![face, core, face]);
    close(flow(vec![core]) / whole, 9.0, 1e-3, "both faces");
    close(flow(vec![face, core]) / whole, 1.8, 1e-3, "one face");
}

/// A covered strip between two open rims, with its plenum's contact resistance: w = 1 − v is a sum of modes
/// cos(β(1 − z/t)) with β·tan β = t/(r·k_z), which decay along x with α = β/(t·s), s = √(k_xy/k_z)
/// (H. Carslaw, J. Jaeger, "Conduction of Heat in Solids", section 5.4, for heat).
fn strip_with_exchange(length: f64, width: f64, along: f64, through: f64, contact: f64) -> f64 {
    let (thickness, ratio) = (0.018, (along / through).sqrt());
    let biot = thickness / (contact * through);
    let mode = |n: usize| {
        let beta = root_of_tangent(n, biot);
        let decay = beta / (thickness * ratio);
        let amplitude = 4.0 * beta.sin() / (2.0 * beta + (2.0 * beta).sin());
        amplitude * beta.cos() * 2.0 / decay * (0.5 * decay * length).tanh()
    };
    width / contact * (0..200).map(mode).sum::<f64>()
}

/// The root of β·tan β = `biot` between n·π and (n + ½)·π, by bisection.
fn root_of_tangent(n: usize, biot: f64) -> f64 {
    let (mut low, mut high) = (n as f64 * PI, (n as f64 + 0.5) * PI);
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if middle * middle.tan() < biot { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[test]
fn a_covered_strip_exchanges_with_plenum_and_rims_as_its_modal_sum_says_and_better_on_finer_grids() {
    let (length, width, along, through, contact) = (0.4, 0.08, 1e-12, 2e-13, 2e10);
    let mut table = small_table(length, width, along, through, contact);
    table.board.rims.x_min = Rim::Open;
    table.board.rims.x_max = Rim::Open;
    let exact = strip_with_exchange(length, width, along, through, contact);
    let error = |resolution| conductance(&table, &covered(length, width), resolution) / exact - 1.0;
    let errors = [Resolution::Preview, Resolution::Standard, Resolution::Fine].map(error);
    assert!(errors[1].abs() < 0.01 && errors[2].abs() < 0.003, "{errors:?}");
    assert!((errors[0] / errors[2]).abs() > 8.0, "order below 1.5 over a factor of 4: {errors:?}");
}

/// A half-sealed rim of great resistance R per area lets in area/R; of none it is open.
#[test]
fn a_seal_lies_between_open_and_sealed() {
    let load = covered(0.4, 0.08);
    let with = |rim| {
        let mut table = small_table(0.4, 0.08, 1e-12, 2e-13, 1e10);
        table.board.rims.x_min = rim;
        faint_conductance(&table, &load)
    };
    let half = |resistance| with(Rim::HalfSealed(LayerResistance::from_per_metre(resistance)));
    close(half(0.0), with(Rim::Open), 1e-6, "no seal");
    close(half(1e15), 0.08 * 0.018 / 1e15, 1e-3, "a tight seal");
    assert!(with(Rim::Sealed).abs() < 1e-9 * with(Rim::Open));
}

/// A seam's conductance per metre is in series with the board only where it is great.
#[test]
fn a_faint_seam_leaks_its_conductance() {
    let mut table = small_table(0.4, 0.2, 1e-12, 2e-13, 1e9);
    let seam = holdwatch::table::Seam { from: point(0.05, 0.1), to: point(0.35, 0.13), conductance_m2: 1e-18 };
    table.board.seams = vec![seam];
    let length = 0.3_f64.hypot(0.03);
    close(faint_conductance(&table, &covered(0.4, 0.2)), length * 1e-18, 2e-3, "S");
}

/// A board half covered: by conformal map the cover's edge costs as much flow as open board of width (2 ln 2/π)·t·s would
/// draw, and as much of the cover's ∫v, wherever it lies between the cells (15.886 mm at 18 mm and a ratio of 4). A plain
/// grid moves the edge by a fifth of a cell, 12 % of the band at 5 mm; what is wanted is 2 %.
#[test]
fn a_cover_s_edge_leaks_and_loses_the_band_of_its_conformal_map() {
    for (ratio, band) in [(1.0, 7.943), (4.0, 15.886), (5.0, 17.761)] {
        close(2.0 * LN_2 / PI * 18.0 * f64::sqrt(ratio), band, 1e-3, "band");
        for offset in [0.0, 0.001_3, 0.002_5, 0.004_1] {
            for (resolution, limit) in
                [(Resolution::Preview, 0.03), (Resolution::Standard, 0.02), (Resolution::Fine, 0.01)]
            {
                let table = small_table(0.6, 0.04, ratio * 2e-13, 2e-13, 0.0);
                let load = TableLoad { sheets: vec![sheet(0.3 + offset, 0.0, 0.6, 0.04)], ..TableLoad::default() };
                let field = Field::solve(&table, &load, resolution).unwrap();
                let width = field.zones().get(ZoneId(0), ZoneId(0)) * 0.018 / 2e-13 / 0.04 - 0.3 - offset;
                let lost = 0.3 - offset - mean_potential_area(&field) / 0.04;
                for found in [1e3 * width, 1e3 * lost] {
                    assert!(
                        (found / band - 1.0).abs() < limit,
                        "ratio {ratio}, {offset}, {resolution:?}: {found} is not {band} mm"
                    );
                }
            }
        }
    }
}

/// ∫v over the cover in m² with the zone at v = 1, from the force of a vanishing vacuum, v/(2·p_atm) per area.
fn mean_potential_area(field: &Field) -> f64 {
    let (room, v) = (1e5, 1.0);
    let force = field.cover_force(&[PressureSquared::from_pascals_squared(v)], AbsolutePressure::from_pascals(room));
    force.newtons() * 2.0 * room / v
}

/// A long kerf of width w in an endless cover: S per metre = √(k_xy·k_z)·2·K(k)/K(k'), k = tanh(πw/(4·t·s)), by conformal
/// map; K(k)/K(k') = agm(1, k)/agm(1, k') (Abramowitz and Stegun 17.6).
fn isolated_kerf(width: f64, along: f64, through: f64) -> f64 {
    let modulus = (PI * width / (4.0 * 0.018 * (along / through).sqrt())).tanh();
    let complement = (1.0 - modulus * modulus).sqrt();
    2.0 * (along * through).sqrt() * agm(modulus) / agm(complement)
}

/// The arithmetic-geometric mean of 1 and `b`.
fn agm(b: f64) -> f64 {
    (0..40).fold((1.0, b), |(a, b): (f64, f64), _| (0.5 * (a + b), (a * b).sqrt())).0
}

#[test]
fn a_long_kerf_leaks_as_its_conformal_map_says_whatever_its_width_ratio_and_place() {
    for ratio in [1.0, 5.0, 20.0] {
        let through = 2e-13;
        let table = small_table(0.64, 0.04, ratio * through, through, 0.0);
        for (width, offset) in
            [(0.003, 0.0), (0.003, 0.002_5), (0.006, 0.001), (0.006, 0.0023), (0.008, 0.0), (0.01, 0.0017)]
        {
            let path = vec![point(0.32 + offset, 0.0), point(0.32 + offset, 0.04)];
            let load =
                TableLoad { kerfs: vec![Kerf { width: Length::from_metres(width), path }], ..covered(0.64, 0.04) };
            let exact = 0.04 * isolated_kerf(width, ratio * through, through);
            for resolution in [Resolution::Preview, Resolution::Standard] {
                let found = conductance(&table, &load, resolution);
                close(found, exact, 0.01, &format!("ratio {ratio}, width {width}, offset {offset}, {resolution:?}"));
            }
        }
    }
}

// ---------------------------------------------------------------- directions

/// A square part inside its own kerf, turned about the middle of a covered board.
fn turned(side: f64, degrees: f64, width: f64, gap: f64) -> TableLoad {
    let (sine, cosine) = degrees.to_radians().sin_cos();
    let corners = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)].map(|(x, y)| {
        let (x, y) = (0.5 * side * x, 0.5 * side * y);
        point(0.2013 + cosine * x - sine * y, 0.1987 + sine * x + cosine * y)
    });
    let mut load = covered(0.4, 0.4);
    load.sheets[0].gap = Length::from_metres(gap);
    load.kerfs = vec![kerf_around(&corners, width)];
    load.parts = vec![PartShape { name: "turned".into(), outline: corners.to_vec(), openings: vec![], lost: false }];
    load
}

fn held_and_leaked(load: &TableLoad) -> (f64, f64) {
    let table = small_table(0.4, 0.4, 1e-12, 2e-13, 2e10);
    let field = Field::solve(&table, load, Resolution::Standard).unwrap();
    let room = AbsolutePressure::STANDARD_ATMOSPHERE;
    let half = PressureSquared::from_pascals_squared(0.75 * room.pascals().powi(2));
    (field.part_force(PartId(0), &[half], room).newtons(), field.zones().get(ZoneId(0), ZoneId(0)))
}

#[test]
fn a_turned_part_holds_and_leaks_as_the_straight_one() {
    for (side, width, gap) in [(0.1, 0.006, 0.0), (0.1, 0.003, 0.0), (0.06, 0.006, 0.0), (0.1, 0.003, 2e-5)] {
        let (force, leak) = held_and_leaked(&turned(side, 0.0, width, gap));
        for degrees in [15.0, 30.0, 45.0, 83.0] {
            let (turned_force, turned_leak) = held_and_leaked(&turned(side, degrees, width, gap));
            close(turned_force, force, 0.03, &format!("force of {side} m at {degrees}° in {width} m, gap {gap}"));
            close(turned_leak, leak, 0.04, &format!("leak of {side} m at {degrees}° in {width} m, gap {gap}"));
        }
    }
}

fn square(x0: f64, y0: f64, x1: f64, y1: f64) -> Vec<Point> {
    vec![point(x0, y0), point(x1, y0), point(x1, y1), point(x0, y1)]
}

fn free_part(outline: Vec<Point>, openings: Vec<Vec<Point>>) -> PartShape {
    PartShape { name: "part".into(), outline, openings, lost: false }
}

/// A frame with a drop loose in its window: the frame is held as its four rails together, and the drop's hold is the drop's own.
#[test]
fn a_frame_is_held_as_its_rails_are_and_not_by_what_lies_in_its_window() {
    let mut load = covered(0.4, 0.4);
    let (frame, window) = (square(0.05, 0.05, 0.35, 0.35), square(0.09, 0.09, 0.31, 0.31));
    load.kerfs = vec![kerf_around(&frame, 0.006), kerf_around(&square(0.096, 0.096, 0.304, 0.304), 0.006)];
    let rails =
        [(0.05, 0.05, 0.35, 0.09), (0.05, 0.31, 0.35, 0.35), (0.05, 0.09, 0.09, 0.31), (0.31, 0.09, 0.35, 0.31)];
    load.parts = vec![free_part(frame.clone(), vec![window]), free_part(square(0.096, 0.096, 0.304, 0.304), vec![])];
    load.parts.extend(rails.map(|(x0, y0, x1, y1)| free_part(square(x0, y0, x1, y1), vec![])));
    let table = small_table(0.4, 0.4, 1e-12, 2e-13, 2e10);
    let room = AbsolutePressure::STANDARD_ATMOSPHERE;
    let half = [PressureSquared::from_pascals_squared(0.75 * room.pascals().powi(2))];
    let field = Field::solve(&table, &load, Resolution::Standard).unwrap();
    let force = |part: u32| field.part_force(PartId(part), &half, room).newtons();
    let (frame, drop, rails) = (force(0), force(1), (2..6).map(force).sum::<f64>());
    close(frame, rails, 0.02, "the frame");
    assert!(frame < 0.6 * drop, "a rail of 40 mm between two kerfs, {frame} N, the drop within {drop} N");
    // All that the level could pull at on the frame's own area: 169.6 of 900 cm².
    let level = room.pascals() * 0.5;
    assert!(frame < level * (0.09 - 0.0484), "{frame} N");
    let closed = ClosedForm::condense(&table, &load);
    let rough = closed.grip(PartId(0)).force(&half, room).newtons();
    assert!(rough > 0.0 && rough <= frame, "the closed form says {rough} N of {frame} N");
}

/// A lost part is bare board, and so is the kerf around it: one square hole, turned or not.
#[test]
fn a_turned_hole_leaks_as_the_straight_one() {
    let leak = |degrees| {
        let mut load = turned(0.1, degrees, 0.006, 0.0);
        load.parts[0].lost = true;
        held_and_leaked(&load)
    };
    let (force, straight) = leak(0.0);
    assert!(force.abs() < f64::MIN_POSITIVE, "{force} N");
    for degrees in [15.0, 30.0, 45.0] {
        close(leak(degrees).1, straight, 0.04, &format!("{degrees}°"));
    }
}

/// A round kerf as a polygon of many sides leaks between those of its inscribed and circumscribed squares.
#[test]
fn a_round_kerf_leaks_in_proportion_to_its_length() {
    let round = |sides: usize| {
        let at = |k: usize| {
            let (sine, cosine) = (2.0 * PI * k as f64 / sides as f64).sin_cos();
            point(0.2 + 0.07 * cosine, 0.2 + 0.07 * sine)
        };
        let path = (0..=sides).map(|k| at(k % sides)).collect();
        let kerfs = vec![Kerf { width: Length::from_metres(0.006), path }];
        held_and_leaked(&TableLoad { kerfs, ..covered(0.4, 0.4) }).1
    };
    close(round(180), round(48), 5e-3, "finer sides");
    close(round(48), round(12), 0.02, "coarser sides");
}

// ---------------------------------------------------------------- properties

/// Four zones, some cover, some kerfs and a part: a small table at random.
fn any_load() -> impl Strategy<Value = (Table, TableLoad)> {
    let kerf = (0.05..0.35f64, 0.05..0.15f64, 0.05..0.35f64, 0.05..0.15f64, 0.002..0.012f64);
    (0.3..20.0f64, 0.0..4e-5f64, prop::collection::vec(kerf, 0..4), 0.2..0.4f64).prop_map(
        |(ratio, gap, kerfs, reach)| {
            let mut table = small_table(0.4, 0.2, ratio * 2e-13, 2e-13, 1.5e10);
            let rects = [
                (0.01, 0.01, 0.19, 0.09),
                (0.21, 0.01, 0.39, 0.09),
                (0.01, 0.11, 0.19, 0.19),
                (0.21, 0.11, 0.39, 0.19),
            ];
            let zone = table.plenum.zones[0].clone();
            let each =
                rects.iter().map(|r| Zone { rects: vec![Rect::from_metres(r.0, r.1, r.2, r.3)], ..zone.clone() });
            table.plenum.zones = each.collect();
            let mut load = TableLoad { sheets: vec![sheet(0.0, 0.0, reach, 0.2)], ..TableLoad::default() };
            load.sheets[0].gap = Length::from_metres(gap);
            load.kerfs = kerfs
                .into_iter()
                .map(|(x0, y0, x1, y1, width)| Kerf {
                    width: Length::from_metres(width),
                    path: vec![point(x0, y0), point(x1, y1)],
                })
                .collect();
            let outline = vec![point(0.06, 0.06), point(0.15, 0.06), point(0.15, 0.15), point(0.06, 0.15)];
            load.parts = vec![PartShape { name: "part".into(), outline, openings: vec![], lost: false }];
            (table, load)
        },
    )
}

fn entries(field: &Field) -> Vec<Vec<f64>> {
    let count = field.zones().count() as u8;
    (0..count).map(|row| (0..count).map(|column| field.zones().get(ZoneId(row), ZoneId(column))).collect()).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, failure_persistence: None, ..ProptestConfig::default() })]

    /// S draws air in (diagonal above 0), passes air between zones (elsewhere at most 0), and no row sums to less than nothing:
    /// so it is positive semi-definite (Gershgorin).
    #[test]
    fn the_zone_matrix_is_that_of_a_network_of_resistances((table, load) in any_load()) {
        let matrix = entries(&Field::solve(&table, &load, Resolution::Preview).unwrap());
        for (row, values) in matrix.iter().enumerate() {
            let least = -1e-6 * values[row];
            prop_assert!(values[row] > 0.0);
            prop_assert!(values.iter().enumerate().all(|(column, value)| column == row || *value <= -least));
            prop_assert!(values.iter().sum::<f64>() >= least, "{values:?}");
        }
    }

    /// Each zone in its window and single precision against the whole board in double precision.
    /// Rounding in single precision, not where the iteration stops, is what is left: 1.8e-5 at most in 800 random loads, and no less
    /// with a smaller residual. What is asked of a forecast is two in a hundred.
    #[test]
    fn working_precision_is_good_to_a_few_hundred_thousandths((table, load) in any_load()) {
        let working = entries(&Field::solve(&table, &load, Resolution::Preview).unwrap());
        let exact = entries(&Field::solve_to(&table, &load, Resolution::Preview, Precision::Exact).unwrap());
        for (row, values) in exact.iter().enumerate() {
            for (column, value) in values.iter().enumerate() {
                let off = (working[row][column] - value).abs() / exact[row][row];
                prop_assert!(off <= 5e-5, "{off}");
            }
        }
    }

    /// One more opening lets more air in and presses less, never the other way.
    #[test]
    fn a_further_kerf_leaks_more_and_holds_less((table, load) in any_load(), x in 0.07..0.14f64) {
        let before = Field::solve(&table, &load, Resolution::Preview).unwrap();
        let mut more = load.clone();
        more.kerfs.push(Kerf { width: Length::from_metres(0.006), path: vec![point(x, 0.02), point(x + 0.02, 0.18)] });
        let after = Field::solve(&table, &more, Resolution::Preview).unwrap();
        for (row, (old, new)) in entries(&before).iter().zip(entries(&after)).enumerate() {
            prop_assert!(new[row] >= old[row] * (1.0 - 1e-6));
        }
        let room = AbsolutePressure::STANDARD_ATMOSPHERE;
        let deep = vec![PressureSquared::from_pascals_squared(8e9); 4];
        prop_assert!(after.cover_force(&deep, room) < before.cover_force(&deep, room));
        prop_assert!(after.part_force(PartId(0), &deep, room) < before.part_force(PartId(0), &deep, room));
    }

    /// The mirror image of a load gives the mirror image of S.
    #[test]
    fn a_mirrored_load_gives_a_mirrored_answer((table, load) in any_load()) {
        let matrix = entries(&Field::solve(&table, &load, Resolution::Preview).unwrap());
        let mut mirrored = load.clone();
        for kerf in &mut mirrored.kerfs {
            kerf.path.iter_mut().for_each(|at| at.y = Length::from_metres(0.2) - at.y);
        }
        let image = entries(&Field::solve(&table, &mirrored, Resolution::Preview).unwrap());
        for row in 0..4 {
            for column in 0..4 {
                let (one, other) = (matrix[row][column], image[(row + 2) % 4][(column + 2) % 4]);
                prop_assert!((one - other).abs() <= 1e-5 * matrix[row][row], "{one} {other}");
            }
        }
    }
}

// ---------------------------------------------------------------- refusals

fn refusal(change: impl Fn(&mut Value)) -> String {
    let mut case = value("every_field_once");
    change(&mut case);
    Case::read(&case.to_string()).unwrap_err().to_string()
}

#[test]
fn nonsense_is_refused_with_the_field_s_path_and_the_limit() {
    let cases: [(&str, Value, &str); 13] = [
        ("/board/layers/0/thickness_m", json!(-0.001), "board.layers[0].thickness_m: -0.001 is not above 0"),
        ("/board/layers", json!([]), "board.layers: is empty, needs at least 1 entry"),
        ("/board/edges/x_min", json!("ajar"), "board.edges.x_min: \"ajar\" is neither \"sealed\" nor \"open\""),
        ("/air/viscosity_Pa_s", json!(null), "air: lacks the field \"viscosity_Pa_s\""),
        (
            "/plenum/contact_resistance_per_m",
            json!("NaN"),
            "plenum.contact_resistance_per_m: \"NaN\" is not a finite number",
        ),
        ("/plenum/zones/1/rects/0", json!([0.7, 0.02, 1.6, 0.6]), "plenum.zones[1]: zone \"Z2\" overlaps zone \"Z1\""),
        ("/plenum/zones/0/rects/0", json!([0.5, 0.02, 0.3, 0.6]), "plenum.zones[0].rects[0]: x runs from 0.5 to 0.3"),
        ("/plenum/zones/0/valve/law", json!("guess"), "plenum.zones[0].valve.law: \"guess\" is neither"),
        ("/parts/3/rect_m", json!([2.3, 0.1, 2.5, 0.2]), "parts[3].rect_m: x = 2.5 is off the board, 0 to 2.44"),
        ("/parts/1/id", json!("U1"), "parts[1].id: \"U1\" is given twice"),
        ("/kerfs/0/width_m", json!(0), "kerfs[0].width_m: 0 is not above 0"),
        ("/pump/curve/2", json!([10000, 0.01]), "pump.curve[2]: throughput S·p falls"),
        ("/pump/count", json!(0), "pump.count: 0 is not a whole number above 0"),
    ];
    for (path, wrong, message) in cases {
        let found = refusal(|case| *case.pointer_mut(path).unwrap() = wrong.clone());
        assert!(found.starts_with(message), "{path}: {found}");
    }
}

#[test]
fn a_field_that_nobody_knows_is_refused() {
    let found = refusal(|case| case["board"]["layrs"] = json!([]));
    assert!(found.starts_with("board: \"layrs\" is not a field here"), "{found}");
    assert!(matches!(Case::read("{"), Err(CaseError::NotJson { .. })));
}

// ---------------------------------------------------------------- an independent program

/// The interpreter named by `HOLDWATCH_PYTHON` or the first `python3`, if it has scipy.
fn python_with_scipy() -> Option<PathBuf> {
    let python = std::env::var_os("HOLDWATCH_PYTHON").map_or_else(|| PathBuf::from("python3"), PathBuf::from);
    let asked = Command::new(&python).args(["-c", "import scipy, numpy"]).stderr(Stdio::null()).status();
    asked.is_ok_and(|status| status.success()).then_some(python)
}

#[test]
fn an_independent_program_finds_the_same_flows() {
    let Some(python) = python_with_scipy() else {
        println!(
            "NOT CHECKED against tests/independent/field.py: there is no python3 with scipy (set HOLDWATCH_PYTHON)"
        );
        return;
    };
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("found.json");
    fs::write(
        &path,
        json!({ "discrete": discrete_problem(), "kerf": kerf_problem(), "rim": rim_problem() }).to_string(),
    )
    .unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/independent/field.py");
    let output = Command::new(python).arg(script).arg(&path).output().unwrap();
    let (said, erred) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    println!("{said}");
    assert!(output.status.success(), "{said}{erred}");
}

/// Two zones under a covered board of two layers with a seam along its middle, in double precision.
fn discrete_problem() -> Value {
    let mut table = small_table(0.4, 0.2, 1e-12, 2e-13, 1.5e10);
    table.board.layers = vec![layer(0.012, 1e-12, 2e-13), layer(0.004, 4e-13, 1e-13)];
    let seam = holdwatch::table::Seam { from: point(0.0, 0.1), to: point(0.4, 0.1), conductance_m2: 1e-13 };
    table.board.seams = vec![seam];
    let zone = table.plenum.zones[0].clone();
    let at = |x0, x1| Zone { rects: vec![Rect::from_metres(x0, 0.02, x1, 0.18)], ..zone.clone() };
    table.plenum.zones = vec![at(0.02, 0.18), at(0.2, 0.38)];
    let field = Field::solve_to(&table, &covered(0.4, 0.2), Resolution::Preview, Precision::Exact).unwrap();
    json!({ "zone_matrix": entries(&field) })
}

/// A kerf of 4 mm across a covered board over a plenum with contact resistance: S per metre.
fn kerf_problem() -> Value {
    let table = small_table(0.4, 0.08, 1e-12, 2e-13, 2e10);
    let path = vec![point(0.2013, 0.0), point(0.2013, 0.08)];
    let load = TableLoad { kerfs: vec![Kerf { width: Length::from_metres(0.004), path }], ..covered(0.4, 0.08) };
    json!({ "per_metre": conductance(&table, &load, Resolution::Standard) / 0.08 })
}

/// A cover with a gap that ends before a bare strip: S per metre.
fn rim_problem() -> Value {
    let table = small_table(0.4, 0.08, 1e-12, 2e-13, 2e10);
    let mut load = covered(0.3513, 0.08);
    load.sheets[0].gap = Length::from_metres(3e-5);
    json!({ "per_metre": conductance(&table, &load, Resolution::Standard) / 0.08 })
}

#[test]
fn the_kept_answers_belong_to_the_kept_cases() {
    let names: BTreeMap<String, Value> =
        CASES.iter().map(|name| ((*name).to_owned(), value(&format!("{name}.result"))["case"].clone())).collect();
    assert!(names.iter().all(|(name, case)| case == name));
}
