//! The roll: every alarm with its state, its delays and its moves.
//!
//! Moves that fall due between two calls bear the time at which they fell due, so it does not matter how late the roll is
//! woken.

use serde::{Deserialize, Serialize};

use super::{Priority, Rule, State, Tag};
use crate::moment::{Span, Steady};

/// A move of one alarm from one state to another; from a state to itself when it calls again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Move {
    /// Which alarm.
    pub tag: Tag,
    /// The state it left.
    pub from: State,
    /// The state it came to.
    pub to: State,
    /// When.
    pub at: Steady,
}

/// Why a move that somebody asked for is not made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Refusal {
    /// There is no rule for it.
    #[error("this roll has no such alarm")]
    NoSuchAlarm,
    /// It does not wait for anybody.
    #[error("there is nothing to acknowledge: the alarm does not wait for anybody")]
    NothingToAcknowledge,
    /// It may not be put aside for so long.
    #[error("this alarm may be shelved for at most {} minutes at once", .0.secs_f64() / 60.0)]
    ShelvedTooLong(Span),
    /// A shelving must last some time.
    #[error("a shelving of no length does nothing; give a time in minutes")]
    ShelvedForNothing,
    /// It is set aside in another way.
    #[error("the alarm is already suppressed or out of service")]
    SetAside,
    /// It is not shelved.
    #[error("the alarm is not shelved")]
    NotShelved,
    /// It is not suppressed.
    #[error("the alarm is not suppressed")]
    NotSuppressed,
    /// It is not out of service.
    #[error("the alarm is not out of service")]
    NotOutOfService,
    /// Its condition still holds.
    #[error("the alarm cannot be reset while its condition lasts; remove the cause first")]
    StillActive,
    /// It must be acknowledged first.
    #[error("the alarm must be acknowledged before it is reset")]
    NotAcknowledged,
    /// It holds no latch.
    #[error("there is nothing to reset: the alarm is not latched")]
    NotLatched,
}

/// One alarm at one moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Status {
    /// Which alarm.
    pub tag: Tag,
    /// Its state.
    pub state: State,
    /// How soon to act.
    pub priority: Priority,
    /// When its condition last began to hold; `None` while it is normal.
    pub since: Option<Steady>,
    /// When it last began to call: when it became active, called again, or came back from being set aside.
    pub called_at: Option<Steady>,
    /// Whether it was the first of several that tripped together.
    pub first: bool,
    /// When a shelved alarm comes back.
    pub shelved_until: Option<Steady>,
    /// Whether its condition holds, delays reckoned in, whatever its state.
    pub condition: bool,
    /// The longest time for which it may be shelved at once.
    pub shelve_limit: Span,
}

/// Every alarm of one table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Roll {
    entries: Vec<Entry>,
    moves: Vec<Move>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Entry {
    rule: Rule,
    state: State,
    /// The condition as last told, and since when.
    told: bool,
    told_at: Steady,
    /// The condition with the delays reckoned in.
    condition: bool,
    since: Option<Steady>,
    called_at: Option<Steady>,
    acknowledged_at: Option<Steady>,
    shelved_until: Option<Steady>,
    /// Suppressed because another alarm explains it, not by order.
    follows: bool,
    /// Became active and was not reset since, for an alarm that latches.
    tripped: bool,
    first: bool,
}

impl Roll {
    /// A roll with every alarm normal, ordered as the rules are; a second rule for one tag is left out.
    pub fn new(rules: Vec<Rule>) -> Self {
        let mut entries: Vec<Entry> = Vec::new();
        for rule in rules {
            if entries.iter().all(|entry| entry.rule.tag != rule.tag) {
                entries.push(Entry::new(rule));
            }
        }
        Roll { entries, moves: Vec::new() }
    }

    /// Tells whether the condition of `tag` holds from `at` on; no effect for a tag without a rule.
    pub fn set(&mut self, tag: Tag, at: Steady, condition: bool) {
        self.tick(at);
        if let Some(index) = self.position(tag) {
            let entry = &mut self.entries[index];
            if entry.told != condition {
                entry.told = condition;
                entry.told_at = at;
                self.tick(at);
            }
        }
    }

