//! The forces of a milling cut.
//!
//! Chip geometry and power by the usual textbook relations (Dietrich and Tschätsch, Praxis der Zerspantechnik):
//! engagement φ = acos(1 − 2·a_e/D), mean chip h_m = 2·f_z·(a_e/D)/φ, P = k_c·a_e·a_p·v_f. A part slips within one tooth's
//! passage, so what acts on it is the peak of a tooth, k_c·a_p·f_z at most, not the mean that the spindle feels.

use super::{Card, Cutter, Edge, Milling};
use crate::units::{Force, Length};

/// A cut of `width` and `depth` by a cutter that turns.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Engagement {
    /// The cutter's diameter.
    pub diameter: Length,
    /// Its edges, and how it is driven.
    pub milling: Milling,
    /// Width of cut a_e, at most the diameter.
    pub width: Length,
    /// Depth of cut a_p.
    pub depth: Length,
    /// Specific cutting force k_c in N/mm², equal to MPa.
    pub cutting_force_n_mm2: f64,
}

impl Engagement {
    /// The slot that cuts a card's parts free in the last pass; `None` for a knife, which has its own forces.
    pub fn last_pass(card: &Card) -> Option<Self> {
        Self::slot(&card.cutter, card.sheet.material.cutting_force_n_mm2)
    }

    /// The slot of a cutter's last pass in a material; `None` for a knife.
    pub fn slot(cutter: &Cutter, cutting_force_n_mm2: f64) -> Option<Self> {
        let Edge::Milling(milling) = cutter.edge else { return None };
        let Cutter { diameter, last_pass, .. } = *cutter;
        Some(Engagement { diameter, milling, width: diameter, depth: last_pass, cutting_force_n_mm2 })
    }

    /// The angle through which a tooth cuts, in radians.
    pub fn angle(&self) -> f64 {
        (1.0 - 2.0 * (self.width / self.diameter)).clamp(-1.0, 1.0).acos()
    }

    /// How far the cutter goes on from tooth to tooth.
    pub fn feed_per_tooth(&self) -> Length {
        let teeth_per_minute = self.milling.spindle_rpm * f64::from(self.milling.flutes);
        Length::from_metres(self.milling.feed_m_min / teeth_per_minute)
    }

    /// The mean thickness of a chip.
    pub fn mean_chip(&self) -> Length {
        self.feed_per_tooth() * (2.0 * (self.width / self.diameter) / self.angle())
    }

    /// The speed of the edge in m/s.
    pub fn edge_speed(&self) -> f64 {
        std::f64::consts::PI * self.diameter.metres() * self.milling.spindle_rpm / 60.0
    }

    /// Material removed in m³/s.
    pub fn removal(&self) -> f64 {
        (self.width * self.depth).square_metres() * self.milling.feed_m_min / 60.0
    }

    /// Cutting power in watts.
    pub fn power(&self) -> f64 {
        self.cutting_force_n_mm2 * 1e6 * self.removal()
    }

    /// Teeth in the cut, on the mean.
    pub fn teeth_engaged(&self) -> f64 {
        f64::from(self.milling.flutes) * self.angle() / std::f64::consts::TAU
    }

    /// The tangential force that the spindle feels on the mean.
    pub fn mean_force(&self) -> Force {
        Force::from_newtons(self.power() / self.edge_speed())
    }

    /// The greatest tangential force of one tooth.
    pub fn peak_tooth_force(&self) -> Force {
        let thickest = self.feed_per_tooth().metres() * self.angle().min(std::f64::consts::FRAC_PI_2).sin();
        Force::from_newtons(self.cutting_force_n_mm2 * 1e6 * self.depth.metres() * thickest)
    }

    /// The greatest resultant sideways force: that of one tooth, and in a slot of z > 4 teeth z/4 times as much, to which
    /// their vectors then add up.
    pub fn peak_force(&self) -> Force {
        let share = self.angle() / std::f64::consts::PI;
        self.peak_tooth_force() * (0.25 * f64::from(self.milling.flutes) * share).max(1.0)
    }
}
