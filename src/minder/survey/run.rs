//! A survey as it is kept: its steps, its readings, and which of them count.

use serde::{Deserialize, Serialize};

use crate::board::survey::{Cover, Finding, Friction, Place, Pull, Reading, Trial, friction};
use crate::moment::Moment;
use crate::table::{Table, ZoneId, ZoneSet};
use crate::units::{AbsolutePressure, Area, Force, Length, Vacuum};

/// What a step wants.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) enum What {
    /// The barometer, typed.
    Barometer,
    /// A level; `measured` unless a person reads and types it.
    Level {
        /// What is done to the table.
        trial: Trial,
        /// Whether gauges of the setup measure it.
        measured: bool,
    },
    /// A sheet dragged by a luggage scale, typed.
    Drag,
}

/// A step.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Step {
    pub(super) what: What,
    pub(super) skipped: bool,
    /// Whether it was proposed by what readings came to.
    pub(super) proposed: bool,
}

/// Why a reading does not count.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Aside {
    /// Somebody threw it out.
    Thrown,
    /// Another was taken in its place.
    Retaken,
    /// Two others of the same step agree, and it does not.
    Odd,
}

impl Aside {
    pub(super) const fn word(self) -> &'static str {
        match self {
            Aside::Thrown => "thrown",
            Aside::Retaken => "retaken",
            Aside::Odd => "odd",
        }
    }
}

/// What was read.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) enum Read {
    /// A level, its standard error, and the barometer if one had been read.
    Level { trial: Trial, level: Vacuum, spread: Vacuum, room: Option<AbsolutePressure> },
    /// The barometer.
    Room(AbsolutePressure),
    /// A pull at a level.
    Pull { pull: Force, area: Area, level: Vacuum },
}

/// A reading.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Taken {
    pub(super) step: u16,
    pub(super) at: Moment,
    pub(super) read: Read,
    pub(super) aside: Option<Aside>,
}

/// A survey.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SurveyRun {
    pub(super) began: Moment,
    pub(super) wanted: f64,
    pub(super) running: bool,
    pub(super) steps: Vec<Step>,
    pub(super) readings: Vec<Taken>,
    /// What the readings came to, with the number of each reading that it rests on.
    pub(super) finding: Option<(Vec<u16>, Finding)>,
}

/// The spread of a level that was typed, and of a difference over the filter: what a person reads off a dial.
pub(super) const TYPED_SPREAD: Vacuum = Vacuum::from_pascals(200.0);
/// The diameters of the holes that are asked for, in millimetres.
const HOLES: [f64; 3] = [6.0, 12.0, 20.0];
/// More readings than this are refused.
pub(super) const MOST_READINGS: usize = 200;
/// By how much two readings of a step may differ beyond their own errors, in pascals: what a film laid anew makes.
const SAME_AGAIN: f64 = 500.0;

/// Where the setup's gauges sit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Gauges {
    /// Where levels are read.
    pub(super) level: Place,
    /// Whether one sits on either side of the filter.
    pub(super) both_sides: bool,
}

impl SurveyRun {
    /// The survey that a `survey` record holds. Numbers of another version of the program are left out, and reckoned anew from the
    /// readings.
    ///
    /// # Errors
    /// The text of what is wrong with it.
    pub fn from_record(body: &str) -> Result<Self, String> {
        let whole = serde_json::from_str(body);
        whole.or_else(|error: serde_json::Error| {
            let mut kept: serde_json::Value = serde_json::from_str(body).map_err(|_| error.to_string())?;
            if let Some(finding) = kept.get_mut("finding") {
                *finding = serde_json::Value::Null;
            }
            serde_json::from_value(kept).map_err(|_| error.to_string())
        })
    }

    pub(super) fn begin(table: &Table, gauges: Gauges, wanted: f64, at: Moment) -> Self {
        let step = |what| Step { what, skipped: false, proposed: false };
        let level = |trial| step(What::Level { trial, measured: true });
        let zones = table.plenum.zones.len();
        let all = ZoneSet::first(zones);
        let plain = |cover, open| Trial { cover, open, hole: Length::ZERO, place: gauges.level };
        let single = |zone: usize| ZoneSet::EMPTY.with(ZoneId(u8::try_from(zone).unwrap_or(u8::MAX)));
        let hole = |mm: f64| Trial { hole: Length::from_millimetres(mm), ..plain(Cover::Film, ZoneSet::EMPTY) };
        let each = |cover| {
            let count = if zones > 1 { zones } else { 0 };
            (0..count).map(move |zone| (cover, single(zone)))
        };
        let mut steps = vec![step(What::Barometer), level(plain(Cover::Film, ZoneSet::EMPTY))];
        steps.extend(HOLES.map(|mm| level(hole(mm))));
        steps.push(level(plain(Cover::Film, all)));
        steps.extend(each(Cover::Film).map(|(cover, open)| level(plain(cover, open))));
        steps.push(level(plain(Cover::Bare, all)));
        let over_filter = Trial { place: Place::FilterDrop, ..plain(Cover::Bare, all) };
        steps.push(step(What::Level { trial: over_filter, measured: gauges.both_sides }));
        steps.extend(each(Cover::Bare).map(|(cover, open)| level(plain(cover, open))));
        steps.push(step(What::Drag));
        SurveyRun { began: at, wanted, running: true, steps, readings: Vec::new(), finding: None }
    }

