//! The morning's check: what is looked at, a level that is compared with the mornings before, and the lamps.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::Minder;
use super::guided::{Aim, is_shut};
use super::survey::Standing;
use crate::event::{Action, Answer, CheckItem, CheckOrder, Reference};
use crate::moment::{Moment, Utc};
use crate::stats::{median, robust_deviation};
use crate::table::ZoneSet;
use crate::units::{Length, Vacuum};
use crate::view::{CheckItemView, CheckView, Compared, MeasuredView, PastCheckView, ReferenceView};

/// Mornings that are kept.
const MOST_BEFORE: usize = 60;
/// Mornings that a level is compared with.
const COMPARED_WITH: usize = 10;
/// Mornings that are shown.
const SHOWN: usize = 7;
/// How far a level may be from its usual one: a share of it for the weather, which moves the room's pressure and with it every level by
/// some 3 %; pascals for the gauge; robust deviations of the mornings before. A choice of ours.
const LIMIT: (f64, f64, f64) = (0.04, 1000.0, 3.0);
/// The hole that is offered, in tenths of a millimetre.
const USUAL_HOLE: u16 = 120;

/// A level as measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Measured {
    reference: Reference,
    level: Vacuum,
    spread: Vacuum,
    usual: Option<Vacuum>,
    limit: Option<Vacuum>,
    backwards: bool,
}

/// A check.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct CheckRun {
    began: Moment,
    marks: BTreeMap<CheckItem, bool>,
    measured: Option<Measured>,
    /// Seconds that it took, once it is done.
    took_s: Option<f64>,
}

/// The check that is under way or was done last, and those before it, the oldest first.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct CheckLog {
    running: bool,
    now: Option<CheckRun>,
    before: Vec<CheckRun>,
}

impl CheckLog {
    /// The log that a `check` record holds.
    ///
    /// # Errors
    /// The text of what is wrong with it.
    pub fn from_record(body: &str) -> Result<Self, String> {
        serde_json::from_str(body).map_err(|error| error.to_string())
    }

    /// Every morning that it holds, the oldest first.
    pub fn mornings(&self) -> Vec<Morning> {
        self.before.iter().chain(self.now.as_ref()).map(CheckRun::morning).collect()
    }

    pub(super) fn is_running(&self) -> bool {
        self.running
    }

    pub(super) fn has_begun(&self) -> bool {
        self.now.is_some()
    }

    /// Those before turn out to be these.
    pub(super) fn come_after(&mut self, mut earlier: CheckLog) {
        if !self.has_begun() {
            *self = earlier;
            return;
        }
        earlier.before.extend(earlier.now);
        earlier.before.append(&mut self.before);
        self.before = earlier.before;
        self.drop_oldest();
    }

    fn drop_oldest(&mut self) {
        self.before.drain(..self.before.len().saturating_sub(MOST_BEFORE));
    }

    /// The levels of a reference on the mornings before, the newest first.
    fn levels(&self, of: &Reference) -> Vec<f64> {
        let each = self.before.iter().rev().filter_map(|run| run.measured.as_ref());
        let same = each.filter(|measured| measured.reference == *of && !measured.backwards);
        same.take(COMPARED_WITH).map(|measured| measured.level.pascals()).collect()
    }

    fn measure(&self, reference: Reference, standing: Standing) -> Measured {
        let levels = self.levels(&reference);
        let usual = median(&levels);
        let scatter = if levels.len() > 2 { robust_deviation(&levels).unwrap_or(0.0) } else { 0.0 };
        let limit = usual.map(|usual| (LIMIT.0 * usual.abs()).max(LIMIT.1).max(LIMIT.2 * scatter));
        Measured {
            reference,
            level: standing.level,
            spread: standing.spread,
            usual: usual.map(Vacuum::from_pascals),
            limit: limit.map(Vacuum::from_pascals),
            backwards: standing.level < Vacuum::ZERO,
        }
    }
}

