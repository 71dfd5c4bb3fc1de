//! Noise with a memory: how large it is, how much of it passes through a lag, and the filter that takes the memory out.
//!
//! A reading's noise is the sum of the flow's, which passes through the plenum's first-order lag and so remembers by φ from one
//! reading to the next, and the gauge's, which does not. With P and R for their variances, half the mean square difference of
//! readings k apart is v_k = P(1 − φ^k) + R (the variogram of a first-order process; Box and Jenkins, Time Series Analysis, 1970, for
//! its autocovariance P·φ^k). Differences are used because a slow error of the model leaves them alone; (v₄ − v₂)/(v₂ − v₁) = φ(1 + φ)
//! gives the memory. The one-state Kalman filter of that model, in its steady state, has white innovations (Anderson and
//! Moore, Optimal Filtering, 1979, chapter 4).

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
    /// Readings that the variogram rests on, what was presumed counted in.
    weight: f64,
    /// v₁, v₂ and v₄.
    variogram: [f64; 3],
    /// The last four readings, the newest first.
    last: [Option<f64>; 4],
}

/// The distances in readings that the variogram is kept for.
const APART: [i32; 3] = [1, 2, 4];
/// How many readings' worth the presumed noise counts for.
const PRESUMED_WEIGHT: f64 = 50.0;
/// How many readings are remembered.
const MEMORY: f64 = 3000.0;
/// Differences further out than so many standard deviations are held to them.
const HELD_TO: f64 = 4.0;
/// Readings after which the memory seen counts for as much as the memory presumed: it takes many to see it well.
const MEMORY_SEEN_AFTER: f64 = 1000.0;

impl Noise {
    /// Noise presumed to have the standard deviation `deviation`, all of it through a lag that leaves `memory` from one reading
    /// to the next; `bounds` are the least and the greatest memory to believe.
    pub fn presumed(deviation: f64, memory: f64, bounds: (f64, f64)) -> Self {
        let memory = memory.clamp(bounds.0, bounds.1);
        Noise {
            bounds,
            presumed: memory,
            floor: 0.1 * deviation,
            weight: PRESUMED_WEIGHT,
            variogram: APART.map(|apart| deviation * deviation * (1.0 - memory.powi(apart))),
            last: [None; 4],
        }
    }

    /// Learns from one more quiet reading.
    pub fn learn(&mut self, value: f64) {
        self.weight = (self.weight + 1.0).min(MEMORY);
        for (half_square, apart) in self.variogram.iter_mut().zip(APART) {
            if let Some(before) = self.last[apart as usize - 1] {
                let limit = HELD_TO * (2.0 * *half_square).sqrt();
                let difference = (value - before).clamp(-limit, limit);
                *half_square += (0.5 * difference * difference - *half_square) / self.weight;
            }
        }
        self.last.rotate_right(1);
        self.last[0] = Some(value);
    }

    /// The next reading does not follow on the last.
    pub fn interrupt(&mut self) {
        self.last = [None; 4];
    }

    /// The standard deviation of one reading.
    pub fn deviation(&self) -> f64 {
        let (_, lagged, plain) = self.parts();
        (lagged + plain).sqrt()
    }

    /// How much the standard deviation may be in error, as a share of it.
    pub fn relative_error(&self) -> f64 {
        (0.5 / self.weight).sqrt()
    }

    /// The filter that whitens this noise.
    pub fn whitener(&self) -> Whitener {
        let (memory, lagged, plain) = self.parts();
        Whitener::new(memory, lagged, plain)
    }

    /// φ, P and R; P grows to the least noise to believe where there is less.
    fn parts(&self) -> (f64, f64, f64) {
        let [one, _, four] = self.variogram;
        let memory = self.memory();
        let lagged = ((four - one) / (memory - memory.powi(4))).clamp(0.0, one / (1.0 - memory));
        let plain = (one - lagged * (1.0 - memory)).max(0.0);
        let lacking = (self.floor * self.floor - lagged - plain).max(0.0);
        (memory, lagged + lacking, plain)
    }

    /// The root of φ(1 + φ) = (v₄ − v₂)/(v₂ − v₁), within bounds; as presumed where hardly any of the noise remembers.
    fn memory(&self) -> f64 {
        let [one, two, four] = self.variogram;
        let (near, far) = (two - one, four - two);
        if near < one / self.weight.sqrt() {
            return self.presumed;
        }
        let seen = (0.5 * ((1.0 + 4.0 * (far / near).max(0.0)).sqrt() - 1.0)).clamp(self.bounds.0, self.bounds.1);
        self.presumed + (seen - self.presumed) * self.weight / (self.weight + MEMORY_SEEN_AFTER)
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

    /// The innovation of the next reading, what it differs by from what the last ones foretold, held to the range from `least` to
    /// `greatest` so that a wild reading does not upset those that follow.
    pub fn take(&mut self, value: f64, least: f64, greatest: f64) -> f64 {
        let innovation = (value - self.predicted).max(least).min(greatest);
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
