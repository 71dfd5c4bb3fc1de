//! What the watch finds, how fast, and how often it is wrong.

#![expect(clippy::unwrap_used, reason = "a test fails by a panic")]

mod bay;
#[path = "../support/chance.rs"]
mod chance;
mod charts;
mod day;
mod kerf_table;
mod rig;
mod scenes;
mod shift;
mod wrong_model;
