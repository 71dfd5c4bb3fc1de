//! Physical quantities as types, so that a wrong sum does not compile.
//!
//! Pressure comes in three kinds that people write with the same words: [`AbsolutePressure`] above nothing,
//! [`GaugePressure`] above the room (negative under a held sheet) and [`Vacuum`] below the room (positive under a held
//! sheet). Flow comes on three bases: [`InletFlow`] at the pressure of the pump's inlet, [`FreeAirFlow`] at the room's
//! pressure and [`NormalFlow`] at 0 °C and 101 325 Pa; at 800 mbar of vacuum the first two are a factor of five apart.
//!
//! Conversion factors: NIST SP 811 (2008), Appendix B.8, conventional mercury (exact products of 25.4 mm and the
//! conventional millimetre of mercury), the torr as 101 325 / 760 Pa.

use std::fmt;
use std::ops::{Add, Div, Mul, Sub};
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// A number that is no quantity: NaN or infinite.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{0} is not a finite number")]
pub struct NotFinite(pub f64);

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $from:ident, $try_from:ident, $get:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
        pub struct $name(f64);

        impl $name {
            /// None of it.
            pub const ZERO: Self = Self(0.0);

            #[doc = concat!("From a computed value in ", $unit, ".")]
            pub const fn $from(value: f64) -> Self {
                Self(value)
            }

            #[doc = concat!("From an outside value in ", $unit, ".")]
            ///
            /// # Errors
            /// [`NotFinite`] for NaN and infinities.
            pub fn $try_from(value: f64) -> Result<Self, NotFinite> {
                if value.is_finite() { Ok(Self(value)) } else { Err(NotFinite(value)) }
            }

            #[doc = concat!("The value in ", $unit, ".")]
            pub const fn $get(self) -> f64 {
                self.0
            }

            /// The smaller of two.
            #[must_use]
            pub fn min(self, other: Self) -> Self {
                Self(self.0.min(other.0))
            }

            /// The larger of two.
            #[must_use]
            pub fn max(self, other: Self) -> Self {
                Self(self.0.max(other.0))
            }
        }

        impl Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }

        impl Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 {
                self.0 / other.0
            }
        }
    };
}

macro_rules! additive {
    ($($name:ident),* $(,)?) => {$(
        impl Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }

        impl Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }

        impl std::iter::Sum for $name {
            fn sum<I: Iterator<Item = Self>>(items: I) -> Self {
                items.fold(Self(0.0), Add::add)
            }
        }
    )*};
}

