//! The dragging test: a sheet pulled by a luggage scale until it slides.

use crate::stats::normal_quantile;
use crate::units::{Area, Force, Vacuum};

/// The error of one pull: what a luggage scale and a hand are good for, as a share. From memory.
const PULL_ERROR: f64 = 0.05;

/// A sheet that just slid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pull {
    /// The pull along the board at which it slid.
    pub pull: Force,
    /// The sheet's area that was held.
    pub area: Area,
    /// The level under it.
    pub level: Vacuum,
}

/// The friction of sheets on the board.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Friction {
    /// Coulomb's coefficient: the mean of pull over level times area.
    pub value: f64,
    /// Its 95 % interval.
    pub interval: (f64, f64),
    /// On how many pulls it rests.
    pub pulls: usize,
}

/// The friction that pulls come to; `None` without any.
pub fn friction(pulls: &[Pull]) -> Option<Friction> {
    let each: Vec<f64> = pulls.iter().map(|one| one.pull.newtons() / (one.level * one.area).newtons()).collect();
    let count = each.len() as f64;
    let value = each.iter().sum::<f64>() / count;
    if each.is_empty() {
        return None;
    }
    let scatter = each.iter().map(|one| (one - value).powi(2)).sum::<f64>() / (count - 1.0).max(1.0);
    let error = (scatter / count).sqrt().max(value * PULL_ERROR / count.sqrt());
    let reach = normal_quantile(0.975) * error;
    Some(Friction { value, interval: ((value - reach).max(0.0), value + reach), pulls: each.len() })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 60 N on 0.01 m² at 20 kPa is 60/200 = 0.3; one pull is good to 5 %, four to half of that.
    #[test]
    fn friction_is_pull_over_level_times_area() {
        let pull = Pull {
            pull: Force::from_newtons(60.0),
            area: Area::from_square_metres(0.01),
            level: Vacuum::from_pascals(20_000.0),
        };
        assert_eq!(friction(&[]), None);
        let Friction { value, interval: (low, high), pulls } = friction(&[pull]).unwrap();
        assert!((value - 0.3).abs() < 1e-12 && pulls == 1);
        assert!((high - low - 2.0 * 1.96 * 0.05 * 0.3).abs() < 1e-4, "{low} {high}");
        let (low, high) = friction(&[pull; 4]).unwrap().interval;
        assert!((high - low - 1.96 * 0.05 * 0.3).abs() < 1e-4, "{low} {high}");
    }
}
