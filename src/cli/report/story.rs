//! What a journal tells of a board: its sheets, its care, its alarms, in order.

use std::collections::BTreeMap;

use anyhow::Result;
use serde::Deserialize;

use crate::alarm::{Move, State, Tag};
use crate::board::{BoardLife, BoardSettings, Trace};
use crate::daemon::entries;
use crate::event::{Actor, Answer, Command, Outcome};
use crate::journal::{KeptEntry, Where, Window};
use crate::moment::{Moment, Utc};
use crate::watch::{Cause, Seated};

/// A sheet as it was kept.
#[derive(Clone, Debug)]
pub(in crate::cli) struct SheetRow {
    pub(super) at: Moment,
    pub(super) number: u64,
    pub(super) card: Option<String>,
    pub(in crate::cli) level_pa: Option<f64>,
    pub(super) leak_index: Option<f64>,
    pub(in crate::cli) least_margin: Option<f64>,
    pub(super) outcome: Option<Outcome>,
    pub(super) part: Option<String>,
}

/// Something done for the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum CareDone {
    Skimmed,
    Sealed,
}

/// When it was done, and after how much.
#[derive(Clone, Copy, Debug)]
pub(super) struct CareRow {
    pub(super) at: Moment,
    pub(super) done: CareDone,
    /// Sheets that had seated and were compared before it.
    pub(super) seated_before: usize,
    /// Sheets that had ended before it.
    pub(super) ended_before: usize,
}

/// An alarm that came up.
#[derive(Clone, Copy, Debug)]
pub(super) struct AlarmRow {
    pub(super) at: Moment,
    pub(super) tag: Tag,
    pub(super) cause: Option<Cause>,
}

/// What a journal tells.
#[derive(Debug)]
pub(in crate::cli) struct Story {
    pub(in crate::cli) sheets: Vec<SheetRow>,
    pub(super) care: Vec<CareRow>,
    pub(super) alarms: Vec<AlarmRow>,
    /// The leak index of each seated sheet that has one.
    pub(super) indices: Vec<(f64, f64)>,
    /// The board's life as they make it.
    pub(super) board: BoardLife,
    pub(super) settings: BoardSettings,
}

/// A sheet that has ended, in the form in which it is kept; later keys are passed over.
#[derive(Deserialize)]
struct Ended {
    sheet: u64,
    card: Option<String>,
    seated_pa: Option<f64>,
    leak_index: Option<f64>,
    least_margin: Option<f64>,
    outcome: Option<Outcome>,
    part: Option<String>,
}

/// The kinds of entries that tell of a board.
const KINDS: [&str; 5] = ["seated", "sheet", "outcome", "command", "alarm"];

impl Story {
    pub(in crate::cli) fn read(place: &Where, window: Window) -> Result<Self> {
        let mut kept: Vec<KeptEntry> = Vec::new();
        for kind in KINDS {
            kept.extend(entries(place, kind, window)?);
        }
        kept.sort_by_key(|entry| entry.seq);
        Ok(Story::of(&kept))
    }

    fn of(kept: &[KeptEntry]) -> Self {
        let settings = BoardSettings::default();
        let mut story = Story {
            sheets: Vec::new(),
            care: Vec::new(),
            alarms: Vec::new(),
            indices: Vec::new(),
            board: BoardLife::new(settings),
            settings,
        };
        let mut places: BTreeMap<u64, usize> = BTreeMap::new();
        for entry in kept {
            story.take(entry, &mut places);
        }
        story
    }

    /// An entry that cannot be read, one of an earlier form say, is passed over: the rest is worth more than nothing.
    fn take(&mut self, entry: &KeptEntry, places: &mut BTreeMap<u64, usize>) {
        match entry.kind.as_str() {
            "seated" => {
                if let Ok((_, seated)) = serde_json::from_str::<(u64, Seated)>(&entry.body) {
                    self.seat(entry.at, &seated);
                }
            }
            "sheet" | "outcome" => {
                if let Ok(ended) = serde_json::from_str::<Ended>(&entry.body) {
                    self.end(entry.at, ended, places);
                }
            }
            "command" => {
                if let Ok((_, command, Answer::Done)) = serde_json::from_str::<(Actor, Command, Answer)>(&entry.body) {
                    self.obey(entry.at, &command);
                }
            }
            "alarm" => {
                if let Ok((step, cause)) = serde_json::from_str::<(Move, Option<Cause>)>(&entry.body)
                    && step.from == State::Normal
                    && !step.to.is_set_aside()
                {
                    self.alarms.push(AlarmRow { at: entry.at, tag: step.tag, cause });
                }
            }
            _ => {}
        }
    }

    fn seat(&mut self, at: Moment, seated: &Seated) {
        let Some((leak_index, spread)) = seated.leak_index() else { return };
        self.board.seated(Trace { at: at.steady, leak_index, spread });
        self.indices.push((self.indices.len() as f64 + 1.0, leak_index));
    }

    fn end(&mut self, at: Moment, ended: Ended, places: &mut BTreeMap<u64, usize>) {
        let row = SheetRow {
            at,
            number: ended.sheet,
            card: ended.card,
            level_pa: ended.seated_pa,
            leak_index: ended.leak_index,
            least_margin: ended.least_margin,
            outcome: ended.outcome,
            part: ended.part,
        };
        // What somebody says of a sheet comes after its end, under the same number.
        match places.get(&row.number) {
            Some(place) if row.outcome.is_some() => {
                self.sheets[*place] = SheetRow { at: self.sheets[*place].at, ..row }
            }
            Some(_) | None => {
                places.insert(row.number, self.sheets.len());
                self.sheets.push(row);
            }
        }
    }

    fn obey(&mut self, at: Moment, command: &Command) {
        let done = if *command == Command::Skimmed {
            CareDone::Skimmed
        } else if *command == Command::Sealed {
            CareDone::Sealed
        } else {
            return;
        };
        match done {
            CareDone::Skimmed => self.board.skimmed(at.steady),
            CareDone::Sealed => self.board.sealed(at.steady),
        }
        let (seated_before, ended_before) = (self.indices.len(), self.sheets.len());
        self.care.push(CareRow { at, done, seated_before, ended_before });
    }

    /// Sheets that came out so.
    pub(super) fn outcomes(&self, outcome: Outcome) -> usize {
        self.sheets.iter().filter(|sheet| sheet.outcome == Some(outcome)).count()
    }

    /// Sheets a day, from the first to the last that has a calendar time; none if that is less than a day.
    pub(super) fn sheets_a_day(&self) -> Option<f64> {
        let times: Vec<i64> = self.sheets.iter().filter_map(|sheet| sheet.at.civil).map(Utc::micros).collect();
        let days = (times.last()? - times.first()?) as f64 / 86_400e6;
        (days >= 1.0).then(|| times.len() as f64 / days)
    }
}

/// A time as a person reads it: to the minute in UTC, or since the computer's start.
pub(super) fn time(at: Moment) -> String {
    at.civil.map_or_else(
        || format!("{} min after the computer's start", at.steady.nanos() / 60_000_000_000),
        |civil| civil.rfc3339().chars().take(16).collect::<String>().replace('T', " "),
    )
}

pub(super) fn outcome_word(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Good => "good",
        Outcome::Moved => "moved",
        Outcome::Lost => "lost a part",
        Outcome::Chatter => "chattered",
    }
}
