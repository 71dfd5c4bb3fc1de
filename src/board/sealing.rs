//! What sealing gives back: the level with a side's rim or a seam closed, less the level as it is.

use serde::{Deserialize, Serialize};

use super::survey::Side;
use crate::table::{ClosedForm, Condensed, Rim, Table, TableLoad, ZoneSet, operating_point};
use crate::units::Vacuum;

/// What is sealed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Bead {
    /// A side.
    Side(Side),
    /// A seam, by its place in the setup.
    Seam(usize),
    /// All sides and seams.
    All,
}

/// What that gives back.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Gain {
    /// What is sealed.
    pub of: Bead,
    /// How much deeper the level gets.
    pub level: Vacuum,
    /// By what every part's margin grows, 1 for not at all: force goes with the level.
    pub margin: f64,
}

/// The gain of each side and seam and of all together under `load` with the zones of `open`, the greatest first.
pub fn gains(table: &Table, load: &TableLoad, open: ZoneSet) -> Vec<Gain> {
    let level = |table: &Table| {
        let board = ClosedForm::condense(table, load);
        operating_point(table, open, board.zones()).manifold.vacuum_below(table.air.room)
    };
    let before = level(table);
    let sides = Side::ALL.map(Bead::Side).into_iter();
    let beads = sides.chain((0..table.board.seams.len()).map(Bead::Seam)).chain([Bead::All]);
    let mut gains: Vec<Gain> = beads
        .map(|of| {
            let after = level(&sealed(table, of));
            Gain { of, level: after - before, margin: if before > Vacuum::ZERO { after / before } else { 1.0 } }
        })
        .collect();
    gains.sort_by(|a, b| b.level.pascals().total_cmp(&a.level.pascals()));
    gains
}

fn sealed(table: &Table, bead: Bead) -> Table {
    let mut table = table.clone();
    let rims = &mut table.board.rims;
    match bead {
        Bead::Side(Side::XMin) => rims.x_min = Rim::Sealed,
        Bead::Side(Side::XMax) => rims.x_max = Rim::Sealed,
        Bead::Side(Side::YMin) => rims.y_min = Rim::Sealed,
        Bead::Side(Side::YMax) => rims.y_max = Rim::Sealed,
        Bead::Seam(place) => {
            if place < table.board.seams.len() {
                table.board.seams.remove(place);
            }
        }
        Bead::All => {
            for rim in [&mut rims.x_min, &mut rims.x_max, &mut rims.y_min, &mut rims.y_max] {
                *rim = Rim::Sealed;
            }
            table.board.seams.clear();
        }
    }
    table
}
