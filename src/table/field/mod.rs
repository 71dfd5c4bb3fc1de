//! The flow field: steady Darcy flow in v = p_atm² − p² through a layered board between plenum, rims, cover and kerfs.
//!
//! Steady isothermal flow of an ideal gas obeys ∇·(k∇v) = 0, so the field is linear in v: one solution for each zone (v = 1
//! in its plenum, 0 in the others and in the room) and every state of valves, pump and filter is a sum of these. What
//! remains of the board is the matrix S with Q_i = Σ_j S_ij·v_j / (2µ), and the top face's potentials, from which forces
//! follow. Finite volumes on a `grid`; openings finer than a cell by matched conductances (`opening`); solved by conjugate
//! gradients on single-precision `multigrid`, each zone in its own `window`.

mod coverage;
mod crowding;
mod edges;
mod footing;
mod gap;
mod grid;
mod half_plane;
mod kerf;
mod lattice;
mod line;
mod multigrid;
mod opening;
mod operator;
mod rim;
mod sequence;
mod spectrum;
mod strip;
mod surface;
mod threads;
mod window;

pub use grid::Resolution;
pub use multigrid::NotSettled;
pub use sequence::Sequence;

use std::collections::BTreeMap;

use grid::Grid;
use lattice::{Lattice, Real};
use multigrid::Multigrid;
use operator::{Block, Operator, Strata};
use surface::Surface;
use window::Window;

use super::{Condensed, Grip, PartId, PartShape, Table, TableLoad, ZoneId, ZoneMatrix, depth};
use crate::units::{AbsolutePressure, Force, PressureSquared};

/// What is left of the residual when rounding in single precision is all that is left of the error.
const TOLERANCE: f64 = 1e-6;
/// A field's value at the border of its window beyond which the window was too small.
const FELT: f32 = 1e-4;
/// What a zone's field is at most beside the zone, on the top face.
const BESIDE: f64 = 0.7;

/// In how many steps of a zone's share cells of a part count as held alike: 0.1 % of the force at most.
const GRIP_STEPS: f64 = 32.0;
/// A zone's share that is left out of a patch.
const LEAST_SHARE: f64 = 1e-6;

/// How near the equations are to be solved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Precision {
    /// In single precision, each zone in its own window: flows to 1e-5, seldom 2e-5, of the zone's own.
    Working,
    /// In double precision on the whole board: balances to about 1e-12, for checks.
    Exact,
}

/// A board under a load, solved.
#[derive(Clone, Debug)]
pub struct Field {
    zones: ZoneMatrix,
    tops: Vec<TopFace>,
    parts: Vec<Footprint>,
    cover: Footprint,
    unknowns: usize,
}

/// The top face's share of one zone's potential, inside a window.
#[derive(Clone, Debug)]
struct TopFace {
    window: Window,
    values: Vec<f32>,
    nx: usize,
}

/// Covered cells with their areas in m².
#[derive(Clone, Debug, Default)]
struct Footprint {
    cells: Vec<(u32, f32)>,
}

impl Field {
    /// Solves `table` under `load`.
    ///
    /// # Errors
    /// [`NotSettled`] if the equations resist, which no sound table brings about.
    pub fn solve(table: &Table, load: &TableLoad, resolution: Resolution) -> Result<Self, NotSettled> {
        Self::solve_to(table, load, resolution, Precision::Working)
    }

    /// Solves `table` under `load` to a given precision.
    ///
    /// # Errors
    /// As [`Field::solve`].
    pub fn solve_to(
        table: &Table,
        load: &TableLoad,
        resolution: Resolution,
        precision: Precision,
    ) -> Result<Self, NotSettled> {
        let surface = Surface::new(table, load, Grid::new(&table.board, resolution));
        Self::over(&surface, &load.parts, precision)
    }

    /// Solves the board between `surface`.
    fn over(surface: &Surface, parts: &[PartShape], precision: Precision) -> Result<Self, NotSettled> {
        let mut zones = ZoneMatrix::zeros(surface.contacts.len());
        let (mut tops, mut crowding) = (Vec::new(), Vec::new());
        let solved = threads::each(surface.contacts.len(), |zone| solve_zone(surface, zone, precision));
        for (zone, solved) in solved.into_iter().enumerate() {
            let solved = solved?;
            for (other, flow) in solved.flows.iter().enumerate() {
                zones.set(zone_id(other), zone_id(zone), *flow);
            }
            tops.push(solved.top);
            crowding.extend(solved.crowding);
        }
        let parts = parts.iter().map(|part| Footprint::of_part(part, surface, &tops)).collect();
        let cover = Footprint::of_cover(surface);
        let unknowns = surface.grid.cells() * surface.grid.levels();
        let mut zones = balanced(&zones);
        zones.crowd(crowding);
        Ok(Field { zones, tops, parts, cover, unknowns })
    }

