//! What lies under the sheet: the board, how thick it is, and what in it a cutter must not meet.

use serde::{Deserialize, Serialize};

use super::stroke::At;
use crate::table::Point;
use crate::units::Length;

/// What an obstacle is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ObstacleKind {
    /// A screw or bolt that holds the board down.
    Screw,
    /// A groove, slot or hole under the board's face: what is cut into it leaks for good.
    Groove,
}

/// Something in the board that a cut must stay above.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Obstacle {
    /// What it is.
    pub kind: ObstacleKind,
    /// One end of its middle line on the table.
    pub from: Point,
    /// The other end; the same for a screw.
    pub to: Point,
    /// How wide it is.
    pub width: Length,
    /// How far below the board's top it begins.
    pub below: Length,
}

/// The board as the setup tells it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Bed {
    /// How thick it is; a card that says it has the last word.
    pub thickness: Option<Length>,
    /// What in it a cutter must not meet.
    pub obstacles: Vec<Obstacle>,
}

impl Obstacle {
    /// How deep into the board a straight piece of a cut goes where it meets the obstacle, in mm; none if it stays clear.
    pub(super) fn met(&self, from: &At, to: &At, width: f64) -> Option<f64> {
        let below = self.below.millimetres();
        if -from.over.min(to.over) <= below {
            return None;
        }
        let reach = 0.5 * (width + self.width.millimetres());
        let place = |point: Point| [point.x.millimetres(), point.y.millimetres()];
        let (low, high) = (place(self.from), place(self.to));
        let (begin, end) = ([from.x, from.y], [to.x, to.y]);
        let outside = (0..2).any(|axis| {
            begin[axis].max(end[axis]) + reach < low[axis].min(high[axis])
                || begin[axis].min(end[axis]) - reach > low[axis].max(high[axis])
        });
        if outside {
            return None;
        }
        // Where the piece is within reach it is so in one stretch; its deeper end decides.
        let near = |share: f64| {
            let at = [0, 1].map(|axis| begin[axis] + (end[axis] - begin[axis]) * share);
            distance_to(at, low, high) <= reach
        };
        let depth = |share: f64| -(from.over + (to.over - from.over) * share);
        let steps = ((end[0] - begin[0]).hypot(end[1] - begin[1]) / (0.25 * reach).max(0.1)).ceil().clamp(1.0, 1e5);
        let deepest = (0..=steps as u32).map(|step| f64::from(step) / steps).filter(|share| near(*share)).map(depth);
        deepest.max_by(f64::total_cmp).filter(|depth| *depth > below)
    }
}

fn distance_to(at: [f64; 2], low: [f64; 2], high: [f64; 2]) -> f64 {
    let step = [high[0] - low[0], high[1] - low[1]];
    let square = step[0] * step[0] + step[1] * step[1];
    let along = (at[0] - low[0]) * step[0] + (at[1] - low[1]) * step[1];
    let share = if square > 0.0 { (along / square).clamp(0.0, 1.0) } else { 0.0 };
    (at[0] - low[0] - step[0] * share).hypot(at[1] - low[1] - step[1] * share)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(x: f64, y: f64, depth: f64) -> At {
        At { x, y, over: -depth, seconds: 0.0, line: 1 }
    }

    #[test]
    fn a_cut_meets_what_it_reaches_and_is_deep_enough_for() {
        let mm = Length::from_millimetres;
        let point = |x, y| Point { x: mm(x), y: mm(y) };
        let groove = Obstacle {
            kind: ObstacleKind::Groove,
            from: point(100.0, 0.0),
            to: point(100.0, 500.0),
            width: mm(8.0),
            below: mm(5.0),
        };
        // Plane geometry, no source needed: a 6 mm cutter reaches 7 mm from the groove's middle line.
        for (from, to, expected) in [
            (at(0.0, 200.0, 6.0), at(300.0, 200.0, 6.0), Some(6.0)),
            (at(0.0, 200.0, 5.0), at(300.0, 200.0, 5.0), None),
            (at(107.2, 0.0, 9.0), at(107.2, 500.0, 9.0), None),
            (at(106.9, 0.0, 9.0), at(106.9, 500.0, 9.0), Some(9.0)),
            (at(100.0, 507.1, 9.0), at(100.0, 600.0, 9.0), None),
            (at(100.0, 300.0, 9.0), at(100.0, 300.0, 0.0), Some(9.0)),
        ] {
            assert_eq!(groove.met(&from, &to, 6.0), expected, "{from:?} {to:?}");
        }
        // A ramp from 0 to 10 mm over 200 mm is some 5.35 mm deep where it leaves the groove's reach.
        let ramp = groove.met(&at(0.0, 200.0, 0.0), &at(200.0, 200.0, 10.0), 6.0).unwrap();
        assert!((ramp - 5.35).abs() < 0.1, "{ramp}");
    }
}
