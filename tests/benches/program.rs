//! How long a cut program of 200,000 lines takes to read, and to become kerfs and parts.
//!
//! `cargo bench --bench program`; one thread, the fastest of the samples counts on a machine that does other work.

use std::fmt::Write as _;
use std::io::Cursor;

use divan::Bencher;
use holdwatch::job::plan::{Helix, Machine, Plan, Stock, Tip, Tool};
use holdwatch::job::program::{Reading, read};
use holdwatch::table::Rect;
use holdwatch::units::{Density, Length};

fn main() {
    divan::main();
}

const LINES: usize = 200_000;

/// Wavy parts in a grid, each cut through in short lines.
fn outlines() -> String {
    let mut text = String::from("G21 G90 G17\nT1 M6\nS18000 M3\nG0 Z25\n");
    let (columns, rows) = (20_usize, 10_usize);
    let points = LINES / (columns * rows) - 4;
    for part in 0..columns * rows {
        let (x, y) = (60.0 + 120.0 * (part % columns) as f64, 60.0 + 120.0 * (part / columns) as f64);
        for point in 0..=points {
            let angle = std::f64::consts::TAU * point as f64 / points as f64;
            let radius = 45.0 + 5.0 * (8.0 * angle).cos();
            let (px, py) = (x + radius * angle.cos(), y + radius * angle.sin());
            let words = if point == 0 { "G0 Z25\nG0 " } else { "G1 " };
            let _ = writeln!(text, "{words}X{px:.4} Y{py:.4}");
            if point == 0 {
                let _ = writeln!(text, "G1 Z-18.2 F3000");
            }
        }
    }
    text.push_str("G0 Z25\nM5\nM30\n");
    text
}

/// A relief: as many lines, none of them through.
fn relief() -> String {
    let mut text = String::from("G21 G90 G17\nT1 M6\nS18000 M3\nG0 Z25\nG1 X0 Y0 Z0 F6000\n");
    for line in 0..LINES {
        let (x, y) = ((line % 1000) as f64 * 2.0, (line / 1000) as f64 * 4.0);
        let _ = writeln!(text, "N{line} G1 X{x:.3} Y{y:.3} Z{:.4}", -5.0 + 4.0 * (0.01 * x).sin() * (0.02 * y).cos());
    }
    text.push_str("M30\n");
    text
}

fn program(name: &str) -> String {
    if name == "outlines" { outlines() } else { relief() }
}

const PROGRAMS: [&str; 2] = ["outlines", "relief"];

/// Read and resolved, every step.
#[divan::bench(args = PROGRAMS, sample_count = 10)]
fn reading(bencher: Bencher, name: &str) {
    let text = program(name);
    bencher.bench(|| read(Cursor::new(&text), &Reading::default()).filter(Result::is_ok).count());
}

/// Read, timed, swept, parted.
#[divan::bench(args = PROGRAMS, sample_count = 5)]
fn planning(bencher: Bencher, name: &str) {
    let text = program(name);
    let sheet = Rect::from_metres(0.0, 0.0, 2.44, 1.22);
    let stock = Stock::new(sheet, Length::from_millimetres(18.0), Density::from_kg_per_m3(720.0));
    let diameter = Length::from_millimetres(6.0);
    let tools = [Tool { number: 1, diameter, tip: Tip::Flat, flutes: 2, helix: Helix::STRAIGHT }];
    bencher.bench(|| {
        let steps = read(Cursor::new(&text), &Reading::default());
        Plan::of(steps, &stock, &tools, &Machine::default()).map(|plan| plan.pieces.len())
    });
}
