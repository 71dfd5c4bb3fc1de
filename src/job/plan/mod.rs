//! What a cut program does to a sheet: kerfs as they open, parts as they come free, what still holds them, the time it takes, and
//! what the board gets.
//!
//! [`Plan::of`] follows the steps of a [`super::program`] with the true cutters. Where a cut goes through, it opens the sheet; what
//! it leaves as a skin or lifts over as a tab parts the sheet too, but goes on holding. The regions that remain are the parts, the
//! drops within parts, and the skeleton around them.

mod chords;
mod clip;
mod course;
mod holds;
mod machine;
mod piece;
mod regions;
mod route;
mod scar;
mod stock;
mod stroke;
mod tool;
mod trace;

pub use course::{PlaceInProgram, ProgramCourse, Told};
pub use machine::Machine;
pub use piece::{Hold, Kind, Neighbour, Piece, PieceId, When};
pub use route::{CardProgram, Route};
pub use scar::{Scar, ScarMap};
pub use stock::{Stock, ZeroHeight};
pub use stroke::{Leaves, Stroke};
pub use tool::{Tip, Tool};

use std::fmt;

use serde::{Deserialize, Serialize};

use super::program::{Note, Refusal, Step};
use crate::moment::Span;
use crate::table::{Kerf, Point};
use crate::units::Length;

/// A program laid on a sheet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// The cut, stroke by stroke, in the order in which it ends.
    pub strokes: Vec<Stroke>,
    /// What the sheet falls into: parts and drops in the order in which they are parted from it, then edge pieces and the skeleton.
    pub pieces: Vec<Piece>,
    /// What the board gets.
    pub scar: Scar,
    /// Where in the program the cut is at which time.
    pub course: ProgramCourse,
    /// The numbers of the tools that it uses, in their order.
    pub tools: Vec<u32>,
    /// How things were taken that the program leaves open.
    pub remarks: Vec<Remark>,
    /// What someone should look at before the cut.
    pub warnings: Vec<Warning>,
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

/// What someone should look at before the cut: the first line of each kind.
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
        let pieces = piece::pieces(&followed.strokes, stock);
        Ok(Plan {
            strokes: followed.strokes,
            pieces,
            scar: followed.scar,
            course: followed.course,
            tools: followed.tools,
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
