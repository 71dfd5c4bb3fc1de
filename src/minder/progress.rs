//! How far the cut is: told by a controller, or by the clock while a contact says that the program runs.

use serde::{Deserialize, Serialize};

use super::{Loaded, Minder};
use crate::event::{Answer, ProgressTold};
use crate::job::Progress;
use crate::job::plan::{PlaceInProgram, Told};
use crate::moment::{Moment, Span, Steady};

/// How fast a cut goes on, as told.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Pace {
    pub(super) told_at: Steady,
    /// The share of the cut that was told then.
    pub(super) told: f64,
    /// The share of the cut in a second.
    pub(super) per_second: f64,
    /// Between what the cut was when it was told.
    pub(super) between: (Progress, Progress),
}

/// How long a program has run: the time that its contact has been closed, from the beginning or from a place that was told.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Run {
    /// Up to when the contact last closed, or a place was last told.
    before: Span,
    /// Since when it is closed.
    since: Option<Steady>,
}

impl Run {
    fn elapsed(&self, at: Steady) -> Span {
        Span::from_nanos(self.before.nanos() + self.since.map_or(0, |since| at.since(since).nanos()))
    }

    fn contact(&mut self, at: Steady, closed: bool) {
        self.before = self.elapsed(at);
        self.since = closed.then_some(at);
    }

    fn told(&mut self, at: Steady, elapsed: Span) {
        self.before = elapsed;
        self.since = self.since.map(|_| at);
    }

    /// The program is run once more.
    pub(super) fn begin_anew(&mut self, at: Steady) {
        *self = Run { before: Span::ZERO, since: self.since.map(|_| at) };
    }

    fn has_begun(&self) -> bool {
        self.since.is_some() || self.before > Span::ZERO
    }
}

/// How far the cut is, and between what.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Where {
    pub(super) likely: Progress,
    pub(super) earliest: Progress,
    pub(super) latest: Progress,
    /// The share of the cut in a second.
    pub(super) per_second: f64,
}

/// How long the cut is taken to go on at its pace when nobody tells how far it is; then its progress is unknown, but for a clock.
const TOLD_FOR: Span = Span::from_secs(10);

/// The time over which the pace by the clock is taken.
const CLOCK_PACE: Span = Span::from_secs(2);

/// The shortest time over which a pace is reckoned.
const PACE_SPAN: Span = Span::from_millis(500);

impl Minder {
    pub(super) fn set_cutting(&mut self, at: Moment, cutting: Option<bool>) {
        self.cutting = cutting;
        if let Some(loaded) = &mut self.loaded {
            loaded.run.contact(at.steady, cutting == Some(true));
        }
    }

    /// A place in the loaded program; the error says why there is none.
    fn in_the_program(&self, told: Told) -> Result<PlaceInProgram, Answer> {
        let program = self.loaded.as_ref().and_then(|loaded| loaded.card.program.as_ref());
        let Some(route) = program.and_then(|program| program.route.as_ref()) else {
            return Err(Answer::Refused("progress-by-line-needs-a-program".to_owned()));
        };
        route.course.place(told).ok_or_else(|| Answer::Refused("no-such-line".to_owned()))
    }

    pub(super) fn take_progress(&mut self, at: Moment, told: ProgressTold) -> Answer {
        let told = match told {
            ProgressTold::Cutting(cutting) => {
                self.set_cutting(at, Some(cutting));
                self.compare(at.steady);
                return Answer::Done;
            }
            ProgressTold::Fraction(fraction) => {
                let progress = Progress::from_fraction(fraction);
                return self.go_on_from(at, progress, (progress, progress));
            }
            ProgressTold::Line(line) => Told::Line(line),
            ProgressTold::Number(number) => Told::Number(number),
            ProgressTold::Share(share) => Told::Share(share),
            ProgressTold::Elapsed(elapsed) => Told::Elapsed(elapsed),
        };
        match self.in_the_program(told) {
            Ok(place) => self.go_on_from(at, place.likely, (place.earliest, place.latest)),
            Err(refused) => refused,
        }
    }

