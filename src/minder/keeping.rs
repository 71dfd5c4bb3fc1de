//! What goes into the journal, and what is remembered from one start of the program to the next.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::likes::ToolMetres;
use super::{CheckLog, Minder, SurveyRun};
use crate::alarm::Tag;
use crate::board::{BoardLife, BoardSettings, Book, Trace};
use crate::event::{Action, Card, Fact, Outcome, Record, Seq};
use crate::job::Progress;
use crate::moment::{Moment, Span, Utc};
use crate::table::ZoneSet;
use crate::units::Vacuum;
use crate::watch::{Assessment, Seated};

/// A level that the operator marked as good.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Taught {
    pub(super) level: Vacuum,
}

/// What is remembered from one start of the program to the next, as the body of a `memory` record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Memory {
    #[serde(with = "pairs")]
    pub(super) taught: BTreeMap<ZoneSet, Taught>,
    pub(super) board: BoardLife,
    #[serde(default)]
    pub(super) book: Book,
    /// Sheets counted so far.
    pub(super) sheet: u64,
    /// Sheets still to be watched without announcing anything.
    pub(super) shadow_left: u32,
    /// The last sheet that ended, until its outcome is told.
    pub(super) last_sheet: Option<LastSheet>,
    /// When the board was last told to be skimmed, if the computer then knew the time.
    #[serde(default)]
    pub(super) skimmed_on: Option<Utc>,
    /// Who put an alarm aside that is shelved or out of service.
    #[serde(default)]
    pub(super) set_aside: BTreeMap<Tag, SetAside>,
    /// The last job of each material, without its parts; the newest is the last.
    #[serde(default)]
    pub(super) likes: Vec<Card>,
    /// How far each tool has cut.
    #[serde(default)]
    pub(super) tools: ToolMetres,
}

/// Who put an alarm aside, when, and for an alarm out of service why.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct SetAside {
    pub(super) by: String,
    pub(super) why: Option<String>,
    pub(super) at: Moment,
}

/// A sheet that has ended.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct LastSheet {
    pub(super) sheet: u64,
    pub(super) card: Option<String>,
    pub(super) seated_pa: Option<f64>,
    pub(super) leak_index: Option<f64>,
    pub(super) least_margin: Option<f64>,
    pub(super) outcome: Option<Outcome>,
    pub(super) part: Option<String>,
}

/// A map as a list of pairs: JSON has no keys but text.
mod pairs {
    use std::collections::BTreeMap;

    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use super::{Taught, ZoneSet};

    pub(super) fn serialize<S: Serializer>(map: &BTreeMap<ZoneSet, Taught>, out: S) -> Result<S::Ok, S::Error> {
        map.iter().collect::<Vec<_>>().serialize(out)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<BTreeMap<ZoneSet, Taught>, D::Error> {
        Ok(Vec::deserialize(from)?.into_iter().collect())
    }
}

impl Memory {
    /// The memory of a program that has seen nothing.
    pub fn new(shadow_sheets: u32) -> Self {
        Memory {
            taught: BTreeMap::new(),
            board: BoardLife::new(BoardSettings::default()),
            book: Book::default(),
            sheet: 0,
            shadow_left: shadow_sheets,
            last_sheet: None,
            skimmed_on: None,
            likes: Vec::new(),
            tools: ToolMetres::new(),
            set_aside: BTreeMap::new(),
        }
    }

    /// The board's book.
    pub fn book(&self) -> &Book {
        &self.book
    }

    /// When the board was last told to be skimmed, if that is known.
    pub fn skimmed_on(&self) -> Option<Utc> {
        self.skimmed_on
    }

    /// The memory that a `memory` record holds.
    ///
    /// # Errors
    /// The text of what is wrong with it.
    pub fn from_record(body: &str) -> Result<Self, String> {
        let mut told: serde_json::Value = serde_json::from_str(body).map_err(|error| error.to_string())?;
        if let Some(likes) = told.get_mut("likes").and_then(serde_json::Value::as_array_mut) {
            // A card of another version of the program is not worth the memory of the board.
            likes.retain(|like| Card::deserialize(like).is_ok());
        }
        serde_json::from_value(told).map_err(|error| error.to_string())
    }
}

/// What a journal says of the time before.
#[derive(Clone, Debug, Default)]
pub struct Remembered {
    /// The memory, if there is one.
    pub memory: Option<Memory>,
    /// The last number used.
    pub last_seq: Seq,
    /// The last survey, under way or ended.
    pub survey: Option<SurveyRun>,
    /// The morning's checks.
    pub check: Option<CheckLog>,
}

/// How long a clock step is shown.
const CLOCK_STEP_SHOWN: Span = Span::from_secs(600);

impl Minder {
    pub(super) fn keep(&mut self, at: Moment, fact: Fact, out: &mut Vec<Action>) {
        let seq = self.next_seq;
        self.next_seq = Seq(seq.0 + 1);
        out.push(Action::Record(Record { seq, at, fact }));
    }

