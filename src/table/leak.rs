//! How air gets through holes, valves, pipes and porous layers.
//!
//! Nozzle: isentropic flow of an ideal gas, choked below the critical ratio (2/(γ+1))^(γ/(γ−1)), textbook. Valve:
//! ISO 6358 with the reference air of ISO 8778. Both are made linear above a pressure ratio of 0.999, where their slope
//! would grow without limit. Pipe: Darcy–Weisbach for isothermal gas with the friction factor of Colebrook (1939),
//! laminar below Re = 2040. Porous layer: Darcy with Klinkenberg's slip and Forchheimer's inertia. All flows are signed:
//! negative when `down` lies above `up`.

use super::Air;
use crate::units::{
    AbsolutePressure, Area, LayerResistance, Length, MassFlow, Permeability, SquareResistance, Temperature, Throughput,
};

/// Ratio of the specific heats of air.
pub const GAMMA: f64 = 1.4;

/// The pressure ratio above which nozzle and valve are linear.
pub const LINEAR_ABOVE: f64 = 0.999;

/// The density of ISO 8778 reference air in kg/m³.
const REFERENCE_DENSITY: f64 = 1.185;
/// Its temperature in kelvins.
const REFERENCE_KELVINS: f64 = 293.15;

/// The pressure ratio at and below which a nozzle is choked, 0.528 for air.
pub fn critical_ratio() -> f64 {
    (2.0 / (GAMMA + 1.0)).powf(GAMMA / (GAMMA - 1.0))
}

/// Mass flow through a hole of the effective area Cd·A.
pub fn nozzle(effective: Area, up: AbsolutePressure, down: AbsolutePressure, air: &Air) -> MassFlow {
    let shape = |ratio: f64| {
        let ratio = ratio.max(critical_ratio());
        (2.0 * GAMMA / (GAMMA - 1.0) * (ratio.powf(2.0 / GAMMA) - ratio.powf((GAMMA + 1.0) / GAMMA))).sqrt()
    };
    let per_pascal = effective.square_metres() / air.specific_energy().sqrt();
    MassFlow::from_kg_per_s(per_pascal * signed(up.pascals(), down.pascals(), shape))
}

/// The upstream pressure times `shape` of the ratio, linear near 1, with the sign of the flow.
fn signed(up: f64, down: f64, shape: impl Fn(f64) -> f64) -> f64 {
    if up < down {
        return -signed(down, up, shape);
    }
    if up <= 0.0 {
        return 0.0;
    }
    let ratio = down / up;
    if ratio <= LINEAR_ABOVE { up * shape(ratio) } else { (up - down) * shape(LINEAR_ABOVE) / (1.0 - LINEAR_ABOVE) }
}

/// A valve or fitting by ISO 6358.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SonicValve {
    /// Sonic conductance C in m³/(s·Pa).
    pub sonic_conductance: f64,
    /// Critical pressure ratio b, from 0 to below 1.
    pub critical_ratio: f64,
}

impl SonicValve {
    /// Mass flow from `up` to `down` of air at `temperature`.
    pub fn mass_flow(&self, up: AbsolutePressure, down: AbsolutePressure, temperature: Temperature) -> MassFlow {
        let shape = |ratio| self.shape(ratio);
        let per_pascal = self.mass_per_pascal(temperature);
        MassFlow::from_kg_per_s(per_pascal * signed(up.pascals(), down.pascals(), shape))
    }

    fn mass_per_pascal(&self, temperature: Temperature) -> f64 {
        self.sonic_conductance * REFERENCE_DENSITY * (REFERENCE_KELVINS / temperature.kelvins()).sqrt()
    }

    fn shape(&self, ratio: f64) -> f64 {
        let beyond = ((ratio - self.critical_ratio) / (1.0 - self.critical_ratio)).max(0.0);
        (1.0 - beyond * beyond).max(0.0).sqrt()
    }

