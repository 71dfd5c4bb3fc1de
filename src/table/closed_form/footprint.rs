//! A part's footprint: how much of it the zones hold, and how well.

use super::beside::Reaches;
use super::mask::{Mask, bounds, edges};
use super::paint::Paint;
use super::strip::Strip;
use crate::table::{PartShape, Point, Rect, ZoneId};
use crate::units::{Area, Length};

/// A part as the zones hold it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Footprint {
    pub(super) area: Area,
    /// What remains of v on the mean.
    pub(super) held: f64,
    /// The share of its area over each zone.
    pub(super) over: Vec<(ZoneId, f64)>,
    pub(super) lost: bool,
}

impl Footprint {
    pub(super) fn of(part: &PartShape, paint: &Paint, reaches: &Reaches, strip: &Strip) -> Self {
        let area = area(part);
        let opened = opened_share(part, &paint.near);
        let (long, short) = sides(area, rims(part).map(|(from, to)| distance(from, to)).sum());
        let alone = strip.held_across(long) * strip.held_across(short);
        Footprint {
            area: Area::from_square_metres(area),
            held: (1.0 - opened * (1.0 - alone)) * strip.kept_by_sheet(),
            over: over_zones(part, reaches),
            lost: part.lost,
        }
    }
}

/// The share of a part's area over each zone that it touches.
fn over_zones(part: &PartShape, reaches: &Reaches) -> Vec<(ZoneId, f64)> {
    let Some(around) = bounds(&part.outline) else { return vec![] };
    let area = area(part);
    let inside = |rect: &Rect| {
        let openings = part.openings.iter().map(|opening| polygon_area(&clipped(opening, rect))).sum::<f64>();
        (polygon_area(&clipped(&part.outline, rect)) - openings).max(0.0)
    };
    let over = |rects: &[Rect]| rects.iter().filter(|rect| meet(rect, &around)).map(inside).sum::<f64>();
    reaches.iter().map(|(zone, rects)| (zone, over(rects) / area)).filter(|(_, share)| *share > 0.0).collect()
}

fn meet(one: &Rect, other: &Rect) -> bool {
    one.low.x < other.high.x && other.low.x < one.high.x && one.low.y < other.high.y && other.low.y < one.high.y
}

/// The sides of its outline and of its openings.
fn rims(part: &PartShape) -> impl Iterator<Item = (Point, Point)> {
    edges(&part.outline).chain(part.openings.iter().flat_map(|opening| edges(opening)))
}

/// How much of a part's rims runs through what is marked, from points some 5 mm apart.
fn opened_share(part: &PartShape, open: &Mask) -> f64 {
    let (mut inside, mut all) = (0_u32, 0_u32);
    for (from, to) in rims(part) {
        let (dx, dy) = (to.x - from.x, to.y - from.y);
        let steps = (distance(from, to) / 0.005).ceil().clamp(1.0, 10_000.0) as u32;
        for step in 0..steps {
            let share = (f64::from(step) + 0.5) / f64::from(steps);
            all += 1;
            inside += u32::from(open.holds(Point { x: from.x + dx * share, y: from.y + dy * share }));
        }
    }
    if all == 0 { 0.0 } else { f64::from(inside) / f64::from(all) }
}

/// The sides of the rectangle with this area and perimeter, which for a frame are its rail and the rail's length; of a rounder shape, the square with its ratio of the two.
fn sides(area: f64, perimeter: f64) -> (f64, f64) {
    let half = 0.25 * perimeter;
    let apart = half * half - area;
    if apart < 0.0 {
        return (area / half, area / half);
    }
    (half + apart.sqrt(), half - apart.sqrt())
}

fn distance(from: Point, to: Point) -> f64 {
    (to.x - from.x).metres().hypot((to.y - from.y).metres())
}

/// A part's area in m², its openings left out.
fn area(part: &PartShape) -> f64 {
    let openings: f64 = part.openings.iter().map(|opening| polygon_area(opening)).sum();
    (polygon_area(&part.outline) - openings).max(0.0)
}

fn polygon_area(outline: &[Point]) -> f64 {
    let twice: f64 = edges(outline).map(|(a, b)| a.x.metres() * b.y.metres() - b.x.metres() * a.y.metres()).sum();
    0.5 * twice.abs()
}

/// What of a polygon lies in a rectangle (Sutherland and Hodgman's clipping).
fn clipped(polygon: &[Point], rect: &Rect) -> Vec<Point> {
    let sides: [&dyn Fn(Point) -> Length; 4] =
        [&|point| point.x - rect.low.x, &|point| rect.high.x - point.x, &|point| point.y - rect.low.y, &|point| {
            rect.high.y - point.y
        }];
    sides.into_iter().fold(polygon.to_vec(), |polygon, inside| clipped_by(&polygon, inside))
}

fn clipped_by(polygon: &[Point], inside: impl Fn(Point) -> Length) -> Vec<Point> {
    let mut kept = Vec::with_capacity(polygon.len() + 2);
    for (from, to) in edges(polygon) {
        let (at_from, at_to) = (inside(from).metres(), inside(to).metres());
        if at_from >= 0.0 {
            kept.push(from);
        }
        if (at_from >= 0.0) != (at_to >= 0.0) {
            let share = at_from / (at_from - at_to);
            kept.push(Point { x: from.x + (to.x - from.x) * share, y: from.y + (to.y - from.y) * share });
        }
    }
    kept
}
