//! What a cut program does to a sheet: kerfs as they open, parts as they come free, what still holds them, the time it takes, and
//! what the board gets.
//!
//! [`Plan::of`] follows the steps of a [`super::program`] with the true cutters. Where a cut goes through, it opens the sheet; what
//! it leaves as a skin or lifts over as a tab parts the sheet too, but goes on holding. The regions that remain are the parts, the
//! drops within parts, and the skeleton around them.

mod bed;
mod chords;
mod clip;
mod course;
mod gap;
mod holds;
mod machine;
mod passes;
mod piece;
mod regions;
mod route;
mod scar;
mod stock;
mod stroke;
mod tool;
mod trace;

pub use bed::{Bed, Obstacle, ObstacleKind};
pub use course::{PlaceInProgram, ProgramCourse, Told};
pub use gap::{Gap, OpenOutline};
pub use machine::Machine;
pub use piece::{Hold, Kind, Neighbour, Piece, PieceId, When};
pub use route::{CardProgram, MOST_WARNINGS, Route};
pub use scar::{Scar, ScarMap};
pub use stock::{Stock, ZeroHeight};
pub use stroke::{Leaves, Stroke};
pub use tool::{Helix, Tip, Tool, Winds};

use std::fmt;

use serde::{Deserialize, Serialize};

use super::program::{Note, Refusal, Step};
use crate::moment::Span;
use crate::table::{Kerf, Point};
use crate::units::{Area, Length, Speed};

/// A program laid on a sheet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// The cut, stroke by stroke, in the order in which it ends.
    pub strokes: Vec<Stroke>,
    /// What the sheet falls into: parts and drops in the order in which they are parted from it, then edge pieces and the skeleton.
    pub pieces: Vec<Piece>,
    /// Outlines that are not closed, whose pieces stay with the sheet.
    pub open: Vec<OpenOutline>,
    /// What the board gets.
    pub scar: Scar,
    /// Where in the program the cut is at which time.
    pub course: ProgramCourse,
    /// The numbers of the tools that it uses, in their order.
    pub tools: Vec<u32>,
    /// How each tool cuts where it goes through, the one that cuts farthest first.
    pub through: Vec<CutThrough>,
    /// How far each tool moves in the sheet or the board, by its number.
    pub by_tool: Vec<(u32, Length)>,
    /// How things were taken that the program leaves open.
    pub remarks: Vec<Remark>,
    /// What someone should look at before the cut.
    pub warnings: Vec<Warning>,
}

/// How a tool cuts where it goes through the sheet and its teeth are loaded most.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CutThrough {
    /// The tool.
    pub tool: u32,
    /// How far it goes through, all in all.
    pub length: Length,
    /// The way over which it is loaded so without a break; at most what must be, so that no ramp or nick decides.
    pub kept_up: Length,
    /// At which feed.
    pub feed: Speed,
    /// At how many revolutions a minute, if the program has said it by then.
    pub rpm: Option<f64>,
    /// How deep its last pass is.
    pub last_pass: Length,
    /// The line.
    pub line: u64,
}

/// How something was taken that the program leaves open: where first, and how often.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Remark {
    /// How it was taken.
    pub note: Note,
    /// The first line.
    pub line: u64,
    /// How often.
    pub times: u32,
}

