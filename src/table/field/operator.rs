//! The finite-volume equations of a block of the board, and the elementary steps of their solution.
//!
//! All conductances are in units of the operator's own scale, so that single precision suffices. Along a level they are the same
//! everywhere but for the top level, where the gap under a sheet adds to them; through the board they are the same on a
//! whole interval; what differs from cell to cell is on the diagonal: the contact with the plenum below, the openings
//! above, rims and seams.

use super::lattice::{Colour, Lattice, Real};
use super::multigrid::lanes_dot;

/// What differs from cell to cell of a block, row after row, as conductances.
#[derive(Clone, Debug, Default)]
pub(super) struct Block {
    /// Columns.
    pub nx: usize,
    /// Rows.
    pub ny: usize,
    /// From the lowest level to the plenum.
    pub bottom: Vec<f64>,
    /// From the top level to the room.
    pub top: Vec<f64>,
    /// From all levels to the room, per height that a level owns.
    pub through: Vec<f64>,
    /// Along the gap to the next cell at greater x; nothing at the last.
    pub gap_east: Vec<f64>,
    /// Along the gap to the next cell at greater y; nothing at the last.
    pub gap_north: Vec<f64>,
}

/// What is the same on a whole level or interval, as conductances.
#[derive(Clone, Debug, Default)]
pub(super) struct Strata {
    /// From cell to cell along x, for each level.
    pub along_x: Vec<f64>,
    /// From cell to cell along y, for each level.
    pub along_y: Vec<f64>,
    /// From level to level, for each interval.
    pub through: Vec<f64>,
    /// The height that each level owns.
    pub heights: Vec<f64>,
    /// What lies beyond the four borders.
    pub borders: Borders,
}

/// What lies beyond a block's four borders, as a conductance of each level's border cells.
#[derive(Clone, Debug, Default)]
pub(super) struct Borders {
    /// At the least x.
    pub west: Vec<f64>,
    /// At the greatest x.
    pub east: Vec<f64>,
    /// At the least y.
    pub south: Vec<f64>,
    /// At the greatest y.
    pub north: Vec<f64>,
}

/// The equations A·x = b of one block, held in the precision `R`.
#[derive(Clone, Debug)]
pub(super) struct Operator<R> {
    /// Where the unknowns lie.
    pub lattice: Lattice,
    along_x: Vec<R>,
    along_y: Vec<R>,
    through: Vec<R>,
    diagonal: Vec<R>,
    /// The inverse pivots of each column's elimination from the bottom up.
    pivots: Vec<R>,
    /// Gap conductance to the neighbours at greater x and y, in the top level; empty without a gap.
    gap_east: Vec<R>,
    gap_north: Vec<R>,
}

impl<R: Real> Operator<R> {
    /// The equations of `block` between `strata`.
    pub(super) fn new(block: &Block, strata: &Strata) -> Self {
        let levels = strata.heights.len();
        let lattice = Lattice::new(block.nx, block.ny, levels);
        let narrow = |values: &[f64]| values.iter().map(|value| R::narrow(*value)).collect::<Vec<R>>();
        let gap = block.gap_east.iter().chain(&block.gap_north).any(|value| *value > 0.0);
        let plane = |values: &[f64]| {
            let mut plane = vec![R::default(); if gap { lattice.plane_len() } else { 0 }];
            if gap {
                lattice.pack(values, &mut plane);
            }
            plane
        };
        let mut operator = Operator {
            lattice,
            along_x: narrow(&strata.along_x),
            along_y: narrow(&strata.along_y),
            through: narrow(&strata.through),
            diagonal: vec![R::default(); lattice.len()],
            pivots: vec![R::default(); lattice.len()],
            gap_east: plane(&block.gap_east),
            gap_north: plane(&block.gap_north),
        };
        operator.fill(block, strata);
        operator
    }

    fn fill(&mut self, block: &Block, strata: &Strata) {
        let mut pivots = vec![0.0; block.nx * block.ny];
        for level in 0..self.lattice.levels {
            let diagonal = level_diagonal(block, strata, level);
            let below = if level == 0 { 0.0 } else { strata.through[level - 1] };
            for (pivot, own) in pivots.iter_mut().zip(&diagonal) {
                *pivot = 1.0 / (own - below * below * *pivot);
            }
            let plane = self.lattice.plane(level);
            self.lattice.pack(&diagonal, &mut self.diagonal[plane.clone()]);
            self.lattice.pack(&pivots, &mut self.pivots[plane]);
        }
    }

