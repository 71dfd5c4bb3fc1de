//! What a sheet falls into when the strokes are taken out of it.

use std::collections::BTreeMap;

use geo::algorithm::buffer::{Buffer, BufferStyle, LineCap, LineJoin};
use geo::{
    Area as _, BooleanOps, BoundingRect, Centroid, Contains, LineString, MultiLineString, MultiPoint, Polygon, Rect,
    Simplify, coord,
};

use super::stock::Stock;
use super::stroke::Stroke;

/// How far a path may be straightened before it is swept, in mm.
const STRAIGHTENED: f64 = 0.01;

/// The angle of the chords of a round end, in radians: a circle loses 0.07 % of its area.
const ROUND: f64 = 0.13;

/// Less than this is no region but a rest of the reckoning, in mm².
const LEAST_AREA: f64 = 0.5;

/// A region of the sheet that no stroke covers, in mm on the table.
#[derive(Clone, Debug)]
pub(super) struct Region {
    pub(super) polygon: Polygon<f64>,
    pub(super) bounds: Rect<f64>,
    pub(super) area: f64,
    pub(super) centroid: [f64; 2],
}

impl Region {
    pub(super) fn of(polygon: Polygon<f64>) -> Option<Self> {
        let (bounds, area, centroid) = (polygon.bounding_rect()?, polygon.unsigned_area(), polygon.centroid()?);
        (area > LEAST_AREA).then_some(Region { polygon, bounds, area, centroid: [centroid.x(), centroid.y()] })
    }

    /// Whether a point lies in it.
    pub(super) fn holds(&self, x: f64, y: f64) -> bool {
        let (low, high) = (self.bounds.min(), self.bounds.max());
        x >= low.x && x <= high.x && y >= low.y && y <= high.y && self.polygon.contains(&geo::Point::new(x, y))
    }
}

/// The sheet without the strokes.
pub(super) fn regions(strokes: &[Stroke], stock: &Stock) -> Vec<Region> {
    let mut left = geo::MultiPolygon::new(vec![sheet(stock).to_polygon()]);
    for gone in &stock.missing {
        let corners = gone.iter().map(|corner| coord! { x: corner.x.millimetres(), y: corner.y.millimetres() });
        left = left.difference(&Polygon::new(LineString::from_iter(corners), vec![]));
    }
    for (width, strokes) in by_width(strokes) {
        let style =
            BufferStyle::new(width as f64 * 0.5e-3).line_cap(LineCap::Round(ROUND)).line_join(LineJoin::Round(ROUND));
        let paths: Vec<LineString<f64>> =
            strokes.iter().filter(|stroke| stroke.points.len() > 1).map(|stroke| path(stroke)).collect();
        let plunges: Vec<geo::Point<f64>> = strokes
            .iter()
            .filter(|stroke| stroke.points.len() == 1)
            .map(|stroke| geo::Point::new(stroke.points[0].x, stroke.points[0].y))
            .collect();
        if !paths.is_empty() {
            left = left.difference(&MultiLineString::new(paths).buffer_with_style(style.clone()));
        }
        if !plunges.is_empty() {
            left = left.difference(&MultiPoint::new(plunges).buffer_with_style(style));
        }
    }
    left.into_iter().filter_map(Region::of).collect()
}

pub(super) fn sheet(stock: &Stock) -> Rect<f64> {
    let (low, high) = (stock.sheet.low, stock.sheet.high);
    Rect::new(
        coord! { x: low.x.millimetres(), y: low.y.millimetres() },
        coord! { x: high.x.millimetres(), y: high.y.millimetres() },
    )
}

/// Strokes of one width together, in micrometres.
fn by_width(strokes: &[Stroke]) -> BTreeMap<u64, Vec<&Stroke>> {
    let mut widths: BTreeMap<u64, Vec<&Stroke>> = BTreeMap::new();
    for stroke in strokes {
        widths.entry((stroke.width.millimetres() * 1000.0).round() as u64).or_default().push(stroke);
    }
    widths
}

fn path(stroke: &Stroke) -> LineString<f64> {
    let path = LineString::from_iter(stroke.points.iter().map(|point| coord! { x: point.x, y: point.y }));
    path.simplify(STRAIGHTENED)
}
