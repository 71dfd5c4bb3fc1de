//! What the level may suddenly differ by without a loss: by the model's own error.
//!
//! - Time: the cut may be some seconds before or behind the progress told. A constant delay on an even course is an offset, which the
//!   baseline follows; what counts is how far the course's change over that time departs from what it was of late.
//! - Share: the kerf's effect may be wrong by a share; what counts is that share of the course's fall of late.
//! - Shape: the kerf of an outline may open at any time between its first plunge and its end, and dust in it comes and goes. How much of
//!   that happens is learned: at first all of it is allowed for, then what was seen, forgotten as the cut goes on.

use serde::{Deserialize, Serialize};

/// Where the course is going, in pascals.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Course {
    /// The expected level.
    pub(super) mid: f64,
    /// What the kerf has taken of it so far.
    pub(super) kerf: f64,
    /// Expected levels some seconds before and behind, less the one now.
    pub(super) beside: [f64; 4],
    /// By how much the outline that is being cut lowers the level.
    pub(super) outline: f64,
}

/// What has been seen of the model's error.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Allowance {
    /// Averages of [`Course::beside`] and of the level, over the baseline's memory.
    beside: [f64; 4],
    mid: Option<f64>,
    /// The average over a second of what the baseline did not explain.
    unexplained: f64,
    /// How much of the shape's error was seen since the last outline ended, and before that, as shares of the most.
    seen: (f64, f64),
    /// The expected level when the last outline ended.
    since: Option<f64>,
}

/// The share of the kerf's effect that may come and go as dust settles in it and is drawn out: a choice of ours.
const DUST: f64 = 0.02;
/// What was seen of the shape's error is taken so many times.
const SAFETY: f64 = 2.0;
/// The least and the greatest share of the shape's error that is allowed for.
const SHAPE: (f64, f64) = (0.2, 1.0);
/// What is left, an outline later, of what was seen of the shape's error before.
const KEPT: f64 = 0.5;
/// Seconds over which what is unexplained is averaged.
const AVERAGED_S: f64 = 1.0;

impl Default for Allowance {
    fn default() -> Self {
        Allowance { beside: [0.0; 4], mid: None, unexplained: 0.0, seen: (0.0, SHAPE.1), since: None }
    }
}

impl Allowance {
    /// What is allowed for, in pascals, when the kerf takes so large a share more, with its standard error.
    pub(super) fn of(&self, course: &Course, (share, error): (f64, f64)) -> f64 {
        let time = self.beside.iter().zip(course.beside).map(|(usual, now)| usual - now).fold(0.0, f64::max);
        let fallen = self.mid.map_or(0.0, |mid| (mid - course.mid).abs());
        time + 2.0 * error * fallen + self.shape() * most(course) * (1.0 + share).max(1.0)
    }

    /// Lets time pass along the course; averages go over `memory` seconds.
    pub(super) fn advance(&mut self, course: &Course, elapsed: f64, memory: f64) {
        let step = 1.0 - (-elapsed / memory).exp();
        for (usual, now) in self.beside.iter_mut().zip(course.beside) {
            *usual += step * (now - *usual);
        }
        let mid = self.mid.get_or_insert(course.mid);
        *mid += step * (course.mid - *mid);
    }

    /// Learns from what the baseline did not explain, whose noise has this standard deviation at zero frequency.
    pub(super) fn learn(&mut self, course: &Course, unexplained: f64, elapsed: f64, deviation: f64) {
        self.unexplained += (1.0 - (-elapsed / AVERAGED_S).exp()) * (unexplained - self.unexplained);
        let since = *self.since.get_or_insert(course.mid);
        let most = most(course);
        if most <= 0.0 {
            return;
        }
        let noise = 3.0 * deviation * (elapsed / (2.0 * AVERAGED_S)).sqrt();
        let (now, before) = self.seen;
        let now = now.max(SAFETY * (self.unexplained.abs() - noise) / most);
        self.seen = (now, before);
        if (since - course.mid).abs() > most {
            self.seen = (0.0, now.max(KEPT * before));
            self.since = Some(course.mid);
        }
    }

    fn shape(&self) -> f64 {
        self.seen.0.max(self.seen.1).clamp(SHAPE.0, SHAPE.1)
    }

    /// The expected level jumped for a reason that is no kerf.
    pub(super) fn jump(&mut self, by: f64) {
        self.mid = self.mid.map(|mid| mid + by);
        self.since = self.since.map(|mid| mid + by);
    }
}

/// The greatest error of the shape.
fn most(course: &Course) -> f64 {
    course.outline.abs() + DUST * course.kerf.abs()
}
