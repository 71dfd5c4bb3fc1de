//! How one alarm behaves.
//!
//! There is no on-delay on a loss: the detector's threshold is its delay, and the process-plant figure of 15 s for a
//! pressure (common practice, no source) is far too long for a cut in progress. A limit's deadband sits where the level
//! is compared, in `watch`.

use serde::{Deserialize, Serialize};

use super::{Priority, Tag};
use crate::moment::Span;

/// How one alarm behaves.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rule {
    /// Which alarm.
    pub tag: Tag,
    /// How soon to act.
    pub priority: Priority,
    /// Whether it stays until it is reset.
    pub latches: bool,
    /// How long its condition must last before it is active.
    pub on_delay: Span,
    /// How long its condition must be gone before it is normal.
    pub off_delay: Span,
    /// How long it may stay active and acknowledged before it calls again.
    pub call_again_after: Option<Span>,
    /// The longest time for which it may be shelved at once.
    pub shelve_limit: Span,
    /// The alarms whose being active explains this one away: it is then suppressed by design.
    pub follows_from: Vec<Tag>,
    /// Whether it takes part in marking the first of several that trip together.
    pub first_out: bool,
}

impl Rule {
    /// The rule that `tag` has unless a setup says otherwise.
    pub fn standard(tag: Tag) -> Self {
        let calm = Rule {
            tag,
            priority: Priority::Medium,
            latches: false,
            on_delay: Span::ZERO,
            off_delay: Span::from_secs(5),
            call_again_after: None,
            shelve_limit: Span::from_secs(8 * 3600),
            follows_from: Vec::new(),
            first_out: true,
        };
        let loss = Rule {
            priority: Priority::High,
            latches: true,
            call_again_after: Some(Span::from_secs(300)),
            shelve_limit: Span::from_secs(600),
            ..calm.clone()
        };
        let (pump, sudden) = (Tag::PumpLost, Tag::SuddenLoss);
        match tag {
            Tag::PumpLost => loss,
            Tag::SuddenLoss => Rule { follows_from: vec![pump], ..loss },
            Tag::MarginLow => Rule { off_delay: Span::from_secs(15), follows_from: vec![pump, sudden], ..calm },
            Tag::LevelLow => Rule { on_delay: Span::from_secs(5), follows_from: vec![pump, sudden], ..calm },
            Tag::LevelHigh => Rule { on_delay: Span::from_secs(5), ..calm },
            Tag::NoReading => Rule { first_out: false, ..calm },
            Tag::NotSaving => Rule { priority: Priority::Low, first_out: false, ..calm },
        }
    }

    /// The standard rule of every alarm.
    pub fn standard_set() -> Vec<Self> {
        Tag::ALL.into_iter().map(Rule::standard).collect()
    }
}
