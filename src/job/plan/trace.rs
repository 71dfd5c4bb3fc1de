//! The program's steps followed in time, move by move.

use std::collections::{BTreeMap, BTreeSet};

use super::chords;
use super::course::ProgramCourse;
use super::machine::{Drive, Leg, Machine};
use super::passes::{Cutting, Passes, Through};
use super::scar::Scar;
use super::stock::Stock;
use super::stroke::{At, Band, Stroke, Sweep};
use super::tool::Tool;
use super::{CutThrough, Remark, Warning};
use crate::job::program::{Deed, Move, Note, Pace, Refusal, Spot, Step, Turning};
use crate::moment::Span;
use crate::table::Point;
use crate::units::{Length, Speed};

/// Moves that are timed together; the machine is taken to stop after so many.
const TOGETHER: usize = 8192;

/// The most points of all strokes.
const MOST_POINTS: usize = 4_000_000;

/// The most that may be cut through the sheet or down to a skin, in mm: many times what a sheet has room for.
const FARTHEST_SWEPT: f64 = 2e7;

/// The most refusals told of one program.
pub(super) const MOST_REFUSALS: usize = 50;

/// What following a program gives.
#[derive(Debug)]
pub(super) struct Followed {
    pub(super) strokes: Vec<Stroke>,
    pub(super) scar: Scar,
    pub(super) course: ProgramCourse,
    pub(super) remarks: Vec<Remark>,
    pub(super) warnings: Vec<Warning>,
    pub(super) tools: Vec<u32>,
    pub(super) through: Vec<CutThrough>,
    pub(super) by_tool: Vec<(u32, Length)>,
}

#[derive(Debug)]
pub(super) struct Trace<'a> {
    stock: &'a Stock,
    machine: &'a Machine,
    /// As fast, and as slow, as it may be, with its time.
    bounds: [(Drive, f64); 2],
    tools: &'a [Tool],
    tool: Option<Tool>,
    changed: bool,
    used: Vec<u32>,
    /// How far each tool has cut, in mm.
    by_tool: BTreeMap<u32, f64>,
    turning: Option<Turning>,
    together: Vec<(Move, u32, Option<u32>)>,
    seconds: f64,
    opened: f64,
    points: usize,
    /// The length cut through or down to a skin, in mm.
    swept: f64,
    sweep: Sweep,
    scar: Scar,
    passes: Passes,
    /// Revolutions a minute as last named.
    rpm: Option<f64>,
    course: ProgramCourse,
    /// The program's own number last named.
    number: Option<u32>,
    notes: BTreeMap<Note, Remark>,
    warnings: Vec<Warning>,
    /// Obstacles that a cut has met.
    met: BTreeSet<usize>,
    refusals: Vec<Refusal>,
    lines: u64,
}

impl<'a> Trace<'a> {
    pub(super) fn new(stock: &'a Stock, tools: &'a [Tool], machine: &'a Machine) -> Self {
        Trace {
            stock,
            machine,
            bounds: machine.bounds().map(|drive| (drive, 0.0)),
            tools,
            tool: None,
            changed: false,
            used: Vec::new(),
            by_tool: BTreeMap::new(),
            turning: None,
            together: Vec::new(),
            seconds: 0.0,
            opened: 0.0,
            points: 0,
            swept: 0.0,
            sweep: Sweep::new(stock),
            scar: Scar::none(stock),
            passes: Passes::none(stock),
            rpm: None,
            course: ProgramCourse::default(),
            number: None,
            notes: BTreeMap::new(),
            warnings: Vec::new(),
            met: BTreeSet::new(),
            refusals: Vec::new(),
            lines: 0,
        }
    }

    /// Follows a step; false if there is no use in going on.
    pub(super) fn follow(&mut self, step: Result<Step, Refusal>) -> bool {
        match step {
            Ok(step) => {
                self.lines = self.lines.max(step.line);
                if let Some(number) = step.number {
                    self.course.name(number);
                    self.number = Some(number);
                }
                if let Err(refusal) = self.take(&step) {
                    self.refusals.push(refusal);
                }
            }
            Err(refusal) => self.refusals.push(refusal),
        }
        self.refusals.len() < MOST_REFUSALS
    }

