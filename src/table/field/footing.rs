//! The cells that press a part down, and what of the openings beside it counts to it.

use std::collections::BTreeMap;

use geo::algorithm::buffer::Buffer;
use geo::{LineString, Polygon};

use super::coverage::Patch;
use super::edges::{Edge, points};
use super::grid::Grid;
use super::surface::{Surface, metres};
use crate::table::{PartShape, Point};
use crate::units::Length;

/// How far the v beside an edge reaches into the opening, in cells.
const SPILL: f64 = 1.5;
/// How far from a kerf's rim its slope is taken, in cells.
const SLOPE_CELLS: f64 = 1.25;
/// How far the other side of an opening is sought, in half cells.
const MOST_STEPS: u8 = 8;

impl Surface {
    /// The cells that press `part` down, with their areas in m²; `v` is the field at a cell's top node.
    ///
    /// The grid spreads a kerf's flux beyond the kerf, so beside it v is a little low; but the board's total ∫v is right, and the
    /// exact v in the kerf is nothing: what the grid has there is just what it lacks on both sides. So each side is given
    /// its share of the kerf, in proportion to the v that slopes down to it. Where the kerf's floor resists, what v stands on it is its own.
    pub(super) fn footing(&self, part: &PartShape, v: &dyn Fn(usize) -> f64) -> Vec<(usize, f64)> {
        let area = self.grid.cell_area();
        let own = self.own(part);
        let mut footing: BTreeMap<usize, f64> = BTreeMap::new();
        for (column, row, share) in own.cells() {
            let cell = row * self.grid.nx + column;
            footing.insert(cell, (share * area).min(self.sheeted[cell] - self.kerfed[cell]));
        }
        let outline = rims(part);
        let around = self.around(&own);
        let widest = around.iter().map(|cell| self.widths[*cell]).fold(0.0, f64::max);
        for (cell, beside) in self.beside(part, &own, 0.5 * widest) {
            let kerfed = beside.clamp(0.0, self.kerfed[cell]);
            let lent = 1.0 - self.floored[cell] / self.kerfed[cell].max(f64::MIN_POSITIVE);
            let taken = if kerfed > 0.0 { kerfed * lent * self.slope_share(&outline, cell, v) } else { 0.0 };
            *footing.entry(cell).or_insert(0.0) += taken;
        }
        if around.iter().any(|cell| self.spilt[*cell] > 0.0) {
            for (cell, beside) in self.beside(part, &own, SPILL * self.grid.hx.max(self.grid.hy)) {
                if self.spilt[cell] > 0.0 && !self.kerf_between(&outline, cell) {
                    *footing.entry(cell).or_insert(0.0) += beside.clamp(0.0, self.spilt[cell]);
                }
            }
        }
        footing.into_iter().filter(|(_, area)| *area > 0.0).collect()
    }

    /// The shares of cells that are the part's own.
    fn own(&self, part: &PartShape) -> Patch {
        let mut own = self.patch(&part.outline);
        part.openings.iter().for_each(|opening| own.take_off(&self.patch(opening)));
        own
    }

    /// The area of each cell within `reach` of `part` that is not its own.
    fn beside(&self, part: &PartShape, own: &Patch, reach: f64) -> Vec<(usize, f64)> {
        if reach <= 0.0 {
            return Vec::new();
        }
        let area = self.grid.cell_area();
        let mut wider = self.patch(&offset(&part.outline, reach));
        for opening in part.openings.iter().flat_map(|opening| drawn_in(opening, reach)) {
            wider.take_off(&self.patch(&opening));
        }
        let rest = |(column, row, share): (usize, usize, f64)| {
            (row * self.grid.nx + column, (share - own.share(column, row)) * area)
        };
        wider.cells().map(rest).filter(|(_, area)| *area > 0.0).collect()
    }

    /// Whether a kerf runs between the part and an opening beside it, whose v then belongs to what lies beyond the kerf.
    fn kerf_between(&self, outline: &[Edge], cell: usize) -> bool {
        let middle = self.middle(cell);
        let foot = nearest(outline, middle).map_or(middle, |edge| edge.nearest(middle));
        let steps = (0..=4).map(|step| f64::from(step) / 4.0);
        let at = |share: f64| (foot.0 + share * (middle.0 - foot.0), foot.1 + share * (middle.1 - foot.1));
        steps.map(|share| self.cell_at(at(share))).any(|cell| self.widths[cell] > 0.0)
    }

