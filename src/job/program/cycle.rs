//! Drilling cycles, written out as moves.
//!
//! NISTIR 6556, 3.5.16: XY plane; R, Z, P and Q stay in force from line to line of a cycle; L repeats it; in incremental mode R counts
//! from where the cutter stands and Z from R; `G98` goes back to the height before the cycle if that is above R, `G99` to R.

use super::codes::Drill;

/// How far a chip-breaking peck draws back, and how far above the last depth a peck goes on at its feed, in mm (NISTIR 6556,
/// 3.5.16.4, takes 0.254 mm).
const BACK: f64 = 0.254;

/// The most pecks of one hole.
const MOST_PECKS: f64 = 10_000.0;

/// The numbers of a cycle that stay in force, in mm and seconds.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Sticky {
    pub(super) bottom: Option<f64>,
    pub(super) clear: Option<f64>,
    pub(super) peck: Option<f64>,
    pub(super) wait: Option<f64>,
}

/// One hole: heights in mm, the wait in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Hole {
    pub(super) clear: f64,
    pub(super) bottom: f64,
    pub(super) peck: Option<f64>,
    pub(super) wait: Option<f64>,
    /// To where the cutter goes back at the end.
    pub(super) back_to: f64,
}

/// A stroke along z.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Stroke {
    Rapid(f64),
    Feed(f64),
    Wait(f64),
}

impl Hole {
    /// How many strokes it takes; too many are not drilled.
    pub(super) fn has_too_many_pecks(&self) -> bool {
        self.peck.is_some_and(|peck| (self.clear - self.bottom) / peck > MOST_PECKS)
    }

    /// The strokes from the clear height on.
    pub(super) fn strokes(&self, drill: Drill) -> Vec<Stroke> {
        let mut strokes = match drill {
            Drill::Pecking => self.pecks(|_| self.clear),
            Drill::ChipBreaking => self.pecks(|depth| depth + BACK),
            Drill::Plain
            | Drill::Dwelling
            | Drill::Tapping
            | Drill::Reaming
            | Drill::Boring
            | Drill::ReamingWithDwell => vec![Stroke::Feed(self.bottom)],
        };
        if let Some(wait) = self.wait {
            strokes.push(Stroke::Wait(wait));
        }
        match drill {
            Drill::Tapping | Drill::Reaming | Drill::ReamingWithDwell => strokes.push(Stroke::Feed(self.clear)),
            Drill::Plain | Drill::Dwelling | Drill::Pecking | Drill::ChipBreaking | Drill::Boring => {
                strokes.push(Stroke::Rapid(self.clear));
            }
        }
        if self.back_to > self.clear {
            strokes.push(Stroke::Rapid(self.back_to));
        }
        strokes
    }

    fn pecks(&self, back_from: impl Fn(f64) -> f64) -> Vec<Stroke> {
        let Some(peck) = self.peck else { return vec![Stroke::Feed(self.bottom)] };
        let mut strokes = Vec::new();
        let mut depth = self.clear;
        loop {
            let next = (depth - peck).max(self.bottom);
            strokes.push(Stroke::Feed(next));
            if next <= self.bottom {
                return strokes;
            }
            depth = next;
            strokes.push(Stroke::Rapid(back_from(depth).min(self.clear)));
            if back_from(depth) > depth + BACK {
                strokes.push(Stroke::Rapid((depth + BACK).min(self.clear)));
            }
        }
    }
}
