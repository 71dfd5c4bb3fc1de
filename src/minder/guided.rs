//! Guided runs: a survey of the table and the morning's check, which both have levels read once they have settled.
//!
//! While one is under way the table is put into states that would be alarming in a shop: film over bare board, every valve shut. Alarms
//! about the table are held back by design then, no sheet is counted, and the word says that nothing is judged. That ends when the
//! machine is told to cut, and when nobody has touched the run for so long that it was forgotten.

use serde::{Deserialize, Serialize};

use super::Minder;
use super::check::CheckLog;
use super::survey::{Settling, Standing, SurveyRun};
use crate::board::survey::{Place as Reads, Trial};
use crate::event::{Action, Reference, RequestId};
use crate::gauge::{GaugeId, HealthLimits, Judged, Place, Quality};
use crate::moment::{Moment, Span, Steady};
use crate::table::ZoneSet;
use crate::units::{AbsolutePressure, Length, PressureConvention, Vacuum};
use crate::view::{Guide, GuideLive, Guides, ReadingState};
use crate::watch::{Assessment, Conditions, CuttingKnown, Verdict};

/// How long a run is waited for that nobody touches, before the table is watched as ever again.
const FORGOTTEN_AFTER: Span = Span::from_secs(1800);
/// The longest that a pump may draw no air: a blower without it overheats. Common practice, no source.
pub(super) const SHUT_FOR: Span = Span::from_secs(30);
/// A pump has been given air when its level has fallen by this share.
const GIVEN_AIR: f64 = 0.1;
/// Below this many pascals the pump is off: no table is so open that a running pump makes less.
const NEXT_TO_NOTHING: f64 = 300.0;
/// A level that does not settle is said to be restless after this.
const RESTLESS_AFTER: Span = Span::from_secs(60);
/// A table whose level departed from the last by this many pascals, this many readings in a row, was changed.
const MOVED: (f64, u8) = (1000.0, 3);
/// A level nearer to the last than this many pascals is the same.
const SAME: f64 = 300.0;
/// The oldest reading of one gauge that is set against a new one of another.
const BESIDE: Span = Span::from_secs(2);

/// What a level is read for.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) enum Aim {
    /// A survey's step.
    Survey {
        step: u16,
        trial: Trial,
        /// Whether earlier readings of the step stay beside it.
        beside: bool,
    },
    /// The morning's reference.
    Check(Reference),
}

/// A level that is being read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Measuring {
    pub(super) aim: Aim,
    /// What is read.
    place: Reads,
    settling: Settling,
    state: ReadingState,
}

/// The last level that was taken, by which one sees whether the table was changed since.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Last {
    level: Vacuum,
    place: Reads,
    /// How many readings in a row were away from it.
    away: u8,
    moved: bool,
}

/// A pump that draws no air.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Shut {
    since: Steady,
    deepest: Vacuum,
}

/// Both guided runs.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Guided {
    pub(super) survey: Option<SurveyRun>,
    pub(super) check: CheckLog,
    pub(super) measuring: Option<Measuring>,
    last: Option<Last>,
    shut: Option<Shut>,
    touched: Option<Steady>,
    pub(super) quiet: bool,
    /// The request for the numbers of the readings that has not been answered.
    pub(super) awaited: Option<RequestId>,
    /// Whether readings have changed since numbers were asked for.
    pub(super) stale: bool,
    pub(super) failed: Option<String>,
    revision: u64,
    told: u64,
}

impl Guided {
    pub(super) fn remembered(survey: Option<SurveyRun>, check: CheckLog, at: Steady) -> Self {
        let stale = survey.as_ref().is_some_and(SurveyRun::wants_numbers);
        Guided { survey, check, stale, touched: Some(at), revision: 1, ..Guided::default() }
    }

