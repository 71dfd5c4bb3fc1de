//! The table as physics sees it: air, pump, valves, zones, board, and what lies on it.

pub mod air;
mod board_class;
pub mod case;
mod closed_form;
mod description;
pub mod field;
pub mod leak;
mod network;
mod pump;
mod root;

pub use board_class::{ALONG_OVER_THROUGH, BoardClass, Faces, PermeabilityRange};
pub use closed_form::ClosedForm;
pub use description::{
    Air, Board, Kerf, Layer, Manifold, PartId, PartShape, Plenum, Point, Pores, Pump, Rect, Relief, Rim, Rims, Seam,
    Sheet, Table, TableLoad, ValveLaw, Zone, ZoneId, ZoneSet,
};
pub use network::{OperatingPoint, Tap, leak_to_reach, operating_point, operating_point_with_hole, potentials_at};
pub use pump::{CurveError, Nameplate, PumpClass, RatedFlow, SpeedChange};

use crate::units::{AbsolutePressure, Force, PressureSquared};

/// The board condensed to its zones: throughput into zone i = Σ_j S_ij·v_j / (2µ), with v = p_atm² − p².
///
/// Square and symmetric, in m³, row after row.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ZoneMatrix {
    count: usize,
    entries: Vec<f64>,
    /// For each zone ∫|q|³dV / Q³ of its own field, in 1/m³; empty where inertia is left out.
    crowding: Vec<f64>,
}

impl ZoneMatrix {
    /// A matrix of zeros for `count` zones.
    pub fn zeros(count: usize) -> Self {
        ZoneMatrix { count, entries: vec![0.0; count * count], crowding: Vec::new() }
    }

    /// How many zones there are.
    pub fn count(&self) -> usize {
        self.count
    }

    /// The entry of zones `row` and `column` in m³.
    pub fn get(&self, row: ZoneId, column: ZoneId) -> f64 {
        self.entries[usize::from(row.0) * self.count + usize::from(column.0)]
    }

    /// Every entry times `factor`.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        ZoneMatrix { entries: self.entries.iter().map(|entry| entry * factor).collect(), ..self.clone() }
    }

    /// This and `factor` times what `other` has more than `base`; all of one size.
    #[must_use]
    pub fn with_share(&self, factor: f64, other: &ZoneMatrix, base: &ZoneMatrix) -> Self {
        let more = other.entries.iter().zip(&base.entries).map(|(other, base)| factor * (other - base));
        let entries = self.entries.iter().zip(more).map(|(entry, more)| entry + more).collect();
        ZoneMatrix { entries, ..self.clone() }
    }

    /// How a zone's own flow crowds in the board, ∫|q|³dV / Q³ in 1/m³: what inertia acts on; zero if it was left out.
    pub fn crowding(&self, zone: ZoneId) -> f64 {
        self.crowding.get(usize::from(zone.0)).copied().unwrap_or(0.0)
    }

    /// Sets every zone's crowding in 1/m³.
    pub fn crowd(&mut self, each: Vec<f64>) {
        self.crowding = each;
    }

    /// Sets the entry of zones `row` and `column` in m³.
    pub fn set(&mut self, row: ZoneId, column: ZoneId, cubic_metres: f64) {
        self.entries[usize::from(row.0) * self.count + usize::from(column.0)] = cubic_metres;
    }
}

/// How the zones hold one part: areas, each under its share of every zone's potential; nothing for a part that is lost.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Grip {
    /// Areas in m² with the zones that reach them.
    pub patches: Vec<(f64, Vec<(ZoneId, f64)>)>,
}

impl Grip {
    /// The pull when zone j has the potential `zone_potentials[j]`: the sum of area × (p_atm − p).
    pub fn force(&self, zone_potentials: &[PressureSquared], room: AbsolutePressure) -> Force {
        let pull = |(area, shares): &(f64, Vec<(ZoneId, f64)>)| {
            let of = |(zone, share): &(ZoneId, f64)| {
                zone_potentials.get(usize::from(zone.0)).map_or(0.0, |v| v.pascals_squared() * share)
            };
            area * depth(shares.iter().map(of).sum(), room)
        };
        Force::from_newtons(self.patches.iter().map(pull).sum())
    }
}

/// p_atm − p in pascals where the potential is `potential` Pa², without cancellation.
fn depth(potential: f64, room: AbsolutePressure) -> f64 {
    let room = room.pascals();
    potential / (room + (room * room - potential).max(0.0).sqrt())
}

/// A board under a load, condensed to what the zones' pressures need to become flow and force.
///
/// The closed form and the flow field both stand behind this seam.
pub trait Condensed {
    /// The zone matrix.
    fn zones(&self) -> &ZoneMatrix;

    /// How the zones hold `part`.
    fn grip(&self, part: PartId) -> Grip;

    /// The force that presses `part` down when zone j has the potential `zone_potentials[j]`; zero for a part that is lost.
    fn part_force(&self, part: PartId, zone_potentials: &[PressureSquared], room: AbsolutePressure) -> Force {
        self.grip(part).force(zone_potentials, room)
    }

    /// The force on everything that covers the board.
    fn cover_force(&self, zone_potentials: &[PressureSquared], room: AbsolutePressure) -> Force;
}

impl<T: Condensed + ?Sized> Condensed for Box<T> {
    fn zones(&self) -> &ZoneMatrix {
        (**self).zones()
    }

    fn grip(&self, part: PartId) -> Grip {
        (**self).grip(part)
    }

    fn part_force(&self, part: PartId, zone_potentials: &[PressureSquared], room: AbsolutePressure) -> Force {
        (**self).part_force(part, zone_potentials, room)
    }

    fn cover_force(&self, zone_potentials: &[PressureSquared], room: AbsolutePressure) -> Force {
        (**self).cover_force(zone_potentials, room)
    }
}
