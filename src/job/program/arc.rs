//! `G2` and `G3`: an arc or helix from its end and its centre or radius.
//!
//! NISTIR 6556, 3.5.3: with the centre, an end equal to the start is a full circle; with the radius R, a positive one is the
//! shorter arc and a negative one the longer, and a full circle cannot be told.

use std::f64::consts::{PI, TAU};
use std::ops::Range;

use super::refusal::{Flaw, flaw};
use super::step::{Arc, Plane};
use crate::units::Length;

/// How far start and end may differ in their distance from the centre, in mm. NISTIR 6556 takes 0.002 mm; writers round to 0.001 in
/// and more, which a router's table does not mind.
const ROUNDING: f64 = 0.05;

/// The same as a share of the radius, and the most that it allows.
const ROUNDING_SHARE: f64 = 0.001;
const MOST_ROUNDING: f64 = 0.5;

/// Ends nearer than this are the same place, in mm.
const SAME: f64 = 1e-6;

/// Where an arc begins and ends in its plane, in mm.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ends {
    pub(super) plane: Plane,
    pub(super) clockwise: bool,
    pub(super) from: [f64; 2],
    pub(super) to: [f64; 2],
}

impl Ends {
    fn chord(&self) -> f64 {
        (self.to[0] - self.from[0]).hypot(self.to[1] - self.from[1])
    }

    /// The arc about a centre.
    pub(super) fn about(&self, centre: [f64; 2], columns: Range<usize>) -> Result<Arc, Flaw> {
        let reach = |end: [f64; 2]| (end[0] - centre[0]).hypot(end[1] - centre[1]);
        let (first, last) = (reach(self.from), reach(self.to));
        if first < SAME {
            return Err(flaw(columns, "the arc's centre is where it begins", "correct the centre"));
        }
        let apart = (first - last).abs();
        if apart > ROUNDING.max((ROUNDING_SHARE * first).min(MOST_ROUNDING)) {
            let what = format!("the arc begins {first:.3} mm from its centre and ends {last:.3} mm from it");
            return Err(flaw(columns, what, "correct its end or its centre; G90.1 and G91.1 say how centres are told"));
        }
        let angle = |end: [f64; 2]| (end[1] - centre[1]).atan2(end[0] - centre[0]);
        let turn = if self.chord() < SAME { TAU } else { self.turned(angle(self.to) - angle(self.from)) };
        Ok(self.arc(centre, turn))
    }

    /// The angle turned through, without its sign, of a difference of angles.
    fn turned(&self, difference: f64) -> f64 {
        let ahead = if self.clockwise { -difference } else { difference };
        let turn = ahead.rem_euclid(TAU);
        if turn > 0.0 { turn } else { TAU }
    }

    /// The arc of a radius, negative for the longer way.
    pub(super) fn of_radius(&self, radius: f64, columns: Range<usize>) -> Result<Arc, Flaw> {
        let chord = self.chord();
        if chord < SAME {
            return Err(flaw(
                columns,
                "an arc with R ends where it begins",
                "tell a full circle by its centre, I and J",
            ));
        }
        let half = chord / 2.0;
        if radius == 0.0 || half - radius.abs() > ROUNDING {
            let what = format!("the radius {:.3} mm is less than half of the arc's {chord:.3} mm", radius.abs());
            return Err(flaw(columns, what, "correct R or the end"));
        }
        let aside = (radius * radius - half * half).max(0.0).sqrt();
        let along = [(self.to[0] - self.from[0]) / chord, (self.to[1] - self.from[1]) / chord];
        // The centre of the shorter counterclockwise arc lies to the left of its chord.
        let side = if self.clockwise == (radius > 0.0) { -aside } else { aside };
        let middle = [(self.from[0] + self.to[0]) / 2.0, (self.from[1] + self.to[1]) / 2.0];
        let centre = [middle[0] - along[1] * side, middle[1] + along[0] * side];
        let shorter = 2.0 * (half / radius.abs()).min(1.0).asin();
        let turn = if radius > 0.0 { shorter.min(PI) } else { TAU - shorter };
        Ok(self.arc(centre, turn))
    }

    fn arc(&self, centre: [f64; 2], turn: f64) -> Arc {
        let centre = (Length::from_millimetres(centre[0]), Length::from_millimetres(centre[1]));
        Arc { plane: self.plane, centre, turn: if self.clockwise { -turn } else { turn } }
    }
}