    /// Makes every move that has fallen due by `at`.
    pub fn tick(&mut self, at: Steady) {
        while let Some((due, index)) = self.next_due().filter(|(due, _)| *due <= at) {
            let before = self.entries[index].condition;
            self.fall_due(index, due);
            if self.entries[index].condition != before || self.entries[index].state.is_set_aside() {
                self.follow(due);
            }
        }
    }

    /// When [`Roll::tick`] next has something to do.
    pub fn deadline(&self) -> Option<Steady> {
        self.next_due().map(|(due, _)| due)
    }

    /// A person has seen the alarm.
    ///
    /// # Errors
    /// A [`Refusal`] if it does not wait to be acknowledged.
    pub fn acknowledge(&mut self, tag: Tag, at: Steady) -> Result<(), Refusal> {
        let index = self.ready(tag, at)?;
        let entry = &self.entries[index];
        let to = match entry.state {
            State::Unacknowledged => State::Acknowledged,
            State::ReturnedUnacknowledged if entry.rule.latches => State::LatchedAcknowledged,
            State::ReturnedUnacknowledged => State::Normal,
            State::Normal
            | State::Acknowledged
            | State::LatchedAcknowledged
            | State::Shelved
            | State::Suppressed
            | State::OutOfService => return Err(Refusal::NothingToAcknowledge),
        };
        self.entries[index].acknowledged_at = Some(at);
        self.go(index, to, at);
        Ok(())
    }

    /// Puts the alarm aside until `at` plus `span`; shelving a shelved alarm sets a new end.
    ///
    /// # Errors
    /// A [`Refusal`] if the span is longer than the rule allows, or the alarm is set aside otherwise.
    pub fn shelve(&mut self, tag: Tag, at: Steady, span: Span) -> Result<(), Refusal> {
        let index = self.ready(tag, at)?;
        let entry = &mut self.entries[index];
        if span > entry.rule.shelve_limit {
            return Err(Refusal::ShelvedTooLong(entry.rule.shelve_limit));
        }
        if span == Span::ZERO {
            return Err(Refusal::ShelvedForNothing);
        }
        if matches!(entry.state, State::Suppressed | State::OutOfService) {
            return Err(Refusal::SetAside);
        }
        entry.shelved_until = Some(at.plus(span));
        self.go(index, State::Shelved, at);
        self.follow(at);
        Ok(())
    }

    /// Takes a shelved alarm back before its time.
    ///
    /// # Errors
    /// A [`Refusal`] if it is not shelved.
    pub fn unshelve(&mut self, tag: Tag, at: Steady) -> Result<(), Refusal> {
        self.bring_back(tag, at, State::Shelved, Refusal::NotShelved)
    }

    /// Lets go of a latch.
    ///
    /// # Errors
    /// A [`Refusal`] if the condition still holds, the alarm was not acknowledged, or there is no latch.
    pub fn reset(&mut self, tag: Tag, at: Steady) -> Result<(), Refusal> {
        let index = self.ready(tag, at)?;
        match self.entries[index].state {
            State::LatchedAcknowledged => {
                self.go(index, State::Normal, at);
                Ok(())
            }
            State::Unacknowledged | State::Acknowledged => Err(Refusal::StillActive),
            State::ReturnedUnacknowledged => Err(Refusal::NotAcknowledged),
            State::Normal | State::Shelved | State::Suppressed | State::OutOfService => Err(Refusal::NotLatched),
        }
    }

    /// Suppresses the alarm by design until [`Roll::unsuppress`].
    ///
    /// # Errors
    /// A [`Refusal`] if it is out of service or not in the roll.
    pub fn suppress(&mut self, tag: Tag, at: Steady) -> Result<(), Refusal> {
        let index = self.ready(tag, at)?;
        if self.entries[index].state == State::OutOfService {
            return Err(Refusal::SetAside);
        }
        self.entries[index].follows = false;
        self.go(index, State::Suppressed, at);
        self.follow(at);
        Ok(())
    }

