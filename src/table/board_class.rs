//! What a board's name or weight says about how air passes it, until a survey has measured it.
//!
//! No permeability of light fibreboard is published. The figures are assumptions inside the range that laboratories found
//! for medium-density fibreboard (0.38e-13 to 6.26e-13 m², 8 to 12 % adhesive) and that a bare table's usual level allows.

use serde::{Deserialize, Serialize};

use super::Layer;
use crate::units::{Density, Length, Permeability};

/// The trade's grades of board.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BoardClass {
    /// Ultra-light fibreboard, some 500 kg/m³.
    UltraLight,
    /// Light fibreboard, some 600 kg/m³.
    Light,
    /// Medium-density fibreboard, some 720 kg/m³.
    Standard,
    /// High-density fibreboard, some 900 kg/m³.
    HighDensity,
    /// Raw particleboard, some 650 kg/m³.
    Particle,
}

/// Which of a layered board's dense faces are still on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Faces {
    /// Both, as delivered.
    On,
    /// The lower one.
    TopSkimmed,
    /// None: skimmed on both sides, or a homogeneous board.
    Off,
}

/// A permeability that is only known to lie between two bounds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PermeabilityRange {
    /// The least plausible.
    pub low: Permeability,
    /// The one assumed.
    pub typical: Permeability,
    /// The greatest plausible.
    pub high: Permeability,
}

/// Permeability along a board over that through it: an assumption, fibreboard being found between 2 and 10.
pub const ALONG_OVER_THROUGH: f64 = 5.0;

/// Thickness of one dense face: common practice skims as much off, no source.
const FACE: Length = Length::from_millimetres(1.5);

/// Permeability of the core over that of the faces: an assumption that makes 18 mm of standard board with both faces
/// pass a fifth of what it passes without.
const CORE_OVER_FACE: f64 = 25.0;

impl BoardClass {
    /// Every class.
    pub const ALL: [BoardClass; 5] = [
        BoardClass::UltraLight,
        BoardClass::Light,
        BoardClass::Standard,
        BoardClass::HighDensity,
        BoardClass::Particle,
    ];

    /// The fibreboard of a density: ultra-light to 550, light to 650, high-density from 800 kg/m³ (informal ranges, 800 in
    /// print, the others from memory).
    pub fn of_fibreboard(density: Density) -> Self {
        match density.kg_per_m3() {
            weight if weight <= 550.0 => BoardClass::UltraLight,
            weight if weight <= 650.0 => BoardClass::Light,
            weight if weight < 800.0 => BoardClass::Standard,
            _ => BoardClass::HighDensity,
        }
    }

    /// Its permeability through the board without dense faces.
    pub fn permeability(self) -> PermeabilityRange {
        let (low, typical, high) = match self {
            BoardClass::UltraLight => (3e-13, 1e-12, 5e-12),
            BoardClass::Light => (1e-13, 4e-13, 1e-12),
            BoardClass::Standard => (4e-14, 1e-13, 6e-13),
            BoardClass::HighDensity => (1e-15, 5e-15, 2e-14),
            BoardClass::Particle => (2e-13, 1e-12, 1e-11),
        };
        let square_metres = Permeability::from_square_metres;
        PermeabilityRange { low: square_metres(low), typical: square_metres(typical), high: square_metres(high) }
    }

    /// The layers, bottom to top, of a board of this class that is `thickness` thick as it lies.
    ///
    /// A board thinner than its faces is all face.
    pub fn layers(self, thickness: Length, faces: Faces) -> Vec<Layer> {
        let core = self.permeability().typical;
        let (below, above) = match faces {
            Faces::On => (FACE, FACE),
            Faces::TopSkimmed => (FACE, Length::ZERO),
            Faces::Off => (Length::ZERO, Length::ZERO),
        };
        let share = (thickness / (below + above)).min(1.0);
        let (below, above) = if share < 1.0 { (below * share, above * share) } else { (below, above) };
        [
            (below, core * (1.0 / CORE_OVER_FACE)),
            (thickness - below - above, core),
            (above, core * (1.0 / CORE_OVER_FACE)),
        ]
        .into_iter()
        .filter(|(thickness, _)| *thickness > Length::ZERO)
        .map(|(thickness, through)| Layer { thickness, along: through * ALONG_OVER_THROUGH, through })
        .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn through(layers: &[Layer]) -> f64 {
        let whole: Length = layers.iter().map(|layer| layer.thickness).sum();
        whole.metres() / layers.iter().map(|layer| (layer.thickness / layer.through).per_metre()).sum::<f64>()
    }

    /// Assumed figures for 18 mm boards, 1e-13 m² without and 2e-14 m² with both faces.
    #[test]
    fn standard_board_with_faces_passes_a_fifth() {
        let thickness = Length::from_millimetres(18.0);
        let bare = through(&BoardClass::Standard.layers(thickness, Faces::Off));
        let faced = through(&BoardClass::Standard.layers(thickness, Faces::On));
        assert!((bare / 1e-13 - 1.0).abs() < 1e-9, "{bare}");
        assert!((faced / 2e-14 - 1.0).abs() < 1e-9, "{faced}");
    }

    #[test]
    fn one_face_off_opens_a_board_far_less_than_both() {
        let of = |faces| through(&BoardClass::Light.layers(Length::from_millimetres(18.0), faces));
        assert!(of(Faces::TopSkimmed) < 2.0 * of(Faces::On));
        assert!(of(Faces::Off) > 4.0 * of(Faces::On));
    }

    #[test]
    fn layers_add_up_to_the_board_however_thin_it_is() {
        for class in BoardClass::ALL {
            for faces in [Faces::On, Faces::TopSkimmed, Faces::Off] {
                for millimetres in [1.0, 2.9, 18.0] {
                    let layers = class.layers(Length::from_millimetres(millimetres), faces);
                    let whole: Length = layers.iter().map(|layer| layer.thickness).sum();
                    assert!((whole.millimetres() - millimetres).abs() < 1e-9, "{class:?} {faces:?} {millimetres}");
                }
            }
        }
    }

    /// 30 to 34 lb/ft³ is the trade's ultra-light board (common practice, no source).
    #[test]
    fn weight_names_the_grade() {
        let of = |kg_per_m3| BoardClass::of_fibreboard(Density::from_kg_per_m3(kg_per_m3));
        assert_eq!(of(480.55), BoardClass::UltraLight);
        assert_eq!(of(544.63), BoardClass::UltraLight);
        assert_eq!(of(600.0), BoardClass::Light);
        assert_eq!(of(720.0), BoardClass::Standard);
        assert_eq!(of(800.0), BoardClass::HighDensity);
    }
}