    /// A vector of zeros.
    pub(super) fn zeros(&self) -> Vec<R> {
        vec![R::default(); self.lattice.len()]
    }

    /// Solves every red column for its own unknowns, with nothing in the black ones.
    pub(super) fn relax_from_rest(&self, x: &mut [R], right: &[R], scratch: &mut Vec<R>) {
        self.sweep(x, Colour::Red, scratch, |_, level, row, sums| {
            let start = self.lattice.coloured(level, row, Colour::Red).here;
            sums.copy_from_slice(&right[start..start + sums.len()]);
        });
    }

    /// Solves every column of `colour` for its own unknowns, those of the other colour held.
    pub(super) fn relax(&self, x: &mut [R], right: &[R], colour: Colour, scratch: &mut Vec<R>) {
        self.sweep(x, colour, scratch, |x, level, row, sums| {
            let start = self.lattice.coloured(level, row, colour).here;
            sums.copy_from_slice(&right[start..start + sums.len()]);
            self.add_neighbours(x, level, row, colour, sums);
        });
    }

    /// Solves every column of `colour`; `gather` writes what one row and level of them must balance.
    fn sweep(&self, x: &mut [R], colour: Colour, scratch: &mut Vec<R>, gather: impl Fn(&[R], usize, usize, &mut [R])) {
        let Lattice { half, rows, levels } = self.lattice;
        scratch.resize(levels * half, R::default());
        for row in 0..rows {
            for level in 0..levels {
                let (done, rest) = scratch.split_at_mut(level * half);
                let here = &mut rest[..half];
                gather(x, level, row, here);
                if level > 0 {
                    let start = self.lattice.coloured(level - 1, row, colour).here;
                    let below = self.through[level - 1];
                    let pivots = &self.pivots[start..start + half];
                    for ((sum, under), pivot) in here.iter_mut().zip(&done[(level - 1) * half..]).zip(pivots) {
                        *sum += below * *under * *pivot;
                    }
                }
            }
            self.substitute_back(x, row, colour, scratch);
        }
    }

    /// The top-down half of each column's elimination.
    fn substitute_back(&self, x: &mut [R], row: usize, colour: Colour, sums: &[R]) {
        let Lattice { half, levels, .. } = self.lattice;
        for level in (0..levels).rev() {
            let start = self.lattice.coloured(level, row, colour).here;
            let pivots = &self.pivots[start..start + half];
            let own = &sums[level * half..(level + 1) * half];
            if level + 1 == levels {
                for ((value, sum), pivot) in x[start..start + half].iter_mut().zip(own).zip(pivots) {
                    *value = *sum * *pivot;
                }
                continue;
            }
            let above_start = self.lattice.coloured(level + 1, row, colour).here;
            let (lower, upper) = x.split_at_mut(above_start);
            let above = &upper[..half];
            let through = self.through[level];
            let values = &mut lower[start..start + half];
            for (((value, sum), pivot), over) in values.iter_mut().zip(own).zip(pivots).zip(above) {
                *value = (*sum + through * *over) * *pivot;
            }
        }
    }

    /// Adds what flows in from the four neighbours on the same level.
    fn add_neighbours(&self, x: &[R], level: usize, row: usize, colour: Colour, sums: &mut [R]) {
        let half = sums.len();
        let at = self.lattice.coloured(level, row, colour);
        let (along_x, along_y) = (self.along_x[level], self.along_y[level]);
        let (west, east) = (&x[at.west..at.west + half], &x[at.east..at.east + half]);
        let (south, north) = (&x[at.south..at.south + half], &x[at.north..at.north + half]);
        for (k, sum) in sums.iter_mut().enumerate() {
            *sum += along_x * (west[k] + east[k]) + along_y * (south[k] + north[k]);
        }
        if level + 1 == self.lattice.levels && !self.gap_east.is_empty() {
            let top = self.lattice.coloured(0, row, colour);
            let (gap_west, gap_east) = (&self.gap_east[top.west..top.west + half], &self.gap_east[top.here..]);
            let (gap_south, gap_north) = (&self.gap_north[top.south..top.south + half], &self.gap_north[top.here..]);
            for (k, sum) in sums.iter_mut().enumerate() {
                *sum +=
                    gap_west[k] * west[k] + gap_east[k] * east[k] + gap_south[k] * south[k] + gap_north[k] * north[k];
            }
        }
    }

