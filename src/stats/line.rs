//! A straight line by least squares, and where it meets a level.
//!
//! Interval of the crossing by Fieller's theorem (Draper and Smith, Applied Regression Analysis, inverse regression): with
//! g = (t·s)²/(b²·Sxx), the interval is bounded only for g < 1; otherwise the data do not say when, or whether.

use super::student_quantile;

/// A straight line through the newest of several blocks of points, with one slope for all blocks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Points in the newest block.
    pub count: usize,
    /// The mean x of the newest block.
    pub mean_x: f64,
    /// The mean y of the newest block.
    pub mean_y: f64,
    /// The slope.
    pub slope: f64,
    /// The standard deviation about the lines.
    pub deviation: f64,
    /// The sum of squares of x about the blocks' means.
    pub sum_xx: f64,
    /// Degrees of freedom left.
    pub freedom: usize,
}

/// Where a line meets a level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crossing {
    /// The most likely x.
    pub x: f64,
    /// The low and the high end of its interval.
    pub interval: (f64, f64),
}

impl Line {
    /// The line by least squares with one slope and an intercept for each block of points `(x, y)`; `None` if x does not vary
    /// within a block, no degree of freedom is left or the newest block is empty.
    pub fn fit(blocks: &[&[(f64, f64)]]) -> Option<Line> {
        let means: Vec<(f64, f64)> = blocks.iter().map(|block| mean(block)).collect();
        let sum = |f: &dyn Fn(f64, f64) -> f64| -> f64 {
            let about = |(block, mean): (&&[(f64, f64)], &(f64, f64))| -> f64 {
                block.iter().map(|(x, y)| f(x - mean.0, y - mean.1)).sum()
            };
            blocks.iter().zip(&means).map(about).sum()
        };
        let sum_xx = sum(&|x, _| x * x);
        let points: usize = blocks.iter().map(|block| block.len()).sum();
        let filled = blocks.iter().filter(|block| !block.is_empty()).count();
        let freedom = points.checked_sub(filled + 1).filter(|freedom| *freedom > 0)?;
        let newest = blocks.last().filter(|block| !block.is_empty())?;
        if sum_xx.is_nan() || sum_xx <= 0.0 {
            return None;
        }
        let slope = sum(&|x, y| x * y) / sum_xx;
        let about = sum(&|x, y| (y - slope * x) * (y - slope * x));
        let (mean_x, mean_y) = mean(newest);
        let deviation = (about / freedom as f64).sqrt();
        Some(Line { count: newest.len(), mean_x, mean_y, slope, deviation, sum_xx, freedom })
    }

    /// The y of the newest block's line at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.mean_y + self.slope * (x - self.mean_x)
    }

    /// Where the newest block's line meets `level`, at a confidence between 0 and 1; `None` if the data set no bound.
    pub fn meets(&self, level: f64, confidence: f64) -> Option<Crossing> {
        self.crossing(level, confidence, 0.0)
    }

    /// Where a single new reading would meet `level`; `None` if the data set no bound.
    pub fn reading_meets(&self, level: f64, confidence: f64) -> Option<Crossing> {
        self.crossing(level, confidence, 1.0)
    }

    fn crossing(&self, level: f64, confidence: f64, extra: f64) -> Option<Crossing> {
        let t = student_quantile(0.5 + 0.5 * confidence, self.freedom as f64);
        let error = t * self.deviation / self.slope.abs();
        let g = error * error / self.sum_xx;
        if g.is_nan() || g >= 1.0 {
            return None;
        }
        let distance = (level - self.mean_y) / self.slope;
        let middle = self.mean_x + distance / (1.0 - g);
        let spread = (1.0 - g) * (1.0 / self.count as f64 + extra) + distance * distance / self.sum_xx;
        let half = error / (1.0 - g) * spread.sqrt();
        Some(Crossing { x: self.mean_x + distance, interval: (middle - half, middle + half) })
    }
}

fn mean(block: &[(f64, f64)]) -> (f64, f64) {
    let n = block.len().max(1) as f64;
    (block.iter().map(|point| point.0).sum::<f64>() / n, block.iter().map(|point| point.1).sum::<f64>() / n)
}
