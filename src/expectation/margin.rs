//! What holds a part against what acts on it.
//!
//! Statics of a rigid part on a flat board, friction by Coulomb: sliding µ·(F + W − F_up) against the sideways force;
//! tipping about the far lower edge (F + W)·b/2 against F_side·h + F_up·b; lifting F + W against F_up.

use serde::{Deserialize, Serialize};

use crate::job::{Card, CardPart, Cutter, Edge, Engagement};
use crate::units::{Force, Length, Mass};

/// Standard gravity in m/s².
const GRAVITY: f64 = 9.806_65;

/// What a cutter does to a part.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Acting {
    /// Sideways.
    pub sideways: Force,
    /// Upwards at the far edge; negative presses the part down.
    pub upwards: Force,
    /// How high above the board the sideways force acts.
    pub height: Length,
}

impl Acting {
    /// What the last pass of a card's cut does at its worst: the peak of a tooth at the top of the pass, with the axial pull of
    /// its helix; what a knife pulls with, at the sheet's top. A side force on the card stands in for either.
    pub fn of(card: &Card) -> Self {
        let Cutter { last_pass: height, edge, .. } = card.cutter;
        match edge {
            Edge::Knife { pull, lift } => {
                Acting { sideways: card.side_force.unwrap_or(pull), upwards: lift, height: card.sheet.thickness }
            }
            Edge::Milling(milling) => {
                let tooth = || Engagement::last_pass(card).map_or(Force::ZERO, |slot| slot.peak_force());
                let sideways = card.side_force.unwrap_or_else(tooth);
                Acting { sideways, upwards: sideways * milling.axial_share, height }
            }
        }
    }
}

/// How a part stands on the board.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Footing {
    /// What the air presses it down with.
    pub pressing: Force,
    /// Its weight.
    pub weight: Force,
    /// Static friction on the board.
    pub friction: f64,
    /// Its width in the direction in which it tips most easily.
    pub base: Length,
}

impl Footing {
    /// A part of a card under a pressing force.
    pub fn of(card: &Card, part: &CardPart, pressing: Force) -> Self {
        let (width, height) = (part.rect.width(), part.rect.height());
        let volume = (width * height).square_metres() * card.sheet.thickness.metres();
        let mass = Mass::from_kilograms(card.sheet.material.density.kg_per_m3() * volume);
        Footing {
            pressing,
            weight: Force::from_newtons(mass.kilograms() * GRAVITY),
            friction: card.sheet.material.friction,
            base: width.min(height),
        }
    }

    /// What holds it over what acts on it.
    pub fn margins(&self, acting: &Acting) -> Margins {
        let down = self.pressing.newtons() + self.weight.newtons();
        let (side, up) = (acting.sideways.newtons(), acting.upwards.newtons());
        let (base, height) = (self.base.metres(), acting.height.metres());
        Margins {
            sliding: over(self.friction * (down - up).max(0.0), side),
            tipping: over(down * 0.5 * base, side * height + up.max(0.0) * base),
            lifting: over(down, up.max(0.0)),
        }
    }
}

fn over(holds: f64, acts: f64) -> f64 {
    if acts > 0.0 { holds / acts } else { f64::INFINITY }
}

/// What holds a part over what acts on it, infinite where nothing acts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Margins {
    /// Against sliding.
    pub sliding: f64,
    /// Against tipping.
    pub tipping: f64,
    /// Against lifting.
    pub lifting: f64,
}

impl Margins {
    /// The least of the three.
    pub fn least(&self) -> f64 {
        self.sliding.min(self.tipping).min(self.lifting)
    }
}
