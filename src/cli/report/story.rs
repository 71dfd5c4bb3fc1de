//! What a journal tells of a board: its sheets, its care, its alarms, in order.

use std::collections::BTreeMap;

use anyhow::Result;
use serde::Deserialize;

use crate::alarm::{Move, State, Tag};
use crate::board::causes::{Lie, SheetLeak};
use crate::board::{BoardLife, BoardSettings, Book, Deed, SheetEnd, Terms, Told, Trace};
use crate::cli::forecast::open_zones;
use crate::daemon::{entries, last_entry};
use crate::event::{Actor, Answer, Command, Outcome};
use crate::job::{Card, Cut, Progress};
use crate::journal::{KeptEntry, Where, Window};
use crate::minder::Memory;
use crate::moment::{Moment, Utc};
use crate::setup::Setup;
use crate::units::Length;
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
    /// The leak index's standard error.
    pub(super) leak_error: Option<f64>,
    /// How far into the board was cut, in metres of path, as far as it is known.
    pub(super) cut_m: Option<f64>,
}

/// When it was done, and after how much.
#[derive(Clone, Copy, Debug)]
pub(super) struct CareRow {
    pub(super) at: Moment,
    pub(super) done: Deed,
    /// Sheets that had seated and were compared before it.
    pub(super) seated_before: usize,
}

/// An alarm that called; one that called again is there again, as in [`Load`](crate::alarm::Load).
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
    /// The sheets that seated and were compared, by their numbers.
    pub(super) seated: Vec<(u64, Seated)>,
    /// The leak index of each of them.
    pub(super) indices: Vec<(f64, f64)>,
    /// The board's life as they make it.
    pub(super) board: BoardLife,
    /// Where it was cut and what its sheets leaked, as far as the setup's cards tell.
    pub(super) book: Book,
    pub(super) settings: BoardSettings,
    terms: Terms,
    /// Sheets that seated and have not ended.
    lying: BTreeMap<u64, Seated>,
    /// How far each was cut, as kept.
    cuts: BTreeMap<u64, Charted>,
}

/// The table and its cards, if a setup tells them.
pub(in crate::cli) struct Ground<'a> {
    pub(in crate::cli) setup: &'a Setup,
    pub(in crate::cli) cards: &'a [Card],
    /// How deep the cutter goes into the board.
    pub(in crate::cli) depth: Length,
}

/// What a sheet did to the board, in the form in which it is kept; later keys are passed over.
#[derive(Clone, Copy, Debug, Deserialize)]
struct Charted {
    sheet: u64,
    cut_m: f64,
    charted: bool,
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
const KINDS: [&str; 6] = ["seated", "board-cut", "sheet", "outcome", "command", "alarm"];

impl Story {
    pub(in crate::cli) fn read(place: &Where, window: Window, ground: Option<&Ground>) -> Result<Self> {
        let mut kept: Vec<KeptEntry> = Vec::new();
        for kind in KINDS {
            kept.extend(entries(place, kind, window)?);
        }
        kept.sort_by_key(|entry| entry.seq);
        let mut story = Story::of(&kept, ground);
        let memory = last_entry(place, "memory")?.and_then(|entry| Memory::from_record(&entry.body).ok());
        if let Some(memory) = memory {
            story.book.take_pump_of(memory.book());
        }
        Ok(story)
    }

    fn of(kept: &[KeptEntry], ground: Option<&Ground>) -> Self {
        let terms = ground.map(|ground| ground.setup.terms).unwrap_or_default();
        let mut book = Book::default();
        ground.into_iter().for_each(|ground| book.open(&ground.setup.table.board));
        let mut story = Story {
            sheets: Vec::new(),
            care: Vec::new(),
            alarms: Vec::new(),
            seated: Vec::new(),
            indices: Vec::new(),
            board: BoardLife::new(terms.settings()),
            book,
            settings: terms.settings(),
            terms,
            lying: BTreeMap::new(),
            cuts: BTreeMap::new(),
        };
        let mut places: BTreeMap<u64, usize> = BTreeMap::new();
        for entry in kept {
            story.take(entry, &mut places, ground);
        }
        story
    }

    /// An entry that cannot be read, one of an earlier form say, is passed over: the rest is worth more than nothing.
    fn take(&mut self, entry: &KeptEntry, places: &mut BTreeMap<u64, usize>, ground: Option<&Ground>) {
        match entry.kind.as_str() {
            "seated" => {
                if let Ok((sheet, seated)) = serde_json::from_str::<(u64, Seated)>(&entry.body) {
                    self.seat(entry.at, sheet, seated);
                }
            }
            "board-cut" => {
                if let Ok(cut) = serde_json::from_str::<Charted>(&entry.body) {
                    self.cuts.insert(cut.sheet, cut);
                }
            }
            "sheet" | "outcome" => {
                if let Ok(ended) = serde_json::from_str::<Ended>(&entry.body) {
                    self.end(entry.at, ended, places, ground);
                }
            }
            "command" => {
                if let Ok((_, command, Answer::Done)) = serde_json::from_str::<(Actor, Command, Answer)>(&entry.body) {
                    self.obey(entry.at, &command);
                }
            }
            "alarm" => {
                if let Ok((step, cause)) = serde_json::from_str::<(Move, Option<Cause>)>(&entry.body)
                    && step.to == State::Unacknowledged
                {
                    self.alarms.push(AlarmRow { at: entry.at, tag: step.tag, cause });
                }
            }
            _ => {}
        }
    }

