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
use crate::units::{FreeAirFlow, Vacuum};
use crate::watch::{Assessment, Cause, Seated};

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
    /// The zones over which a sheet seated that leaks as one that does not lie flat, while it may yet come to; the board's book waits.
    #[serde(default)]
    pub(super) not_flat: Option<ZoneSet>,
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
            not_flat: None,
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
            self.memory.not_flat = None;
            self.changed = true;
        }
        if let Some(seated) = assessment.seated {
            self.learn(at, seated, assessment.cause, out);
        } else if self.lies_flat_after_all(assessment) {
            self.take_leak_back(at, out);
        }
        if assessment.sheet_ended {
            self.end_sheet(at, out);
        }
    }

    fn learn(&mut self, at: Moment, seated: Seated, cause: Option<Cause>, out: &mut Vec<Action>) {
        self.seated = Some(seated);
        self.keep_entry(at, "seated", &(self.memory.sheet, seated), out);
        self.memory.not_flat = None;
        if let Some((leak_index, spread)) = seated.leak_index() {
            // A worn face leaks to the end of the sheet, one that does not lie flat perhaps not: which it was shows later.
            if cause == Some(Cause::SheetNotSeated) && leak_index > 1.0 {
                self.memory.not_flat = Some(self.open);
            } else {
                self.note_leak(at, &seated, Trace { at: at.steady, leak_index, spread });
            }
            self.keep_memory(at, out);
        }
        self.changed = true;
    }

    /// Whether a sheet that did not seem to lie flat does so now: the level is no longer low, though the leak that it seated with would
    /// still show if it were there. The further the cut is, the greater a leak must be to show; one that no longer would is not judged.
    fn lies_flat_after_all(&self, assessment: &Assessment) -> bool {
        let Some(seated) = self.seated.filter(|_| self.memory.not_flat.is_some()) else { return false };
        let is_low = assessment.cause.is_some_and(|cause| cause != Cause::WeakPart);
        let (Some((basis, _)), Some((then, _)), Some(now)) =
            (seated.expected, seated.extra_leak, assessment.extra_leak)
        else {
            return false;
        };
        !is_low
            && self.held_against().is_some_and(|compared| {
                let visible = compared.expected.smallest_visible_leak;
                compared.basis == basis && visible > FreeAirFlow::ZERO && now + visible <= then
            })
    }

    /// The leak that the sheet seated with was not the board's, and is kept without one.
    fn take_leak_back(&mut self, at: Moment, out: &mut Vec<Action>) {
        self.memory.not_flat = None;
        if let Some(seated) = &mut self.seated {
            seated.extra_leak = None;
            let kept = (self.memory.sheet, *seated);
            self.keep_entry(at, "seated", &kept, out);
        }
        self.changed = true;
    }

    /// The sheet never came to lie flat: what it leaked may well be the board's.
    fn note_leak_that_stayed(&mut self, at: Moment) {
        let (Some(zones), Some(seated)) = (self.memory.not_flat.take(), self.seated) else { return };
        if let Some((leak_index, spread)) = seated.leak_index() {
            // It lay over the zones that were open then.
            let open = std::mem::replace(&mut self.open, zones);
            self.note_leak(at, &seated, Trace { at: seated.at, leak_index, spread });
            self.open = open;
        }
    }

    pub(super) fn end_sheet(&mut self, at: Moment, out: &mut Vec<Action>) {
        self.note_leak_that_stayed(at);
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