    /// The residual b − A·x of `colour`'s cells in `row` and `level`.
    pub(super) fn residual(&self, x: &[R], right: &[R], level: usize, row: usize, colour: Colour, sums: &mut [R]) {
        let start = self.lattice.coloured(level, row, colour).here;
        sums.copy_from_slice(&right[start..start + sums.len()]);
        self.subtract_image(x, level, row, colour, sums);
    }

    /// Subtracts A·x.
    fn subtract_image(&self, x: &[R], level: usize, row: usize, colour: Colour, sums: &mut [R]) {
        self.add_neighbours(x, level, row, colour, sums);
        let half = sums.len();
        let start = self.lattice.coloured(level, row, colour).here;
        let (own, diagonal) = (&x[start..start + half], &self.diagonal[start..start + half]);
        for (k, sum) in sums.iter_mut().enumerate() {
            *sum = *sum - diagonal[k] * own[k];
        }
        let plane = self.lattice.plane_len();
        if level > 0 {
            add_scaled(sums, self.through[level - 1], &x[start - plane..]);
        }
        if level + 1 < self.lattice.levels {
            add_scaled(sums, self.through[level], &x[start + plane..]);
        }
    }

    /// Writes b − A·x to `out`.
    pub(super) fn residual_all(&self, x: &[R], right: &[R], out: &mut [R]) {
        self.each_half_row(|level, row, colour, start, half| {
            self.residual(x, right, level, row, colour, &mut out[start..start + half]);
        });
    }

    fn each_half_row(&self, mut visit: impl FnMut(usize, usize, Colour, usize, usize)) {
        let Lattice { half, rows, levels } = self.lattice;
        for level in 0..levels {
            for row in 0..rows {
                for colour in [Colour::Red, Colour::Black] {
                    visit(level, row, colour, self.lattice.coloured(level, row, colour).here, half);
                }
            }
        }
    }
}

impl Operator<f32> {
    /// Writes A·x to `out` and returns x·A·x.
    pub(super) fn apply(&self, x: &[f32], out: &mut [f32]) -> f64 {
        let mut product = 0.0;
        self.each_half_row(|level, row, colour, start, half| {
            let image = &mut out[start..start + half];
            image.fill(0.0);
            self.subtract_image(x, level, row, colour, image);
            image.iter_mut().for_each(|value| *value = -*value);
            product += lanes_dot(&x[start..start + half], image);
        });
        product
    }
}

fn add_scaled<R: Real>(sums: &mut [R], factor: R, values: &[R]) {
    for (sum, value) in sums.iter_mut().zip(values) {
        *sum += factor * *value;
    }
}

/// The sum of all conductances that meet in each cell of `level`.
fn level_diagonal(block: &Block, strata: &Strata, level: usize) -> Vec<f64> {
    let Block { nx, ny, .. } = *block;
    let top = level + 1 == strata.heights.len();
    let below = if level == 0 { 0.0 } else { strata.through[level - 1] };
    let above = if top { 0.0 } else { strata.through[level] };
    let (along_x, along_y) = (strata.along_x[level], strata.along_y[level]);
    let everywhere = 2.0 * (along_x + along_y) + below + above;
    let mut diagonal = vec![everywhere; nx * ny];
    for (own, through) in diagonal.iter_mut().zip(&block.through) {
        *own += through * strata.heights[level];
    }
    if level == 0 {
        diagonal.iter_mut().zip(&block.bottom).for_each(|(own, bottom)| *own += bottom);
    }
    if top {
        diagonal.iter_mut().zip(&block.top).for_each(|(own, top)| *own += top);
        add_gaps(&mut diagonal, block);
    }
    let borders = &strata.borders;
    for row in 0..ny {
        diagonal[row * nx] += borders.west[level] - along_x;
        diagonal[row * nx + nx - 1] += borders.east[level] - along_x;
    }
    for column in 0..nx {
        diagonal[column] += borders.south[level] - along_y;
        diagonal[(ny - 1) * nx + column] += borders.north[level] - along_y;
    }
    diagonal
}