quantity!(
    /// Pressure above nothing, in pascals.
    AbsolutePressure, from_pascals, try_from_pascals, pascals, "pascals"
);
quantity!(
    /// Pressure above the room's, in pascals; negative under a held sheet.
    GaugePressure, from_pascals, try_from_pascals, pascals, "pascals"
);
quantity!(
    /// Pressure below the room's, in pascals; positive under a held sheet.
    Vacuum, from_pascals, try_from_pascals, pascals, "pascals"
);
quantity!(
    /// The flow potential v = p_atm² − p² in Pa², in which steady isothermal gas flow through a porous board is linear.
    PressureSquared, from_pascals_squared, try_from_pascals_squared, pascals_squared, "Pa²"
);
quantity!(
    /// A length in metres.
    Length, from_metres, try_from_metres, metres, "metres"
);
quantity!(
    /// A speed in metres per second.
    Speed, from_metres_per_second, try_from_metres_per_second, metres_per_second, "metres per second"
);
quantity!(
    /// An area in square metres.
    Area, from_square_metres, try_from_square_metres, square_metres, "square metres"
);
quantity!(
    /// A force in newtons.
    Force, from_newtons, try_from_newtons, newtons, "newtons"
);
quantity!(
    /// A mass in kilograms.
    Mass, from_kilograms, try_from_kilograms, kilograms, "kilograms"
);
quantity!(
    /// An acceleration in metres per second squared.
    Acceleration,
    from_metres_per_second_squared,
    try_from_metres_per_second_squared,
    metres_per_second_squared,
    "metres per second squared"
);
quantity!(
    /// A power in watts.
    Power, from_watts, try_from_watts, watts, "watts"
);
quantity!(
    /// A density in kilograms per cubic metre.
    Density, from_kg_per_m3, try_from_kg_per_m3, kg_per_m3, "kg/m³"
);
quantity!(
    /// A thermodynamic temperature in kelvins.
    Temperature, from_kelvins, try_from_kelvins, kelvins, "kelvins"
);
quantity!(
    /// A dynamic viscosity in pascal seconds.
    Viscosity, from_pascal_seconds, try_from_pascal_seconds, pascal_seconds, "Pa·s"
);
quantity!(
    /// The permeability of a porous solid in square metres.
    Permeability, from_square_metres, try_from_square_metres, square_metres, "m²"
);
quantity!(
    /// The resistance of a porous layer, its thickness over its permeability, in 1/m.
    LayerResistance, from_per_metre, try_from_per_metre, per_metre, "1/m"
);
quantity!(
    /// What a leak or a board lets through, throughput = C·(p_u² − p_d²), in m³/(s·Pa).
    SquareConductance, from_m3_per_s_pa, try_from_m3_per_s_pa, m3_per_s_pa, "m³/(s·Pa)"
);
quantity!(
    /// The resistance of a pipe, filter or valve with p_u² − p_d² = r·Q·|Q| for the throughput Q, in s²/m⁶.
    SquareResistance, from_s2_per_m6, try_from_s2_per_m6, s2_per_m6, "s²/m⁶"
);
quantity!(
    /// Pressure times volume flow, p·V̇, in Pa·m³/s: the same everywhere along a line at one temperature.
    Throughput, from_pa_m3_per_s, try_from_pa_m3_per_s, pa_m3_per_s, "Pa·m³/s"
);
quantity!(
    /// A mass flow in kg/s.
    MassFlow, from_kg_per_s, try_from_kg_per_s, kg_per_s, "kg/s"
);
quantity!(
    /// A volume flow at the pump's inlet pressure, in m³/s.
    InletFlow, from_m3_per_s, try_from_m3_per_s, m3_per_s, "m³/s at the inlet"
);
quantity!(
    /// A volume flow at the room's pressure, in m³/s.
    FreeAirFlow, from_m3_per_s, try_from_m3_per_s, m3_per_s, "m³/s of free air"
);
quantity!(
    /// A volume flow at 0 °C and 101 325 Pa, in m³/s.
    NormalFlow, from_m3_per_s, try_from_m3_per_s, m3_per_s, "m³/s of normal air"
);

additive!(Vacuum, PressureSquared, Length, Area, Force, Mass, LayerResistance, SquareConductance, Throughput, MassFlow);
additive!(FreeAirFlow);

impl AbsolutePressure {
    /// The standard atmosphere, 101 325 Pa.
    pub const STANDARD_ATMOSPHERE: Self = Self(101_325.0);

    /// How far this lies below the room's pressure; negative if above.
    pub fn vacuum_below(self, room: AbsolutePressure) -> Vacuum {
        Vacuum(room.0 - self.0)
    }

    /// The flow potential room² − p².
    pub fn potential_below(self, room: AbsolutePressure) -> PressureSquared {
        PressureSquared(room.0 * room.0 - self.0 * self.0)
    }
}

impl Vacuum {
    /// The absolute pressure this far below the room's.
    pub fn below(self, room: AbsolutePressure) -> AbsolutePressure {
        AbsolutePressure(room.0 - self.0)
    }

    /// The distance to another level, whichever is deeper.
    #[must_use]
    pub fn distance(self, other: Vacuum) -> Vacuum {
        Vacuum((self.0 - other.0).abs())
    }
}

impl GaugePressure {
    /// The absolute pressure this far above the room's.
    pub fn above(self, room: AbsolutePressure) -> AbsolutePressure {
        AbsolutePressure(room.0 + self.0)
    }
}

impl PressureSquared {
    /// The absolute pressure whose potential this is; zero where it would be imaginary.
    pub fn pressure_below(self, room: AbsolutePressure) -> AbsolutePressure {
        AbsolutePressure((room.0 * room.0 - self.0).max(0.0).sqrt())
    }
}

impl Throughput {
    /// The volume flow this is at the inlet's pressure.
    pub fn at_inlet(self, inlet: AbsolutePressure) -> InletFlow {
        InletFlow(self.0 / inlet.0)
    }

    /// The volume flow this is at the room's pressure.
    pub fn at_room(self, room: AbsolutePressure) -> FreeAirFlow {
        FreeAirFlow(self.0 / room.0)
    }
}

impl FreeAirFlow {
    /// From cubic metres per hour.
    pub const fn from_m3_per_h(value: f64) -> Self {
        Self(value / 3600.0)
    }

    /// In cubic metres per hour.
    pub const fn m3_per_h(self) -> f64 {
        self.0 * 3600.0
    }
}

