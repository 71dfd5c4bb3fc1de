//! How long the flow field takes: whole tables from rest, one zone on the whole board, and a job kerf by kerf.
//!
//! `cargo bench --bench field`; one thread, the fastest of the samples counts on a machine that does other work.

use std::fs;
use std::path::Path;

use divan::Bencher;
use holdwatch::table::case::{Case, answer};
use holdwatch::table::field::{Field, Resolution, Sequence};
use holdwatch::table::{Condensed, Kerf, Point, Tap, ZoneId, ZoneSet, operating_point};
use holdwatch::units::Length;

fn main() {
    divan::main();
}

fn case(name: &str) -> Case {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/cases").join(format!("{name}.json"));
    Case::read(&fs::read_to_string(path).unwrap_or_default()).unwrap_or_else(|error| unreachable!("{name}: {error}"))
}

const TABLES: [&str; 4] =
    ["film_covered_6_zones_unsealed", "half_sheet_12_parts_2_closed", "blower_128_small_parts", "every_field_once"];

/// All zones of a table from rest, openings and footprints included.
#[divan::bench(args = TABLES, sample_count = 10)]
fn standard(bencher: Bencher, name: &str) {
    let case = case(name);
    bencher.bench(|| Field::solve(&case.table, &case.load, Resolution::Standard));
}

/// The same on cells of 10 mm.
#[divan::bench(args = TABLES, sample_count = 20)]
fn preview(bencher: Bencher, name: &str) {
    let case = case(name);
    bencher.bench(|| Field::solve(&case.table, &case.load, Resolution::Preview));
}

/// One field over the whole board, 834 thousand unknowns: a zone that reaches from corner to corner.
#[divan::bench(sample_count = 10)]
fn one_field_over_the_whole_board(bencher: Bencher) {
    let mut case = case("film_covered_6_zones_unsealed");
    let rects = case.table.plenum.zones.iter().flat_map(|zone| zone.rects.clone()).collect();
    case.table.plenum.zones.truncate(1);
    case.table.plenum.zones[0].rects = rects;
    bencher.bench(|| Field::solve(&case.table, &case.load, Resolution::Standard));
}

/// The memory's speed, beside which the fields stand: a = b + s·c over vectors that no cache holds, 24 bytes an entry.
#[divan::bench(sample_count = 10)]
fn triad_of_long_vectors(bencher: Bencher) {
    const COUNT: usize = 8_000_000;
    let (mut a, b, c) = (vec![0.0_f64; COUNT], vec![1.0_f64; COUNT], vec![2.0_f64; COUNT]);
    bencher.counter(divan::counter::BytesCount::new(24 * COUNT)).bench_local(|| {
        a.iter_mut().zip(&b).zip(&c).for_each(|((a, b), c)| *a = b + 0.5 * c);
        divan::black_box(a[COUNT / 2])
    });
}

/// What changes when zones, pump, filter or altitude do: the network and every part's force, over a field that stays.
#[divan::bench(args = TABLES)]
fn anew_on_the_same_field(bencher: Bencher, name: &str) {
    let case = case(name);
    let Ok(field) = Field::solve(&case.table, &case.load, Resolution::Standard) else { return };
    let grips: Vec<_> = (0..).zip(&case.load.parts).map(|(id, _)| field.grip(holdwatch::table::PartId(id))).collect();
    bencher.bench(|| {
        let point = operating_point(&case.table, case.open, field.zones());
        let forces: f64 = grips.iter().map(|grip| grip.force(&point.potentials, point.field_room).newtons()).sum();
        (point, forces)
    });
}

/// The same with forces from every cell of the cover, as `solve` prints it.
#[divan::bench(args = TABLES)]
fn answer_on_the_same_field(bencher: Bencher, name: &str) {
    let case = case(name);
    let Ok(field) = Field::solve(&case.table, &case.load, Resolution::Standard) else { return };
    bencher.bench(|| answer(&case, &field));
}

/// The level of every set of zones that holds the first: 32 of a table of six.
#[divan::bench]
fn every_sensible_set_of_zones(bencher: Bencher) {
    let case = case("half_sheet_12_parts_2_closed");
    let Ok(field) = Field::solve(&case.table, &case.load, Resolution::Standard) else { return };
    let sets = || (0..64u8).filter(|bits| bits & 1 == 1);
    let set = |bits: u8| -> ZoneSet { (0..6).filter(|zone| bits >> zone & 1 == 1).map(ZoneId).collect() };
    bencher.bench(|| {
        sets()
            .map(|bits| operating_point(&case.table, set(bits), field.zones()).level(Tap::Manifold).pascals())
            .sum::<f64>()
    });
}

/// 200 parts cut one after the other, the first solution and three refreshes included.
#[divan::bench(sample_count = 3)]
fn sequence_of_200_parts(bencher: Bencher) {
    let case = case("sequence_200");
    bencher.bench(|| {
        let mut sequence = Sequence::start(&case.table, &case.load, Resolution::Standard)?;
        for part in &case.load.parts {
            sequence.cut(&kerf_around(&part.outline))?;
        }
        Ok::<_, holdwatch::table::field::NotSettled>(sequence)
    });
}

/// A kerf of 6 mm about an axis-parallel rectangle.
fn kerf_around(outline: &[Point]) -> Kerf {
    let half = Length::from_millimetres(3.0);
    let (low, high) = (outline[0], outline[2]);
    let (x0, y0, x1, y1) = (low.x - half, low.y - half, high.x + half, high.y + half);
    let corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)];
    Kerf { width: half + half, path: corners.map(|(x, y)| Point { x, y }).to_vec() }
}