    /// The upstream pressure that sends `throughput` to `down`, and its slope in Pa per Pa·m³/s.
    ///
    /// A negative throughput goes from `down` to the pressure returned; beyond the choked flow that pressure is zero.
    pub(crate) fn upstream(&self, throughput: Throughput, down: AbsolutePressure, air: &Air) -> (f64, f64) {
        let per_pascal = self.mass_per_pascal(air.temperature) * air.specific_energy();
        let (flow, down) = (throughput.pa_m3_per_s() / per_pascal, down.pascals());
        let steepness = self.shape(LINEAR_ABOVE) / (1.0 - LINEAR_ABOVE);
        let (pressure, slope) = if flow >= 0.0 {
            self.upstream_forward(flow, down, steepness)
        } else {
            self.upstream_backward(-flow, down, steepness)
        };
        (pressure, slope / per_pascal)
    }

    /// `flow` is throughput over conductance: up · shape(down / up).
    fn upstream_forward(&self, flow: f64, down: f64, steepness: f64) -> (f64, f64) {
        let linear = down + flow / steepness;
        if down >= LINEAR_ABOVE * linear {
            return (linear, 1.0 / steepness);
        }
        if self.critical_ratio * flow >= down {
            return (flow, 1.0);
        }
        // flow² = up² − ((down − b·up)/(1 − b))², a quadratic in up.
        let b = self.critical_ratio;
        let square = (1.0 - b) * (1.0 - b);
        let (a, half, c) = (square - b * b, b * down, -down * down - flow * flow * square);
        let root = (half * half - a * c).max(0.0).sqrt();
        let up = if half + root > 0.0 { -c / (half + root) } else { flow };
        (up, flow * square / (a * up + half))
    }

    fn upstream_backward(&self, flow: f64, down: f64, steepness: f64) -> (f64, f64) {
        let linear = down - flow / steepness;
        if linear >= LINEAR_ABOVE * down {
            return (linear, 1.0 / steepness);
        }
        let share = flow / down;
        if share >= LINEAR_ABOVE {
            // Nearly choked: what lies below changes nothing; fall on towards nothing at a finite slope.
            let end = (1.0 - LINEAR_ABOVE * LINEAR_ABOVE).sqrt();
            let least = down * (self.critical_ratio + (1.0 - self.critical_ratio) * end);
            let slope = (1.0 - self.critical_ratio) * LINEAR_ABOVE / end;
            return ((least - slope * (flow - LINEAR_ABOVE * down)).max(0.0), slope);
        }
        let rest = (1.0 - share * share).sqrt();
        (down * (self.critical_ratio + (1.0 - self.critical_ratio) * rest), (1.0 - self.critical_ratio) * share / rest)
    }
}

/// A straight pipe with its fittings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pipe {
    /// Inner diameter.
    pub diameter: Length,
    /// Length.
    pub length: Length,
    /// Height of the wall's roughness.
    pub roughness: Length,
    /// Sum of the loss coefficients of bends, entry and exit.
    pub fittings: f64,
}

impl Pipe {
    fn bore(&self) -> f64 {
        std::f64::consts::FRAC_PI_4 * self.diameter.metres().powi(2)
    }

    /// f·L/D with the fittings' coefficients, for a mass flow.
    pub fn loss(&self, mass: MassFlow, air: &Air) -> f64 {
        let per_area = mass.kg_per_s().abs() / self.bore();
        let reynolds = per_area * self.diameter.metres() / air.viscosity.pascal_seconds();
        friction_factor(reynolds, self.roughness / self.diameter) * (self.length / self.diameter) + self.fittings
    }

    /// The resistance in p_u² − p_d² = r·Q·|Q| at the friction of a mass flow; the gas's own acceleration is left out.
    pub fn resistance(&self, mass: MassFlow, air: &Air) -> SquareResistance {
        SquareResistance::from_s2_per_m6(self.loss(mass, air) / (air.specific_energy() * self.bore().powi(2)))
    }
}