    /// How many unknowns the grid of the whole board has.
    pub fn unknowns(&self) -> usize {
        self.unknowns
    }

    /// The pull on `footprint` when zone j has the potential `potentials[j]`: ∫ (p_atm − p) over it.
    fn pull(&self, footprint: &Footprint, potentials: &[PressureSquared], room: AbsolutePressure) -> Force {
        let columns = self.tops.first().map_or(1, |top| top.nx as u32);
        let driven: Vec<(&TopFace, f64)> =
            self.tops.iter().zip(potentials).map(|(top, v)| (top, v.pascals_squared())).collect();
        let (mut force, mut run, mut left) = (0.0, Vec::new(), &footprint.cells[..]);
        while let Some(&(first, _)) = left.first() {
            // Cells side by side are summed together, so that the compiler can take several at a time.
            let row_end = (first / columns + 1) * columns;
            let count = left.iter().zip(first..row_end).take_while(|((cell, _), place)| cell == place).count();
            let (here, rest) = left.split_at(count);
            run.clear();
            run.resize(count, 0.0);
            for (top, v) in &driven {
                top.add_row((first / columns) as usize, (first % columns) as usize, *v, &mut run);
            }
            let each = here.iter().zip(&run).map(|((_, area), potential)| f64::from(*area) * depth(*potential, room));
            force += each.sum::<f64>();
            left = rest;
        }
        Force::from_newtons(force)
    }

    /// The cells of `footprint`, those that the zones hold alike as one patch.
    fn patches(&self, footprint: &Footprint) -> Grip {
        let mut alike: BTreeMap<Vec<u16>, (f64, Vec<f64>)> = BTreeMap::new();
        for &(cell, area) in &footprint.cells {
            let (area, shares): (f64, Vec<f64>) = (f64::from(area), self.tops.iter().map(|top| top.at(cell)).collect());
            let steps = shares.iter().map(|share| (share * GRIP_STEPS).round().max(0.0) as u16).collect();
            let (sum, sums) = alike.entry(steps).or_insert_with(|| (0.0, vec![0.0; shares.len()]));
            *sum += area;
            sums.iter_mut().zip(&shares).for_each(|(sum, share)| *sum += area * share);
        }
        let mean = |(area, sums): (f64, Vec<f64>)| {
            let shares = sums.iter().enumerate().map(|(zone, sum)| (zone_id(zone), sum / area));
            (area, shares.filter(|(_, share)| share.abs() > LEAST_SHARE).collect())
        };
        Grip { patches: alike.into_values().map(mean).collect() }
    }
}

impl Condensed for Field {
    fn zones(&self) -> &ZoneMatrix {
        &self.zones
    }

    fn grip(&self, part: PartId) -> Grip {
        self.parts.get(part.0 as usize).map_or_else(Grip::default, |footprint| self.patches(footprint))
    }

    fn part_force(&self, part: PartId, zone_potentials: &[PressureSquared], room: AbsolutePressure) -> Force {
        self.parts.get(part.0 as usize).map_or(Force::ZERO, |footprint| self.pull(footprint, zone_potentials, room))
    }

    fn cover_force(&self, zone_potentials: &[PressureSquared], room: AbsolutePressure) -> Force {
        self.pull(&self.cover, zone_potentials, room)
    }
}

impl TopFace {
    fn at(&self, cell: u32) -> f64 {
        let (column, row) = (cell as usize % self.nx, cell as usize / self.nx);
        if !self.window.columns.contains(&column) || !self.window.rows.contains(&row) {
            return 0.0;
        }
        let place = (row - self.window.rows.start) * self.window.columns.len() + column - self.window.columns.start;
        f64::from(self.values[place])
    }

    /// Adds `factor` times its values in `row`, from `column` on, to `run`.
    fn add_row(&self, row: usize, column: usize, factor: f64, run: &mut [f64]) {
        let Window { columns, rows } = &self.window;
        let (start, end) = (column.max(columns.start), (column + run.len()).min(columns.end));
        if !rows.contains(&row) || start >= end {
            return;
        }
        let from = (row - rows.start) * columns.len() + start - columns.start;
        let values = &self.values[from..from + end - start];
        for (sum, value) in run[start - column..end - column].iter_mut().zip(values) {
            *sum += factor * f64::from(*value);
        }
    }
}

