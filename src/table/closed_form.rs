//! The board under a load in closed form: fast, and prudent about parts.
//!
//! Far from an edge the board is a resistance per area. At an edge of what covers it, and along a kerf, the flow is plane,
//! and conformal maps give it exactly (two-dimensional potential flow in a strip, textbook method):
//!
//! - a kerf of width w leaks √(k_xy·k_z)·2·K(k)/K(k′) per metre, k = tanh(π·w/(4·t·s)), s = √(k_xy/k_z);
//! - beside open board a part loses a band (2·ln 2/π)·t·s of its hold in v = p_atm² − p²;
//! - by Green's theorem the area lost in v is always leak × resistance, so that a leak can be painted onto the board as a
//!   band and overlapping bands count once.
//!
//! Layers, contact and a sheet's gap are not in those maps. They enter through t·s = √(T·R), with T the transmissivity along
//! and R the resistance through; a top layer stands in series with what is below it, which sees the cut as wide as the top
//! layer spreads it; and the gap's own decay length √(h³/12·R) adds to a band as the root of the sum of squares. A part's
//! force is that of its *mean* v, which by the convexity of p_atm − √(p_atm² − v) is less than its true force, and it counts as
//! cut free wherever anything within three bands of its outline is open.

mod beside;
mod footprint;
mod mask;
mod paint;
mod strip;

use beside::{Along, couple, from_rims, from_seams, reaches};
use footprint::Footprint;
use paint::{Cover, Paint};
use strip::Strip;

use super::{Condensed, Grip, PartId, Table, TableLoad, ZoneId, ZoneMatrix};
use crate::units::{AbsolutePressure, Force, PressureSquared, Vacuum};

/// A board under a load, condensed without a field.
#[derive(Clone, Debug, PartialEq)]
pub struct ClosedForm {
    zones: ZoneMatrix,
    parts: Vec<Footprint>,
    covers: Vec<Cover>,
    /// Through the board and its contact, in 1/m.
    resistance: f64,
}

impl ClosedForm {
    /// Condenses the board of `table` under `load`.
    pub fn condense(table: &Table, load: &TableLoad) -> Self {
        let strip = Strip::of(table, load);
        let reaches = reaches(table, &strip);
        let paint = Paint::of(table, load, &strip);
        let mut zones = ZoneMatrix::zeros(table.plenum.zones.len());
        let mut covers = Vec::with_capacity(zones.count());
        for (zone, rects) in reaches.iter() {
            let along =
                [from_rims(table, zone, &paint, &strip), from_seams(table, rects, &strip)].into_iter().sum::<Along>();
            let (leak, cover) = paint.under(rects, along.lost, &strip);
            add(&mut zones, zone, zone, leak + along.leak);
            covers.push(cover);
        }
        couple(&mut zones, table, &paint, &strip);
        let parts = load.parts.iter().map(|part| Footprint::of(part, &paint, &reaches, &strip)).collect();
        ClosedForm { zones, parts, covers, resistance: strip.resistance }
    }

    /// The zone matrix after `part` too has gone and left bare board; the same if it is lost already or unknown.
    pub fn without(&self, part: PartId) -> ZoneMatrix {
        let mut zones = self.zones.clone();
        let Some(footprint) = self.part(part).filter(|footprint| !footprint.lost) else { return zones };
        let leak = footprint.area.square_metres() * footprint.held / self.resistance;
        for (zone, share) in &footprint.over {
            add(&mut zones, *zone, *zone, leak * share);
        }
        zones
    }

    fn part(&self, part: PartId) -> Option<&Footprint> {
        self.parts.get(usize::try_from(part.0).ok()?)
    }
}

impl Condensed for ClosedForm {
    fn zones(&self) -> &ZoneMatrix {
        &self.zones
    }

    fn grip(&self, part: PartId) -> Grip {
        let Some(footprint) = self.part(part).filter(|footprint| !footprint.lost) else { return Grip::default() };
        let shares = footprint.over.iter().map(|(zone, share)| (*zone, share * footprint.held)).collect();
        Grip { patches: vec![(footprint.area.square_metres(), shares)] }
    }

    fn cover_force(&self, zone_potentials: &[PressureSquared], room: AbsolutePressure) -> Force {
        let press =
            |(cover, potential): (&Cover, &PressureSquared)| pressing(*potential * cover.held, room) * cover.area;
        self.covers.iter().zip(zone_potentials).map(press).sum()
    }
}

fn pressing(potential: PressureSquared, room: AbsolutePressure) -> Vacuum {
    potential.pressure_below(room).vacuum_below(room)
}

fn add(zones: &mut ZoneMatrix, row: ZoneId, column: ZoneId, more: f64) {
    zones.set(row, column, zones.get(row, column) + more);
}
