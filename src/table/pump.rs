//! Pumps: typical curves by class, curves that the operator gives, and what speed, wear and altitude do to them.
//!
//! The class curves are typical shapes, no source; the operator's own points replace them. Altitude keeps the compression
//! ratio (the trade's rule), so a curve's pressures scale with the room's. Speed laws: dynamic machines Q ~ n, Δp ~ n²,
//! P ~ n³; displacement machines S ~ n, P ~ n (standard laws, from memory).

use serde::{Deserialize, Serialize};

use super::Pump;
use crate::units::{AbsolutePressure, FreeAirFlow, InletFlow, Throughput, Vacuum};

/// How a pump works.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PumpClass {
    /// Regenerative (side channel) blower with one stage.
    RegenerativeOneStage,
    /// Regenerative (side channel) blower with two stages.
    RegenerativeTwoStage,
    /// Dry rotary vane.
    VaneDry,
    /// Oil-flooded rotary vane.
    VaneOil,
    /// Dry claw.
    Claw,
    /// Dry screw.
    Screw,
    /// Liquid ring.
    LiquidRing,
    /// One-stage ejector.
    Ejector,
}

/// A volume flow with its basis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum RatedFlow {
    /// Counted at the pump's inlet.
    Inlet(InletFlow),
    /// Counted at the room's pressure.
    FreeAir(FreeAirFlow),
}

impl RatedFlow {
    /// What it is at an inlet that lies `at` below the standard atmosphere.
    fn at_inlet(self, at: Vacuum) -> InletFlow {
        let inlet = at.below(AbsolutePressure::STANDARD_ATMOSPHERE);
        match self {
            RatedFlow::Inlet(flow) => flow,
            RatedFlow::FreeAir(flow) => {
                InletFlow::from_m3_per_s(flow.m3_per_s() * (AbsolutePressure::STANDARD_ATMOSPHERE / inlet))
            }
        }
    }
}

/// What stands on a pump's plate, for the standard atmosphere.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Nameplate {
    /// The flow.
    pub flow: RatedFlow,
    /// The level at which it is that; zero for the open pump.
    pub at: Vacuum,
}

/// A pump's curve that cannot be.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum CurveError {
    /// Too few points.
    #[error("the pump curve has {0} points; give at least 2")]
    TooFew(usize),
    /// Pressures do not rise.
    #[error(
        "point {0} of the pump curve does not lie at a higher pressure than the one before; order the points and drop doubles"
    )]
    NotRising(usize),
    /// A flow below zero, or a pressure below zero.
    #[error("point {0} of the pump curve has a negative pressure or flow")]
    Negative(usize),
    /// No ultimate pressure.
    #[error("the pump curve still moves air at its deepest point; add the level at which its flow is 0")]
    NoUltimate,
    /// Throughput falls as pressure rises.
    #[error(
        "the pump would move less air at point {0} of its curve than at a deeper vacuum; check the basis of the flows, inlet or free air"
    )]
    ThroughputFalls(usize),
    /// The plate's flow is given at a level that the class cannot reach.
    #[error("a pump of this class moves nothing at a vacuum of {:.0} mbar; give its flow at a lower one", .0.pascals() / 100.0)]
    BeyondUltimate(Vacuum),
}

impl PumpClass {
    /// Every class.
    pub const ALL: [PumpClass; 8] = [
        PumpClass::RegenerativeOneStage,
        PumpClass::RegenerativeTwoStage,
        PumpClass::VaneDry,
        PumpClass::VaneOil,
        PumpClass::Claw,
        PumpClass::Screw,
        PumpClass::LiquidRing,
        PumpClass::Ejector,
    ];