    fn take(&mut self, step: &Step) -> Result<(), Refusal> {
        match &step.deed {
            Deed::Move(made) => return self.take_move(made, step),
            Deed::Prepare(number) if !self.changed => {
                self.flush()?;
                self.passes.interrupt();
                // A machine without a changer: the tool named is the one in the spindle.
                self.tool = self.known_tool(*number, step.line)?;
            }
            Deed::Prepare(_) => {}
            Deed::Change(number) => {
                self.stand(|machine| machine.tool_change)?;
                self.passes.interrupt();
                self.tool = self.known_tool(*number, step.line)?;
                self.changed = true;
            }
            Deed::Spindle(turning, rpm) => {
                let waits = *turning != Turning::Stopped && self.turning != Some(*turning);
                self.stand(|machine| if waits { machine.spin_up } else { Span::ZERO })?;
                self.turning = Some(*turning);
                self.rpm = rpm.filter(|rpm| *rpm > 0.0).or(self.rpm);
            }
            Deed::Dwell(span) => self.stand(|_| *span)?,
            Deed::Pause { .. } | Deed::End => self.flush()?,
            Deed::Note(note) => {
                let first = Remark { note: *note, line: step.line, times: 0 };
                self.notes.entry(*note).or_insert(first).times += 1;
            }
        }
        Ok(())
    }

    fn known_tool(&self, number: u32, line: u64) -> Result<Option<Tool>, Refusal> {
        if number == 0 {
            return Ok(None);
        }
        if let Some(tool) = self.tools.iter().find(|tool| tool.number == number) {
            return Ok(Some(*tool));
        }
        let listed: Vec<String> = self.tools.iter().map(|tool| tool.number.to_string()).collect();
        Err(Refusal {
            line,
            columns: None,
            what: format!("tool {number} is not in the card's list: {}", listed.join(", ")),
            remedy: "add it to the card as a [[tool]]".to_owned(),
        })
    }

    /// Times the moves so far, then stands still.
    fn stand(&mut self, span: impl Fn(&Machine) -> Span) -> Result<(), Refusal> {
        self.flush()?;
        self.seconds += span(self.machine).secs_f64();
        for (drive, seconds) in &mut self.bounds {
            *seconds += span(&drive.machine).secs_f64();
        }
        Ok(())
    }

    /// The time so far, likely, at the least and at the most.
    fn times(&self) -> [f64; 3] {
        [self.seconds, self.bounds[0].1, self.bounds[1].1]
    }

    fn take_move(&mut self, made: &Move, step: &Step) -> Result<(), Refusal> {
        if !(made.from.is_known() && made.to.is_known()) {
            self.flush()?;
            self.sweep.interrupt();
            return self.take_unknown(made, step.line);
        }
        let line = u32::try_from(step.line).unwrap_or(u32::MAX);
        self.together.push((*made, line, self.number));
        if self.together.len() >= TOGETHER { self.flush() } else { Ok(()) }
    }

    /// A move between places of which one is not known: clear of the sheet, or refused.
    fn take_unknown(&self, made: &Move, line: u64) -> Result<(), Refusal> {
        let over = |spot: Spot| spot.z().map(|_| self.stock.place(spot.millimetres())[2]);
        let deep = |spot: Spot| over(spot).is_some_and(|over| self.sweep.band(over) != Band::Clear);
        if !(deep(made.to) || deep(made.from) && made.pace != Pace::Rapid) {
            return Ok(());
        }
        Err(Refusal {
            line,
            columns: None,
            what: "the cutter goes into the sheet, but the program has not named where it comes from".to_owned(),
            remedy: "move to a place above the sheet first".to_owned(),
        })
    }

