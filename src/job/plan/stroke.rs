//! The cut from above: where the cutter goes through the sheet, where it leaves a skin, where it lifts over a tab.
//!
//! A tab is a stretch of a cut that lifts off the board between two stretches that go through. Where the cutter hops over it at the
//! rapid, it counts as one only if the cut goes on beyond it the way it came, and has not closed its outline before.

use serde::{Deserialize, Serialize};

use super::stock::Stock;
use super::tool::Tool;
use crate::table::Point;
use crate::units::Length;

/// Less than this over the board counts as through, in mm: the last fibres of a sheet tear (common practice, no source).
pub(super) const THROUGH: f64 = 0.02;

/// Widths are told apart by this, in mm.
const WIDTH_STEP: f64 = 0.02;

/// An outline that ends so near to its beginning is closed, in mm.
const CLOSED: f64 = 0.5;

/// The cosine of the angle within which a cut goes straight on.
const STRAIGHT_ON: f64 = 0.85;

/// What a stroke leaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Leaves {
    /// Nothing: it opens the kerf to the board.
    Nothing,
    /// A tab.
    Tab,
    /// A skin.
    Skin,
}

/// A point of a stroke, on the table.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(in crate::job) struct StrokePoint {
    /// In mm.
    pub(in crate::job) x: f64,
    /// In mm.
    pub(in crate::job) y: f64,
    /// Since the program's beginning, in seconds.
    pub(in crate::job) seconds: f64,
    /// The line in the file.
    pub(in crate::job) line: u32,
    /// What stands over the board, in mm.
    pub(in crate::job) left: f32,
}

/// A stretch of the cut, swept with one width; a single point where the cutter only plunges.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stroke {
    /// What it leaves.
    pub leaves: Leaves,
    /// How wide it is at the board.
    pub width: Length,
    pub(in crate::job) points: Vec<StrokePoint>,
}

impl Stroke {
    /// Its middle line on the table.
    pub fn path(&self) -> Vec<Point> {
        let at =
            |point: &StrokePoint| Point { x: Length::from_millimetres(point.x), y: Length::from_millimetres(point.y) };
        self.points.iter().map(at).collect()
    }

    /// Its length.
    pub fn length(&self) -> Length {
        let length = self.points.windows(2).map(|ends| (ends[1].x - ends[0].x).hypot(ends[1].y - ends[0].y)).sum();
        Length::from_millimetres(length)
    }
}

/// A place of the cutter's end on the table: mm, height over the board, seconds.
#[derive(Clone, Copy, Debug)]
pub(super) struct At {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) over: f64,
    pub(super) seconds: f64,
    pub(super) line: u32,
}

impl At {
    /// How much of the straight way to another place lies below a height, in mm.
    pub(super) fn way_below(&self, to: &At, height: f64) -> f64 {
        let (low, high) = (self.over.min(to.over), self.over.max(to.over));
        let share = if high <= height { 1.0 } else { ((height - low) / (high - low)).max(0.0) };
        share * (to.x - self.x).hypot(to.y - self.y).hypot(to.over - self.over)
    }

    fn between(&self, other: &At, share: f64) -> At {
        let along = |from: f64, to: f64| from + (to - from) * share;
        At {
            x: along(self.x, other.x),
            y: along(self.y, other.y),
            over: along(self.over, other.over),
            seconds: along(self.seconds, other.seconds),
            line: other.line,
        }
    }

    fn flat_distance(&self, other: &At) -> f64 {
        (self.x - other.x).hypot(self.y - other.y)
    }

    fn point(&self) -> StrokePoint {
        StrokePoint { x: self.x, y: self.y, seconds: self.seconds, line: self.line, left: self.over.max(0.0) as f32 }
    }
}

/// How deep a piece of the path goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Band {
    Through,
    Skin,
    Partial,
    Clear,
}

/// Gathers strokes from the path.
#[derive(Debug)]
pub(super) struct Sweep {
    limits: [f64; 3],
    longest_tab: f64,
    strokes: Vec<Stroke>,
    /// Whether the last stroke of each kind may still grow.
    through_open: bool,
    skin: Option<Stroke>,
    /// The path since the last stretch that went through, while it may be a tab.
    lift: Option<Lift>,
    /// Where the stretch that goes through at present began.
    began: Option<[f64; 2]>,
    /// Where the last stretch that went through ended, and which way it went.
    last: Option<(At, [f64; 2])>,
    /// The same, once the cutter has left it at the rapid.
    left_behind: Option<(At, [f64; 2])>,
}

#[derive(Debug)]
struct Lift {
    stroke: Stroke,
    length: f64,
}

impl Sweep {
    pub(super) fn new(stock: &Stock) -> Self {
        let thickness = stock.thickness.millimetres();
        Sweep {
            limits: [THROUGH, stock.thickest_skin.millimetres().clamp(THROUGH, thickness), thickness],
            longest_tab: stock.longest_tab.millimetres(),
            strokes: Vec::new(),
            through_open: false,
            skin: None,
            lift: None,
            began: None,
            last: None,
            left_behind: None,
        }
    }

    /// The band of a height over the board.
    pub(super) fn band(&self, over: f64) -> Band {
        let [through, skin, sheet] = self.limits;
        match over {
            over if over <= through => Band::Through,
            over if over <= skin => Band::Skin,
            over if over < sheet => Band::Partial,
            _ => Band::Clear,
        }
    }