/// What someone should look at before the cut: the first line of each kind, every open outline, every obstacle once.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Warning {
    /// A rapid goes down into the sheet, or sideways through it.
    RapidThroughSheet {
        /// The line.
        line: u64,
    },
    /// A cut while the program has the spindle stand.
    SpindleStands {
        /// The line.
        line: u64,
    },
    /// A cut deeper than the board is thick.
    ThroughBoard {
        /// The line.
        line: u64,
        /// How deep it goes into the board.
        depth: Length,
        /// How thick the board still is.
        left: Length,
    },
    /// Nothing is cut through.
    NothingThrough,
    /// A cut goes into a screw, groove or slot of the board.
    IntoObstacle {
        /// The line.
        line: u64,
        /// Into what.
        kind: ObstacleKind,
        /// Where on the table.
        at: Point,
        /// How deep the cut goes into the board.
        depth: Length,
        /// How far below the board's top the obstacle begins.
        below: Length,
    },
    /// An outline that is not closed by cuts, tabs and skins, so that its piece stays with the sheet.
    OpenOutline {
        /// The line at its widest gap.
        line: u64,
        /// The widest gap.
        gap: Length,
        /// Where on the table that is.
        at: Point,
        /// The area that the outline would have.
        area: Area,
    },
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Warning::RapidThroughSheet { line } => {
                write!(f, "line {line}: a rapid goes through the sheet; check the heights before the cut")
            }
            Warning::SpindleStands { line } => {
                write!(f, "line {line}: a cut while the program has not started the spindle; check M3")
            }
            Warning::ThroughBoard { line, depth, left } => write!(
                f,
                "line {line}: a cut {:.1} mm into the board, of which {:.1} mm are left; check Z0 and the thickness",
                depth.millimetres(),
                left.millimetres()
            ),
            Warning::IntoObstacle { line, kind, at, depth, below } => {
                let what = match kind {
                    ObstacleKind::Screw => "a screw",
                    ObstacleKind::Groove => "a groove",
                };
                write!(
                    f,
                    "line {line}: a cut {:.1} mm into the board meets {what} at {:.0},{:.0} mm that begins {:.1} mm down; raise \
                     the cut or move the sheet",
                    depth.millimetres(),
                    at.x.millimetres(),
                    at.y.millimetres(),
                    below.millimetres()
                )
            }
            Warning::OpenOutline { line, gap, at, area } => write!(
                f,
                "line {line}: an outline of {:.0} cm2 is not closed, {:.1} mm are left at {:.0},{:.0} mm; its piece stays with \
                 the sheet; close the cut, or leave a tab",
                area.square_metres() * 1e4,
                gap.millimetres(),
                at.x.millimetres(),
                at.y.millimetres()
            ),
            Warning::NothingThrough => write!(f, "no cut goes through the sheet; check Z0 and the thickness"),
        }
    }
}

impl Plan {
    /// Lays a program on a sheet.
    ///
    /// # Errors
    /// Every line that is refused, at most 50.
    pub fn of(
        steps: impl IntoIterator<Item = Result<Step, Refusal>>,
        stock: &Stock,
        tools: &[Tool],
        machine: &Machine,
    ) -> Result<Plan, Vec<Refusal>> {
        let mut trace = trace::Trace::new(stock, tools, machine);
        for step in steps {
            if !trace.follow(step) {
                break;
            }
        }
        let mut followed = trace.finish()?;
        if !followed.strokes.iter().any(|stroke| stroke.leaves == Leaves::Nothing) {
            followed.warnings.push(Warning::NothingThrough);
        }
        let (pieces, open) = piece::pieces(&followed.strokes, stock);
        followed.warnings.extend(open.iter().filter_map(OpenOutline::warning));
        Ok(Plan {
            open,
            strokes: followed.strokes,
            pieces,
            scar: followed.scar,
            course: followed.course,
            tools: followed.tools,
            through: followed.through,
            by_tool: followed.by_tool,
            remarks: followed.remarks,
            warnings: followed.warnings,
        })
    }

    /// The kerfs that are open to the board after so much time.
    pub fn kerfs(&self, elapsed: Span) -> Vec<Kerf> {
        let until = elapsed.secs_f64();
        self.strokes
            .iter()
            .filter(|stroke| stroke.leaves == Leaves::Nothing)
            .filter_map(|stroke| open_by(stroke, until).map(|path| Kerf { width: stroke.width, path }))
            .collect()
    }

    /// A piece.
    pub fn piece(&self, id: PieceId) -> Option<&Piece> {
        self.pieces.get(id.0 as usize)
    }
}

/// What of a stroke is cut by then.
fn open_by(stroke: &Stroke, until: f64) -> Option<Vec<Point>> {
    let done = stroke.points.partition_point(|point| point.seconds <= until);
    let at = |x: f64, y: f64| Point { x: Length::from_millimetres(x), y: Length::from_millimetres(y) };
    let mut path: Vec<Point> = stroke.points[..done].iter().map(|point| at(point.x, point.y)).collect();
    let last = done.checked_sub(1).map(|last| stroke.points[last])?;
    if let Some(next) = stroke.points.get(done) {
        let share = (until - last.seconds) / (next.seconds - last.seconds).max(1e-12);
        path.push(at(last.x + (next.x - last.x) * share, last.y + (next.y - last.y) * share));
    }
    Some(path)
}
