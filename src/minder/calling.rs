//! Alarms and light: what calls a person, and what the light shows of it.

use super::Minder;
use crate::alarm::{Priority, State, Status, Tag};
use crate::event::Action;
use crate::lamp::{Colour, Lamp, Pattern};
use crate::moment::{Moment, Span, Steady};
use crate::watch::{Assessment, CuttingKnown, Verdict};

/// Alarms about the table, which say nothing while sheets are in shadow.
const ABOUT_THE_TABLE: [Tag; 5] = [Tag::PumpLost, Tag::SuddenLoss, Tag::MarginLow, Tag::LevelLow, Tag::LevelHigh];

/// How long the horn sounds for one alarm.
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

    /// Suppresses the alarms about the table by design while sheets are in shadow or a guided run is under way, and lets go of them afterwards.
    pub(super) fn heed_shadow(&mut self, at: Steady) {
        let shadow = self.memory.shadow_left > 0 || self.guided.quiet;
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

    pub(super) fn move_alarms(&mut self, at: Moment, out: &mut Vec<Action>) {
        self.roll.tick(at.steady);
        for step in self.roll.drain() {
            let cause = self.assessment.and_then(|assessment| assessment.cause);
            self.keep_entry(at, "alarm", &(step, cause), out);
            self.changed = true;
        }
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
        if let Some(test) = self.light_test_from.and_then(|from| Pattern::lamp_test(at.since(from))) {
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
        if self.horn_sounds(at) { pattern.with_horn() } else { pattern }
    }

    fn pattern_of(&self, assessment: &Assessment) -> Pattern {
        let waiting = self
            .announced()
            .any(|status| matches!(status.state, State::Unacknowledged | State::ReturnedUnacknowledged));
        let urgent = if waiting { Lamp::Flashing } else { Lamp::Steady };
        match assessment.verdict {
            Verdict::Loose => Pattern::only(Colour::Red, urgent),
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

    fn horn_sounds(&self, at: Steady) -> bool {
        self.announced().any(|status| {
            status.priority == Priority::High
                && status.state == State::Unacknowledged
                && status.since.is_some_and(|since| at.since(since) < HORN)
        })
    }

    fn asks_for_care(&self, at: Steady) -> bool {
        !self.memory.board.prompts().is_empty() || self.filter_is_loaded(at)
    }
}
