//! Outlines that are nearly closed: pieces that would come free but for a gap in their cut.
//!
//! From every loose end of the cut a bridge is laid to what it may have been meant to meet: the far end of its own path, the next
//! cut before it, or the sheet's edge. What the bridges part from a region is an open outline, if they are a small share of its rim.
//! The region itself stays whole: nothing is taken as cut that the program does not cut.

use std::collections::BTreeMap;

use geo::algorithm::buffer::{Buffer, BufferStyle, LineCap};
use geo::{BooleanOps, Euclidean, Intersects, Length as _, LineString, MultiLineString, MultiPolygon, coord};
use serde::{Deserialize, Serialize};

use super::Warning;
use super::regions::{Region, sheet};
use super::stock::Stock;
use super::stroke::Stroke;
use crate::table::Point;
use crate::units::{Area, Length};

/// Strokes whose ends are so near to each other are one path, in mm.
const JOINED: f64 = 0.5;

/// The greatest share of a piece's rim that may be missing.
const MISSING: f64 = 0.3;

/// An open outline is at least so many squares of the cutter's width.
const LEAST_SQUARES: f64 = 4.0;

/// The cosine of the angle within which another cut, or the edge, lies before a loose end.
const BEFORE: f64 = 0.5;

/// The most loose ends that are looked at.
const MOST_ENDS: usize = 2000;

/// The side of a cell of the index, in mm.
const CELL: f64 = 20.0;

/// A gap in an outline.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Gap {
    /// The line whose cut ends, or begins, at it.
    pub line: u64,
    /// What is left standing between the cut and what it should meet.
    pub length: Length,
    /// Its middle on the table.
    pub at: Point,
}

/// A piece that stays with the sheet because its outline is not closed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OpenOutline {
    /// Its outline as it would be.
    pub outline: Vec<Point>,
    /// Its area.
    pub area: Area,
    /// Its gaps, the widest first; at least one.
    pub gaps: Vec<Gap>,
}

impl OpenOutline {
    /// What someone should look at.
    pub(super) fn warning(&self) -> Option<Warning> {
        let gap = self.gaps.first()?;
        Some(Warning::OpenOutline { line: gap.line, gap: gap.length, at: gap.at, area: self.area })
    }
}

/// The open outlines, by the line of their widest gap.
pub(super) fn open_outlines(strokes: &[Stroke], regions: &[Region], stock: &Stock) -> Vec<OpenOutline> {
    let bridges = bridges(strokes, stock);
    let mut found: Vec<OpenOutline> = Vec::new();
    for region in regions {
        let near: Vec<&Bridge> = bridges.iter().filter(|bridge| bridge.may_touch(region)).collect();
        if !near.is_empty() {
            found.extend(parted(region, &near));
        }
    }
    found.sort_by_key(|open| open.gaps.first().map_or(0, |gap| gap.line));
    found
}

/// What the bridges part from a region, but for the greatest piece, which the others would come out of.
fn parted(region: &Region, bridges: &[&Bridge]) -> Vec<OpenOutline> {
    let mut left = MultiPolygon::new(vec![region.polygon.clone()]);
    let mut widths: BTreeMap<u64, Vec<LineString<f64>>> = BTreeMap::new();
    for bridge in bridges {
        widths.entry((bridge.width * 1000.0).round() as u64).or_default().push(bridge.line_string());
    }
    for (width, lines) in widths {
        let style = BufferStyle::new(width as f64 * 0.5e-3).line_cap(LineCap::Round(0.2));
        left = left.difference(&MultiLineString::new(lines).buffer_with_style(style));
    }
    let mut pieces: Vec<Region> = left.into_iter().filter_map(Region::of).collect();
    pieces.sort_by(|one, other| other.area.total_cmp(&one.area));
    pieces.iter().skip(1).filter_map(|piece| open_outline(piece, bridges)).collect()
}

fn open_outline(piece: &Region, bridges: &[&Bridge]) -> Option<OpenOutline> {
    let beside: Vec<&&Bridge> = bridges.iter().filter(|bridge| bridge.touches(piece)).collect();
    let missing: f64 = beside.iter().map(|bridge| bridge.length()).sum();
    let widest = beside.iter().map(|bridge| bridge.width).fold(0.0, f64::max);
    let rim = Euclidean.length(piece.polygon.exterior());
    if beside.is_empty() || missing > MISSING * rim || piece.area < LEAST_SQUARES * widest * widest {
        return None;
    }
    let mut gaps: Vec<Gap> = beside.iter().map(|bridge| bridge.gap()).collect();
    gaps.sort_by(|one, other| other.length.metres().total_cmp(&one.length.metres()).then(one.line.cmp(&other.line)));
    let outline = piece.polygon.exterior().0.iter().skip(1).map(|at| point([at.x, at.y])).collect();
    Some(OpenOutline { outline, area: Area::from_square_metres(piece.area * 1e-6), gaps })
}

