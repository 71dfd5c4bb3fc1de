//! The part of the grid that a solution is sought in: the plenum screens the field, so what happens far away is nothing.

use std::ops::Range;

use serde::{Deserialize, Serialize};

use super::grid::Grid;

/// A rectangle of cells, whose borders coarser grids share.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Window {
    /// Columns.
    pub columns: Range<usize>,
    /// Rows.
    pub rows: Range<usize>,
}

impl Window {
    /// All of `grid`.
    pub(super) fn whole(grid: &Grid) -> Self {
        Window { columns: 0..grid.nx, rows: 0..grid.ny }
    }

    /// The cells within `margin` metres of any of `cells`; nothing if there are none.
    pub(super) fn around(cells: impl Iterator<Item = usize> + Clone, margin: f64, grid: &Grid) -> Option<Self> {
        let columns = bounds(cells.clone().map(|cell| cell % grid.nx))?;
        let rows = bounds(cells.map(|cell| cell / grid.nx))?;
        let spread = |range: Range<usize>, side: f64, count: usize, multiple: usize| {
            let margin = (margin / side).ceil() as usize;
            let start = range.start.saturating_sub(margin) / multiple * multiple;
            let end = (range.end + margin).min(count).next_multiple_of(multiple);
            start..end
        };
        Some(Window {
            columns: spread(columns, grid.hx, grid.nx, Grid::X_MULTIPLE),
            rows: spread(rows, grid.hy, grid.ny, Grid::Y_MULTIPLE),
        })
    }

    /// Whether it is all of `grid`.
    pub(super) fn is_whole(&self, grid: &Grid) -> bool {
        *self == Window::whole(grid)
    }

    /// How many cells it has.
    pub(super) fn len(&self) -> usize {
        self.columns.len() * self.rows.len()
    }

    /// Where a cell of the grid lies in it, row after row.
    pub(super) fn place(&self, cell: usize, grid: &Grid) -> Option<usize> {
        let (column, row) = (cell % grid.nx, cell / grid.nx);
        let inside = self.columns.contains(&column) && self.rows.contains(&row);
        inside.then(|| (row - self.rows.start) * self.columns.len() + column - self.columns.start)
    }

    /// The greatest size among `values` in those border cells that are not the board's own.
    pub(super) fn greatest_at_border(&self, values: &[f32], grid: &Grid) -> f32 {
        let (nx, ny) = (self.columns.len(), self.rows.len());
        let mut greatest = 0.0f32;
        let mut look = |at: usize| greatest = greatest.max(values[at].abs());
        if self.rows.start > 0 {
            (0..nx).for_each(&mut look);
        }
        if self.rows.end < grid.ny {
            ((ny - 1) * nx..ny * nx).for_each(&mut look);
        }
        if self.columns.start > 0 {
            (0..ny).for_each(|row| look(row * nx));
        }
        if self.columns.end < grid.nx {
            (0..ny).for_each(|row| look(row * nx + nx - 1));
        }
        greatest
    }
}

fn bounds(mut values: impl Iterator<Item = usize>) -> Option<Range<usize>> {
    let first = values.next()?;
    let (low, high) = values.fold((first, first), |(low, high), value| (low.min(value), high.max(value)));
    Some(low..high + 1)
}
