//! Where the board is scarred, and how deep: every kerf that went into it since it was last skimmed.
//!
//! A map of square cells; a cell counts as scarred when the kerf's straight strokes pass over its middle, half a cell's width
//! allowed, so that no kerf falls between the cells.

use std::io::{Read, Write};

use flate2::Compression;
use flate2::read::DeflateDecoder;
use flate2::write::DeflateEncoder;
use serde::{Deserialize, Serialize};

use crate::table::{Kerf, Point};
use crate::units::Length;

/// The side of a cell.
const CELL: f64 = 0.02;
/// The unit in which depths are kept, in metres.
const DEPTH: f64 = 1e-5;

/// A board's scars. The map is kept packed, since it changes once a sheet and is written down far more often.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Scars {
    columns: u16,
    rows: u16,
    /// The cells' depths and passes, row after row, deflated; empty for a face without a scar.
    #[serde(with = "packed")]
    cells: Vec<u8>,
    cut: Length,
}

/// A cell: depth in [`DEPTH`], and passes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Cell {
    depth: u16,
    passes: u16,
}

/// How the face stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Face {
    /// How far was cut since the last skim.
    pub cut: Length,
    /// The deepest scar and where it is; none on a fresh face.
    pub worst: Option<(Length, Point)>,
    /// The share of the face that is scarred.
    pub share: f64,
    /// The passes over the place most often cut.
    pub most_passes: u16,
}

impl Scars {
    /// A board of this size with a fresh face.
    pub fn none(length: Length, width: Length) -> Self {
        let cells = |length: Length| (length.metres() / CELL).ceil().clamp(1.0, 1000.0) as u16;
        Scars { columns: cells(length), rows: cells(width), cells: Vec::new(), cut: Length::ZERO }
    }

    /// The same board's size with a fresh face.
    #[must_use]
    pub fn fresh(&self) -> Self {
        Scars { cells: Vec::new(), cut: Length::ZERO, ..*self }
    }

    /// Whether it is the map of a board of this size.
    pub fn fits(&self, length: Length, width: Length) -> bool {
        let fresh = Scars::none(length, width);
        (self.columns, self.rows) == (fresh.columns, fresh.rows)
    }

    /// Kerfs went `depth` into the board.
    pub fn add(&mut self, kerfs: &[Kerf], depth: Length) {
        let depth = (depth.metres().max(0.0) / DEPTH).round() as u16;
        let mut cells = self.unpacked();
        let mut hit = vec![false; cells.len()];
        for kerf in kerfs {
            let reach = 0.5 * kerf.width.metres() + 0.5 * CELL;
            hit.fill(false);
            for stroke in kerf.path.windows(2) {
                self.cut = self.cut + length_of(stroke);
                self.mark(stroke, reach, &mut hit);
            }
            for (cell, _) in cells.iter_mut().zip(&hit).filter(|(_, hit)| **hit) {
                *cell = Cell { depth: cell.depth.max(depth), passes: cell.passes.saturating_add(1) };
            }
        }
        self.pack(&cells);
    }

    /// So much was taken off the face.
    pub fn skim(&mut self, depth: Length) {
        let depth = (depth.metres().max(0.0) / DEPTH).round() as u16;
        let mut cells = self.unpacked();
        for cell in &mut cells {
            cell.depth = cell.depth.saturating_sub(depth);
            if cell.depth == 0 {
                cell.passes = 0;
            }
        }
        self.cut = Length::ZERO;
        self.pack(&cells);
    }

    /// How far was cut since the last skim.
    pub fn cut(&self) -> Length {
        self.cut
    }

    /// How the face stands.
    pub fn face(&self) -> Face {
        let cells = self.unpacked();
        let worst = cells.iter().enumerate().max_by_key(|(place, cell)| (cell.depth, usize::MAX - place));
        let worst = worst.filter(|(_, cell)| cell.depth > 0);
        Face {
            cut: self.cut,
            worst: worst.map(|(place, cell)| (Length::from_metres(f64::from(cell.depth) * DEPTH), self.middle(place))),
            share: cells.iter().filter(|cell| cell.depth > 0).count() as f64 / cells.len() as f64,
            most_passes: cells.iter().map(|cell| cell.passes).max().unwrap_or(0),
        }
    }

