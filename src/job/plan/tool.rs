//! The cutters of a program by their number.

use serde::{Deserialize, Serialize};

use crate::units::Length;

/// The lower end of a cutter.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tip {
    /// As wide at its end as above.
    Flat,
    /// A cone that widens from its end up to the diameter.
    Taper {
        /// Its width at the very end.
        end: Length,
        /// From its axis to its edge, in degrees.
        half_angle_deg: f64,
    },
    /// A half ball.
    Ball,
}

/// A cutter.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tool {
    /// Its number in the program, `T`.
    pub number: u32,
    /// Its diameter.
    pub diameter: Length,
    /// Its lower end.
    pub tip: Tip,
    /// Its cutting edges.
    pub flutes: u32,
    /// Upward (positive) or downward (negative) pull as a share of the tangential force: tan of an up-cut helix.
    pub axial_share: f64,
}

impl Tool {
    /// How wide it cuts at a height above its end: never more than its diameter, nothing below its end.
    pub fn width_at(&self, above: Length) -> Length {
        if above < Length::ZERO {
            return Length::ZERO;
        }
        let width = match self.tip {
            Tip::Flat => self.diameter,
            Tip::Taper { end, half_angle_deg } => end + above * (2.0 * half_angle_deg.to_radians().tan()),
            Tip::Ball => {
                let (radius, above) = (self.diameter.metres() / 2.0, above.metres());
                let across = (radius - above).max(0.0);
                Length::from_metres(2.0 * (radius * radius - across * across).sqrt())
            }
        };
        width.min(self.diameter)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn width(tip: Tip, above_mm: f64) -> f64 {
        let diameter = Length::from_millimetres(10.0);
        Tool { number: 1, diameter, tip, flutes: 2, axial_share: 0.0 }
            .width_at(Length::from_millimetres(above_mm))
            .millimetres()
    }

    #[test]
    fn a_cutter_is_as_wide_as_its_shape_says() {
        // Plane geometry, no source needed: a 90 degree cone widens by twice the height, a ball follows its circle.
        let cone = Tip::Taper { end: Length::from_millimetres(1.0), half_angle_deg: 45.0 };
        for (tip, above, expected) in [
            (Tip::Flat, 0.0, 10.0),
            (Tip::Flat, -0.1, 0.0),
            (cone, 0.0, 1.0),
            (cone, 3.0, 7.0),
            (cone, 30.0, 10.0),
            (Tip::Ball, 0.0, 0.0),
            (Tip::Ball, 1.0, 6.0),
            (Tip::Ball, 5.0, 10.0),
            (Tip::Ball, 9.0, 10.0),
        ] {
            assert!((width(tip, above) - expected).abs() < 1e-9, "{tip:?} at {above}: {}", width(tip, above));
        }
    }
}