fn add_gaps(diagonal: &mut [f64], block: &Block) {
    for (at, gap) in block.gap_east.iter().enumerate().filter(|(_, gap)| **gap > 0.0) {
        diagonal[at] += gap;
        diagonal[at + 1] += gap;
    }
    for (at, gap) in block.gap_north.iter().enumerate().filter(|(_, gap)| **gap > 0.0) {
        diagonal[at] += gap;
        diagonal[at + block.nx] += gap;
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use super::super::multigrid::Multigrid;
    use super::*;

    /// The root of the mean square error of v = sin(πx/a)·sin(πy/b)·cos(πz/2t), which solves ∇·(k∇v) = −f between sides and top
    /// at nothing and a tight underside, with cells of a/`nx` and `intervals` through the board.
    fn manufactured_error(nx: usize, intervals: usize) -> f64 {
        let (a, b, t, along, through) = (0.3, 0.15, 0.02, 1.0, 0.2);
        let (h, dz, levels, ny) = (a / nx as f64, t / intervals as f64, intervals + 1, nx / 2);
        let owned = |level: usize| if level == 0 || level == intervals { 0.5 * dz } else { dz };
        let heights: Vec<f64> = (0..levels).map(owned).collect();
        let flat: Vec<f64> = heights.iter().map(|height| along * height).collect();
        let sides: Vec<f64> = flat.iter().map(|value| 2.0 * value).collect();
        let borders = Borders { west: sides.clone(), east: sides.clone(), south: sides.clone(), north: sides };
        let strata = Strata {
            along_x: flat.clone(),
            along_y: flat,
            through: vec![through * h * h / dz; intervals],
            heights: heights.clone(),
            borders,
        };
        let nothing = vec![0.0; nx * ny];
        let block = Block {
            nx,
            ny,
            bottom: nothing.clone(),
            top: vec![1e6 * through * h * h / dz; nx * ny],
            through: nothing.clone(),
            gap_east: nothing.clone(),
            gap_north: nothing,
        };
        let exact = |at: usize, level: usize| {
            let (x, y, z) = ((at % nx) as f64 + 0.5, (at / nx) as f64 + 0.5, level as f64 * dz);
            (PI * x * h / a).sin() * (PI * y * h / b).sin() * (0.5 * PI * z / t).cos()
        };
        let rate = PI * PI * (along * (a.powi(-2) + b.powi(-2)) + through * 0.25 / (t * t));
        let mut multigrid = Multigrid::new(&block, &strata);
        let lattice = multigrid.finest().lattice;
        let mut right = multigrid.finest().zeros();
        for (level, height) in heights.iter().enumerate() {
            let source: Vec<f64> = (0..nx * ny).map(|at| rate * exact(at, level) * h * h * height).collect();
            lattice.pack(&source, &mut right[lattice.plane(level)]);
        }
        let x = multigrid.solve(&right, 1e-7).unwrap();
        let squares = (0..levels).flat_map(|level| {
            let found = lattice.unpack(&x[lattice.plane(level)]);
            found.into_iter().enumerate().map(move |(at, v)| (v - exact(at, level)).powi(2)).collect::<Vec<f64>>()
        });
        (squares.sum::<f64>() / (nx * ny * levels) as f64).sqrt()
    }

    /// The method of manufactured solutions (P. Roache, "Verification and Validation in Computational Science and
    /// Engineering" (1998), chapter 3): half the cell leaves a quarter of the error.
    #[test]
    fn the_equations_are_of_second_order() {
        let errors = [(16, 4), (32, 8), (64, 16)].map(|(nx, intervals)| manufactured_error(nx, intervals));
        for pair in errors.windows(2) {
            let order = (pair[0] / pair[1]).log2();
            assert!((order - 2.0).abs() < 0.1, "order {order}: {errors:?}");
        }
        assert!(errors[2] < 1e-3, "{errors:?}");
    }
}
