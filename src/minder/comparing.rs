//! What the live level is compared with: the job's course, a taught level, or the level with everything covered.

use serde::{Deserialize, Serialize};

use super::progress::Where;
use super::{Awaited, Loaded, Minder};
use crate::event::{Action, Request, RequestId};
use crate::expectation::{Course, Expected, Forecast};
use crate::job::Progress;
use crate::moment::{Moment, Steady};
use crate::table::{PartId, ZoneId, ZoneSet};
use crate::units::{FreeAirFlow, Vacuum};
use crate::watch::{Basis, Ends, Nearby, Phase};

/// What the live level is compared with at present.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Compared {
    pub(super) expected: Expected,
    pub(super) basis: Basis,
    pub(super) ends: Option<Ends>,
    /// Where the course goes from here.
    pub(super) nearby: Option<Nearby>,
}

/// How far below a taught level still counts as good: the greater of a share of it and a level in pascals. A choice of
/// ours: a few times the noise and drift of an industrial transducer.
const TAUGHT_BAND: (f64, Vacuum) = (0.04, Vacuum::from_pascals(1500.0));

impl Minder {
    /// Asks for the forecasts that are wanted and not yet on their way.
    pub(super) fn ask_for_forecasts(&mut self, out: &mut Vec<Action>) {
        if course(self.bare.as_ref(), self.open).is_none() {
            self.ask(false, out);
        }
        let old = |loaded: &Loaded| loaded.held.is_some() || course(loaded.forecast.as_ref(), self.open).is_none();
        if self.loaded.as_ref().is_some_and(old) {
            self.ask(true, out);
        }
    }

    pub(super) fn ask(&mut self, of_job: bool, out: &mut Vec<Action>) {
        let open = self.open;
        let failed = self.degraded.contains_key("no-forecast");
        if failed || self.awaited.iter().any(|awaited| awaited.of_job == of_job && awaited.open == open) {
            return;
        }
        let id = self.next_request;
        self.next_request = RequestId(id.0 + 1);
        self.awaited.retain(|awaited| awaited.of_job != of_job);
        self.awaited.push(Awaited { id, of_job, open });
        let card = self.loaded.as_ref().filter(|_| of_job).map(|loaded| Box::new(loaded.card.clone()));
        let beside = if of_job { self.lying_beside() } else { Vec::new() };
        let open = neighbours(open, self.setup.table.plenum.zones.len());
        out.push(Action::Compute(id, Request { card, beside, open, room: self.room.to_forecast() }));
    }

    /// Whether a forecast for what lies on the table is still on its way.
    pub(super) fn is_computing(&self) -> bool {
        self.awaited.iter().any(|awaited| awaited.of_job)
    }

    pub(super) fn take_forecast(
        &mut self,
        at: Moment,
        id: RequestId,
        result: Result<Forecast, String>,
        out: &mut Vec<Action>,
    ) {
        let Some(place) = self.awaited.iter().position(|awaited| awaited.id == id) else { return };
        let awaited = self.awaited.remove(place);
        match result {
            Ok(forecast) if awaited.of_job => {
                if let Some(loaded) = &mut self.loaded {
                    loaded.forecast = Some(forecast);
                    if loaded.held.take().is_some() {
                        self.watch.zones_changed(at.steady);
                    }
                }
            }
            Ok(forecast) => self.bare = Some(forecast),
            Err(text) => {
                if let Some(loaded) = self.loaded.as_mut().filter(|_| awaited.of_job) {
                    loaded.held = None;
                }
                self.degrade(at, "no-forecast");
                self.keep_entry(at, "no-forecast", &text, out);
            }
        }
        self.changed = true;
        self.compare(at.steady);
    }

    /// A new load or new zones may be forecast although the last could not.
    pub(super) fn retry_forecasts(&mut self, at: Steady) {
        self.restore_from("no-forecast");
        self.compare(at);
    }

    /// Settles anew what the live level is compared with.
    pub(super) fn compare(&mut self, at: Steady) {
        self.follow_the_clock(at);
        let compared =
            self.job_expectation(at).or_else(|| self.taught_expectation()).or_else(|| self.sealed_expectation());
        self.compared = compared.map(|compared| self.as_held(compared));
    }

    /// What the live level is held against. While the forecast of the job on the table is still reckoned that is nothing: a
    /// sheet that covers a part of the table would be called weak beside one that covers all of it.
    pub(super) fn held_against(&self) -> Option<&Compared> {
        self.compared.as_ref().filter(|compared| compared.basis != Basis::LikeSealed || !self.is_computing())
    }

    /// Whether the level must move for what it was `before` compared with to become what it is compared with now: the pump is on,
    /// what lies on the table is known, and the new band does not reach the middle of the old.
    pub(super) fn level_must_move(&self, before: Option<&Compared>) -> bool {
        let (Some(before), Some(now)) = (before, &self.compared) else { return false };
        let known = before.basis == Basis::Job && now.basis == Basis::Job;
        let pulls = self.assessment.is_some_and(|assessment| assessment.phase != Phase::Off);
        let (was, will) = (&before.expected, &now.expected);
        known && pulls && (will.high < was.mid || will.low > was.mid)
    }

