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
    name: String,
    /// The end that it is wanted at.
    end: Option<String>,
}

impl Minder {
    /// Has a card read; the newest wish counts.
    pub(super) fn fetch(
        &mut self,
        at: Moment,
        actor: &Actor,
        command: CommandId,
        (name, end): (String, Option<String>),
        out: &mut Vec<Action>,
    ) {
        self.give_up_fetching(at, out);
        let id = self.next_request;
        self.next_request = RequestId(id.0 + 1);
        out.push(Action::ReadCard(id, name.clone()));
        self.fetching = Some(Fetching { id, actor: actor.clone(), command, name, end });
        self.changed = true;
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
                let answer = self.load(at, (*card).clone(), wish.end.as_deref());
                self.answer_wish(at, wish, answer, Some(card), out);
            }
            Ok(None) => {
                let answer = Answer::Unknown { name: wish.name.clone(), known: self.cards.clone() };
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
        let command = card.map_or(Command::LoadNamed(wish.name), Command::LoadCard);
        let command = match wish.end {
            Some(end) => Command::At(end, Box::new(command)),
            None => command,
        };
        self.keep_entry(at, "command", &(wish.actor, command, &answer), out);
        out.push(Action::Answer(wish.command, answer));
        self.changed = true;
    }
}