impl Measured {
    fn compared(&self) -> Compared {
        match (self.usual, self.limit) {
            (Some(usual), Some(limit)) if self.level < usual - limit => Compared::Lower,
            (Some(usual), Some(limit)) if self.level > usual + limit => Compared::Higher,
            (Some(_), Some(_)) => Compared::Same,
            (_, _) if self.backwards => Compared::Lower,
            (_, _) => Compared::First,
        }
    }

    fn fine(&self) -> bool {
        match self.compared() {
            Compared::First | Compared::Same => !self.backwards,
            Compared::Lower | Compared::Higher => false,
        }
    }
}

/// A morning's check as a report tells it.
#[derive(Clone, Debug, PartialEq)]
pub struct Morning {
    /// When it began.
    pub at: Moment,
    /// Whether the board was free of chips, if somebody looked.
    pub chips: Option<bool>,
    /// Whether the filter's lid was shut, if somebody looked.
    pub filter_lid: Option<bool>,
    /// Whether every lamp was lit, if somebody looked.
    pub lamps: Option<bool>,
    /// What was measured; empty for nothing.
    pub reference: String,
    /// Its level in pascals of vacuum.
    pub level_pa: Option<f64>,
    /// The median of the mornings before.
    pub usual_pa: Option<f64>,
    /// Whether it was as before, or there was nothing before.
    pub as_before: bool,
    /// Whether there was pressure in the place of suction.
    pub backwards: bool,
}

impl Morning {
    /// Whether nothing was found wrong.
    pub fn is_fine(&self) -> bool {
        let looked = [self.chips, self.filter_lid, self.lamps].iter().all(|fine| *fine != Some(false));
        looked && self.as_before && !self.backwards
    }
}

impl CheckRun {
    fn morning(&self) -> Morning {
        let mark = |item| self.marks.get(&item).copied();
        let measured = self.measured.as_ref();
        let reference = measured.map(|measured| match &measured.reference {
            Reference::Hole { tenths } => format!("hole of {:.1} mm", f64::from(*tenths) / 10.0),
            Reference::BareZone { zone } => format!("zone {zone} alone and bare"),
            Reference::BareTable => "bare table".to_owned(),
        });
        Morning {
            at: self.began,
            chips: mark(CheckItem::Chips),
            filter_lid: mark(CheckItem::FilterLid),
            lamps: mark(CheckItem::Lamps),
            reference: reference.unwrap_or_default(),
            level_pa: measured.map(|measured| measured.level.pascals()),
            usual_pa: measured.and_then(|measured| measured.usual).map(Vacuum::pascals),
            as_before: measured.is_none_or(Measured::fine),
            backwards: measured.is_some_and(|measured| measured.backwards),
        }
    }

    fn fine(&self) -> bool {
        self.marks.values().all(|fine| *fine) && self.measured.as_ref().is_none_or(Measured::fine)
    }

    fn whole(&self) -> bool {
        CheckItem::ALL.iter().all(|item| self.marks.contains_key(item)) && self.measured.is_some()
    }
}

fn refused(key: &str) -> Answer {
    Answer::Refused(key.to_owned())
}

impl Minder {
    pub(super) fn obey_check(&mut self, at: Moment, order: CheckOrder, out: &mut Vec<Action>) -> Answer {
        let answer = match order {
            CheckOrder::Start => self.start_check(at),
            _ if !self.guided.check.running => refused("no-check"),
            CheckOrder::Mark { item, fine } => {
                if let Some(run) = &mut self.guided.check.now {
                    run.marks.insert(item, fine);
                }
                Answer::Done
            }
            CheckOrder::Measure(reference) => self.measure_reference(at, reference),
            CheckOrder::Stop => {
                self.guided.measuring = None;
                self.guided.give_air();
                Answer::Done
            }
            CheckOrder::Finish => self.finish_check(at),
        };
        if answer == Answer::Done {
            self.guided.touch(at.steady);
            self.keep_check(at, out);
        }
        answer
    }

