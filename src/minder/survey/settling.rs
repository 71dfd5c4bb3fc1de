//! Whether a level stands still, and what it is then.
//!
//! The level is looked at over the last [`WINDOW`]. It stands still when its two halves agree within 100 Pa, or within three standard
//! errors where noise hides more than that, and noise itself is below a limit. Numbers far off the others are left out: a garbled reading
//! moves nothing. The standard error comes from the means of fifths of the window, since the plenum colours the noise and single readings
//! are not independent; it is at least 50 Pa, for no gauge of a shop says more. Times and limits are a choice of ours.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::moment::{Span, Steady};
use crate::stats::{deviation_by_difference, median, robust_deviation};
use crate::units::Vacuum;

/// How long a level must stand still.
pub(super) const WINDOW: Span = Span::from_secs(5);
/// The fewest readings in that time.
const FEWEST: usize = 10;
/// The most that are kept; of a faster gauge the oldest go sooner.
const MOST: usize = 600;
/// By how much the halves may differ, in pascals and in standard errors.
const APART: (f64, f64) = (100.0, 3.0);
/// A level whose noise is more than this is not read, in pascals.
const NOISIEST: f64 = 1500.0;
/// Numbers this many robust deviations off are left out.
const WILD: f64 = 6.0;
/// The least standard error of a settled level, in pascals.
const LEAST_SPREAD: f64 = 50.0;
/// Parts of the window whose means are compared.
const PARTS: usize = 5;

/// The last readings of a level.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(in crate::minder) struct Settling {
    readings: VecDeque<(Steady, f64)>,
    began: Option<Steady>,
}

/// How a level stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::minder) struct Standing {
    /// The mean over the window.
    pub(in crate::minder) level: Vacuum,
    /// Its standard error.
    pub(in crate::minder) spread: Vacuum,
    /// By how much the second half is off the first.
    pub(in crate::minder) wander: Vacuum,
    /// The share of the window that is filled.
    pub(in crate::minder) share: f64,
    /// Whether it stands still.
    pub(in crate::minder) settled: bool,
}

impl Settling {
    /// Takes a reading.
    pub(in crate::minder) fn push(&mut self, at: Steady, level: Vacuum) {
        self.began.get_or_insert(at);
        self.readings.push_back((at, level.pascals()));
        while self.readings.len() > MOST {
            self.readings.pop_front();
        }
        // Of a gauge so slow that the window holds too few, the last few count instead.
        while self.readings.len() > FEWEST && self.readings.front().is_some_and(|(then, _)| at.since(*then) > WINDOW) {
            self.readings.pop_front();
        }
    }

    /// How long it has been read.
    pub(in crate::minder) fn lasted(&self, at: Steady) -> Span {
        self.began.map_or(Span::ZERO, |began| at.since(began))
    }

    /// How long nothing has been heard of the level, since it is being read.
    pub(in crate::minder) fn silent(&self, at: Steady) -> Span {
        self.readings.back().map(|(last, _)| *last).or(self.began).map_or(Span::ZERO, |last| at.since(last))
    }

    /// Begins anew at a moment.
    pub(in crate::minder) fn forget(&mut self, at: Steady) {
        self.readings.clear();
        self.began = Some(at);
    }

