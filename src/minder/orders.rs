//! Commands and contacts: what people and the machine tell.

use serde::{Deserialize, Serialize};

use super::{Loaded, Minder};
use crate::alarm::{Refusal, State, Tag};
use crate::event::{Action, Actor, Answer, Command, CommandId, Inputs, Outcome, ProgressTold};
use crate::expectation::zones_under;
use crate::job::plan::Told;
use crate::job::{Card, Progress};
use crate::moment::{Moment, Span, Steady};
use crate::table::{ZoneId, ZoneSet};
use crate::watch::Verdict;

/// How fast a cut goes on, as told.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Pace {
    pub(super) told_at: Steady,
    /// The share of the cut that was told then.
    pub(super) told: f64,
    /// The share of the cut in a second.
    pub(super) per_second: f64,
}

/// The shortest time over which a pace is reckoned.
const PACE_SPAN: Span = Span::from_millis(500);

impl Minder {
    pub(super) fn carry_out(
        &mut self,
        at: Moment,
        actor: &Actor,
        id: CommandId,
        command: Command,
        out: &mut Vec<Action>,
    ) {
        let kept = serde_json::to_value(&command).unwrap_or_default();
        let answer = self.obey(at, command, out);
        // Progress comes every second and stands in the readings' bands; the rest is worth a record each.
        if kept.get("Progress").is_none() {
            self.keep_entry(at, "command", &(actor, kept, &answer), out);
        }
        out.push(Action::Answer(id, answer));
        self.changed = true;
    }

    fn obey(&mut self, at: Moment, command: Command, out: &mut Vec<Action>) -> Answer {
        match command {
            Command::LoadNamed(name) => Answer::Unknown { name, known: self.cards.clone() },
            Command::LoadCard(card) => self.load(at, *card),
            Command::Unload => self.unload(at),
            Command::Open(names) => self.open_named(at, &names),
            Command::Progress(told) => self.take_progress(at, told),
            Command::Teach => self.teach(at, out),
            Command::Acknowledge(tag) => self.acknowledge(at, tag),
            Command::Shelve(tag, span) => answer(self.roll.shelve(tag, at.steady, span)),
            Command::Unshelve(tag) => answer(self.roll.unshelve(tag, at.steady)),
            Command::Reset(tag) => answer(self.roll.reset(tag, at.steady)),
            Command::SheetOutcome(outcome, part) => self.note_outcome(at, outcome, part, out),
            Command::Skimmed => {
                self.memory.board.skimmed(at.steady);
                self.keep_memory(at, out);
                Answer::Done
            }
            Command::Sealed => {
                self.memory.board.sealed(at.steady);
                self.keep_memory(at, out);
                Answer::Done
            }
            Command::TestLight => {
                self.light_test_from = Some(at.steady);
                Answer::Done
            }
        }
    }

    fn load(&mut self, at: Moment, card: Card) -> Answer {
        let open = if card.zones.is_empty() {
            zones_under(&self.setup.table, &card.sheet.rect)
        } else {
            match self.zones_named(&card.zones) {
                Ok(open) => open,
                Err(unknown) => return unknown,
            }
        };
        self.loaded = Some(Loaded { card, forecast: None, progress: Progress::START, pace: None });
        self.set_cutting(at, None);
        self.watch.job_changed(at.steady);
        self.set_open(at, open);
        self.retry_forecasts(at.steady);
        Answer::Done
    }

    fn unload(&mut self, at: Moment) -> Answer {
        self.loaded = None;
        self.set_cutting(at, None);
        self.watch.job_changed(at.steady);
        self.retry_forecasts(at.steady);
        Answer::Done
    }

    fn open_named(&mut self, at: Moment, names: &[String]) -> Answer {
        match self.zones_named(names) {
            Ok(open) => {
                self.set_open(at, open);
                Answer::Done
            }
            Err(unknown) => unknown,
        }
    }

    fn zones_named(&self, names: &[String]) -> Result<ZoneSet, Answer> {
        let zones = &self.setup.table.plenum.zones;
        names
            .iter()
            .map(|name| {
                let place = zones.iter().position(|zone| zone.name == *name);
                place.and_then(|place| u8::try_from(place).ok()).map(ZoneId).ok_or_else(|| Answer::Unknown {
                    name: name.clone(),
                    known: zones.iter().map(|zone| zone.name.clone()).collect(),
                })
            })
            .collect()
    }

    fn set_open(&mut self, at: Moment, open: ZoneSet) {
        if open != self.open {
            let before = self.compared.clone();
            self.open = open;
            self.watch.zones_changed(at.steady);
            self.retry_forecasts(at.steady);
            if self.level_must_move(before.as_ref()) {
                let gauges = self.health.iter_mut().zip(&self.setup.gauges);
                let felt = gauges.filter(|(_, gauge)| gauge.place.is_suction());
                felt.for_each(|(health, _)| health.level_must_move(at.steady));
            }
        }
    }

    pub(super) fn set_cutting(&mut self, at: Moment, cutting: Option<bool>) {
        let before = std::mem::replace(&mut self.cutting, cutting);
        match (before == Some(true), cutting == Some(true)) {
            (false, true) => self.watch.cut_started(at.steady),
            (true, false) => self.watch.cut_ended(at.steady),
            (true, true) | (false, false) => {}
        }
    }

