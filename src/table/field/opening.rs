//! Openings finer than a cell: the conductance to the room that makes the grid's answer that of the exact board.
//!
//! Where cover meets opening, the flux is infinite like 1/√distance, and a grid errs there by a good part of a cell. So kerfs and edges
//! are not resolved but matched. Draw the exact flux q of a straight opening, as a grid can carry it, from the cells it
//! touches: Q = ∫ q over the cell. The exact board then has v = 0 on the opening, which lies E·q̄ below the far field; the
//! grid has some v in each cell, which lies F(cell)·q̄ below it. A conductance Q/v in each cell, with v = (E − F)·q̄, makes the
//! same flux the grid's own answer, in any direction and at any offset from the cells. E and F are integrals over waves
//! across the opening (`spectrum`): E = (1/π)∫ T·q̂² dκ and F(d) = (1/π)∫ T_grid·q̂_grid·cos(κd) dκ, by Poisson's
//! summation over the cells. On a half-space E is that of a line source of a quarter of the kerf's width, which is the
//! exact equivalent radius of a strip; D. Peaceman, SPE Journal 18 (1978) 183, matches wells to grids in the same way.
//! The flux and E of a kerf are those of a `strip`. The grid's flux is spread a little wider than the kerf, just so far that no
//! conductance comes out negative.

use super::gap::Scales;
use super::half_plane::HalfPlane;
use super::spectrum::{Medium, sinc};
use super::strip::Strip;

/// Steps of the tables from 0 to 90 degrees.
const ANGLES: usize = 18;
/// Steps of the tables across an opening.
const OFFSETS: usize = 24;
/// The least E − F that is let through, over the top layer's 1/√(k_xy·k_z).
const LEAST: f64 = 0.02;
/// What the gap passes along, in terms of what the board below a kerf's width or a cell passes, from which on the gap ends at the
/// kerf's rims by itself (`gap`). Below, board and gap are matched together, which is smoother over a kerf's place.
const PARTED: f64 = 1.0;
/// The least flux, as a share of that far inside, that a cell outside takes part in.
const LEAST_FLUX: f64 = 1e-3;
/// How far the flux beside a wide opening's edge is spread, in cells: less would ask negative conductances of cells whose wall
/// the edge runs along.
const EDGE_SPREAD: f64 = 1.0;
/// How far into a wide opening its cells are matched, in cells; beyond, v is nothing.
const EDGE_DEPTH: f64 = 2.0;

/// A table over direction and distance, linear in between.
#[derive(Clone, Debug)]
struct Chart {
    /// Where the first distance lies, in metres.
    first: f64,
    /// From one distance to the next.
    step: f64,
    /// Direction after direction.
    values: Vec<[f64; OFFSETS + 1]>,
}

impl Chart {
    /// The value for a line whose normal is (±`cosine`, ±`sine`) at `distance`; the border's beyond the border.
    fn at(&self, cosine: f64, sine: f64, distance: f64) -> f64 {
        let turn = sine.abs().atan2(cosine.abs()) / std::f64::consts::FRAC_PI_2 * ANGLES as f64;
        let place = ((distance - self.first) / self.step).clamp(0.0, OFFSETS as f64);
        let (row, column) = ((turn as usize).min(ANGLES - 1), (place as usize).min(OFFSETS - 1));
        let (u, v) = (turn - row as f64, place - column as f64);
        let along = |row: &[f64; OFFSETS + 1]| row[column] * (1.0 - v) + row[column + 1] * v;
        along(&self.values[row]) * (1.0 - u) + along(&self.values[row + 1]) * u
    }
}

/// A kerf of one width on one grid and medium.
#[derive(Clone, Debug)]
pub(super) struct LineSink {
    /// How wide the grid's flux is spread, in metres.
    pub spread: f64,
    /// E − F over direction and distance, in 1/m², the entry resistance of the kerf's floor in it.
    chart: Chart,
    /// Where the gap ends at the kerf's rims by itself, by how much the board's own share is scaled.
    scales: Option<Scales>,
    /// The mean v on the kerf's floor in terms of the flux drawn per metre, in 1/m².
    floor: f64,
}

