//! The gap under a cover where a kerf opens it: its flow ends at the kerf's rims.
//!
//! A matched conductance alone lets the gap's flow pass below the kerf, as if its two sides were one, and a small part over a good
//! gap then borrows hold from the sheet around it. So each link of the gap that a kerf crosses is cut, and what it carried
//! goes to the room over the way from the cell's middle to the rim (G. Shortley, R. Weller, J. Appl. Phys. 9 (1938) 334, for
//! boundaries between nodes). What the board itself gives the kerf is matched without a gap, and then scaled until a
//! kerf by itself draws what it draws from board and gap together. The scale is found on a cross-section square to the kerf,
//! where only the few cells at the kerf differ from the even grid, whose answer to a line source is an integral over waves.

use super::rim::eliminate;
use super::spectrum::Medium;

/// The least way from a cell's middle to a rim, in cells.
pub(super) const LEAST_WAY: f64 = 0.05;
/// How far the board's share may be scaled either way.
const FURTHEST: f64 = 20.0;
/// Places of the kerf's middle line from a cell's middle to its wall at which the scale is found.
const PLACES: usize = 8;
/// Bisections of the scale's logarithm.
const STEPS: usize = 14;
/// The cosine to an axis above which a kerf lies at one place between the cells.
const STRAIGHT: f64 = 0.999;

/// What lies of a link's way, from 0 to 1, within a strip of half width `half` around a line of which the link's ends lie
/// `across` square to it and `along` it, the line running from 0 to `length`; nothing if it misses the strip.
pub(super) fn within(across: (f64, f64), along: (f64, f64), half: f64, length: f64) -> Option<(f64, f64)> {
    let (mut start, mut end) = (0.0_f64, 1.0_f64);
    for ((from, to), low, high) in [(across, -half, half), (along, 0.0, length)] {
        let way = to - from;
        if way.abs() < 1e-12 {
            if from <= low || from >= high {
                return None;
            }
            continue;
        }
        let (a, b) = ((low - from) / way, (high - from) / way);
        start = start.max(a.min(b));
        end = end.min(a.max(b));
    }
    (start < end).then_some((start, end))
}

/// By how much the board's share is scaled for kerfs along one axis.
#[derive(Clone, Debug)]
struct Scale {
    /// Over the kerf's place from a cell's middle to its wall.
    places: [f64; PLACES + 1],
    /// For a kerf that crosses the cells aslant and so lies at every place between them.
    aslant: f64,
}

/// By how much the board's share is scaled, for kerfs along y and along x.
#[derive(Clone, Debug)]
pub(super) struct Scales([Scale; 2]);

impl Scales {
    /// Matches a kerf `width` metres wide that takes `wanted` m² per metre from `medium`; `rest` gives E − F at a distance from
    /// its middle line along x (first) or y, and its flux on the grid is `spread` metres wide.
    pub(super) fn new(width: f64, spread: f64, medium: &Medium, wanted: f64, rest: impl Fn(usize, f64) -> f64) -> Self {
        let strata = medium.strata();
        let scale = |axis: usize| {
            let side = [medium.grid.hx, medium.grid.hy][axis];
            let reach = (0.5 * width.max(spread) / side).ceil() as usize + 2;
            let direction = [(1.0, 0.0), (0.0, 1.0)][axis];
            let waves = medium.waves(2.0 * reach as f64 * side, std::f64::consts::PI / side);
            let weighed: Vec<(f64, f64)> = waves
                .iter()
                .map(|(wave, weight)| (*wave, weight * medium.lattice(&strata, *wave, direction.0, direction.1).0))
                .collect();
            let section = Section::new(side, reach, medium.gap / side, &weighed);
            let kerf = |place: usize| {
                let middle = 0.5 * place as f64 / PLACES as f64 * side;
                section.kerf(middle, width, spread, |distance| rest(axis, distance))
            };
            let kerfs: [Kerf; PLACES + 1] = std::array::from_fn(kerf);
            let places = std::array::from_fn(|place| section.scale(&kerfs[place..=place], wanted));
            Scale { places, aslant: section.scale(&kerfs, wanted) }
        };
        let along_y = scale(0);
        let alike = (medium.grid.hx / medium.grid.hy - 1.0).abs() < 1e-6;
        let along_x = if alike { along_y.clone() } else { scale(1) };
        Scales([along_y, along_x])
    }

    /// The scale for a kerf square to (`cosine`, `sine`) whose middle line lies `place` cells along x or y, whichever it crosses.
    pub(super) fn at(&self, cosine: f64, sine: f64, place: (f64, f64)) -> f64 {
        let [x, y] = &self.0;
        if cosine.abs() > STRAIGHT {
            x.at(place.0)
        } else if sine.abs() > STRAIGHT {
            y.at(place.1)
        } else {
            (x.aslant.ln() * cosine * cosine + y.aslant.ln() * sine * sine).exp()
        }
    }
}

