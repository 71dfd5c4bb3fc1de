//! The cut, kerf by kerf: each changes the field only nearby, so only there is it solved anew.
//!
//! A kerf adds D to the diagonal of A·u = b at the few cells that it opens. The change δ of each zone's field then obeys
//! (A + D)·δ = −D·u, whose right side is nothing but at these cells, so it is sought in a window around them. The zone matrix
//! S = C − bᵀA⁻¹b changes by exactly Σ D·u_before·u_after over the same cells, by the identity
//! A⁻¹ − (A + D)⁻¹ = A⁻¹·D·(A + D)⁻¹. What the windows cut off adds up slowly; after some dozens of kerfs all is solved in full.

use super::grid::{Grid, Resolution};
use super::lattice::Real;
use super::multigrid::{Multigrid, NotSettled};
use super::surface::Surface;
use super::window::Window;
use super::{Field, Footprint, Precision, TopFace, zone_id};
use crate::table::{Kerf, PartShape, Table, TableLoad};

/// A window's margin in reaches of a disturbance.
const MARGIN: f64 = 5.0;
/// What is left of a change's residual.
const TOLERANCE: f64 = 1e-4;
/// A field that is everywhere below this at a kerf is not touched by it.
const UNTOUCHED: f64 = 1e-6;
/// Kerfs between two full solutions.
const REFRESH: usize = 64;

/// A load that is being cut.
#[derive(Clone, Debug)]
pub struct Sequence {
    surface: Surface,
    parts: Vec<PartShape>,
    field: Field,
    since_refresh: usize,
}

impl Sequence {
    /// Solves `table` under `load` as it is before the first cut.
    ///
    /// # Errors
    /// As [`Field::solve`].
    pub fn start(table: &Table, load: &TableLoad, resolution: Resolution) -> Result<Self, NotSettled> {
        let surface = Surface::new(table, load, Grid::new(&table.board, resolution));
        let field = Field::over(&surface, &load.parts, Precision::Working)?;
        Ok(Sequence { surface, parts: load.parts.clone(), field, since_refresh: 0 })
    }

    /// The field as it is now.
    pub fn field(&self) -> &Field {
        &self.field
    }

    /// Opens `kerf`.
    ///
    /// # Errors
    /// As [`Field::solve`].
    pub fn cut(&mut self, kerf: &Kerf) -> Result<(), NotSettled> {
        let opened = self.surface.cut(kerf);
        self.since_refresh += 1;
        if self.since_refresh > REFRESH {
            return self.refresh();
        }
        let cells = opened.iter().map(|(cell, _)| *cell);
        let margin = MARGIN * self.surface.reach();
        if let Some(window) = Window::around(cells, margin, &self.surface.grid) {
            self.update(&opened, &window)?;
            self.press_anew(&window);
        }
        Ok(())
    }

    /// Solves the whole board anew.
    ///
    /// # Errors
    /// As [`Field::solve`].
    pub fn refresh(&mut self) -> Result<(), NotSettled> {
        self.field = Field::over(&self.surface, &self.parts, Precision::Working)?;
        self.since_refresh = 0;
        Ok(())
    }

    fn update(&mut self, opened: &[(usize, f64)], window: &Window) -> Result<(), NotSettled> {
        let (block, strata) = self.surface.block(window);
        let mut multigrid = Multigrid::new(&block, &strata);
        let values = |top: &TopFace| -> Vec<f64> { opened.iter().map(|(cell, _)| top.at(*cell as u32)).collect() };
        let before: Vec<Vec<f64>> = self.field.tops.iter().map(values).collect();
        for (top, at_kerf) in self.field.tops.iter_mut().zip(&before) {
            if at_kerf.iter().all(|value| value.abs() < UNTOUCHED) {
                continue;
            }
            let lattice = multigrid.finest().lattice;
            let mut source = vec![0.0; window.len()];
            for ((cell, added), value) in opened.iter().zip(at_kerf) {
                if let Some(place) = window.place(*cell, &self.surface.grid) {
                    source[place] = -added * value / self.surface.unit();
                }
            }
            let mut right = multigrid.finest().zeros();
            let face = lattice.plane(lattice.levels - 1);
            lattice.pack(&source, &mut right[face.clone()]);
            let change = multigrid.solve(&right, TOLERANCE)?;
            top.add(window, &lattice.unpack(&change[face]));
        }
        let after: Vec<Vec<f64>> = self.field.tops.iter().map(values).collect();
        self.add_flows(opened, &before, &after);
        Ok(())
    }

    /// Adds what the openings let into each zone, shared evenly between the halves of S.
    fn add_flows(&mut self, opened: &[(usize, f64)], before: &[Vec<f64>], after: &[Vec<f64>]) {
        let sum = |one: &[f64], other: &[f64]| -> f64 {
            opened.iter().zip(one).zip(other).map(|(((_, added), one), other)| added * one * other).sum()
        };
        for row in 0..before.len() {
            for column in 0..before.len() {
                let flow = 0.5 * (sum(&before[row], &after[column]) + sum(&before[column], &after[row]));
                let (row, column) = (zone_id(row), zone_id(column));
                let was = self.field.zones.get(row, column);
                self.field.zones.set(row, column, was + flow);
            }
        }
    }

    /// Lays out anew the footprints that reach into `window`.
    fn press_anew(&mut self, window: &Window) {
        let grid = &self.surface.grid;
        for (part, footprint) in self.parts.iter().zip(&mut self.field.parts) {
            if footprint.cells.iter().any(|(cell, _)| window.place(*cell as usize, grid).is_some()) {
                *footprint = Footprint::of_part(part, &self.surface);
            }
        }
    }
}

impl TopFace {
    /// Adds `change`, given over `window`, where it overlaps.
    fn add(&mut self, window: &Window, change: &[f64]) {
        let columns =
            self.window.columns.start.max(window.columns.start)..self.window.columns.end.min(window.columns.end);
        for row in self.window.rows.start.max(window.rows.start)..self.window.rows.end.min(window.rows.end) {
            for column in columns.clone() {
                let here =
                    (row - self.window.rows.start) * self.window.columns.len() + column - self.window.columns.start;
                let there = (row - window.rows.start) * window.columns.len() + column - window.columns.start;
                self.values[here] += f32::narrow(change[there]);
            }
        }
    }
}