    pub(super) fn step(&self, id: u16) -> Option<&Step> {
        self.steps.get(usize::from(id))
    }

    /// The readings of a step with their numbers.
    pub(super) fn of_step(&self, id: u16) -> impl Iterator<Item = (u16, &Taken)> {
        self.readings.iter().zip(0..).filter(move |(taken, _)| taken.step == id).map(|(taken, number)| (number, taken))
    }

    /// Those of a step that count.
    pub(super) fn counting(&self, id: u16) -> impl Iterator<Item = (u16, &Taken)> {
        self.of_step(id).filter(|(_, taken)| taken.aside.is_none())
    }

    /// The barometer as last read.
    pub(super) fn room(&self) -> Option<AbsolutePressure> {
        self.readings.iter().rev().filter(|taken| taken.aside.is_none()).find_map(|taken| match taken.read {
            Read::Room(room) => Some(room),
            Read::Level { .. } | Read::Pull { .. } => None,
        })
    }

    /// Adds a reading. Unless it is to stand `beside` the earlier ones of its step, they are set aside; of three that stand together,
    /// one that the other two contradict is.
    pub(super) fn add(&mut self, step: u16, at: Moment, read: Read, beside: bool) {
        if !beside {
            self.set_aside(step, Aside::Retaken);
        }
        if let Some(step) = self.steps.get_mut(usize::from(step)) {
            step.skipped = false;
        }
        self.readings.push(Taken { step, at, read, aside: None });
        if let Some(odd) = self.odd_one(step)
            && let Some(taken) = self.readings.get_mut(usize::from(odd))
        {
            taken.aside = Some(Aside::Odd);
        }
    }

    fn set_aside(&mut self, step: u16, why: Aside) {
        for taken in self.readings.iter_mut().filter(|taken| taken.step == step && taken.aside.is_none()) {
            taken.aside = Some(why);
        }
    }

    /// Of a step that was read three times or more, the reading that lies apart while the others agree.
    fn odd_one(&self, step: u16) -> Option<u16> {
        let levels: Vec<(u16, f64, f64)> = self.counting(step).filter_map(level_of).collect();
        if levels.len() < 3 {
            return None;
        }
        let agree = |(_, one, error): &(u16, f64, f64), (_, other, its): &(u16, f64, f64)| {
            (one - other).abs() <= same_within(*error, *its)
        };
        let apart = |place: &usize| {
            let rest: Vec<_> = levels.iter().enumerate().filter(|(other, _)| other != place).map(|(_, l)| l).collect();
            rest.iter().all(|other| !agree(&levels[*place], other))
                && rest.windows(2).all(|pair| agree(pair[0], pair[1]))
        };
        (0..levels.len()).find(apart).map(|place| levels[place].0)
    }

    /// Whether the readings of a step that count contradict each other: another is wanted.
    pub(super) fn contradicts(&self, step: u16) -> bool {
        let levels: Vec<(u16, f64, f64)> = self.counting(step).filter_map(level_of).collect();
        let pairs = levels.iter().flat_map(|one| levels.iter().map(move |other| (one, other)));
        pairs.into_iter().any(|((_, one, error), (_, other, its))| (one - other).abs() > same_within(*error, *its))
    }

    /// Whether a reading of a step should be taken once more.
    pub(super) fn wants_again(&self, step: u16) -> bool {
        self.contradicts(step) || self.counting(step).any(|(number, _)| self.stands_alone(number))
    }

    /// Whether the fit asks for a reading again.
    pub(super) fn stands_alone(&self, number: u16) -> bool {
        self.finding
            .as_ref()
            .is_some_and(|(of, finding)| finding.alone.iter().any(|place| of.get(*place) == Some(&number)))
    }

    /// The first step that is to be done: one to be read again, else one that is neither done nor left out.
    pub(super) fn next(&self) -> Option<u16> {
        let ids = || (0..).take(self.steps.len());
        let open = |id: &u16| self.step(*id).is_some_and(|step| !step.skipped) && self.counting(*id).next().is_none();
        ids().find(|id| self.wants_again(*id)).or_else(|| ids().find(open))
    }

    /// What is to be fitted: the levels that count, each with its number.
    pub(super) fn for_fit(&self, setup_room: AbsolutePressure) -> (Vec<u16>, Vec<Reading>) {
        // The barometer of the day holds for what was read before it, too.
        let first = self.readings.iter().filter(|taken| taken.aside.is_none()).find_map(|taken| match taken.read {
            Read::Room(room) => Some(room),
            Read::Level { .. } | Read::Pull { .. } => None,
        });
        let counts = self.readings.iter().zip(0..).filter(|(taken, _)| taken.aside.is_none());
        counts
            .filter_map(|(taken, number)| match taken.read {
                Read::Level { trial, level, spread, room } => {
                    let room = room.or(first).unwrap_or(setup_room);
                    Some((number, Reading { trial, level, spread, room }))
                }
                Read::Room(_) | Read::Pull { .. } => None,
            })
            .unzip()
    }

