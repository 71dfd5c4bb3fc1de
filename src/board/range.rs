//! Numbers that a person enters about a board, and what they may be.

/// A number that cannot be.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{what} is {value}; it must lie from {low} to {high}")]
pub struct OutOfRange {
    /// Which, with its unit.
    pub what: &'static str,
    /// What it is.
    pub value: f64,
    /// The least that it may be.
    pub low: f64,
    /// The most that it may be.
    pub high: f64,
}

/// Looks at numbers, each with its name and unit, its least and its most.
///
/// # Errors
/// [`OutOfRange`] for the first that cannot be, or is no number.
pub(super) fn check(numbers: &[(&'static str, f64, f64, f64)]) -> Result<(), OutOfRange> {
    match numbers.iter().find(|(_, value, low, high)| !(low..=high).contains(&value)) {
        Some(&(what, value, low, high)) => Err(OutOfRange { what, value, low, high }),
        None => Ok(()),
    }
}