fn point([x, y]: [f64; 2]) -> Point {
    Point { x: Length::from_millimetres(x), y: Length::from_millimetres(y) }
}

/// From a loose end to what it may have been meant to meet.
#[derive(Clone, Debug)]
struct Bridge {
    from: [f64; 2],
    to: [f64; 2],
    width: f64,
    /// What stands between the swept edges, in mm.
    gap: f64,
    line: u32,
}

impl Bridge {
    fn length(&self) -> f64 {
        distance(self.from, self.to)
    }

    fn line_string(&self) -> LineString<f64> {
        [self.from, self.to].iter().map(|at| coord! { x: at[0], y: at[1] }).collect()
    }

    fn reach(&self, more: f64) -> geo::Rect<f64> {
        let (x0, x1) = (self.from[0].min(self.to[0]), self.from[0].max(self.to[0]));
        let (y0, y1) = (self.from[1].min(self.to[1]), self.from[1].max(self.to[1]));
        geo::Rect::new(coord! { x: x0 - more, y: y0 - more }, coord! { x: x1 + more, y: y1 + more })
    }

    fn may_touch(&self, region: &Region) -> bool {
        self.reach(self.width).intersects(&region.bounds)
    }

    /// Whether it is a stretch of a piece's rim.
    fn touches(&self, piece: &Region) -> bool {
        let style = BufferStyle::new(self.width * 0.5 + 0.1).line_cap(LineCap::Butt);
        self.may_touch(piece) && self.line_string().buffer_with_style(style).intersects(&piece.polygon)
    }

    fn gap(&self) -> Gap {
        let at = [0, 1].map(|axis| 0.5 * (self.from[axis] + self.to[axis]));
        Gap { line: u64::from(self.line), length: Length::from_millimetres(self.gap), at: point(at) }
    }
}

fn distance(one: [f64; 2], other: [f64; 2]) -> f64 {
    (one[0] - other[0]).hypot(one[1] - other[1])
}

/// Strokes that go on from each other.
#[derive(Debug, Default)]
struct Chain {
    points: Vec<[f64; 2]>,
    /// The way from its beginning to each point, in mm.
    along: Vec<f64>,
    /// The line, and the width, of the piece that ends at each point.
    lines: Vec<u32>,
    widths: Vec<f64>,
}

impl Chain {
    fn extend(&mut self, stroke: &Stroke) {
        let width = stroke.width.millimetres();
        for at in &stroke.points {
            let next = [at.x, at.y];
            let way = self.points.last().map_or(0.0, |last| distance(*last, next));
            if self.points.is_empty() || way > 1e-6 {
                self.along.push(self.along.last().copied().unwrap_or(0.0) + way);
                self.points.push(next);
                self.lines.push(at.line);
                self.widths.push(width);
            }
        }
    }

    fn end(&self) -> Option<[f64; 2]> {
        self.points.last().copied()
    }

    fn length(&self) -> f64 {
        self.along.last().copied().unwrap_or(0.0)
    }

    /// Both its ends, with the way out of it.
    fn ends(&self, chain: usize) -> [Option<End>; 2] {
        let end = |place: usize, inner: usize, piece: usize, along: f64| {
            let (at, before) = (*self.points.get(place)?, *self.points.get(inner)?);
            let length = distance(at, before);
            let way = [(at[0] - before[0]) / length, (at[1] - before[1]) / length];
            Some(End { chain, at, way, along, width: *self.widths.get(piece)?, line: *self.lines.get(piece)? })
        };
        let last = self.points.len().wrapping_sub(1);
        [end(0, 1, 1, 0.0), end(last, last.wrapping_sub(1), last, self.length())]
    }
}

/// An end of a chain.
#[derive(Clone, Copy, Debug)]
struct End {
    chain: usize,
    at: [f64; 2],
    way: [f64; 2],
    /// The way from its chain's beginning.
    along: f64,
    width: f64,
    line: u32,
}

/// What an end may have been meant to meet.
#[derive(Clone, Copy, Debug)]
struct Met {
    to: [f64; 2],
    gap: f64,
}