    /// A straight piece that cuts as deep as it lies.
    pub(super) fn cut(&mut self, from: &At, to: &At, tool: &Tool) {
        let mut shares = vec![0.0, 1.0];
        let drop = to.over - from.over;
        shares.extend(
            self.limits.iter().map(|limit| (limit - from.over) / drop).filter(|share| *share > 0.0 && *share < 1.0),
        );
        shares.sort_by(f64::total_cmp);
        for ends in shares.windows(2) {
            let (from, to) = (from.between(to, ends[0]), from.between(to, ends[1]));
            self.piece(&from, &to, tool);
        }
    }

    fn piece(&mut self, from: &At, to: &At, tool: &Tool) {
        let middle = 0.5 * (from.over + to.over);
        let band = self.band(middle);
        let width = tool.width_at(Length::from_millimetres((-from.over.min(to.over)).max(0.0))).millimetres();
        match band {
            Band::Through => {
                self.land();
                self.close_skin();
                self.go_through(from, to, width.max(narrowest(tool)));
            }
            Band::Skin => {
                self.through_open = false;
                self.leave_skin(from, to, tool);
                self.lift_over(from, to);
            }
            Band::Partial | Band::Clear => {
                self.through_open = false;
                self.close_skin();
                self.lift_over(from, to);
            }
        }
    }

    /// Ends whatever is going on: a rapid, or the end.
    pub(super) fn interrupt(&mut self) {
        let closed = |(end, _): &(At, [f64; 2])| self.began.is_some_and(|[x, y]| (x - end.x).hypot(y - end.y) < CLOSED);
        if let Some(last) = self.last.take().filter(|last| !closed(last)) {
            self.left_behind = Some(last);
        }
        self.began = None;
        self.through_open = false;
        self.lift = None;
        self.close_skin();
    }

    fn go_through(&mut self, from: &At, to: &At, width: f64) {
        let width = Length::from_millimetres((width / WIDTH_STEP).round() * WIDTH_STEP);
        self.began.get_or_insert([from.x, from.y]);
        let length = from.flat_distance(to);
        if length > 0.0 {
            let way = [(to.x - from.x) / length, (to.y - from.y) / length];
            self.hop_over(from, way, width);
            self.last = Some((*to, way));
        }
        let goes_on = self.through_open
            && self
                .strokes
                .last()
                .is_some_and(|last| last.leaves == Leaves::Nothing && (last.width - width).metres().abs() < 1e-9);
        if !goes_on {
            let points = vec![from.point()];
            self.strokes.push(Stroke { leaves: Leaves::Nothing, width, points });
            self.through_open = true;
        }
        if let Some(stroke) = self.strokes.last_mut() {
            extend(stroke, to);
        }
        let empty = Stroke { leaves: Leaves::Tab, width, points: Vec::new() };
        self.lift = Some(Lift { stroke: empty, length: 0.0 });
    }

    /// A tab between where the cutter left at the rapid and where it is through again, if the cut goes straight on.
    fn hop_over(&mut self, to: &At, way: [f64; 2], width: Length) {
        let Some((from, way_there)) = self.left_behind.take() else { return };
        let length = from.flat_distance(to);
        let hop = [(to.x - from.x) / length, (to.y - from.y) / length];
        let goes_on = |way: [f64; 2]| way[0] * hop[0] + way[1] * hop[1] > STRAIGHT_ON;
        if length > CLOSED && length <= self.longest_tab && goes_on(way) && goes_on(way_there) {
            let points = [&from, to].map(|at| StrokePoint { left: self.limits[2] as f32, ..at.point() });
            self.strokes.push(Stroke { leaves: Leaves::Tab, width, points: points.to_vec() });
            self.through_open = false;
        }
    }

    fn leave_skin(&mut self, from: &At, to: &At, tool: &Tool) {
        let left = Length::from_millimetres(from.over.min(to.over));
        let skin = self.skin.get_or_insert_with(|| Stroke {
            leaves: Leaves::Skin,
            width: tool.diameter.min(tool.width_at(left).max(Length::from_millimetres(narrowest(tool)))),
            points: vec![from.point()],
        });
        extend(skin, to);
        if let Some(last) = skin.points.last_mut() {
            // Straight down in one place: the lower end is what is left.
            last.left = last.left.min(to.point().left);
        }
    }

    fn close_skin(&mut self) {
        self.strokes.extend(self.skin.take());
    }

    fn lift_over(&mut self, from: &At, to: &At) {
        let Some(lift) = &mut self.lift else { return };
        lift.length += from.flat_distance(to);
        if lift.length > self.longest_tab {
            self.lift = None;
            return;
        }
        let stroke = &mut lift.stroke;
        if stroke.points.is_empty() {
            stroke.points.push(from.point());
        }
        extend(stroke, to);
    }

    /// The cutter is through again: what it lifted over was a tab.
    fn land(&mut self) {
        let Some(lift) = self.lift.take().filter(|lift| lift.length > 0.0) else { return };
        self.strokes.push(lift.stroke);
        self.through_open = false;
    }

    pub(super) fn finish(mut self) -> Vec<Stroke> {
        self.interrupt();
        self.strokes
    }
}

/// A width to sweep with where a pointed cutter only just touches the board, in mm.
fn narrowest(tool: &Tool) -> f64 {
    0.1_f64.min(tool.diameter.millimetres())
}

/// Adds a point that is not the last one again.
fn extend(stroke: &mut Stroke, to: &At) {
    let far = stroke.points.last().is_none_or(|last| (last.x - to.x).hypot(last.y - to.y) > 1e-6);
    if far {
        stroke.points.push(to.point());
    }
}
