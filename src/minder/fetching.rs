//! Cards by name: the edge reads them, with their programs, and the answer to whoever asked waits for that.

use serde::{Deserialize, Serialize};

use super::Minder;
use crate::event::{Action, Actor, Answer, Card, Command, CommandId, RequestId};
use crate::moment::Moment;

/// A card that has been asked for and is not there yet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Fetching {
    id: RequestId,
    actor: Actor,
    command: CommandId,
    job: Wanted,
}

/// The job that is asked for.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Wanted {
    /// The name of its card, or of its program's file.
    pub(super) name: String,
    /// For a program without a card: its material, if that is told.
    pub(super) program: Option<Option<String>>,
    /// The end that it is wanted at.
    pub(super) end: Option<String>,
}

impl Minder {
    /// Has a card read; the newest wish counts.
    pub(super) fn fetch(&mut self, at: Moment, wish: (&Actor, CommandId), job: Wanted, out: &mut Vec<Action>) {
        self.give_up_fetching(at, out);
        let id = self.next_request;
        self.next_request = RequestId(id.0 + 1);
        let fetching = Fetching { id, actor: wish.0.clone(), command: wish.1, job };
        self.changed = true;
        match self.reading(id, &fetching.job) {
            Ok(action) => {
                out.push(action);
                self.fetching = Some(fetching);
            }
            Err(answer) => self.answer_wish(at, fetching, answer, None, out),
        }
    }

    fn reading(&self, id: RequestId, job: &Wanted) -> Result<Action, Answer> {
        Ok(match &job.program {
            None => Action::ReadCard(id, job.name.clone()),
            Some(material) => Action::ReadProgram(id, Box::new(self.card_like(&job.name, material.as_deref())?)),
        })
    }

    /// Another job was chosen meanwhile.
    pub(super) fn give_up_fetching(&mut self, at: Moment, out: &mut Vec<Action>) {
        if let Some(wish) = self.fetching.take() {
            self.answer_wish(at, wish, Answer::Refused("another-job-chosen".to_owned()), None, out);
        }
    }

    pub(super) fn take_card(
        &mut self,
        at: Moment,
        id: RequestId,
        card: Result<Option<Box<Card>>, String>,
        out: &mut Vec<Action>,
    ) {
        let Some(wish) = self.fetching.take_if(|wish| wish.id == id) else { return };
        match card {
            Ok(Some(card)) => {
                let answer = self.load(at, (*card).clone(), wish.job.end.as_deref(), out);
                self.answer_wish(at, wish, answer, Some(card), out);
            }
            // No card has this name, but a program has: what a controller posts, or a scanner types.
            Ok(None) if wish.job.program.is_none() && self.programs.contains(&wish.job.name) => {
                let job = Wanted { program: Some(None), ..wish.job };
                self.fetch(at, (&wish.actor, wish.command), job, out);
            }
            Ok(None) => {
                let known = self.cards.iter().chain(&self.programs).cloned().collect();
                let answer = Answer::Unknown { name: wish.job.name.clone(), known };
                self.answer_wish(at, wish, answer, None, out);
            }
            Err(text) => self.answer_wish(at, wish, Answer::Refused(text), None, out),
        }
    }

    /// Keeps what became of a wish, with the card as it was read, and tells whoever had it.
    fn answer_wish(
        &mut self,
        at: Moment,
        wish: Fetching,
        answer: Answer,
        card: Option<Box<Card>>,
        out: &mut Vec<Action>,
    ) {
        let Wanted { name, program, end } = wish.job;
        let named = match program {
            Some(material) => Command::LoadProgram { file: name, material },
            None => Command::LoadNamed(name),
        };
        let command = card.map_or(named, Command::LoadCard);
        let command = match end {
            Some(end) => Command::At(end, Box::new(command)),
            None => command,
        };
        self.keep_entry(at, "command", &(wish.actor, command, &answer), out);
        out.push(Action::Answer(wish.command, answer));
        self.changed = true;
    }
}
