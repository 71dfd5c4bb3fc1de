//! What covers the board as outlines, and the edges where cover meets a wide opening.

use geo::orient::Direction;
use geo::{BooleanOps, Coord, LineString, MultiPolygon, Orient, Polygon, unary_union};

use super::surface::metres;
use crate::table::{Kerf, PartShape, Point, Table, TableLoad};
use crate::units::Length;

/// Edges within this of the board's rim are the rim, in metres.
const ON_RIM: f64 = 1e-6;

/// The covered part of the top face before any free-standing kerf.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Cover {
    region: MultiPolygon<f64>,
    length: f64,
    width: f64,
}

/// A straight edge, the cover on its left; metres.
#[derive(Clone, Copy, Debug)]
pub(super) struct Edge {
    /// Where it begins.
    pub from: (f64, f64),
    /// Where it ends.
    pub to: (f64, f64),
}

impl Cover {
    /// The sheets of `load` without the parts that are gone and the kerfs along these.
    pub(super) fn new(table: &Table, load: &TableLoad) -> Self {
        let (length, width) = (table.board.length.metres(), table.board.width.metres());
        let board = rectangle((0.0, 0.0), (length, width));
        // All at once: corners move by nanometres each time, and sheets that touch would part.
        let sheets = load.sheets.iter().map(|sheet| rectangle(metres(sheet.rect.low), metres(sheet.rect.high)));
        let sheets = unary_union(&sheets.collect::<Vec<_>>());
        let lost = load.parts.iter().filter(|part| part.lost).flat_map(|part| hole(part, &load.kerfs));
        let lost = unary_union(&lost.map(|piece| piece.orient(Direction::Default)).collect::<Vec<_>>());
        let region = sheets.intersection(&board).difference(&lost).orient(Direction::Default);
        Cover { region, length, width }
    }

    /// Its outlines: what to add (+1) and what to take off again (−1).
    pub(super) fn outlines(&self) -> Vec<(Vec<Point>, f64)> {
        let mut outlines = Vec::new();
        for polygon in &self.region {
            outlines.push((points(polygon.exterior()), 1.0));
            outlines.extend(polygon.interiors().iter().map(|ring| (points(ring), -1.0)));
        }
        outlines
    }

    /// Its edges against open board.
    pub(super) fn edges(&self) -> Vec<Edge> {
        let rings =
            self.region.iter().flat_map(|polygon| std::iter::once(polygon.exterior()).chain(polygon.interiors()));
        let edges = rings.flat_map(LineString::lines).map(|line| Edge { from: line.start.x_y(), to: line.end.x_y() });
        edges.filter(|edge| !self.on_rim(edge)).collect()
    }

    fn on_rim(&self, edge: &Edge) -> bool {
        let both = |at: fn((f64, f64)) -> f64, value: f64| {
            (at(edge.from) - value).abs() < ON_RIM && (at(edge.to) - value).abs() < ON_RIM
        };
        both(|p| p.0, 0.0) || both(|p| p.0, self.length) || both(|p| p.1, 0.0) || both(|p| p.1, self.width)
    }
}

impl Edge {
    fn direction(&self) -> (f64, f64) {
        let (dx, dy) = (self.to.0 - self.from.0, self.to.1 - self.from.1);
        let length = dx.hypot(dy);
        (dx / length, dy / length)
    }

    /// The unit vector square to it, into the cover.
    pub(super) fn normal(&self) -> (f64, f64) {
        let (ux, uy) = self.direction();
        (-uy, ux)
    }

    /// The point of it that is nearest to `point`.
    pub(super) fn nearest(&self, point: (f64, f64)) -> (f64, f64) {
        let (ux, uy) = self.direction();
        let (px, py) = (point.0 - self.from.0, point.1 - self.from.1);
        let length = (self.to.0 - self.from.0).hypot(self.to.1 - self.from.1);
        let along = (px * ux + py * uy).clamp(0.0, length);
        (self.from.0 + along * ux, self.from.1 + along * uy)
    }

    /// The distance from `point`.
    pub(super) fn distance(&self, point: (f64, f64)) -> f64 {
        let (x, y) = self.nearest(point);
        (point.0 - x).hypot(point.1 - y)
    }

    /// +1 if `point` lies on the covered side, −1 if not; nothing beyond the edge's ends.
    pub(super) fn side(&self, point: (f64, f64)) -> Option<f64> {
        let (ux, uy) = self.direction();
        let (px, py) = (point.0 - self.from.0, point.1 - self.from.1);
        let along = px * ux + py * uy;
        let length = (self.to.0 - self.from.0).hypot(self.to.1 - self.from.1);
        (0.0..=length).contains(&along).then(|| (ux * py - uy * px).signum())
    }
}

/// A lost part's footprint with the kerf pieces that run along it.
fn hole(part: &PartShape, kerfs: &[Kerf]) -> Vec<Polygon<f64>> {
    let footprint: Vec<(f64, f64)> = part.outline.iter().map(|point| metres(*point)).collect();
    let mut pieces = vec![Polygon::new(LineString::from(footprint.clone()), Vec::new())];
    for kerf in kerfs {
        let width = kerf.width.metres();
        for ends in kerf.path.windows(2) {
            let (from, to) = (metres(ends[0]), metres(ends[1]));
            if distance_to_outline(from, &footprint) < width && distance_to_outline(to, &footprint) < width {
                pieces.extend(strip(from, to, width));
            }
        }
    }
    pieces
}

fn distance_to_outline(point: (f64, f64), outline: &[(f64, f64)]) -> f64 {
    let next = outline.iter().cycle().skip(1);
    outline
        .iter()
        .zip(next)
        .map(|(from, to)| Edge { from: *from, to: *to }.distance(point))
        .fold(f64::INFINITY, f64::min)
}

/// A kerf piece with square ends half a width beyond its last points.
fn strip(from: (f64, f64), to: (f64, f64), width: f64) -> Option<Polygon<f64>> {
    let (dx, dy) = (to.0 - from.0, to.1 - from.1);
    let length = dx.hypot(dy);
    if length < 1e-9 {
        return None;
    }
    let (ux, uy) = (0.5 * width * dx / length, 0.5 * width * dy / length);
    let corners = [
        (from.0 - ux + uy, from.1 - uy - ux),
        (to.0 + ux + uy, to.1 + uy - ux),
        (to.0 + ux - uy, to.1 + uy + ux),
        (from.0 - ux - uy, from.1 - uy + ux),
    ];
    Some(Polygon::new(LineString::from(corners.to_vec()), Vec::new()))
}

fn rectangle(low: (f64, f64), high: (f64, f64)) -> Polygon<f64> {
    let corners = vec![low, (high.0, low.1), high, (low.0, high.1)];
    Polygon::new(LineString::from(corners), Vec::new())
}

pub(super) fn points(ring: &LineString<f64>) -> Vec<Point> {
    let open = ring.0.len().saturating_sub(1);
    ring.0[..open]
        .iter()
        .map(|&Coord { x, y }| Point { x: Length::from_metres(x), y: Length::from_metres(y) })
        .collect()
}