    /// The deepest scar of each square of `side` cells, in millimetres, row after row, with the squares in a row: a coarse map to look at.
    pub fn coarse(&self, side: u16) -> (usize, Vec<f32>) {
        let (side, columns) = (usize::from(side.max(1)), usize::from(self.columns));
        let (across, down) = (columns.div_ceil(side), usize::from(self.rows).div_ceil(side));
        let mut squares = vec![0.0_f32; across * down];
        for (place, cell) in self.unpacked().iter().enumerate() {
            let square = &mut squares[place / columns / side * across + place % columns / side];
            *square = square.max(f32::from(cell.depth) * (DEPTH * 1e3) as f32);
        }
        (across, squares)
    }

    fn count(&self) -> usize {
        usize::from(self.columns) * usize::from(self.rows)
    }

    /// The cells; those of a map that cannot be read are whole.
    fn unpacked(&self) -> Vec<Cell> {
        let mut cells = vec![Cell::default(); self.count()];
        let mut bytes = Vec::new();
        let most = 4 * self.count();
        let read = DeflateDecoder::new(self.cells.as_slice()).take(most as u64).read_to_end(&mut bytes);
        if self.cells.is_empty() || read.is_err() || bytes.len() != most {
            return cells;
        }
        let count = cells.len();
        for (place, cell) in cells.iter_mut().enumerate() {
            let pair =
                |plane: usize| u16::from_le_bytes([bytes[plane * count + place], bytes[(plane + 1) * count + place]]);
            *cell = Cell { depth: pair(0), passes: pair(2) };
        }
        cells
    }

    /// Byte by byte in four planes, in which the rows of a grid of parts repeat.
    fn pack(&mut self, cells: &[Cell]) {
        self.cells.clear();
        if cells.iter().all(|cell| *cell == Cell::default()) {
            return;
        }
        let plane = |of: fn(&Cell) -> u8| cells.iter().map(of).collect::<Vec<u8>>();
        let planes = [
            plane(|cell| cell.depth.to_le_bytes()[0]),
            plane(|cell| cell.depth.to_le_bytes()[1]),
            plane(|cell| cell.passes.to_le_bytes()[0]),
            plane(|cell| cell.passes.to_le_bytes()[1]),
        ];
        let mut encoder = DeflateEncoder::new(Vec::new(), Compression::best());
        // Writing into memory cannot fail.
        if encoder.write_all(&planes.concat()).is_ok() {
            self.cells = encoder.finish().unwrap_or_default();
        }
    }

    fn middle(&self, place: usize) -> Point {
        let at = |cell: usize| Length::from_metres((cell as f64 + 0.5) * CELL);
        let columns = usize::from(self.columns);
        Point { x: at(place % columns), y: at(place / columns) }
    }

