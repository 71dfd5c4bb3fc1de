//! How a board moves with the moisture of its wood.
//!
//! Fibreboard swells by 0.05 % in its plane for each percent of moisture (a figure that a trade association prints for
//! medium-density fibreboard). A difference between its faces bends it: curvature κ = ε·Δ/t, sag κ·L²/8
//! over a span L, and pressed flat as a simply supported strip, q = 384·E·I·sag/(5·L⁴), by beam theory; modulus 2.5 GPa from
//! memory.

use crate::units::{Length, Vacuum};

/// Share by which a percent of moisture swells a board along its plane.
const IN_PLANE: f64 = 0.0005;
/// Modulus of elasticity in Pa.
const MODULUS: f64 = 2.5e9;

/// How far the middle of a `span` lifts when the faces differ by so many percent of moisture.
pub(super) fn sag(thickness: Length, span: Length, percent: f64) -> Length {
    let curvature = IN_PLANE * percent / thickness.metres();
    Length::from_metres(curvature * span.metres().powi(2) / 8.0)
}

/// The level under a board that presses such a sag flat.
pub(super) fn pressed_flat(thickness: Length, span: Length, sag: Length) -> Vacuum {
    let stiffness = MODULUS * thickness.metres().powi(3) / 12.0;
    Vacuum::from_pascals(384.0 * stiffness * sag.metres() / (5.0 * span.metres().powi(4)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The trade association's own example (mdf-info.eu): 5 % more moisture makes 600 mm of board 1.5 mm wider.
    #[test]
    fn a_board_swells_in_its_plane_as_the_printed_example_says() {
        assert!((600.0 * 5.0 * IN_PLANE - 1.5).abs() < 1e-9);
    }

    /// Worked by hand from the figures in print: 2 % between the faces of 18 mm
    /// sag by 10 mm over 1.2 m, which 450 Pa press flat.
    #[test]
    fn a_board_moves_as_the_printed_figures_say() {
        let thickness = Length::from_millimetres(18.0);
        let span = Length::from_metres(1.2);
        assert!((sag(thickness, span, 2.0).millimetres() - 10.0).abs() < 1e-9);
        let flat = pressed_flat(thickness, span, sag(thickness, span, 2.0));
        assert!((flat.pascals() - 450.0).abs() < 1.0, "{}", flat.pascals());
    }
}