    fn flush(&mut self) -> Result<(), Refusal> {
        let together = std::mem::take(&mut self.together);
        let legs: Vec<Leg> = together.iter().map(|(made, _, _)| leg(made)).collect();
        let durations = self.machine.likely().durations(&legs);
        let bounds = [0, 1].map(|bound: usize| self.bounds[bound].0.durations(&legs));
        for (place, (made, line, number)) in together.iter().enumerate() {
            let held = |computed: f64| match made.pace {
                Pace::Within(span) => span.secs_f64().max(computed),
                Pace::Rapid | Pace::Feed(_) => computed,
            };
            let seconds = held(durations[place]);
            self.course.mark(self.times(), self.opened, *line, *number);
            self.cut(made, seconds, *line)?;
            self.seconds += seconds;
            for (bound, durations) in self.bounds.iter_mut().zip(&bounds) {
                bound.1 += held(durations[place]);
            }
        }
        self.together = together;
        self.together.clear();
        Ok(())
    }

    fn cut(&mut self, made: &Move, seconds: f64, line: u32) -> Result<(), Refusal> {
        let at = |place: [f64; 3], share: f64| {
            let [x, y, over] = self.stock.place(place);
            At { x, y, over, seconds: self.seconds + seconds * share, line }
        };
        let mut from = at(made.from.millimetres(), 0.0);
        let points: Vec<At> = chords::points(made).into_iter().map(|(place, share)| at(place, share)).collect();
        let lowest = points.iter().map(|at| at.over).fold(from.over, f64::min);
        let clear = self.sweep.band(lowest) == Band::Clear;
        if made.pace == Pace::Rapid {
            self.sweep.interrupt();
            self.passes.interrupt();
            if clear {
                return Ok(());
            }
        }
        if !clear {
            self.warn_before_cutting(made, line, lowest);
        }
        let Some(tool) = self.tool_in_hand() else {
            return if clear { Ok(()) } else { Err(no_tool(line)) };
        };
        self.count(&from, &points, line)?;
        let (length, ..) = chords::course(made);
        let feed = ordered(made).unwrap_or(length / seconds.max(1e-9));
        let top = self.stock.thickness.millimetres();
        let mut within = 0.0;
        let cutting = Cutting { tool: tool.number, feed, rpm: self.rpm };
        let cutting = Some(cutting).filter(|_| made.pace != Pace::Rapid);
        for to in points {
            self.sweep.cut(&from, &to, &tool);
            self.passes.add(&from, &to, cutting);
            within += from.way_below(&to, top);
            let deepest = from.over.min(to.over);
            if deepest <= super::stroke::THROUGH {
                self.opened += (to.x - from.x).hypot(to.y - from.y);
            }
            if deepest < 0.0 {
                let width = tool.width_at(Length::from_millimetres(-deepest)).millimetres();
                self.scar.add(&from, &to, width);
                self.meet_obstacles(&from, &to, width);
            }
            from = to;
        }
        if made.pace != Pace::Rapid && within > 0.0 {
            *self.by_tool.entry(tool.number).or_default() += within;
        }
        Ok(())
    }

    /// Keeps what is to be swept within bounds.
    fn count(&mut self, from: &At, points: &[At], line: u32) -> Result<(), Refusal> {
        let deep = |at: &At| matches!(self.sweep.band(at.over), Band::Through | Band::Skin);
        if !points.iter().chain([from]).any(deep) {
            return Ok(());
        }
        self.points += points.len();
        let ends = points.iter().zip([from].into_iter().chain(points));
        self.swept += ends.map(|(to, from)| (to.x - from.x).hypot(to.y - from.y)).sum::<f64>();
        if self.points > MOST_POINTS || self.swept > FARTHEST_SWEPT { Err(too_long(line)) } else { Ok(()) }
    }

    fn tool_in_hand(&mut self) -> Option<Tool> {
        let only = if let [only] = self.tools { Some(*only) } else { None };
        let tool = self.tool.or(only.filter(|_| !self.changed));
        if let Some(tool) = tool
            && !self.used.contains(&tool.number)
        {
            self.used.push(tool.number);
        }
        tool
    }

    fn warn_before_cutting(&mut self, made: &Move, line: u32, deepest: f64) {
        let line = u64::from(line);
        // Up and out of a hole at the rapid is what every cutter does; down or sideways is not.
        let sideways = made.from.x() != made.to.x() || made.from.y() != made.to.y();
        let falls = made.to.z() < made.from.z();
        if made.pace == Pace::Rapid && (falls || sideways) {
            self.warn(Warning::RapidThroughSheet { line });
        }
        if !matches!(self.turning, Some(Turning::Clockwise | Turning::Counterclockwise)) {
            self.warn(Warning::SpindleStands { line });
        }
        if let Some(left) = self.stock.board_left
            && -deepest > left.millimetres()
        {
            self.warn(Warning::ThroughBoard { line, depth: Length::from_millimetres(-deepest), left });
        }
    }

