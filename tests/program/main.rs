//! The reader of cut programs: every word that it knows, taken and refused; the published grammar's own examples; an independent
//! parser on plain files; and bytes of any kind.

mod bytes;
mod grammar;
mod interpreter;
mod oracle;
mod styles;
mod words;

use std::io::Cursor;

use holdwatch::job::program::{Deed, Move, Note, Reading, Refusal, Spot, Step, read, read_from};
use holdwatch::units::Length;

/// All that a program says, up to its end.
fn told(text: &str) -> Vec<Result<Step, Refusal>> {
    told_by(text, &Reading::default())
}

fn told_by(text: &str, reading: &Reading) -> Vec<Result<Step, Refusal>> {
    read(Cursor::new(text), reading).collect()
}

/// The deeds of a program that is understood, notes left out.
fn deeds(text: &str) -> Vec<Deed> {
    deeds_of(told(text), text)
}

fn deeds_of(told: Vec<Result<Step, Refusal>>, text: &str) -> Vec<Deed> {
    let steps = told.into_iter().map(|step| step.unwrap_or_else(|refusal| panic!("{text:?}: {refusal}")));
    steps.map(|step| step.deed).filter(|deed| !matches!(deed, Deed::Note(_))).collect()
}

fn notes(text: &str, reading: &Reading) -> Vec<Note> {
    let note = |step: Result<Step, Refusal>| match step.unwrap().deed {
        Deed::Note(note) => Some(note),
        _ => None,
    };
    told_by(text, reading).into_iter().filter_map(note).collect()
}

fn moves(text: &str) -> Vec<Move> {
    moves_of(deeds(text))
}

fn moves_of(deeds: Vec<Deed>) -> Vec<Move> {
    let only = |deed| match deed {
        Deed::Move(made) => Some(made),
        _ => None,
    };
    deeds.into_iter().filter_map(only).collect()
}

/// The moves from a given place.
fn moves_from(start: [f64; 3], text: &str) -> Vec<Move> {
    let [x, y, z] = start.map(Length::from_millimetres);
    moves_of(deeds_of(read_from(Cursor::new(text), &Reading::default(), Spot::at(x, y, z)).collect(), text))
}

/// In mm; NaN where unknown.
fn place(spot: Spot) -> [f64; 3] {
    [spot.x(), spot.y(), spot.z()].map(|axis| axis.map_or(f64::NAN, Length::millimetres))
}

fn places(moves: &[Move]) -> Vec<[f64; 3]> {
    moves.iter().map(|made| place(made.to)).collect()
}

#[track_caller]
fn assert_places(moves: &[Move], expected: &[[f64; 3]]) {
    let found = places(moves);
    let same = |a: f64, b: f64| (a.is_nan() && b.is_nan()) || (a - b).abs() < 1e-9;
    let all = found.len() == expected.len()
        && found.iter().zip(expected).all(|(a, b)| a.iter().zip(b).all(|(a, b)| same(*a, *b)));
    assert!(all, "found {found:?}\nexpected {expected:?}");
}

/// The lines that are refused, and why.
fn refusals(text: &str) -> Vec<Refusal> {
    told(text).into_iter().filter_map(Result::err).collect()
}
