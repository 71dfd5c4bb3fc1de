//! The survey of the table as a guided run: what is ordered, what is taken, what is asked of the process that reckons.

mod run;
mod settling;
mod telling;

pub use run::SurveyRun;
use run::{Aside, Gauges, MOST_READINGS, Read, Step, TYPED_SPREAD, What};
pub(super) use settling::{Settling, Standing};

use super::Minder;
use super::guided::{Aim, is_shut};
use crate::board::survey::{Cover, Finding, Reading, Trial};
use crate::event::{Action, Answer, RequestId, SurveyOrder, Typed};
use crate::moment::Moment;
use crate::units::{AbsolutePressure, Length, Vacuum};

impl SurveyRun {
    /// Whether it is under way.
    pub(super) fn is_running(&self) -> bool {
        self.running
    }

    /// The barometer as last read.
    pub(super) fn barometer(&self) -> Option<AbsolutePressure> {
        self.room()
    }

    /// Whether it has readings whose numbers are not known.
    pub(super) fn wants_numbers(&self) -> bool {
        let (counting, _) = self.for_fit(AbsolutePressure::STANDARD_ATMOSPHERE);
        let known = self.finding.as_ref().map_or(&[][..], |(of, _)| of);
        counting != known
    }
}

fn refused(key: &str) -> Answer {
    Answer::Refused(key.to_owned())
}

impl Minder {
    pub(super) fn obey_survey(&mut self, at: Moment, order: SurveyOrder, out: &mut Vec<Action>) -> Answer {
        let answer = match order {
            SurveyOrder::Start { wanted } => self.start_survey(at, wanted),
            SurveyOrder::Measure { step, hole, beside } => self.measure_step(at, step, hole, beside),
            SurveyOrder::Stop => self.in_survey(|minder| {
                minder.guided.measuring = None;
                minder.guided.give_air();
                Answer::Done
            }),
            SurveyOrder::Confirm => self.in_survey(|minder| match minder.guided.confirm() {
                true => Answer::Done,
                false => refused("nothing-to-confirm"),
            }),
            SurveyOrder::Opened => self.in_survey(|minder| {
                minder.guided.give_air();
                Answer::Done
            }),
            SurveyOrder::Type { step, typed } => self.in_survey(|minder| minder.type_reading(at, step, typed)),
            SurveyOrder::Throw { reading } => self.in_survey(|minder| minder.mark_reading(reading, true)),
            SurveyOrder::TakeBack { reading } => self.in_survey(|minder| minder.mark_reading(reading, false)),
            SurveyOrder::Skip { step, skip } => self.in_survey(|minder| minder.skip_step(step, skip)),
            SurveyOrder::End => self.in_survey(|minder| {
                minder.guided.measuring = None;
                if let Some(survey) = &mut minder.guided.survey {
                    survey.running = false;
                }
                Answer::Done
            }),
        };
        if answer == Answer::Done {
            self.guided.touch(at.steady);
            self.keep_survey(at, out);
        }
        answer
    }

    fn in_survey(&mut self, act: impl FnOnce(&mut Self) -> Answer) -> Answer {
        let runs = self.guided.survey.as_ref().is_some_and(SurveyRun::is_running);
        if runs { act(self) } else { refused("no-survey") }
    }

    /// Every change is kept whole: a survey goes on after a restart.
    pub(super) fn keep_survey(&mut self, at: Moment, out: &mut Vec<Action>) {
        let survey = self.guided.survey.clone();
        self.keep_for_next_start(at, "survey", &survey, out);
        self.revise_guided();
    }

    fn start_survey(&mut self, at: Moment, wanted: f64) -> Answer {
        if self.guided.running().is_some() {
            return refused("a-run-is-under-way");
        }
        if self.cutting == Some(true) {
            return refused("cutting");
        }
        let survey = SurveyRun::begin(&self.setup.table, self.gauges_for_survey(), wanted, at);
        self.guided.survey = Some(survey);
        (self.guided.failed, self.guided.awaited, self.guided.stale) = (None, None, false);
        Answer::Done
    }

    /// Levels are read where the main gauge sits.
    fn gauges_for_survey(&self) -> Gauges {
        let side = |behind: bool| {
            let mut places = self.setup.gauges.iter().map(|gauge| gauge.place);
            places.any(|place| place.is_suction() && place.is_behind_filter() == behind)
        };
        Gauges { level: self.level_place(), both_sides: side(false) && side(true) }
    }

    fn step_of(&self, id: u16) -> Option<Step> {
        self.guided.survey.as_ref().and_then(|survey| survey.step(id)).copied()
    }

    fn measure_step(&mut self, at: Moment, id: u16, hole: Option<Length>, beside: bool) -> Answer {
        if !self.guided.survey.as_ref().is_some_and(SurveyRun::is_running) {
            return refused("no-survey");
        }
        if self.cutting == Some(true) {
            return refused("cutting");
        }
        let Some(Step { what: What::Level { mut trial, measured: true }, .. }) = self.step_of(id) else {
            return refused("no-such-step");
        };
        if self.is_full() {
            return refused("too-many-readings");
        }
        let mut step = id;
        if let (Some(hole), true) = (hole, trial.hole > Length::ZERO) {
            trial.hole = hole;
            // A hole of another size is another step.
            let gauges = self.gauges_for_survey();
            if let Some(survey) = &mut self.guided.survey {
                step = survey.step_for(&trial, gauges);
            }
        }
        self.guided.begin(at.steady, Aim::Survey { step, trial, beside }, trial.place, is_shut(trial.open, trial.hole));
        Answer::Done
    }