    /// What was known before comes late. A survey begun meanwhile has taken the old one's place, and one under way is left alone; what
    /// was under way before waits for somebody to take it up. Says whether there is a survey and a check of the time since.
    pub(super) fn recall(&mut self, survey: Option<SurveyRun>, check: CheckLog) -> (bool, bool) {
        let newer = (self.survey.is_some(), self.check.has_begun());
        if self.running().is_none() {
            self.touched = None;
            if !newer.0 {
                self.stale = survey.as_ref().is_some_and(SurveyRun::wants_numbers);
                self.survey = survey;
            }
        }
        self.check.come_after(check);
        newer
    }

    /// The run that is under way.
    pub(super) fn running(&self) -> Option<Guide> {
        if self.survey.as_ref().is_some_and(SurveyRun::is_running) {
            Some(Guide::Survey)
        } else if self.check.is_running() {
            Some(Guide::Check)
        } else {
            None
        }
    }

    pub(super) fn revision(&self) -> u64 {
        self.revision
    }

    /// Somebody is at it.
    pub(super) fn touch(&mut self, at: Steady) {
        self.touched = Some(at);
    }

    fn forgotten(&self, at: Steady) -> bool {
        self.touched.is_none_or(|touched| at.since(touched) > FORGOTTEN_AFTER)
    }

    pub(super) fn begin(&mut self, at: Steady, aim: Aim, place: Reads, shut: bool) {
        self.shut = shut.then_some(Shut { since: at, deepest: Vacuum::ZERO });
        let settling = Settling::default();
        self.measuring = Some(Measuring { aim, place, settling, state: ReadingState::Settling });
    }

    pub(super) fn give_air(&mut self) {
        self.shut = None;
    }

    /// The level is the same as the last, and somebody says that the table is not.
    pub(super) fn confirm(&mut self) -> bool {
        let waits = self.measuring.as_ref().is_some_and(|measuring| measuring.state == ReadingState::Unmoved);
        if let (true, Some(last)) = (waits, &mut self.last) {
            last.moved = true;
        }
        waits
    }
}

impl Minder {
    /// Something in a guided run changed: it is shown anew.
    pub(super) fn revise_guided(&mut self) {
        self.guided.revision = self.next_seq.0.max(self.guided.revision + 1);
        self.changed = true;
    }

    /// What a gauge told, for whatever is being read.
    pub(super) fn feel_guided(&mut self, at: Moment, gauge: GaugeId, judged: &Judged, out: &mut Vec<Action>) {
        if !self.guided.quiet || judged.quality >= Quality::FunctionCheck {
            return;
        }
        let Some(level) = self.felt(gauge, judged) else { return };
        if gauge == self.main {
            self.guided.follow(level);
        }
        let Some(place) = self.guided.measuring.as_ref().map(|measuring| measuring.place) else { return };
        let Some(level) = self.read_at(at.steady, place, gauge, level) else { return };
        let Some(measuring) = &mut self.guided.measuring else { return };
        measuring.settling.push(at.steady, level);
        let Some(standing) = measuring.settling.standing() else { return };
        let state = self.judged_state(at.steady, &standing);
        if let Some(measuring) = &mut self.guided.measuring {
            self.changed |= measuring.state != state;
            measuring.state = state;
        }
        if standing.settled && state == ReadingState::Settling {
            self.take_settled(at, standing, out);
        } else if standing.settled && state == ReadingState::Backwards {
            self.note_rotation(at, &standing, out);
        }
    }

    /// The level by a gauge; one that counts from nothing counts from the barometer, if somebody has read that.
    fn felt(&self, gauge: GaugeId, judged: &Judged) -> Option<Vacuum> {
        let absolute = self.setup.gauges.get(usize::from(gauge.0))?.convention == PressureConvention::Absolute;
        match (absolute, self.room_read(), judged.absolute) {
            (true, Some(room), Some(absolute)) => Some(absolute.vacuum_below(room)),
            (_, _, _) => judged.vacuum,
        }
    }

    fn room_read(&self) -> Option<AbsolutePressure> {
        self.guided.survey.as_ref().filter(|survey| survey.is_running()).and_then(SurveyRun::barometer)
    }

