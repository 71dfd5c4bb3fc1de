//! Where in the program the cut is, from whatever the machine tells: a line, a share of the program, a time.

use serde::{Deserialize, Serialize};

use crate::job::Progress;
use crate::moment::Span;

/// The most marks kept of one program; beyond it they are taken twice as far apart.
const MOST_MARKS: usize = 400_000;

/// A line's beginning.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Mark {
    seconds: f64,
    /// Kerf opened by then, in mm.
    opened: f64,
    line: u32,
    /// The program's own number last named by then.
    number: Option<u32>,
    /// When it begins on the machine as fast, and as slow, as it may be.
    bounds: [f32; 2],
}

impl Mark {
    /// When it begins by one of the two bounds.
    fn by(&self, clock: Clock) -> f64 {
        match clock {
            Clock::Fast => f64::from(self.bounds[0]),
            Clock::Slow => f64::from(self.bounds[1]),
        }
    }
}

/// Which machine a time is reckoned with.
#[derive(Clone, Copy, Debug)]
enum Clock {
    Fast,
    Slow,
}

/// The program's course in time.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ProgramCourse {
    marks: Vec<Mark>,
    seconds: f64,
    opened: f64,
    lines: u64,
    /// The program's highest line number of its own.
    highest: Option<u32>,
    least_apart: f64,
    bounds: [f64; 2],
}

/// A place in the program, and between which others it may truly be.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlaceInProgram {
    /// The likeliest.
    pub likely: Progress,
    /// At the earliest.
    pub earliest: Progress,
    /// At the latest.
    pub latest: Progress,
    /// How long the program has run at the likeliest place, pauses apart.
    pub elapsed: Span,
    /// How long it still runs.
    pub remaining: Span,
}

/// What the machine tells of how far it is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Told {
    /// The line of the file, counted from 1.
    Line(u64),
    /// The program's own line number, N.
    Number(u32),
    /// A share of the program's lines, 0 to 1.
    Share(f64),
    /// The time since the program began, pauses apart: from a contact that closes while the spindle feeds, or a clock.
    Elapsed(Span),
}

impl ProgramCourse {
    pub(super) fn mark(&mut self, [seconds, fast, slow]: [f64; 3], opened: f64, line: u32, number: Option<u32>) {
        let last = self.marks.last();
        if last.is_some_and(|last| last.line == line || seconds - last.seconds < self.least_apart) {
            return;
        }
        self.marks.push(Mark { seconds, opened, line, number, bounds: [fast as f32, slow as f32] });
        if self.marks.len() >= MOST_MARKS {
            self.least_apart = (2.0 * seconds / MOST_MARKS as f64).max(2.0 * self.least_apart);
            let mut kept = f64::NEG_INFINITY;
            let apart = self.least_apart;
            self.marks.retain(|mark| {
                let keep = mark.seconds - kept >= apart;
                kept = if keep { mark.seconds } else { kept };
                keep
            });
        }
    }

    /// The program names a number, on a line with a move or without.
    pub(super) fn name(&mut self, number: u32) {
        self.highest = self.highest.max(Some(number));
    }

    pub(super) fn end(&mut self, [seconds, fast, slow]: [f64; 3], opened: f64, lines: u64) {
        (self.seconds, self.opened, self.lines, self.bounds) = (seconds, opened, lines, [fast, slow]);
    }

    /// The same with at most about `most` marks.
    pub(super) fn thinned(&self, most: usize) -> Self {
        let apart = self.marks.len().div_ceil(most.max(1)).max(1);
        let marks = self.marks.iter().step_by(apart).copied().collect();
        ProgramCourse { marks, ..self.clone() }
    }

    /// How long the whole program takes, pauses apart.
    pub fn duration(&self) -> Span {
        Span::from_secs_f64(self.seconds)
    }

    /// How long it takes at the least and at the most, by what the machine's settings may be wrong by.
    pub fn duration_bounds(&self) -> (Span, Span) {
        (Span::from_secs_f64(self.bounds[0]), Span::from_secs_f64(self.bounds[1]))
    }

    /// How many lines the file has up to its end.
    pub fn lines(&self) -> u64 {
        self.lines
    }

    /// How far the cut is at a time since the beginning: the share of the kerf that is open.
    pub fn at(&self, elapsed: Span) -> Progress {
        Progress::from_fraction(self.opened_at(elapsed.secs_f64()) / self.opened.max(1e-9))
    }

    /// When so much of the kerf is open.
    pub fn when(&self, progress: Progress) -> Span {
        let opened = progress.fraction() * self.opened;
        let next = self.marks.partition_point(|mark| mark.opened < opened);
        let (from, to) = self.around(next);
        let share = if to.opened > from.opened { (opened - from.opened) / (to.opened - from.opened) } else { 0.0 };
        Span::from_secs_f64(from.seconds + (to.seconds - from.seconds) * share.clamp(0.0, 1.0))
    }