    fn seat(&mut self, at: Moment, sheet: u64, seated: Seated) {
        let Some((leak_index, spread)) = seated.leak_index() else { return };
        self.board.seated(Trace { at: at.steady, leak_index, spread });
        self.lying.insert(sheet, seated);
        self.seated.push((sheet, seated));
        self.indices.push((self.indices.len() as f64 + 1.0, leak_index));
    }

    fn end(&mut self, at: Moment, ended: Ended, places: &mut BTreeMap<u64, usize>, ground: Option<&Ground>) {
        let seated = self.lying.remove(&ended.sheet);
        let row = SheetRow {
            at,
            number: ended.sheet,
            card: ended.card,
            level_pa: ended.seated_pa,
            leak_index: ended.leak_index,
            leak_error: seated.as_ref().and_then(|seated| Some(seated.leak_index()?.1)),
            cut_m: None,
            least_margin: ended.least_margin,
            outcome: ended.outcome,
            part: ended.part,
        };
        // What somebody says of a sheet comes after its end, under the same number.
        if let Some(place) = places.get(&row.number).filter(|_| row.outcome.is_some()) {
            let before = &mut self.sheets[*place];
            (before.outcome, before.part) = (row.outcome, row.part);
            return;
        }
        places.insert(row.number, self.sheets.len());
        let cut_m = self.book_sheet(&row, seated, ground);
        self.sheets.push(SheetRow { cut_m, ..row });
    }

    /// Books what a sheet leaked and where it was cut; how far that was, if its card is still there.
    fn book_sheet(&mut self, row: &SheetRow, seated: Option<Seated>, ground: Option<&Ground>) -> Option<f64> {
        let card = ground.and_then(|ground| {
            let card = ground.cards.iter().find(|card| Some(&card.name) == row.card.as_ref())?;
            Some((ground, card))
        });
        if let Some(seated) = seated
            && let Some((leak_index, spread)) = seated.leak_index()
        {
            let leak = card.and_then(|(ground, card)| leak(&seated, ground.setup, card));
            self.book.seated(Trace { at: seated.at, leak_index, spread }, seated.level, leak);
        }
        let told = self.cuts.remove(&row.number);
        let before = self.book.cut_so_far();
        if let Some((ground, card)) = card {
            let cut = Cut::of(card);
            let whole = cut.length().metres();
            let share = told.map_or(1.0, |told| if whole > 0.0 { told.cut_m / whole } else { 0.0 });
            let kerfs = cut.load(Progress::from_fraction(share)).kerfs;
            self.book.cut(&kerfs, card.depth_into_board().unwrap_or(ground.depth));
        }
        let charted = card.is_some() || told.is_some_and(|told| told.charted && told.cut_m <= 0.0);
        let parts = card.map(|(_, card)| card.parts.len()).filter(|parts| *parts > 0);
        self.book.ended(SheetEnd { at: row.at.civil, margin: row.least_margin, parts, charted });
        told.map(|told| told.cut_m).or(card.map(|_| (self.book.cut_so_far() - before).metres()))
    }

    fn obey(&mut self, at: Moment, command: &Command) {
        let (deed, depth, ago) = match command {
            Command::Skimmed => (Deed::Skimmed, None, 0),
            Command::Sealed => (Deed::Sealed, None, 0),
            Command::Board(Told::Did(deed, depth)) => (*deed, *depth, 0),
            Command::Board(Told::JumpWas(Some(deed))) => {
                (*deed, None, self.board.jump().map_or(0, |jump| jump.sheets_ago))
            }
            Command::Board(Told::JumpWas(None)) => return self.board.jump_was_nothing(),
            _ => return,
        };
        self.board.did_before(deed, ago);
        self.book.did(deed, depth, &self.terms, ago);
        let seated_before = self.indices.len().saturating_sub(usize::try_from(ago).unwrap_or(usize::MAX));
        self.care.push(CareRow { at, done: deed, seated_before });
    }

    /// What stood behind the alarms, with the alarm, and how often; the most frequent first.
    pub(super) fn causes(&self) -> Vec<(Option<Cause>, Tag, usize)> {
        let mut counts: Vec<(Option<Cause>, Tag, usize)> = Vec::new();
        for alarm in &self.alarms {
            match counts.iter_mut().find(|(cause, tag, _)| (*cause, *tag) == (alarm.cause, alarm.tag)) {
                Some((.., count)) => *count += 1,
                None => counts.push((alarm.cause, alarm.tag, 1)),
            }
        }
        // What is as frequent stands in the order of the alarms, then as it first came.
        counts.sort_by_key(|(_, tag, count)| (std::cmp::Reverse(*count), *tag));
        counts
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

/// What a sheet leaked and how it lay, by its card.
fn leak(seated: &Seated, setup: &Setup, card: &Card) -> Option<SheetLeak> {
    let lie = Lie::of(&setup.table, open_zones(setup, card).ok()?, &card.sheet.rect);
    SheetLeak::by_flows(&setup.table, seated.level, seated.expected_flow?, seated.extra_leak?, lie)
}

pub(super) fn deed_word(deed: Deed) -> &'static str {
    match deed {
        Deed::Skimmed => "skimmed",
        Deed::Sealed => "sealed",
        Deed::FilterChanged => "filter changed",
        Deed::BoardChanged => "board changed",
        Deed::PumpServiced => "pump serviced",
    }
}
