//! What bounds the board's field: the plenum below, rims and seams around, and the top face with its cover and openings.

use std::collections::BTreeMap;

use super::coverage::{Patch, coverage};
use super::edges::{Cover, Edge};
use super::gap::{LEAST_WAY, within};
use super::grid::Grid;
use super::opening::{EdgeSink, LineSink};
use super::operator::{Block, Borders, Strata};
use super::rim;
use super::spectrum::Medium;
use super::window::Window;
use crate::table::{Kerf, Point, Rim, Seam, Table, TableLoad};
use crate::units::Length;

/// A cell that is open has this many times √(k_xy·k_z) per cell side as its permeance: as good as none left.
const OPEN: f64 = 1e5;
/// The least contact resistance reckoned with, as a share of the board's own.
const LEAST_CONTACT: f64 = 1e-4;
/// A cell beside an opening draws through at least this share of bare face.
const LEAST_BARE: f64 = 0.25;
/// Lengths that differ by less are the same, in metres.
const SAME: f64 = 1e-6;
/// Kerfs whose middle lines lie within this share of their width of each other are one.
const SAME_LINE: f64 = 0.2;
/// How far each of two pieces of a kerf draws beyond their right-angled corner, in widths: what square rings with sharp corners
/// draw more than their middle lines let expect, by `tests/independent/parts.py` on ever finer meshes.
const CORNER: f64 = 0.3;
/// A share of a cell that differs from all or nothing only by rounding.
const SLIVER: f64 = 1e-3;

/// Everything about the equations that is not the grid itself; conductances in m³.
#[derive(Clone, Debug)]
pub(super) struct Surface {
    /// The grid.
    pub grid: Grid,
    /// For each zone its cells and their conductance to the plenum.
    pub contacts: Vec<Vec<(usize, f64)>>,
    /// From each cell's top node to the room.
    pub top: Vec<f64>,
    /// The area in m² of each cell under a sheet, kerfs included.
    pub sheeted: Vec<f64>,
    /// The area in m² of each cell that kerfs have opened.
    pub kerfed: Vec<f64>,
    /// The bare area in m² of each cell beside a cover, whose v belongs to that cover.
    pub spilt: Vec<f64>,
    /// The width in metres of the widest kerf in each cell.
    pub widths: Vec<f64>,
    /// From each cell's lowest node to all zones under it.
    pub bottom: Vec<f64>,
    through: Vec<f64>,
    gap_east: Vec<f64>,
    gap_north: Vec<f64>,
    borders: Borders,
    contact: f64,
    entry: f64,
    /// Whether inertia is asked for.
    pub inertia: bool,
    sheets: Vec<SheetFace>,
    lines: BTreeMap<(usize, u64), LineSink>,
    cut: Vec<(Line, f64)>,
    /// The links of the gap that kerfs have cut, each with what it was and what leads from its ends to the rims.
    ended: BTreeMap<Link, (f64, [f64; 2])>,
}

/// A link of the gap: its cell, and whether it leads to greater y, or else to greater x.
type Link = (usize, bool);

/// A change of conductance in m³, between the top nodes of two cells or from one to the room.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Tie {
    /// The cell.
    pub cell: usize,
    /// The other; the room if there is none.
    pub other: Option<usize>,
    /// What is added.
    pub added: f64,
}

