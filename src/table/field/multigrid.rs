//! Conjugate gradients, preconditioned by one multigrid cycle, for one block of the board.
//!
//! The cycle smooths by solving whole columns, all of one chess-board colour at a time, because neighbours in a column are bound
//! far more tightly than neighbours along the board; so only x and y are coarsened. A sweep in the order red, black on the way down and
//! black, red on the way up keeps the cycle symmetric, as conjugate gradients need. The plenum screens the field within a
//! few coarse cells, so three grids are enough. Methods: U. Trottenberg, C. Oosterlee, A. Schüller, "Multigrid" (2001),
//! sections 5.1 (line smoothers), 2.8.1 (cell-centred transfer) and 7.8 (as a preconditioner).

use super::lattice::{Colour, Lattice};
use super::operator::{Block, Operator, Strata};

/// Grids of one block, the finest first.
const GRIDS: usize = 3;

/// Sweeps on the coarsest grid.
const COARSEST_SWEEPS: usize = 4;

/// How far conjugate gradients may go before they are called stuck.
const MOST_ITERATIONS: usize = 400;

/// The solution did not settle.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("the flow field did not settle: {reached:e} of the first residual is left after {iterations} iterations")]
pub struct NotSettled {
    /// What is left of the first residual.
    pub reached: f64,
    /// How many iterations were made.
    pub iterations: usize,
}

/// The equations of one block on all grids, with room for their solution.
#[derive(Debug)]
pub(super) struct Multigrid {
    operators: Vec<Operator<f32>>,
    coarse: Vec<Room>,
    scratch: Vec<f32>,
}

/// Right side and solution on one coarse grid.
#[derive(Debug)]
struct Room {
    right: Vec<f32>,
    x: Vec<f32>,
}

impl Multigrid {
    /// The grids of `block`.
    pub(super) fn new(block: &Block, strata: &Strata) -> Self {
        let mut operators = vec![Operator::new(block, strata)];
        let (mut block, mut strata) = (block.clone(), strata.clone());
        while operators.len() < GRIDS && block.nx.is_multiple_of(4) && block.ny.is_multiple_of(2) && block.ny > 4 {
            (block, strata) = (coarsened(&block, &strata), coarsened_strata(&strata));
            operators.push(Operator::new(&block, &strata));
        }
        let coarse =
            operators[1..].iter().map(|operator| Room { right: operator.zeros(), x: operator.zeros() }).collect();
        Multigrid { operators, coarse, scratch: Vec::new() }
    }

    /// The equations on the finest grid.
    pub(super) fn finest(&self) -> &Operator<f32> {
        &self.operators[0]
    }

    /// Solves A·x = `right` until the preconditioned residual has fallen to `tolerance` of its first size.
    ///
    /// # Errors
    /// [`NotSettled`] if it does not get there.
    pub(super) fn solve(&mut self, right: &[f32], tolerance: f64) -> Result<Vec<f32>, NotSettled> {
        let mut x = self.finest().zeros();
        let mut residual = right.to_vec();
        let mut step = self.finest().zeros();
        let mut image = self.finest().zeros();
        let mut corrected = self.finest().zeros();
        let mut first = 0.0;
        let mut last = 0.0;
        for iteration in 0..MOST_ITERATIONS {
            cycle(&self.operators, &mut self.coarse, &residual, &mut corrected, &mut self.scratch);
            let size = dot(&residual, &corrected);
            if iteration == 0 {
                first = size;
            }
            if size <= tolerance * tolerance * first {
                return Ok(x);
            }
            let turn = if iteration == 0 { 0.0 } else { size / last };
            combine(&mut step, turn as f32, &corrected);
            let curvature = self.operators[0].apply(&step, &mut image);
            let length = (size / curvature) as f32;
            for (((value, left), towards), taken) in x.iter_mut().zip(&mut residual).zip(&step).zip(&image) {
                *value += length * towards;
                *left -= length * taken;
            }
            last = size;
        }
        Err(NotSettled { reached: (last / first).sqrt(), iterations: MOST_ITERATIONS })
    }
}

