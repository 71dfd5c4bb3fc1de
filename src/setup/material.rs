//! The materials that a card may name.
//!
//! Densities are usual trade figures, from memory. Friction on a skimmed board is a prudent 0.25 for wood and 0.2 for the
//! rest, from memory; a test with a luggage scale on the operator's own board replaces it. Specific cutting force is from
//! memory but for particleboard, where 32.0 to 37.6 N/mm² was measured (Materials 2021, 14, 2208, abstract).
//! Permeability through the sheet is an order of magnitude from memory; zero for what is tight.

use crate::job::Material;
use crate::units::Density;

/// Name, density in kg/m³, friction, cutting force in N/mm², permeability in m².
const MATERIALS: [(&str, f64, f64, f64, f64); 17] = [
    ("mdf", 720.0, 0.25, 35.0, 2e-14),
    ("light-mdf", 550.0, 0.25, 28.0, 3e-13),
    ("particleboard", 650.0, 0.25, 35.0, 1e-12),
    ("melamine-faced", 680.0, 0.25, 37.0, 0.0),
    ("plywood", 600.0, 0.25, 35.0, 0.0),
    ("hardboard", 900.0, 0.25, 40.0, 0.0),
    ("softwood", 480.0, 0.25, 28.0, 0.0),
    ("hardwood", 700.0, 0.25, 50.0, 0.0),
    ("acrylic", 1190.0, 0.2, 100.0, 0.0),
    ("polycarbonate", 1200.0, 0.2, 90.0, 0.0),
    ("hdpe", 955.0, 0.2, 60.0, 0.0),
    ("pvc", 1400.0, 0.2, 80.0, 0.0),
    ("foam-board", 550.0, 0.2, 20.0, 0.0),
    ("foam", 40.0, 0.25, 2.0, 0.0),
    ("solid-surface", 1700.0, 0.2, 110.0, 0.0),
    ("aluminium", 2700.0, 0.2, 900.0, 0.0),
    ("aluminium-composite", 1400.0, 0.2, 180.0, 0.0),
];

/// Every built-in material.
pub fn materials() -> impl Iterator<Item = Material> {
    MATERIALS.iter().map(|(name, density, friction, cutting_force_n_mm2, permeability_m2)| Material {
        name: (*name).to_owned(),
        density: Density::from_kg_per_m3(*density),
        friction: *friction,
        cutting_force_n_mm2: *cutting_force_n_mm2,
        permeability_m2: *permeability_m2,
    })
}
