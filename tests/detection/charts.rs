//! The product's chart and whitener against the limit that no detector can beat, and the references for that against printed
//! tables.
//!
//! The charts here that the product does not use (CUSUM, EWMA, Shiryaev-Roberts, Shewhart) are references: run lengths by their
//! integral equations on Gauss-Legendre nodes. Printed values are quoted from the papers named at each check, by way of a
//! public statistics package's manual.

use holdwatch::stats::{
    Deadband, Noise, Side, Whitener, WindowedGlr, glr_mean_time_between_alarms, glr_threshold, normal_cdf,
    normal_density, normal_quantile,
};

use crate::chance::Chance;

/// Nodes and weights of Gauss and Legendre on `low` to `high`, by Newton's method on the polynomial.
fn legendre(count: usize, low: f64, high: f64) -> Vec<(f64, f64)> {
    let n = count as f64;
    (0..count)
        .map(|i| {
            let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (n + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..100 {
                let (mut before, mut now) = (1.0, x);
                for k in 2..=count {
                    let k = k as f64;
                    (before, now) = (now, ((2.0 * k - 1.0) * x * now - (k - 1.0) * before) / k);
                }
                slope = n * (x * now - before) / (x * x - 1.0);
                x -= now / slope;
            }
            let half = 0.5 * (high - low);
            (low + half * (1.0 + x), half * 2.0 / ((1.0 - x * x) * slope * slope))
        })
        .collect()
}

/// Solves a dense system by Gauss's elimination with row exchange.
fn solve(mut a: Vec<Vec<f64>>, mut b: Vec<f64>) -> Vec<f64> {
    let n = b.len();
    for column in 0..n {
        let pivot = (column..n).max_by(|i, j| a[*i][column].abs().total_cmp(&a[*j][column].abs())).unwrap();
        a.swap(column, pivot);
        b.swap(column, pivot);
        let (top, rest) = a.split_at_mut(column + 1);
        let lead = &top[column];
        for (offset, row) in rest.iter_mut().enumerate() {
            let factor = row[column] / lead[column];
            row[column..].iter_mut().zip(&lead[column..]).for_each(|(value, above)| *value -= factor * above);
            b[column + 1 + offset] -= factor * b[column];
        }
    }
    for row in (0..n).rev() {
        let known: f64 = (row + 1..n).map(|column| a[row][column] * b[column]).sum();
        b[row] = (b[row] - known) / a[row][row];
    }
    b
}

/// Run lengths at the nodes of a chart that goes on from `u` to `x` with density `kernel(u, x)`, and a way to read others.
struct RunLength<K> {
    nodes: Vec<(f64, f64)>,
    lengths: Vec<f64>,
    kernel: K,
}

impl<K: Fn(f64, f64) -> f64> RunLength<K> {
    fn of(nodes: Vec<(f64, f64)>, kernel: K) -> Self {
        let n = nodes.len();
        let row = |i: usize| {
            (0..n).map(|j| f64::from(u8::from(i == j)) - nodes[j].1 * kernel(nodes[i].0, nodes[j].0)).collect()
        };
        let lengths = solve((0..n).map(row).collect(), vec![1.0; n]);
        RunLength { nodes, lengths, kernel }
    }

    fn from(&self, start: f64) -> f64 {
        let ahead = |((x, weight), length): (&(f64, f64), &f64)| weight * (self.kernel)(start, *x) * length;
        1.0 + self.nodes.iter().zip(&self.lengths).map(ahead).sum::<f64>()
    }
}

/// The mean run length of a one-sided CUSUM from `start`, when the noise has a standard deviation of `scale`.
fn cusum(k: f64, h: f64, shift: f64, start: f64, scale: f64) -> f64 {
    let mut nodes = legendre((6.0 * h).ceil() as usize + 24, 0.0, h);
    // The mass at zero is one more node, with the probability of falling to zero as its kernel.
    nodes.push((0.0, 1.0));
    let last = nodes.len() - 1;
    let density = |u: f64, x: f64| normal_density((x + k - u - shift) / scale) / scale;
    let to_zero = |u: f64| normal_cdf((k - u - shift) / scale);
    let weight = |u: f64, j: usize| if j == last { to_zero(u) } else { nodes[j].1 * density(u, nodes[j].0) };
    let row =
        |i: usize| -> Vec<f64> { (0..=last).map(|j| f64::from(u8::from(i == j)) - weight(nodes[i].0, j)).collect() };
    let lengths = solve((0..=last).map(row).collect(), vec![1.0; last + 1]);
    1.0 + (0..=last).map(|j| weight(start, j) * lengths[j]).sum::<f64>()
}

fn two_sided_cusum(k: f64, h: f64, shift: f64) -> f64 {
    1.0 / (1.0 / cusum(k, h, shift, 0.0, 1.0) + 1.0 / cusum(k, h, -shift, 0.0, 1.0))
}

/// The mean run length of a two-sided EWMA with fixed limits, from its target.
fn ewma(weight: f64, limit: f64, shift: f64) -> f64 {
    let edge = limit * (weight / (2.0 - weight)).sqrt();
    let kernel = move |u: f64, x: f64| normal_density((x - (1.0 - weight) * u) / weight - shift) / weight;
    RunLength::of(legendre(120, -edge, edge), kernel).from(0.0)
}

/// The mean run length of Shiryaev and Roberts's chart for a shift of one, from R = 0, in the logarithm of R.
fn shiryaev_roberts(limit: f64, shift: f64) -> f64 {
    let kernel = move |u: f64, x: f64| normal_density(x - u.exp().ln_1p() + 0.5 - shift);
    RunLength::of(legendre(160, -9.0, limit.ln()), kernel).from(-700.0)
}

fn near(value: f64, expected: f64, tolerance: f64) {
    assert!((value - expected).abs() <= tolerance, "{value} is not {expected} within {tolerance}");
}

/// The root of a rising function.
fn root(f: impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    for _ in 0..30 {
        let middle = 0.5 * (low + high);
        if f(middle) < 0.0 { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[test]
fn cusum_run_lengths_meet_the_printed_tables() {
    near(cusum(0.5, 4.0, 0.0, 0.0, 1.0), 335.368, 0.05);
    near(cusum(0.5, 5.0, 0.0, 0.0, 1.0), 930.887, 0.1);
    // Lucas and Crosier 1982, table 1, two-sided.
    for (shift, printed, place) in
        [(0.0, 168.0, 0.5), (0.5, 26.6, 0.05), (1.0, 8.38, 5e-3), (2.0, 3.34, 5e-3), (3.0, 2.19, 6e-3)]
    {
        near(two_sided_cusum(0.5, 4.0, shift), printed, place);
    }
    // Brook and Evans 1972; Vance 1986; a package's manual.
    near(cusum(0.5, 3.0, 0.0, 0.0, 1.0), 117.59, 0.01);
    near(cusum(0.5, 3.0, 1.5, 0.0, 1.0), 3.75, 0.01);
    near(cusum(0.0, 10.0, 0.5, 0.0, 1.0), 20.37, 0.01);
    near(cusum(0.0, 10.0, 1.0, 0.0, 1.0), 10.75, 0.01);
    near(cusum(0.25, 8.0, 2.5, 0.0, 1.0), 4.150_083_622_5, 1e-5);
    // Head start of half the limit: Lucas and Crosier print 5.29.
    near(cusum(0.5, 4.0, 1.0, 2.0, 1.0), 5.291, 0.002);
    // Own integral equation elsewhere: what a spread or an offset that is wrong by a little costs.
    near(cusum(0.5, 11.9641, 0.0, 0.0, 1.1) / 1.367e5, 1.0, 5e-3);
    near(cusum(0.5, 11.9641, 0.1, 0.0, 1.0) / 1.134e5, 1.0, 5e-3);
}

/// Montgomery, Introduction to Statistical Quality Control; Lucas and Saccucci 1990, table 3; a package's manual for 11.154.
#[test]
fn ewma_run_lengths_meet_the_printed_tables() {
    near(ewma(0.1, 2.814, 0.0), 499.58, 0.5);
    near(ewma(0.1, 2.814, 1.0), 10.331, 0.0103);
    near(ewma(0.25, 3.0, 1.0), 11.154_267_016, 1e-5);
    near(ewma(0.5, 3.071, 1.0), 17.5, 0.05);
    near(ewma(0.03, 2.437, 1.0), 12.6, 0.05);
    near(root(|limit| ewma(0.1, limit, 0.0) - 370.398, 2.0, 3.5), 2.7015, 5e-4);
}

/// Moustakides, Polunchenko and Tartakovsky 2009, table 4; Knoth 2006, table 2.
#[test]
fn shiryaev_roberts_run_lengths_meet_the_printed_tables() {
    near(shiryaev_roberts(560.37, 0.0), 1000.79, 0.02);
    near(shiryaev_roberts(560.37, 1.0), 11.14, 0.02);
    near(shiryaev_roberts(390.0, 0.0), 696.76, 0.1);
    near(shiryaev_roberts(390.0, 1.0), 10.43, 0.1);
}

/// Brook and Evans's chain of ten states, and Siegmund's closed form, as computed by an independent program.
#[test]
fn two_approximations_of_a_cusum_come_out_as_known() {
    let (h, k, states) = (4.0, 0.5, 10_usize);
    let width = 2.0 * h / (2.0 * states as f64 - 1.0);
    let row = |i: usize| -> Vec<f64> {
        (0..states)
            .map(|j| {
                let middle = (j as f64 - i as f64) * width + k;
                let below = if j == 0 { 0.0 } else { normal_cdf(middle - 0.5 * width) };
                f64::from(u8::from(i == j)) - (normal_cdf(middle + 0.5 * width) - below)
            })
            .collect()
    };
    near(solve((0..states).map(row).collect(), vec![1.0; states])[0], 326.032, 0.01);
    let (drift, b) = (-0.5_f64, 5.0 + 1.166);
    near(((-2.0 * drift * b).exp() + 2.0 * drift * b - 1.0) / (2.0 * drift * drift), 938.222, 0.01);
}

/// The mean delay of a one-sided CUSUM when the mean of reading n, counted from 1, is `mean(n)`: the density is carried forward.
fn cusum_delay(k: f64, h: f64, mean: impl Fn(usize) -> f64) -> f64 {
    let nodes = legendre((6.0 * h).ceil() as usize + 24, 0.0, h);
    let (mut at_zero, mut density) = (1.0, vec![0.0; nodes.len()]);
    let mut delay = 0.0;
    for n in 1.. {
        let alive = at_zero + nodes.iter().zip(&density).map(|((_, weight), d)| weight * d).sum::<f64>();
        delay += alive;
        if alive < 1e-9 {
            break;
        }
        let shift = mean(n);
        let onto = |x: f64| {
            let from = |((u, weight), d): (&(f64, f64), &f64)| weight * d * normal_density(x + k - u - shift);
            at_zero * normal_density(x + k - shift) + nodes.iter().zip(&density).map(from).sum::<f64>()
        };
        let next: Vec<f64> = nodes.iter().map(|(x, _)| onto(*x)).collect();
        let fall = |((u, weight), d): (&(f64, f64), &f64)| weight * d * normal_cdf(k - u - shift);
        at_zero = at_zero * normal_cdf(k - shift) + nodes.iter().zip(&density).map(fall).sum::<f64>();
        density = next;
    }
    delay
}

/// Gan 1992, table 1 prints 15.0; the other two are from an independent program's forward propagation, ten readings a second.
#[test]
fn ramps_and_lagged_steps_take_as_long_as_known() {
    near(cusum_delay(0.25, 8.0, |n| 0.1 * (n as f64 - 1.0)), 14.99, 0.02);
    near(cusum_delay(0.5, 11.9641, |n| 2.0 * (1.0 - (-0.1 * n as f64).exp())), 17.96, 0.05);
    near(cusum_delay(0.5, 11.9641, |n| 0.005 * n as f64), 147.47, 0.3);
}

/// The least mean delay that any detector can have at its worst moment (Lorden 1971, Moustakides 1986) is the CUSUM's own.
#[test]
fn the_limit_of_all_detectors_is_where_it_is_known_to_be() {
    for (shift, between, h, delay) in
        [(1.0, 1e4, 7.3608, 15.094), (2.0, 1e6, 6.1162, 6.864), (0.5, 1e6, 22.3089, 85.917)]
    {
        let k = 0.5 * shift;
        let found = root(|h| (cusum(k, h, 0.0, 0.0, 1.0) / between).ln(), 0.8 * h, 1.2 * h);
        near(found, h, 0.002);
        near(cusum(k, found, shift, 0.0, 1.0), delay, 0.02);
    }
}

/// How long the product's chart runs, over many runs: mean and standard error.
fn glr_run_length(threshold: f64, shift: f64, runs: u64) -> (f64, f64) {
    let mut chance = Chance::seeded(11);
    let lengths: Vec<f64> = (0..runs)
        .map(|_| {
            let mut chart = WindowedGlr::default();
            let mut count = 1;
            while chart.take(chance.normal() + shift) < threshold {
                count += 1;
            }
            f64::from(count)
        })
        .collect();
    let mean = lengths.iter().sum::<f64>() / runs as f64;
    let variance = lengths.iter().map(|length| (length - mean).powi(2)).sum::<f64>() / (runs as f64 - 1.0);
    (mean, (variance / runs as f64).sqrt())
}

/// Siegmund and Venkatraman 1995; 3.4904 and 5.1874 from an independent program with a simulation behind it.
#[test]
fn the_charts_threshold_follows_from_the_time_between_false_alarms() {
    for (between, threshold) in [(1e3, 3.4904), (1e4, 4.1491), (1e6, 5.1874)] {
        near(glr_threshold(between, 100), threshold, 0.002);
        near(glr_mean_time_between_alarms(threshold, 100) / between, 1.0, 0.01);
    }
}

/// An independent simulation of the full window gave 1007 ± 52 between false alarms and delays of 37.0, 11.25 and 3.54. Window
/// lengths on a grid alarm no more often, and no more than a few per cent later.
#[test]
fn the_products_chart_keeps_its_promise_and_never_beats_the_limit() {
    let (between, error) = glr_run_length(3.4904, 0.0, 2_000);
    assert!(between > 1_007.0 * 0.85 && between < 1_007.0 * 1.35, "{between} ± {error}");
    for (shift, delay) in [(0.5, 37.0), (1.0, 11.25), (2.0, 3.54)] {
        let (mean, _) = glr_run_length(3.4904, shift, 4_000);
        near(mean / delay, 1.0, 0.08);
    }
    let (mean, error) = glr_run_length(3.4904, 1.0, 4_000);
    assert!(mean >= 10.517 - 3.0 * error, "faster than any detector can be: {mean}");
}

/// Running sums are taken down now and then; a chart that has run for long is no other than one that has just begun.
#[test]
fn a_chart_that_ran_for_long_still_sees_the_last_hundred_only() {
    let mut chance = Chance::seeded(3);
    let values: Vec<f64> = (0..5_000).map(|_| chance.normal() + 50.0).collect();
    let mut long = WindowedGlr::default();
    let last = values.iter().map(|value| long.take(*value)).last().unwrap();
    let mut short = WindowedGlr::default();
    let fresh = values[4_900..].iter().map(|value| short.take(*value)).last().unwrap();
    near(last, fresh, 1e-6);
    near(last, values[4_900..].iter().sum::<f64>() / 10.0, 1e-6);
}

/// First-order noise of unit variance.
fn remembering(chance: &mut Chance, memory: f64, last: f64) -> f64 {
    memory * last + (1.0 - memory * memory).sqrt() * chance.normal()
}

/// An independent simulation gave 931 readings between false alarms on independent noise, and 108 at a correlation of a half; a
/// chart of the innovations has its promise back.
#[test]
fn noise_that_remembers_must_be_whitened_first() {
    let run_length = |whiten: bool| {
        let mut chance = Chance::seeded(5);
        let runs = 4_000;
        let mut total = 0.0;
        for _ in 0..runs {
            let mut filter = Whitener::new(0.5, 1.0, 0.0);
            let (mut noise, mut sum) = (chance.normal(), 0.0_f64);
            let mut first = true;
            while sum < 5.0 {
                let value = if whiten { filter.take(noise, -9.0, 9.0) / filter.deviation() } else { noise };
                // The filter's first innovation is the first reading itself, which has a larger spread.
                sum = if first && whiten { 0.0 } else { (sum + value - 0.5).max(0.0) };
                first = false;
                total += 1.0;
                noise = remembering(&mut chance, 0.5, noise);
            }
        }
        total / f64::from(runs)
    };
    near(run_length(false) / 108.0, 1.0, 0.06);
    near(run_length(true) / 931.0, 1.0, 0.06);
}

/// Kramer and Schmid 2000, table 1: limits of ±3.09023 on first-order noise.
#[test]
fn a_plain_limit_on_noise_that_remembers_meets_the_printed_table() {
    let run_length = |memory: f64, shift: f64| {
        let spread = (1.0 - memory * memory).sqrt();
        let kernel = move |u: f64, x: f64| normal_density((x - memory * u) / spread) / spread;
        let chart = RunLength::of(legendre(80, -3.090_23 - shift, 3.090_23 - shift), kernel);
        let start = |((x, weight), length): (&(f64, f64), &f64)| weight * normal_density(*x) * length;
        1.0 + chart.nodes.iter().zip(&chart.lengths).map(start).sum::<f64>()
    };
    near(run_length(0.4, 0.0), 515.44, 0.02);
    near(run_length(0.4, 1.0), 61.85, 0.02);
    near(run_length(0.2, 0.0), 502.56, 0.02);
}

/// Flow noise through the plenum and the gauge's own on top: innovations without memory, of the size that the filter says.
#[test]
fn noise_of_both_kinds_is_learned_and_whitened() {
    for (lagged, plain, memory) in [(100.0, 80.0, 0.82), (150.0, 20.0, 0.9), (0.0, 120.0, 0.82), (100.0, 0.0, 0.82)] {
        let mut chance = Chance::seeded(21);
        let mut noise = Noise::presumed(150.0, memory, (0.67, 0.91));
        let mut flow = 0.0;
        let mut reading = || {
            flow = remembering(&mut chance, memory, flow);
            lagged * flow + plain * chance.normal()
        };
        (0..6_000).for_each(|_| noise.learn(reading()));
        let (found, truth) = (noise.deviation(), f64::hypot(lagged, plain));
        assert!((found / truth - 1.0).abs() < 0.2, "{found} for {truth}");
        let mut filter = noise.whitener();
        let innovations: Vec<f64> =
            (0..20_000).map(|_| filter.take(reading(), -1e9, 1e9) / filter.deviation()).collect();
        let product = |apart: usize| {
            let pairs = innovations[apart..].iter().zip(&innovations);
            pairs.map(|(a, b)| a * b).sum::<f64>() / (innovations.len() - apart) as f64
        };
        near(product(0).sqrt(), 1.0, 0.1);
        near(product(1), 0.0, 0.1);
        near(product(5), 0.0, 0.1);
    }
}

/// A step d in noise that remembers by φ leaves d·(1 − φ) in the innovations, once and for all.
#[test]
fn a_step_stays_in_the_innovations_at_its_known_size() {
    for (lagged, plain) in [(1.0, 0.0), (1.0, 1.0), (0.0, 1.0)] {
        let mut filter = Whitener::new(0.8, lagged, plain);
        let last = (0..200).map(|_| filter.take(1.0, -9.0, 9.0)).last().unwrap();
        near(last, filter.lasting(), 1e-9);
    }
    near(Whitener::new(0.8, 1.0, 0.0).lasting(), 0.2, 1e-12);
    near(Whitener::new(0.8, 0.0, 1.0).lasting(), 1.0, 1e-12);
}

/// The upper CUSUM in the data's own units: sums, and the first that reaches the limit, counted from 1.
fn upper_cusum(values: &[f64], target: f64, k: f64, h: f64, start: f64) -> (Vec<f64>, Option<usize>) {
    let mut sum = start;
    let sums: Vec<f64> = values
        .iter()
        .map(|value| {
            sum = (sum + value - target - k).max(0.0);
            sum
        })
        .collect();
    let first = sums.iter().position(|sum| *sum >= h).map(|place| place + 1);
    (sums, first)
}

/// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 and 6.3.2.4 (data from memory); Montgomery's thirty observations (from a
/// chart library's help page); the head-start example of Lucas and Crosier as a handbook prints it.
#[test]
fn worked_examples_of_charts_alarm_where_they_should() {
    let means = [
        324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150,
        328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
    ];
    let (sums, first) = upper_cusum(&means, 325.0, 0.3175, 4.1959, 0.0);
    assert_eq!(first, Some(14));
    near(sums[13], 4.94, 1e-6);
    near(sums[19], 19.035, 1e-6);
    let montgomery = [
        9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62,
        10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
    ];
    let (sums, first) = upper_cusum(&montgomery, 10.0, 0.5, 5.0, 0.0);
    assert_eq!(first, Some(29));
    near(sums[28], 5.28, 1e-6);
    let head = [0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6];
    assert_eq!(upper_cusum(&head, 0.0, 0.5, 5.0, 0.0).1, Some(7));
    assert_eq!(upper_cusum(&head, 0.0, 0.5, 5.0, 2.5).1, Some(3));
    let (mut average, mut outside) = (50.0, 0);
    let half = 3.0 * (0.3_f64 / 1.7).sqrt() * 2.0539;
    near(half, 2.5884, 1e-3);
    for value in [
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4,
        53.6, 52.1,
    ] {
        average += 0.3 * (value - average);
        outside += usize::from((average - 50.0_f64).abs() > half);
    }
    near(average, 51.99, 0.005);
    assert_eq!(outside, 0);
}

/// A level that sits on its limit with white noise chatters 150 times a minute at ten readings a second; a deadband of w standard
/// deviations leaves one alarm in 2 + 1/Q(w) readings: 0.8078 a minute for three.
#[test]
fn a_deadband_ends_chatter_as_the_formula_says() {
    near(600.0 / (2.0 + 1.0 / normal_cdf(-3.0)), 0.8078, 8e-4);
    let mut chance = Chance::seeded(31);
    let mut limit = Deadband::new(Side::Low);
    let (mut alarms, mut before) = (0, false);
    let readings = 2_000_000;
    for _ in 0..readings {
        let now = limit.crosses(chance.normal(), 0.0, 3.0);
        alarms += i32::from(now && !before);
        before = now;
    }
    // About 2690 alarms: a standard error of 2 %.
    near(f64::from(alarms) * 600.0 / f64::from(readings) / 0.8078, 1.0, 0.06);
}

/// Abramowitz and Stegun, Handbook of Mathematical Functions, table 26.1.
#[test]
fn normal_numbers_are_those_of_the_tables() {
    near(normal_quantile(0.75), 0.674_489_75, 1e-8);
    near(normal_cdf(1.96), 0.975_002_1, 1e-7);
    assert!(normal_quantile(1.5).is_nan());
    assert!(normal_quantile(1.0).is_infinite());
}
