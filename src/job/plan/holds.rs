//! What stands at the rim of a region: open kerf and since when, tabs, skins.

use std::collections::BTreeMap;

use super::clip::Window;
use super::stroke::{Leaves, Stroke};

/// How far from the swept edge a rim may be and still belong to it, in mm.
const SLACK: f64 = 0.08;

/// The side of a cell of the index, in mm.
const CELL: f64 = 20.0;

/// The strokes' pieces by place.
#[derive(Debug)]
pub(super) struct Index {
    window: Window,
    pieces: Vec<Bit>,
    cells: BTreeMap<(i32, i32), Vec<u32>>,
}

#[derive(Clone, Copy, Debug)]
struct Bit {
    from: [f64; 2],
    to: [f64; 2],
    seconds: [f64; 2],
    line: u32,
    half: f64,
    left: f64,
    leaves: Leaves,
}

/// What covers a point of a rim.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Cover {
    pub(super) leaves: Leaves,
    /// When it was first cut.
    pub(super) seconds: f64,
    pub(super) line: u32,
    /// What stands over the board, in mm.
    pub(super) left: f64,
    /// How wide the stroke is, in mm.
    pub(super) width: f64,
}

impl Index {
    pub(super) fn of(strokes: &[Stroke], window: Window) -> Self {
        let mut index = Index { window, pieces: Vec::new(), cells: BTreeMap::new() };
        for stroke in strokes {
            if let [only] = stroke.points.as_slice() {
                index.add(stroke, only, only);
            }
            for ends in stroke.points.windows(2) {
                index.add(stroke, &ends[0], &ends[1]);
            }
        }
        index
    }

    fn add(&mut self, stroke: &Stroke, from: &super::stroke::StrokePoint, to: &super::stroke::StrokePoint) {
        let Some((enters, leaves)) = self.window.shares([from.x, from.y], [to.x, to.y]) else { return };
        let length = (to.x - from.x).hypot(to.y - from.y) * (leaves - enters);
        let steps = (length / CELL).ceil().max(1.0);
        let share = |step: f64| enters + (leaves - enters) * step / steps;
        let between = |from: f64, to: f64, step: f64| from + (to - from) * share(step);
        for step in 0..steps as u32 {
            let (begin, end) = (f64::from(step), f64::from(step + 1));
            self.insert(Bit {
                from: [between(from.x, to.x, begin), between(from.y, to.y, begin)],
                to: [between(from.x, to.x, end), between(from.y, to.y, end)],
                seconds: [between(from.seconds, to.seconds, begin), between(from.seconds, to.seconds, end)],
                line: to.line,
                half: stroke.width.millimetres() / 2.0,
                left: f64::from(from.left.max(to.left)),
                leaves: stroke.leaves,
            });
        }
    }

    fn insert(&mut self, piece: Bit) {
        let place = u32::try_from(self.pieces.len()).unwrap_or(u32::MAX);
        let reach = piece.half + SLACK;
        let range = |axis: usize| {
            let (low, high) = (piece.from[axis].min(piece.to[axis]), piece.from[axis].max(piece.to[axis]));
            cell(low - reach)..=cell(high + reach)
        };
        for column in range(0) {
            for row in range(1) {
                self.cells.entry((column, row)).or_default().push(place);
            }
        }
        self.pieces.push(piece);
    }

    /// What covers a point: what opens it first, else a tab, else a skin; none at the sheet's own edge.
    pub(super) fn cover(&self, x: f64, y: f64) -> Option<Cover> {
        let near = self.cells.get(&(cell(x), cell(y)))?;
        let covers = near.iter().filter_map(|place| self.pieces[*place as usize].cover(x, y));
        covers.min_by(|one, other| one.leaves.cmp(&other.leaves).then(one.seconds.total_cmp(&other.seconds)))
    }
}

fn cell(at: f64) -> i32 {
    (at / CELL).floor() as i32
}

impl Bit {
    fn cover(&self, x: f64, y: f64) -> Option<Cover> {
        let step = [self.to[0] - self.from[0], self.to[1] - self.from[1]];
        let square = step[0] * step[0] + step[1] * step[1];
        let along = (x - self.from[0]) * step[0] + (y - self.from[1]) * step[1];
        let share = if square > 0.0 { (along / square).clamp(0.0, 1.0) } else { 0.0 };
        let (px, py) = (self.from[0] + step[0] * share, self.from[1] + step[1] * share);
        let reach = self.half + SLACK;
        ((x - px).powi(2) + (y - py).powi(2) <= reach * reach).then(|| Cover {
            leaves: self.leaves,
            seconds: self.seconds[0] + (self.seconds[1] - self.seconds[0]) * share,
            line: self.line,
            left: self.left,
            width: 2.0 * self.half,
        })
    }
}

/// A point of a rim, with the direction out of the region.
#[derive(Clone, Copy, Debug)]
pub(super) struct RimPoint {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) outward: [f64; 2],
    /// The length of rim that it stands for, in mm.
    pub(super) length: f64,
}

/// How far apart points of a rim are taken, in mm.
const APART: f64 = 0.5;

/// Points along a closed ring that runs counterclockwise.
pub(super) fn rim(ring: &geo::LineString<f64>) -> Vec<RimPoint> {
    let mut points = Vec::new();
    let mut owed = 0.0;
    for line in ring.lines() {
        let (dx, dy) = (line.end.x - line.start.x, line.end.y - line.start.y);
        let length = dx.hypot(dy);
        owed += length;
        if owed < APART {
            continue;
        }
        let count = (length / APART).floor().max(1.0);
        let outward = [dy / length, -dx / length];
        for place in 0..count as usize {
            let share = (place as f64 + 0.5) / count;
            points.push(RimPoint {
                x: line.start.x + dx * share,
                y: line.start.y + dy * share,
                outward,
                length: owed / count,
            });
        }
        owed = 0.0;
    }
    points
}
