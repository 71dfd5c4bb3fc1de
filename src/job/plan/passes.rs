//! What cuts the sheet through: by which tool, how deep its passes are, and where its teeth are loaded most.
//!
//! A map of cells keeps the lowest that the cutter has been over each. A cell that is passed again within a short way counts as the
//! same pass.

use std::collections::{BTreeMap, VecDeque};

use super::clip::Window;
use super::stock::Stock;
use super::stroke::At;

/// The least side of a cell, in mm, and the most cells: on a great sheet they are larger.
const CELL: f64 = 5.0;
const MOST_CELLS: f64 = 500_000.0;

/// Within a way of so many cells, a cell that is passed again is passed in the same pass.
const SAME_PASS: f64 = 6.0;

/// The load that is kept up over a way of so many cells decides, wherever that is: 40 mm.
///
/// A share of the whole way would hide a small part beside large ones; the last way about a part as small as a hand can hold is
/// longer than this. What is misjudged is shorter: a cell that earlier passes have only grazed, the foot of a ramp, and a hole whose
/// turns lie within [`SAME_PASS`] and so count as one pass.
const MATTERS: f64 = 8.0;

#[derive(Clone, Copy, Debug)]
struct Cell {
    before: f32,
    lowest: f32,
    /// The way when it was last passed.
    passed: f64,
}

/// How a piece of the path is cut.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cutting {
    pub(super) tool: u32,
    /// In mm/s.
    pub(super) feed: f64,
    pub(super) rpm: Option<f64>,
}

/// A tool where it cuts through and its teeth are loaded most.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hardest {
    /// The way over which it is loaded so at the least, in mm, up to the way that matters.
    pub(super) kept_up: f64,
    /// Depth times the way between two turns, in mm²: what of a tooth's load changes along the path. Infinite at an unknown speed.
    load: f64,
    /// How deep the pass is, in mm.
    pub(super) depth: f64,
    pub(super) cutting: Cutting,
    pub(super) line: u32,
}

/// What a tool does where it cuts through.
#[derive(Clone, Copy, Debug)]
pub(super) struct Through {
    /// In mm.
    pub(super) length: f64,
    pub(super) hardest: Hardest,
}

/// The path cut through at a stretch up to here, as far back as it matters.
#[derive(Debug, Default)]
struct Stretch {
    length: f64,
    /// Where each piece ends that nothing behind it is loaded less than, in mm of the stretch: the first is the least of all.
    least: VecDeque<(f64, Hardest)>,
}

impl Stretch {
    /// Adds a piece; what is kept up over the last of the stretch.
    fn add(&mut self, length: f64, piece: Hardest, matters: f64) -> Hardest {
        self.length += length;
        while self.least.pop_back_if(|(_, earlier)| earlier.load >= piece.load).is_some() {}
        self.least.push_back((self.length, piece));
        while self.least.pop_front_if(|(end, _)| *end <= self.length - matters).is_some() {}
        let least = self.least.front().map_or(piece, |(_, least)| *least);
        Hardest { kept_up: self.length.min(matters), ..least }
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
    stretch: Stretch,
    pub(super) through: BTreeMap<u32, Through>,
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
            stretch: Stretch::default(),
            through: BTreeMap::new(),
        }
    }

    /// The cutter leaves the path.
    pub(super) fn interrupt(&mut self) {
        self.stretch = Stretch::default();
    }

    /// A straight piece of a cut; `None` for a rapid, which is warned of where it meets the sheet.
    pub(super) fn add(&mut self, from: &At, to: &At, cutting: Option<Cutting>) {
        let length = (to.x - from.x).hypot(to.y - from.y);
        if from.over.min(to.over) >= self.thickness {
            return self.interrupt();
        }
        if length <= 0.0 {
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
            if over <= super::stroke::THROUGH
                && let Some(cutting) = cutting
            {
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
        let a_turn = cutting.rpm.map_or(f64::INFINITY, |rpm| cutting.feed * 60.0 / rpm);
        let load = if depth > 0.0 { depth * a_turn } else { 0.0 };
        let piece = Hardest { kept_up: length, load, depth, cutting, line };
        let found = self.stretch.add(length, piece, MATTERS * self.cell);
        let through = self.through.entry(cutting.tool).or_insert(Through { length: 0.0, hardest: found });
        through.length += length;
        let harder = |one: &Hardest, other: &Hardest| {
            one.kept_up.total_cmp(&other.kept_up).then(one.load.total_cmp(&other.load)).is_gt()
        };
        if harder(&found, &through.hardest) {
            through.hardest = found;
        }
    }
}
