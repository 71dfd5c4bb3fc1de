//! The 4-20 mA current loop: scaling, and which currents are measurements.
//!
//! Bands by NAMUR NE 43 as told by secondary pages, which agree on 3.8 to 20.5 mA for measuring and on 3.6 and 21.0 mA for
//! faults; that the two limits themselves are faults is from memory.

use serde::{Deserialize, Serialize};

use crate::moment::{Span, Steady};

/// A loop current in milliamperes.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
pub struct Milliamperes(pub f64);

/// What a current says about its measurement.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LoopBand {
    /// A measurement: 3.8 to 20.5 mA.
    Measuring,
    /// Neither: what held before holds on for a while.
    Suspect,
    /// A fault: at or below 3.6 mA, at or above 21.0 mA, or no number at all.
    Fault,
}

impl Milliamperes {
    /// The current of a fraction of the range, 0 at 4 mA and 1 at 20 mA.
    pub fn from_fraction(fraction: f64) -> Self {
        Milliamperes(4.0 + 16.0 * fraction)
    }

    /// The fraction of the range, 0 at 4 mA and 1 at 20 mA.
    pub fn fraction(self) -> f64 {
        (self.0 - 4.0) / 16.0
    }

    /// Its band; currents within a nanoampere of a fault limit are faults.
    pub fn band(self) -> LoopBand {
        if (3.8..=20.5).contains(&self.0) {
            LoopBand::Measuring
        } else if self.0 > 3.6 + ROUNDING && self.0 < 21.0 - ROUNDING {
            LoopBand::Suspect
        } else {
            LoopBand::Fault
        }
    }
}

/// Follows a loop from current to current, so that one between the bands changes nothing at once.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct CurrentLoop {
    fault: bool,
    suspect_since: Option<Steady>,
}

impl CurrentLoop {
    /// How long a current may lie between the bands before it is suspect.
    pub const HOLD: Span = Span::from_secs(4);

    /// The band that counts now: between the bands a fault stays a fault and a measurement a measurement, until
    /// [`CurrentLoop::HOLD`] is over.
    pub fn follow(&mut self, at: Steady, current: Milliamperes) -> LoopBand {
        let band = current.band();
        if band != LoopBand::Suspect {
            *self = CurrentLoop { fault: band == LoopBand::Fault, suspect_since: None };
            return band;
        }
        let since = *self.suspect_since.get_or_insert(at);
        if self.fault {
            LoopBand::Fault
        } else if at.since(since) < Self::HOLD {
            LoopBand::Measuring
        } else {
            LoopBand::Suspect
        }
    }
}

const ROUNDING: f64 = 1e-6;

#[cfg(test)]
mod tests {
    use super::*;

    /// 0 to 1000 mbar on 4-20 mA, worked by hand from (I - 4) / 16.
    #[test]
    fn currents_scale_to_the_range() {
        for (current, millibar) in
            [(3.6, -25.0), (3.8, -12.5), (8.0, 250.0), (12.0, 500.0), (16.0, 750.0), (20.5, 1_031.25), (21.0, 1_062.5)]
        {
            assert!((Milliamperes(current).fraction() * 1_000.0 - millibar).abs() < 1e-9);
            assert!((Milliamperes::from_fraction(millibar / 1_000.0).0 - current).abs() < 1e-12);
        }
    }

    #[test]
    fn bands_are_those_of_ne_43() {
        for fault in [0.0, 3.5, 3.6, 21.0, 24.0, f64::NAN, f64::INFINITY, -1.0] {
            assert_eq!(Milliamperes(fault).band(), LoopBand::Fault, "{fault}");
        }
        for suspect in [3.61, 3.79, 20.51, 20.99] {
            assert_eq!(Milliamperes(suspect).band(), LoopBand::Suspect, "{suspect}");
        }
        for measuring in [3.8, 4.0, 12.0, 20.0, 20.5] {
            assert_eq!(Milliamperes(measuring).band(), LoopBand::Measuring, "{measuring}");
        }
    }

    #[test]
    fn between_the_bands_the_last_state_holds_and_then_is_suspect() {
        let second = |n: u64| Steady::from_nanos(n * 1_000_000_000);
        let mut current = CurrentLoop::default();
        assert_eq!(current.follow(second(0), Milliamperes(12.0)), LoopBand::Measuring);
        assert_eq!(current.follow(second(1), Milliamperes(3.7)), LoopBand::Measuring);
        assert_eq!(current.follow(second(4), Milliamperes(3.7)), LoopBand::Measuring);
        assert_eq!(current.follow(second(5), Milliamperes(3.7)), LoopBand::Suspect);
        assert_eq!(current.follow(second(6), Milliamperes(3.5)), LoopBand::Fault);
        assert_eq!(current.follow(second(7), Milliamperes(3.7)), LoopBand::Fault);
        assert_eq!(current.follow(second(30), Milliamperes(3.7)), LoopBand::Fault);
        assert_eq!(current.follow(second(31), Milliamperes(3.8)), LoopBand::Measuring);
    }
}
