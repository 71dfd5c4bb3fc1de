//! The covered board as a filter of waves along its top face: once exactly, once as the grid sees it.
//!
//! Drawing a flux density cos(κx) from the top face of a board that rests on its plenum lowers v there by T(κ)·cos(κx). T follows
//! from a ladder: through each layer, the admittance Y seen from below becomes
//! Y₀·(Y + Y₀·tanh αt)/(Y₀ + Y·tanh αt) with Y₀ = κ·√(k_xy·k_z) and α = κ·√(k_xy/k_z), the transmission-line equation
//! (D. Pozar, "Microwave Engineering", section 2.3) for ∇·(k∇v) = 0. The grid has the same ladder with lumped steps.

use super::grid::Grid;

/// Nodes and weights of Gauss's quadrature of eight points on −1..1 (M. Abramowitz, I. Stegun, table 25.4).
const GAUSS: [(f64, f64); 4] = [
    (0.183_434_642_495_650, 0.362_683_783_378_362),
    (0.525_532_409_916_329, 0.313_706_645_877_887),
    (0.796_666_477_413_627, 0.222_381_034_453_374),
    (0.960_289_856_497_536, 0.101_228_536_290_376),
];

/// Steps to the slowest mode, whose neighbour is at least nine times as fast.
const DECAY_STEPS: usize = 12;

/// The board under a cover, infinite along both directions.
#[derive(Clone, Debug)]
pub(super) struct Medium<'a> {
    /// Its grid.
    pub grid: &'a Grid,
    /// Resistance between plenum and underside in 1/m.
    pub contact: f64,
    /// Transmissivity of the gap under the cover in m³.
    pub gap: f64,
    /// Permeance of the cover in m.
    pub cover: f64,
}

impl Medium<'_> {
    /// T(κ) of the board itself, in 1/m.
    pub(super) fn exact(&self, wave: f64) -> f64 {
        let through = self.grid.intervals.iter().fold(1.0 / self.contact, |below, interval| {
            let own = wave * (interval.along * interval.through).sqrt();
            let slope = (wave * (interval.along / interval.through).sqrt() * interval.height).tanh();
            own * (below + own * slope) / (own + below * slope)
        });
        1.0 / (through + self.gap * wave * wave + self.cover)
    }

    /// T of the grid for a wave of κ along (`cosine`, `sine`), in 1/m, and the mean of that wave over a cell, in terms of what it is
    /// in the cell's middle.
    pub(super) fn lattice(&self, strata: &LatticeStrata, wave: f64, cosine: f64, sine: f64) -> (f64, f64) {
        let along = |side: f64, share: f64| {
            let half = 0.5 * wave * share * side;
            let sine = half.sin();
            ((2.0 / side * sine).powi(2), if half.abs() < 1e-6 { 1.0 } else { sine / half })
        };
        let ((square_x, mean_x), (square_y, mean_y)) = (along(self.grid.hx, cosine), along(self.grid.hy, sine));
        let square = square_x + square_y;
        let mut admittance = 1.0 / self.contact + strata.along[0] * square;
        for (along, through) in strata.along[1..].iter().zip(&strata.through) {
            admittance = along * square + admittance * through / (admittance + through);
        }
        (1.0 / (admittance + self.gap * square + self.cover), mean_x * mean_y)
    }

    /// √(k_xy·k_z) of the top layer, in m².
    pub(super) fn top_mean(&self) -> f64 {
        self.grid.intervals.last().map_or(0.0, |top| (top.along * top.through).sqrt())
    }

    /// The depth of the board as waves along it feel it, Σ t·√(k_xy/k_z), in metres.
    pub(super) fn depth(&self) -> f64 {
        self.grid.intervals.iter().map(|layer| layer.height * (layer.along / layer.through).sqrt()).sum()
    }

    /// How far a disturbance of the top face is felt along the board, in metres.
    pub(super) fn reach(&self) -> f64 {
        let along: f64 = self.grid.along().iter().sum::<f64>() + self.gap;
        let through: f64 = self.grid.through().iter().map(|value| 1.0 / value).sum();
        (along * (self.contact + through)).sqrt()
    }

    /// Over what length the slowest disturbance under a cover falls by e along the board, in metres: that of the grid's slowest
    /// mode, in which all that its levels pass along leaves through the plenum below; by inverse iteration.
    ///
    /// It lies between 0.64 of the reach (all resistance in the board) and the reach itself (all in the contact).
    pub(super) fn decay(&self) -> f64 {
        let (mut along, through) = (self.grid.along(), self.grid.through());
        if let Some(top) = along.last_mut() {
            *top += self.gap;
        }
        let weight = |mode: &[f64]| mode.iter().zip(&along).map(|(v, along)| along * v * v).sum::<f64>();
        let mut mode = vec![1.0; along.len()];
        let mut square = 0.0;
        for _ in 0..DECAY_STEPS {
            let flows: Vec<f64> = mode.iter().zip(&along).map(|(v, along)| v * along).collect();
            let mut passing: f64 = flows.iter().sum();
            let mut next = vec![passing * self.contact];
            for (level, through) in through.iter().enumerate() {
                passing -= flows[level];
                next.push(next[level] + passing / through);
            }
            square = (weight(&next) / weight(&mode)).sqrt();
            mode = next.into_iter().map(|v| v / square).collect();
        }
        square.sqrt()
    }

    /// The grid's strata, gathered once.
    pub(super) fn strata(&self) -> LatticeStrata {
        LatticeStrata { along: self.grid.along(), through: self.grid.through() }
    }

    /// Wave numbers and weights for integrals over 0..`greatest` of what varies over `extent` metres.
    pub(super) fn waves(&self, extent: f64, greatest: f64) -> Vec<(f64, f64)> {
        let mut nodes = Vec::new();
        let (mut start, mut width) = (0.0, 0.25 / self.reach());
        while start < greatest * (1.0 - 1e-12) {
            width = width.min(greatest - start);
            let middle = start + 0.5 * width;
            for (node, weight) in GAUSS {
                nodes.push((middle - 0.5 * width * node, 0.5 * width * weight));
                nodes.push((middle + 0.5 * width * node, 0.5 * width * weight));
            }
            start += width;
            width = (2.0 * width).min(3.0 / extent);
        }
        nodes
    }
}

