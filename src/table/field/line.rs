//! Straight pieces of kerfs and seams.

use crate::table::Point;
use crate::units::Length;

/// Lengths that differ by less are the same, in metres.
const SAME: f64 = 1e-6;
/// Kerfs whose middle lines lie within this share of their width of each other are one.
const SAME_LINE: f64 = 0.2;

/// A straight piece of a kerf or seam, in metres.
#[derive(Clone, Debug)]
pub(super) struct Line {
    /// Where it begins.
    pub from: (f64, f64),
    /// Where it ends.
    pub to: (f64, f64),
    /// The unit vector square to it.
    pub normal: (f64, f64),
}

impl Line {
    /// Between two points, lengthened by `before` and `after`; none if they coincide.
    pub(super) fn new(from: (f64, f64), to: (f64, f64), before: f64, after: f64) -> Option<Self> {
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        let length = dx.hypot(dy);
        if length < 1e-9 {
            return None;
        }
        let (ux, uy) = (dx / length, dy / length);
        Some(Line {
            from: (from.0 - ux * before, from.1 - uy * before),
            to: (to.0 + ux * after, to.1 + uy * after),
            normal: (-uy, ux),
        })
    }

    /// The same line, `length` longer at both ends.
    pub(super) fn lengthened(&self, length: f64) -> Line {
        let along = (self.normal.1 * length, -self.normal.0 * length);
        Line {
            from: (self.from.0 - along.0, self.from.1 - along.1),
            to: (self.to.0 + along.0, self.to.1 + along.1),
            normal: self.normal,
        }
    }

    /// The point halfway.
    pub(super) fn middle(&self) -> (f64, f64) {
        (0.5 * (self.from.0 + self.to.0), 0.5 * (self.from.1 + self.to.1))
    }

    /// How far `point` lies to its left.
    pub(super) fn offset(&self, point: (f64, f64)) -> f64 {
        (point.0 - self.from.0) * self.normal.0 + (point.1 - self.from.1) * self.normal.1
    }

    /// The rectangle `width` wide around it.
    pub(super) fn strip(&self, width: f64) -> [Point; 4] {
        let (ox, oy) = (0.5 * width * self.normal.0, 0.5 * width * self.normal.1);
        let corner = |end: (f64, f64), side: f64| Point {
            x: Length::from_metres(end.0 + side * ox),
            y: Length::from_metres(end.1 + side * oy),
        };
        [corner(self.from, -1.0), corner(self.to, -1.0), corner(self.to, 1.0), corner(self.from, 1.0)]
    }

    /// The pieces of it that no kerf as wide runs along yet, so that a second pass opens nothing twice.
    pub(super) fn uncut(&self, width: f64, cut: &[(Line, f64)]) -> Vec<Line> {
        let along = (self.normal.1, -self.normal.0);
        let place = |point: (f64, f64)| (point.0 - self.from.0) * along.0 + (point.1 - self.from.1) * along.1;
        let mut left: Vec<(f64, f64)> = vec![(0.0, place(self.to))];
        for (other, _) in cut.iter().filter(|(_, other_width)| *other_width >= width - SAME) {
            if [other.from, other.to].iter().any(|end| self.offset(*end).abs() > SAME_LINE * width) {
                continue;
            }
            let (a, b) = (place(other.from), place(other.to));
            let (low, high) = (a.min(b), a.max(b));
            left = left
                .into_iter()
                .flat_map(|(start, end)| [(start, end.min(low)), (start.max(high), end)])
                .filter(|(start, end)| end - start > SAME)
                .collect();
        }
        let at = |distance: f64| (self.from.0 + along.0 * distance, self.from.1 + along.1 * distance);
        left.into_iter().filter_map(|(start, end)| Line::new(at(start), at(end), 0.0, 0.0)).collect()
    }
}
