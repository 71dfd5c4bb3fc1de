//! The flux into a wide opening beside a cover, for any layers, contact and gap.
//!
//! With a drive that would hold v = 1 under an endless cover, the flux q into the opening x > 0 obeys T∗q = 1 there. It is
//! sought as q∞·(1 + Σ a_k·√(ℓ_k/x)·e^(−x/ℓ_k)), with a line flux at the edge where a gap ends there, so that the equation holds in
//! the least-squares sense at points from near the edge to where it is no longer felt. Every term's transform is known:
//! that of e^(−x/ℓ)/√x is √(π/(1/ℓ + iκ)). For one layer on its plenum the exact flux is q∞/√(1 − e^(−πx/(t·s))), by conformal map;
//! the band lost beside its edge, (2·ln 2/π)·t·s, comes out to 0.3 %.

use std::f64::consts::PI;

use super::spectrum::Medium;

/// The lengths ℓ_k: this many, each so much shorter than the one before.
const TERMS: (i32, f64) = (4, 0.4);
/// The points of the opening where the equation is held, from and to in reaches of the board's depth.
const POINTS: (usize, f64, f64) = (24, 0.03, 5.0);
/// The highest wave of the integrals, per depth.
const HIGHEST: f64 = 200.0;
/// What is added to the diagonal of the normal equations, as a share of its mean.
const RIDGE: f64 = 1e-9;

/// The flux, in terms of what it is far from the edge.
#[derive(Clone, Debug)]
pub(super) struct HalfPlane {
    /// ℓ_k in metres and a_k.
    terms: Vec<(f64, f64)>,
    /// The line flux at the edge, in metres.
    line: f64,
    /// T of an even flux, in 1/m.
    pub even: f64,
}

impl HalfPlane {
    /// The flux for `medium`.
    pub(super) fn of(medium: &Medium) -> Self {
        let depth = medium.depth();
        let lengths: [f64; TERMS.0 as usize] = std::array::from_fn(|k| depth * TERMS.1.powi(k as i32));
        let even = medium.exact(1e-9 / depth);
        let columns = lengths.len() + usize::from(medium.gap > 0.0);
        let waves = medium.waves(POINTS.2 * depth, HIGHEST / depth);
        let waves: Vec<Wave> =
            waves.into_iter().map(|(wave, weight)| Wave::of(medium, &lengths, wave, weight)).collect();
        let mut normal = Normal::new(columns);
        for at in 0..POINTS.0 {
            let share = at as f64 / (POINTS.0 - 1) as f64;
            let x = depth * POINTS.1 * (POINTS.2 / POINTS.1).powf(share);
            let (row, wanted) = equation(&lengths, &waves, x, even);
            normal.add(&row[..columns], wanted);
        }
        let found = normal.solved();
        let terms = lengths.iter().copied().zip(found.iter().copied()).collect();
        HalfPlane { terms, line: found.get(lengths.len()).copied().unwrap_or(0.0) * depth, even }
    }

    /// The transform of the flux at `wave`, but for the step's own π·δ(κ): its size and its phase.
    pub(super) fn transform(&self, wave: f64) -> (f64, f64) {
        let (mut real, mut imaginary) = (self.line, -1.0 / wave);
        for (length, factor) in &self.terms {
            let (cosine, sine) = decaying(*length, wave);
            real += factor * cosine;
            imaginary += factor * sine;
        }
        (real.hypot(imaginary), imaginary.atan2(real))
    }
}

/// The transform of √(ℓ/x)·e^(−x/ℓ) at `wave`: real and imaginary part.
fn decaying(length: f64, wave: f64) -> (f64, f64) {
    let size = length * (PI / (wave * length).hypot(1.0)).sqrt();
    let phase = -0.5 * (wave * length).atan();
    (size * phase.cos(), size * phase.sin())
}