    /// The number for what is read, if this gauge gives it.
    fn read_at(&self, at: Steady, reads: Reads, gauge: GaugeId, level: Vacuum) -> Option<Vacuum> {
        let sides = |behind: bool| {
            let side = move |place: Place| place.is_suction() && place.is_behind_filter() == behind;
            self.setup.gauges.iter().position(|gauge| side(gauge.place))
        };
        match reads {
            Reads::Manifold | Reads::PumpInlet => (gauge == self.main).then_some(level),
            Reads::FilterDrop => {
                let before = self.newest.get(sides(false)?).copied().flatten()?;
                let fresh = at.since(before.at) <= BESIDE;
                (sides(true) == Some(usize::from(gauge.0)) && fresh).then_some(level - before.vacuum?)
            }
        }
    }

    /// Where levels are read: on which side of the filter the main gauge sits.
    pub(super) fn level_place(&self) -> Reads {
        let behind = self.setup.main_gauge_settings().is_some_and(|gauge| gauge.place.is_behind_filter());
        if behind { Reads::PumpInlet } else { Reads::Manifold }
    }

    /// The room's pressure that somebody or a barometer on the line has read.
    pub(super) fn room_known(&self) -> Option<AbsolutePressure> {
        self.room_read().or_else(|| self.room.to_forecast())
    }

    fn judged_state(&self, at: Steady, standing: &Standing) -> ReadingState {
        let Some(measuring) = &self.guided.measuring else { return ReadingState::Idle };
        let level = standing.level.pascals();
        // A filter may be so clean that nothing is lost in it.
        let of_pump = measuring.place != Reads::FilterDrop;
        let zero =
            self.setup.main_gauge_settings().map_or(Vacuum::ZERO, |gauge| HealthLimits::of(gauge).zero).pascals();
        if standing.settled && of_pump && level < -zero {
            return ReadingState::Backwards;
        }
        if standing.settled && of_pump && level < NEXT_TO_NOTHING {
            return ReadingState::NoSuction;
        }
        if standing.settled && self.guided.is_unmoved(measuring, standing) {
            return ReadingState::Unmoved;
        }
        let late = measuring.settling.lasted(at) > RESTLESS_AFTER && !standing.settled;
        if late { ReadingState::Restless } else { ReadingState::Settling }
    }

    fn take_settled(&mut self, at: Moment, standing: Standing, out: &mut Vec<Action>) {
        let Some(measuring) = self.guided.measuring.take() else { return };
        if measuring.place != Reads::FilterDrop {
            let place = measuring.place;
            self.guided.last = Some(Last { level: standing.level, place, away: 0, moved: false });
        }
        match measuring.aim {
            Aim::Survey { step, trial, beside } => self.take_surveyed(at, step, trial, standing, beside, out),
            Aim::Check(reference) => self.take_reference(at, reference, standing, out),
        }
    }

    fn note_rotation(&mut self, at: Moment, standing: &Standing, out: &mut Vec<Action>) {
        let of = self.guided.measuring.as_ref().map(|measuring| measuring.aim.clone());
        if let Some(Aim::Check(reference)) = of {
            self.guided.measuring = None;
            self.take_reference(at, reference, *standing, out);
        }
    }

    /// Holds alarms back or lets them go, has numbers reckoned, and shows what has changed.
    pub(super) fn follow_guided(&mut self, at: Moment, out: &mut Vec<Action>) {
        let quiet = self.guided.running().is_some() && self.cutting != Some(true) && !self.guided.forgotten(at.steady);
        if quiet != self.guided.quiet {
            self.guided.quiet = quiet;
            self.guided.measuring = None;
            self.guided.shut = None;
            self.guided.last = None;
            // What lay on the table meanwhile was no sheet.
            self.watch = super::watch(&self.setup);
            self.heed_shadow(at.steady);
            self.changed = true;
        }
        self.guided.notice_blindness(at.steady);
        self.ask_for_numbers(out);
        self.show_guided(out);
    }

    /// Shows both runs anew if one has changed.
    pub(super) fn show_guided(&mut self, out: &mut Vec<Action>) {
        if self.guided.told != self.guided.revision {
            self.guided.told = self.guided.revision;
            out.push(Action::Guide(Box::new(self.guides())));
        }
    }