impl Footprint {
    fn of_part(part: &PartShape, surface: &Surface, tops: &[TopFace]) -> Self {
        if part.lost {
            return Footprint::default();
        }
        let v = |cell: usize| tops.iter().map(|top| top.at(cell as u32)).sum();
        Footprint { cells: surface.footing(part, &v).iter().map(|(cell, area)| (*cell as u32, *area as f32)).collect() }
    }

    fn of_cover(surface: &Surface) -> Self {
        let area = |cell: usize| surface.sheeted[cell] - surface.floored[cell] + surface.spilt[cell];
        let covered = (0..surface.grid.cells()).map(|cell| (cell, area(cell))).filter(|(_, area)| *area > 0.0);
        Footprint { cells: covered.map(|(cell, area)| (cell as u32, area as f32)).collect() }
    }
}

/// One zone's field: what it draws from every zone, and its top face.
struct ZoneField {
    flows: Vec<f64>,
    top: TopFace,
    /// If inertia is asked for.
    crowding: Option<f64>,
}

fn solve_zone(surface: &Surface, zone: usize, precision: Precision) -> Result<ZoneField, NotSettled> {
    let grid = &surface.grid;
    let whole = Window::whole(grid);
    let cells = surface.contacts[zone].iter().map(|(cell, _)| *cell);
    let near = Window::around(cells, margin(surface.decay(), grid.hx.max(grid.hy)), grid);
    if let (Precision::Working, Some(window)) = (precision, near) {
        let solved = solve_in(surface, zone, &window, precision)?;
        if window.is_whole(grid) || window.greatest_at_border(&solved.top.values, grid) < FELT {
            return Ok(solved);
        }
    }
    solve_in(surface, zone, &whole, precision)
}

/// How far from its zone a field is no longer felt, in metres: where v that falls by e over `decay`, to nothing one `side` beyond the
/// window's border, is [`FELT`] in the border's cells, sinh(side/decay)/sinh(margin/decay) of what it is beside the zone.
fn margin(decay: f64, side: f64) -> f64 {
    decay * (2.0 * BESIDE * (side / decay).min(30.0).sinh() / f64::from(FELT)).ln().max(1.0)
}

fn solve_in(surface: &Surface, zone: usize, window: &Window, precision: Precision) -> Result<ZoneField, NotSettled> {
    let (block, strata) = surface.block(window);
    let mut multigrid = Multigrid::new(&block, &strata);
    let lattice = multigrid.finest().lattice;
    let mut source = vec![0.0; window.len()];
    for (cell, conductance) in &surface.contacts[zone] {
        if let Some(place) = window.place(*cell, &surface.grid) {
            source[place] = conductance / surface.unit;
        }
    }
    let faces = match precision {
        Precision::Working => {
            let mut right = multigrid.finest().zeros();
            lattice.pack(&source, &mut right[lattice.plane(0)]);
            Faces::of(&lattice, &multigrid.solve(&right, TOLERANCE)?, surface.inertia)
        }
        Precision::Exact => Faces::of(&lattice, &refined(&block, &strata, &mut multigrid, &source)?, surface.inertia),
    };
    let outflow = faces.outflow(&block, &strata);
    let flows = drawn(surface, window, &outflow, zone);
    let crowding = surface.inertia.then(|| crowding::crowding(&faces.all, window, &surface.grid, flows[zone]));
    let values = faces.top.iter().map(|value| *value as f32).collect();
    Ok(ZoneField { flows, top: TopFace { window: window.clone(), values, nx: surface.grid.nx }, crowding })
}

/// The two lowest levels and the top face of a solution, row after row, and every level where it is asked for.
struct Faces {
    all: Vec<Vec<f64>>,
    bottom: Vec<f64>,
    above: Vec<f64>,
    top: Vec<f64>,
}

impl Faces {
    fn of<R: Real>(lattice: &Lattice, x: &[R], all: bool) -> Self {
        let level = |level: usize| lattice.unpack(&x[lattice.plane(level)]);
        let all = if all { (0..lattice.levels).map(level).collect() } else { Vec::new() };
        Faces { all, bottom: level(0), above: level(1), top: level(lattice.levels - 1) }
    }

