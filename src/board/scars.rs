//! Where the board is scarred, and how deep: every kerf that went into it since it was last skimmed.
//!
//! A map of square cells; a cell counts as scarred when the kerf's straight strokes pass over its middle, half a cell's width
//! allowed, so that no kerf falls between the cells.

use serde::{Deserialize, Serialize};

use crate::table::{Kerf, Point};
use crate::units::Length;

/// The side of a cell.
const CELL: f64 = 0.02;

/// A board's scars.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Scars {
    columns: usize,
    rows: usize,
    /// Depth in micrometres and passes, row after row.
    cells: Vec<(u32, u16)>,
    cut: Length,
}

impl Scars {
    /// A board of this size with a fresh face.
    pub fn none(length: Length, width: Length) -> Self {
        let cells = |length: Length| (length.metres() / CELL).ceil().clamp(1.0, 1000.0) as usize;
        let (columns, rows) = (cells(length), cells(width));
        Scars { columns, rows, cells: vec![(0, 0); columns * rows], cut: Length::ZERO }
    }

    /// A kerf went `depth` into the board.
    pub fn add(&mut self, kerf: &Kerf, depth: Length) {
        let microns = (depth.metres().max(0.0) * 1e6).round() as u32;
        let reach = 0.5 * kerf.width.metres() + 0.5 * CELL;
        let mut hit = vec![false; self.cells.len()];
        for stroke in kerf.path.windows(2) {
            self.cut = self.cut + length_of(stroke);
            self.mark(stroke, reach, &mut hit);
        }
        for (cell, _) in self.cells.iter_mut().zip(&hit).filter(|(_, hit)| **hit) {
            *cell = (cell.0.max(microns), cell.1.saturating_add(1));
        }
    }

    /// So much was taken off the face.
    pub fn skim(&mut self, depth: Length) {
        let microns = (depth.metres().max(0.0) * 1e6).round() as u32;
        for cell in &mut self.cells {
            cell.0 = cell.0.saturating_sub(microns);
            if cell.0 == 0 {
                cell.1 = 0;
            }
        }
        self.cut = Length::ZERO;
    }

    /// How far was cut since the last skim.
    pub fn cut(&self) -> Length {
        self.cut
    }

    /// The deepest scar and where it is; none on a fresh face.
    pub fn worst(&self) -> Option<(Length, Point)> {
        let (place, cell) = self.cells.iter().enumerate().max_by_key(|(place, cell)| (cell.0, usize::MAX - place))?;
        (cell.0 > 0).then(|| (Length::from_metres(f64::from(cell.0) * 1e-6), self.middle(place)))
    }

    /// The share of the face that is scarred.
    pub fn share(&self) -> f64 {
        self.cells.iter().filter(|cell| cell.0 > 0).count() as f64 / self.cells.len() as f64
    }

    /// The passes over the place most often cut.
    pub fn most_passes(&self) -> u16 {
        self.cells.iter().map(|cell| cell.1).max().unwrap_or(0)
    }

    fn middle(&self, place: usize) -> Point {
        let at = |cell: usize| Length::from_metres((cell as f64 + 0.5) * CELL);
        Point { x: at(place % self.columns), y: at(place / self.columns) }
    }

    fn mark(&self, stroke: &[Point], reach: f64, hit: &mut [bool]) {
        let range = |a: Length, b: Length, most: usize| {
            let (low, high) = (a.min(b).metres() - reach, a.max(b).metres() + reach);
            let low = (low / CELL).floor().max(0.0) as usize;
            low.min(most)..(((high / CELL).ceil()).max(0.0) as usize).min(most)
        };
        for row in range(stroke[0].y, stroke[1].y, self.rows) {
            for column in range(stroke[0].x, stroke[1].x, self.columns) {
                let place = row * self.columns + column;
                hit[place] |= distance(stroke, self.middle(place)) <= reach;
            }
        }
    }
}

fn length_of(stroke: &[Point]) -> Length {
    Length::from_metres((stroke[1].x - stroke[0].x).metres().hypot((stroke[1].y - stroke[0].y).metres()))
}

/// From a point to a straight stroke, in metres.
fn distance(stroke: &[Point], point: Point) -> f64 {
    let (along_x, along_y) = ((stroke[1].x - stroke[0].x).metres(), (stroke[1].y - stroke[0].y).metres());
    let (off_x, off_y) = ((point.x - stroke[0].x).metres(), (point.y - stroke[0].y).metres());
    let square = along_x * along_x + along_y * along_y;
    let share = if square > 0.0 { ((along_x * off_x + along_y * off_y) / square).clamp(0.0, 1.0) } else { 0.0 };
    (off_x - share * along_x).hypot(off_y - share * along_y)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mm(value: f64) -> Length {
        Length::from_millimetres(value)
    }

    fn kerf(points: &[(f64, f64)]) -> Kerf {
        Kerf { width: mm(6.0), path: points.iter().map(|(x, y)| Point { x: mm(*x), y: mm(*y) }).collect() }
    }

    /// By hand: a stroke of 1 m along the middle of a row of cells touches that row alone, a fiftieth of a board of 1 by 1 m.
    #[test]
    fn a_kerf_leaves_its_scar_where_it_went() {
        let mut scars = Scars::none(mm(1000.0), mm(1000.0));
        assert_eq!((scars.worst(), scars.share()), (None, 0.0));
        scars.add(&kerf(&[(0.0, 510.0), (1000.0, 510.0)]), mm(0.3));
        assert!((scars.share() - 1.0 / 50.0).abs() < 1e-12, "{}", scars.share());
        scars.add(&kerf(&[(110.0, 510.0), (110.0, 910.0), (310.0, 910.0)]), mm(0.5));
        let (depth, place) = scars.worst().unwrap();
        assert!((depth.millimetres() - 0.5).abs() < 1e-9);
        assert!((place.x.millimetres() - 110.0).abs() <= 10.0 && place.y.millimetres() >= 490.0);
        assert!((scars.cut().metres() - 1.6).abs() < 1e-9);
        assert_eq!(scars.most_passes(), 2);
    }

    #[test]
    fn a_skim_takes_scars_away_down_to_its_depth() {
        let mut scars = Scars::none(mm(1000.0), mm(1000.0));
        scars.add(&kerf(&[(0.0, 510.0), (1000.0, 510.0)]), mm(0.3));
        scars.add(&kerf(&[(510.0, 0.0), (510.0, 1000.0)]), mm(0.8));
        scars.skim(mm(0.5));
        assert!((scars.worst().unwrap().0.millimetres() - 0.3).abs() < 1e-9);
        assert!((scars.share() - 1.0 / 50.0).abs() < 1e-12);
        scars.skim(mm(0.5));
        assert_eq!((scars.worst(), scars.most_passes(), scars.cut()), (None, 0, Length::ZERO));
    }

    #[test]
    fn a_kerf_beside_the_board_and_a_board_without_size_do_no_harm() {
        let mut scars = Scars::none(Length::ZERO, mm(f64::NAN));
        scars.add(&kerf(&[(-500.0, -500.0), (-100.0, 9e9)]), mm(f64::NAN));
        assert_eq!(scars.worst(), None);
    }
}