    /// Ends [`Roll::suppress`].
    ///
    /// # Errors
    /// A [`Refusal`] if it is not suppressed.
    pub fn unsuppress(&mut self, tag: Tag, at: Steady) -> Result<(), Refusal> {
        self.bring_back(tag, at, State::Suppressed, Refusal::NotSuppressed)
    }

    /// Takes the alarm out of service.
    ///
    /// # Errors
    /// A [`Refusal`] if it is not in the roll.
    pub fn out_of_service(&mut self, tag: Tag, at: Steady) -> Result<(), Refusal> {
        let index = self.ready(tag, at)?;
        self.go(index, State::OutOfService, at);
        self.follow(at);
        Ok(())
    }

    /// Puts the alarm back into service.
    ///
    /// # Errors
    /// A [`Refusal`] if it is not out of service.
    pub fn return_to_service(&mut self, tag: Tag, at: Steady) -> Result<(), Refusal> {
        self.bring_back(tag, at, State::OutOfService, Refusal::NotOutOfService)
    }

    /// What the alarm was about is gone, a sheet that was taken off say: its condition ends without a delay, a shelving ends with it, and
    /// an alarm that does not latch returns to normal unseen. One that latches and had become active stays until a person has seen it.
    pub fn close(&mut self, tag: Tag, at: Steady) {
        self.tick(at);
        let Some(index) = self.position(tag) else { return };
        let entry = &mut self.entries[index];
        (entry.told, entry.told_at, entry.condition, entry.acknowledged_at) = (false, at, false, None);
        let (latched, tripped) = (entry.rule.latches, entry.tripped);
        let to = match entry.state {
            State::Unacknowledged if latched => State::ReturnedUnacknowledged,
            State::Acknowledged if latched => State::LatchedAcknowledged,
            State::Shelved if latched && tripped => State::ReturnedUnacknowledged,
            State::Unacknowledged | State::Acknowledged | State::Shelved => State::Normal,
            State::ReturnedUnacknowledged if !latched => State::Normal,
            state @ (State::Normal
            | State::ReturnedUnacknowledged
            | State::LatchedAcknowledged
            | State::Suppressed
            | State::OutOfService) => state,
        };
        if to != entry.state {
            self.go(index, to, at);
        }
        self.follow(at);
    }

    /// Every move since this was last asked, in order of time.
    pub fn drain(&mut self) -> Vec<Move> {
        std::mem::take(&mut self.moves)
    }

    /// The alarm `tag`, if the roll has it.
    pub fn status(&self, tag: Tag) -> Option<Status> {
        self.position(tag).map(|index| self.entries[index].status())
    }