    /// What leaves each lowest cell upwards and sideways.
    ///
    /// It equals what the plenum gives, but stays exact where the contact is so good that v hardly differs from the plenum's.
    fn outflow(&self, block: &Block, strata: &Strata) -> Vec<f64> {
        let Block { nx, ny, .. } = *block;
        let (along_x, along_y, borders) = (strata.along_x[0], strata.along_y[0], &strata.borders);
        let each = (0..nx * ny).map(|at| {
            let (column, row, own) = (at % nx, at / nx, self.bottom[at]);
            let beside = |inside: bool, along: f64, border: f64, step: isize| {
                if inside { along * (own - self.bottom[at.wrapping_add_signed(step)]) } else { border * own }
            };
            let nx_step = nx as isize;
            beside(column > 0, along_x, borders.west[0], -1)
                + beside(column + 1 < nx, along_x, borders.east[0], 1)
                + beside(row > 0, along_y, borders.south[0], -nx_step)
                + beside(row + 1 < ny, along_y, borders.north[0], nx_step)
                + strata.through[0] * (own - self.above[at])
                + block.through[at] * strata.heights[0] * own
        });
        each.collect()
    }
}

/// What each zone draws from the board when the plenum of `driven` stands at one and the others at nothing, in m³.
///
/// A cell under several zones shares its outflow among them as its contact is shared.
fn drawn(surface: &Surface, window: &Window, outflow: &[f64], driven: usize) -> Vec<f64> {
    let mut driving = vec![0.0; window.len()];
    for (cell, own) in &surface.contacts[driven] {
        if let Some(place) = window.place(*cell, &surface.grid) {
            driving[place] = *own;
        }
    }
    let of_zone = |(zone, contact): (usize, &Vec<(usize, f64)>)| {
        let each = contact.iter().map(|&(cell, own)| {
            let Some(place) = window.place(cell, &surface.grid) else { return 0.0 };
            let (all, driving) = (surface.bottom[cell], driving[place]);
            let exchanged = if zone == driven { own * (all - driving) } else { -own * driving };
            (exchanged + own * outflow[place] * surface.unit) / all
        });
        each.sum()
    };
    surface.contacts.iter().enumerate().map(of_zone).collect()
}

/// The solution in double precision: single-precision solutions for the residual that is left, until nothing is.
fn refined(block: &Block, strata: &Strata, multigrid: &mut Multigrid, source: &[f64]) -> Result<Vec<f64>, NotSettled> {
    let operator = Operator::<f64>::new(block, strata);
    let mut right = operator.zeros();
    operator.lattice.pack(source, &mut right[operator.lattice.plane(0)]);
    let mut x = operator.zeros();
    let mut residual = right.clone();
    let first = greatest(&residual);
    for _ in 0..12 {
        let size = greatest(&residual);
        if size <= 1e-14 * first {
            break;
        }
        let scaled: Vec<f32> = residual.iter().map(|value| (value / size) as f32).collect();
        for (value, step) in x.iter_mut().zip(multigrid.solve(&scaled, 1e-5)?) {
            *value += size * f64::from(step);
        }
        operator.residual_all(&x, &right, &mut residual);
    }
    Ok(x)
}

fn greatest(values: &[f64]) -> f64 {
    values.iter().fold(0.0, |greatest, value| greatest.max(value.abs()))
}

/// S is symmetric; what rounding leaves is shared between its halves.
fn balanced(zones: &ZoneMatrix) -> ZoneMatrix {
    let mut balanced = ZoneMatrix::zeros(zones.count());
    for row in 0..zones.count() {
        for column in 0..zones.count() {
            let (one, other) = (zones.get(zone_id(row), zone_id(column)), zones.get(zone_id(column), zone_id(row)));
            balanced.set(zone_id(row), zone_id(column), 0.5 * (one + other));
        }
    }
    balanced
}

