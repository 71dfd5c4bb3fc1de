//! A level that drifts and wanders, read with scatter: a straight line whose height walks at random from point to point.
//!
//! The wanderer's variance over that of the scatter is the one that is most likely by restricted likelihood; slope and height
//! follow by generalised least squares through a Kalman filter (Harvey, Forecasting, Structural Time Series Models and the Kalman
//! Filter, 1989, 3.4). Where it meets a level is Fieller's interval with the walk still to come added to the variance; without
//! a walk it is that of [`super::Line`]. For a level that only rises this is the time at which it is first met.

use super::{Crossing, student_quantile};

/// A drift fitted to blocks of points with one slope, one walk and one scatter; a height for each block.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drift {
    /// The x of the newest block's last point.
    pub last_x: f64,
    /// The height there.
    pub height: f64,
    /// The slope.
    pub slope: f64,
    /// The standard deviation of the scatter.
    pub scatter: f64,
    /// The variance that the walk gains with each unit of x.
    pub walk: f64,
    /// Degrees of freedom left.
    pub freedom: usize,
    height_variance: f64,
    slope_variance: f64,
    covariance: f64,
}

/// Walk over scatter: none, and from one part in a hundred thousand to ten.
const RATIOS: usize = 37;
/// By how much a walk must be more likely than none, as the logarithm of the likelihood, before it is believed.
const BELIEVED: f64 = 0.1;

impl Drift {
    /// The drift of blocks of points `(x, y)`, each in order of x; `None` if x does not vary within a block, no degree of freedom is
    /// left or the newest block is empty.
    ///
    /// The walk is held to at least `uneven` times the slope's square for each unit of x: what comes in spells of n units that differ
    /// from each other by a share c walks by c²·n of that, and few points do not show it.
    pub fn fit(blocks: &[&[(f64, f64)]], uneven: f64) -> Option<Drift> {
        let still = Filtered::of(blocks, 0.0)?;
        let ratio = |place: usize| 10.0_f64.powf(-5.0 + place as f64 / 6.0);
        let most = (0..RATIOS)
            .filter_map(|place| Filtered::of(blocks, ratio(place)))
            .max_by(|a, b| a.likelihood.total_cmp(&b.likelihood));
        let best = most.filter(|best| best.likelihood > still.likelihood + BELIEVED).unwrap_or(still).drift;
        let least = uneven * best.slope * best.slope;
        // Without any scatter there is nothing to weigh a walk against.
        if best.walk >= least || best.scatter <= 0.0 {
            return Some(best);
        }
        Filtered::of(blocks, least / (best.scatter * best.scatter)).map(|held| held.drift)
    }

    /// The standard error of the slope.
    pub fn slope_error(&self) -> f64 {
        self.slope_variance.sqrt()
    }

    /// Where it meets `level`, at a confidence between 0 and 1; `None` if the data set no bound.
    pub fn meets(&self, level: f64, confidence: f64) -> Option<Crossing> {
        let t = student_quantile(0.5 + 0.5 * confidence, self.freedom as f64);
        let (square, distance) = (t * t, level - self.height);
        // (distance − slope·τ)² = t²·variance(τ), with the walk to come in the variance: a quadratic in τ.
        let a = self.slope * self.slope - square * self.slope_variance;
        let half = distance * self.slope + square * (self.covariance + 0.5 * self.walk);
        let c = distance * distance - square * self.height_variance;
        if a.is_nan() || a <= 0.0 {
            return None;
        }
        let root = (half * half - a * c).max(0.0).sqrt();
        let at = |tau: f64| self.last_x + tau;
        Some(Crossing { x: at(distance / self.slope), interval: (at((half - root) / a), at((half + root) / a)) })
    }
}

/// A drift at one ratio of walk to scatter, and how likely that is.
struct Filtered {
    drift: Drift,
    likelihood: f64,
}

/// The height of y and of x as filtered, with their variance in units of the scatter's.
#[derive(Clone, Copy, Default)]
struct Height {
    y: f64,
    x: f64,
    variance: f64,
    at: f64,
}

/// Sums over all innovations.
#[derive(Clone, Copy, Default)]
struct Sums {
    xx: f64,
    xy: f64,
    yy: f64,
    logarithms: f64,
    count: usize,
}

impl Filtered {
    fn of(blocks: &[&[(f64, f64)]], ratio: f64) -> Option<Self> {
        let mut sums = Sums::default();
        let mut newest = None;
        for block in blocks {
            newest = block.split_first().map(|(first, rest)| filtered(*first, rest, ratio, &mut sums));
        }
        let newest = newest?;
        let freedom = sums.count.checked_sub(1).filter(|freedom| *freedom > 0)?;
        if sums.xx.is_nan() || sums.xx <= 0.0 {
            return None;
        }
        let slope = sums.xy / sums.xx;
        let square = (sums.yy - slope * sums.xy).max(0.0) / freedom as f64;
        let slope_variance = square / sums.xx;
        let lever = newest.at - newest.x;
        let drift = Drift {
            last_x: newest.at,
            height: newest.y + slope * lever,
            slope,
            scatter: square.sqrt(),
            walk: ratio * square,
            freedom,
            height_variance: square * newest.variance + lever * lever * slope_variance,
            slope_variance,
            covariance: lever * slope_variance,
        };
        let likelihood = -0.5 * (freedom as f64 * square.ln() + sums.logarithms + sums.xx.ln());
        Some(Filtered { drift, likelihood })
    }
}

/// One block filtered, from a first point that says nothing of the slope.
fn filtered(first: (f64, f64), rest: &[(f64, f64)], ratio: f64, sums: &mut Sums) -> Height {
    let mut height = Height { y: first.1, x: first.0, variance: 1.0, at: first.0 };
    for (x, y) in rest {
        let ahead = height.variance + ratio * (x - height.at).max(0.0);
        let (off_y, off_x, whole) = (y - height.y, x - height.x, ahead + 1.0);
        sums.xx += off_x * off_x / whole;
        sums.xy += off_x * off_y / whole;
        sums.yy += off_y * off_y / whole;
        sums.logarithms += whole.ln();
        sums.count += 1;
        let gain = ahead / whole;
        height = Height { y: height.y + gain * off_y, x: height.x + gain * off_x, variance: gain, at: *x };
    }
    height
}
