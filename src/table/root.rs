//! The root of a rising function between two bounds.

/// Where `rises` crosses zero between `low` and `high`, to `tolerance`; `low` if it is nowhere below zero, `high` if
/// nowhere above.
///
/// False position with the Illinois weight, and a bisection whenever three steps have not halved the bracket: finds jumps
/// too.
pub(crate) fn crossing(mut low: f64, mut high: f64, tolerance: f64, mut rises: impl FnMut(f64) -> f64) -> f64 {
    let (mut at_low, mut at_high) = (rises(low), rises(high));
    if at_low >= 0.0 {
        return low;
    }
    if at_high <= 0.0 {
        return high;
    }
    let (mut width, mut slow, mut was_low) = (high - low, 0, None);
    while high - low > tolerance {
        let middle = 0.5 * (low + high);
        let secant = (low * at_high - high * at_low) / (at_high - at_low);
        let guess = if slow == 3 { middle } else { secant };
        // Not nearer to an end than the tolerance, so that the bracket closes from both sides.
        let guess = guess.clamp(low + 0.4 * tolerance, high - 0.4 * tolerance);
        let value = rises(guess);
        let is_low = value < 0.0;
        if is_low {
            (low, at_low) = (guess, value);
        } else {
            (high, at_high) = (guess, value);
        }
        if was_low == Some(is_low) {
            if is_low { at_high *= 0.5 } else { at_low *= 0.5 }
        }
        was_low = Some(is_low);
        if high - low <= 0.5 * width {
            (width, slow) = (high - low, 0);
        } else {
            slow = if slow == 3 { 0 } else { slow + 1 };
        }
    }
    0.5 * (low + high)
}