    /// A line of the loaded program as the share of its cut; anything else as it is.
    fn by_the_program(&self, told: ProgressTold) -> Option<ProgressTold> {
        let ProgressTold::Line(line) = told else { return Some(told) };
        let program = self.loaded.as_ref().and_then(|loaded| loaded.card.program.as_ref());
        let Some(route) = program.and_then(|program| program.route.as_ref()) else { return Some(told) };
        let place = route.course.place(Told::Line(line))?;
        Some(ProgressTold::Fraction(place.likely.fraction()))
    }

    fn take_progress(&mut self, at: Moment, told: ProgressTold) -> Answer {
        let Some(told) = self.by_the_program(told) else { return Answer::Refused("no-such-line".to_owned()) };
        match told {
            ProgressTold::Cutting(cutting) => self.set_cutting(at, Some(cutting)),
            ProgressTold::Line(_) => return Answer::Refused("progress-by-line-needs-a-program".to_owned()),
            ProgressTold::Fraction(fraction) => {
                let Some(loaded) = &mut self.loaded else { return Answer::Refused("no-job".to_owned()) };
                let progress = Progress::from_fraction(fraction);
                loaded.pace = next_pace(at.steady, loaded.pace, progress.fraction());
                loaded.progress = progress;
                self.set_cutting(at, Some(progress.fraction() < 1.0));
                self.compare(at.steady);
            }
        }
        Answer::Done
    }

    fn teach(&mut self, at: Moment, out: &mut Vec<Action>) -> Answer {
        let live = self.live(at.steady).and_then(|newest| newest.vacuum);
        let off = self.assessment.is_none_or(|assessment| assessment.verdict == Verdict::Off);
        match live {
            Some(_) if off => Answer::Refused("pump-off".to_owned()),
            Some(level) => {
                let level = self.judged_level(at.steady, level);
                self.memory.taught.insert(self.open, super::keeping::Taught { level });
                self.keep_memory(at, out);
                self.compare(at.steady);
                Answer::Done
            }
            None => Answer::Refused("no-reading".to_owned()),
        }
    }

    /// Seeing an alarm that latches also resets it once its condition is gone.
    fn acknowledge(&mut self, at: Moment, tag: Tag) -> Answer {
        let acknowledged = self.roll.acknowledge(tag, at.steady);
        let latched = self.roll.status(tag).is_some_and(|status| status.state == State::LatchedAcknowledged);
        answer(if latched { self.roll.reset(tag, at.steady) } else { acknowledged })
    }

    fn note_outcome(&mut self, at: Moment, outcome: Outcome, part: Option<String>, out: &mut Vec<Action>) -> Answer {
        let Some(sheet) = &mut self.memory.last_sheet else { return Answer::Refused("no-sheet-yet".to_owned()) };
        (sheet.outcome, sheet.part) = (Some(outcome), part);
        let kept = sheet.clone();
        self.keep_entry(at, "outcome", &kept, out);
        self.keep_memory(at, out);
        Answer::Done
    }

    pub(super) fn heed_inputs(&mut self, at: Moment, inputs: &Inputs, out: &mut Vec<Action>) {
        if let Some(open) = inputs.open {
            self.set_open(at, open);
        }
        if inputs.cutting.is_some() {
            self.set_cutting(at, inputs.cutting);
        }
        if inputs.seen {
            let waiting: Vec<Tag> = self.announced().map(|status| status.tag).collect();
            for tag in waiting {
                // What needs no acknowledging is left as it is.
                let _ = self.acknowledge(at, tag);
            }
            self.keep_entry(at, "seen", &"button", out);
        }
        self.changed = true;
    }
}

fn next_pace(at: Steady, before: Option<Pace>, told: f64) -> Option<Pace> {
    let Some(before) = before else { return Some(Pace { told_at: at, told, per_second: 0.0 }) };
    let span = at.since(before.told_at);
    if span < PACE_SPAN {
        return Some(before);
    }
    Some(Pace { told_at: at, told, per_second: ((told - before.told) / span.secs_f64()).max(0.0) })
}

fn answer(result: Result<(), Refusal>) -> Answer {
    match result {
        Ok(()) => Answer::Done,
        Err(refusal) => Answer::Refused(key(refusal).to_owned()),
    }
}

fn key(refusal: Refusal) -> &'static str {
    match refusal {
        Refusal::NoSuchAlarm => "no-such-alarm",
        Refusal::NothingToAcknowledge => "nothing-to-acknowledge",
        Refusal::ShelvedTooLong(_) => "shelved-too-long",
        Refusal::ShelvedForNothing => "shelved-for-nothing",
        Refusal::SetAside => "set-aside",
        Refusal::NotShelved => "not-shelved",
        Refusal::NotSuppressed => "not-suppressed",
        Refusal::NotOutOfService => "not-out-of-service",
        Refusal::StillActive => "still-active",
        Refusal::NotAcknowledged => "not-acknowledged",
        Refusal::NotLatched => "not-latched",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_pace_is_the_same_however_often_progress_is_told() {
        for millis in [50, 100, 500, 1_000, 5_000] {
            let mut pace = None;
            for tell in 0..=40 {
                let at = Steady::default().plus(Span::from_millis(tell * millis));
                pace = next_pace(at, pace, 0.01 * at.since(Steady::default()).secs_f64());
            }
            assert!((pace.unwrap().per_second - 0.01).abs() < 1e-9, "every {millis} ms");
        }
        let back = next_pace(Steady::from_nanos(2_000_000_000), next_pace(Steady::default(), None, 0.5), 0.0);
        assert!(back.unwrap().per_second.abs() < 1e-12, "a cut that begins again does not run backwards");
    }
}
