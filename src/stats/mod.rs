//! Plain statistics: robust scale, trends, run lengths of charts, fits.
//!
//! Samples are slices of bare numbers here; what they measure is the caller's business. Empty or too short samples give
//! `None`, and NaN in gives NaN or `None` out, never a panic.

mod deadband;
mod drift;
mod glr;
mod least_squares;
mod line;
mod noise;
mod robust;
mod trend;

pub use deadband::{Deadband, Side};
pub use drift::Drift;
pub use glr::{WindowedGlr, glr_mean_time_between_alarms, glr_threshold};
pub use least_squares::{Fit, Model, least_squares};
pub use line::{Crossing, Line};
pub use noise::{Noise, Whitener};
pub use robust::{
    deviation_by_difference, mad, median, moving_range_deviation, robust_deviation, von_neumann_deviation,
};
pub use trend::{Kendall, kendall};

use statrs::distribution::{Continuous, ContinuousCDF, Normal, StudentsT};

/// The probability that a standard normal number is at most `x`.
pub fn normal_cdf(x: f64) -> f64 {
    Normal::standard().cdf(x)
}

/// The density of a standard normal number at `x`.
pub fn normal_density(x: f64) -> f64 {
    Normal::standard().pdf(x)
}

/// The standard normal number below which the share `p` lies, infinite at 0 and 1; NaN outside them.
pub fn normal_quantile(p: f64) -> f64 {
    if (0.0..=1.0).contains(&p) { Normal::standard().inverse_cdf(p) } else { f64::NAN }
}

/// The number below which the share `p` of Student's t with `freedom` degrees of freedom lies; NaN out of range.
pub fn student_quantile(p: f64, freedom: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    StudentsT::new(0.0, 1.0, freedom).map_or(f64::NAN, |t| t.inverse_cdf(p))
}

/// The integral of `f` from `low` to `high` by Simpson's rule with `halves` pairs of steps.
fn simpson(f: impl Fn(f64) -> f64, low: f64, high: f64, halves: usize) -> f64 {
    let step = (high - low) / (2 * halves) as f64;
    let inner: f64 = (1..2 * halves).map(|i| f(low + step * i as f64) * if i % 2 == 1 { 4.0 } else { 2.0 }).sum();
    (f(low) + inner + f(high)) * step / 3.0
}
