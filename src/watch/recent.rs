//! The newest few seconds of the level: whether it has settled, and where it is heading.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::moment::{Span, Steady};
use crate::stats::Line;

/// The newest levels in pascals of vacuum, over a fixed span of time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Recent {
    span: Span,
    levels: VecDeque<(Steady, f64)>,
}

/// The most levels kept, however fast they come.
const MOST: usize = 128;
/// The fewest levels that can be called settled.
const FEWEST: usize = 4;

impl Recent {
    pub(super) fn new(span: Span) -> Self {
        Recent { span, levels: VecDeque::new() }
    }

    pub(super) fn push(&mut self, at: Steady, level: f64) {
        self.levels.push_back((at, level));
        let stale = |first: &(Steady, f64)| at.since(first.0) > self.span;
        while self.levels.len() > MOST || self.levels.front().is_some_and(stale) {
            self.levels.pop_front();
        }
    }

    pub(super) fn clear(&mut self) {
        self.levels.clear();
    }

    pub(super) fn len(&self) -> usize {
        self.levels.len()
    }

    /// The mean of what is kept; `None` if nothing is.
    pub(super) fn mean(&self) -> Option<f64> {
        let count = self.levels.len();
        (count > 0).then(|| self.levels.iter().map(|(_, level)| level).sum::<f64>() / count as f64)
    }

    /// The mean of the middle half of what is kept, which a wild reading does not move; `None` if nothing is.
    pub(super) fn middle(&self) -> Option<f64> {
        let mut levels: Vec<f64> = self.levels.iter().map(|(_, level)| *level).collect();
        levels.sort_unstable_by(f64::total_cmp);
        let quarter = levels.len() / 4;
        let half = levels.get(quarter..levels.len() - quarter).filter(|half| !half.is_empty())?;
        Some(half.iter().sum::<f64>() / half.len() as f64)
    }

    /// Whether the span is full and its two halves differ by no more than noise of this deviation, or one per cent, would have it.
    pub(super) fn is_settled(&self, deviation: f64) -> bool {
        let count = self.levels.len();
        let (Some(first), Some(last)) = (self.levels.front(), self.levels.back()) else { return false };
        if count < FEWEST || (count < MOST && last.0.since(first.0) < self.span.times(0.8)) {
            return false;
        }
        let half = count / 2;
        let early = self.levels.iter().take(half).map(|(_, level)| level).sum::<f64>() / half as f64;
        let late = self.levels.iter().skip(count - half).map(|(_, level)| level).sum::<f64>() / half as f64;
        (late - early).abs() < 0.01 * late.abs() + 3.0 * deviation
    }

    /// The level that the newest `count` readings approach, and its standard error, if they fall off exponentially: each is then a
    /// fixed share of the one before and a constant more.
    pub(super) fn heading_for(&self, count: usize) -> Option<(f64, f64)> {
        let newest: Vec<f64> = self.levels.iter().rev().take(count).map(|(_, level)| *level).collect();
        let pairs: Vec<(f64, f64)> = newest.windows(2).map(|pair| (pair[1], pair[0])).collect();
        let line = Line::fit(&[&pairs]).filter(|line| (0.0..1.0).contains(&line.slope))?;
        let rest = (line.mean_y - line.slope * line.mean_x) / (1.0 - line.slope);
        let reach = (rest - line.mean_x) * (rest - line.mean_x) / line.sum_xx;
        let error = line.deviation / (1.0 - line.slope) * (1.0 / line.count as f64 + reach).sqrt();
        Some((rest, error))
    }
}