/// Mass flow of isothermal gas through a bore with a given f·L/D; `up` above `down`.
pub fn isothermal_mass_flow(
    loss: f64,
    bore: Area,
    up: AbsolutePressure,
    down: AbsolutePressure,
    air: &Air,
) -> MassFlow {
    let (up, down) = (up.pascals(), down.pascals());
    let squares = (up * up - down * down) / (air.specific_energy() * (loss + 2.0 * (up / down).ln()));
    MassFlow::from_kg_per_s(bore.square_metres() * squares.max(0.0).sqrt())
}

/// Darcy's friction factor: 64/Re below Re = 2040, else the root of Colebrook's equation; zero at rest.
pub fn friction_factor(reynolds: f64, relative_roughness: f64) -> f64 {
    if reynolds <= 0.0 {
        return 0.0;
    }
    if reynolds < 2040.0 {
        return 64.0 / reynolds;
    }
    // x = 1/√f by Newton; the residual is smooth and nearly linear in x.
    let (rough, smooth) = (relative_roughness / 3.7, 2.51 / reynolds);
    let mut x = -1.8 * (rough.powf(1.11) + 6.9 / reynolds).log10();
    for _ in 0..8 {
        let inside = rough + smooth * x;
        let residual = x + 2.0 * inside.log10();
        x -= residual / (1.0 + 2.0 * smooth / (inside * std::f64::consts::LN_10));
    }
    1.0 / (x * x)
}

/// A slab of porous solid that air crosses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PorousLayer {
    /// How far the air goes.
    pub thickness: Length,
    /// Permeability for a liquid.
    pub permeability: Permeability,
    /// Klinkenberg's slip pressure b in k·(1 + b/p); zero for none, or where it is inside a fitted permeability.
    pub slip: AbsolutePressure,
    /// Forchheimer's inertial coefficient β in 1/m; zero for none.
    pub inertia_per_metre: f64,
}

impl PorousLayer {
    /// A layer that obeys Darcy alone.
    pub fn darcy(thickness: Length, permeability: Permeability) -> Self {
        PorousLayer { thickness, permeability, slip: AbsolutePressure::ZERO, inertia_per_metre: 0.0 }
    }

    /// Its thickness over its permeability.
    pub fn resistance(&self) -> LayerResistance {
        self.thickness / self.permeability
    }

    /// Mass flow through `area` of it; slip counts at the mean pressure, which keeps the flow linear in p².
    pub fn mass_flow(&self, area: Area, up: AbsolutePressure, down: AbsolutePressure, air: &Air) -> MassFlow {
        let (up, down) = (up.pascals(), down.pascals());
        let slip = if up + down > 0.0 { 1.0 + 2.0 * self.slip.pascals() / (up + down) } else { 1.0 };
        let drag = air.viscosity.pascal_seconds() / (self.permeability.square_metres() * slip);
        let drive = (up * up - down * down) / (2.0 * air.specific_energy() * self.thickness.metres());
        // The root of β·G² + drag·G = drive in the form that does not cancel as β goes to zero.
        let flux = 2.0 * drive / (drag + (drag * drag + 4.0 * self.inertia_per_metre * drive.abs()).sqrt());
        MassFlow::from_kg_per_s(flux * area.square_metres())
    }
}

/// The pressures between layers in series from `up` to `down`, one fewer than there are layers.
pub fn between_layers(layers: &[PorousLayer], up: AbsolutePressure, down: AbsolutePressure) -> Vec<AbsolutePressure> {
    let whole: LayerResistance = layers.iter().map(PorousLayer::resistance).sum();
    let (up, down) = (up.pascals().powi(2), down.pascals().powi(2));
    let mut passed = LayerResistance::ZERO;
    let inner = layers.len().saturating_sub(1);
    let mut pressures = Vec::with_capacity(inner);
    for layer in &layers[..inner] {
        passed = passed + layer.resistance();
        pressures.push(AbsolutePressure::from_pascals((up + (down - up) * (passed / whole)).sqrt()));
    }
    pressures
}