    /// Twice the share of v's slope towards the kerf in `cell` that comes from inside the `outline`: 1 where both sides are alike.
    fn slope_share(&self, outline: &[Edge], cell: usize, v: &dyn Fn(usize) -> f64) -> f64 {
        let middle = self.middle(cell);
        let Some(edge) = nearest(outline, middle) else { return 1.0 };
        let ((foot_x, foot_y), (out_x, out_y)) = (edge.nearest(middle), edge.normal());
        let cell_at = |away: f64| self.cell_at((foot_x + away * out_x, foot_y + away * out_y));
        let (width, side) = (self.widths[cell], self.grid.hx.max(self.grid.hy));
        let is_kerf = |away: &f64| self.kerfed[cell_at(*away)] > 0.5 * self.grid.cell_area();
        // Kerfs side by side are one opening.
        let farther = (0..MOST_STEPS).map(|step| width + 0.5 * side * f64::from(step));
        let across = farther.take_while(is_kerf).last().unwrap_or(width);
        let at = |away: f64| v(cell_at(away)).max(0.0);
        let (inside, outside) = (at(-SLOPE_CELLS * side), at(across + SLOPE_CELLS * side));
        if inside + outside > 0.0 { 2.0 * inside / (inside + outside) } else { 1.0 }
    }

    /// The cells of `patch` and one cell around it.
    fn around(&self, patch: &Patch) -> Vec<usize> {
        let rows = patch.rows.start.saturating_sub(1)..(patch.rows.end + 1).min(self.grid.ny);
        let columns = patch.columns.start.saturating_sub(1)..(patch.columns.end + 1).min(self.grid.nx);
        rows.flat_map(|row| columns.clone().map(move |column| row * self.grid.nx + column)).collect()
    }

    /// The middle of a cell, in metres.
    pub(super) fn middle(&self, cell: usize) -> (f64, f64) {
        let Grid { nx, hx, hy, .. } = self.grid;
        (((cell % nx) as f64 + 0.5) * hx, ((cell / nx) as f64 + 0.5) * hy)
    }

    /// The cell at or nearest to a point in metres.
    fn cell_at(&self, (x, y): (f64, f64)) -> usize {
        let Grid { nx, ny, hx, hy, .. } = self.grid;
        let place =
            |value: f64, side: f64, count: usize| (value / side).floor().clamp(0.0, count as f64 - 1.0) as usize;
        place(y, hy, ny) * nx + place(x, hx, nx)
    }
}

/// The side of an outline that is nearest to a point.
fn nearest(outline: &[Edge], point: (f64, f64)) -> Option<&Edge> {
    outline.iter().min_by(|a, b| a.distance(point).total_cmp(&b.distance(point)))
}

/// A closed outline moved outwards, its corners kept sharp up to four times the distance.
fn offset(outline: &[Point], distance: f64) -> Vec<Point> {
    let corners: Vec<(f64, f64)> = outline.iter().map(|point| metres(*point)).collect();
    let next = |at: usize| corners[(at + 1) % corners.len()];
    let doubled: f64 = (0..corners.len()).map(|at| corners[at].0 * next(at).1 - corners[at].1 * next(at).0).sum();
    let outwards = distance * doubled.signum();
    let normal = |at: usize| {
        let (dx, dy) = (next(at).0 - corners[at].0, next(at).1 - corners[at].1);
        let length = dx.hypot(dy).max(f64::MIN_POSITIVE);
        (dy / length, -dx / length)
    };
    let corner = |at: usize| {
        let (a, b) = (normal((at + corners.len() - 1) % corners.len()), normal(at));
        let stretch = outwards / (1.0 + a.0 * b.0 + a.1 * b.1).max(0.125);
        let (x, y) = (corners[at].0 + stretch * (a.0 + b.0), corners[at].1 + stretch * (a.1 + b.1));
        Point { x: Length::from_metres(x), y: Length::from_metres(y) }
    };
    (0..corners.len()).map(corner).collect()
}

/// What is left of a closed outline farther than `distance` inside it.
fn drawn_in(outline: &[Point], distance: f64) -> Vec<Vec<Point>> {
    let ring = LineString::from_iter(outline.iter().map(|point| metres(*point)));
    Polygon::new(ring, vec![]).buffer(-distance).iter().map(|left| points(left.exterior())).collect()
}

/// The sides of a part's outline and of its openings, so turned that their normals point out of the part.
fn rims(part: &PartShape) -> Vec<Edge> {
    let back = |edge: Edge| Edge { from: edge.to, to: edge.from };
    let openings = part.openings.iter().flat_map(|opening| outwards(opening)).map(back);
    outwards(&part.outline).into_iter().chain(openings).collect()
}

/// The sides of a closed outline, so turned that their normals point out of it.
fn outwards(outline: &[Point]) -> Vec<Edge> {
    let corners: Vec<(f64, f64)> = outline.iter().map(|point| metres(*point)).collect();
    let next = |at: usize| corners[(at + 1) % corners.len()];
    let doubled: f64 = (0..corners.len()).map(|at| corners[at].0 * next(at).1 - corners[at].1 * next(at).0).sum();
    let side = |at: usize| {
        let (from, to) = (corners[at], next(at));
        if doubled > 0.0 { Edge { from: to, to: from } } else { Edge { from, to } }
    };
    (0..corners.len()).map(side).filter(|edge| edge.from != edge.to).collect()
}
