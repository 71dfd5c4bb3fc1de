//! What level a job ought to have and how far it may stray, how firmly each part is held, and which leak would go unnoticed.

mod boards;
mod course;
mod forecast;
mod margin;
mod spread;

pub use boards::Boards;
pub use forecast::{ForecastError, Question, forecast, zones_under};
pub use margin::{Acting, Footing, Margins};
pub use spread::{Spread, class_error};

use serde::{Deserialize, Serialize};

use crate::table::{PartId, ZoneSet};
use crate::units::{Force, FreeAirFlow, Vacuum};

/// What is expected at one moment of a cut.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Expected {
    /// The least level that is still normal.
    pub low: Vacuum,
    /// The level to expect.
    pub mid: Vacuum,
    /// The greatest level that is still normal.
    pub high: Vacuum,
    /// The weakest part, if the job names any.
    pub weakest: Option<Weakest>,
    /// The smallest extra leak that would leave the band.
    pub smallest_visible_leak: FreeAirFlow,
    /// What the pump is expected to move.
    pub flow: FreeAirFlow,
}

/// The part that is held worst, and by how much.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Weakest {
    /// Which part.
    pub part: PartId,
    /// What holds it over what acts on it, the least of sliding, tipping and lifting, at the expected level.
    pub margin: f64,
    /// The force that presses it down.
    pub force: Force,
    /// How the margin changes with the level: margin at level L is margin + slope·(L − mid), per pascal.
    pub margin_per_pascal: f64,
}

/// Expectation along a whole cut for one set of open zones.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Course {
    /// The zones that are open.
    pub open: ZoneSet,
    /// Expectations at rising fractions of the cut, the first at 0 and the last at 1.
    pub points: Vec<(f64, Expected)>,
    /// What the level would be with everything open covered and nothing cut.
    pub sealed: Vacuum,
    /// What it would be with every open zone bare.
    pub bare: Vacuum,
}

/// Everything computed for one load: what the watch compares with.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Forecast {
    /// One course for each set of zones that was asked for.
    pub courses: Vec<Course>,
    /// The parts' names, by [`PartId`].
    pub parts: Vec<String>,
    /// Parts too small for their loss to be seen on the gauge.
    pub unseen: Vec<PartId>,
}