    /// Each obstacle once, where a cut first meets it.
    fn meet_obstacles(&mut self, from: &At, to: &At, width: f64) {
        for (place, obstacle) in self.stock.obstacles.iter().enumerate() {
            if self.met.contains(&place) {
                continue;
            }
            if let Some(depth) = obstacle.met(from, to, width) {
                self.met.insert(place);
                self.warnings.push(Warning::IntoObstacle {
                    line: u64::from(to.line),
                    kind: obstacle.kind,
                    at: Point {
                        x: (obstacle.from.x + obstacle.to.x) * 0.5,
                        y: (obstacle.from.y + obstacle.to.y) * 0.5,
                    },
                    depth: Length::from_millimetres(depth),
                    below: obstacle.below,
                });
            }
        }
    }

    /// The first of each kind.
    fn warn(&mut self, warning: Warning) {
        let kind = std::mem::discriminant(&warning);
        if !self.warnings.iter().any(|earlier| std::mem::discriminant(earlier) == kind) {
            self.warnings.push(warning);
        }
    }

    /// What the program does, or every refusal.
    pub(super) fn finish(mut self) -> Result<Followed, Vec<Refusal>> {
        if let Err(refusal) = self.flush() {
            self.refusals.push(refusal);
        }
        if !self.refusals.is_empty() {
            return Err(self.refusals);
        }
        self.course.end(self.times(), self.opened, self.lines);
        let mut remarks: Vec<Remark> = self.notes.into_values().collect();
        remarks.sort_by_key(|remark| remark.line);
        Ok(Followed {
            strokes: self.sweep.finish(),
            scar: self.scar,
            course: self.course,
            remarks,
            warnings: self.warnings,
            tools: self.used,
            through: cut_through(self.passes),
            by_tool: self.by_tool.into_iter().map(|(tool, length)| (tool, Length::from_millimetres(length))).collect(),
        })
    }
}

fn cut_through(passes: Passes) -> Vec<CutThrough> {
    let one = |(tool, Through { length, hardest }): (u32, Through)| CutThrough {
        tool,
        length: Length::from_millimetres(length),
        kept_up: Length::from_millimetres(hardest.kept_up),
        feed: Speed::from_metres_per_second(hardest.cutting.feed / 1000.0),
        rpm: hardest.cutting.rpm,
        last_pass: Length::from_millimetres(hardest.depth),
        line: u64::from(hardest.line),
    };
    let mut through: Vec<CutThrough> = passes.through.into_iter().map(one).collect();
    through.sort_by(|one, other| other.length.metres().total_cmp(&one.length.metres()).then(one.tool.cmp(&other.tool)));
    through
}

/// The feed that a move is ordered at, in mm/s.
fn ordered(made: &Move) -> Option<f64> {
    match made.pace {
        Pace::Feed(feed) => Some(feed.metres_per_second() * 1000.0),
        Pace::Rapid | Pace::Within(_) => None,
    }
}

fn leg(made: &Move) -> Leg {
    let (length, sets_out, arrives) = chords::course(made);
    let ordered = ordered(made).unwrap_or(f64::INFINITY);
    Leg { length, sets_out, arrives, ordered, radius: chords::radius(made), exact_stop: made.exact_stop }
}

fn no_tool(line: u32) -> Refusal {
    Refusal {
        line: u64::from(line),
        columns: None,
        what: "the program cuts, but has named no tool".to_owned(),
        remedy: "name it with T and M6, or list only one on the card".to_owned(),
    }
}

fn too_long(line: u32) -> Refusal {
    Refusal {
        line: u64::from(line),
        columns: None,
        what: format!(
            "the program cuts through the sheet in more than {MOST_POINTS} pieces, or over more than {} m",
            FARTHEST_SWEPT / 1000.0
        ),
        remedy: "split the program".to_owned(),
    }
}