    /// Where the cut is by what the machine tells; none for a line that the program does not have.
    pub fn place(&self, told: Told) -> Option<PlaceInProgram> {
        let (low, likely, high) = match told {
            Told::Line(line) => {
                let line = u32::try_from(line).ok().filter(|line| u64::from(*line) <= self.lines.max(1))?;
                self.times_of(|mark| mark.line == line).or_else(|| self.times_about(line))?
            }
            Told::Number(number) => {
                let named = self.times_of(|mark| mark.number == Some(number));
                named.or_else(|| self.times_behind(number))?
            }
            Told::Share(share) => {
                let line = (share.clamp(0.0, 1.0) * self.lines as f64).round();
                // A controller may count lines or bytes: a hundredth of the program either way (common practice, no source).
                let about = |line: f64| self.times_about(line.clamp(0.0, self.lines as f64) as u32);
                let slack = 0.01 * self.lines as f64;
                (about(line - slack)?.0, about(line)?.1, about(line + slack)?.2)
            }
            Told::Elapsed(elapsed) => {
                let elapsed = elapsed.secs_f64();
                (self.after(elapsed, Clock::Slow), elapsed, self.after(elapsed, Clock::Fast))
            }
        };
        let hold = |seconds: f64| seconds.clamp(0.0, self.seconds);
        let at = |seconds: f64| self.at(Span::from_secs_f64(hold(seconds)));
        let elapsed = hold(likely);
        Some(PlaceInProgram {
            likely: at(likely),
            earliest: at(low),
            latest: at(high),
            elapsed: Span::from_secs_f64(elapsed),
            remaining: Span::from_secs_f64(self.seconds - elapsed),
        })
    }

    /// The first beginning, the middle of the first pass and the last end of the marks that are meant.
    fn times_of(&self, meant: impl Fn(&Mark) -> bool) -> Option<(f64, f64, f64)> {
        let first = self.marks.iter().position(&meant)?;
        let last = self.marks.iter().rposition(&meant)?;
        let ends = |place: usize| self.marks.get(place + 1).map_or(self.seconds, |mark| mark.seconds);
        let begins = self.marks[first].seconds;
        Some((begins, 0.5 * (begins + ends(first)), ends(last)))
    }

    /// The same for a line without a move, or one whose mark has been left out.
    fn times_about(&self, line: u32) -> Option<(f64, f64, f64)> {
        let after = self.marks.iter().position(|mark| mark.line > line);
        let before = self.marks[..after.unwrap_or(self.marks.len())].iter().rposition(|mark| mark.line <= line);
        let begins = before.map_or(0.0, |place| self.marks[place].seconds);
        let ends = after.map_or(self.seconds, |place| self.marks[place].seconds);
        Some((begins, begins, ends))
    }

    /// The same for a number of a line without a move, or whose mark has been left out: where numbers rise from line to line it comes
    /// behind the nearest below it. None for a number above all of the program's, or where numbers do not rise.
    fn times_behind(&self, number: u32) -> Option<(f64, f64, f64)> {
        self.highest.filter(|highest| number <= *highest)?;
        let mut named: Vec<(u32, u32)> = self.marks.iter().filter_map(|mark| Some((mark.line, mark.number?))).collect();
        named.sort_unstable();
        if !named.is_sorted_by_key(|(_, number)| number) {
            return None;
        }
        let before = named.partition_point(|(_, earlier)| *earlier < number).checked_sub(1);
        match before.map(|place| named[place].0) {
            Some(line) => self.times_of(|mark| mark.line == line),
            None => self.times_about(0),
        }
    }

    /// The likely time at the place that a faster or slower machine has reached after so long.
    fn after(&self, elapsed: f64, clock: Clock) -> f64 {
        let next = self.marks.partition_point(|mark| mark.by(clock) <= elapsed);
        let (from, to) = self.around(next);
        let (begins, ends) = (from.by(clock), to.by(clock));
        let share = if ends > begins { ((elapsed - begins) / (ends - begins)).clamp(0.0, 1.0) } else { 1.0 };
        from.seconds + (to.seconds - from.seconds) * share
    }

    fn opened_at(&self, seconds: f64) -> f64 {
        let next = self.marks.partition_point(|mark| mark.seconds <= seconds);
        let (from, to) = self.around(next);
        let share =
            if to.seconds > from.seconds { (seconds - from.seconds) / (to.seconds - from.seconds) } else { 1.0 };
        from.opened + (to.opened - from.opened) * share.clamp(0.0, 1.0)
    }

    /// The marks before and at a place of the list, ends included.
    fn around(&self, next: usize) -> (Mark, Mark) {
        let start = Mark { seconds: 0.0, opened: 0.0, line: 0, number: None, bounds: [0.0; 2] };
        let bounds = self.bounds.map(|seconds| seconds as f32);
        let end = Mark { seconds: self.seconds, opened: self.opened, line: u32::MAX, number: None, bounds };
        let before = next.checked_sub(1).and_then(|place| self.marks.get(place)).copied().unwrap_or(start);
        (before, self.marks.get(next).copied().unwrap_or(end))
    }
}
