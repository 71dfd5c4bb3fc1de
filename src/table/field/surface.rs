//! What bounds the board's field: the plenum below, rims and seams around, and the top face with its cover and openings.

use std::collections::BTreeMap;

use super::coverage::{Patch, coverage};
use super::edges::{Cover, Edge};
use super::gap::LEAST_WAY;
use super::grid::Grid;
use super::kerf::Cuts;
use super::line::Line;
use super::opening::EdgeSink;
use super::operator::{Block, Borders, Strata};
use super::rim;
use super::spectrum::Medium;
use super::window::Window;
use crate::table::{Point, Rim, Seam, Table, TableLoad};
use crate::units::Length;

/// A cell that is open has this many times √(k_xy·k_z) per cell side as its permeance: as good as none left.
const OPEN: f64 = 1e5;
/// The least contact resistance reckoned with, as a share of the board's own.
const LEAST_CONTACT: f64 = 1e-4;
/// A cell beside an opening draws through at least this share of bare face.
const LEAST_BARE: f64 = 0.25;
/// A share of a cell that differs from all or nothing only by rounding.
const SLIVER: f64 = 1e-3;

/// Everything about the equations that is not the grid itself; conductances in m³.
#[derive(Clone, Debug)]
pub(super) struct Surface {
    /// The grid.
    pub grid: Grid,
    /// The conductance that the equations are scaled by, in m³.
    pub unit: f64,
    /// For each zone its cells and their conductance to the plenum.
    pub contacts: Vec<Vec<(usize, f64)>>,
    /// From each cell's top node to the room.
    pub top: Vec<f64>,
    /// The area in m² of each cell under a sheet, kerfs included.
    pub sheeted: Vec<f64>,
    /// The area in m² of each cell that kerfs have opened.
    pub kerfed: Vec<f64>,
    /// How much of that area in m² stands for the v of kerfs' floors where the bare face resists; the rest of its v belongs to what lies
    /// beside the kerfs (`footing`).
    pub floored: Vec<f64>,
    /// The bare area in m² of each cell beside a cover, whose v belongs to that cover.
    pub spilt: Vec<f64>,
    /// The width in metres of the widest kerf in each cell.
    pub widths: Vec<f64>,
    /// From each cell's lowest node to all zones under it.
    pub bottom: Vec<f64>,
    /// Along the gap to the next cell at greater x.
    pub gap_east: Vec<f64>,
    /// Along the gap to the next cell at greater y.
    pub gap_north: Vec<f64>,
    /// What a bare face resists besides, in 1/m.
    pub entry: f64,
    /// The kerfs so far.
    pub cuts: Cuts,
    /// Whether inertia is asked for.
    pub inertia: bool,
    through: Vec<f64>,
    borders: Borders,
    contact: f64,
    sheets: Vec<SheetFace>,
}

/// What a sheet does to the top face.
#[derive(Clone, Debug)]
struct SheetFace {
    low: (f64, f64),
    high: (f64, f64),
    /// Transmissivity of the gap under it, h³/12 (plane Poiseuille flow), in m³.
    gap: f64,
    /// Its permeance in m.
    cover: f64,
}

impl Surface {
    /// The table under its load.
    pub(super) fn new(table: &Table, load: &TableLoad, grid: Grid) -> Self {
        let mut surface = Surface::uncut(table, load, &Cover::new(table, load), grid);
        surface.cut_all(&load.kerfs);
        surface
    }

    /// The table under its load, before the first kerf.
    pub(super) fn uncut(table: &Table, load: &TableLoad, cover: &Cover, grid: Grid) -> Self {
        let cells = grid.cells();
        let own: f64 = grid.through().iter().map(|permeance| 1.0 / permeance).sum();
        let contact = table.plenum.contact.per_metre().max(LEAST_CONTACT * own);
        let mut surface = Surface {
            unit: grid.along().into_iter().fold(f64::MIN_POSITIVE, f64::max),
            contacts: Vec::new(),
            top: vec![0.0; cells],
            kerfed: vec![0.0; cells],
            floored: vec![0.0; cells],
            spilt: vec![0.0; cells],
            widths: vec![0.0; cells],
            bottom: vec![0.0; cells],
            through: vec![0.0; cells],
            gap_east: vec![0.0; cells],
            gap_north: vec![0.0; cells],
            borders: Borders::default(),
            contact,
            entry: table.board.top_entry.per_metre(),
            inertia: table.board.pores.inertia_per_metre > 0.0,
            sheeted: vec![0.0; cells],
            sheets: load.sheets.iter().map(SheetFace::of).collect(),
            cuts: Cuts::default(),
            grid,
        };
        surface.borders = surface.rims(table);
        surface.touch_zones(table);
        table.board.seams.iter().for_each(|seam| surface.leak_seam(seam, table.board.thickness()));
        surface.lay_cover(cover);
        surface
    }

