//! A patch of table as a mask of small square cells, for areas of overlapping shapes.

use crate::table::{Point, Rect};
use crate::units::{Area, Length};

/// Which cells of a board are marked.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Mask {
    columns: usize,
    rows: usize,
    words: usize,
    bits: Vec<u64>,
}

/// The side of a cell.
const CELL: f64 = 0.002;

impl Mask {
    /// Nothing marked on a board that reaches to `high`.
    pub(crate) fn new(high: Point) -> Self {
        let cells = |extent: Length| index(extent.metres(), usize::MAX).max(1);
        let (columns, rows) = (cells(high.x), cells(high.y));
        let words = columns.div_ceil(64);
        Mask { columns, rows, words, bits: vec![0; words * rows] }
    }

    /// Marks or unmarks a rectangle.
    pub(crate) fn set_rect(&mut self, rect: &Rect, marked: bool) {
        let (first, last) = self.columns_of(rect.low.x.metres(), rect.high.x.metres());
        let rows = self.rows_of(rect);
        for (word, bits) in runs(first, last) {
            for cells in self.words_of(rows.clone(), word) {
                *cells = if marked { *cells | bits } else { *cells & !bits };
            }
        }
    }

    /// Marks a polygon, closed without its last point repeated, by the even-odd rule.
    pub(crate) fn fill(&mut self, polygon: &[Point]) {
        let Some(around) = bounds(polygon) else { return };
        let mut crossings = Vec::new();
        for row in self.rows_of(&around) {
            let y = (row as f64 + 0.5) * CELL;
            crossings.clear();
            crossings.extend(edges(polygon).filter_map(|(from, to)| crossing_at(from, to, y)));
            crossings.sort_by(f64::total_cmp);
            for pair in crossings.chunks_exact(2) {
                let (first, last) = self.columns_of(pair[0], pair[1]);
                for (word, bits) in runs(first, last) {
                    self.bits[row * self.words + word] |= bits;
                }
            }
        }
    }

    /// How much of a rectangle is marked.
    pub(crate) fn area_in(&self, rect: &Rect) -> Area {
        let (first, last) = self.columns_of(rect.low.x.metres(), rect.high.x.metres());
        let rows = self.rows_of(rect);
        let count = |(word, bits): (usize, u64)| -> u32 {
            rows.clone().map(|row| (self.bits[row * self.words + word] & bits).count_ones()).sum()
        };
        let cells: u32 = runs(first, last).map(count).sum();
        Area::from_square_metres(f64::from(cells) * CELL * CELL)
    }

    /// Whether a point is marked; not outside the board.
    pub(crate) fn holds(&self, point: Point) -> bool {
        let (x, y) = (point.x.metres() / CELL, point.y.metres() / CELL);
        let inside = x >= 0.0 && y >= 0.0 && x < self.columns as f64 && y < self.rows as f64;
        inside && self.bits[y as usize * self.words + x as usize / 64] >> (x as usize % 64) & 1 == 1
    }

    fn columns_of(&self, from: f64, to: f64) -> (usize, usize) {
        (index(from, self.columns), index(to, self.columns))
    }

    fn rows_of(&self, rect: &Rect) -> std::ops::Range<usize> {
        index(rect.low.y.metres(), self.rows)..index(rect.high.y.metres(), self.rows)
    }

    /// One word of each of some rows.
    fn words_of(&mut self, rows: std::ops::Range<usize>, word: usize) -> impl Iterator<Item = &mut u64> {
        let rows = rows.start.min(rows.end)..rows.end;
        self.bits[rows.start * self.words..rows.end * self.words].iter_mut().skip(word).step_by(self.words)
    }
}

/// The number of cells whose middles lie below `metres`, at most `most`.
fn index(metres: f64, most: usize) -> usize {
    // A float that is negative, NaN or too great becomes the nearest number there is.
    ((metres / CELL).round() as usize).min(most)
}

/// The words that columns `first..last` touch, with the bits in them.
fn runs(first: usize, last: usize) -> impl Iterator<Item = (usize, u64)> {
    (first / 64..last.div_ceil(64)).filter(move |_| first < last).map(move |word| {
        let low = if word == first / 64 { u64::MAX << (first % 64) } else { u64::MAX };
        let high = if word == last / 64 { !(u64::MAX << (last % 64)) } else { u64::MAX };
        (word, low & high)
    })
}

/// A polygon's edges, the last one back to the first point.
pub(crate) fn edges(polygon: &[Point]) -> impl Iterator<Item = (Point, Point)> {
    polygon.iter().copied().zip(polygon.iter().copied().cycle().skip(1))
}

/// The smallest rectangle about points; `None` about none.
pub(crate) fn bounds(points: &[Point]) -> Option<Rect> {
    let first = *points.first()?;
    Some(points.iter().fold(Rect { low: first, high: first }, |around, point| Rect {
        low: Point { x: around.low.x.min(point.x), y: around.low.y.min(point.y) },
        high: Point { x: around.high.x.max(point.x), y: around.high.y.max(point.y) },
    }))
}

fn crossing_at(from: Point, to: Point, y: f64) -> Option<f64> {
    let (y0, y1) = (from.y.metres(), to.y.metres());
    ((y0 <= y) != (y1 <= y)).then(|| from.x.metres() + (to.x.metres() - from.x.metres()) * (y - y0) / (y1 - y0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(x: f64, y: f64) -> Point {
        Point { x: Length::from_metres(x), y: Length::from_metres(y) }
    }

    fn area(mask: &Mask) -> f64 {
        mask.area_in(&Rect::from_metres(-1.0, -1.0, 9.0, 9.0)).square_metres()
    }

    #[test]
    fn overlapping_shapes_count_once() {
        let mut mask = Mask::new(point(2.44, 1.22));
        mask.set_rect(&Rect::from_metres(0.1, 0.1, 0.5, 0.3), true);
        mask.set_rect(&Rect::from_metres(0.3, 0.2, 0.7, 0.4), true);
        assert!((area(&mask) - 0.14).abs() < 1e-9);
        mask.set_rect(&Rect::from_metres(0.3, 0.2, 0.5, 0.3), false);
        assert!((area(&mask) - 0.12).abs() < 1e-9);
    }

    #[test]
    fn what_lies_off_the_board_is_cut_away() {
        let mut mask = Mask::new(point(1.0, 1.0));
        mask.set_rect(&Rect::from_metres(-1.0, 0.9, 0.1, 2.0), true);
        assert!((area(&mask) - 0.01).abs() < 1e-9);
        assert!(mask.holds(point(0.05, 0.95)) && !mask.holds(point(-0.05, 0.95)) && !mask.holds(point(0.05, 1.95)));
    }

    /// A disc of a thousand corners against πr².
    #[test]
    fn a_polygon_has_its_area_to_a_cell_of_its_rim() {
        let mut mask = Mask::new(point(1.0, 1.0));
        let turn = |k: i32| std::f64::consts::TAU * f64::from(k) / 1000.0;
        let disc: Vec<Point> = (0..1000).map(|k| point(0.5 + 0.3 * turn(k).cos(), 0.5 + 0.3 * turn(k).sin())).collect();
        mask.fill(&disc);
        let expected = std::f64::consts::PI * 0.09;
        assert!((area(&mask) - expected).abs() < 0.002 * expected, "{}", area(&mask));
    }
}