/// Changes of conductance by the cells that they tie.
type Added = BTreeMap<(usize, Option<usize>), f64>;

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
        for kerf in &load.kerfs {
            surface.cut(kerf);
        }
        surface
    }

    /// The table under its load, before the first kerf.
    pub(super) fn uncut(table: &Table, load: &TableLoad, cover: &Cover, grid: Grid) -> Self {
        let cells = grid.cells();
        let own: f64 = grid.through().iter().map(|permeance| 1.0 / permeance).sum();
        let contact = table.plenum.contact.per_metre().max(LEAST_CONTACT * own);
        let mut surface = Surface {
            contacts: Vec::new(),
            top: vec![0.0; cells],
            kerfed: vec![0.0; cells],
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
            lines: BTreeMap::new(),
            cut: Vec::new(),
            ended: BTreeMap::new(),
            grid,
        };
        surface.borders = surface.rims(table);
        surface.touch_zones(table);
        table.board.seams.iter().for_each(|seam| surface.leak_seam(seam, table.board.thickness()));
        surface.lay_cover(cover);
        surface
    }

    /// The conductances of the top face that are not those of `before`, and by how much.
    pub(super) fn opened_since(&self, before: &Surface) -> Vec<Tie> {
        let differing = |now: &[f64], before: &[f64], step: Option<usize>| -> Vec<Tie> {
            let differences = now.iter().zip(before).map(|(now, was)| (now - was, now.max(*was)));
            let differing = differences.enumerate().filter(|(_, (difference, size))| difference.abs() > 1e-9 * size);
            differing.map(|(cell, (added, _))| Tie { cell, other: step.map(|step| cell + step), added }).collect()
        };
        let tops = differing(&self.top, &before.top, None);
        let east = differing(&self.gap_east, &before.gap_east, Some(1));
        let north = differing(&self.gap_north, &before.gap_north, Some(self.grid.nx));
        [tops, east, north].concat()
    }

    /// Takes over the matched conductances that `other` has reckoned for kerfs on the same board and sheets.
    pub(super) fn keep_charts(&mut self, other: &Surface) {
        if self.lines.len() < other.lines.len() {
            self.lines.clone_from(&other.lines);
        }
    }

    /// The medium under sheet `sheet`.
    fn medium(&self, sheet: Option<usize>) -> Medium<'_> {
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
    fn sheet_near(&self, point: (f64, f64)) -> Option<usize> {
        let by_distance =
            |a: &usize, b: &usize| self.sheets[*a].outside(point).total_cmp(&self.sheets[*b].outside(point));
        (0..self.sheets.len()).min_by(by_distance)
    }

    /// Opens a kerf; returns what it adds to the conductances of the top face.
    pub(super) fn cut(&mut self, kerf: &Kerf) -> Vec<Tie> {
        let width = kerf.width.metres();
        let mut added = Added::new();
        let path: Vec<(f64, f64)> = kerf.path.iter().map(|point| metres(*point)).collect();
        for (at, ends) in path.windows(2).enumerate() {
            let Some(line) = Line::new(ends[0], ends[1], beyond(&path, at, width), beyond_end(&path, at, width)) else {
                continue;
            };
            for piece in line.uncut(width, &self.cut) {
                self.cut_line(&piece, width, &mut added);
            }
            self.cut.push((line, width));
            if let Some(line) = Line::new(ends[0], ends[1], 0.5 * width, 0.5 * width) {
                self.end_gap(&line, width, &mut added);
            }
        }
        let ties = added.into_iter().map(|((cell, other), added)| Tie { cell, other, added });
        let ties: Vec<Tie> = ties.collect();
        for tie in &ties {
            match tie.other {
                None => self.top[tie.cell] += tie.added,
                Some(other) if other == tie.cell + 1 => self.gap_east[tie.cell] += tie.added,
                Some(_) => self.gap_north[tie.cell] += tie.added,
            }
        }
        ties
    }

    fn cut_line(&mut self, line: &Line, width: f64, added: &mut Added) {
        let Some(sheet) = self.sheet_near(line.middle()) else { return };
        let key = (sheet, width.to_bits());
        if !self.lines.contains_key(&key) {
            let sink = LineSink::new(width, self.entry, &self.medium(Some(sheet)));
            self.lines.insert(key, sink);
        }
        let sink = &self.lines[&key];
        let area = self.grid.cell_area();
        let (x, y) = line.middle();
        let scale = sink.scale(line.normal.0, line.normal.1, (x / self.grid.hx, y / self.grid.hy));
        for (column, row, share) in self.patch(&line.strip(sink.spread)).cells() {
            let cell = row * self.grid.nx + column;
            let length = share * self.sheeted[cell] / sink.spread;
            let conductance = sink.conductance(length, line.normal, line.offset(self.middle(cell)), scale);
            *added.entry((cell, None)).or_insert(0.0) += conductance;
        }
        for (column, row, share) in self.patch(&line.strip(width)).cells() {
            let cell = row * self.grid.nx + column;
            self.kerfed[cell] = (self.kerfed[cell] + share * area).min(self.sheeted[cell]);
            self.widths[cell] = self.widths[cell].max(width);
        }
    }

    /// Cuts the gap's links that cross a kerf's strip, and leads what they carried to its rims.
    fn end_gap(&mut self, line: &Line, width: f64, added: &mut Added) {
        let sink = self.sheet_near(line.middle()).and_then(|sheet| self.lines.get(&(sheet, width.to_bits())));
        if !sink.is_some_and(LineSink::ends_gap) {
            return;
        }
        let (nx, ny, side) = (self.grid.nx, self.grid.ny, self.grid.hx.max(self.grid.hy));
        let along = (line.normal.1, -line.normal.0);
        let place = |(x, y): (f64, f64)| (x - line.from.0) * along.0 + (y - line.from.1) * along.1;
        let length = place(line.to);
        // Wide enough that every cell takes part from which a link crosses the strip.
        let near = self.patch(&line.lengthened(2.0 * side).strip(width + 4.0 * side));
        for (column, row, _) in near.cells() {
            let cell = row * nx + column;
            for (north, other) in [(false, cell + 1), (true, cell + nx)] {
                if (north && row + 1 == ny) || (!north && column + 1 == nx) {
                    continue;
                }
                let (a, b) = (self.middle(cell), self.middle(other));
                let across = (line.offset(a), line.offset(b));
                if let Some(inside) = within(across, (place(a), place(b)), 0.5 * width, length) {
                    self.end_link((cell, north), other, inside, added);
                }
            }
        }
    }

    /// Cuts one link, of whose way `inside` lies in the kerf.
    fn end_link(&mut self, link: Link, other: usize, inside: (f64, f64), added: &mut Added) {
        let open = if link.1 { self.gap_north[link.0] } else { self.gap_east[link.0] };
        let known = self.ended.contains_key(&link);
        if open <= 0.0 && !known {
            return;
        }
        let (whole, ends) = self.ended.entry(link).or_insert((open, [0.0; 2]));
        if !known {
            *added.entry((link.0, Some(other))).or_insert(0.0) -= open;
        }
        for ((cell, way), end) in [(link.0, inside.0), (other, 1.0 - inside.1)].into_iter().zip(ends) {
            let leads = if way > 0.0 { *whole / way.max(LEAST_WAY) } else { 0.0 };
            if leads > *end {
                *added.entry((cell, None)).or_insert(0.0) += leads - *end;
                *end = leads;
            }
        }
    }

    /// The equations inside `window`; beyond it v is nothing.
    pub(super) fn block(&self, window: &Window) -> (Block, Strata) {
        let unit = self.unit();
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

    /// The conductance that the equations are scaled by, in m³.
    pub(super) fn unit(&self) -> f64 {
        self.grid.along().into_iter().fold(f64::MIN_POSITIVE, f64::max)
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

/// How far a kerf `width` wide draws beyond the beginning of piece `at` of its path: half its width at a free, square end, and
/// at a corner what its outer side draws more than its inner side draws less.
fn beyond(path: &[(f64, f64)], at: usize, width: f64) -> f64 {
    let last = path.len() - 1;
    let closed = last > 1 && path[0] == path[last];
    let before = match at {
        0 if closed => path[last - 1],
        0 => return 0.5 * width,
        _ => path[at - 1],
    };
    let ((ax, ay), (bx, by)) = (way(before, path[at]), way(path[at], path[at + 1]));
    let size = ax.hypot(ay) * bx.hypot(by);
    if size > 0.0 { CORNER * width * (1.0 - (ax * bx + ay * by) / size) } else { 0.0 }
}

/// The same beyond the end of piece `at`.
fn beyond_end(path: &[(f64, f64)], at: usize, width: f64) -> f64 {
    let backwards: Vec<(f64, f64)> = path.iter().rev().copied().collect();
    beyond(&backwards, path.len() - 2 - at, width)
}

fn way(from: (f64, f64), to: (f64, f64)) -> (f64, f64) {
    (to.0 - from.0, to.1 - from.1)
}

/// A straight piece of a kerf or seam, in metres.
#[derive(Clone, Debug)]
struct Line {
    from: (f64, f64),
    to: (f64, f64),
    /// The unit vector square to it.
    normal: (f64, f64),
}

impl Line {
    /// Between two points, lengthened by `before` and `after`; none if they coincide.
    fn new(from: (f64, f64), to: (f64, f64), before: f64, after: f64) -> Option<Self> {
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        let length = dx.hypot(dy);
        if length < 1e-9 {
            return None;
        }
        let (ux, uy) = (dx / length, dy / length);
        Some(Line {
            from: (from.0 - ux * before, from.1 - uy * before),
            to: (to.0 + ux * after, to.1 + uy * after),
            normal: (-uy, ux),
        })
    }

    /// The same line, `length` longer at both ends.
    fn lengthened(&self, length: f64) -> Line {
        let along = (self.normal.1 * length, -self.normal.0 * length);
        Line {
            from: (self.from.0 - along.0, self.from.1 - along.1),
            to: (self.to.0 + along.0, self.to.1 + along.1),
            normal: self.normal,
        }
    }

    fn middle(&self) -> (f64, f64) {
        (0.5 * (self.from.0 + self.to.0), 0.5 * (self.from.1 + self.to.1))
    }

    /// How far `point` lies to its left.
    fn offset(&self, point: (f64, f64)) -> f64 {
        (point.0 - self.from.0) * self.normal.0 + (point.1 - self.from.1) * self.normal.1
    }

    /// The rectangle `width` wide around it.
    fn strip(&self, width: f64) -> [Point; 4] {
        let (ox, oy) = (0.5 * width * self.normal.0, 0.5 * width * self.normal.1);
        let corner = |end: (f64, f64), side: f64| Point {
            x: Length::from_metres(end.0 + side * ox),
            y: Length::from_metres(end.1 + side * oy),
        };
        [corner(self.from, -1.0), corner(self.to, -1.0), corner(self.to, 1.0), corner(self.from, 1.0)]
    }

    /// The pieces of it that no kerf as wide runs along yet, so that a second pass opens nothing twice.
    fn uncut(&self, width: f64, cut: &[(Line, f64)]) -> Vec<Line> {
        let along = (self.normal.1, -self.normal.0);
        let place = |point: (f64, f64)| (point.0 - self.from.0) * along.0 + (point.1 - self.from.1) * along.1;
        let mut left: Vec<(f64, f64)> = vec![(0.0, place(self.to))];
        for (other, _) in cut.iter().filter(|(_, other_width)| *other_width >= width - SAME) {
            if [other.from, other.to].iter().any(|end| self.offset(*end).abs() > SAME_LINE * width) {
                continue;
            }
            let (a, b) = (place(other.from), place(other.to));
            let (low, high) = (a.min(b), a.max(b));
            left = left
                .into_iter()
                .flat_map(|(start, end)| [(start, end.min(low)), (start.max(high), end)])
                .filter(|(start, end)| end - start > SAME)
                .collect();
        }
        let at = |distance: f64| (self.from.0 + along.0 * distance, self.from.1 + along.1 * distance);
        left.into_iter().filter_map(|(start, end)| Line::new(at(start), at(end), 0.0, 0.0)).collect()
    }
}
