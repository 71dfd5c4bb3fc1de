//! A view with the time at which it was made, and how it looks some time later.

use crate::event::Steady;
use crate::view::{Message, Quality, Verdict, View};

/// A view and when it was made.
#[derive(Clone, Debug, PartialEq)]
pub struct Shown {
    /// The view.
    pub view: View,
    /// The steady time at which it was made.
    pub made: Steady,
}

impl Shown {
    /// The view as it must be shown at `now`: every age grown by the time since it was made, and, once its reading is too
    /// old, no word but *blind* and no number.
    ///
    /// The program's worker may be stuck; a view that it made before must not go on looking fresh.
    pub fn seen_at(&self, now: Steady) -> View {
        let mut view = self.view.clone();
        let later_s = now.since(self.made).secs_f64();
        view.age_s = view.age_s.map(|age| age + later_s);
        view.watching_s += later_s;
        for alarm in &mut view.alarms {
            alarm.since_s = alarm.since_s.map(|since| since + later_s);
            alarm.shelved_for_s = alarm.shelved_for_s.map(|left| (left - later_s).max(0.0));
            if let Some(aside) = &mut alarm.set_aside {
                aside.since_s = aside.since_s.map(|since| since + later_s);
            }
        }
        if let Some(flood) = &mut view.flood {
            flood.since_s += later_s;
        }
        for degraded in &mut view.degraded {
            degraded.since_s += later_s;
        }
        if view.verdict != Verdict::Blind && too_old(&view, later_s) {
            go_blind(&mut view, later_s);
        }
        view
    }
}

fn too_old(view: &View, later_s: f64) -> bool {
    view.age_s.unwrap_or(later_s) > view.stale_after_s
}

fn go_blind(view: &mut View, later_s: f64) {
    view.verdict = Verdict::Blind;
    view.why = Message::new("stale").with_number("age_s", view.age_s.unwrap_or(later_s));
    view.quality = Quality::Failure;
    view.vacuum_pa = None;
    view.absolute_pa = None;
    view.margin = None;
}