/// What of a wave is the same at every point.
struct Wave {
    number: f64,
    /// T with the integral's weight.
    filter: f64,
    /// The transform of each term there.
    terms: [(f64, f64); TERMS.0 as usize],
}

impl Wave {
    fn of(medium: &Medium, lengths: &[f64; TERMS.0 as usize], number: f64, weight: f64) -> Self {
        Wave {
            number,
            filter: medium.exact(number) * weight / PI,
            terms: lengths.map(|length| decaying(length, number)),
        }
    }
}

/// One point's equation: T of each term there, and what is wanted of their sum.
fn equation(lengths: &[f64], waves: &[Wave], x: f64, even: f64) -> (Vec<f64>, f64) {
    let mut row = vec![0.0; lengths.len() + 1];
    let mut step = 0.5 * even;
    for Wave { number, filter, terms } in waves {
        let (sine, cosine) = (number * x).sin_cos();
        step += filter * sine / number;
        for (value, (real, imaginary)) in row.iter_mut().zip(terms) {
            *value += filter * (real * cosine - imaginary * sine);
        }
        row[lengths.len()] += filter * cosine * lengths[0];
    }
    (row, even - step)
}

/// The normal equations of a least-squares problem of few unknowns.
struct Normal {
    matrix: Vec<Vec<f64>>,
    right: Vec<f64>,
}

impl Normal {
    fn new(count: usize) -> Self {
        Normal { matrix: vec![vec![0.0; count]; count], right: vec![0.0; count] }
    }

    fn add(&mut self, row: &[f64], wanted: f64) {
        for (own, value) in row.iter().enumerate() {
            self.right[own] += value * wanted;
            self.matrix[own].iter_mut().zip(row).for_each(|(sum, other)| *sum += value * other);
        }
    }

    fn solved(mut self) -> Vec<f64> {
        let count = self.right.len();
        let mean = (0..count).map(|at| self.matrix[at][at]).sum::<f64>() / count as f64;
        (0..count).for_each(|at| self.matrix[at][at] += RIDGE * mean);
        let mut sides: Vec<Vec<f64>> = self.right.iter().map(|right| vec![*right]).collect();
        super::rim::eliminate(&mut self.matrix, &mut sides);
        sides.into_iter().map(|side| side[0]).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::super::grid::{Grid, Resolution};
    use super::*;
    use crate::table::{Board, Layer, Pores, Rim, Rims};
    use crate::units::{LayerResistance, Length, Permeability};

    fn band(ratio: f64) -> f64 {
        let rims = Rims { x_min: Rim::Sealed, x_max: Rim::Sealed, y_min: Rim::Sealed, y_max: Rim::Sealed };
        let board = Board {
            length: Length::from_metres(1.0),
            width: Length::from_metres(1.0),
            layers: vec![Layer {
                thickness: Length::from_millimetres(18.0),
                along: Permeability::from_square_metres(ratio * 2e-13),
                through: Permeability::from_square_metres(2e-13),
            }],
            rims,
            seams: vec![],
            top_entry: LayerResistance::ZERO,
            pores: Pores::DARCY,
        };
        let grid = Grid::new(&board, Resolution::Standard);
        let medium = Medium { grid: &grid, contact: 1e-4 * 0.018 / 2e-13, gap: 0.0, cover: 0.0 };
        let half = HalfPlane::of(&medium);
        half.terms.iter().map(|(length, factor)| factor * length * PI.sqrt()).sum()
    }

    /// (2·ln 2/π)·t·√(k_xy/k_z) by conformal map: 15.886 mm at 18 mm and a ratio of 4.
    #[test]
    fn the_flux_beyond_the_even_one_is_the_band_of_the_conformal_map() {
        for (ratio, exact) in [(1.0, 0.007_943), (4.0, 0.015_886), (20.0, 0.035_522)] {
            assert!((band(ratio) / exact - 1.0).abs() < 5e-3, "{ratio}: {} is not {exact} m", band(ratio));
        }
    }
}