/// step ← corrected + turn·step.
fn combine(step: &mut [f32], turn: f32, corrected: &[f32]) {
    for (value, new) in step.iter_mut().zip(corrected) {
        *value = new + turn * *value;
    }
}

/// The inner product, summed in eight lanes and then in double precision.
fn dot(a: &[f32], b: &[f32]) -> f64 {
    a.chunks(4096).zip(b.chunks(4096)).map(|(a, b)| lanes_dot(a, b)).sum()
}

/// The inner product of two short slices.
pub(super) fn lanes_dot(a: &[f32], b: &[f32]) -> f64 {
    let mut lanes = [0.0f32; 8];
    let (heads_a, heads_b) = (a.chunks_exact(8), b.chunks_exact(8));
    let tail: f32 = heads_a.remainder().iter().zip(heads_b.remainder()).map(|(a, b)| a * b).sum();
    for (a, b) in heads_a.zip(heads_b) {
        for k in 0..8 {
            lanes[k] += a[k] * b[k];
        }
    }
    f64::from(lanes.iter().sum::<f32>() + tail)
}

/// One V-cycle from rest: an approximate solution `x` of A·x = `right`.
fn cycle(operators: &[Operator<f32>], rooms: &mut [Room], right: &[f32], x: &mut [f32], scratch: &mut Vec<f32>) {
    let operator = &operators[0];
    operator.relax_from_rest(x, right, scratch);
    operator.relax(x, right, Colour::Black, scratch);
    match rooms.split_first_mut() {
        Some((room, rest)) => {
            restrict(operator, x, right, &operators[1].lattice, &mut room.right, scratch);
            cycle(&operators[1..], rest, &room.right, &mut room.x, scratch);
            prolong(&operators[1].lattice, &room.x, &operator.lattice, x, scratch);
        }
        None => {
            for _ in 1..COARSEST_SWEEPS {
                operator.relax(x, right, Colour::Red, scratch);
                operator.relax(x, right, Colour::Black, scratch);
            }
            operator.relax(x, right, Colour::Red, scratch);
            return;
        }
    }
    operator.relax(x, right, Colour::Black, scratch);
    operator.relax(x, right, Colour::Red, scratch);
}

/// Sums the residual onto the coarser grid with the weights of bilinear interpolation.
///
/// After a black sweep only red cells have a residual.
fn restrict(
    operator: &Operator<f32>,
    x: &[f32],
    right: &[f32],
    coarse: &Lattice,
    out: &mut [f32],
    scratch: &mut Vec<f32>,
) {
    let Lattice { half, rows, levels } = operator.lattice;
    scratch.clear();
    scratch.resize(2 * half, 0.0);
    let (own, along) = scratch.split_at_mut(half);
    out.fill(0.0);
    for level in 0..levels {
        let plane = &mut out[coarse.plane(level)];
        for row in 0..rows {
            operator.residual(x, right, level, row, Colour::Red, own);
            weigh_row(own, row % 2 == 1, along);
            let nearest = row / 2;
            let next = if row % 2 == 1 { (nearest + 1).min(coarse.rows - 1) } else { nearest.saturating_sub(1) };
            add_row(coarse, plane, nearest, 0.75, along);
            add_row(coarse, plane, next, 0.25, along);
        }
    }
}

/// Sums one row's even or odd cells onto coarse cells.
fn weigh_row(own: &[f32], odd: bool, along: &mut [f32]) {
    let count = own.len();
    for (sum, value) in along.iter_mut().zip(own) {
        *sum = 0.75 * value;
    }
    if odd {
        for (sum, value) in along[1..].iter_mut().zip(own) {
            *sum += 0.25 * value;
        }
        along[count - 1] += 0.25 * own[count - 1];
    } else {
        for (sum, value) in along.iter_mut().zip(&own[1..]) {
            *sum += 0.25 * value;
        }
        along[0] += 0.25 * own[0];
    }
}

fn add_row(coarse: &Lattice, plane: &mut [f32], row: usize, weight: f32, along: &[f32]) {
    for odd in [false, true] {
        let start = coarse.half_row(row, odd);
        let pairs = along.chunks_exact(2);
        for (value, pair) in plane[start..start + coarse.half].iter_mut().zip(pairs) {
            *value += weight * pair[usize::from(odd)];
        }
    }
}

