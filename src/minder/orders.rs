//! Commands and contacts: what people and the machine tell.

use super::fetching::Wanted;
use super::progress::Run;
use super::{Loaded, Minder};
use crate::alarm::{Refusal, State, Tag};
use crate::board::{Deed, Told as BoardTold};
use crate::event::{Action, Actor, Answer, Command, CommandId, Inputs, Outcome};
use crate::expectation::zones_under;
use crate::job::{Card, Cut, Progress};
use crate::moment::Moment;
use crate::table::{ZoneId, ZoneSet};
use crate::watch::Verdict;

impl Minder {
    pub(super) fn carry_out(
        &mut self,
        at: Moment,
        actor: &Actor,
        id: CommandId,
        command: Command,
        out: &mut Vec<Action>,
    ) {
        let (end, command) = match command {
            Command::At(end, command) => (Some(end), *command),
            command => (None, command),
        };
        let command = match command {
            Command::LoadNamed(name) => {
                return self.fetch(at, (actor, id), Wanted { name, program: None, end }, out);
            }
            Command::LoadProgram { file, material } => {
                return self.fetch(at, (actor, id), Wanted { name: file, program: Some(material), end }, out);
            }
            command => command,
        };
        if matches!(command, Command::LoadCard(_) | Command::Unload) {
            self.give_up_fetching(at, out);
        }
        let is_progress = matches!(command, Command::Progress(_));
        let kept = serde_json::to_value(&command).unwrap_or_default();
        let kept = end.as_ref().map_or(kept.clone(), |end| serde_json::json!({ "At": [end, kept] }));
        let answer = match end {
            Some(end) => self.obey_at(at, &end, command, out),
            None => self.obey(at, actor, command, out),
        };
        // Progress comes every second and stands in the readings' bands; the rest is worth a record each.
        if !is_progress {
            self.keep_entry(at, "command", &(actor, kept, &answer), out);
        }
        // Whoever is answered that an order was taken sees what it did.
        self.show_guided(out);
        out.push(Action::Answer(id, answer));
        self.changed = true;
    }

    fn obey(&mut self, at: Moment, actor: &Actor, command: Command, out: &mut Vec<Action>) -> Answer {
        match command {
            // Fetched before this is asked.
            Command::LoadNamed(name) | Command::LoadProgram { file: name, .. } => {
                Answer::Unknown { name, known: self.cards.clone() }
            }
            Command::ToolChanged(tool) => self.told_of_tool(at, tool, out),
            Command::LoadCard(card) => self.load(at, *card, None, out),
            Command::Unload => {
                self.take_off(at, None, out);
                Answer::Done
            }
            Command::Open(names) => self.open_named(at, &names),
            Command::Progress(told) => self.take_progress(at, told),
            Command::Teach => self.teach(at, out),
            Command::Acknowledge(tag) => self.acknowledge(at, tag),
            Command::Shelve(tag, span) => self.shelve(at, actor, tag, span, out),
            Command::Unshelve(tag) => answer(self.roll.unshelve(tag, at.steady)),
            Command::Reset(tag) => answer(self.roll.reset(tag, at.steady)),
            Command::SheetOutcome(outcome, part) => self.note_outcome(at, outcome, part, out),
            Command::Skimmed => self.told_of_board(at, BoardTold::Did(Deed::Skimmed, None), out),
            Command::Sealed => self.told_of_board(at, BoardTold::Did(Deed::Sealed, None), out),
            Command::Board(told) => self.told_of_board(at, told, out),
            Command::TestLight => self.test_light(at.steady),
            Command::Survey(order) => self.obey_survey(at, order, out),
            Command::Check(order) => self.obey_check(at, order, out),
            Command::At(end, command) => self.obey_at(at, &end, *command, out),
            Command::Remove(tag, why) => self.remove(at, actor, tag, why, out),
            Command::Return(tag) => self.return_to_service(at, tag, out),
        }
    }

    /// What is told of one end of the table.
    fn obey_at(&mut self, at: Moment, end: &str, command: Command, out: &mut Vec<Action>) -> Answer {
        let id = match self.end_named(end) {
            Ok(id) => id,
            Err(unknown) => return unknown,
        };
        match command {
            Command::LoadCard(card) => self.load(at, *card, Some(end), out),
            Command::Unload => {
                self.take_off(at, Some(id), out);
                Answer::Done
            }
            Command::Progress(told) => match self.work_at(at, id, out) {
                Ok(()) => self.take_progress(at, told),
                Err(refused) => refused,
            },
            _ => Answer::Refused("not-of-an-end".to_owned()),
        }
    }

    /// Lays a card on the table: at the end named, else where its sheet lies.
    pub(super) fn load(&mut self, at: Moment, card: Card, end: Option<&str>, out: &mut Vec<Action>) -> Answer {
        let lies = self.end_of(&card);
        if let Some(end) = end {
            match self.end_named(end) {
                Ok(id) if lies == Some(id) => {}
                Ok(_) => return Answer::Refused("card-of-another-end".to_owned()),
                Err(unknown) => return unknown,
            }
        }
        let open = if card.zones.is_empty() {
            zones_under(&self.setup.table, &card.sheet.rect)
        } else {
            match self.zones_named(&card.zones) {
                Ok(open) => open,
                Err(unknown) => return unknown,
            }
        };
        self.remember_like(&card);
        let (progress, run) = (Progress::START, Run::default());
        let freed_at = Cut::of(&card).each_freed_at();
        self.lay(
            at,
            Loaded { card, freed_at, end: lies, forecast: None, held: None, progress, pace: None, run },
            open,
            out,
        );
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

    pub(super) fn zones_named(&self, names: &[String]) -> Result<ZoneSet, Answer> {
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

    pub(super) fn set_open(&mut self, at: Moment, open: ZoneSet) {
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

pub(super) fn answer(result: Result<(), Refusal>) -> Answer {
    match result {
        Ok(()) => Answer::Done,
        Err(Refusal::ShelvedTooLong(most)) => Answer::ShelvedTooLong(most),
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
