//! A flood of alarms while it lasts: more in ten minutes than one person can see to.
//!
//! ANSI/ISA-18.2-2016 section 16.4, as restated in public, lets a flood begin with an interval of ten minutes that has more than ten
//! alarms and end with one that has fewer than five. A person in a flood cannot wait for the end of an interval, so here the ten
//! minutes are always the last ten.

use serde::{Deserialize, Serialize};

use super::load::{FEWER_THAN_ENDS_A_FLOOD, INTERVAL, MORE_THAN_BEGINS_A_FLOOD, chattering};
use super::{Move, State, Tag};
use crate::moment::{Span, Steady};

/// The most onsets that are remembered: in a flood greater than that, more are one more flood.
const MOST: usize = 256;

/// The alarms of the last ten minutes, and whether they are a flood.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Flood {
    onsets: Vec<(Tag, Steady)>,
    since: Option<Steady>,
}

impl Flood {
    /// Counts a move of the roll; whether a flood has begun with it.
    pub fn count(&mut self, step: &Move) -> bool {
        self.pass(step.at);
        if step.to != State::Unacknowledged {
            return false;
        }
        if self.onsets.len() >= MOST {
            self.onsets.remove(0);
        }
        self.onsets.push((step.tag, step.at));
        let begins = self.since.is_none() && self.onsets.len() > MORE_THAN_BEGINS_A_FLOOD;
        if begins {
            self.since = Some(step.at);
        }
        begins
    }

    /// Lets time pass; whether a flood has ended by it.
    pub fn pass(&mut self, at: Steady) -> bool {
        self.onsets.retain(|(_, onset)| at.since(*onset) <= INTERVAL);
        let ends = self.since.is_some() && self.onsets.len() < FEWER_THAN_ENDS_A_FLOOD;
        if ends {
            self.since = None;
        }
        ends
    }

    /// When [`Flood::pass`] may next end a flood.
    pub fn deadline(&self) -> Option<Steady> {
        self.since?;
        // It ends when but four are left of the last ten minutes.
        let last_too_many = self.onsets.len().checked_sub(FEWER_THAN_ENDS_A_FLOOD)?;
        let (_, onset) = self.onsets.get(last_too_many)?;
        Some(onset.plus(INTERVAL).plus(Span::from_nanos(1)))
    }

    /// Since when there is a flood; none if there is none.
    pub fn since(&self) -> Option<Steady> {
        self.since
    }

    /// How many alarms came in the last ten minutes.
    pub fn alarms(&self) -> usize {
        self.onsets.len()
    }

    /// Whether an alarm has come three times or more within some minute of the last ten.
    pub fn chatters(&self, tag: Tag) -> bool {
        let onsets: Vec<Steady> = self.onsets.iter().filter(|(of, _)| *of == tag).map(|(_, at)| *at).collect();
        chattering(&onsets)
    }

    /// Forgets what was counted, as after another start of the computer, whose steady time is another.
    pub fn forget(&mut self) {
        *self = Flood::default();
    }
}
