//! Side faces: conductances to the room that make the grid leak what the board leaks there.
//!
//! Near an open side the field bends within a few millimetres of the underside's corner, which cells of 5 mm and the thick
//! lowest intervals see badly: 2 to 5 % of the leak. So the cross-section through a straight rim under a cover is solved twice,
//! on the table's own grid and on one much finer, and the grid's rim conductances are scaled until both leak the same.

use super::grid::{Grid, Interval};
use crate::table::Rim;

/// How many parts each interval and the first cell are divided into for the fine cross-section.
const FINER: i32 = 4;
/// How many parts the lowest interval is divided into, each this many times as high as the one below it.
const LOWEST: (i32, f64) = (9, 1.6);
/// How far a rim's conductance may be scaled either way.
const FURTHEST: f64 = 8.0;
/// How far the cross-section goes, in reaches of a disturbance.
const LENGTH: f64 = 7.0;

/// The conductance per metre of rim of each level's border cells, in m², for cells `depth` metres deep.
pub(super) fn conductances(rim: Rim, grid: &Grid, contact: f64, depth: f64, reach: f64) -> Vec<f64> {
    let seal = match rim {
        Rim::Sealed => return vec![0.0; grid.levels()],
        Rim::Open => 0.0,
        Rim::HalfSealed(seal) => seal.per_metre(),
    };
    let fine = fine_section(grid, contact, depth, reach);
    let wanted = fine.at_rim().leak(&fine.rim(seal, 1.0));
    let cells = vec![depth; (LENGTH * reach / depth).ceil().max(4.0) as usize];
    let coarse = Section { intervals: grid.intervals.clone(), cells, contact };
    let column = coarse.at_rim();
    coarse.rim(seal, matching_factor(|factor| column.leak(&coarse.rim(seal, factor)), wanted))
}

/// The factor at which `leak`, which rises with it, is `wanted`: bisection of its logarithm between 1/FURTHEST and FURTHEST.
fn matching_factor(leak: impl Fn(f64) -> f64, wanted: f64) -> f64 {
    let (mut low, mut high) = (-FURTHEST.ln(), FURTHEST.ln());
    for _ in 0..24 {
        let middle = 0.5 * (low + high);
        if leak(middle.exp()) < wanted { low = middle } else { high = middle }
    }
    (0.5 * (low + high)).exp()
}

/// The same cross-section with each interval divided, and cells that grow away from the rim.
fn fine_section(grid: &Grid, contact: f64, depth: f64, reach: f64) -> Section {
    let mut intervals = Vec::new();
    for (at, interval) in grid.intervals.iter().enumerate() {
        let (parts, growth) = if at == 0 { LOWEST } else { (FINER, 1.0) };
        let whole: f64 = (0..parts).map(|part| growth.powi(part)).sum();
        intervals.extend(
            (0..parts).map(|part| Interval { height: interval.height * growth.powi(part) / whole, ..*interval }),
        );
    }
    let mut cells = vec![depth / f64::from(2 * FINER)];
    while cells.iter().sum::<f64>() < LENGTH * reach {
        let last = cells[cells.len() - 1];
        cells.push((1.12 * last).min(0.15 * reach));
    }
    Section { intervals, cells, contact }
}

/// A cross-section from a rim inwards, covered above, over a plenum at v = 1.
struct Section {
    intervals: Vec<Interval>,
    /// The cells' depths in metres, the rim's first.
    cells: Vec<f64>,
    contact: f64,
}

impl Section {
    fn levels(&self) -> usize {
        self.intervals.len() + 1
    }

    /// The sum over each level's two half intervals of `weight`.
    fn owned(&self, weight: impl Fn(&Interval) -> f64) -> Vec<f64> {
        let mut owned = vec![0.0; self.levels()];
        for (level, interval) in self.intervals.iter().enumerate() {
            let half = 0.5 * interval.height * weight(interval);
            owned[level] += half;
            owned[level + 1] += half;
        }
        owned
    }