    /// How the level stands; nothing without a reading.
    pub(in crate::minder) fn standing(&self) -> Option<Standing> {
        let (first, last) = (self.readings.front()?.0, self.readings.back()?.0);
        let all: Vec<f64> = self.readings.iter().map(|(_, level)| *level).collect();
        let centre = median(&all)?;
        let reach = WILD * robust_deviation(&all)?.max(LEAST_SPREAD);
        let tame: Vec<f64> = all.into_iter().filter(|level| (level - centre).abs() <= reach).collect();
        let mean = mean(&tame)?;
        let noise = deviation(&tame, mean);
        let half = tame.len() / 2;
        let wander = match (self::mean(&tame[..half]), self::mean(&tame[half..])) {
            (Some(before), Some(after)) => after - before,
            (_, _) => 0.0,
        };
        let parts: Vec<f64> = tame.chunks(tame.len().div_ceil(PARTS).max(1)).filter_map(self::mean).collect();
        let of_parts = deviation(&parts, mean) / (parts.len() as f64).sqrt();
        let filled = last.since(first).secs_f64() / WINDOW.secs_f64();
        let share = filled.min(tame.len() as f64 / FEWEST as f64).min(1.0);
        // The difference of two halves has twice the standard error of the whole. By differences from reading to reading a level that
        // moves has no more noise than one that stands.
        let quick = deviation_by_difference(&tame).unwrap_or(0.0);
        let apart = APART.0.max(APART.1 * 2.0 * quick / (tame.len() as f64).sqrt());
        // A window that is cut at its length is never quite as long as that.
        let long = filled >= 0.9 && tame.len() >= FEWEST * 8 / 10;
        Some(Standing {
            level: Vacuum::from_pascals(mean),
            spread: Vacuum::from_pascals(of_parts.max(0.5 * wander.abs()).max(LEAST_SPREAD)),
            wander: Vacuum::from_pascals(wander),
            share: if long { 1.0 } else { share.min(0.99) },
            settled: long && wander.abs() <= apart && noise <= NOISIEST,
        })
    }
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

fn deviation(values: &[f64], mean: f64) -> f64 {
    let square: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    (square / (values.len() as f64 - 1.0).max(1.0)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(levels: impl IntoIterator<Item = f64>) -> Standing {
        let mut settling = Settling::default();
        for (place, level) in levels.into_iter().enumerate() {
            settling.push(Steady::from_nanos(place as u64 * 100_000_000), Vacuum::from_pascals(level));
        }
        settling.standing().unwrap()
    }

    /// Noise of ±`size` that no rhythm of the window meets, the same at every run.
    fn noise(place: usize, size: f64) -> f64 {
        size * ((place as f64 * 2.399_963).sin() + (place as f64 * 1.324_718).cos()) / 1.4
    }

    #[test]
    fn a_level_that_stands_is_settled_after_its_window_and_not_before() {
        assert!(!read((0..40).map(|place| 40_000.0 + noise(place, 100.0))).settled);
        let settled = read((0..60).map(|place| 40_000.0 + noise(place, 100.0)));
        assert!(settled.settled && (settled.level.pascals() - 40_000.0).abs() < 60.0, "{settled:?}");
        assert!((50.0..100.0).contains(&settled.spread.pascals()), "{settled:?}");
    }

    #[test]
    fn a_level_that_moves_is_not_settled() {
        // 100 Pa a second, which is 250 Pa from one half of the window to the other.
        assert!(!read((0..60).map(|place| 40_000.0 - 10.0 * place as f64 + noise(place, 100.0))).settled);
        // What is left of a fall of 30 kPa with a time constant of 1.5 s, after 3 s.
        assert!(!read((0..60).map(|place| 10_000.0 + 30_000.0 * (-(place as f64) / 15.0).exp())).settled);
    }

    #[test]
    fn a_level_on_its_way_is_never_taken_for_one_that_stands() {
        for lag in [0.3, 0.5, 1.0, 3.0] {
            let mut settling = Settling::default();
            let taken = (0..600).find_map(|place| {
                let level = 87_000.0 * (1.0 - (-0.1 * place as f64 / lag).exp()) + noise(place, 140.0);
                settling.push(Steady::from_nanos(place as u64 * 100_000_000), Vacuum::from_pascals(level));
                settling.standing().filter(|standing| standing.settled)
            });
            let off = (taken.unwrap().level.pascals() - 87_000.0).abs();
            assert!(off < 150.0 && off < 3.0 * taken.unwrap().spread.pascals(), "{lag}: {off} {taken:?}");
        }
    }

    #[test]
    fn one_garbled_number_moves_nothing() {
        let clean = read((0..60).map(|place| 40_000.0 + noise(place, 100.0)));
        let garbled = read((0..60).map(|place| if place == 45 { 95_000.0 } else { 40_000.0 + noise(place, 100.0) }));
        assert!(garbled.settled && (garbled.level - clean.level).pascals().abs() < 10.0, "{garbled:?} {clean:?}");
    }

    #[test]
    fn noise_that_hides_everything_is_not_read() {
        assert!(!read((0..60).map(|place| 40_000.0 + noise(place, 6_000.0))).settled);
    }

    #[test]
    fn a_slow_gauge_is_waited_for() {
        let mut settling = Settling::default();
        for place in 0..12_u64 {
            settling.push(Steady::from_nanos(place * 2_000_000_000), Vacuum::from_pascals(40_000.0));
            assert_eq!(settling.standing().unwrap().settled, place >= 7, "{place}");
        }
    }
}
