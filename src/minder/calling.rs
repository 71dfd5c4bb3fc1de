//! Alarms and light: what calls a person, and what the light shows of it.

use super::Minder;
use super::keeping::SetAside;
use super::orders::answer;
use crate::alarm::{Priority, State, Status, Tag};
use crate::event::{Action, Actor, Answer};
use crate::lamp::{Colour, Lamp, Pattern};
use crate::moment::{Moment, Span, Steady};
use crate::watch::{Assessment, CuttingKnown, Verdict};

/// Alarms about the table, which say nothing while sheets are in shadow.
const ABOUT_THE_TABLE: [Tag; 5] = [Tag::PumpLost, Tag::SuddenLoss, Tag::MarginLow, Tag::LevelLow, Tag::LevelHigh];

/// What is said while there is a flood of alarms, and while one is out of service.
const FLOOD: &str = "alarm-flood";
const OUT_OF_SERVICE: &str = "alarm-out-of-service";

/// How long the horn sounds each time that an alarm begins to call.
const HORN: Span = Span::from_secs(10);

impl Minder {
    pub(super) fn set_conditions(&mut self, at: Moment, assessment: &Assessment) {
        let conditions = assessment.conditions;
        for (tag, condition) in [
            (Tag::PumpLost, conditions.pump_lost),
            (Tag::SuddenLoss, conditions.sudden_loss),
            (Tag::MarginLow, conditions.margin_low),
            (Tag::LevelLow, conditions.level_low),
            (Tag::LevelHigh, conditions.level_high),
            (Tag::NoReading, conditions.no_reading),
        ] {
            self.roll.set(tag, at.steady, condition);
        }
    }

    /// Suppresses the alarms about the table by design while sheets are in shadow, a guided run is under way, or nothing hangs on the
    /// vacuum, and lets go of them afterwards.
    pub(super) fn heed_shadow(&mut self, at: Steady) {
        let shadow = self.memory.shadow_left > 0 || self.is_quiet();
        for tag in ABOUT_THE_TABLE {
            let suppressed = self.roll.status(tag).is_some_and(|status| status.state == State::Suppressed);
            // Neither can be refused: the roll has every alarm, and none was taken out of service.
            let _ = match (shadow, suppressed) {
                (true, false) => self.roll.suppress(tag, at),
                (false, true) => self.roll.unsuppress(tag, at),
                (true, true) | (false, false) => Ok(()),
            };
        }
    }

    /// Does so when the jobs on the table come to hang on the vacuum, or no longer do. What a cause suppresses is the roll's own affair,
    /// so that this is done at changes only.
    pub(super) fn heed_other_holds(&mut self, at: Steady) {
        let held = self.is_held_otherwise();
        if held != self.held_otherwise {
            self.held_otherwise = held;
            self.heed_shadow(at);
        }
    }

    pub(super) fn move_alarms(&mut self, at: Moment, out: &mut Vec<Action>) {
        self.roll.tick(at.steady);
        for step in self.roll.drain() {
            let cause = self.assessment.and_then(|assessment| assessment.cause);
            self.keep_entry(at, "alarm", &(step, cause), out);
            self.changed = true;
            if self.flood.count(&step) {
                self.degrade(at, FLOOD);
                self.keep_entry(at, "flood", &("begins", self.flood.alarms()), out);
            }
        }
        if self.flood.pass(at.steady) {
            self.keep_entry(at, "flood", &("ends", self.flood.alarms()), out);
        }
        let (flood, removed) = (self.flood.since().is_some(), self.out_of_service().next().is_some());
        self.say_whether(at, flood, FLOOD);
        self.say_whether(at, removed, OUT_OF_SERVICE);
    }

    /// The sheet is off the table: what belonged to it is over. What latches and had become active waits for a person.
    pub(super) fn close_sheet(&mut self, at: Steady) {
        for tag in ABOUT_THE_TABLE {
            self.roll.close(tag, at);
        }
    }

    pub(super) fn shelve(&mut self, at: Moment, actor: &Actor, tag: Tag, span: Span, out: &mut Vec<Action>) -> Answer {
        let shelved = self.roll.shelve(tag, at.steady, span);
        if shelved.is_ok() {
            self.memory.set_aside.insert(tag, SetAside { by: actor.0.clone(), why: None, at });
            self.keep_memory(at, out);
        }
        answer(shelved)
    }

    /// Takes an alarm out of service, which only work that somebody answers for does.
    pub(super) fn remove(&mut self, at: Moment, actor: &Actor, tag: Tag, why: String, out: &mut Vec<Action>) -> Answer {
        if actor.0.trim().is_empty() || why.trim().is_empty() {
            return Answer::Refused("who-and-why".to_owned());
        }
        if self.out_of_service().any(|of| of == tag) {
            return Answer::Refused("set-aside".to_owned());
        }
        let removed = self.roll.out_of_service(tag, at.steady);
        if removed.is_ok() {
            self.memory.set_aside.insert(tag, SetAside { by: actor.0.clone(), why: Some(why), at });
            self.keep_memory(at, out);
        }
        answer(removed)
    }

