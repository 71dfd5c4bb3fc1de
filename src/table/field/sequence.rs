//! The cut, kerf by kerf: each changes the field only nearby, so only there is it solved anew.
//!
//! A kerf adds D to A, in A·u = b, on the diagonal and on the links of a gap at the few cells that it opens. The change δ of each zone's field then obeys
//! (A + D)·δ = −D·u, whose right side is nothing but at these cells, so it is sought in a window around them. The zone matrix
//! S = C − bᵀA⁻¹b changes by exactly u_before·D·u_after over the same cells, by the identity
//! A⁻¹ − (A + D)⁻¹ = A⁻¹·D·(A + D)⁻¹. What the windows cut off adds up slowly; after some dozens of kerfs all is solved in full.

use std::collections::BTreeMap;

use super::edges::Cover;
use super::grid::{Grid, Resolution};
use super::kerf::Tie;
use super::lattice::Real;
use super::multigrid::{Multigrid, NotSettled};
use super::surface::Surface;
use super::window::Window;
use super::{Field, Footprint, Precision, TopFace, zone_id};
use crate::table::{Kerf, Table, TableLoad};

/// A window's margin in reaches of a disturbance.
const MARGIN: f64 = 4.5;
/// What is left of a change's residual.
const TOLERANCE: f64 = 1e-4;
/// A field that is everywhere below this at a kerf is not touched by it.
const UNTOUCHED: f64 = 1e-6;
/// Kerfs between two full solutions.
const REFRESH: usize = 64;

/// A load that is being cut.
#[derive(Clone, Debug)]
pub struct Sequence {
    table: Table,
    resolution: Resolution,
    load: TableLoad,
    cover: Cover,
    surface: Surface,
    field: Field,
    /// The top face before its first kerf, and its field if it was solved.
    uncut: (Surface, Option<Field>),
    since_refresh: usize,
}

/// What is added to the conductances of the top face.
type Opened = Vec<Tie>;

impl Sequence {
    /// Solves `table` under `load` as it is before the first cut.
    ///
    /// # Errors
    /// As [`Field::solve`].
    pub fn start(table: &Table, load: &TableLoad, resolution: Resolution) -> Result<Self, NotSettled> {
        let cover = Cover::new(table, load);
        let uncut = Surface::uncut(table, load, &cover, Grid::new(&table.board, resolution));
        let mut surface = uncut.clone();
        surface.cut_all(&load.kerfs);
        let field = Field::over(&surface, &load.parts, Precision::Working)?;
        let uncut_field = load.kerfs.is_empty().then(|| field.clone());
        Ok(Sequence {
            table: table.clone(),
            resolution,
            load: load.clone(),
            cover,
            surface,
            field,
            uncut: (uncut, uncut_field),
            since_refresh: 0,
        })
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
        self.load.kerfs.push(kerf.clone());
        self.follow(vec![opened])
    }

    /// Brings the top face to `load` of the same table: by windows where only kerfs differ, anew otherwise.
    ///
    /// # Errors
    /// As [`Field::solve`].
    pub fn go_to(&mut self, load: &TableLoad) -> Result<(), NotSettled> {
        let cover = Cover::new(&self.table, load);
        if load.sheets != self.load.sheets || load.parts != self.load.parts || cover != self.cover {
            *self = Self::start(&self.table, load, self.resolution)?;
            return Ok(());
        }
        let before = std::mem::replace(&mut self.surface, self.uncut.0.clone());
        self.load = load.clone();
        let touched: Vec<Opened> = self.surface.cut_all(&load.kerfs);
        if let (true, Some(field)) = (load.kerfs.is_empty(), &self.uncut.1) {
            (self.field, self.since_refresh) = (field.clone(), 0);
            return Ok(());
        }
        let groups = grouped(&self.surface.opened_since(&before), touched);
        // What the charts of new kerfs took to draw is kept.
        self.uncut.0.keep_charts(&self.surface);
        if groups.is_empty() { Ok(()) } else { self.follow(groups) }
    }

    /// Solves the whole board anew.
    ///
    /// # Errors
    /// As [`Field::solve`].
    pub fn refresh(&mut self) -> Result<(), NotSettled> {
        self.field = Field::over(&self.surface, &self.load.parts, Precision::Working)?;
        self.since_refresh = 0;
        Ok(())
    }