impl LineSink {
    /// Matches a kerf `width` metres wide whose floor has the entry resistance `entry` in 1/m.
    pub(super) fn new(width: f64, entry: f64, medium: &Medium) -> Self {
        let side = medium.grid.hx.max(medium.grid.hy);
        let widest = width + 2.0 * side;
        let waves = medium.waves(1.5 * widest + side, 100.0 / side.min(width));
        let parted = medium.gap > PARTED * medium.top_mean() * width.max(side);
        let with_gap = parted.then(|| (medium, Strip::new(width, entry, medium, &waves)));
        let medium = &Medium { gap: if parted { 0.0 } else { medium.gap }, ..medium.clone() };
        let Strip { level, floor } = Strip::new(width, entry, medium, &waves);
        let short = waves.partition_point(|(wave, _)| *wave < 100.0 / side);
        let grid_waves = GridWaves::new(medium, &waves[..short]);
        let least = LEAST / medium.top_mean();
        let mut spread = width;
        while spread < 3.0 * widest && grid_waves.least_rest(level, spread) < least {
            spread += 0.1 * side;
        }
        let last = 0.5 * (spread + 1.5 * side);
        let [chart] = grid_waves.charts(0.0, last, |wave| (sinc(0.5 * wave * spread), 0.0), |drop, _| [level - drop]);
        let scales = with_gap.map(|(medium, strip)| {
            let rest = |axis: usize, distance: f64| chart.at([1.0, 0.0][axis], [0.0, 1.0][axis], distance);
            Scales::new(width, spread, medium, 1.0 / strip.level, rest)
        });
        LineSink { spread, chart, scales, floor: floor * entry / width }
    }

    /// Whether the gap's flow is to end at the kerf's rims by itself.
    pub(super) fn ends_gap(&self) -> bool {
        self.scales.is_some()
    }

    /// By how much the board's share is scaled for a kerf square to (`cosine`, `sine`) whose middle line lies at `place`, in cells.
    pub(super) fn scale(&self, cosine: f64, sine: f64, place: (f64, f64)) -> f64 {
        self.scales.as_ref().map_or(1.0, |scales| scales.at(cosine, sine, place))
    }

    /// The conductance in m³ of `length` metres in a cell whose middle lies `distance` from the kerf's middle line, which
    /// runs square to (`cosine`, `sine`), the board's share scaled by `scale`.
    pub(super) fn conductance(&self, length: f64, (cosine, sine): (f64, f64), distance: f64, scale: f64) -> f64 {
        length * scale / self.chart.at(cosine, sine, distance.abs())
    }

    /// The mean v on the kerf's floor, in terms of that of a cell whose middle lies `distance` from the kerf's middle line.
    pub(super) fn on_floor(&self, (cosine, sine): (f64, f64), distance: f64, scale: f64) -> f64 {
        (self.floor * scale / self.chart.at(cosine, sine, distance.abs())).min(1.0)
    }
}

/// The straight edge of a wide opening on one grid and medium.
#[derive(Clone, Debug)]
pub(super) struct EdgeSink {
    /// E − F and the flux, whose ratio is the conductance per cell area, over direction and distance outside.
    rest: Chart,
    flux: Chart,
    /// How far outside the opening cells still take part, in metres.
    pub outside: f64,
    /// How far inside it they are matched, in metres.
    pub inside: f64,
    /// A conductance per cell area beyond which a cell counts as open.
    greatest: f64,
}

impl EdgeSink {
    /// Matches an edge.
    pub(super) fn new(medium: &Medium) -> Self {
        let side = medium.grid.hx.max(medium.grid.hy);
        let (spread, inside) = (EDGE_SPREAD * side, EDGE_DEPTH * side);
        let outside = 0.5 * spread + std::f64::consts::FRAC_1_SQRT_2 * side;
        let half = HalfPlane::of(medium);
        let waves = medium.waves(inside + outside, 80.0 / side);
        let grid_waves = GridWaves::new(medium, &waves);
        let transform = |wave: f64| {
            let (size, phase) = half.transform(wave);
            (size * sinc(0.5 * wave * spread), -phase)
        };
        let [rest, flux] = grid_waves
            .charts(-inside, outside, transform, |drop, density| [half.even - (0.5 * half.even + drop), 0.5 + density]);
        EdgeSink { rest, flux, outside, inside, greatest: 50.0 * medium.top_mean() / side }
    }