    /// The medium under sheet `sheet`.
    pub(super) fn medium(&self, sheet: Option<usize>) -> Medium<'_> {
        let (gap, cover) = sheet.map_or((0.0, 0.0), |at| (self.sheets[at].gap, self.sheets[at].cover));
        Medium { grid: &self.grid, contact: self.contact, gap, cover }
    }

    /// How far a disturbance is felt along the board, in metres.
    pub(super) fn reach(&self) -> f64 {
        self.medium(self.loosest_sheet()).reach()
    }

    /// Over what length a disturbance falls by e along the board, in metres.
    pub(super) fn decay(&self) -> f64 {
        self.medium(self.loosest_sheet()).decay()
    }

    fn loosest_sheet(&self) -> Option<usize> {
        (0..self.sheets.len()).max_by(|a, b| self.sheets[*a].gap.total_cmp(&self.sheets[*b].gap))
    }

    fn touch_zones(&mut self, table: &Table) {
        let conductance = self.grid.cell_area() / self.contact;
        for zone in &table.plenum.zones {
            let mut contacts = BTreeMap::new();
            for rect in &zone.rects {
                let corners = [
                    (rect.low.x, rect.low.y),
                    (rect.high.x, rect.low.y),
                    (rect.high.x, rect.high.y),
                    (rect.low.x, rect.high.y),
                ];
                let outline: Vec<Point> = corners.iter().map(|&(x, y)| Point { x, y }).collect();
                for (column, row, share) in self.patch(&outline).cells() {
                    *contacts.entry(row * self.grid.nx + column).or_insert(0.0) += share * conductance;
                }
            }
            contacts.iter().for_each(|(cell, value)| self.bottom[*cell] += value);
            self.contacts.push(contacts.into_iter().collect());
        }
    }

    /// The shares of cells that `outline` covers.
    pub(super) fn patch(&self, outline: &[Point]) -> Patch {
        let outline: Vec<(f64, f64)> = outline.iter().map(|point| self.grid.in_cells(*point)).collect();
        coverage(&outline, self.grid.nx, self.grid.ny)
    }

    /// The seam's conductance per length, spread over the cells within half a cell of it.
    fn leak_seam(&mut self, seam: &Seam, thickness: Length) {
        let spread = 0.5 * (self.grid.hx + self.grid.hy);
        let Some(line) = Line::new(metres(seam.from), metres(seam.to), 0.0, 0.0) else { return };
        let per_area = seam.conductance_m2 / spread / thickness.metres() * self.grid.cell_area();
        for (column, row, share) in self.patch(&line.strip(spread)).cells() {
            self.through[row * self.grid.nx + column] += share * per_area;
        }
    }

    /// Conductance of the rims' cells to the room, for each level.
    fn rims(&self, table: &Table) -> Borders {
        let (hx, hy, rims) = (self.grid.hx, self.grid.hy, &table.board.rims);
        let reach = self.medium(None).reach();
        let mut matched: Vec<(Rim, f64, Vec<f64>)> = Vec::new();
        let mut rim = |rim: Rim, depth: f64, length: f64| -> Vec<f64> {
            let alike =
                |(other, as_deep, _): &&(Rim, f64, Vec<f64>)| *other == rim && (as_deep / depth - 1.0).abs() < 1e-6;
            let per_metre = match matched.iter().find(alike) {
                Some((_, _, known)) => known.clone(),
                None => rim::conductances(rim, &self.grid, self.contact, depth, reach),
            };
            let scaled = per_metre.iter().map(|conductance| conductance * length).collect();
            matched.push((rim, depth, per_metre));
            scaled
        };
        Borders {
            west: rim(rims.x_min, hx, hy),
            east: rim(rims.x_max, hx, hy),
            south: rim(rims.y_min, hy, hx),
            north: rim(rims.y_max, hy, hx),
        }
    }

    /// Covers what sheets cover; opens the rest, with matched conductances along its edges.
    fn lay_cover(&mut self, cover: &Cover) {
        let area = self.grid.cell_area();
        for (outline, sign) in cover.outlines() {
            for (column, row, share) in self.patch(&outline).cells() {
                self.sheeted[row * self.grid.nx + column] += sign * share * area;
            }
        }
        self.sheeted.iter_mut().for_each(|sheeted| *sheeted = sheeted.clamp(0.0, area));
        let edges = cover.edges();
        let sink = edges.first().map(|edge| {
            let medium = self.medium(self.sheet_near(edge.from));
            // Where the bare face resists, the gap ends by itself (`gap_or_end`).
            EdgeSink::new(&Medium { gap: if self.entry > 0.0 { 0.0 } else { medium.gap }, ..medium })
        });
        let nearest =
            sink.as_ref().map_or_else(BTreeMap::new, |sink| self.nearest_edges(&edges, sink.outside.max(sink.inside)));
        let open = OPEN * self.medium(None).top_mean() / self.grid.hx;
        for cell in 0..self.grid.cells() {
            let bare = 1.0 - self.sheeted[cell] / area;
            let permeance = match (&sink, nearest.get(&cell)) {
                (Some(sink), Some((normal, distance))) if (-sink.inside..sink.outside).contains(distance) => {
                    self.spilt[cell] = area * bare;
                    sink.permeance(normal.0, normal.1, *distance)
                }
                _ if bare > 1.0 - SLIVER => open,
                _ if bare > SLIVER => open * bare,
                _ => 0.0,
            };
            if permeance > 0.0 {
                self.top[cell] += area / (1.0 / permeance + self.entry / bare.max(LEAST_BARE));
            }
        }
        self.lay_sheet_faces();
    }

    /// The nearest edge of each cell within `reach` of one: its normal, and how far on its covered side the cell lies.
    fn nearest_edges(&self, edges: &[Edge], reach: f64) -> BTreeMap<usize, ((f64, f64), f64)> {
        let mut nearest: BTreeMap<usize, ((f64, f64), f64)> = BTreeMap::new();
        let (hx, hy) = (self.grid.hx, self.grid.hy);
        for edge in edges {
            let columns = cells_between(edge.from.0, edge.to.0, reach, hx, self.grid.nx);
            let rows = cells_between(edge.from.1, edge.to.1, reach, hy, self.grid.ny);
            for row in rows {
                for column in columns.clone() {
                    let cell = row * self.grid.nx + column;
                    let middle = ((column as f64 + 0.5) * hx, (row as f64 + 0.5) * hy);
                    let distance = edge.distance(middle);
                    if distance < reach && nearest.get(&cell).is_none_or(|(_, other)| distance < other.abs()) {
                        let side =
                            edge.side(middle).unwrap_or(if self.sheeted[cell] > 0.5 * hx * hy { 1.0 } else { -1.0 });
                        nearest.insert(cell, (edge.normal(), side * distance));
                    }
                }
            }
        }
        nearest
    }

    /// Gap flow between covered cells and leak through the sheets.
    fn lay_sheet_faces(&mut self) {
        let (nx, ny) = (self.grid.nx, self.grid.ny);
        let owner: Vec<Option<usize>> = (0..self.grid.cells())
            .map(|cell| {
                let middle = (((cell % nx) as f64 + 0.5) * self.grid.hx, ((cell / nx) as f64 + 0.5) * self.grid.hy);
                if self.sheeted[cell] > SLIVER * self.grid.cell_area() { self.sheet_near(middle) } else { None }
            })
            .collect();
        let gaps: Vec<f64> = self.sheets.iter().map(|sheet| sheet.gap).collect();
        let gap = |one: usize, other: usize| match (owner[one], owner[other]) {
            (Some(a), Some(b)) => gaps[a].min(gaps[b]),
            (Some(a), None) | (None, Some(a)) => gaps[a],
            (None, None) => 0.0,
        };
        let (across_x, across_y) = (self.grid.hy / self.grid.hx, self.grid.hx / self.grid.hy);
        for (cell, sheet) in owner.iter().enumerate() {
            if cell % nx + 1 < nx {
                self.gap_east[cell] = self.gap_or_end(cell, cell + 1, gap(cell, cell + 1) * across_x);
            }
            if cell / nx + 1 < ny {
                self.gap_north[cell] = self.gap_or_end(cell, cell + nx, gap(cell, cell + nx) * across_y);
            }
            if let Some(sheet) = sheet {
                self.top[cell] += self.sheets[*sheet].cover * self.sheeted[cell];
            }
        }
    }

    /// What the gap passes from a cell to the next. Where the bare face resists and the cover ends between the two, that is nothing:
    /// it goes to the room over the way to the cover's edge, because the air at the gap's end is the room's.
    fn gap_or_end(&mut self, one: usize, other: usize, conductance: f64) -> f64 {
        let covered = [one, other].map(|cell| self.sheeted[cell] / self.grid.cell_area());
        let inside = covered.map(|share| share > 0.5);
        if self.entry <= 0.0 || inside == [true, true] {
            return conductance;
        }
        if inside != [false, false] {
            let way = (covered[0] + covered[1] - 0.5).max(LEAST_WAY);
            self.top[if inside[0] { one } else { other }] += conductance / way;
        }
        0.0
    }

    /// The sheet that lies at or nearest to `point`.
    pub(super) fn sheet_near(&self, point: (f64, f64)) -> Option<usize> {
        let by_distance =
            |a: &usize, b: &usize| self.sheets[*a].outside(point).total_cmp(&self.sheets[*b].outside(point));
        (0..self.sheets.len()).min_by(by_distance)
    }

    /// The equations inside `window`; beyond it v is nothing.
    pub(super) fn block(&self, window: &Window) -> (Block, Strata) {
        let unit = self.unit;
        let (nx, ny) = (window.columns.len(), window.rows.len());
        let gather = |values: &[f64]| -> Vec<f64> {
            window
                .rows
                .clone()
                .flat_map(|row| window.columns.clone().map(move |column| row * self.grid.nx + column))
                .map(|cell| values[cell] / unit)
                .collect()
        };
        let mut block = Block {
            nx,
            ny,
            bottom: gather(&self.bottom),
            top: gather(&self.top),
            through: gather(&self.through),
            gap_east: gather(&self.gap_east),
            gap_north: gather(&self.gap_north),
        };
        (0..ny).for_each(|row| block.gap_east[row * nx + nx - 1] = 0.0);
        block.gap_north[(ny - 1) * nx..].fill(0.0);
        (block, self.strata(window, unit))
    }

    fn strata(&self, window: &Window, unit: f64) -> Strata {
        let (hx, hy) = (self.grid.hx, self.grid.hy);
        let scaled =
            |values: Vec<f64>, factor: f64| -> Vec<f64> { values.iter().map(|value| value * factor / unit).collect() };
        let along_x = scaled(self.grid.along(), hy / hx);
        let along_y = scaled(self.grid.along(), hx / hy);
        let border = |rim: &[f64], at_rim: bool, inside: &[f64]| {
            if at_rim { scaled(rim.to_vec(), 1.0) } else { inside.to_vec() }
        };
        let borders = Borders {
            west: border(&self.borders.west, window.columns.start == 0, &along_x),
            east: border(&self.borders.east, window.columns.end == self.grid.nx, &along_x),
            south: border(&self.borders.south, window.rows.start == 0, &along_y),
            north: border(&self.borders.north, window.rows.end == self.grid.ny, &along_y),
        };
        Strata {
            along_x,
            along_y,
            through: scaled(self.grid.through(), hx * hy),
            heights: self.grid.owned_heights(),
            borders,
        }
    }
}

impl SheetFace {
    fn of(sheet: &crate::table::Sheet) -> Self {
        SheetFace {
            low: metres(sheet.rect.low),
            high: metres(sheet.rect.high),
            gap: sheet.gap.metres().powi(3) / 12.0,
            cover: sheet.passes.map_or(0.0, |(permeability, thickness)| 1.0 / (thickness / permeability).per_metre()),
        }
    }

    /// How far `point` lies outside it along the worse direction, in metres.
    fn outside(&self, point: (f64, f64)) -> f64 {
        let along = |low: f64, high: f64, value: f64| (low - value).max(value - high);
        along(self.low.0, self.high.0, point.0).max(along(self.low.1, self.high.1, point.1))
    }
}

/// `point` in metres.
pub(super) fn metres(point: Point) -> (f64, f64) {
    (point.x.metres(), point.y.metres())
}

/// The cells whose middles lie within `reach` of the interval between `a` and `b`.
fn cells_between(a: f64, b: f64, reach: f64, side: f64, count: usize) -> std::ops::Range<usize> {
    let first = ((a.min(b) - reach) / side).floor().max(0.0) as usize;
    let last = ((a.max(b) + reach) / side).ceil().clamp(0.0, count as f64) as usize;
    first.min(last)..last
}
