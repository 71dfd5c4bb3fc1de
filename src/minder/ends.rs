//! A table with two ends or more: one end is cut while another is loaded, and the end that is cut is never left unwatched.
//!
//! One gauge feels all ends together. So the forecast of the end that is worked at counts in what lies at the others, as far as that is
//! cut. When a sheet is laid or taken away beside a cut, the cut goes on being compared with what it was compared with before until the
//! new forecast is there; meanwhile the level may fall by what the zones of the other end take, and not by more.

use super::{Loaded, Minder};
use crate::event::{Action, Answer, Lying};
use crate::expectation::zones_under;
use crate::job::{Card, Progress};
use crate::moment::{Moment, Steady};
use crate::table::ZoneSet;
use crate::units::Vacuum;
use crate::view::EndView;

/// An end, by its place in the setup.
pub(super) type EndId = u8;

/// By what share of itself the level may fall for zones of another end if nothing is known of them (a choice of ours).
const UNKNOWN_ZONES: f64 = 0.3;

/// How much more than computed the level may fall for them.
const ZONE_ERROR: f64 = 1.25;

impl Minder {
    /// The end of this name.
    pub(super) fn end_named(&self, name: &str) -> Result<EndId, Answer> {
        let place = self.setup.ends.iter().position(|end| end.name == name).and_then(|place| u8::try_from(place).ok());
        place.ok_or_else(|| Answer::Unknown {
            name: name.to_owned(),
            known: self.setup.ends.iter().map(|end| end.name.clone()).collect(),
        })
    }

    fn zones_of(&self, end: EndId) -> ZoneSet {
        self.setup.ends.get(usize::from(end)).map_or(ZoneSet::EMPTY, |end| end.zones)
    }

    /// The end that a card's sheet lies on by its place; none if that is the table as a whole.
    pub(super) fn end_of(&self, card: &Card) -> Option<EndId> {
        let under = zones_under(&self.setup.table, &card.sheet.rect);
        let mut met = (0..).zip(&self.setup.ends).filter(|(_, end)| !end.zones.common(under).is_empty());
        met.next().map(|(end, _)| end).filter(|_| met.next().is_none())
    }

    /// Whether jobs are on the table and none of them hangs on the vacuum.
    pub(super) fn is_held_otherwise(&self) -> bool {
        let mut jobs = self.loaded.iter().chain(&self.beside).peekable();
        jobs.peek().is_some() && jobs.all(|loaded| loaded.card.needs_no_vacuum())
    }

    /// Lays a card on the table: at the end that is worked at, or beside it.
    pub(super) fn lay(&mut self, at: Moment, laid: Loaded, opened: ZoneSet, out: &mut Vec<Action>) {
        let elsewhere = |other: &Loaded| other.end.is_some() && laid.end.is_some() && other.end != laid.end;
        if !self.loaded.as_ref().is_some_and(elsewhere) {
            self.book_unwatched(at, out);
            self.leave_cut();
        }
        self.beside.retain(elsewhere);
        let mut open = opened;
        let others =
            self.loaded.iter().chain(&self.beside).filter(|other| elsewhere(other)).filter_map(|other| other.end);
        let others: Vec<EndId> = others.collect();
        for end in others {
            open = open.and(self.open.common(self.zones_of(end)));
        }
        match self.loaded.take().filter(|worked| elsewhere(worked)) {
            // If that is cut through, what is laid has its turn at once, as a sheet of its own.
            Some(worked) => {
                self.loaded = Some(worked);
                self.beside.push(laid);
                self.others_changed();
                self.set_open(at, open);
                return self.retry_forecasts(at.steady);
            }
            None => self.loaded = Some(laid),
        }
        self.others_changed();
        self.set_cutting(at, None);
        self.watch.job_changed(at.steady);
        self.set_open(at, open);
        self.retry_forecasts(at.steady);
    }

    /// Takes what lies at an end off the table, or all of it.
    pub(super) fn take_off(&mut self, at: Moment, end: Option<EndId>, out: &mut Vec<Action>) {
        let stays = |other: &Loaded| end.is_some() && other.end != end;
        let worked_at = !self.loaded.as_ref().is_some_and(stays);
        if worked_at {
            self.book_unwatched(at, out);
            self.leave_cut();
        }
        self.beside.retain(stays);
        if worked_at {
            // Where something stays at another end the level does not show that this sheet is gone.
            if !self.beside.is_empty() && self.watch.next_sheet() {
                self.end_sheet(at, out);
            }
            self.loaded = None;
            self.set_cutting(at, None);
            self.watch.sheet_gone(at.steady);
            self.close_sheet(at.steady);
        }
        self.others_changed();
        if let (Some(end), false) = (end, self.beside.is_empty() && worked_at) {
            self.set_open(at, self.open.minus(self.zones_of(end)));
        }
        self.retry_forecasts(at.steady);
    }

    /// The job that is worked at makes room for another, or for none, while the sheet that was cut by it still lies there: it is booked
    /// when the sheet goes.
    fn leave_cut(&mut self) {
        let begun = self.was_cut && self.loaded.as_ref().is_some_and(Loaded::has_begun) && !self.is_held_otherwise();
        if let Some(loaded) = self.loaded.take_if(|_| begun) {
            self.was_cut = false;
            self.left.get_or_insert(Loaded { forecast: None, ..loaded });
        }
    }

