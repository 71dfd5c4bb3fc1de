//! The room's air: pressure by altitude, viscosity, the bases of flow, and the deepest level there can be.
//!
//! Pressure: ISO 2533 (ICAO, US Standard Atmosphere 1976), troposphere. Viscosity: Sutherland's law with the constants of
//! the US Standard Atmosphere 1976 (from memory). Normal air: 0 °C and 101 325 Pa, DIN 1343 (from memory).

use super::Air;
use crate::units::{
    AbsolutePressure, FreeAirFlow, Length, MassFlow, NormalFlow, Temperature, Throughput, Vacuum, Viscosity,
};

/// Gas constant of dry air in J/(kg·K), ISO 2533.
pub const DRY_AIR_GAS_CONSTANT: f64 = 287.052_87;

const SEA_LEVEL_KELVINS: f64 = 288.15;
const LAPSE_KELVINS_PER_METRE: f64 = 0.0065;
const GRAVITY_M_S2: f64 = 9.806_65;
const EARTH_RADIUS_METRES: f64 = 6_356_766.0;
const NORMAL_KELVINS: f64 = 273.15;

/// A height above the sea; the two kinds differ by 1.7 Pa of pressure at 1000 m.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Altitude {
    /// As a map or a levelling staff gives it.
    Geometric(Length),
    /// Corrected for the fall of gravity with height.
    Geopotential(Length),
}

impl Altitude {
    /// The same height in geopotential metres.
    fn geopotential_metres(self) -> f64 {
        match self {
            Altitude::Geometric(height) => {
                EARTH_RADIUS_METRES * height.metres() / (EARTH_RADIUS_METRES + height.metres())
            }
            Altitude::Geopotential(height) => height.metres(),
        }
    }

    /// The standard atmosphere's pressure at this height, valid below 11 km.
    pub fn standard_pressure(self) -> AbsolutePressure {
        let exponent = GRAVITY_M_S2 / (DRY_AIR_GAS_CONSTANT * LAPSE_KELVINS_PER_METRE);
        let base = 1.0 - LAPSE_KELVINS_PER_METRE * self.geopotential_metres() / SEA_LEVEL_KELVINS;
        AbsolutePressure::from_pascals(AbsolutePressure::STANDARD_ATMOSPHERE.pascals() * base.powf(exponent))
    }
}

/// The viscosity of air by Sutherland's law; independent of pressure here.
pub fn viscosity(temperature: Temperature) -> Viscosity {
    let kelvins = temperature.kelvins();
    Viscosity::from_pascal_seconds(1.458e-6 * kelvins.powf(1.5) / (kelvins + 110.4))
}

/// A level that no pump can make in this room.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error(
    "a vacuum of {:.1} mbar is deeper than the room's pressure of {:.1} mbar; check the gauge's unit, scale and wiring, and the altitude",
    .vacuum.pascals() / 100.0, .room.pascals() / 100.0
)]
pub struct TooDeep {
    /// What was claimed.
    pub vacuum: Vacuum,
    /// The room's pressure.
    pub room: AbsolutePressure,
}

impl Air {
    /// Dry air at a station pressure (not one reduced to sea level).
    pub fn at_station(room: AbsolutePressure, temperature: Temperature) -> Self {
        Air { room, temperature, viscosity: viscosity(temperature), gas_constant: DRY_AIR_GAS_CONSTANT }
    }

    /// Dry air at the standard pressure of an altitude.
    pub fn at_altitude(altitude: Altitude, temperature: Temperature) -> Self {
        Air::at_station(altitude.standard_pressure(), temperature)
    }

    /// The deepest level over a pump that gets down to `ultimate`; none if the room itself is thinner.
    pub fn greatest_vacuum(&self, ultimate: AbsolutePressure) -> Vacuum {
        ultimate.vacuum_below(self.room).max(Vacuum::ZERO)
    }

    /// The absolute pressure of a level.
    ///
    /// # Errors
    /// [`TooDeep`] for a level beyond the room's pressure.
    pub fn absolute(&self, vacuum: Vacuum) -> Result<AbsolutePressure, TooDeep> {
        let absolute = vacuum.below(self.room);
        if absolute < AbsolutePressure::ZERO { Err(TooDeep { vacuum, room: self.room }) } else { Ok(absolute) }
    }

    /// What a level rated at the standard atmosphere becomes here if the pump keeps its compression ratio.
    pub fn derated(&self, rated: Vacuum) -> Vacuum {
        rated * (self.room / AbsolutePressure::STANDARD_ATMOSPHERE)
    }

    /// The specific energy R·T in J/kg, the ratio of throughput to mass flow.
    pub(crate) fn specific_energy(&self) -> f64 {
        self.gas_constant * self.temperature.kelvins()
    }

    /// The mass that a throughput carries.
    pub fn mass_flow(&self, throughput: Throughput) -> MassFlow {
        MassFlow::from_kg_per_s(throughput.pa_m3_per_s() / self.specific_energy())
    }

    /// The throughput of a mass flow.
    pub fn throughput(&self, mass: MassFlow) -> Throughput {
        Throughput::from_pa_m3_per_s(mass.kg_per_s() * self.specific_energy())
    }

    /// The throughput of a flow counted in free air.
    pub fn throughput_of_free(&self, flow: FreeAirFlow) -> Throughput {
        Throughput::from_pa_m3_per_s(flow.m3_per_s() * self.room.pascals())
    }

    /// A throughput counted in normal air.
    pub fn normal_flow(&self, throughput: Throughput) -> NormalFlow {
        let normal = NORMAL_KELVINS / self.temperature.kelvins() / AbsolutePressure::STANDARD_ATMOSPHERE.pascals();
        NormalFlow::from_m3_per_s(throughput.pa_m3_per_s() * normal)
    }
}