    /// From the border cells' middles to the room, through the seal if there is one.
    fn rim(&self, seal: f64, factor: f64) -> Vec<f64> {
        let (along, heights) = (self.owned(|interval| interval.along), self.owned(|_| 1.0));
        let way = |(along, height): (&f64, &f64)| factor / (0.5 * self.cells[0] / along + seal / height);
        along.iter().zip(&heights).map(way).collect()
    }

    /// The rim's own column with all that lies beyond it: elimination column by column from the far end.
    fn at_rim(&self) -> Column {
        let along = self.owned(|interval| interval.along);
        let mut column = Column { matrix: Vec::new(), right: Vec::new() };
        for (at, depth) in self.cells.iter().enumerate().rev() {
            let mut own = self.column(*depth);
            if let Some(beyond) = self.cells.get(at + 1) {
                let ties: Vec<f64> = along.iter().map(|along| along / (0.5 * (depth + beyond))).collect();
                own.absorb(&column, &ties);
            }
            column = own;
        }
        column
    }

    /// One column of cells by itself.
    fn column(&self, depth: f64) -> Column {
        let levels = self.levels();
        let mut matrix = vec![vec![0.0; levels]; levels];
        let mut right = vec![0.0; levels];
        for (level, interval) in self.intervals.iter().enumerate() {
            let through = interval.through * depth / interval.height;
            matrix[level][level] += through;
            matrix[level + 1][level + 1] += through;
            matrix[level][level + 1] -= through;
            matrix[level + 1][level] -= through;
        }
        matrix[0][0] += depth / self.contact;
        right[0] = depth / self.contact;
        Column { matrix, right }
    }
}

/// Dense equations of one column, symmetric and positive definite once tied to a plenum.
struct Column {
    matrix: Vec<Vec<f64>>,
    right: Vec<f64>,
}

impl Column {
    /// Ties `beyond` on and eliminates it: with T the ties, A ← A + T − T·(B + T)⁻¹·T and b ← b + T·(B + T)⁻¹·c.
    fn absorb(&mut self, beyond: &Column, ties: &[f64]) {
        let levels = ties.len();
        let mut tied = beyond.matrix.clone();
        ties.iter().enumerate().for_each(|(level, tie)| tied[level][level] += tie);
        let mut sides: Vec<Vec<f64>> = (0..levels)
            .map(|row| {
                let mut side = vec![0.0; levels + 1];
                side[row] = ties[row];
                side[levels] = beyond.right[row];
                side
            })
            .collect();
        eliminate(&mut tied, &mut sides);
        for (row, (tie, side)) in ties.iter().zip(&sides).enumerate() {
            self.matrix[row][row] += tie;
            self.matrix[row].iter_mut().zip(side).for_each(|(own, taken)| *own -= tie * taken);
            self.right[row] += tie * side[levels];
        }
    }

    /// What leaks in through `rim`, per metre.
    fn leak(&self, rim: &[f64]) -> f64 {
        let mut matrix = self.matrix.clone();
        rim.iter().enumerate().for_each(|(level, conductance)| matrix[level][level] += conductance);
        let mut sides: Vec<Vec<f64>> = self.right.iter().map(|right| vec![*right]).collect();
        eliminate(&mut matrix, &mut sides);
        rim.iter().zip(&sides).map(|(conductance, v)| conductance * v[0]).sum()
    }
}

/// Gauss–Jordan elimination without pivoting, which a positive definite matrix does not need.
pub(super) fn eliminate(matrix: &mut [Vec<f64>], sides: &mut [Vec<f64>]) {
    for pivot in 0..matrix.len() {
        let scale = 1.0 / matrix[pivot][pivot];
        let (own, own_side) = (matrix[pivot].clone(), sides[pivot].clone());
        matrix[pivot].iter_mut().chain(&mut sides[pivot]).for_each(|value| *value *= scale);
        for row in (0..matrix.len()).filter(|row| *row != pivot) {
            let factor = matrix[row][pivot] * scale;
            if factor != 0.0 {
                matrix[row][pivot..].iter_mut().zip(&own[pivot..]).for_each(|(value, own)| *value -= factor * own);
                sides[row].iter_mut().zip(&own_side).for_each(|(value, own)| *value -= factor * own);
            }
        }
    }
}