    /// Millibars of vacuum at the standard atmosphere and the share of the rated flow there. Typical, no source.
    fn shape(self) -> &'static [(f64, f64)] {
        match self {
            PumpClass::RegenerativeOneStage => {
                &[(0.0, 1.0), (50.0, 0.82), (100.0, 0.64), (150.0, 0.46), (200.0, 0.27), (250.0, 0.08), (275.0, 0.0)]
            }
            PumpClass::RegenerativeTwoStage => {
                &[(0.0, 1.0), (100.0, 0.82), (200.0, 0.63), (300.0, 0.42), (400.0, 0.18), (450.0, 0.0)]
            }
            PumpClass::VaneDry => {
                &[(0.0, 1.0), (400.0, 0.95), (600.0, 0.88), (700.0, 0.80), (800.0, 0.58), (850.0, 0.30), (880.0, 0.0)]
            }
            PumpClass::VaneOil => {
                &[(0.0, 1.0), (800.0, 0.99), (900.0, 0.97), (970.0, 0.85), (1000.0, 0.35), (1010.0, 0.0)]
            }
            PumpClass::Claw => {
                &[(0.0, 1.0), (400.0, 0.97), (600.0, 0.93), (700.0, 0.87), (800.0, 0.72), (850.0, 0.55), (930.0, 0.0)]
            }
            // It ends below 1 mbar absolute.
            PumpClass::Screw => &[(0.0, 1.0), (900.0, 0.97), (1000.0, 0.80), (1012.25, 0.0)],
            PumpClass::LiquidRing => {
                &[(0.0, 0.92), (300.0, 1.0), (700.0, 0.98), (900.0, 0.75), (950.0, 0.35), (980.0, 0.0)]
            }
            PumpClass::Ejector => {
                &[(0.0, 1.0), (200.0, 0.76), (400.0, 0.52), (600.0, 0.28), (800.0, 0.06), (850.0, 0.0)]
            }
        }
    }

    /// Whether the shape counts free air, as an ejector's does.
    fn counts_free_air(self) -> bool {
        matches!(self, PumpClass::Ejector)
    }

    /// Whether a rotor throws the air rather than displacing it.
    pub fn is_dynamic(self) -> bool {
        matches!(self, PumpClass::RegenerativeOneStage | PumpClass::RegenerativeTwoStage)
    }

    /// The level at which it moves nothing, at the standard atmosphere.
    pub fn ultimate(self) -> Vacuum {
        self.shape().last().map_or(Vacuum::ZERO, |(millibars, _)| Vacuum::from_pascals(millibars * 100.0))
    }

    /// Its points per unit of rated flow: level and flow, shallow first.
    fn unit_points(self) -> impl Iterator<Item = (Vacuum, RatedFlow)> {
        self.shape().iter().map(move |(millibars, share)| {
            let flow = if self.counts_free_air() {
                RatedFlow::FreeAir(FreeAirFlow::from_m3_per_s(*share))
            } else {
                RatedFlow::Inlet(InletFlow::from_m3_per_s(*share))
            };
            (Vacuum::from_pascals(millibars * 100.0), flow)
        })
    }

    /// What a change of speed to `ratio` times as fast does.
    pub fn at_speed(self, ratio: f64) -> SpeedChange {
        if self.is_dynamic() {
            SpeedChange { flow: ratio, level: ratio * ratio, power: ratio * ratio * ratio }
        } else {
            SpeedChange { flow: ratio, level: 1.0, power: ratio }
        }
    }
}

/// By what a change of speed multiplies a pump's flow, level and power.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpeedChange {
    /// Flow.
    pub flow: f64,
    /// Pressure difference.
    pub level: f64,
    /// Power.
    pub power: f64,
}

impl Pump {
    /// One new pump with its class's typical curve, rated as its plate says, in a room at `room`.
    ///
    /// # Errors
    /// [`CurveError::BeyondUltimate`] if the plate's level is one at which the class moves nothing.
    pub fn typical(class: PumpClass, plate: Nameplate, room: AbsolutePressure) -> Result<Self, CurveError> {
        let points: Vec<_> = class.unit_points().collect();
        let unit = Pump::from_points(&points, AbsolutePressure::STANDARD_ATMOSPHERE)?;
        let share = unit.speed(plate.at.below(AbsolutePressure::STANDARD_ATMOSPHERE)).m3_per_s();
        if share <= 0.0 {
            return Err(CurveError::BeyondUltimate(plate.at));
        }
        let rated = plate.flow.at_inlet(plate.at).m3_per_s() / share;
        Ok(unit.in_room(room).scaled(SpeedChange { flow: rated, level: 1.0, power: 1.0 }, room))
    }