    pub(super) fn return_to_service(&mut self, at: Moment, tag: Tag, out: &mut Vec<Action>) -> Answer {
        let returned = self.roll.return_to_service(tag, at.steady);
        if returned.is_ok() {
            self.memory.set_aside.remove(&tag);
            self.keep_memory(at, out);
            // What is suppressed by design meanwhile is so again.
            self.heed_shadow(at.steady);
        }
        answer(returned)
    }

    /// After a start, an alarm that was out of service still is; one that was shelved calls again.
    pub(super) fn keep_out_of_service(&mut self, at: Moment) {
        self.memory.set_aside.retain(|_, aside| aside.why.is_some());
        for tag in self.memory.set_aside.keys() {
            // The roll has every alarm.
            let _ = self.roll.out_of_service(*tag, at.steady);
        }
        // It was kept when it was done.
        self.roll.drain();
        let removed = self.out_of_service().next().is_some();
        self.say_whether(at, removed, OUT_OF_SERVICE);
    }

    fn out_of_service(&self) -> impl Iterator<Item = Tag> + '_ {
        self.roll.statuses().filter(|status| status.state == State::OutOfService).map(|status| status.tag)
    }

    /// Alarms that call or have called a person and are not put aside.
    pub(super) fn announced(&self) -> impl Iterator<Item = Status> + '_ {
        self.roll.statuses().filter(|status| status.state != State::Normal && !status.state.is_set_aside())
    }

    pub(super) fn set_light(&mut self, at: Moment, out: &mut Vec<Action>) {
        let light = self.pattern(at.steady);
        if light != self.light {
            self.light = light;
            self.changed = true;
            for talker in &mut self.talkers {
                talker.show(light);
            }
            out.push(Action::Light(light));
        }
    }

    fn pattern(&mut self, at: Steady) -> Pattern {
        let test = self.light_test_from.filter(|_| !self.is_loose() && !self.advises_to_hold());
        if let Some(test) = test.and_then(|from| Pattern::lamp_test(at.since(from))) {
            return test;
        }
        self.light_test_from = None;
        let white = Pattern::only(Colour::White, Lamp::Steady);
        let Some(assessment) = self.assessment else { return white };
        if self.memory.shadow_left > 0 {
            return white;
        }
        let pattern = self.pattern_of(&assessment);
        let pattern = if self.asks_for_care(at) { pattern.with(Colour::Blue, Lamp::Steady) } else { pattern };
        let pattern = if self.advises_to_hold() { pattern.with_feed_hold() } else { pattern };
        if self.horn_sounds(at) { pattern.with_horn() } else { pattern }
    }

    /// Lights every lamp in turn, unless that would hide what the light has to say, or say it to a machine that cuts.
    pub(super) fn test_light(&mut self, at: Steady) -> Answer {
        if self.is_loose() {
            return Answer::Refused("loose".to_owned());
        }
        if self.cutting == Some(true) {
            return Answer::Refused("cutting".to_owned());
        }
        self.light_test_from = Some(at);
        Answer::Done
    }

    fn is_loose(&self) -> bool {
        self.assessment.is_some_and(|assessment| assessment.conditions.is_loose())
    }

    /// Whether the machine is advised to hold its feed: while a loss lasts, be it that nobody sees it any more, if a contact for it was
    /// wired.
    fn advises_to_hold(&self) -> bool {
        self.is_loose() && self.memory.shadow_left == 0 && self.setup.asks_to_hold()
    }

    fn pattern_of(&self, assessment: &Assessment) -> Pattern {
        let waiting = self
            .announced()
            .any(|status| matches!(status.state, State::Unacknowledged | State::ReturnedUnacknowledged));
        let urgent = if waiting { Lamp::Flashing } else { Lamp::Steady };
        match assessment.verdict {
            Verdict::Loose => Pattern::only(Colour::Red, urgent),
            Verdict::Blind if assessment.conditions.is_loose() => {
                Pattern::only(Colour::Red, urgent).with(Colour::White, Lamp::Steady)
            }
            Verdict::Weak | Verdict::High => Pattern::only(Colour::Yellow, urgent),
            Verdict::Blind if assessment.cutting != CuttingKnown::No => {
                Pattern::only(Colour::Yellow, Lamp::Flashing).with(Colour::White, Lamp::Steady)
            }
            Verdict::Blind | Verdict::Off | Verdict::NoJob => Pattern::only(Colour::White, Lamp::Steady),
            // An alarm that has gone but was not seen keeps the light from being simply green.
            Verdict::Tight if waiting => Pattern::only(Colour::Yellow, Lamp::Flashing),
            Verdict::Tight => Pattern::only(Colour::Green, Lamp::Steady),
        }
    }

    /// The horn sounds for what must be done now, and for nothing else; in a flood not for an alarm that comes again and again either.
    fn horn_sounds(&self, at: Steady) -> bool {
        let flood = self.flood.since().is_some();
        self.announced().any(|status| {
            status.priority == Priority::High
                && status.state == State::Unacknowledged
                && status.called_at.is_some_and(|called| at.since(called) < HORN)
                && !(flood && self.flood.chatters(status.tag))
        })
    }

    fn asks_for_care(&self, at: Steady) -> bool {
        self.board_asks() || self.filter_is_loaded(at)
    }
}