    fn mark(&self, stroke: &[Point], reach: f64, hit: &mut [bool]) {
        let range = |a: Length, b: Length, most: u16| {
            let most = usize::from(most);
            let (low, high) = (a.min(b).metres() - reach, a.max(b).metres() + reach);
            let low = (low / CELL).floor().max(0.0) as usize;
            low.min(most)..(((high / CELL).ceil()).max(0.0) as usize).min(most)
        };
        for row in range(stroke[0].y, stroke[1].y, self.rows) {
            for column in range(stroke[0].x, stroke[1].x, self.columns) {
                let place = row * usize::from(self.columns) + column;
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

/// Bytes as bytes, and as text by RFC 4648 where people read.
mod packed {
    use base64::Engine;
    use base64::engine::general_purpose::STANDARD_NO_PAD;
    use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error};

    pub(super) fn serialize<S: Serializer>(bytes: &[u8], out: S) -> Result<S::Ok, S::Error> {
        if out.is_human_readable() { STANDARD_NO_PAD.encode(bytes).serialize(out) } else { bytes.serialize(out) }
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<u8>, D::Error> {
        if from.is_human_readable() {
            STANDARD_NO_PAD.decode(String::deserialize(from)?).map_err(D::Error::custom)
        } else {
            Vec::deserialize(from)
        }
    }
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
        assert_eq!(scars.face(), Face::default());
        scars.add(&[kerf(&[(0.0, 510.0), (1000.0, 510.0)])], mm(0.3));
        assert!((scars.face().share - 1.0 / 50.0).abs() < 1e-12, "{}", scars.face().share);
        scars.add(&[kerf(&[(110.0, 510.0), (110.0, 910.0), (310.0, 910.0)])], mm(0.5));
        let (depth, place) = scars.face().worst.unwrap();
        assert!((depth.millimetres() - 0.5).abs() < 1e-9);
        assert!((place.x.millimetres() - 110.0).abs() <= 10.0 && place.y.millimetres() >= 490.0);
        assert!((scars.cut().metres() - 1.6).abs() < 1e-9);
        assert_eq!(scars.face().most_passes, 2);
    }

    #[test]
    fn a_skim_takes_scars_away_down_to_its_depth() {
        let mut scars = Scars::none(mm(1000.0), mm(1000.0));
        scars.add(&[kerf(&[(0.0, 510.0), (1000.0, 510.0)])], mm(0.3));
        scars.add(&[kerf(&[(510.0, 0.0), (510.0, 1000.0)])], mm(0.8));
        scars.skim(mm(0.5));
        assert!((scars.face().worst.unwrap().0.millimetres() - 0.3).abs() < 1e-9);
        assert!((scars.face().share - 1.0 / 50.0).abs() < 1e-12);
        scars.skim(mm(0.5));
        assert_eq!((scars.face().worst, scars.face().most_passes, scars.cut()), (None, 0, Length::ZERO));
    }

    #[test]
    fn a_kerf_beside_the_board_and_a_board_without_size_do_no_harm() {
        let mut scars = Scars::none(Length::ZERO, mm(f64::NAN));
        scars.add(&[kerf(&[(-500.0, -500.0), (-100.0, 9e9)])], mm(f64::NAN));
        assert_eq!(scars.face().worst, None);
    }

    fn written(scars: &Scars) -> usize {
        let bytes = postcard::to_stdvec(scars).unwrap();
        assert_eq!(&postcard::from_bytes::<Scars>(&bytes).unwrap(), scars);
        let text = serde_json::to_string(scars).unwrap();
        assert_eq!(&serde_json::from_str::<Scars>(&text).unwrap(), scars);
        bytes.len().max(text.len())
    }

    /// A full board of 2.44 by 1.22 m, which the state of a whole watch is written down with every few minutes.
    #[test]
    fn a_map_costs_few_bytes_when_it_is_written_down() {
        let mut scars = Scars::none(mm(2440.0), mm(1220.0));
        assert!(written(&scars) < 100, "{}", written(&scars));
        scars.add(&[kerf(&[(100.0, 100.0), (700.0, 100.0), (700.0, 500.0), (100.0, 500.0), (100.0, 100.0)])], mm(0.2));
        assert!(written(&scars) < 400, "{}", written(&scars));
        for part in 0..40 {
            let (x, y) = (40.0 + 290.0 * f64::from(part % 8), 40.0 + 230.0 * f64::from(part / 8));
            let outline = [(x, y), (x + 280.0, y), (x + 280.0, y + 220.0), (x, y + 220.0), (x, y)];
            scars.add(&[kerf(&outline)], mm(0.2));
        }
        assert!(written(&scars) < 2000, "{}", written(&scars));
    }

    #[test]
    fn a_map_that_cannot_be_read_is_a_fresh_face_and_not_a_fault() {
        let mut scars = Scars::none(mm(1000.0), mm(1000.0));
        scars.add(&[kerf(&[(0.0, 510.0), (1000.0, 510.0)])], mm(0.3));
        scars.cells.truncate(4);
        assert_eq!(scars.face().worst, None);
        scars.skim(mm(0.1));
        assert_eq!(scars.face(), Face::default());
    }
}
