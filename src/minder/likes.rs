//! A job by its program alone: the sheet, the cutter and the way of reading are those of the last job like it. And how far each tool has
//! cut.

use std::collections::BTreeMap;

use super::{Memory, Minder};
use crate::event::{Action, Answer};
use crate::job::plan::CardProgram;
use crate::job::program::Reading;
use crate::job::{Card, Progress};
use crate::moment::Moment;
use crate::setup::materials;
use crate::view::ToolView;

/// How many jobs are remembered, each of another material.
const MOST_LIKES: usize = 8;

/// The longest list of tools that is counted.
const MOST_TOOLS: usize = 200;

/// How far each tool has cut since it was last changed, in metres.
pub(super) type ToolMetres = BTreeMap<u32, f64>;

impl Memory {
    pub(super) fn remember_like(&mut self, like: Card) {
        self.likes.retain(|other| other.sheet.material.name != like.sheet.material.name);
        self.likes.push(like);
        if self.likes.len() > MOST_LIKES {
            self.likes.remove(0);
        }
    }
}

impl Minder {
    /// A card for a program without one; the answer says why there is none.
    pub(super) fn card_like(&self, file: &str, material: Option<&str>) -> Result<Card, Answer> {
        let likes = &self.memory.likes;
        let same = |card: &&Card| material.is_none_or(|name| card.sheet.material.name == name);
        let like = likes.iter().rev().find(same).or_else(|| likes.last());
        let mut card = like.cloned().ok_or_else(|| Answer::Refused("no-like-job".to_owned()))?;
        if let Some(name) = material.filter(|name| card.sheet.material.name != *name) {
            let known = || materials().map(|material| material.name).collect();
            let told = materials().find(|material| material.name == name);
            let told = told.ok_or_else(|| Answer::Unknown { name: name.to_owned(), known: known() })?;
            let friction = self.setup.friction.unwrap_or(told.friction);
            card.sheet.material = crate::job::Material { friction, ..told };
        }
        file.clone_into(&mut card.name);
        let fresh = CardProgram {
            file: file.to_owned(),
            reading: Reading::default(),
            tools: self.setup.tools.clone(),
            zero: card.sheet.rect.low,
            height: crate::job::plan::ZeroHeight::SheetTop,
            board_left: None,
            zeroed: None,
            cutter_of_program: false,
            route: None,
        };
        let program = card.program.take().map(|like| CardProgram { file: file.to_owned(), route: None, ..like });
        card.program = Some(program.unwrap_or(fresh));
        Ok(card)
    }

    /// The materials to choose from for a program without a card.
    pub(super) fn material_names(&self) -> Vec<String> {
        let told = !self.programs.is_empty();
        materials().filter(|_| told).map(|material| material.name).collect()
    }

    /// Remembers a job for the next one like it.
    pub(super) fn remember_like(&mut self, card: &Card) {
        let mut like = Card { parts: Vec::new(), program: None, ..card.clone() };
        like.program = card.program.as_ref().map(|program| CardProgram {
            file: program.file.clone(),
            reading: program.reading.clone(),
            tools: program.tools.clone(),
            route: None,
            ..*program
        });
        self.memory.remember_like(like);
    }

    /// A tool was changed for a new one.
    pub(super) fn tool_changed(&mut self, at: Moment, tool: u32, out: &mut Vec<Action>) -> Answer {
        let cut = self.memory.tools.remove(&tool);
        let Some(cut) = cut else {
            let known = self.memory.tools.keys().map(ToString::to_string).collect();
            return Answer::Unknown { name: tool.to_string(), known };
        };
        self.keep_entry(at, "tool-changed", &(tool, cut), out);
        self.tell_board();
        self.changed = true;
        self.keep_memory(at, out);
        Answer::Done
    }

    pub(super) fn tool_views(&self) -> Vec<ToolView> {
        let view = |(number, cut): (&u32, &f64)| ToolView {
            number: *number,
            cut_m: *cut,
            diameter_m: self
                .setup
                .tools
                .iter()
                .find(|known| known.number == *number)
                .map(|known| known.diameter.metres()),
        };
        self.memory.tools.iter().map(view).collect()
    }
}

/// Counts what the tools of a card cut, as far as its sheet is cut.
pub(super) fn count_tools(tools: &mut ToolMetres, card: &Card, reached: Progress) {
    let route = card.program.as_ref().and_then(|program| program.route.as_ref());
    for (tool, length) in route.into_iter().flat_map(|route| &route.by_tool) {
        if tools.len() < MOST_TOOLS || tools.contains_key(tool) {
            *tools.entry(*tool).or_default() += length.metres() * reached.fraction();
        }
    }
}