    fn go_on_from(&mut self, at: Moment, progress: Progress, between: (Progress, Progress)) -> Answer {
        let Some(loaded) = &mut self.loaded else { return Answer::Refused("no-job".to_owned()) };
        loaded.pace = next_pace(at.steady, loaded.pace, progress.fraction(), between);
        loaded.progress = progress;
        let elapsed = loaded.course().map(|course| course.when(progress));
        self.set_cutting(at, Some(progress.fraction() < 1.0));
        if let (Some(loaded), Some(elapsed)) = (&mut self.loaded, elapsed) {
            loaded.run.told(at.steady, elapsed);
        }
        self.compare(at.steady);
        Answer::Done
    }

    /// How far the cut is; `None` if nobody tells, or has told for too long, and no clock runs.
    pub(super) fn place(&self, at: Steady) -> Option<Where> {
        self.told_place(at).or_else(|| self.place_by_clock(at))
    }

    /// The likeliest of [`Minder::place`].
    pub(super) fn progress(&self, at: Steady) -> Option<Progress> {
        self.place(at).map(|place| place.likely)
    }

    fn told_place(&self, at: Steady) -> Option<Where> {
        let loaded = self.loaded.as_ref()?;
        let pace = loaded.pace.filter(|pace| at.since(pace.told_at) <= TOLD_FOR)?;
        let further =
            if self.cutting == Some(true) { pace.per_second * at.since(pace.told_at).secs_f64() } else { 0.0 };
        let on = |from: Progress| Progress::from_fraction(from.fraction() + further);
        let (earliest, latest) = pace.between;
        let (earliest, latest) = (on(earliest), on(latest));
        Some(Where { likely: on(loaded.progress), earliest, latest, per_second: pace.per_second })
    }

    /// What the clock says is kept as the progress, for all that looks ahead.
    pub(super) fn follow_the_clock(&mut self, at: Steady) {
        if self.told_place(at).is_none()
            && let Some(place) = self.place_by_clock(at)
            && let Some(loaded) = &mut self.loaded
        {
            loaded.progress = place.likely;
        }
    }

    /// By the time that the program has run, if a contact tells and its course is known.
    fn place_by_clock(&self, at: Steady) -> Option<Where> {
        let loaded = self.loaded.as_ref()?;
        let course = loaded.course().filter(|_| loaded.run.has_begun())?;
        let elapsed = loaded.run.elapsed(at);
        let place = course.place(Told::Elapsed(elapsed))?;
        let later = Span::from_nanos(elapsed.nanos() + CLOCK_PACE.nanos());
        let runs = loaded.run.since.is_some();
        let further = if runs { course.at(later).fraction() - course.at(elapsed).fraction() } else { 0.0 };
        let per_second = further.max(0.0) / CLOCK_PACE.secs_f64();
        Some(Where { likely: place.likely, earliest: place.earliest, latest: place.latest, per_second })
    }
}

impl Loaded {
    fn course(&self) -> Option<&crate::job::plan::ProgramCourse> {
        Some(&self.card.program.as_ref()?.route.as_ref()?.course)
    }
}

fn next_pace(at: Steady, before: Option<Pace>, told: f64, between: (Progress, Progress)) -> Option<Pace> {
    let Some(before) = before else { return Some(Pace { told_at: at, told, per_second: 0.0, between }) };
    let span = at.since(before.told_at);
    if span < PACE_SPAN {
        return Some(Pace { between, ..before });
    }
    Some(Pace { told_at: at, told, per_second: ((told - before.told) / span.secs_f64()).max(0.0), between })
}

#[cfg(test)]
mod tests {
    use super::*;

    const BETWEEN: (Progress, Progress) = (Progress::START, Progress::START);

    #[test]
    fn the_pace_is_the_same_however_often_progress_is_told() {
        for millis in [50, 100, 500, 1_000, 5_000] {
            let mut pace = None;
            for tell in 0..=40 {
                let at = Steady::default().plus(Span::from_millis(tell * millis));
                pace = next_pace(at, pace, 0.01 * at.since(Steady::default()).secs_f64(), BETWEEN);
            }
            assert!((pace.unwrap().per_second - 0.01).abs() < 1e-9, "every {millis} ms");
        }
        let back = next_pace(
            Steady::from_nanos(2_000_000_000),
            next_pace(Steady::default(), None, 0.5, BETWEEN),
            0.0,
            BETWEEN,
        );
        assert!(back.unwrap().per_second.abs() < 1e-12, "a cut that begins again does not run backwards");
    }
}
