//! Steady and calendar time as plain values.
//!
//! Nothing here reads a clock: the edge reads it once per event and hands the result in, so a recorded shift can be
//! replayed exactly. Every age, delay and time-out is reckoned in [`Steady`] time; [`Utc`] is a label beside it and may
//! jump, so nothing is ever ordered by it.

use serde::{Deserialize, Serialize};

/// One start of the computer; steady times of different boots cannot be compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct BootId(pub u64);

/// What the program's clock counts in: a tenth of a millisecond, about one byte on the fastest common serial line.
pub const TICK: Span = Span(100_000);

/// A span of time in nanoseconds, never negative.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Span(u64);

impl Span {
    /// No time at all.
    pub const ZERO: Span = Span(0);

    /// A span of whole nanoseconds.
    pub const fn from_nanos(nanos: u64) -> Self {
        Span(nanos)
    }

    /// A span of whole milliseconds.
    pub const fn from_millis(millis: u64) -> Self {
        Span(millis * 1_000_000)
    }

    /// A span of whole seconds.
    pub const fn from_secs(secs: u64) -> Self {
        Span(secs * 1_000_000_000)
    }

    /// A span of seconds; zero for a negative number or NaN, the longest span for one too large.
    pub fn from_secs_f64(secs: f64) -> Self {
        Span((secs * 1e9) as u64)
    }

    /// Whole nanoseconds.
    pub const fn nanos(self) -> u64 {
        self.0
    }

    /// Seconds.
    pub fn secs_f64(self) -> f64 {
        self.0 as f64 / 1e9
    }

    /// Both, one after the other; the longest there is instead of more.
    #[must_use]
    pub const fn and(self, other: Span) -> Self {
        Span(self.0.saturating_add(other.0))
    }

    /// This span times a factor that is not negative.
    pub fn times(self, factor: f64) -> Self {
        Span((self.0 as f64 * factor) as u64)
    }
}

/// Steady time: nanoseconds since the boot, suspended time included; it never goes back.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Steady(u64);

impl Steady {
    /// The instant `nanos` nanoseconds after the boot.
    pub const fn from_nanos(nanos: u64) -> Self {
        Steady(nanos)
    }

    /// Nanoseconds since the boot.
    pub const fn nanos(self) -> u64 {
        self.0
    }

    /// The time from `earlier` to here; zero if `earlier` is in fact later.
    pub const fn since(self, earlier: Steady) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }

    /// The instant `span` later.
    pub const fn plus(self, span: Span) -> Steady {
        Steady(self.0.saturating_add(span.0))
    }
}

/// Calendar time in microseconds since 1970-01-01T00:00:00 UTC, leap seconds not counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Utc(i64);

impl Utc {
    /// The calendar time `micros` microseconds after 1970.
    pub const fn from_micros(micros: i64) -> Self {
        Utc(micros)
    }

    /// Microseconds since 1970.
    pub const fn micros(self) -> i64 {
        self.0
    }

    /// RFC 3339 text in UTC with milliseconds, such as `2026-03-01T07:30:00.250Z`; empty outside the years 0000 to 9999.
    pub fn rfc3339(self) -> String {
        jiff::Timestamp::from_microsecond(self.0).map(|t| format!("{t:.3}")).unwrap_or_default()
    }

    /// Reads RFC 3339 text with any offset.
    ///
    /// # Errors
    /// The text of what is wrong with it.
    pub fn parse_rfc3339(text: &str) -> Result<Self, String> {
        let time: jiff::Timestamp = text.parse().map_err(|e: jiff::Error| e.to_string())?;
        Ok(Utc(time.as_microsecond()))
    }
}

/// When an event reached the program: steady time to reckon with, calendar time to label with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Moment {
    /// The boot that `steady` counts from.
    pub boot: BootId,
    /// Steady time.
    pub steady: Steady,
    /// Calendar time, if the computer has one worth showing.
    pub civil: Option<Utc>,
    /// Whether the calendar time is known to be kept by a time service.
    pub synced: bool,
}

impl Moment {
    /// The time from `earlier` to here by the steady clock; `None` across a restart of the computer.
    pub fn since(self, earlier: Moment) -> Option<Span> {
        (self.boot == earlier.boot).then(|| self.steady.since(earlier.steady))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_age_is_never_negative() {
        let (early, late) = (Steady::from_nanos(5), Steady::from_nanos(9));
        assert_eq!(late.since(early), Span::from_nanos(4));
        assert_eq!(early.since(late), Span::ZERO);
    }

    #[test]
    fn no_age_reaches_across_a_restart() {
        let at =
            |boot, nanos| Moment { boot: BootId(boot), steady: Steady::from_nanos(nanos), civil: None, synced: false };
        assert_eq!(at(1, 9).since(at(1, 4)), Some(Span::from_nanos(5)));
        assert_eq!(at(2, 9).since(at(1, 4)), None);
    }

    #[test]
    fn odd_seconds_become_a_span_without_a_panic() {
        assert_eq!(Span::from_secs_f64(-1.0), Span::ZERO);
        assert_eq!(Span::from_secs_f64(f64::NAN), Span::ZERO);
        assert_eq!(Span::from_secs_f64(0.25), Span::from_millis(250));
        assert_eq!(Span::from_secs_f64(f64::INFINITY), Span::from_nanos(u64::MAX));
    }

    /// The text forms are those of RFC 3339, section 5.8, first two examples.
    #[test]
    fn calendar_text_is_rfc_3339() {
        let first = Utc::parse_rfc3339("1985-04-12T23:20:50.52Z").unwrap();
        assert_eq!(first.micros(), 482_196_050_520_000);
        assert_eq!(first.rfc3339(), "1985-04-12T23:20:50.520Z");
        let second = Utc::parse_rfc3339("1996-12-19T16:39:57-08:00").unwrap();
        assert_eq!(second, Utc::parse_rfc3339("1996-12-20T00:39:57Z").unwrap());
        assert!(Utc::parse_rfc3339("yesterday").is_err());
    }
}