    /// One new pump from points of level and flow taken at the standard atmosphere, in a room at `room`.
    ///
    /// # Errors
    /// [`CurveError`] says which point makes no curve.
    pub fn from_points(points: &[(Vacuum, RatedFlow)], room: AbsolutePressure) -> Result<Self, CurveError> {
        let mut curve: Vec<(AbsolutePressure, InletFlow)> = points
            .iter()
            .map(|(level, flow)| (level.below(AbsolutePressure::STANDARD_ATMOSPHERE), flow.at_inlet(*level)))
            .collect();
        curve.sort_by(|(a, _), (b, _)| a.pascals().total_cmp(&b.pascals()));
        let pump = Pump { curve, count: 1, wear: 1.0 };
        pump.check()?;
        Ok(pump.in_room(room))
    }

    /// Whether its curve can be a pump's.
    ///
    /// # Errors
    /// [`CurveError`] says which point, counted from 1 at the deepest, makes no curve.
    pub fn check(&self) -> Result<(), CurveError> {
        if self.curve.len() < 2 {
            return Err(CurveError::TooFew(self.curve.len()));
        }
        if let Some(place) = self.curve.iter().position(|(p, s)| !(p.pascals() >= 0.0 && s.m3_per_s() >= 0.0)) {
            return Err(CurveError::Negative(place + 1));
        }
        if self.curve[0].1 > InletFlow::ZERO {
            return Err(CurveError::NoUltimate);
        }
        for (place, pair) in self.curve.windows(2).enumerate() {
            let ((p0, s0), (p1, s1)) = (pair[0], pair[1]);
            if p1 <= p0 {
                return Err(CurveError::NotRising(place + 2));
            }
            // S·p is a parabola between the points; where S falls, its slope S + p·dS/dp is least at the upper end.
            let slope = (s1.m3_per_s() - s0.m3_per_s()) / (p1.pascals() - p0.pascals());
            if s1.m3_per_s() + slope * p1.pascals() < 0.0 {
                return Err(CurveError::ThroughputFalls(place + 2));
            }
        }
        Ok(())
    }

    /// Whether any of it moves air at all.
    pub(super) fn runs(&self) -> bool {
        self.count > 0 && self.wear > 0.0
    }

    /// The inlet pressure at and below which it moves nothing.
    pub fn ultimate(&self) -> AbsolutePressure {
        self.curve.first().map_or(AbsolutePressure::ZERO, |(inlet, _)| *inlet)
    }

    /// Pumping speed of one new pump at an inlet pressure.
    pub fn speed(&self, inlet: AbsolutePressure) -> InletFlow {
        let above = self.curve.partition_point(|(pressure, _)| *pressure < inlet);
        if above == 0 {
            return InletFlow::ZERO;
        }
        let (p0, s0) = self.curve[above - 1];
        let Some((p1, s1)) = self.curve.get(above) else { return s0 };
        let share = (inlet.pascals() - p0.pascals()) / (p1.pascals() - p0.pascals());
        InletFlow::from_m3_per_s(s0.m3_per_s() + share * (s1.m3_per_s() - s0.m3_per_s()))
    }

    /// What all of them move, worn as they are, at an inlet pressure.
    pub fn throughput(&self, inlet: AbsolutePressure) -> Throughput {
        self.speed(inlet).throughput(inlet) * (f64::from(self.count) * self.wear)
    }

    /// The same pump, drawn up at the standard atmosphere, in another room: its compression ratio is kept.
    fn in_room(mut self, room: AbsolutePressure) -> Self {
        let ratio = room / AbsolutePressure::STANDARD_ATMOSPHERE;
        for (pressure, _) in &mut self.curve {
            *pressure = *pressure * ratio;
        }
        self
    }

    /// The same pump after a change of speed; where its curve would reach below nothing, it ends at nothing.
    #[must_use]
    pub fn scaled(mut self, change: SpeedChange, room: AbsolutePressure) -> Self {
        for (pressure, speed) in &mut self.curve {
            *pressure = (pressure.vacuum_below(room) * change.level).below(room);
            *speed = *speed * change.flow;
        }
        let deepest = self.curve.len();
        self.curve.retain(|(pressure, _)| *pressure > AbsolutePressure::ZERO);
        if self.curve.len() < deepest {
            self.curve.insert(0, (AbsolutePressure::ZERO, InletFlow::ZERO));
        }
        self
    }
}