    fn is_full(&self) -> bool {
        self.guided.survey.as_ref().is_some_and(|survey| survey.readings.len() >= MOST_READINGS)
    }

    fn type_reading(&mut self, at: Moment, id: u16, typed: Typed) -> Answer {
        let Some(step) = self.step_of(id) else { return refused("no-such-step") };
        if self.is_full() {
            return refused("too-many-readings");
        }
        let read = match (step.what, typed) {
            (What::Barometer, Typed::Barometer(room)) => Read::Room(room),
            (What::Level { trial, .. }, Typed::Level(level)) => {
                let room = self.room_known();
                Read::Level { trial, level, spread: TYPED_SPREAD, room }
            }
            (What::Drag, Typed::Pull { pull, area }) => {
                let live = self.live(at.steady).and_then(|newest| newest.vacuum);
                match live.filter(|level| *level > Vacuum::from_pascals(1000.0)) {
                    Some(level) => Read::Pull { pull, area, level },
                    None => return refused("pump-off"),
                }
            }
            (What::Barometer | What::Level { .. } | What::Drag, _) => return refused("not-what-the-step-asks"),
        };
        // Pulls are averaged; of anything else the last counts.
        let beside = matches!(read, Read::Pull { .. });
        self.add_reading(at, id, read, beside);
        Answer::Done
    }

    fn add_reading(&mut self, at: Moment, step: u16, read: Read, beside: bool) {
        if let Some(survey) = &mut self.guided.survey {
            survey.add(step, at, read, beside);
        }
        self.guided.stale = true;
    }

    fn mark_reading(&mut self, reading: u16, out: bool) -> Answer {
        let survey = self.guided.survey.as_mut();
        let Some(taken) = survey.and_then(|survey| survey.readings.get_mut(usize::from(reading))) else {
            return refused("no-such-reading");
        };
        taken.aside = out.then_some(Aside::Thrown);
        self.guided.stale = true;
        Answer::Done
    }

    fn skip_step(&mut self, id: u16, skip: bool) -> Answer {
        let survey = self.guided.survey.as_mut();
        let Some(step) = survey.and_then(|survey| survey.steps.get_mut(usize::from(id))) else {
            return refused("no-such-step");
        };
        step.skipped = skip;
        Answer::Done
    }

    /// A level has settled.
    pub(super) fn take_surveyed(
        &mut self,
        at: Moment,
        step: u16,
        trial: Trial,
        standing: Standing,
        beside: bool,
        out: &mut Vec<Action>,
    ) {
        let room = self.room_known();
        let read = Read::Level { trial, level: standing.level.max(Vacuum::ZERO), spread: standing.spread, room };
        self.add_reading(at, step, read, beside);
        self.keep_survey(at, out);
    }

    /// Has the numbers of the readings reckoned, once at a time.
    pub(super) fn ask_for_numbers(&mut self, out: &mut Vec<Action>) {
        if !self.guided.stale || self.guided.awaited.is_some() {
            return;
        }
        self.guided.stale = false;
        let room = self.setup.table.air.room;
        let Some((_, readings)) = self.guided.survey.as_ref().map(|survey| survey.for_fit(room)) else { return };
        let wanted = self.guided.survey.as_ref().map_or(0.1, |survey| survey.wanted);
        if readings.is_empty() {
            if let Some(survey) = &mut self.guided.survey {
                survey.finding = None;
            }
            return;
        }
        let id = self.next_request;
        self.next_request = RequestId(id.0 + 1);
        self.guided.awaited = Some(id);
        out.push(Action::Fit(id, readings, wanted));
    }

    pub(super) fn take_finding(
        &mut self,
        at: Moment,
        id: RequestId,
        result: Result<Box<Finding>, String>,
        out: &mut Vec<Action>,
    ) {
        if self.guided.awaited != Some(id) {
            return;
        }
        self.guided.awaited = None;
        self.guided.failed = result.as_ref().err().cloned();
        let (room, gauges) = (self.setup.table.air.room, self.gauges_for_survey());
        // Readings that came meanwhile are not in it; the answer to them follows.
        if let (Some(survey), Ok(finding), false) = (&mut self.guided.survey, result, self.guided.stale) {
            let (of, _): (_, Vec<Reading>) = survey.for_fit(room);
            for proposal in &finding.next {
                survey.step_for(&proposal.trial, gauges);
            }
            survey.finding = Some((of, *finding));
        }
        if let Some(text) = self.guided.failed.clone() {
            self.keep_entry(at, "no-survey-numbers", &text, out);
        }
        self.keep_survey(at, out);
    }
}

/// What lies on the board, by its word.
pub(super) const fn cover_word(cover: Cover) -> &'static str {
    match cover {
        Cover::Film => "film",
        Cover::Bare => "bare",
    }
}