    pub(super) fn keep_entry<T: Serialize>(&mut self, at: Moment, kind: &str, body: &T, out: &mut Vec<Action>) {
        // A body of ours that does not become JSON is kept as null: the record that it happened is worth more than none.
        let body = serde_json::to_string(body).unwrap_or_else(|_| "null".to_owned());
        self.keep(at, Fact::Entry { kind: kind.to_owned(), version: 1, body }, out);
    }

    pub(super) fn keep_memory(&mut self, at: Moment, out: &mut Vec<Action>) {
        let memory = self.memory.clone();
        self.keep_entry(at, "memory", &memory, out);
    }

    pub(super) fn keep_verdict(&mut self, at: Moment, out: &mut Vec<Action>) {
        if let Some(assessment) = self.assessment {
            let why = self.why(&assessment);
            self.keep_entry(at, "verdict", &(assessment.verdict, why), out);
        }
    }

    /// Counts sheets, and learns from each what it says of the board.
    pub(super) fn follow_sheet(&mut self, at: Moment, assessment: &Assessment, out: &mut Vec<Action>) {
        if assessment.sheet_started {
            self.memory.sheet += 1;
            self.worst_margin = None;
            self.seated = None;
            self.changed = true;
        }
        if let Some(seated) = assessment.seated {
            self.learn(at, seated, out);
        }
        if assessment.sheet_ended {
            self.end_sheet(at, out);
        }
    }

    fn learn(&mut self, at: Moment, seated: Seated, out: &mut Vec<Action>) {
        self.seated = Some(seated);
        self.keep_entry(at, "seated", &(self.memory.sheet, seated), out);
        if let Some((leak_index, spread)) = seated.leak_index() {
            self.note_leak(at, &seated, Trace { at: at.steady, leak_index, spread });
            self.keep_memory(at, out);
        }
        self.changed = true;
    }

    pub(super) fn end_sheet(&mut self, at: Moment, out: &mut Vec<Action>) {
        self.chart_sheet(at, out);
        let seated = self.seated.take();
        let sheet = LastSheet {
            sheet: self.memory.sheet,
            card: self.loaded.as_ref().map(|loaded| loaded.card.name.clone()),
            seated_pa: seated.map(|seated| seated.level.pascals()),
            leak_index: seated.and_then(|seated| seated.leak_index()).map(|(index, _)| index),
            least_margin: self.worst_margin.take(),
            outcome: None,
            part: None,
        };
        self.keep_entry(at, "sheet", &sheet, out);
        self.memory.last_sheet = Some(sheet);
        self.memory.shadow_left = self.memory.shadow_left.saturating_sub(1);
        self.close_sheet(at.steady);
        self.heed_shadow(at.steady);
        self.keep_memory(at, out);
        self.changed = true;
    }

    /// A sheet that the vacuum did not hold shows in no level: what was told of its cut is booked when it goes.
    pub(super) fn book_unwatched(&mut self, at: Moment, out: &mut Vec<Action>) {
        let begun = self.loaded.as_ref().is_some_and(|loaded| loaded.progress > Progress::START);
        if begun && self.is_held_otherwise() {
            self.memory.sheet += 1;
            self.chart_sheet(at, out);
            self.keep_memory(at, out);
        }
    }

    pub(super) fn stored(&mut self, at: Moment, seq: Seq) {
        self.acked = self.acked.max(seq);
        if self.degraded.contains_key("not-saving") {
            self.restore_from("not-saving");
            self.roll.set(Tag::NotSaving, at.steady, false);
        }
    }

    pub(super) fn store_trouble(&mut self, at: Moment, text: &str, out: &mut Vec<Action>) {
        if !self.degraded.contains_key("not-saving") {
            self.degrade(at, "not-saving");
            self.roll.set(Tag::NotSaving, at.steady, true);
            self.keep_entry(at, "store-trouble", &text, out);
        }
    }

    pub(super) fn clock_stepped(&mut self, at: Moment, nanos: i64, out: &mut Vec<Action>) {
        self.degraded.insert("clock-stepped".to_owned(), at);
        self.changed = true;
        self.keep_entry(at, "clock-step", &(nanos / 1000), out);
    }

    pub(super) fn forget_clock_step(&mut self, at: Moment) {
        let old = self.degraded.get("clock-stepped").and_then(|since| at.since(*since));
        if old.is_some_and(|age| age > CLOCK_STEP_SHOWN) {
            self.restore_from("clock-stepped");
        }
    }
}
