//! What a kerf does to the top face: a conductance to the room in the cells at it, and a gap that ends at its rims.

use std::collections::{BTreeMap, BTreeSet};

use super::gap::{LEAST_WAY, within};
use super::line::Line;
use super::opening::LineSink;
use super::surface::{Surface, metres};
use super::threads;
use crate::table::Kerf;

/// How far each of two pieces of a kerf draws beyond their right-angled corner, in widths: what square rings with sharp corners
/// draw more than their middle lines let expect, by `tests/independent/parts.py` on ever finer meshes.
const CORNER: f64 = 0.3;
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

/// The kerfs of a top face.
#[derive(Clone, Debug, Default)]
pub(super) struct Cuts {
    /// The matched conductances of each sheet's kerfs of each width.
    sinks: BTreeMap<Kind, LineSink>,
    /// The pieces that were cut, with their widths in metres.
    pieces: Vec<(Line, f64)>,
    /// The links of the gap that kerfs have cut, each with what it was and what leads from its ends to the rims.
    ended: BTreeMap<Link, (f64, [f64; 2])>,
}

/// What kerfs have in common that are matched alike: their sheet and the bits of their width.
type Kind = (usize, u64);

impl Surface {
    /// Opens `kerfs`, one after the other; returns what each adds to the conductances of the top face.
    pub(super) fn cut_all(&mut self, kerfs: &[Kerf]) -> Vec<Vec<Tie>> {
        let kinds: BTreeSet<Kind> = kerfs
            .iter()
            .flat_map(|kerf| pieces(kerf).into_iter().map(|(line, _)| (line, kerf.width.metres())))
            .filter_map(|(line, width)| Some((self.sheet_near(line.middle())?, width.to_bits())))
            .filter(|kind| !self.cuts.sinks.contains_key(kind))
            .collect();
        let kinds: Vec<Kind> = kinds.into_iter().collect();
        let sinks = threads::each(kinds.len(), |at| self.matched(kinds[at]));
        self.cuts.sinks.extend(kinds.into_iter().zip(sinks));
        kerfs.iter().map(|kerf| self.cut(kerf)).collect()
    }

    fn matched(&self, (sheet, width): Kind) -> LineSink {
        LineSink::new(f64::from_bits(width), self.entry, &self.medium(Some(sheet)))
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
        if self.cuts.sinks.len() < other.cuts.sinks.len() {
            self.cuts.sinks.clone_from(&other.cuts.sinks);
        }
    }

    /// Opens a kerf; returns what it adds to the conductances of the top face.
    pub(super) fn cut(&mut self, kerf: &Kerf) -> Vec<Tie> {
        let width = kerf.width.metres();
        let mut added = Added::new();
        for (line, ends) in pieces(kerf) {
            for piece in line.uncut(width, &self.cuts.pieces) {
                self.cut_line(&piece, width, &mut added);
            }
            self.cuts.pieces.push((line, width));
            self.end_gap(&ends, width, &mut added);
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
        if !self.cuts.sinks.contains_key(&key) {
            let sink = self.matched(key);
            self.cuts.sinks.insert(key, sink);
        }
        let sink = &self.cuts.sinks[&key];
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
            let (left, sink) = (self.sheeted[cell] - self.kerfed[cell], &self.cuts.sinks[&key]);
            let kerfed = (share * area).min(left).max(0.0);
            self.floored[cell] += kerfed * sink.on_floor(line.normal, line.offset(self.middle(cell)), scale);
            self.kerfed[cell] += kerfed;
            self.widths[cell] = self.widths[cell].max(width);
        }
    }

    /// Cuts the gap's links that cross a kerf's strip, and leads what they carried to its rims.
    fn end_gap(&mut self, line: &Line, width: f64, added: &mut Added) {
        let sink = self.sheet_near(line.middle()).and_then(|sheet| self.cuts.sinks.get(&(sheet, width.to_bits())));
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
        let known = self.cuts.ended.contains_key(&link);
        if open <= 0.0 && !known {
            return;
        }
        let (whole, ends) = self.cuts.ended.entry(link).or_insert((open, [0.0; 2]));
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
}

/// The straight pieces of a kerf: as far as each draws, and as far as it reaches.
fn pieces(kerf: &Kerf) -> Vec<(Line, Line)> {
    let width = kerf.width.metres();
    let path: Vec<(f64, f64)> = kerf.path.iter().map(|point| metres(*point)).collect();
    let piece = |(at, ends): (usize, &[(f64, f64)])| {
        let draws = Line::new(ends[0], ends[1], beyond(&path, at, width), beyond_end(&path, at, width))?;
        Some((draws, Line::new(ends[0], ends[1], 0.5 * width, 0.5 * width)?))
    };
    path.windows(2).enumerate().filter_map(piece).collect()
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
