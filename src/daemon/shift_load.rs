//! What the alarms asked for, shift by shift, by what the journal kept of them.
//!
//! Starts of the computer and of the program lie between, so that only calendar time goes through; a clock that was set meanwhile shows
//! in these figures.

use crate::alarm::{Load, Move};
use crate::journal::KeptEntry;
use crate::moment::{Span, Steady, Utc};
use crate::setup::Shifts;
use crate::view::AlarmLoadView;
use crate::watch::Cause;

/// So far back moves are looked at for what was active when the earliest shift began.
pub const ACTIVE_BEFORE: Span = Span::from_secs(31 * 24 * 3600);

/// The figures of the shift that holds `until` and of those before it, at most `most`, the newest first; `kept` are the entries `alarm` in
/// their order.
pub fn shift_loads(kept: &[KeptEntry], shifts: &Shifts, until: Utc, most: usize) -> Vec<AlarmLoadView> {
    let moves: Vec<Move> = kept.iter().filter_map(by_the_calendar).collect();
    let told = |(from, to): (Utc, Utc)| {
        let to = if to > until { until } else { to };
        AlarmLoadView::of(&Load::of(&moves, steady(from), steady(to)), from, to)
    };
    shifts.back_from(until, most).into_iter().map(told).collect()
}

/// A move with the calendar's time in the place of the steady one.
fn by_the_calendar(kept: &KeptEntry) -> Option<Move> {
    let (step, _): (Move, Option<Cause>) = serde_json::from_str(&kept.body).ok()?;
    // It was kept when the roll was next looked at.
    let late = i64::try_from(kept.at.steady.since(step.at).nanos() / 1000).ok()?;
    Some(Move { at: steady(Utc::from_micros(kept.at.civil?.micros() - late)), ..step })
}

fn steady(at: Utc) -> Steady {
    Steady::from_nanos(u64::try_from(at.micros()).unwrap_or_default().saturating_mul(1000))
}
