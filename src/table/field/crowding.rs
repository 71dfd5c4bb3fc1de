//! How a field crowds: ∫|q|³dV / Q³, on which inertia acts.
//!
//! Forchheimer's law adds β·|G|·G to the drag, so a field that carries Q loses 2β/(R·T)·∫|q|³dV of v·Q to it in the first order,
//! with q the throughput per area; where all flow is straight through a board of thickness t and area A that is t/A².

use super::grid::Grid;
use super::window::Window;

/// ∫|q|³dV / Q³ in 1/m³ of the field whose `levels` hold v row after row, and which draws `drawn` m³.
pub(super) fn crowding(levels: &[Vec<f64>], window: &Window, grid: &Grid, drawn: f64) -> f64 {
    let nx = window.columns.len();
    let mut sum = 0.0;
    for (interval, pair) in grid.intervals.iter().zip(levels.windows(2)) {
        let (below, above) = (&pair[0], &pair[1]);
        let volume = grid.cell_area() * interval.height;
        for at in 0..below.len() {
            let through = interval.through / interval.height * (below[at] - above[at]);
            let along = |values: &[f64]| {
                let x = slope(values, at, 1, at % nx, nx) / grid.hx;
                let y = slope(values, at, nx, at / nx, window.rows.len()) / grid.hy;
                x * x + y * y
            };
            let sideways = 0.5 * interval.along.powi(2) * (along(below) + along(above));
            sum += (through * through + sideways).powf(1.5) * volume;
        }
    }
    if drawn > 0.0 { sum / drawn.powi(3) } else { 0.0 }
}

/// The mean difference from cell to cell at `at`, which is number `place` of `count` in its line.
fn slope(values: &[f64], at: usize, step: usize, place: usize, count: usize) -> f64 {
    let before = if place > 0 { values[at] - values[at - step] } else { 0.0 };
    let after = if place + 1 < count { values[at + step] - values[at] } else { 0.0 };
    let sides = u8::from(place > 0) + u8::from(place + 1 < count);
    (before + after) / f64::from(sides.max(1))
}
