//! The exact area that a polygon covers in each cell of a grid.
//!
//! Every edge of the outline adds the signed area between itself and the right end of its row of cells; a running sum along
//! the row then gives each cell's covered area. No point is sampled, so the total area is exact to rounding.

use std::ops::Range;

/// Values for a rectangle of cells.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Patch {
    /// Columns.
    pub columns: Range<usize>,
    /// Rows.
    pub rows: Range<usize>,
    /// Row after row: the share of each cell that is covered.
    pub shares: Vec<f64>,
}

impl Patch {
    /// The share of one cell.
    pub(super) fn share(&self, column: usize, row: usize) -> f64 {
        if !self.columns.contains(&column) || !self.rows.contains(&row) {
            return 0.0;
        }
        self.shares[(row - self.rows.start) * self.columns.len() + column - self.columns.start]
    }

    /// Takes off what `other` covers.
    pub(super) fn take_off(&mut self, other: &Patch) {
        let width = self.columns.len();
        for (column, row, share) in other.cells() {
            if self.columns.contains(&column) && self.rows.contains(&row) {
                let left = &mut self.shares[(row - self.rows.start) * width + column - self.columns.start];
                *left = (*left - share).max(0.0);
            }
        }
    }

    /// The cells with a share above zero: column, row, share.
    pub(super) fn cells(&self) -> impl Iterator<Item = (usize, usize, f64)> + '_ {
        let width = self.columns.len().max(1);
        self.shares
            .iter()
            .enumerate()
            .filter(|(_, share)| **share > 1e-12)
            .map(move |(at, share)| (self.columns.start + at % width, self.rows.start + at / width, *share))
    }
}

/// The share that `outline`, in units of cells, covers in each cell of a grid of `nx` by `ny`.
///
/// The outline is closed by itself, turns either way and must not cross itself; what lies off the grid is left out.
pub(super) fn coverage(outline: &[(f64, f64)], nx: usize, ny: usize) -> Patch {
    let columns = span(outline.iter().map(|point| point.0), nx);
    let rows = span(outline.iter().map(|point| point.1), ny);
    if columns.is_empty() || rows.is_empty() {
        return Patch::default();
    }
    let mut sweep = Sweep { columns: columns.clone(), rows: rows.clone(), sums: Vec::new() };
    sweep.sums = vec![0.0; rows.len() * (columns.len() + 1)];
    for (at, &from) in outline.iter().enumerate() {
        sweep.edge(from, outline[(at + 1) % outline.len()]);
    }
    Patch { shares: sweep.shares(), columns, rows }
}

/// The cells between the least and the greatest of `values`, held to 0..count.
fn span(values: impl Iterator<Item = f64> + Clone, count: usize) -> Range<usize> {
    let low = values.clone().fold(f64::INFINITY, f64::min).floor().clamp(0.0, count as f64);
    let high = values.fold(f64::NEG_INFINITY, f64::max).ceil().clamp(0.0, count as f64);
    low as usize..(high as usize).max(low as usize)
}

/// The signed area to the right of each edge, as differences along the rows.
struct Sweep {
    columns: Range<usize>,
    rows: Range<usize>,
    sums: Vec<f64>,
}

impl Sweep {
    fn edge(&mut self, from: (f64, f64), to: (f64, f64)) {
        let (sign, low, high) = if from.1 < to.1 { (1.0, from, to) } else { (-1.0, to, from) };
        let slope = (high.0 - low.0) / (high.1 - low.1);
        let first = (low.1.max(0.0) as usize).max(self.rows.start);
        for row in first..(high.1.max(0.0).ceil() as usize).min(self.rows.end) {
            let (bottom, top) = (low.1.max(row as f64), high.1.min(row as f64 + 1.0));
            if bottom < top {
                let at = |y: f64| low.0 + (y - low.1) * slope;
                self.row_piece(row, at(bottom), at(top), sign * (top - bottom));
            }
        }
    }

    /// One edge within one row, from `x0` to `x1`, of the signed height `rise`.
    fn row_piece(&mut self, row: usize, x0: f64, x1: f64, rise: f64) {
        let (left, right) = (x0.min(x1), x0.max(x1));
        if right - left < 1e-12 {
            self.cell_piece(row, left.floor(), left, rise);
            return;
        }
        let mut start = left;
        while start < right {
            let cell = start.floor();
            let end = right.min(cell + 1.0);
            self.cell_piece(row, cell, 0.5 * (start + end), rise * (end - start) / (right - left));
            start = end;
        }
    }

    /// One edge within one cell, whose middle lies at `middle`.
    fn cell_piece(&mut self, row: usize, cell: f64, middle: f64, rise: f64) {
        let width = self.columns.len();
        let base = (row - self.rows.start) * (width + 1);
        let column = cell - self.columns.start as f64;
        if column < 0.0 {
            self.sums[base] += rise;
        } else if column < width as f64 {
            let share = middle - cell;
            self.sums[base + column as usize] += rise * (1.0 - share);
            self.sums[base + column as usize + 1] += rise * share;
        }
    }

    fn shares(&self) -> Vec<f64> {
        let width = self.columns.len();
        let mut shares = Vec::with_capacity(self.rows.len() * width);
        for row in self.sums.chunks_exact(width + 1) {
            let mut sum = 0.0;
            shares.extend(row[..width].iter().map(|difference| {
                sum += difference;
                sum.abs().min(1.0)
            }));
        }
        shares
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn total(outline: &[(f64, f64)], nx: usize, ny: usize) -> f64 {
        coverage(outline, nx, ny).shares.iter().sum()
    }

    #[test]
    fn a_rectangle_between_cell_walls_covers_parts_of_cells() {
        let patch = coverage(&[(0.25, 0.5), (2.5, 0.5), (2.5, 1.0), (0.25, 1.0)], 4, 4);
        assert_eq!(patch.shares, [0.375, 0.5, 0.25]);
    }

    #[test]
    fn what_lies_off_the_grid_is_left_out() {
        let outline = [(-3.0, -1.0), (1.5, -1.0), (1.5, 9.0), (-3.0, 9.0)];
        assert!((total(&outline, 4, 4) - 6.0).abs() < 1e-12);
        assert_eq!(coverage(&[(5.0, 5.0), (6.0, 5.0), (6.0, 6.0)], 4, 4), Patch::default());
    }

    proptest! {
        /// Area of a triangle by the shoelace formula.
        #[test]
        fn the_area_of_any_triangle_is_kept_whichever_way_it_turns(
            corners in prop::array::uniform3((0.0..20.0f64, 0.0..20.0f64))
        ) {
            let [a, b, c] = corners;
            let area = 0.5 * ((b.0 - a.0) * (c.1 - a.1) - (c.0 - a.0) * (b.1 - a.1)).abs();
            prop_assert!((total(&[a, b, c], 20, 20) - area).abs() < 1e-9);
            prop_assert!((total(&[c, b, a], 20, 20) - area).abs() < 1e-9);
        }
    }
}