    /// Every alarm in the roll's order.
    pub fn statuses(&self) -> impl Iterator<Item = Status> + '_ {
        self.entries.iter().map(Entry::status)
    }

    fn position(&self, tag: Tag) -> Option<usize> {
        self.entries.iter().position(|entry| entry.rule.tag == tag)
    }

    /// The place of `tag`, with every move made that was due before somebody asked for another.
    fn ready(&mut self, tag: Tag, at: Steady) -> Result<usize, Refusal> {
        self.tick(at);
        self.position(tag).ok_or(Refusal::NoSuchAlarm)
    }

    fn next_due(&self) -> Option<(Steady, usize)> {
        self.entries.iter().enumerate().filter_map(|(index, entry)| Some((entry.due()?, index))).min()
    }

    fn bring_back(&mut self, tag: Tag, at: Steady, from: State, otherwise: Refusal) -> Result<(), Refusal> {
        let index = self.ready(tag, at)?;
        if self.entries[index].state != from {
            return Err(otherwise);
        }
        self.come_back(index, at);
        self.follow(at);
        Ok(())
    }

    /// From a state of being set aside to the one that the condition asks for: an alarm acknowledged before calls again.
    fn come_back(&mut self, index: usize, at: Steady) {
        let entry = &mut self.entries[index];
        let latched = entry.state == State::Shelved && entry.rule.latches && entry.tripped;
        entry.follows = false;
        let to = match (entry.condition, latched) {
            (true, _) => State::Unacknowledged,
            (false, true) => State::ReturnedUnacknowledged,
            (false, false) => State::Normal,
        };
        self.go(index, to, at);
    }

    fn fall_due(&mut self, index: usize, at: Steady) {
        let entry = &mut self.entries[index];
        if entry.shelved_until.is_some_and(|end| end <= at) {
            return self.come_back(index, at);
        }
        if entry.condition == entry.told {
            entry.acknowledged_at = None;
            return self.go(index, State::Unacknowledged, at);
        }
        entry.condition = entry.told;
        if entry.condition {
            entry.since = Some(at);
        }
        let to = match (entry.state, entry.condition) {
            (State::Normal | State::ReturnedUnacknowledged | State::LatchedAcknowledged, true) => State::Unacknowledged,
            (State::Unacknowledged, false) => State::ReturnedUnacknowledged,
            (State::Acknowledged, false) if entry.rule.latches => State::LatchedAcknowledged,
            (State::Acknowledged, false) => State::Normal,
            (state, _) => state,
        };
        if to != entry.state {
            self.go(index, to, at);
        }
    }

    fn go(&mut self, index: usize, to: State, at: Steady) {
        let alone = self.entries.iter().all(|entry| !entry.rule.first_out || !entry.is_announced());
        let entry = &mut self.entries[index];
        let from = entry.state;
        entry.state = to;
        if to != State::Shelved {
            entry.shelved_until = None;
        }
        if to == State::Unacknowledged {
            entry.tripped = true;
            entry.called_at = Some(at);
            entry.first |= alone && entry.rule.first_out;
        }
        match to {
            State::Normal => {
                (entry.since, entry.called_at, entry.tripped, entry.first) = (None, None, false, false);
            }
            State::Suppressed | State::OutOfService => entry.tripped = false,
            State::Unacknowledged
            | State::Acknowledged
            | State::ReturnedUnacknowledged
            | State::LatchedAcknowledged
            | State::Shelved => {}
        }
        self.moves.push(Move { tag: entry.rule.tag, from, to, at });
    }

    /// Suppresses what another active alarm explains, and brings back what nothing explains any more.
    fn follow(&mut self, at: Steady) {
        for index in 0..self.entries.len() {
            let explained = self.entries.iter().any(|other| {
                other.state.is_active() && self.entries[index].rule.follows_from.contains(&other.rule.tag)
            });
            let entry = &mut self.entries[index];
            let free = !entry.state.is_set_aside();
            if explained && free {
                self.go(index, State::Suppressed, at);
                self.entries[index].follows = true;
            } else if !explained && entry.follows && entry.state == State::Suppressed {
                // What is told to be gone does not begin to call for the rest of its off-delay.
                entry.condition &= entry.told;
                self.come_back(index, at);
            }
        }
    }
}

impl Entry {
    fn new(rule: Rule) -> Self {
        Entry {
            rule,
            state: State::Normal,
            told: false,
            told_at: Steady::default(),
            condition: false,
            since: None,
            called_at: None,
            acknowledged_at: None,
            shelved_until: None,
            follows: false,
            tripped: false,
            first: false,
        }
    }

    fn is_announced(&self) -> bool {
        self.state != State::Normal && !self.state.is_set_aside()
    }

    /// When this alarm next moves by itself.
    fn due(&self) -> Option<Steady> {
        let delay = if self.told { self.rule.on_delay } else { self.rule.off_delay };
        let condition = (self.told != self.condition).then(|| self.told_at.plus(delay));
        let seen = self.acknowledged_at.filter(|_| self.state == State::Acknowledged && self.told == self.condition);
        let again = seen.zip(self.rule.call_again_after).map(|(at, after)| at.plus(after));
        [condition, again, self.shelved_until].into_iter().flatten().min()
    }

    fn status(&self) -> Status {
        Status {
            tag: self.rule.tag,
            state: self.state,
            priority: self.rule.priority,
            since: self.since,
            called_at: self.called_at,
            first: self.first,
            shelved_until: self.shelved_until,
            condition: self.condition,
            shelve_limit: self.rule.shelve_limit,
        }
    }
}