    /// The whole log is kept each time: the last record says what the mornings before were.
    pub(super) fn keep_check(&mut self, at: Moment, out: &mut Vec<Action>) {
        let log = self.guided.check.clone();
        self.keep_for_next_start(at, "check", &log, out);
        self.revise_guided();
    }

    fn start_check(&mut self, at: Moment) -> Answer {
        if self.guided.running().is_some() {
            return refused("a-run-is-under-way");
        }
        if self.cutting == Some(true) {
            return refused("cutting");
        }
        let log = &mut self.guided.check;
        log.before.extend(log.now.take());
        log.drop_oldest();
        log.now = Some(CheckRun { began: at, marks: BTreeMap::new(), measured: None, took_s: None });
        log.running = true;
        Answer::Done
    }

    fn measure_reference(&mut self, at: Moment, reference: Reference) -> Answer {
        if self.cutting == Some(true) {
            return refused("cutting");
        }
        let zones = &self.setup.table.plenum.zones;
        let (open, hole) = match &reference {
            Reference::Hole { tenths } => (ZoneSet::EMPTY, Length::from_millimetres(f64::from(*tenths) / 10.0)),
            Reference::BareTable => (ZoneSet::first(zones.len()), Length::ZERO),
            Reference::BareZone { zone } => {
                let known = || zones.iter().map(|zone| zone.name.clone()).collect();
                match self.zones_named(std::slice::from_ref(zone)) {
                    Ok(open) => (open, Length::ZERO),
                    Err(_) => return Answer::Unknown { name: zone.clone(), known: known() },
                }
            }
        };
        let place = self.level_place();
        self.guided.begin(at.steady, Aim::Check(reference), place, is_shut(open, hole));
        Answer::Done
    }

    /// A level has settled.
    pub(super) fn take_reference(
        &mut self,
        at: Moment,
        reference: Reference,
        standing: Standing,
        out: &mut Vec<Action>,
    ) {
        let measured = self.guided.check.measure(reference, standing);
        if let Some(run) = &mut self.guided.check.now {
            run.measured = Some(measured);
        }
        self.keep_check(at, out);
    }

    fn finish_check(&mut self, at: Moment) -> Answer {
        self.guided.measuring = None;
        self.guided.give_air();
        let log = &mut self.guided.check;
        log.running = false;
        if let Some(run) = &mut log.now {
            run.took_s = at.since(run.began).map(crate::moment::Span::secs_f64);
        }
        Answer::Done
    }

    pub(super) fn check_view(&self) -> CheckView {
        let log = &self.guided.check;
        let run = log.now.as_ref();
        let item = |item: CheckItem| CheckItemView {
            item: item_word(item).to_owned(),
            fine: run.and_then(|run| run.marks.get(&item).copied()),
        };
        let measured = run.and_then(|run| run.measured.as_ref()).map(|measured| MeasuredView {
            reference: self.reference_view(&measured.reference),
            level_pa: measured.level.pascals(),
            spread_pa: measured.spread.pascals(),
            usual_pa: measured.usual.map(Vacuum::pascals),
            limit_pa: measured.limit.map(Vacuum::pascals),
            compared: measured.compared(),
        });
        let past = |run: &CheckRun| PastCheckView {
            at: run.began.civil.map(Utc::rfc3339),
            fine: run.fine(),
            whole: run.whole(),
            level_pa: run.measured.as_ref().map(|measured| measured.level.pascals()),
        };
        CheckView {
            revision: self.guided.revision(),
            running: log.running,
            began: run.and_then(|run| run.began.civil).map(Utc::rfc3339),
            took_s: run.and_then(|run| run.took_s),
            items: CheckItem::ALL.map(item).to_vec(),
            references: self.references(),
            measured,
            before: log.before.iter().rev().take(SHOWN).map(past).collect(),
        }
    }