/// The grid's conductances per cell area that [`Medium::lattice`] climbs.
#[derive(Clone, Debug)]
pub(super) struct LatticeStrata {
    along: Vec<f64>,
    through: Vec<f64>,
}

/// sin(x)/x.
pub(super) fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-6 { 1.0 } else { x.sin() / x }
}

/// The Bessel function J₀: its integral (Abramowitz and Stegun 9.1.18) by the midpoint rule, which converges faster than
/// any power, and from 25 on two terms of its asymptotic expansion (9.2.5).
pub(super) fn bessel_j0(x: f64) -> f64 {
    if x > 25.0 {
        let phase = x - std::f64::consts::FRAC_PI_4;
        return (std::f64::consts::FRAC_2_PI / x).sqrt() * (phase.cos() + phase.sin() / (8.0 * x));
    }
    let count = 12 + (0.6 * x) as usize;
    let step = std::f64::consts::FRAC_PI_2 / count as f64;
    (0..count).map(|k| (x * ((k as f64 + 0.5) * step).sin()).cos()).sum::<f64>() / count as f64
}

#[cfg(test)]
mod tests {
    use super::super::grid::Interval;
    use super::*;

    /// One layer on its plenum: the slowest mode is cos(β·(1 − z/t)) with β·tan β = t/(r·k_z), which falls by e over t·s/β (H. Carslaw,
    /// J. Jaeger, "Conduction of Heat in Solids", section 3.11 and table of the roots of α·tan α = C: C = 0.1, 1, 10 and none).
    #[test]
    fn the_slowest_disturbance_decays_as_the_textbook_s_roots_say() {
        let intervals = vec![Interval { height: 0.018 / 200.0, along: 4e-13, through: 1e-13 }; 200];
        let grid = Grid { nx: 8, ny: 4, hx: 0.005, hy: 0.005, intervals };
        for (share, root) in [(0.1, 0.3111), (1.0, 0.8603), (10.0, 1.4289), (1e9, std::f64::consts::FRAC_PI_2)] {
            let medium = Medium { grid: &grid, contact: 0.018 / (share * 1e-13), gap: 0.0, cover: 0.0 };
            let exact = 0.018 * 2.0 / root;
            assert!((medium.decay() / exact - 1.0).abs() < 1e-3, "{share}: {} is not {exact} m", medium.decay());
            assert!((0.63..1.0).contains(&(medium.decay() / medium.reach())));
        }
    }

    /// Abramowitz and Stegun, table 9.1: J₀(1), J₀(5), J₀(10); zeros 2.4048255577, 30.6346064684 (table 9.5).
    #[test]
    fn bessel_j0_is_that_of_the_tables() {
        for (x, value) in [(1.0, 0.765_197_686_6), (5.0, -0.177_596_771_3), (10.0, -0.245_935_764_5), (0.0, 1.0)] {
            assert!((bessel_j0(x) - value).abs() < 1e-9, "{x}");
        }
        assert!(bessel_j0(2.404_825_557_7).abs() < 1e-9);
        assert!(bessel_j0(30.634_606_468_4).abs() < 2e-5);
    }
}
