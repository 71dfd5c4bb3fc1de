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

/// How much a gauge's numbers scatter about a smooth course, and how much they usually do.
///
/// The scatter of a block is the median size of its second differences, which a ramp leaves alone and a jump hardly moves, divided by
/// what it is for independent noise of unit deviation: 0.6745·√6. A block with less than [`QUIET`] of the least usual scatter is too
/// quiet: of independent noise the variance of 50 numbers falls below 0.3127 of its mean, the deviation below 0.56 of it, once in a
/// million (chi-square law, computed), and a median of [`BLOCK`] differences is worth some 37 numbers. Of a gauge whose
/// scatter is less than two of its steps nothing is said here.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Noise {
    last: Vec<f64>,
    sizes: Vec<f64>,
    usual: f64,
    /// The least scatter of the blocks that were learned from, slowly forgotten.
    least: f64,
    /// The smallest second difference that was not nought: the step between two numbers that the gauge can send.
    step: Option<f64>,
    blocks: u32,
    quiet: u32,
}

impl Noise {
    /// Takes one more level; whether the gauge has become far quieter than it usually is.
    pub(super) fn has_collapsed(&mut self, vacuum: Vacuum, motion: Motion) -> bool {
        if motion != Motion::OughtToMove {
            self.interrupt();
            return self.quiet >= QUIET_BLOCKS;
        }
        self.last.push(vacuum.pascals());
        if let [first, middle, newest] = self.last[..] {
            let size = (first - 2.0 * middle + newest).abs();
            // What rounding leaves of nought is far below any gauge's step.
            if size > 1e-3 {
                self.step = Some(self.step.map_or(size, |step| step.min(size)));
            }
            self.sizes.push(size);
            self.last.remove(0);
        }
        if self.sizes.len() >= BLOCK {
            self.sizes.sort_by(f64::total_cmp);
            let scatter = self.sizes[BLOCK / 2] / (0.674_49 * 6.0_f64.sqrt());
            self.sizes.clear();
            self.weigh(scatter);
        }
        self.quiet >= QUIET_BLOCKS
    }

    /// The numbers that come next do not follow on those before.
    pub(super) fn interrupt(&mut self) {
        self.last.clear();
        self.sizes.clear();
    }

    fn weigh(&mut self, scatter: f64) {
        let fine = self.step.is_some_and(|step| self.least >= 2.0 * step);
        if fine && self.blocks >= KNOWN_AFTER && scatter < QUIET * self.least && self.quiet < RELEARNT_AFTER {
            self.quiet += 1;
            return;
        }
        if self.quiet >= RELEARNT_AFTER {
            // So quiet for so long is what is usual now.
            self.blocks = 0;
        }
        self.quiet = 0;
        self.blocks = self.blocks.saturating_add(1);
        let share = 1.0 / f64::from(self.blocks.min(MEMORY));
        self.usual += share * (scatter - self.usual);
        self.least =
            if self.blocks == 1 { scatter } else { scatter.min(self.least + share * (self.usual - self.least)) };
    }
}

/// Second differences that are looked at together.
const BLOCK: usize = 100;

/// A block with less than this share of the least usual scatter is too quiet.
const QUIET: f64 = 0.4;

/// So many such blocks in a row mean that the noise has collapsed.
const QUIET_BLOCKS: u32 = 2;

/// So many blocks must be known before any is called quiet.
const KNOWN_AFTER: u32 = 10;

/// Blocks over which the usual scatter is averaged.
const MEMORY: u32 = 50;

/// After so many quiet blocks, an hour of cutting at ten readings a second, quiet is what is usual.
const RELEARNT_AFTER: u32 = 360;

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