    fn job_expectation(&self, at: Steady) -> Option<Compared> {
        let loaded = self.loaded.as_ref()?;
        let course = loaded.compared_course(self.open)?;
        let Some(place) = self.place(at) else {
            let expected = course.at(loaded.progress)?;
            let nearby = loaded.pace.and_then(|pace| {
                let here = loaded.progress;
                nearby(
                    loaded,
                    course,
                    &Where { likely: here, earliest: here, latest: here, per_second: pace.per_second },
                )
            });
            return Some(Compared { expected, basis: Basis::Job, ends: Some(ends(course)), nearby });
        };
        let expected = course.between(place.earliest, place.likely, place.latest)?;
        let nearby = nearby(loaded, course, &place);
        Some(Compared { expected, basis: Basis::Job, ends: Some(ends(course)), nearby })
    }

    fn taught_expectation(&self) -> Option<Compared> {
        let taught = self.memory.taught.get(&self.open)?.level;
        let sealed = course(self.bare.as_ref(), self.open);
        let slack = (taught * TAUGHT_BAND.0).max(TAUGHT_BAND.1);
        let high = sealed.map_or(taught, |course| course.points.first().map_or(taught, |(_, first)| first.high));
        let flow = sealed.and_then(|course| course.points.first()).map(|(_, first)| first.flow);
        let expected = Expected {
            low: taught - slack,
            mid: taught,
            high: high.max(taught) + slack,
            weakest: None,
            smallest_visible_leak: FreeAirFlow::ZERO,
            flow: flow.unwrap_or(FreeAirFlow::ZERO),
        };
        Some(Compared { expected, basis: Basis::Taught, ends: sealed.map(ends), nearby: None })
    }

    fn sealed_expectation(&self) -> Option<Compared> {
        let course = course(self.bare.as_ref(), self.open)?;
        let expected = course.at(Progress::START)?;
        Some(Compared { expected, basis: Basis::LikeSealed, ends: Some(ends(course)), nearby: None })
    }

    /// The least margin at a live level, and whose it is.
    pub(super) fn margin_at(&self, live: Vacuum) -> Option<(f64, PartId)> {
        let expected = &self.compared.as_ref().filter(|compared| compared.basis == Basis::Job)?.expected;
        let weakest = expected.weakest?;
        let margin = weakest.margin + weakest.margin_per_pascal * (live - expected.mid).pascals();
        Some((margin.max(0.0), weakest.part))
    }

    /// The least margin of the rest of the job at the expected level, and whose it will be.
    pub(super) fn margin_ahead(&self) -> Option<(f64, PartId)> {
        let loaded = self.loaded.as_ref()?;
        let course = loaded.compared_course(self.open)?;
        let rest = course.points.iter().filter(|(fraction, _)| *fraction >= loaded.progress.fraction());
        rest.filter_map(|(_, expected)| expected.weakest)
            .map(|weakest| (weakest.margin, weakest.part))
            .min_by(|left, right| left.0.total_cmp(&right.0))
    }
}

impl Loaded {
    /// The course that the live level is compared with.
    fn compared_course(&self, open: ZoneSet) -> Option<&Course> {
        course(self.forecast.as_ref(), self.held.unwrap_or(open))
    }
}

fn course(forecast: Option<&Forecast>, open: ZoneSet) -> Option<&Course> {
    forecast?.course(open)
}

/// What lies about a place of the cut; the farthest levels are taken as far off as the place may be wrong.
fn nearby(loaded: &Loaded, course: &Course, place: &Where) -> Option<Nearby> {
    let mid = |fraction: f64| course.level(Progress::from_fraction(fraction));
    let (here, pace) = (place.likely.fraction(), place.per_second);
    let [long_ago, ago, soon, later] = Nearby::APART.map(|apart| here + apart * pace);
    let long_ago = long_ago.min(place.earliest.fraction());
    let later = later.max(place.latest.fraction());
    let [long_ago, ago, soon, later] = [long_ago, ago, soon, later].map(mid);
    let closed = |part: usize| match part.checked_sub(1) {
        Some(last) => loaded.freed_at.get(last).map_or(1.0, |freed| freed.fraction()),
        None => 0.0,
    };
    // A hair of tolerance: the place may be a sum of many steps.
    let part = loaded.freed_at.partition_point(|freed| freed.fraction() <= here + 1e-12);
    let lowers = |part: usize| Some(mid(closed(part))? - mid(closed(part + 1))?);
    let outline = (part.saturating_sub(1)..=part + 1).filter_map(lowers).fold(Vacuum::ZERO, Vacuum::max);
    Some(Nearby { levels: [long_ago?, ago?, soon?, later?], outline })
}

fn ends(course: &Course) -> Ends {
    Ends { sealed: course.sealed, bare: course.bare }
}

/// A set of zones and those that differ from it by one: a valve turned needs no new forecast.
fn neighbours(open: ZoneSet, count: usize) -> Vec<ZoneSet> {
    let turned = (0..u8::try_from(count).unwrap_or(u8::MAX))
        .map(ZoneId)
        .map(|zone| if open.contains(zone) { open.without(zone) } else { open.with(zone) });
    std::iter::once(open).chain(turned.filter(|set| !set.is_empty())).collect()
}
