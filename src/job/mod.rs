//! The job: its card, the kerf it opens step by step, its parts, and how far the cut is.

mod card;
mod cut;
mod cutting;
pub mod plan;
pub mod program;

pub use card::{Card, CardPart, CardSheet, Cutter, Edge, HowHeld, Material, Milling};
pub use cut::{Cut, polygon};
pub use cutting::Engagement;

use serde::{Deserialize, Serialize};

use crate::table::TableLoad;

/// How far a cut is: 0 before the first plunge, 1 after the last pass.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
pub struct Progress(f64);

impl Progress {
    /// Nothing is cut.
    pub const START: Progress = Progress(0.0);

    /// A fraction held to 0..=1; 0 for NaN.
    pub fn from_fraction(fraction: f64) -> Self {
        Progress(if fraction.is_nan() { 0.0 } else { fraction.clamp(0.0, 1.0) })
    }

    /// The fraction.
    pub const fn fraction(self) -> f64 {
        self.0
    }
}

/// A sheet at another end of the table, as far as it has been cut.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Lying {
    /// Its card.
    pub card: Box<Card>,
    /// How far it is cut.
    pub progress: Progress,
}

impl Lying {
    /// What it puts on the table.
    pub fn load(&self) -> TableLoad {
        Cut::of(&self.card).load(self.progress)
    }
}
