//! What the cut does to the board.

use serde::{Deserialize, Serialize};

use super::clip::Window;
use super::stock::Stock;
use super::stroke::{At, THROUGH};
use crate::table::{Point, Rect};
use crate::units::Length;

/// The side of a cell of the map, in mm, and how far the map reaches beyond the sheet.
const CELL: f64 = 10.0;
const MARGIN: f64 = 100.0;

/// The deepest cut into the board of each cell of a grid, row by row from low y, each row from low x.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ScarMap {
    /// Where the grid lies on the table.
    pub rect: Rect,
    /// Cells in a row.
    pub columns: usize,
    /// Rows.
    pub rows: usize,
    /// In mm, 0 where the board is whole.
    pub depth_mm: Vec<f32>,
}

/// What the board takes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Scar {
    /// The length of path cut into the board.
    pub length: Length,
    /// The deepest cut into it, zero if none.
    pub deepest: Length,
    /// The line of the deepest cut.
    pub line: u64,
    /// Where.
    pub map: ScarMap,
}

impl Scar {
    pub(super) fn none(stock: &Stock) -> Self {
        let (low, high) = (stock.sheet.low, stock.sheet.high);
        let margin = Length::from_millimetres(MARGIN);
        let rect = Rect {
            low: Point { x: low.x - margin, y: low.y - margin },
            high: Point { x: high.x + margin, y: high.y + margin },
        };
        let cells = |reach: Length| ((reach.millimetres() / CELL).ceil().max(1.0)) as usize;
        let (columns, rows) = (cells(rect.width()), cells(rect.height()));
        let map = ScarMap { rect, columns, rows, depth_mm: vec![0.0; columns * rows] };
        Scar { length: Length::ZERO, deepest: Length::ZERO, line: 0, map }
    }

    /// A straight piece of the path, as wide as the cutter.
    pub(super) fn add(&mut self, from: &At, to: &At, width: f64) {
        let depth = -from.over.min(to.over);
        if depth <= THROUGH {
            return;
        }
        let length = (to.x - from.x).hypot(to.y - from.y);
        self.length = self.length + Length::from_millimetres(length);
        if depth > self.deepest.millimetres() {
            self.deepest = Length::from_millimetres(depth);
            self.line = u64::from(to.line);
        }
        let Some((enters, leaves)) = self.map.window(width).shares([from.x, from.y], [to.x, to.y]) else { return };
        let steps = (length * (leaves - enters) / (0.5 * CELL)).ceil().max(1.0);
        for step in 0..=steps as usize {
            let share = enters + (leaves - enters) * step as f64 / steps;
            let over = from.over + (to.over - from.over) * share;
            self.map.mark(from.x + (to.x - from.x) * share, from.y + (to.y - from.y) * share, width, -over);
        }
    }
}

impl ScarMap {
    /// Where a cut of this width touches the map.
    fn window(&self, width: f64) -> Window {
        let low = [self.rect.low.x, self.rect.low.y].map(|edge| edge.millimetres() - width);
        let high = [self.rect.high.x, self.rect.high.y].map(|edge| edge.millimetres() + width);
        Window { low, high }
    }

    fn mark(&mut self, x: f64, y: f64, width: f64, depth: f64) {
        if depth <= THROUGH {
            return;
        }
        let columns = cells_under(x - self.rect.low.x.millimetres(), width, self.columns);
        let rows = cells_under(y - self.rect.low.y.millimetres(), width, self.rows);
        for row in rows {
            for column in columns.clone() {
                let cell = &mut self.depth_mm[row * self.columns + column];
                *cell = cell.max(depth as f32);
            }
        }
    }

    /// The area of the cells that are touched.
    pub fn touched(&self) -> crate::units::Area {
        let count = self.depth_mm.iter().filter(|depth| **depth > 0.0).count();
        crate::units::Area::from_square_metres(count as f64 * CELL * CELL * 1e-6)
    }
}

fn cells_under(middle: f64, width: f64, count: usize) -> std::ops::Range<usize> {
    let cell = |at: f64| ((at / CELL).floor().max(0.0) as usize).min(count);
    cell(middle - width / 2.0)..(cell(middle + width / 2.0) + 1).min(count)
}