impl Scale {
    /// The scale for a kerf along the other axis at `place`, in cells.
    fn at(&self, place: f64) -> f64 {
        let from_middle = (place - place.floor() - 0.5).abs() * 2.0 * PLACES as f64;
        let at = (from_middle as usize).min(PLACES - 1);
        let (here, next) = (self.places[at].ln(), self.places[at + 1].ln());
        (here + (next - here) * (from_middle - at as f64)).exp()
    }
}

/// A kerf in a section: what the gap's end at its rims adds to the equations, and the board's own conductances.
struct Kerf {
    gap: Vec<Vec<f64>>,
    sinks: Vec<f64>,
}

/// A row of cells square to a kerf in an endless even grid.
struct Section {
    side: f64,
    /// Cells on either side of the middle one.
    reach: usize,
    /// The gap's conductance from cell to cell, per metre of kerf.
    link: f64,
    /// The inverse of the cells' answers to line sources.
    stiffness: Vec<Vec<f64>>,
}

impl Section {
    fn new(side: f64, reach: usize, link: f64, weighed: &[(f64, f64)]) -> Self {
        let count = 2 * reach + 1;
        let answer: Vec<f64> = (0..count)
            .map(|apart| {
                let distance = apart as f64 * side;
                weighed.iter().map(|(wave, value)| value * (wave * distance).cos()).sum::<f64>() / std::f64::consts::PI
            })
            .collect();
        let mut matrix: Vec<Vec<f64>> =
            (0..count).map(|row| (0..count).map(|column| answer[row.abs_diff(column)]).collect()).collect();
        let mut stiffness: Vec<Vec<f64>> =
            (0..count).map(|row| (0..count).map(|column| f64::from(u8::from(row == column))).collect()).collect();
        eliminate(&mut matrix, &mut stiffness);
        Section { side, reach, link, stiffness }
    }

    /// A kerf with its middle line `middle` metres from a cell's middle.
    fn kerf(&self, middle: f64, width: f64, spread: f64, rest: impl Fn(f64) -> f64) -> Kerf {
        let place = |cell: usize| (cell as f64 - self.reach as f64) * self.side;
        let sink = |cell: usize| {
            let low = (place(cell) - 0.5 * self.side).max(middle - 0.5 * spread);
            let high = (place(cell) + 0.5 * self.side).min(middle + 0.5 * spread);
            if high > low { (high - low) / spread / rest((place(cell) - middle).abs()) } else { 0.0 }
        };
        Kerf { gap: self.gap_ended(middle, width), sinks: (0..=2 * self.reach).map(sink).collect() }
    }

    /// The scale at which `kerfs` on average take `wanted`.
    fn scale(&self, kerfs: &[Kerf], wanted: f64) -> f64 {
        let (mut low, mut high) = (-FURTHEST.ln(), FURTHEST.ln());
        for _ in 0..STEPS {
            let half = 0.5 * (low + high);
            let taken: f64 = kerfs.iter().map(|kerf| self.taken(kerf, half.exp())).sum();
            if taken < wanted * kerfs.len() as f64 { low = half } else { high = half }
        }
        (0.5 * (low + high)).exp()
    }

    /// What the gap's end at the rims adds to the equations.
    fn gap_ended(&self, middle: f64, width: f64) -> Vec<Vec<f64>> {
        let count = 2 * self.reach + 1;
        let mut added = vec![vec![0.0; count]; count];
        for cell in 0..count - 1 {
            let from = (cell as f64 - self.reach as f64) * self.side - middle;
            let Some((start, end)) = within((from, from + self.side), (0.5, 0.5), 0.5 * width, 1.0) else { continue };
            added[cell][cell + 1] += self.link;
            added[cell + 1][cell] += self.link;
            for (at, way) in [(cell, start), (cell + 1, 1.0 - end)] {
                added[at][at] -= self.link;
                if way > 0.0 {
                    added[at][at] += self.link / way.max(LEAST_WAY);
                }
            }
        }
        added
    }

    /// What the kerf takes per metre where the even field is at one.
    fn taken(&self, kerf: &Kerf, scale: f64) -> f64 {
        let mut matrix = self.stiffness.clone();
        let right: Vec<f64> = self.stiffness.iter().map(|row| row.iter().sum()).collect();
        for (row, own) in matrix.iter_mut().enumerate() {
            own.iter_mut().zip(&kerf.gap[row]).for_each(|(value, added)| *value += added);
            own[row] += scale * kerf.sinks[row];
        }
        let mut sides: Vec<Vec<f64>> = right.iter().map(|value| vec![*value]).collect();
        eliminate(&mut matrix, &mut sides);
        right.iter().zip(&sides).map(|(right, v)| right * (1.0 - v[0])).sum()
    }
}
