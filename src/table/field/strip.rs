//! What a straight kerf draws of an endless covered board: E, how far above the flux drawn the far field lies.
//!
//! Where the kerf's floor resists nothing, the flux across a strip of width w is q ∝ 1/√(w² − 4x²), q̂ = J₀(κw/2), and with a gap under
//! the cover an inflow at both rims besides, q̂ = cos(κw/2), in the proportion that makes E least.
//!
//! Where the floor resists, v stands above the room's on it and the flux is finite. It is sought as a sum of cosines by Galerkin's
//! method. A gap ends at the rims, where v is nothing, and does not go on over the floor; the filter T knows it everywhere, so what
//! the filter lets it pass along the floor is taken off again: with v = e·q there, the board together with an endless gap
//! g gives q + g·e·q″ on the floor, and as much more at the rims as keeps v at nothing there.

use std::f64::consts::PI;

use nalgebra::{DMatrix, DVector};

use super::spectrum::{Medium, bessel_j0, sinc};

/// Cosines that the flux through a resisting floor is sought in.
const TERMS: usize = 8;

/// A strip that draws from an endless covered board.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Strip {
    /// E in 1/m²: how far the far field lies above the flux drawn per metre.
    pub level: f64,
    /// What share of the flux comes through the strip's floor; the rest comes along the gap.
    pub floor: f64,
}

impl Strip {
    /// A strip `width` metres wide whose floor resists by `entry` in 1/m; integrals over `waves`.
    pub(super) fn new(width: f64, entry: f64, medium: &Medium, waves: &[(f64, f64)]) -> Self {
        if entry > 0.0 { resisting(width, entry, medium, waves) } else { free(width, medium, waves) }
    }
}

fn free(width: f64, medium: &Medium, waves: &[(f64, f64)]) -> Strip {
    let (mut inner, mut rims, mut both) = (0.0, 0.0, 0.0);
    for (wave, weight) in waves {
        let filter = medium.exact(*wave) * weight / PI;
        let (bessel, cosine) = (bessel_j0(0.5 * wave * width), (0.5 * wave * width).cos());
        inner += filter * bessel * bessel;
        rims += filter * cosine * cosine;
        both += filter * bessel * cosine;
    }
    if medium.gap > 0.0 {
        let floor = ((rims - both) / (inner + rims - 2.0 * both)).clamp(0.0, 1.0);
        let rest = 1.0 - floor;
        return Strip { level: floor * floor * inner + 2.0 * floor * rest * both + rest * rest * rims, floor };
    }
    // Beyond the last wave T is 1/(κ·√(k_xy·k_z)) and J₀² is 1/(π·κ·w/2) on average.
    let last = waves.last().map_or(1.0, |(wave, _)| *wave);
    Strip { level: inner + 2.0 / (PI.powi(2) * width * last * medium.top_mean()), floor: 1.0 }
}

fn resisting(width: f64, entry: f64, medium: &Medium, waves: &[(f64, f64)]) -> Strip {
    let half = 0.5 * width;
    let ended = medium.gap > 0.0;
    // Without a gap the flux has any size at the rims, with one it is nothing there.
    let number = |term: usize| (2 * term + usize::from(ended)) as f64 * PI / width;
    let transform = |term: usize, wave: f64| {
        let own = number(term);
        half * (sinc((wave - own) * half) + sinc((wave + own) * half))
    };
    let count = TERMS + usize::from(ended);
    let shapes = |wave: f64| {
        let rims = ended.then(|| 2.0 * (wave * half).cos());
        DVector::from_iterator(count, (0..TERMS).map(|term| transform(term, wave)).chain(rims))
    };
    let mut matrix = DMatrix::zeros(count, count);
    for (wave, weight) in waves {
        let shapes = shapes(*wave);
        matrix.ger(medium.exact(*wave) * weight / PI, &shapes, &shapes, 1.0);
    }
    if ended {
        // Beyond the last wave T is 1/(κ·√(k_xy·k_z) + g·κ²) and the square of the rims' cosines 2 on average.
        let (last, mean) = (waves.last().map_or(1.0, |(wave, _)| *wave), medium.top_mean());
        matrix[(TERMS, TERMS)] += 2.0 / (PI * mean) * (mean / (medium.gap * last)).ln_1p();
    }
    // What of a term's flux comes through the floor: all but what the endless gap would pass along it.
    let through = |term: usize| 1.0 - medium.gap * entry * number(term).powi(2);
    for term in 0..TERMS {
        let square = if term == 0 && !ended { width } else { half };
        matrix[(term, term)] += entry * square / through(term);
    }
    let whole = shapes(0.0);
    let Some(fluxes) = matrix.lu().solve(&whole) else { return free(width, medium, waves) };
    let drawn = whole.dot(&fluxes);
    let floor: f64 = (0..TERMS).map(|term| whole[term] * fluxes[term] / through(term)).sum();
    Strip { level: 1.0 / drawn, floor: floor / drawn }
}

#[cfg(test)]
mod tests {
    use super::super::grid::{Grid, Interval};
    use super::*;

    const WIDTH: f64 = 0.006;

    fn with(gap: f64, entry: f64) -> Strip {
        let intervals = vec![Interval { height: 0.003, along: 1e-12, through: 2e-13 }; 6];
        let grid = Grid { nx: 8, ny: 4, hx: 0.005, hy: 0.005, intervals };
        let medium = Medium { grid: &grid, contact: 2e10, gap, cover: 0.0 };
        Strip::new(WIDTH, entry, &medium, &medium.waves(0.03, 2e4))
    }

    /// Without resistance, the closed form of the flux; with little, nearly the same. With much, all flows evenly through the
    /// floor, against `entry` over the width and little else.
    #[test]
    fn a_floor_that_resists_little_or_much_draws_as_its_limits() {
        let free = with(0.0, 0.0);
        let little = with(0.0, 1e-3 / free.level.recip() * WIDTH);
        assert!((little.level / free.level - 1.0).abs() < 0.03, "{little:?} {free:?}");
        let much = with(0.0, 1e3 * free.level * WIDTH);
        assert!((much.level / (1e3 * free.level) - 1.0).abs() < 2e-3, "{much:?} {free:?}");
        assert!((much.floor - 1.0).abs() < 1e-9);
    }

    /// The more the floor resists, the less is drawn and the more of it comes along the gap, but never less than without a floor at all.
    #[test]
    fn over_a_gap_a_floor_that_resists_leaves_the_flow_to_the_rims() {
        let gap = 5e-5_f64.powi(3) / 12.0;
        let strips = [1e8, 1e9, 1e10, 1e11].map(|entry| with(gap, entry));
        for pair in strips.windows(2) {
            assert!(pair[1].level > pair[0].level && pair[1].floor < pair[0].floor, "{strips:?}");
        }
        assert!(strips[3].floor < 0.02 && strips[3].floor > 0.0, "{strips:?}");
        assert!(strips[3].level < 1.05 * with(gap, 1e13).level, "{strips:?}");
    }
}
