//! Noise with a memory: how large it is, how much of it passes through a lag, and the filter that takes the memory out.
//!
//! A reading's noise is the sum of the flow's, which passes through the plenum's first-order lag and so remembers, and the
//! gauge's, which does not. With autocovariances γ₀, γ₁, γ₂ of such a sum, φ = γ₂/γ₁ and the lagged part has the variance γ₁/φ. The
//! one-state Kalman filter of that model, in its steady state, has white innovations (Anderson and Moore, Optimal Filtering,
//! 1979, chapter 4).

use serde::{Deserialize, Serialize};

/// The size and memory of the noise, learned from quiet readings.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Noise {
    /// Bounds of φ, low and high.
    bounds: (f64, f64),
    /// φ until the readings say otherwise.
    presumed: f64,
    /// The least standard deviation to believe.
    floor: f64,
    /// Readings that the moments rest on, what was presumed counted in.
    weight: f64,
    moments: [f64; 3],
    last: [Option<f64>; 2],
}

/// How many readings' worth the presumed noise counts for.
const PRESUMED_WEIGHT: f64 = 50.0;
/// How many readings are remembered.
const MEMORY: f64 = 3000.0;
/// Quiet readings further out than so many standard deviations are held to them.
const HELD_TO: f64 = 4.0;

impl Noise {
    /// Noise presumed to have the standard deviation `deviation`, all of it through a lag that leaves `memory` from one reading
    /// to the next; `bounds` are the least and the greatest memory to believe.
    pub fn presumed(deviation: f64, memory: f64, bounds: (f64, f64)) -> Self {
        let memory = memory.clamp(bounds.0, bounds.1);
        let variance = deviation * deviation;
        Noise {
            bounds,
            presumed: memory,
            floor: 0.1 * deviation,
            weight: PRESUMED_WEIGHT,
            moments: [variance, memory * variance, memory * memory * variance],
            last: [None; 2],
        }
    }

    /// Learns from one more quiet reading: its distance from where it should be.
    pub fn learn(&mut self, distance: f64) {
        let limit = HELD_TO * self.deviation();
        let held = distance.clamp(-limit, limit);
        self.weight = (self.weight + 1.0).min(MEMORY);
        let before = [Some(held), self.last[0], self.last[1]];
        for (moment, other) in self.moments.iter_mut().zip(before) {
            if let Some(other) = other {
                *moment += (held * other - *moment) / self.weight;
            }
        }
        self.last = [Some(held), self.last[0]];
    }

    /// The next reading does not follow on the last.
    pub fn interrupt(&mut self) {
        self.last = [None; 2];
    }

    /// The standard deviation of one reading.
    pub fn deviation(&self) -> f64 {
        self.moments[0].max(0.0).sqrt().max(self.floor)
    }

    /// How much the standard deviation may be in error, as a share of it.
    pub fn relative_error(&self) -> f64 {
        let (memory, _) = self.lagged();
        let independent = self.weight * (1.0 - memory * memory) / (1.0 + memory * memory);
        (0.5 / independent.max(1.0)).sqrt()
    }

    /// The filter that whitens this noise.
    pub fn whitener(&self) -> Whitener {
        let (memory, share) = self.lagged();
        let variance = self.deviation().powi(2);
        Whitener::new(memory, share * variance, (1.0 - share) * variance)
    }

    /// φ and the share of the variance that passes through the lag.
    fn lagged(&self) -> (f64, f64) {
        let [all, one, two] = self.moments;
        let uncertain = 2.0 * all / self.weight.sqrt();
        let memory = if one > uncertain { (two / one).clamp(self.bounds.0, self.bounds.1) } else { self.presumed };
        (memory, (one / memory / all).clamp(0.0, 1.0))
    }
}

/// A filter whose output is white when its input is the noise it was made for.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Whitener {
    memory: f64,
    gain: f64,
    deviation: f64,
    predicted: f64,
}

impl Whitener {
    /// For noise of which `lagged` variance remembers by `memory` from one reading to the next, and `plain` variance does not.
    pub fn new(memory: f64, lagged: f64, plain: f64) -> Self {
        let driven = lagged * (1.0 - memory * memory);
        // The steady variance p of the prediction: p² + p·(plain·(1 − φ²) − q) − q·plain = 0.
        let half = 0.5 * (driven - plain * (1.0 - memory * memory));
        let prediction = half + (half * half + driven * plain).sqrt();
        let total = prediction + plain;
        let gain = if total > 0.0 { prediction / total } else { 0.0 };
        Whitener { memory, gain, deviation: total.sqrt(), predicted: 0.0 }
    }

    /// The innovation of the next reading: what it differs by from what the last ones foretold.
    pub fn take(&mut self, value: f64) -> f64 {
        let innovation = value - self.predicted;
        self.predicted = self.memory * (self.predicted + self.gain * innovation);
        innovation
    }

    /// The standard deviation of the innovations.
    pub fn deviation(&self) -> f64 {
        self.deviation
    }

    /// What is left of a step in the innovations once it has lasted.
    pub fn lasting(&self) -> f64 {
        let lost = 1.0 - self.memory;
        lost / (lost + self.memory * self.gain)
    }

    /// This filter, going on where `earlier` left off.
    #[must_use]
    pub fn following(self, earlier: Whitener) -> Self {
        Whitener { predicted: earlier.predicted, ..self }
    }

    /// Forgets the readings.
    pub fn restart(&mut self) {
        self.predicted = 0.0;
    }
}
