//! Centre and spread that a few wild values do not move.
//!
//! The scale factors are those of normal noise: 1/Φ⁻¹(¾) = 1.482602 for the median absolute deviation, 2/√π for the mean
//! moving range (Shewhart's d₂ for pairs). The estimators by differences ignore a slow drift, but are low by √(1 − φ) on noise
//! whose neighbours correlate by φ.

use super::normal_quantile;

/// The middle value, or the mean of the two middle ones.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let half = sorted.len() / 2;
    match sorted.len() {
        0 => None,
        n if n % 2 == 1 => Some(sorted[half]),
        _ => Some(0.5 * (sorted[half - 1] + sorted[half])),
    }
}

/// The median distance from the median.
pub fn mad(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    median(&values.iter().map(|value| (value - centre).abs()).collect::<Vec<_>>())
}

/// The standard deviation of normal noise with this median absolute deviation.
pub fn robust_deviation(values: &[f64]) -> Option<f64> {
    Some(mad(values)? / normal_quantile(0.75))
}

/// The standard deviation by the mean moving range of neighbours; at least two values.
pub fn moving_range_deviation(values: &[f64]) -> Option<f64> {
    let steps = steps(values)?;
    let mean = steps.iter().map(|step| step.abs()).sum::<f64>() / steps.len() as f64;
    Some(mean / (2.0 / std::f64::consts::PI.sqrt()))
}

/// The standard deviation by the mean square of successive differences (von Neumann); at least two values.
pub fn von_neumann_deviation(values: &[f64]) -> Option<f64> {
    let steps = steps(values)?;
    let mean = steps.iter().map(|step| step * step).sum::<f64>() / steps.len() as f64;
    Some((0.5 * mean).sqrt())
}

/// The standard deviation by the median of successive differences; at least two values.
pub fn deviation_by_difference(values: &[f64]) -> Option<f64> {
    let sizes: Vec<f64> = steps(values)?.iter().map(|step| step.abs()).collect();
    Some(median(&sizes)? / normal_quantile(0.75) / std::f64::consts::SQRT_2)
}

fn steps(values: &[f64]) -> Option<Vec<f64>> {
    (values.len() > 1).then(|| values.windows(2).map(|pair| pair[1] - pair[0]).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_wild_value_does_not_move_centre_and_spread() {
        let values = [2.0, 3.0, 3.0, 4.0, 5.0, 5.0, 6.0, 40.0];
        assert_eq!(median(&values), Some(4.5));
        assert_eq!(mad(&values), Some(1.5));
        // 1.5 times the exact factor 1.482602 of normal noise.
        assert!((robust_deviation(&values).unwrap() - 2.2239).abs() < 1e-4);
    }

    /// The formulas of Montgomery and von Neumann, worked by an independent program on eight values. It divided the mean moving
    /// range of 1.6/7 by d₂ as tables print it, 1.128, which is 3·10⁻⁴ of it less than 2/√π.
    #[test]
    fn spread_by_differences_matches_the_worked_example() {
        let values = [10.0, 10.2, 9.9, 10.1, 10.4, 10.3, 10.0, 10.2];
        assert!(
            (moving_range_deviation(&values).unwrap() - 0.202_634 * 1.128 / std::f64::consts::FRAC_2_SQRT_PI).abs()
                < 1e-6
        );
        assert!((von_neumann_deviation(&values).unwrap() - 0.169_031).abs() < 1e-6);
        assert!((deviation_by_difference(&values).unwrap() - 0.209_67).abs() < 1e-5);
    }

    #[test]
    fn too_few_values_give_nothing() {
        assert_eq!(median(&[]), None);
        assert_eq!(robust_deviation(&[]), None);
        assert_eq!(moving_range_deviation(&[1.0]), None);
    }
}