    /// Brings the field to the surface, which has `groups` open since: each in its own window, from the field before all of them.
    fn follow(&mut self, groups: Vec<Opened>) -> Result<(), NotSettled> {
        self.since_refresh += groups.len();
        // Inertia acts on the flow at every depth, which windows do not keep.
        if self.since_refresh > REFRESH || self.surface.inertia {
            return self.refresh();
        }
        let opened: Opened = groups.iter().flatten().copied().collect();
        let before = self.field.at_ties(&opened);
        let mut start = 0;
        for group in &groups {
            let values: Vec<&[f64]> = before.iter().map(|values| &values[start..start + group.len()]).collect();
            start += group.len();
            if let Some(window) = self.window(group) {
                self.update(group, &values, &window)?;
                self.press_anew(&window);
            }
        }
        let after = self.field.at_ties(&opened);
        self.add_flows(&opened, &before, &after);
        Ok(())
    }

    fn window(&self, group: &Opened) -> Option<Window> {
        let cells = group.iter().map(|tie| tie.cell);
        Window::around(cells, MARGIN * self.surface.reach(), &self.surface.grid)
    }

    /// Adds the change that `opened` makes to each zone's field, whose values there were `before`.
    fn update(&mut self, opened: &Opened, before: &[&[f64]], window: &Window) -> Result<(), NotSettled> {
        let (block, strata) = self.surface.block(window);
        let mut multigrid = Multigrid::new(&block, &strata);
        for (top, at_kerf) in self.field.tops.iter_mut().zip(before) {
            if at_kerf.iter().all(|value| value.abs() < UNTOUCHED) {
                continue;
            }
            let lattice = multigrid.finest().lattice;
            let mut source = vec![0.0; window.len()];
            for (tie, value) in opened.iter().zip(*at_kerf) {
                let flow = tie.added * value / self.surface.unit;
                for (cell, leaving) in [(Some(tie.cell), flow), (tie.other, -flow)] {
                    if let Some(place) = cell.and_then(|cell| window.place(cell, &self.surface.grid)) {
                        source[place] -= leaving;
                    }
                }
            }
            let mut right = multigrid.finest().zeros();
            let face = lattice.plane(lattice.levels - 1);
            lattice.pack(&source, &mut right[face.clone()]);
            let change = multigrid.solve(&right, TOLERANCE)?;
            top.add(window, &lattice.unpack(&change[face]));
        }
        Ok(())
    }

    /// Adds what the openings let into each zone, shared evenly between the halves of S.
    fn add_flows(&mut self, opened: &Opened, before: &[Vec<f64>], after: &[Vec<f64>]) {
        let sum = |one: &[f64], other: &[f64]| -> f64 {
            opened.iter().zip(one).zip(other).map(|((tie, one), other)| tie.added * one * other).sum()
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
        for (part, footprint) in self.load.parts.iter().zip(&mut self.field.parts) {
            if footprint.cells.iter().any(|(cell, _)| window.place(*cell as usize, grid).is_some()) {
                *footprint = Footprint::of_part(part, &self.surface, &self.field.tops);
            }
        }
    }
}

/// The ties of `changed`, each with the first kerf that touches it; those that no kerf touches by themselves.
fn grouped(changed: &Opened, touched: Vec<Opened>) -> Vec<Opened> {
    let mut left: BTreeMap<(usize, Option<usize>), Tie> =
        changed.iter().map(|tie| ((tie.cell, tie.other), *tie)).collect();
    let mut groups: Vec<Opened> = touched
        .into_iter()
        .map(|ties| ties.iter().filter_map(|tie| left.remove(&(tie.cell, tie.other))).collect())
        .collect();
    groups.push(left.into_values().collect());
    groups.retain(|group| !group.is_empty());
    groups
}

impl Field {
    /// Each zone's share at the ties of `opened`: the difference between their ends.
    fn at_ties(&self, opened: &Opened) -> Vec<Vec<f64>> {
        let at = |top: &TopFace, cell: usize| top.at(cell as u32);
        let across = |top: &TopFace, tie: &Tie| at(top, tie.cell) - tie.other.map_or(0.0, |other| at(top, other));
        self.tops.iter().map(|top| opened.iter().map(|tie| across(top, tie)).collect()).collect()
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
