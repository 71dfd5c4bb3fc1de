//! A chart for a loss of unknown size at an unknown time.
//!
//! The generalised likelihood ratio for a step in independent normal noise looks at every window that ends now:
//! g = max over j ≤ m of (r₁ + … + r_j)/√j, over the newest j of at most m numbers in units of their standard deviation. Its
//! mean time between false alarms is that of Siegmund and Venkatraman, Using the generalized likelihood ratio statistic for
//! sequential detection of a change-point, Annals of Statistics 23 (1995), with Siegmund's approximation of the overshoot ν
//! (Sequential Analysis, 1985, 10.37); the formula was written from memory and holds against simulation.
//!
//! Window lengths on a geometric grid are enough: between two of them the ratio loses at most a few per cent, and the mean time
//! between alarms only grows.

use serde::{Deserialize, Serialize};

use super::{normal_cdf, normal_density, simpson};

/// Window lengths: every one up to 8, then a quarter more each.
const LENGTHS: [usize; 20] = [1, 2, 3, 4, 5, 6, 7, 8, 10, 12, 15, 19, 24, 30, 37, 46, 57, 70, 85, 100];
const LONGEST: usize = 100;

/// One-sided GLR over the newest readings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WindowedGlr {
    /// Running sums of all numbers so far, in a ring; place n modulo its size holds the sum of the first n.
    sums: Vec<f64>,
    seen: u64,
}

impl Default for WindowedGlr {
    fn default() -> Self {
        WindowedGlr { sums: vec![0.0; LONGEST + 1], seen: 0 }
    }
}

impl WindowedGlr {
    /// The longest window, in readings.
    pub const WINDOW: usize = LONGEST;

    /// Takes one more number, in standard deviations, and gives the ratio g.
    pub fn take(&mut self, value: f64) -> f64 {
        let size = self.sums.len() as u64;
        let newest = self.sums[(self.seen % size) as usize] + value;
        self.seen += 1;
        self.sums[(self.seen % size) as usize] = newest;
        if self.seen.is_multiple_of(size) {
            self.rebase();
        }
        let newest = self.sums[(self.seen % size) as usize];
        let ratio = |length: usize| {
            let sum = newest - self.sums[((self.seen - length as u64) % size) as usize];
            sum / (length as f64).sqrt()
        };
        let lengths = LENGTHS.into_iter().take_while(|length| *length as u64 <= self.seen);
        lengths.map(ratio).fold(f64::NEG_INFINITY, f64::max)
    }

    /// Forgets everything.
    pub fn restart(&mut self) {
        if self.seen > 0 {
            self.sums.fill(0.0);
            self.seen = 0;
        }
    }

    /// Takes the oldest sum off all, so that they never grow large against their differences.
    fn rebase(&mut self) {
        let size = self.sums.len();
        let base = self.sums[(self.seen as usize + 1) % size];
        self.sums.iter_mut().for_each(|sum| *sum -= base);
    }
}

/// Readings between false alarms of a one-sided windowed GLR at this threshold, on average.
pub fn glr_mean_time_between_alarms(threshold: f64, window: usize) -> f64 {
    let weight = |x: f64| x * overshoot(x).powi(2);
    let area = simpson(weight, threshold / (window as f64).sqrt(), threshold, 200);
    2.0 * (2.0 * std::f64::consts::PI).sqrt() * (0.5 * threshold * threshold).exp() / (threshold * area)
}

/// The threshold of a one-sided windowed GLR with so many readings between false alarms on average; at least 10 readings are
/// assumed, and at most 10¹⁵.
pub fn glr_threshold(readings: f64, window: usize) -> f64 {
    let readings = readings.clamp(10.0, 1e15);
    let (mut low, mut high) = (1.0, 12.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if glr_mean_time_between_alarms(middle, window) < readings { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// Siegmund's ν.
fn overshoot(x: f64) -> f64 {
    let half = 0.5 * x;
    let above = normal_cdf(half);
    if x < 1e-6 { 1.0 } else { (above - 0.5) / half / (half * above + normal_density(half)) }
}
