//! What cuts the sheet through: which tool, at which feed and speed, and how deep its last pass is.
//!
//! A map of cells keeps the lowest that the cutter has been over each. A cell that is passed again within a short way counts as the
//! same pass.

use std::collections::BTreeMap;

use super::clip::Window;
use super::stock::Stock;
use super::stroke::At;

/// The least side of a cell, in mm, and the most cells: on a great sheet they are larger.
const CELL: f64 = 5.0;
const MOST_CELLS: f64 = 500_000.0;

/// Within a way of so many cells, a cell that is passed again is passed in the same pass.
const SAME_PASS: f64 = 6.0;

/// The steps by which depths are counted, in mm.
const STEP: f64 = 0.25;

/// The share of the way cut through that goes no deeper than the depth told.
const TOLD: f64 = 0.9;

#[derive(Clone, Copy, Debug)]
struct Cell {
    before: f32,
    lowest: f32,
    /// The way when it was last passed.
    passed: f64,
}

/// What a tool does where it cuts through.
#[derive(Clone, Debug, Default)]
pub(super) struct Through {
    /// In mm.
    pub(super) length: f64,
    /// The length times the feed, in mm²/s.
    feed: f64,
    /// The length times the spindle's speed, where the program names one.
    turns: f64,
    turned: f64,
    /// The length by the depth of the pass, in steps.
    depths: BTreeMap<u32, f64>,
    /// The first line.
    pub(super) line: u32,
}

impl Through {
    /// The mean feed along the way, in mm/s.
    pub(super) fn feed(&self) -> f64 {
        self.feed / self.length.max(1e-9)
    }

    /// The mean speed of the spindle; none if the program names none.
    pub(super) fn rpm(&self) -> Option<f64> {
        (self.turned > 0.0).then(|| self.turns / self.turned)
    }

    /// How deep its last pass is over most of the way, in mm.
    pub(super) fn last_pass(&self) -> f64 {
        let whole: f64 = self.depths.values().sum();
        let mut sum = 0.0;
        for (step, length) in &self.depths {
            sum += length;
            if sum >= TOLD * whole {
                return f64::from(*step) * STEP;
            }
        }
        0.0
    }
}

/// The passes so far.
#[derive(Debug)]
pub(super) struct Passes {
    low: [f64; 2],
    cell: f64,
    columns: usize,
    rows: usize,
    cells: Vec<Cell>,
    way: f64,
    thickness: f64,
    pub(super) through: BTreeMap<u32, Through>,
}

/// How a piece of the path is cut.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cutting {
    pub(super) tool: u32,
    /// In mm/s.
    pub(super) feed: f64,
    pub(super) rpm: Option<f64>,
}

impl Passes {
    pub(super) fn none(stock: &Stock) -> Self {
        let (low, high) = (stock.sheet.low, stock.sheet.high);
        let (width, height) = ((high.x - low.x).millimetres(), (high.y - low.y).millimetres());
        let cell = (width * height / MOST_CELLS).sqrt().max(CELL);
        let cells = |reach: f64| (reach / cell).ceil().max(1.0) as usize;
        let (columns, rows) = (cells(width), cells(height));
        let thickness = stock.thickness.millimetres();
        let whole = Cell { before: thickness as f32, lowest: thickness as f32, passed: f64::NEG_INFINITY };
        Passes {
            low: [low.x.millimetres(), low.y.millimetres()],
            cell,
            columns,
            rows,
            cells: vec![whole; columns * rows],
            way: 0.0,
            thickness,
            through: BTreeMap::new(),
        }
    }

    /// A straight piece of a cut.
    pub(super) fn add(&mut self, from: &At, to: &At, cutting: Cutting) {
        let length = (to.x - from.x).hypot(to.y - from.y);
        if from.over.min(to.over) >= self.thickness || length <= 0.0 {
            return;
        }
        let high = [self.low[0] + self.columns as f64 * self.cell, self.low[1] + self.rows as f64 * self.cell];
        let window = Window { low: self.low, high };
        let Some((enters, leaves)) = window.shares([from.x, from.y], [to.x, to.y]) else { return };
        let steps = (length * (leaves - enters) / self.cell).ceil().max(1.0);
        let each = length * (leaves - enters) / steps;
        for step in 0..steps as usize {
            let share = enters + (leaves - enters) * (step as f64 + 0.5) / steps;
            let over = from.over + (to.over - from.over) * share;
            self.way += each;
            let place = [from.x + (to.x - from.x) * share, from.y + (to.y - from.y) * share];
            let depth = self.pass(place, over);
            if over <= super::stroke::THROUGH {
                self.count(depth, each, cutting, to.line);
            }
        }
    }

    /// How deep the cutter goes below what earlier passes have left.
    fn pass(&mut self, place: [f64; 2], over: f64) -> f64 {
        let place_of = |axis: usize, count: usize| {
            (((place[axis] - self.low[axis]) / self.cell).floor().max(0.0) as usize).min(count - 1)
        };
        let same_pass = SAME_PASS * self.cell;
        let place_in_row = place_of(0, self.columns);
        let cell = &mut self.cells[place_of(1, self.rows) * self.columns + place_in_row];
        if self.way - cell.passed > same_pass {
            cell.before = cell.lowest;
        }
        let over = over.max(0.0);
        cell.passed = self.way;
        cell.lowest = cell.lowest.min(over as f32);
        (f64::from(cell.before) - over).max(0.0)
    }

    fn count(&mut self, depth: f64, length: f64, cutting: Cutting, line: u32) {
        let through = self.through.entry(cutting.tool).or_insert_with(|| Through { line, ..Through::default() });
        through.length += length;
        through.feed += length * cutting.feed;
        if let Some(rpm) = cutting.rpm {
            through.turns += length * rpm;
            through.turned += length;
        }
        *through.depths.entry((depth / STEP).ceil() as u32).or_default() += length;
    }
}