impl End {
    /// The nearest point of a piece of cut.
    fn met(&self, from: [f64; 2], to: [f64; 2], width: f64) -> (Met, f64) {
        let step = [to[0] - from[0], to[1] - from[1]];
        let square = step[0] * step[0] + step[1] * step[1];
        let along = (self.at[0] - from[0]) * step[0] + (self.at[1] - from[1]) * step[1];
        let share = if square > 0.0 { (along / square).clamp(0.0, 1.0) } else { 0.0 };
        let near = [from[0] + step[0] * share, from[1] + step[1] * share];
        (Met { to: near, gap: distance(self.at, near) - 0.5 * (self.width + width) }, share)
    }

    fn lies_before(&self, met: &Met) -> bool {
        let away = distance(self.at, met.to);
        let ahead = (met.to[0] - self.at[0]) * self.way[0] + (met.to[1] - self.at[1]) * self.way[1];
        ahead >= BEFORE * away
    }

    /// The nearest place of its own path that is far away along it.
    fn own(&self, chain: &Chain) -> Option<Met> {
        let pieces = 1..chain.points.len();
        let met = pieces.filter_map(|place| {
            let (met, share) = self.met(chain.points[place - 1], chain.points[place], chain.widths[place]);
            let along = chain.along[place - 1] + (chain.along[place] - chain.along[place - 1]) * share;
            let way = (along - self.along).abs();
            (way >= (2.0 * distance(self.at, met.to)).max(3.0 * self.width)).then_some(met)
        });
        met.min_by(|one, other| one.gap.total_cmp(&other.gap))
    }

    /// The sheet's edge before it; a gap of nothing beyond it.
    fn edge(&self, sheet: &geo::Rect<f64>) -> Met {
        let (low, high) = (sheet.min(), sheet.max());
        let [x, y] = self.at;
        let sides = [
            (x - low.x, [low.x - self.width, y]),
            (high.x - x, [high.x + self.width, y]),
            (y - low.y, [x, low.y - self.width]),
            (high.y - y, [x, high.y + self.width]),
        ];
        let mets = sides.map(|(away, to)| Met { to, gap: away - 0.5 * self.width });
        let nearest = mets.into_iter().filter(|met| met.gap <= 0.0 || self.lies_before(met));
        let none = Met { to: self.at, gap: f64::INFINITY };
        nearest.min_by(|one, other| one.gap.total_cmp(&other.gap)).unwrap_or(none)
    }

    fn bridge(&self, met: Met) -> Bridge {
        Bridge { from: self.at, to: met.to, width: self.width, gap: met.gap, line: self.line }
    }
}

fn bridges(strokes: &[Stroke], stock: &Stock) -> Vec<Bridge> {
    let (chains, sheet) = (chains(strokes), sheet(stock));
    let farthest = stock.longest_tab.millimetres();
    let ends = chains.iter().enumerate().flat_map(|(place, chain)| chain.ends(place)).flatten();
    let loose: Vec<(End, Option<Met>, Met)> = ends
        .filter_map(|end| {
            let (own, edge) = (end.own(&chains[end.chain]), end.edge(&sheet));
            let met = own.is_some_and(|met| met.gap <= 0.0) || edge.gap <= 0.0;
            (!met).then_some((end, own, edge))
        })
        .take(MOST_ENDS)
        .collect();
    if loose.is_empty() {
        return Vec::new();
    }
    let index = Index::of(&chains);
    let mut bridges = Vec::new();
    for (end, own, edge) in loose {
        let Some(other) = index.nearest(&chains, &end, farthest) else { continue };
        let next = if other.gap <= edge.gap { other } else { edge };
        own.map(|met| end.bridge(met)).into_iter().for_each(|bridge| lay(&mut bridges, bridge));
        if next.gap <= farthest {
            lay(&mut bridges, end.bridge(next));
        }
    }
    bridges
}

/// Adds a bridge unless it is laid already from its other end; the later line, where the cut ends, is told.
fn lay(bridges: &mut Vec<Bridge>, bridge: Bridge) {
    let near = |one: [f64; 2], other: [f64; 2]| distance(one, other) < JOINED;
    let same = bridges.iter_mut().find(|laid| {
        near(laid.from, bridge.to) && near(laid.to, bridge.from)
            || near(laid.from, bridge.from) && near(laid.to, bridge.to)
    });
    match same {
        Some(laid) => laid.line = laid.line.max(bridge.line),
        None => bridges.push(bridge),
    }
}