impl InletFlow {
    /// From cubic metres per hour.
    pub const fn from_m3_per_h(value: f64) -> Self {
        Self(value / 3600.0)
    }

    /// In cubic metres per hour.
    pub const fn m3_per_h(self) -> f64 {
        self.0 * 3600.0
    }

    /// The throughput of this flow at the inlet's pressure.
    pub fn throughput(self, inlet: AbsolutePressure) -> Throughput {
        Throughput(self.0 * inlet.0)
    }
}

impl Length {
    /// From millimetres.
    pub const fn from_millimetres(value: f64) -> Self {
        Self(value / 1000.0)
    }

    /// In millimetres.
    pub const fn millimetres(self) -> f64 {
        self.0 * 1000.0
    }
}

impl Speed {
    /// From millimetres per minute.
    pub const fn from_millimetres_per_minute(value: f64) -> Self {
        Self(value / 60_000.0)
    }

    /// In millimetres per minute.
    pub const fn millimetres_per_minute(self) -> f64 {
        self.0 * 60_000.0
    }

    /// From metres per minute.
    pub const fn from_metres_per_minute(value: f64) -> Self {
        Self(value / 60.0)
    }

    /// In metres per minute.
    pub const fn metres_per_minute(self) -> f64 {
        self.0 * 60.0
    }
}

impl Mul for Length {
    type Output = Area;
    fn mul(self, other: Length) -> Area {
        Area(self.0 * other.0)
    }
}

impl Mul<Area> for Vacuum {
    type Output = Force;
    fn mul(self, area: Area) -> Force {
        Force(self.0 * area.0)
    }
}

impl Div<Permeability> for Length {
    type Output = LayerResistance;
    fn div(self, permeability: Permeability) -> LayerResistance {
        LayerResistance(self.0 / permeability.0)
    }
}

/// A unit that a gauge or a setup file may speak.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum PressureUnit {
    /// Pascal.
    #[serde(rename = "Pa")]
    Pascal,
    /// Kilopascal.
    #[serde(rename = "kPa")]
    Kilopascal,
    /// Millibar, the same as a hectopascal.
    #[serde(rename = "mbar", alias = "hPa")]
    Millibar,
    /// Bar.
    #[serde(rename = "bar")]
    Bar,
    /// Pound-force per square inch.
    #[serde(rename = "psi")]
    Psi,
    /// Conventional inch of mercury.
    #[serde(rename = "inHg")]
    InchOfMercury,
    /// Conventional millimetre of mercury.
    #[serde(rename = "mmHg")]
    MillimetreOfMercury,
    /// Torr.
    #[serde(rename = "Torr")]
    Torr,
}

impl PressureUnit {
    /// Every unit, in the order of their names in help texts.
    pub const ALL: [PressureUnit; 8] = [
        PressureUnit::Pascal,
        PressureUnit::Kilopascal,
        PressureUnit::Millibar,
        PressureUnit::Bar,
        PressureUnit::Psi,
        PressureUnit::InchOfMercury,
        PressureUnit::MillimetreOfMercury,
        PressureUnit::Torr,
    ];

    /// Pascals in one of this unit.
    pub const fn pascals(self) -> f64 {
        match self {
            PressureUnit::Pascal => 1.0,
            PressureUnit::Kilopascal => 1e3,
            PressureUnit::Millibar => 1e2,
            PressureUnit::Bar => 1e5,
            PressureUnit::Psi => 6_894.757_293_168,
            PressureUnit::InchOfMercury => 25.4 * 133.322_387_415,
            PressureUnit::MillimetreOfMercury => 133.322_387_415,
            PressureUnit::Torr => 101_325.0 / 760.0,
        }
    }

    /// The unit's symbol.
    pub const fn symbol(self) -> &'static str {
        match self {
            PressureUnit::Pascal => "Pa",
            PressureUnit::Kilopascal => "kPa",
            PressureUnit::Millibar => "mbar",
            PressureUnit::Bar => "bar",
            PressureUnit::Psi => "psi",
            PressureUnit::InchOfMercury => "inHg",
            PressureUnit::MillimetreOfMercury => "mmHg",
            PressureUnit::Torr => "Torr",
        }
    }
}

impl fmt::Display for PressureUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol())
    }
}

/// A unit's symbol that is not known here.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("unit {0:?} is not known; use Pa, kPa, mbar, hPa, bar, psi, inHg, mmHg or Torr")]
pub struct UnknownUnit(pub String);

impl FromStr for PressureUnit {
    type Err = UnknownUnit;