    /// The conductance per cell area in m of a cell whose middle lies `distance` outside the opening (negative inside).
    pub(super) fn permeance(&self, cosine: f64, sine: f64, distance: f64) -> f64 {
        let (rest, flux) = (self.rest.at(cosine, sine, distance), self.flux.at(cosine, sine, distance));
        if flux <= LEAST_FLUX {
            0.0
        } else if rest * self.greatest <= flux {
            self.greatest
        } else {
            flux / rest
        }
    }
}

/// The grid's filter and its cells' own transform, for every direction and wave.
struct GridWaves<'a> {
    waves: &'a [(f64, f64)],
    /// Direction after direction: weight·T·cell transform/π, and weight·cell transform/π.
    filters: Vec<Vec<(f64, f64)>>,
}

impl<'a> GridWaves<'a> {
    fn new(medium: &Medium, waves: &'a [(f64, f64)]) -> Self {
        let strata = medium.strata();
        let filters = (0..=ANGLES).map(|turn| {
            let (sine, cosine) = (turn as f64 / ANGLES as f64 * std::f64::consts::FRAC_PI_2).sin_cos();
            let filter = |&(wave, weight): &(f64, f64)| {
                let (answer, mean) = medium.lattice(&strata, wave, cosine, sine);
                let cell = mean * weight / std::f64::consts::PI;
                (cell * answer, cell)
            };
            waves.iter().map(filter).collect()
        });
        GridWaves { waves, filters: filters.collect() }
    }

    /// The least of E − F over a kerf spread evenly over `spread`, sought where it can be: at the middle line.
    fn least_rest(&self, level: f64, spread: f64) -> f64 {
        let fluxes: Vec<f64> = self.waves.iter().map(|(wave, _)| sinc(0.5 * wave * spread)).collect();
        let drop = |filters: &Vec<(f64, f64)>| -> f64 {
            fluxes.iter().zip(filters).map(|(flux, (filter, _))| filter * flux).sum()
        };
        self.filters.iter().map(|filters| level - drop(filters)).fold(f64::INFINITY, f64::min)
    }

    /// Charts of `value`(F, flux density) over distances `first`..`last`, for a flux whose transform has this size and phase.
    fn charts<const COUNT: usize>(
        &self,
        first: f64,
        last: f64,
        transform: impl Fn(f64) -> (f64, f64),
        value: impl Fn(f64, f64) -> [f64; COUNT],
    ) -> [Chart; COUNT] {
        let step = (last - first) / OFFSETS as f64;
        let mut sums = vec![[[0.0; OFFSETS + 1]; 2]; self.filters.len()];
        for (at, (wave, _)) in self.waves.iter().enumerate() {
            let (flux, phase) = transform(*wave);
            let mut places = [0.0; OFFSETS + 1];
            let (mut before, mut now) = ((wave * (first - step) + phase).cos(), (wave * first + phase).cos());
            let turn = 2.0 * (wave * step).cos();
            for place in &mut places {
                *place = now;
                (before, now) = (now, turn * now - before);
            }
            for ([drops, densities], filters) in sums.iter_mut().zip(&self.filters) {
                let (filter, cell) = (filters[at].0 * flux, filters[at].1 * flux);
                for ((drop, density), place) in drops.iter_mut().zip(densities).zip(&places) {
                    *drop += filter * place;
                    *density += cell * place;
                }
            }
        }
        let value = |[drops, densities]: &[[f64; OFFSETS + 1]; 2], chart: usize| {
            std::array::from_fn(|at| value(drops[at], densities[at])[chart])
        };
        std::array::from_fn(|chart| Chart { first, step, values: sums.iter().map(|sums| value(sums, chart)).collect() })
    }
}