    /// The end that is worked at is cut through: the next one that is not comes to be worked at.
    pub(super) fn turn_to_next(&mut self, at: Moment, out: &mut Vec<Action>) {
        let done = self.loaded.as_ref().is_none_or(Loaded::is_cut) && self.cutting != Some(true);
        if let Some(place) = self.beside.iter().position(|other| !other.is_cut()).filter(|_| done) {
            self.turn_to(at, Some(place), out);
        }
    }

    /// Somebody tells of a cut at this end: then it is the one that is worked at.
    pub(super) fn work_at(&mut self, at: Moment, end: EndId, out: &mut Vec<Action>) -> Result<(), Answer> {
        if self.loaded.as_ref().is_some_and(|loaded| loaded.end == Some(end)) {
            return Ok(());
        }
        let place = self.beside.iter().position(|other| other.end == Some(end));
        let place = place.ok_or_else(|| Answer::Refused("no-job".to_owned()))?;
        self.turn_to(at, Some(place), out);
        Ok(())
    }

    /// The end that what is worked at lies at; none if nothing is, or if it is the table as a whole.
    pub(super) fn worked_end(&self) -> Option<EndId> {
        self.loaded.as_ref().and_then(|loaded| loaded.end)
    }

    /// A contact says that this end is cut, and not the one that is worked at: then it has its turn, though no job be known there.
    pub(super) fn cut_at(&mut self, at: Moment, end: EndId, out: &mut Vec<Action>) {
        let place = self.beside.iter().position(|other| other.end == Some(end));
        let elsewhere = self.worked_end().is_some_and(|worked| worked != end);
        if elsewhere || (self.loaded.is_none() && place.is_some()) {
            self.turn_to(at, place, out);
        }
    }

    /// The sheet that was worked at is a sheet of its own; so is the next, if it is known.
    fn turn_to(&mut self, at: Moment, place: Option<usize>, out: &mut Vec<Action>) {
        if self.watch.next_sheet() {
            self.end_sheet(at, out);
        }
        let next = place.map(|place| self.beside.remove(place));
        self.beside.extend(std::mem::replace(&mut self.loaded, next));
        self.others_changed();
        self.set_cutting(at, None);
        self.watch.job_changed(at.steady);
        self.retry_forecasts(at.steady);
        self.changed = true;
    }

    /// What lies beside the cut is another: its forecast is to be reckoned anew, and until then the old one is compared with.
    fn others_changed(&mut self) {
        self.awaited.retain(|awaited| !awaited.of_job);
        let open = self.open;
        if let Some(loaded) = &mut self.loaded {
            let known = loaded.forecast.as_ref().filter(|forecast| forecast.course(open).is_some());
            loaded.held = loaded.held.or(known.map(|_| open));
        }
    }

    /// What lies at the other ends, for the forecast of the one that is worked at.
    pub(super) fn lying_beside(&self) -> Vec<Lying> {
        let lying = |other: &Loaded| Lying { card: Box::new(other.card.clone()), progress: other.progress };
        self.beside.iter().map(lying).collect()
    }

    /// By how much the level may fall for what is being laid beside the cut; none unless its forecast is awaited.
    pub(super) fn unsettled(&self) -> Option<Vacuum> {
        let loaded = self.loaded.as_ref()?;
        let held = loaded.held?;
        let before = loaded.forecast.as_ref().and_then(|forecast| forecast.course(held));
        let now = self.bare.as_ref().and_then(|bare| bare.course(self.open));
        let unknown = || self.compared.as_ref().map_or(Vacuum::ZERO, |compared| compared.expected.mid * UNKNOWN_ZONES);
        let fall = before.zip(now).map(|(before, now)| (before.sealed - now.sealed) * ZONE_ERROR);
        Some(fall.map_or_else(unknown, |fall| fall.max(Vacuum::ZERO)))
    }

    pub(super) fn end_views(&self) -> Vec<EndView> {
        let ends = (0..).zip(&self.setup.ends);
        ends.map(|(id, end)| {
            let at = |lies: &&Loaded| lies.end == Some(id);
            let worked = self.loaded.as_ref().filter(at);
            let lies = worked.or_else(|| self.beside.iter().find(at));
            EndView {
                id: end.name.clone(),
                card: lies.map(|lies| lies.card.name.clone()),
                fraction: lies.map(|lies| lies.progress.fraction()),
                worked_at: worked.is_some(),
            }
        })
        .collect()
    }

    pub(super) fn end_name(&self, end: Option<EndId>) -> Option<String> {
        Some(self.setup.ends.get(usize::from(end?))?.name.clone())
    }
}

impl Loaded {
    /// Whether anybody has told of its cut, or a clock.
    pub(super) fn has_begun(&self) -> bool {
        self.pace.is_some() || self.progress > Progress::START
    }

    /// The same job for the next sheet.
    pub(super) fn begin_anew(&mut self, at: Steady) {
        (self.progress, self.pace) = (Progress::START, None);
        self.run.begin_anew(at);
    }

    /// Whether it is cut so far that the next sheet is another: a controller's last word may come before the end (1 %, a choice of ours).
    pub(super) fn is_cut_out(&self) -> bool {
        self.progress >= Progress::from_fraction(0.99)
    }

    /// Whether it is cut to its end.
    fn is_cut(&self) -> bool {
        self.progress >= Progress::from_fraction(1.0)
    }
}