    fn from_str(text: &str) -> Result<Self, UnknownUnit> {
        if text.eq_ignore_ascii_case("hPa") {
            return Ok(PressureUnit::Millibar);
        }
        PressureUnit::ALL
            .into_iter()
            .find(|unit| unit.symbol().eq_ignore_ascii_case(text))
            .ok_or_else(|| UnknownUnit(text.to_owned()))
    }
}

/// What a gauge's number counts from, and which way it grows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PressureConvention {
    /// From nothing upwards.
    Absolute,
    /// From the room upwards; a vacuum is negative.
    Gauge,
    /// From the room downwards; a vacuum is positive.
    Vacuum,
}

impl PressureConvention {
    /// The absolute pressure that `value` in `unit` stands for in a room at `room`.
    pub fn absolute(self, value: f64, unit: PressureUnit, room: AbsolutePressure) -> AbsolutePressure {
        let pascals = value * unit.pascals();
        match self {
            PressureConvention::Absolute => AbsolutePressure(pascals),
            PressureConvention::Gauge => GaugePressure(pascals).above(room),
            PressureConvention::Vacuum => Vacuum(pascals).below(room),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, expected: f64, relative: f64) {
        assert!((found - expected).abs() <= relative * expected.abs(), "{found} is not {expected}");
    }

    /// NIST SP 811 (2008), Appendix B.8, factors to pascal as printed there (transcribed).
    #[test]
    fn unit_factors_are_those_of_nist_sp_811() {
        for (unit, printed) in [
            (PressureUnit::InchOfMercury, 3.386_389e3),
            (PressureUnit::MillimetreOfMercury, 1.333_224e2),
            (PressureUnit::Torr, 1.333_224e2),
            (PressureUnit::Psi, 6.894_757e3),
            (PressureUnit::Millibar, 1e2),
            (PressureUnit::Kilopascal, 1e3),
            (PressureUnit::Bar, 1e5),
        ] {
            close(unit.pascals(), printed, 5e-7);
        }
    }

    /// Worked with the library pint 0.25.3: 10 inHg in mbar, 500 mbar in inHg and psi; 400 Torr by definition.
    #[test]
    fn conversions_agree_with_a_reference_library() {
        close(10.0 * PressureUnit::InchOfMercury.pascals() / 100.0, 338.638_9, 1e-6);
        close(5e4 / PressureUnit::InchOfMercury.pascals(), 14.764_99, 1e-6);
        close(5e4 / PressureUnit::Psi.pascals(), 7.251_887, 1e-6);
        close(400.0 * PressureUnit::Torr.pascals() / 100.0, 533.289_47, 1e-7);
        let excess = 760.0 * (PressureUnit::MillimetreOfMercury.pascals() - PressureUnit::Torr.pascals());
        assert!((excess - 0.014_435).abs() < 1e-4, "{excess}");
    }

    #[test]
    fn the_three_conventions_name_one_pressure() {
        let room = AbsolutePressure::from_pascals(100_000.0);
        for (convention, value) in [
            (PressureConvention::Absolute, 400.0),
            (PressureConvention::Gauge, -600.0),
            (PressureConvention::Vacuum, 600.0),
        ] {
            close(convention.absolute(value, PressureUnit::Millibar, room).pascals(), 40_000.0, 1e-12);
        }
    }

    /// 100 m³/h at the inlet is 21.0461 m³/h of free air at 800 mbar of vacuum (definition, 101 325 Pa).
    #[test]
    fn inlet_and_free_air_are_a_factor_of_five_apart_at_deep_vacuum() {
        let room = AbsolutePressure::STANDARD_ATMOSPHERE;
        let inlet = Vacuum::from_pascals(80_000.0).below(room);
        close(InletFlow::from_m3_per_h(100.0).throughput(inlet).at_room(room).m3_per_h(), 21.046_14, 1e-6);
    }

    #[test]
    fn units_are_read_whatever_their_case_and_strangers_are_named() {
        assert_eq!("INHG".parse(), Ok(PressureUnit::InchOfMercury));
        assert_eq!("hpa".parse(), Ok(PressureUnit::Millibar));
        let stranger = "furlong".parse::<PressureUnit>().unwrap_err();
        assert!(stranger.to_string().contains("furlong"));
    }

    #[test]
    fn what_is_not_finite_is_no_quantity() {
        assert!(Vacuum::try_from_pascals(f64::NAN).is_err());
        assert!(Length::try_from_metres(f64::INFINITY).is_err());
        assert_eq!(Area::try_from_square_metres(2.0), Ok(Area::from_square_metres(2.0)));
    }
}