    /// Both runs as they are shown.
    pub fn guides(&self) -> Guides {
        Guides { survey: self.survey_view(), check: Some(self.check_view()) }
    }

    /// The numbers by which a guided run tells that it is under way.
    pub(super) fn guide_live(&self, at: Steady) -> Option<GuideLive> {
        let guided = &self.guided;
        let guide = guided.running()?;
        let measuring = guided.measuring.as_ref();
        let standing = measuring.and_then(|measuring| measuring.settling.standing());
        let step = measuring.and_then(|measuring| match measuring.aim {
            Aim::Survey { step, .. } => Some(step),
            Aim::Check(_) => None,
        });
        Some(GuideLive {
            guide,
            revision: guided.revision,
            quiet: guided.quiet,
            step,
            state: measuring.map_or(ReadingState::Idle, |measuring| measuring.state),
            share: standing.map_or(0.0, |standing| standing.share),
            level_pa: standing.map(|standing| standing.level.pascals()),
            wander_pa: standing.map(|standing| standing.wander.pascals()),
            shut_left_s: guided.shut.map(|shut| SHUT_FOR.secs_f64() - at.since(shut.since).secs_f64()),
        })
    }

    /// Whether what the level does is nobody's concern: a guided run makes it, or nothing that is on the table hangs on it.
    pub(super) fn is_quiet(&self) -> bool {
        self.guided.quiet || self.is_held_otherwise()
    }

    /// A state of the table that a guided run made is no verdict, no sheet and no alarm, nor is that of a table on which nothing hangs
    /// on the vacuum; a gauge that is silent is.
    pub(super) fn quietened(&self, assessment: Assessment) -> Assessment {
        if !self.is_quiet() {
            return assessment;
        }
        let blind = assessment.conditions.no_reading;
        Assessment {
            cutting: CuttingKnown::No,
            verdict: match assessment.verdict {
                Verdict::Blind => Verdict::Blind,
                Verdict::Off => Verdict::Off,
                Verdict::Loose | Verdict::Weak | Verdict::High | Verdict::NoJob | Verdict::Tight => Verdict::NoJob,
            },
            conditions: Conditions { no_reading: blind, ..Conditions::default() },
            cause: assessment.cause.filter(|_| blind),
            residual: None,
            extra_leak: None,
            sheet_started: false,
            seated: None,
            sheet_ended: false,
            ..assessment
        }
    }
}

impl Guided {
    /// Follows the main gauge from one reading to the next: whether the table was changed, and whether the pump draws air again.
    fn follow(&mut self, level: Vacuum) {
        if let Some(last) = &mut self.last {
            let away = level.distance(last.level).pascals() > MOVED.0;
            last.away = if away { last.away.saturating_add(1) } else { 0 };
            last.moved |= last.away >= MOVED.1;
        }
        if let Some(shut) = &mut self.shut {
            shut.deepest = shut.deepest.max(level);
            if level < shut.deepest * (1.0 - GIVEN_AIR) {
                self.shut = None;
            }
        }
    }

    fn is_unmoved(&self, measuring: &Measuring, standing: &Standing) -> bool {
        let again = matches!(measuring.aim, Aim::Survey { beside: true, .. } | Aim::Check(_));
        let near = |last: &Last| {
            let same = SAME.max(3.0 * standing.spread.pascals());
            last.place == measuring.place && !last.moved && standing.level.distance(last.level).pascals() < same
        };
        !again && self.last.as_ref().is_some_and(near)
    }

    /// A level that nobody hears of is not read.
    fn notice_blindness(&mut self, at: Steady) {
        if let Some(measuring) = &mut self.measuring
            && measuring.settling.silent(at) > BESIDE
        {
            measuring.settling.forget(at);
            measuring.state = ReadingState::Blind;
        }
    }
}

/// Whether a pump draws no air in a trial.
pub(super) fn is_shut(open: ZoneSet, hole: Length) -> bool {
    open.is_empty() && hole <= Length::ZERO
}
