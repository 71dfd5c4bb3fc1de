//! The one place that reads the clocks.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::time::Duration;

use rustix::time::{ClockId, clock_gettime};
use sha2::{Digest, Sha256};

use crate::moment::{BootId, Moment, Span, Steady, TICK, Utc};

/// Calendar times before this build's year are taken for a clock that was never set: 2026-01-01.
const EARLIEST_CIVIL: Utc = Utc::from_micros(1_767_225_600_000_000);

/// How far the calendar may go apart from the steady clock before it is taken anew, in microseconds.
const SHOWN_TO: u64 = 1000;

/// Exists while systemd's time service has the clock in step.
const SYNCHRONISED: &str = "/run/systemd/timesync/synchronized";

/// Reads the clocks; in a demo, runs faster than they do.
#[derive(Clone, Debug)]
pub struct Clock {
    boot: BootId,
    pace: f64,
    steady_origin: Steady,
    civil_origin: Utc,
    calendar: Arc<Calendar>,
}

/// The calendar as it was when it was last looked at.
#[derive(Debug, Default)]
struct Calendar {
    /// Whether a time service keeps it.
    synced: AtomicBool,
    /// How far it is ahead of the steady clock, in microseconds.
    ahead: AtomicI64,
}

impl Clock {
    /// A clock that runs `pace` times as fast as the computer's, from now on.
    pub fn new(pace: f64) -> Self {
        let clock = Clock {
            boot: read_boot(),
            pace,
            steady_origin: read_steady(),
            civil_origin: read_civil(),
            calendar: Arc::default(),
        };
        clock.look_at_calendar();
        clock
    }

    /// Looks at the calendar, and whether a time service keeps it; until the next look [`Clock::now`] reckons on from here.
    /// A calendar that ticks on with the steady clock is not touched, so that times of both differ by the same from reading
    /// to reading and take few bytes to keep.
    pub fn look_at_calendar(&self) {
        self.calendar.synced.store(Path::new(SYNCHRONISED).exists(), Ordering::Relaxed);
        let ahead = read_civil().micros().saturating_sub_unsigned(read_steady().nanos() / 1000);
        if ahead.abs_diff(self.calendar.ahead.load(Ordering::Relaxed)) >= SHOWN_TO {
            self.calendar.ahead.store(ahead, Ordering::Relaxed);
        }
    }

    /// How many times as fast as the computer's clock this one runs.
    pub fn pace(&self) -> f64 {
        self.pace
    }

    /// Steady time in whole ticks of [`TICK`], suspended time included.
    pub fn steady(&self) -> Steady {
        let real = read_steady();
        let shown = match self.runs_true() {
            true => real,
            false => self.steady_origin.plus(real.since(self.steady_origin).times(self.pace)),
        };
        Steady::from_nanos(shown.nanos() / TICK.nanos() * TICK.nanos())
    }

    /// The moment of an event that arrives now; its calendar time is right to a millisecond.
    pub fn now(&self) -> Moment {
        let steady = self.steady();
        let civil = if self.runs_true() {
            self.calendar.ahead.load(Ordering::Relaxed).saturating_add_unsigned(steady.nanos() / 1000)
        } else {
            let run = steady.since(self.steady_origin).nanos() / 1000;
            self.civil_origin.micros().saturating_add_unsigned(run)
        };
        let civil = Utc::from_micros(civil);
        Moment {
            boot: self.boot,
            steady,
            civil: (civil >= EARLIEST_CIVIL).then_some(civil),
            synced: self.calendar.synced.load(Ordering::Relaxed),
        }
    }

    /// How long to wait by the computer's clock until this one shows `when`.
    pub fn until(&self, when: Steady) -> Duration {
        self.real(when.since(self.steady()))
    }

    /// How long a span of this clock lasts by the computer's.
    pub fn real(&self, span: Span) -> Duration {
        Duration::from_secs_f64(span.secs_f64() / self.pace)
    }

    fn runs_true(&self) -> bool {
        (self.pace - 1.0).abs() < f64::EPSILON
    }
}

fn read_steady() -> Steady {
    let time = clock_gettime(ClockId::Boottime);
    Steady::from_nanos(time.tv_sec as u64 * 1_000_000_000 + time.tv_nsec as u64)
}

fn read_civil() -> Utc {
    let time = clock_gettime(ClockId::Realtime);
    Utc::from_micros(time.tv_sec * 1_000_000 + time.tv_nsec / 1000)
}

/// The kernel's own name of this boot, shortened; 0 where it tells none.
fn read_boot() -> BootId {
    let Ok(name) = std::fs::read("/proc/sys/kernel/random/boot_id") else { return BootId(0) };
    let digest = Sha256::digest(name.trim_ascii());
    // Kept below 2^63, as databases count in signed numbers.
    let folded = digest.iter().take(8).fold(0, |sum, byte| sum << 8 | u64::from(*byte));
    BootId(folded >> 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_true_clock_goes_on_and_knows_its_boot() {
        let clock = Clock::new(1.0);
        let (first, second) = (clock.now(), clock.now());
        assert!(second.steady >= first.steady);
        assert_eq!(first.boot, second.boot);
        assert!(first.civil.is_some());
    }

    #[test]
    fn a_hurried_clock_waits_a_sixtieth() {
        let clock = Clock::new(60.0);
        assert_eq!(clock.real(Span::from_secs(60)), Duration::from_secs(1));
        assert!(clock.until(clock.steady().plus(Span::from_secs(6))) <= Duration::from_millis(100));
        assert_eq!(clock.until(Steady::default()), Duration::ZERO);
    }
}