fn chains(strokes: &[Stroke]) -> Vec<Chain> {
    let cell = |at: [f64; 2]| at.map(|axis| axis.floor() as i64);
    let mut chains: Vec<Chain> = Vec::new();
    let mut ends: BTreeMap<[i64; 2], Vec<usize>> = BTreeMap::new();
    let mut ordered: Vec<&Stroke> = strokes.iter().filter(|stroke| stroke.points.len() > 1).collect();
    ordered.sort_by(|one, other| one.points[0].seconds.total_cmp(&other.points[0].seconds));
    for stroke in ordered {
        let start = [stroke.points[0].x, stroke.points[0].y];
        let [column, row] = cell(start);
        let near = (column - 1..=column + 1).flat_map(|column| (row - 1..=row + 1).map(move |row| [column, row]));
        let goes_on = near
            .filter_map(|cell| ends.get(&cell))
            .flatten()
            .copied()
            .find(|chain| chains[*chain].end().is_some_and(|end| distance(end, start) < JOINED));
        let place = goes_on.unwrap_or_else(|| {
            chains.push(Chain::default());
            chains.len() - 1
        });
        if let Some(before) = chains[place].end()
            && let Some(there) = ends.get_mut(&cell(before))
        {
            there.retain(|chain| *chain != place);
        }
        chains[place].extend(stroke);
        if let Some(end) = chains[place].end() {
            ends.entry(cell(end)).or_default().push(place);
        }
    }
    chains
}

/// The chains' pieces by place.
struct Index {
    cells: BTreeMap<(i32, i32), Vec<(u32, u32)>>,
    widest: f64,
}

impl Index {
    fn of(chains: &[Chain]) -> Self {
        let mut index = Index { cells: BTreeMap::new(), widest: 0.0 };
        for (chain, number) in chains.iter().zip(0..) {
            for (place, piece) in (1..chain.points.len()).zip(1..) {
                index.widest = index.widest.max(chain.widths[place]);
                let (from, to) = (chain.points[place - 1], chain.points[place]);
                let steps = (distance(from, to) / (0.5 * CELL)).ceil().clamp(1.0, 10_000.0);
                let mut last = None;
                for step in 0..=steps as u32 {
                    let share = f64::from(step) / steps;
                    let cell = (cell(from[0] + (to[0] - from[0]) * share), cell(from[1] + (to[1] - from[1]) * share));
                    if last != Some(cell) {
                        index.cells.entry(cell).or_default().push((number, piece));
                        last = Some(cell);
                    }
                }
            }
        }
        index
    }

    /// The nearest place of another chain before an end; none if the end already meets one.
    fn nearest(&self, chains: &[Chain], end: &End, farthest: f64) -> Option<Met> {
        let reach = farthest + 0.5 * (end.width + self.widest) + 0.5 * CELL;
        let range = |axis: usize| cell(end.at[axis] - reach)..=cell(end.at[axis] + reach);
        let mut nearest = Met { to: end.at, gap: f64::INFINITY };
        for column in range(0) {
            for row in range(1) {
                for (number, piece) in self.cells.get(&(column, row)).into_iter().flatten() {
                    let (other, place) = (&chains[*number as usize], *piece as usize);
                    if *number as usize == end.chain {
                        continue;
                    }
                    let (met, _) = end.met(other.points[place - 1], other.points[place], other.widths[place]);
                    if met.gap <= 0.0 {
                        return None;
                    }
                    if met.gap < nearest.gap && end.lies_before(&met) {
                        nearest = met;
                    }
                }
            }
        }
        Some(nearest)
    }
}

fn cell(at: f64) -> i32 {
    (at / CELL).floor() as i32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strokes_that_go_on_from_each_other_are_one_chain() {
        use super::super::stroke::{Leaves, StrokePoint};
        let stroke = |points: &[[f64; 2]], seconds: f64| Stroke {
            leaves: Leaves::Nothing,
            width: Length::from_millimetres(6.0),
            points: points.iter().map(|at| StrokePoint { x: at[0], y: at[1], seconds, line: 1, left: 0.0 }).collect(),
        };
        let strokes = [
            stroke(&[[100.0, 0.0], [100.0, 100.0]], 2.0),
            stroke(&[[0.0, 0.0], [99.8, 0.0]], 1.0),
            stroke(&[[200.0, 0.0], [300.0, 0.0]], 3.0),
        ];
        let found = chains(&strokes);
        assert_eq!(found.len(), 2);
        assert!((found[0].length() - 200.0).abs() < 0.5);
    }
}
