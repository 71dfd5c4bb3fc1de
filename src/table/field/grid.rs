//! The grid of the field: equal cells along the board, graded levels through it.
//!
//! Cells are finite volumes along x and y. Levels are nodes on the underside, on every interface between layers and on the
//! top face, so that the pressure under a part is the value of a node; each level owns half of the interval below it and
//! half of that above it. Intervals grow downwards in a geometric progression, because the field bends most at the top face.

use serde::{Deserialize, Serialize};

use crate::table::{Board, Layer, Point};

/// How finely the board is divided.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Resolution {
    /// Cells of 10 mm: for a first look.
    Preview,
    /// Cells of 5 mm: for forecasts.
    #[default]
    Standard,
    /// Cells of 2.5 mm: for checking the others.
    Fine,
}

impl Resolution {
    /// The cell's side in metres that is aimed at.
    const fn cell_m(self) -> f64 {
        match self {
            Resolution::Preview => 0.010,
            Resolution::Standard => 0.005,
            Resolution::Fine => 0.002_5,
        }
    }

    /// How many intervals one homogeneous layer would get, and how much thicker each is than the one above it.
    const fn grading(self) -> (i32, f64) {
        match self {
            Resolution::Preview => (4, 1.5),
            Resolution::Standard => (5, 1.4),
            Resolution::Fine => (8, 1.3),
        }
    }
}

/// A usual gap between zones in metres (common practice, no source).
const ZONE_GAP: f64 = 0.020;
/// The lower part's share of a lowest interval that is divided.
const LOWEST_SHARE: f64 = 0.4;

/// One interval between two levels.
#[derive(Clone, Copy, Debug)]
pub(super) struct Interval {
    /// Its height in metres.
    pub height: f64,
    /// Permeability in the plane in m².
    pub along: f64,
    /// Permeability through the board in m².
    pub through: f64,
}

/// The grid of one board.
#[derive(Clone, Debug)]
pub(super) struct Grid {
    /// Cells along x: a multiple of [`Grid::X_MULTIPLE`].
    pub nx: usize,
    /// Cells along y: a multiple of [`Grid::Y_MULTIPLE`].
    pub ny: usize,
    /// A cell's extent along x in metres.
    pub hx: f64,
    /// A cell's extent along y in metres.
    pub hy: f64,
    /// The intervals from the underside to the top face.
    pub intervals: Vec<Interval>,
}

impl Grid {
    /// Two coarser grids, and halves of a row of one colour, must come out whole.
    pub(super) const X_MULTIPLE: usize = 8;
    /// Two coarser grids must come out whole.
    pub(super) const Y_MULTIPLE: usize = 4;

    /// The grid of `board` at `resolution`.
    pub(super) fn new(board: &Board, resolution: Resolution) -> Self {
        let (length, width) = (board.length.metres(), board.width.metres());
        let nx = whole_cells(length / resolution.cell_m(), Self::X_MULTIPLE);
        let ny = whole_cells(width / resolution.cell_m(), Self::Y_MULTIPLE);
        let (count, growth) = resolution.grading();
        let intervals = graded(&board.layers, count, growth);
        Grid { nx, ny, hx: length / nx as f64, hy: width / ny as f64, intervals }
    }

    /// How many levels there are.
    pub(super) fn levels(&self) -> usize {
        self.intervals.len() + 1
    }

    /// How many cells a level has.
    pub(super) fn cells(&self) -> usize {
        self.nx * self.ny
    }

    /// A cell's area in m².
    pub(super) fn cell_area(&self) -> f64 {
        self.hx * self.hy
    }

    /// Transmissivity along each level, the in-plane permeability times the height that the level owns, in m³.
    pub(super) fn along(&self) -> Vec<f64> {
        self.halves(|interval| interval.along)
    }

    /// The height that each level owns in metres.
    pub(super) fn owned_heights(&self) -> Vec<f64> {
        self.halves(|_| 1.0)
    }

    /// Permeance of each interval, permeability over height, in metres.
    pub(super) fn through(&self) -> Vec<f64> {
        self.intervals.iter().map(|interval| interval.through / interval.height).collect()
    }

    /// `point` in units of cells.
    pub(super) fn in_cells(&self, point: Point) -> (f64, f64) {
        (point.x.metres() / self.hx, point.y.metres() / self.hy)
    }

    fn halves(&self, weight: impl Fn(&Interval) -> f64) -> Vec<f64> {
        let mut owned = vec![0.0; self.levels()];
        for (level, interval) in self.intervals.iter().enumerate() {
            let half = weight(interval) * interval.height / 2.0;
            owned[level] += half;
            owned[level + 1] += half;
        }
        owned
    }
}

fn whole_cells(wanted: f64, multiple: usize) -> usize {
    multiple * ((wanted / multiple as f64).round() as usize).max(1)
}

/// Intervals from the bottom up, whose height grows with depth below the top face as one progression over all layers.
fn graded(layers: &[Layer], count: i32, growth: f64) -> Vec<Interval> {
    let thickness: f64 = layers.iter().map(|layer| layer.thickness.metres()).sum();
    let first = thickness * (growth - 1.0) / (growth.powi(count) - 1.0);
    let wanted = |depth: f64| first + (growth - 1.0) * depth;
    let mut depth = 0.0;
    let mut downwards = Vec::new();
    for layer in layers.iter().rev() {
        let height = layer.thickness.metres();
        let ratio = wanted(depth + height) / wanted(depth);
        let steps = (ratio.ln() / growth.ln()).round().max(1.0);
        let step_growth = ratio.powf(1.0 / steps);
        let mut step = height * (step_growth - 1.0) / (ratio - 1.0);
        for _ in 0..steps as usize {
            downwards.push(Interval {
                height: step,
                along: layer.along.square_metres(),
                through: layer.through.square_metres(),
            });
            step *= step_growth;
        }
        depth += height;
    }
    downwards.reverse();
    split_lowest(&mut downwards);
    downwards
}

/// Divides the lowest interval until the field bends within it no less gently than it does along a usual gap between zones, where
/// it passes from one zone to the next.
fn split_lowest(upwards: &mut Vec<Interval>) {
    while let Some(lowest) = upwards.first_mut()
        && lowest.height * (lowest.along / lowest.through).sqrt() > ZONE_GAP
    {
        let whole = lowest.height;
        lowest.height = (1.0 - LOWEST_SHARE) * whole;
        let below = Interval { height: LOWEST_SHARE * whole, ..*lowest };
        upwards.insert(0, below);
    }
}