    /// What can be measured, what was measured last first.
    fn references(&self) -> Vec<ReferenceView> {
        let last = self.guided.check.before.iter().rev().filter_map(|run| run.measured.as_ref());
        let mut found: Vec<Reference> = last.map(|measured| measured.reference.clone()).take(1).collect();
        let zones = self.setup.table.plenum.zones.iter();
        let single = zones.filter(|_| self.setup.table.plenum.zones.len() > 1);
        let hole = Reference::Hole { tenths: USUAL_HOLE };
        let all = [Reference::BareTable, hole].into_iter();
        for reference in all.chain(single.map(|zone| Reference::BareZone { zone: zone.name.clone() })) {
            if !found.contains(&reference) {
                found.push(reference);
            }
        }
        found.iter().map(|reference| self.reference_view(reference)).collect()
    }

    fn reference_view(&self, reference: &Reference) -> ReferenceView {
        let times = self.guided.check.levels(reference).len();
        let view = |kind: &str| ReferenceView { kind: kind.to_owned(), hole_mm: None, zone: None, times };
        match reference {
            Reference::Hole { tenths } => ReferenceView { hole_mm: Some(f64::from(*tenths) / 10.0), ..view("hole") },
            Reference::BareZone { zone } => ReferenceView { zone: Some(zone.clone()), ..view("bare-zone") },
            Reference::BareTable => view("bare-table"),
        }
    }
}

const fn item_word(item: CheckItem) -> &'static str {
    match item {
        CheckItem::Chips => "chips",
        CheckItem::FilterLid => "filter-lid",
        CheckItem::Lamps => "lamps",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::{BootId, Steady};

    fn log(levels: &[f64]) -> CheckLog {
        let began = Moment { boot: BootId(1), steady: Steady::from_nanos(1), civil: None, synced: false };
        let mut log = CheckLog::default();
        for level in levels {
            let measured = log.measure(Reference::BareTable, standing(*level));
            let run = CheckRun { began, marks: BTreeMap::new(), measured: Some(measured), took_s: None };
            log.before.push(run);
        }
        log
    }

    fn standing(kpa: f64) -> Standing {
        let pascals = |kpa: f64| Vacuum::from_pascals(kpa * 1e3);
        Standing { level: pascals(kpa), spread: pascals(0.1), wander: Vacuum::ZERO, share: 1.0, settled: true }
    }

    fn compared(levels: &[f64], now: f64) -> Compared {
        log(levels).measure(Reference::BareTable, standing(now)).compared()
    }

    #[test]
    fn a_level_is_compared_with_the_mornings_before_within_what_weather_and_gauge_allow() {
        assert_eq!(compared(&[], 30.0), Compared::First);
        // 4 % of 30 kPa are 1.2 kPa.
        assert_eq!(compared(&[30.0], 28.9), Compared::Same);
        assert_eq!(compared(&[30.0], 28.7), Compared::Lower);
        assert_eq!(compared(&[30.0], 31.3), Compared::Higher);
        // A kilopascal is the least.
        assert_eq!(compared(&[10.0], 9.1), Compared::Same);
        assert_eq!(compared(&[10.0], 8.9), Compared::Lower);
        // One bad morning moves the median of five by nothing.
        assert_eq!(compared(&[30.0, 30.1, 12.0, 30.0, 29.9], 30.2), Compared::Same);
    }

    #[test]
    fn pressure_above_the_room_is_never_fine_and_never_what_later_mornings_are_compared_with() {
        let turned = log(&[]).measure(Reference::BareTable, standing(-4.0));
        assert!(turned.backwards && !turned.fine());
        assert_eq!(compared(&[-4.0], 30.0), Compared::First);
    }

    #[test]
    fn other_references_are_no_comparison() {
        let hole = Reference::Hole { tenths: 120 };
        assert_eq!(log(&[30.0]).measure(hole, standing(50.0)).compared(), Compared::First);
    }
}
