//! What a program does not say about the controller that runs it.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use crate::units::Length;

/// Inches or millimetres.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum UnitOfLength {
    /// Millimetres, `G21`.
    Millimetre,
    /// Inches, `G20`; NIST SP 811, B.8: 25.4 mm exactly.
    Inch,
}

impl UnitOfLength {
    pub(super) const fn millimetres(self) -> f64 {
        match self {
            UnitOfLength::Millimetre => 1.0,
            UnitOfLength::Inch => 25.4,
        }
    }
}

/// What the number of a dwell counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum DwellUnit {
    /// Seconds, as NISTIR 6556, 3.5.4, has it.
    Seconds,
    /// Milliseconds.
    Milliseconds,
}

/// A code whose effect the shop knows and takes as none, such as `M10`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Code {
    /// `G` or `M`.
    pub letter: char,
    /// Its number times ten.
    pub tenths: u16,
}

impl std::fmt::Display for Code {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (whole, tenth) = (self.tenths / 10, self.tenths % 10);
        if tenth == 0 { write!(f, "{}{whole}", self.letter) } else { write!(f, "{}{whole}.{tenth}", self.letter) }
    }
}

/// How far a program may go.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Limits {
    /// Lines read again by loops and subprograms, those that are passed over included.
    pub repeated_lines: u64,
    /// Subprograms and loops within each other.
    pub depth: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Limits { repeated_lines: 1_000_000, depth: 100 }
    }
}

/// A work coordinate system: 1 for `G54` to 9 for `G59.3`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct WorkZero(pub u8);

/// Where the zero of a work coordinate system lies.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Shift {
    /// Along x.
    pub x: Length,
    /// Along y.
    pub y: Length,
    /// Along z.
    pub z: Length,
}

/// How the controller reads a program.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// The unit before the first `G20` or `G21`.
    pub unit: UnitOfLength,
    /// What a dwell counts.
    pub dwell: DwellUnit,
    /// Whether lines that begin with `/` are left out.
    pub block_delete: bool,
    /// Work zeros by their distance from the card's; the first one that a program calls is the card's unless it stands here.
    pub zeros: BTreeMap<WorkZero, Shift>,
    /// Codes to pass over.
    pub ignored: BTreeSet<Code>,
    /// How far a program may go.
    pub limits: Limits,
}

impl Default for Reading {
    fn default() -> Self {
        Reading {
            unit: UnitOfLength::Millimetre,
            dwell: DwellUnit::Seconds,
            block_delete: false,
            zeros: BTreeMap::new(),
            ignored: BTreeSet::new(),
            limits: Limits::default(),
        }
    }
}
