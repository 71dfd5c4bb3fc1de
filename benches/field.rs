//! How long the flow field takes: whole tables from rest, one zone on the whole board, and a job kerf by kerf.
//!
//! `cargo bench --bench field`; one thread, the fastest of the samples counts on a machine that does other work.

use std::fs;
use std::path::Path;

use divan::Bencher;
use holdwatch::table::case::Case;
use holdwatch::table::field::{Field, Resolution, Sequence};
use holdwatch::table::{Kerf, Point};
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
