//! What the program is cut into, and how its coordinates lie on it.

use serde::{Deserialize, Serialize};

use super::bed::Obstacle;
use crate::table::{Point, Rect};
use crate::units::{Density, Length};

/// What `Z0` is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ZeroHeight {
    /// The sheet's top.
    SheetTop,
    /// The board's top, which is the sheet's underside.
    BoardTop,
}

/// The sheet and the zero.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stock {
    /// Where the sheet lies on the table.
    pub sheet: Rect,
    /// What is gone of it already, as closed outlines.
    pub missing: Vec<Vec<Point>>,
    /// Its thickness.
    pub thickness: Length,
    /// Its density.
    pub density: Density,
    /// Where the program's X0 Y0 is on the table.
    pub zero: Point,
    /// What Z0 is.
    pub height: ZeroHeight,
    /// What is left at most where a cut leaves a skin.
    pub thickest_skin: Length,
    /// The longest lift of a cut that counts as a tab.
    pub longest_tab: Length,
    /// How much board is left to cut into, if that is known.
    pub board_left: Option<Length>,
    /// What in the board a cutter must not meet.
    pub obstacles: Vec<Obstacle>,
}

impl Stock {
    /// A sheet whose low corner is the program's zero, its top Z0.
    pub fn new(sheet: Rect, thickness: Length, density: Density) -> Self {
        Stock {
            sheet,
            missing: Vec::new(),
            thickness,
            density,
            zero: sheet.low,
            height: ZeroHeight::SheetTop,
            // Common practice, no source: skins of 0.2 to 1.5 mm, tabs of 3 to 12 mm and their ramps.
            thickest_skin: Length::from_millimetres(1.5).min(thickness * 0.25),
            longest_tab: Length::from_millimetres(40.0),
            board_left: None,
            obstacles: Vec::new(),
        }
    }

    /// From the program's coordinates to the table's, heights counted from the board's top, in mm.
    pub(super) fn place(&self, at: [f64; 3]) -> [f64; 3] {
        let lift = match self.height {
            ZeroHeight::SheetTop => self.thickness.millimetres(),
            ZeroHeight::BoardTop => 0.0,
        };
        [at[0] + self.zero.x.millimetres(), at[1] + self.zero.y.millimetres(), at[2] + lift]
    }
}
