//! The fit against the certified values of nonlinear regression in the NIST Statistical Reference Datasets.
#![allow(clippy::excessive_precision, reason = "digits as certified")]

use holdwatch::stats::{Fit, Model, least_squares};

/// One dataset as published.
struct Dataset {
    curve: fn(&[f64], f64) -> f64,
    /// x and y.
    points: &'static [(f64, f64)],
    starts: &'static [&'static [f64]],
    certified: &'static [f64],
    deviations: &'static [f64],
    sum_of_squares: f64,
}

impl Model for Dataset {
    fn residuals(&self, at: &[f64]) -> Vec<f64> {
        self.points.iter().map(|(x, y)| (self.curve)(at, *x) - y).collect()
    }
}

const MISRA1A: Dataset = Dataset {
    curve: |b, x| b[0] * (1.0 - (-b[1] * x).exp()),
    points: &[
        (77.6, 10.07),
        (114.9, 14.73),
        (141.1, 17.94),
        (190.8, 23.93),
        (239.9, 29.61),
        (289.0, 35.18),
        (332.8, 40.02),
        (378.4, 44.82),
        (434.8, 50.76),
        (477.3, 55.05),
        (536.8, 61.01),
        (593.1, 66.40),
        (689.1, 75.47),
        (760.0, 81.78),
    ],
    starts: &[&[500.0, 0.0001], &[250.0, 0.0005]],
    certified: &[2.389_421_291_8e2, 5.501_564_318_1e-4],
    deviations: &[2.707_007_524_1, 7.266_868_843_6e-6],
    sum_of_squares: 1.245_513_889_4e-1,
};

const THURBER: Dataset = Dataset {
    curve: |b, x| (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) / (1.0 + x * (b[4] + x * (b[5] + x * b[6]))),
    points: &[
        (-3.067, 80.574),
        (-2.981, 84.248),
        (-2.921, 87.264),
        (-2.912, 87.195),
        (-2.840, 89.076),
        (-2.797, 89.608),
        (-2.702, 89.868),
        (-2.699, 90.101),
        (-2.633, 92.405),
        (-2.481, 95.854),
        (-2.363, 100.696),
        (-2.322, 101.060),
        (-1.501, 401.672),
        (-1.460, 390.724),
        (-1.274, 567.534),
        (-1.212, 635.316),
        (-1.100, 733.054),
        (-1.046, 759.087),
        (-0.915, 894.206),
        (-0.714, 990.785),
        (-0.566, 1090.109),
        (-0.545, 1080.914),
        (-0.400, 1122.643),
        (-0.309, 1178.351),
        (-0.109, 1260.531),
        (-0.103, 1273.514),
        (0.010, 1288.339),
        (0.119, 1327.543),
        (0.377, 1353.863),
        (0.790, 1414.509),
        (0.963, 1425.208),
        (1.006, 1421.384),
        (1.115, 1442.962),
        (1.572, 1464.350),
        (1.841, 1468.705),
        (2.047, 1447.894),
        (2.200, 1457.628),
    ],
    starts: &[&[1000.0, 1000.0, 400.0, 40.0, 0.7, 0.3, 0.03], &[1300.0, 1500.0, 500.0, 75.0, 1.0, 0.4, 0.05]],
    certified: &[
        1.288_139_680_0e3,
        1.491_079_253_5e3,
        5.832_383_687_7e2,
        7.541_664_429_1e1,
        9.662_950_286_4e-1,
        3.979_728_579_7e-1,
        4.972_729_734_9e-2,
    ],
    deviations: &[
        4.664_796_334_4,
        3.957_115_608_6e1,
        2.869_869_610_2e1,
        5.567_537_027_0,
        3.133_334_068_7e-2,
        1.498_492_819_8e-2,
        6.584_234_462_3e-3,
    ],
    sum_of_squares: 5.642_708_239_7e3,
};

fn close(found: f64, expected: f64, relative: f64) {
    assert!((found - expected).abs() <= relative * expected.abs(), "{found} is not {expected}");
}

fn fitted(dataset: &Dataset, start: &[f64]) -> Fit {
    least_squares(dataset, start, &vec![(f64::NEG_INFINITY, f64::INFINITY); start.len()])
}

/// Misra1a (lower level of difficulty, observed data, two parameters) and Thurber (higher level, seven parameters), from both
/// published starts.
#[test]
fn the_certified_values_are_found_from_both_starts() {
    for dataset in [&MISRA1A, &THURBER] {
        for start in dataset.starts {
            let fit = fitted(dataset, start);
            assert!(fit.settled, "{start:?}: {} steps", fit.steps);
            close(fit.sum, dataset.sum_of_squares, 1e-9);
            let covariance = fit.covariance();
            for (place, (certified, deviation)) in dataset.certified.iter().zip(dataset.deviations).enumerate() {
                close(fit.values[place], *certified, 1e-6);
                close(covariance[place][place].sqrt() * fit.deviation(), *deviation, 1e-5);
            }
        }
    }
}

/// Two numbers of which only the sum is told: what the readings do not feel has no part in the covariance.
struct OnlyTheSum;

impl Model for OnlyTheSum {
    fn residuals(&self, at: &[f64]) -> Vec<f64> {
        vec![at[0] + at[1] - 3.0, 2.0 * (at[0] + at[1]) - 6.0]
    }
}

#[test]
fn a_direction_that_no_residual_feels_does_not_stop_the_fit() {
    let fit = least_squares(&OnlyTheSum, &[0.0, 0.0], &[(-10.0, 10.0); 2]);
    close(fit.values[0] + fit.values[1], 3.0, 1e-9);
    let covariance = fit.covariance();
    // The sum's variance: 1 over the sum of squares of its weights, by hand.
    close(covariance[0][0] + covariance[0][1] + covariance[1][0] + covariance[1][1], 1.0 / 5.0, 1e-9);
}

#[test]
fn a_bound_holds_and_the_rest_is_fitted_beside_it() {
    let fit = least_squares(&OnlyTheSum, &[0.0, 0.0], &[(0.0, 1.0), (-10.0, 10.0)]);
    assert!(fit.values[0] <= 1.0);
    close(fit.values[0] + fit.values[1], 3.0, 1e-9);
    let held = least_squares(&OnlyTheSum, &[0.0, 0.0], &[(0.0, 1.0), (0.0, 1.5)]);
    assert_eq!(held.values, [1.0, 1.5]);
}

/// A mean of which one reading is far off: Huber's mean (Huber, 1964), worked by hand from its equation Σψ = 0: four readings at 0
/// and one far away trusted to 1.5 give 4·m = 1.5.
struct Mean;

impl Model for Mean {
    fn residuals(&self, at: &[f64]) -> Vec<f64> {
        [0.0, 0.0, 0.0, 0.0, 50.0].iter().map(|reading| reading - at[0]).collect()
    }

    fn trusted_to(&self, _place: usize) -> f64 {
        1.5
    }
}

#[test]
fn a_reading_far_off_draws_no_further_than_it_is_trusted() {
    let fit = least_squares(&Mean, &[10.0], &[(-100.0, 100.0)]);
    close(fit.values[0], 1.5 / 4.0, 1e-6);
    assert!(fit.weights[4] < 0.04 && fit.weights[0] > 0.999);
}
