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

/// Which way a cutter's flutes wind.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Winds {
    /// Chips go up, and the sheet with them.
    Up,
    /// Chips and sheet are pressed down.
    Down,
    /// Neither.
    Straight,
    /// Up at its tip, which is about one diameter long, and down above it (common practice, no source).
    Compression,
}

/// The helix of a cutter's flutes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Helix {
    /// Which way it winds.
    pub winds: Winds,
    /// Its angle to the axis.
    pub degrees: f64,
}

impl Helix {
    /// Flutes that pull neither way.
    pub const STRAIGHT: Helix = Helix { winds: Winds::Straight, degrees: 0.0 };

    /// Upward (positive) or downward (negative) pull of a pass as a share of the tangential force: the tangent of the helix. A
    /// compression cutter pulls up in a pass within its tip; in a deeper one its pulls about cancel (common practice, no source).
    pub fn axial_share(&self, depth_in_diameters: f64) -> f64 {
        let tangent = self.degrees.to_radians().tan();
        match self.winds {
            Winds::Up => tangent,
            Winds::Down => -tangent,
            Winds::Straight => 0.0,
            Winds::Compression if depth_in_diameters <= 1.0 => tangent,
            Winds::Compression => 0.0,
        }
    }
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
    /// How its flutes wind.
    pub helix: Helix,
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
        Tool { number: 1, diameter, tip, flutes: 2, helix: Helix::STRAIGHT }
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
