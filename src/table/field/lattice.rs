//! Where the unknowns lie in memory, and the two kinds of number they are held as.
//!
//! A level is a plane of rows. Each row is split into its even and its odd cells, one after the other, each between two
//! cells of nothing: so all cells of one chess-board colour in a row lie side by side, their four neighbours lie side by side
//! too, and a loop over one colour runs over plain slices that the compiler turns into vector instructions. The cells of
//! nothing hold zero for ever: a neighbour beyond the border needs no test.

use std::ops::Range;

/// A floating-point number of the solver: `f64` where the answer is kept, `f32` where only its improvement is sought.
pub(super) trait Real:
    Copy
    + Default
    + std::ops::Add<Output = Self>
    + std::ops::Sub<Output = Self>
    + std::ops::Mul<Output = Self>
    + std::ops::Div<Output = Self>
    + std::ops::AddAssign
{
    /// Rounded from double precision.
    fn narrow(value: f64) -> Self;
    /// Widened to double precision.
    fn wide(self) -> f64;
}

impl Real for f32 {
    fn narrow(value: f64) -> Self {
        value as f32
    }
    fn wide(self) -> f64 {
        f64::from(self)
    }
}

impl Real for f64 {
    fn narrow(value: f64) -> Self {
        value
    }
    fn wide(self) -> f64 {
        self
    }
}

/// The colour of a cell on a chess board laid over a level.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Colour {
    /// Cells whose column and row add up to an even number.
    Red,
    /// The others.
    Black,
}

impl Colour {
    /// Whether this colour's cells in `row` are the odd ones.
    fn odd_in(self, row: usize) -> bool {
        (row % 2 == 1) == (self == Colour::Red)
    }
}

/// The extent of a block of unknowns.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Lattice {
    /// Half of the cells in a row.
    pub half: usize,
    /// Rows.
    pub rows: usize,
    /// Levels.
    pub levels: usize,
}

/// Where the cells of one colour in one row and level lie, and where their neighbours do.
#[derive(Clone, Copy, Debug)]
pub(super) struct HalfRow {
    /// The cells.
    pub here: usize,
    /// Their neighbours at smaller x.
    pub west: usize,
    /// Their neighbours at greater x.
    pub east: usize,
    /// Their neighbours at smaller y.
    pub south: usize,
    /// Their neighbours at greater y.
    pub north: usize,
}

impl Lattice {
    /// A block of `nx` (even) by `ny` cells.
    pub(super) fn new(nx: usize, ny: usize, levels: usize) -> Self {
        Lattice { half: nx / 2, rows: ny, levels }
    }

    fn half_stride(&self) -> usize {
        self.half + 2
    }

    fn row_stride(&self) -> usize {
        2 * self.half_stride()
    }

    fn plane_stride(&self) -> usize {
        (self.rows + 2) * self.row_stride()
    }

    /// The length of a vector over all levels.
    pub(super) fn len(&self) -> usize {
        self.levels * self.plane_stride()
    }

    /// The length of a vector over one level.
    pub(super) fn plane_len(&self) -> usize {
        self.plane_stride()
    }

    /// Where one level lies in a vector over all.
    pub(super) fn plane(&self, level: usize) -> Range<usize> {
        level * self.plane_stride()..(level + 1) * self.plane_stride()
    }

    /// Where the even (`odd` false) or odd cells of `row` begin in a plane.
    pub(super) fn half_row(&self, row: usize, odd: bool) -> usize {
        (row + 1) * self.row_stride() + usize::from(odd) * self.half_stride() + 1
    }

    /// The cells of `colour` in `row` and `level`.
    pub(super) fn coloured(&self, level: usize, row: usize, colour: Colour) -> HalfRow {
        let odd = colour.odd_in(row);
        let base = level * self.plane_stride();
        let here = base + self.half_row(row, odd);
        let other = base + self.half_row(row, !odd);
        let (west, east) = if odd { (other, other + 1) } else { (other - 1, other) };
        HalfRow { here, west, east, south: here - self.row_stride(), north: here + self.row_stride() }
    }

    /// Spreads row-after-row `values` of one level into its plane.
    pub(super) fn pack<R: Real>(&self, values: &[f64], plane: &mut [R]) {
        for (row, line) in values.chunks_exact(2 * self.half).enumerate() {
            let (even, odd) = (self.half_row(row, false), self.half_row(row, true));
            for (at, pair) in line.chunks_exact(2).enumerate() {
                plane[even + at] = R::narrow(pair[0]);
                plane[odd + at] = R::narrow(pair[1]);
            }
        }
    }

    /// Gathers one level's plane row after row.
    pub(super) fn unpack<R: Real>(&self, plane: &[R]) -> Vec<f64> {
        let mut values = Vec::with_capacity(2 * self.half * self.rows);
        for row in 0..self.rows {
            let (even, odd) = (self.half_row(row, false), self.half_row(row, true));
            for at in 0..self.half {
                values.push(plane[even + at].wide());
                values.push(plane[odd + at].wide());
            }
        }
        values
    }
}