    /// The friction of the sheets that were dragged.
    pub(super) fn friction(&self) -> Option<Friction> {
        let counts = self.readings.iter().filter(|taken| taken.aside.is_none());
        let pulls = counts.filter_map(|taken| match taken.read {
            Read::Pull { pull, area, level } => Some(Pull { pull, area, level }),
            Read::Level { .. } | Read::Room(_) => None,
        });
        friction(&pulls.collect::<Vec<_>>())
    }

    /// The step that takes a trial; a new one at the end if there is none.
    pub(super) fn step_for(&mut self, trial: &Trial, gauges: Gauges) -> u16 {
        // Proposals are for the manifold, wherever the gauge sits.
        let place = if trial.place == Place::FilterDrop { Place::FilterDrop } else { gauges.level };
        let trial = Trial { place, ..*trial };
        let found =
            self.steps.iter().position(|step| matches!(step.what, What::Level { trial: of, .. } if of == trial));
        let place = found.unwrap_or_else(|| {
            let measured = trial.place != Place::FilterDrop || gauges.both_sides;
            self.steps.push(Step { what: What::Level { trial, measured }, skipped: false, proposed: true });
            self.steps.len() - 1
        });
        u16::try_from(place).unwrap_or(u16::MAX)
    }
}

fn level_of((number, taken): (u16, &Taken)) -> Option<(u16, f64, f64)> {
    match taken.read {
        Read::Level { level, spread, .. } => Some((number, level.pascals(), spread.pascals())),
        Read::Room(_) | Read::Pull { .. } => None,
    }
}

fn same_within(one: f64, other: f64) -> f64 {
    SAME_AGAIN + 3.0 * one.hypot(other)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::{BootId, Steady};

    fn at() -> Moment {
        Moment { boot: BootId(1), steady: Steady::from_nanos(1), civil: None, synced: false }
    }

    fn run(levels: &[f64]) -> SurveyRun {
        let trial = Trial {
            cover: Cover::Bare,
            open: ZoneSet::EMPTY.with(ZoneId(0)),
            hole: Length::ZERO,
            place: Place::Manifold,
        };
        let what = What::Level { trial, measured: true };
        let steps = vec![Step { what, skipped: false, proposed: false }; 2];
        let mut run = SurveyRun { began: at(), wanted: 0.1, running: true, steps, readings: vec![], finding: None };
        for kpa in levels {
            let (level, spread) = (Vacuum::from_pascals(kpa * 1e3), Vacuum::from_pascals(100.0));
            run.add(0, at(), Read::Level { trial, level, spread, room: None }, true);
        }
        run
    }

    fn counting(run: &SurveyRun) -> Vec<u16> {
        run.counting(0).map(|(number, _)| number).collect()
    }

    #[test]
    fn two_readings_that_disagree_want_a_third_and_that_decides() {
        let two = run(&[40.0, 20.0]);
        assert!(two.wants_again(0) && two.next() == Some(0));
        assert_eq!(counting(&two), [0, 1], "neither is put aside before it is known which is wrong");
        let three = run(&[40.0, 20.0, 40.3]);
        assert_eq!((counting(&three), three.readings[1].aside), (vec![0, 2], Some(Aside::Odd)));
        assert!(!three.wants_again(0) && three.next() == Some(1));
    }

    #[test]
    fn readings_that_all_disagree_are_left_as_they_are_and_said_to_contradict() {
        let three = run(&[40.0, 20.0, 30.0]);
        assert_eq!(counting(&three), [0, 1, 2]);
        assert!(three.wants_again(0));
    }

    #[test]
    fn a_reading_that_is_retaken_counts_no_more() {
        let mut run = run(&[40.0]);
        let read = run.readings[0].read;
        run.add(0, at(), read, false);
        assert_eq!((counting(&run), run.readings[0].aside), (vec![1], Some(Aside::Retaken)));
    }

    #[test]
    fn a_pull_that_was_thrown_out_has_no_part_in_the_friction() {
        let pull = |newtons| Read::Pull {
            pull: Force::from_newtons(newtons),
            area: Area::from_square_metres(0.01),
            level: Vacuum::from_pascals(20_000.0),
        };
        let mut run = run(&[]);
        run.add(1, at(), pull(60.0), true);
        run.add(1, at(), pull(600.0), true);
        run.readings[1].aside = Some(Aside::Thrown);
        assert_eq!(run.friction().map(|friction| friction.pulls), Some(1));
    }

    #[test]
    fn a_survey_comes_back_from_its_record() {
        let run = run(&[40.0, 20.0, 40.3]);
        let text = serde_json::to_string(&run).unwrap();
        assert_eq!(SurveyRun::from_record(&text), Ok(run.clone()));
        let other = text.replace("\"finding\":null", "\"finding\":[[0],{\"of\":\"another version\"}]");
        assert_eq!(SurveyRun::from_record(&other), Ok(run), "readings are worth more than numbers");
        assert!(SurveyRun::from_record("{}").is_err());
    }
}