/// The zone at `place`; a table has no more than 64.
fn zone_id(place: usize) -> ZoneId {
    ZoneId(place as u8)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::case::Case;

    /// The case with every kind of boundary, on the coarsest grid.
    fn surface() -> Surface {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/cases/every_field_once.json");
        let case = Case::read(&std::fs::read_to_string(path).unwrap()).unwrap();
        Surface::new(&case.table, &case.load, Grid::new(&case.table.board, Resolution::Preview))
    }

    /// What the zones draw is what comes in through openings, rims and seams: the sum of all equations.
    #[test]
    fn what_leaves_through_the_zones_comes_in_from_the_room() {
        let surface = surface();
        let window = Window::whole(&surface.grid);
        let (block, strata) = surface.block(&window);
        let mut multigrid = Multigrid::new(&block, &strata);
        let unit = surface.unit;
        let source: Vec<f64> = surface.bottom.iter().map(|contact| contact / unit).collect();
        let x = refined(&block, &strata, &mut multigrid, &source).unwrap();
        let operator = Operator::<f64>::new(&block, &strata);
        let (mut image, zeros) = (operator.zeros(), operator.zeros());
        operator.residual_all(&x, &zeros, &mut image);
        let faces = Faces::of(&operator.lattice, &x, false);
        let drawn: f64 =
            faces.outflow(&block, &strata).iter().zip(&source).filter(|(_, own)| **own > 0.0).map(|(out, _)| out).sum();
        let given: f64 = source.iter().zip(&faces.bottom).map(|(own, v)| own * (1.0 - v)).sum();
        let all: f64 = -image.iter().sum::<f64>();
        let from_plenum: f64 = source.iter().zip(&faces.bottom).map(|(own, v)| own * v).sum();
        assert!((drawn / given - 1.0).abs() < 1e-9, "{drawn} {given}");
        assert!(((all - from_plenum) / given - 1.0).abs() < 1e-9, "the room gives {} of {given}", all - from_plenum);
    }

    /// Gas in porous layers: p² falls in proportion to the resistance passed. Half of 18 mm between 101 325 and 81 325 Pa:
    /// 91 870.864 Pa; faces of 1.5 mm and 1e-14 m² on 15 mm of 4e-13 m²: 92 968.812 and 90 759.634 Pa behind the faces.
    #[test]
    fn the_pressures_between_layers_are_those_of_the_worked_examples() {
        let layer = |mm: f64, through: f64| crate::table::Layer {
            thickness: crate::units::Length::from_millimetres(mm),
            along: crate::units::Permeability::from_square_metres(5.0 * through),
            through: crate::units::Permeability::from_square_metres(through),
        };
        let (face, core, half) = (layer(1.5, 1e-14), layer(15.0, 4e-13), layer(9.0, 1e-12));
        let within = |layers: Vec<crate::table::Layer>, depth_mm: f64| {
            let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/cases/bare_table_4_zones.json");
            let mut table = Case::read(&std::fs::read_to_string(path).unwrap()).unwrap().table;
            table.board.layers = layers;
            table.plenum.contact = crate::units::LayerResistance::ZERO;
            table.plenum.zones.truncate(1);
            table.plenum.zones[0].rects = vec![crate::table::Rect::from_metres(0.0, 0.0, 2.44, 1.22)];
            let surface = Surface::new(&table, &TableLoad::default(), Grid::new(&table.board, Resolution::Preview));
            let window = Window::whole(&surface.grid);
            let (block, strata) = surface.block(&window);
            let source: Vec<f64> = surface.bottom.iter().map(|contact| contact / surface.unit).collect();
            let mut multigrid = Multigrid::new(&block, &strata);
            let x = refined(&block, &strata, &mut multigrid, &source).unwrap();
            let faces = Faces::of(&Operator::<f64>::new(&block, &strata).lattice, &x, true);
            let (mut level, mut depth) = (surface.grid.intervals.len(), 0.0);
            while depth < depth_mm * 1e-3 - 1e-9 {
                level -= 1;
                depth += surface.grid.intervals[level].height;
            }
            (101_325.0_f64.powi(2) - faces.all[level][4000] * (101_325.0_f64.powi(2) - 81_325.0_f64.powi(2))).sqrt()
        };
        let limit = |found: f64, expected: f64| assert!((found / expected - 1.0).abs() < 2e-5, "{found} {expected}");
        limit(within(vec![half, half], 9.0), 91_870.864);
        limit(within(vec![face, core, face], 1.5), 92_968.812);
        limit(within(vec![face, core, face], 16.5), 90_759.634);
    }

    /// Reciprocity: zone i draws of zone j what j draws of i, before anything is evened out.
    #[test]
    fn the_zone_matrix_is_symmetric_by_itself() {
        let surface = surface();
        let flows: Vec<Vec<f64>> =
            (0..6).map(|zone| solve_zone(&surface, zone, Precision::Exact).unwrap().flows).collect();
        for (one, row) in flows.iter().enumerate() {
            for (other, flow) in row.iter().enumerate() {
                let difference = flow - flows[other][one];
                assert!(difference.abs() < 1e-9 * row[one], "{one} {other}: {difference:e}");
            }
        }
    }
}
