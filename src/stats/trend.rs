//! Whether something rises, and how fast, without trusting any single point.
//!
//! Mann-Kendall test and Theil-Sen slope with limits by Gilbert, Statistical Methods for Environmental Pollution Monitoring
//! (1987), 16.4 and 16.5. Points fall into blocks between known resets, and no pair is ever taken across one: the sums of the
//! seasonal Kendall test (Hirsch, Slack and Smith 1982).

use super::{median, normal_cdf, normal_quantile};

/// A trend without a shape.
#[derive(Clone, Debug, PartialEq)]
pub struct Kendall {
    /// Rising pairs less falling pairs.
    pub s: f64,
    /// The variance of `s` if there is no trend, ties reckoned in.
    pub variance: f64,
    /// The standard normal score of `s`, with a correction for continuity.
    pub z: f64,
    /// The two-sided probability of such a score without a trend.
    pub p: f64,
    /// The Theil-Sen slope: the median slope of all pairs.
    pub slope: f64,
    slopes: Vec<f64>,
}

impl Kendall {
    /// The limits of the slope at this confidence, between 0 and 1; the ends of all slopes where there are too few pairs.
    pub fn slope_limits(&self, confidence: f64) -> (f64, f64) {
        let pairs = self.slopes.len() as f64;
        let width = normal_quantile(0.5 + 0.5 * confidence) * self.variance.sqrt();
        (self.ranked((pairs - width) / 2.0), self.ranked((pairs + width) / 2.0 + 1.0))
    }

    /// The slope of this rank, counted from 1, between two slopes in proportion.
    fn ranked(&self, rank: f64) -> f64 {
        let last = self.slopes.len() - 1;
        let place = (rank - 1.0).clamp(0.0, last as f64);
        let (below, share) = (place.floor() as usize, place.fract());
        self.slopes[below] + share * (self.slopes[(below + 1).min(last)] - self.slopes[below])
    }
}

/// The trend of y over x within blocks of points `(x, y)`, each in order of x; `None` without any pair.
pub fn kendall(blocks: &[&[(f64, f64)]]) -> Option<Kendall> {
    let mut slopes: Vec<f64> = Vec::new();
    let mut s = 0.0_f64;
    for block in blocks {
        for (index, early) in block.iter().enumerate() {
            for late in block[index + 1..].iter().filter(|late| late.0 > early.0) {
                let rise = late.1 - early.1;
                slopes.push(rise / (late.0 - early.0));
                s += if rise > 0.0 {
                    1.0
                } else if rise < 0.0 {
                    -1.0
                } else {
                    0.0
                };
            }
        }
    }
    slopes.sort_by(f64::total_cmp);
    let variance = blocks.iter().map(|block| variance_of_s(block)).sum::<f64>();
    let z = if variance > 0.0 && s != 0.0 { (s - s.signum()) / variance.sqrt() } else { 0.0 };
    Some(Kendall { s, variance, z, p: 2.0 * normal_cdf(-z.abs()), slope: median(&slopes)?, slopes })
}

fn variance_of_s(block: &[(f64, f64)]) -> f64 {
    let term = |n: f64| n * (n - 1.0) * (2.0 * n + 5.0);
    let mut sorted: Vec<f64> = block.iter().map(|point| point.1).collect();
    sorted.sort_by(f64::total_cmp);
    let ties: f64 = sorted.chunk_by(|a, b| a.total_cmp(b).is_eq()).map(|equal| term(equal.len() as f64)).sum();
    (term(block.len() as f64) - ties) / 18.0
}