/// Adds the coarse solution, bilinearly interpolated, to the red cells: the black ones are solved anew right after.
fn prolong(coarse: &Lattice, solution: &[f32], fine: &Lattice, x: &mut [f32], scratch: &mut Vec<f32>) {
    let half = fine.half;
    scratch.clear();
    scratch.resize(half + 2, 0.0);
    for level in 0..fine.levels {
        let from = &solution[coarse.plane(level)];
        let plane = fine.plane(level).start;
        for row in 0..fine.rows {
            let odd = row % 2 == 1;
            let nearest = row / 2;
            let next = if odd { (nearest + 1).min(coarse.rows - 1) } else { nearest.saturating_sub(1) };
            blend_rows(coarse, from, nearest, next, scratch);
            let start = plane + fine.half_row(row, odd);
            let beside = usize::from(odd) * 2;
            let values = x[start..start + half].iter_mut();
            for ((value, near), far) in values.zip(&scratch[1..]).zip(&scratch[beside..]) {
                *value += 0.75 * near + 0.25 * far;
            }
        }
    }
}

/// Three quarters of one coarse row and one of another, each cell in its place, the border cells repeated.
fn blend_rows(coarse: &Lattice, plane: &[f32], near: usize, far: usize, blended: &mut [f32]) {
    for odd in [false, true] {
        let (near, far) = (coarse.half_row(near, odd), coarse.half_row(far, odd));
        let rows = plane[near..near + coarse.half].iter().zip(&plane[far..far + coarse.half]);
        for (pair, (near, far)) in blended[1..].chunks_exact_mut(2).zip(rows) {
            pair[usize::from(odd)] = 0.75 * near + 0.25 * far;
        }
    }
    blended[0] = blended[1];
    blended[2 * coarse.half + 1] = blended[2 * coarse.half];
}

/// The conductance of openings on a coarse cell: those of its four cells, and the way from its middle to them.
///
/// A line of openings meets ln 2 / (π·k) more resistance per length on a grid twice as coarse, which the sum of the fine
/// conductances leaves out; a cell that is all open has no such way.
fn coarsened_openings(openings: [f64; 4], strata: &Strata) -> f64 {
    let sum: f64 = openings.iter().sum();
    let top = strata.heights.len() - 1;
    let spread = 8.0 * (strata.along_x[top] * strata.through[top - 1]).sqrt();
    if openings.iter().all(|opening| *opening > 100.0 * spread) { sum } else { sum * spread / (sum + spread) }
}

/// The block on a grid twice as coarse.
fn coarsened(block: &Block, strata: &Strata) -> Block {
    let (nx, ny) = (block.nx / 2, block.ny / 2);
    let four = |values: &[f64], column: usize, row: usize| {
        let at = 2 * row * block.nx + 2 * column;
        [values[at], values[at + 1], values[at + block.nx], values[at + block.nx + 1]]
    };
    let each = |cell: &dyn Fn(usize, usize) -> f64| -> Vec<f64> {
        (0..ny).flat_map(|row| (0..nx).map(move |column| cell(column, row))).collect()
    };
    Block {
        nx,
        ny,
        bottom: each(&|column, row| four(&block.bottom, column, row).iter().sum()),
        top: each(&|column, row| coarsened_openings(four(&block.top, column, row), strata)),
        through: each(&|column, row| four(&block.through, column, row).iter().sum()),
        gap_east: each(&|column, row| {
            let [_, south, _, north] = four(&block.gap_east, column, row);
            if column + 1 == nx { 0.0 } else { 0.5 * (south + north) }
        }),
        gap_north: each(&|column, row| {
            let [_, _, west, east] = four(&block.gap_north, column, row);
            if row + 1 == ny { 0.0 } else { 0.5 * (west + east) }
        }),
    }
}

/// The strata on a grid twice as coarse: the same along the board, four times the area through it.
fn coarsened_strata(strata: &Strata) -> Strata {
    let through = strata.through.iter().map(|value| 4.0 * value).collect();
    Strata { through, ..strata.clone() }
}
