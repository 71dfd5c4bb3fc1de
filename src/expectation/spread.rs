//! How well the table is known, from which the band about an expected level follows.

use serde::{Deserialize, Serialize};

use crate::table::PermeabilityRange;
use crate::units::Vacuum;

/// How far from the truth each thing that makes a level may be.
///
/// The first three are ratios from 1 upwards: 1.1 for "at most 10 % more, or that much less".
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Spread {
    /// Of all that the board lets through.
    pub board: f64,
    /// Of what kerfs let through beyond the uncut sheet.
    pub kerf: f64,
    /// Of the pump's speed.
    pub pump: f64,
    /// The gauge's error.
    pub gauge: Vacuum,
    /// The least step of the level that stands out from its noise.
    pub visible: Vacuum,
}

impl Spread {
    /// A table that a survey has measured: 10 % of board, kerf and pump, a gauge of class 1 with a span of a bar, steps of
    /// 0.3 kPa seen. Assumptions, from the noise usual on such lines.
    pub const SURVEYED: Spread = Spread {
        board: 1.1,
        kerf: 1.1,
        pump: 1.1,
        gauge: Vacuum::from_pascals(1000.0),
        visible: Vacuum::from_pascals(300.0),
    };

    /// A table known by its labels alone: the board within its class, the pump within 20 % of its plate.
    pub fn by_label(board: PermeabilityRange) -> Self {
        let (low, high) = (board.typical / board.low, board.high / board.typical);
        Spread { board: low.max(high).sqrt(), pump: 1.2, ..Spread::SURVEYED }
    }
}

/// The greatest error of a gauge of an accuracy class (EN 837-1: per cent of its span).
pub fn class_error(class_per_cent: f64, span: Vacuum) -> Vacuum {
    span * (class_per_cent / 100.0)
}
