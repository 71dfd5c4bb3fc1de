//! What a gauge's numbers do from one to the next: rest, jump, come to nought.

use serde::{Deserialize, Serialize};

use crate::gauge::Motion;
use crate::moment::{Span, Steady};
use crate::units::Vacuum;

/// Equal numbers in a row, and the longest such row that ended by itself.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Rest {
    bits: u64,
    /// Since when the number has been the same, whatever the level ought to do.
    since: Option<Steady>,
    run: u32,
    longest: u32,
}

impl Rest {
    pub(super) fn interrupt(&mut self) {
        self.run = 0;
        self.since = None;
    }

    /// Since when the number has been this one.
    pub(super) fn since(&mut self, at: Steady, raw: f64) -> Steady {
        if raw.to_bits() != self.bits {
            self.since = None;
        }
        *self.since.get_or_insert(at)
    }

    pub(super) fn is_stuck(&mut self, raw: f64, motion: Motion, after: u32) -> bool {
        if motion != Motion::OughtToMove {
            self.run = 0;
            self.bits = raw.to_bits();
            return false;
        }
        let same = self.run > 0 && raw.to_bits() == self.bits;
        if !same {
            self.longest = self.longest.max(self.run);
        }
        self.run = if same { self.run.saturating_add(1) } else { 1 };
        self.bits = raw.to_bits();
        self.run >= self.longest.saturating_mul(3).min(after.saturating_mul(10)).max(after)
    }
}

/// The last believed level; a jump is doubted twice and then believed, since a lost part is a jump too.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Pace {
    last: Option<(Steady, Vacuum)>,
    doubted: u8,
}

impl Pace {
    pub(super) fn is_too_fast(&mut self, at: Steady, vacuum: Vacuum, per_second: Vacuum) -> bool {
        let too_fast = self.last.is_some_and(|(then, before)| {
            vacuum.distance(before) > per_second * at.since(then).max(SHORTEST_STEP).secs_f64()
        });
        if too_fast && self.doubted < 2 {
            self.doubted += 1;
            return true;
        }
        *self = Pace { last: Some((at, vacuum)), doubted: 0 };
        false
    }
}

/// The level at rest with the pump off.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Zero {
    resting: Option<(Steady, Vacuum)>,
    error: Option<Vacuum>,
}

impl Zero {
    pub(super) fn follow(&mut self, at: Steady, vacuum: Vacuum, motion: Motion, zero: Vacuum) {
        if motion != Motion::PumpOff {
            self.resting = None;
            return;
        }
        match self.resting {
            Some((since, level)) if vacuum.distance(level) <= zero * 0.25 => {
                if at.since(since) >= SETTLED {
                    self.error = Some(vacuum);
                }
            }
            Some(_) | None => self.resting = Some((at, vacuum)),
        }
    }

    pub(super) fn error(&self) -> Option<Vacuum> {
        self.error
    }

    pub(super) fn interrupt(&mut self) {
        self.resting = None;
    }
}

/// A level that moves by less than a quarter of the zero limit for so long is at rest.
const SETTLED: Span = Span::from_secs(10);

/// Two numbers in one burst of bytes are taken to be this far apart.
const SHORTEST_STEP: Span = Span::from_millis(20);
