//! What a program orders, resolved: moves in millimetres from the card's zero, and what happens between them.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::settings::{Code, WorkZero};
use crate::moment::Span;
use crate::units::{Length, Speed};

/// Where the cutter's tip is; an axis of which the program does not say is unknown.
#[derive(Clone, Copy, Debug)]
pub struct Spot(pub(super) [f64; 3]);

impl PartialEq for Spot {
    /// Two unknown axes are equal.
    fn eq(&self, other: &Spot) -> bool {
        (0..3).all(|axis| self.axis(axis) == other.axis(axis))
    }
}

impl Spot {
    /// Nothing is known.
    pub(super) const UNKNOWN: Spot = Spot([f64::NAN; 3]);

    /// A known place.
    pub fn at(x: Length, y: Length, z: Length) -> Self {
        Spot([x.millimetres(), y.millimetres(), z.millimetres()])
    }

    fn axis(self, axis: usize) -> Option<Length> {
        let value = self.0[axis];
        value.is_finite().then(|| Length::from_millimetres(value))
    }

    /// Along x, if known.
    pub fn x(self) -> Option<Length> {
        self.axis(0)
    }

    /// Along y, if known.
    pub fn y(self) -> Option<Length> {
        self.axis(1)
    }

    /// Along z, upward, if known.
    pub fn z(self) -> Option<Length> {
        self.axis(2)
    }

    /// Whether all three are known.
    pub fn is_known(self) -> bool {
        self.0.iter().all(|value| value.is_finite())
    }

    /// In millimetres, NaN for what is unknown.
    pub(in crate::job) const fn millimetres(self) -> [f64; 3] {
        self.0
    }
}

/// The plane of an arc.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Plane {
    /// `G17`.
    Xy,
    /// `G18`.
    Zx,
    /// `G19`.
    Yz,
}

impl Plane {
    /// The axes along, across and through the plane, so that a positive turn goes from the first to the second.
    pub(in crate::job) const fn axes(self) -> [usize; 3] {
        match self {
            Plane::Xy => [0, 1, 2],
            Plane::Zx => [2, 0, 1],
            Plane::Yz => [1, 2, 0],
        }
    }
}

/// An arc or helix; what it travels through its plane, and from its first radius to its last, it does evenly.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Arc {
    /// Its plane.
    pub plane: Plane,
    /// The centre, along the plane's first and second axis.
    pub centre: (Length, Length),
    /// The angle turned through in radians, positive from the plane's first axis to the second: `G3`.
    pub turn: f64,
}

/// The way of a move.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Way {
    /// Straight.
    Line,
    /// Round.
    Arc(Arc),
}

/// How fast a move is ordered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pace {
    /// As fast as the machine can.
    Rapid,
    /// At a feed along the path.
    Feed(Speed),
    /// In a given time: inverse-time feed.
    Within(Span),
}

/// A move of the cutter's tip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Move {
    /// From here.
    pub from: Spot,
    /// To there.
    pub to: Spot,
    /// On this way.
    pub way: Way,
    /// At this pace.
    pub pace: Pace,
    /// Whether it comes to a stop at its end: `G61`.
    pub exact_stop: bool,
}

/// Which way the spindle turns.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Turning {
    /// `M3`.
    Clockwise,
    /// `M4`.
    Counterclockwise,
    /// `M5`.
    Stopped,
}

/// What a step does.
#[derive(Clone, Debug, PartialEq)]
pub enum Deed {
    /// Moves.
    Move(Move),
    /// Waits.
    Dwell(Span),
    /// Names the tool to be changed to next.
    Prepare(u32),
    /// Changes to a tool.
    Change(u32),
    /// Turns the spindle at so many revolutions a minute, if any have been given.
    Spindle(Turning, Option<f64>),
    /// Stops until a person goes on; true if only where the operator wishes it.
    Pause {
        /// Whether the stop is an optional one.
        optional: bool,
    },
    /// Ends the program.
    End,
    /// Something that was not taken at its word, and how it was taken.
    Note(Note),
}

/// A step, and where it is written.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// The line in the file, counted from 1.
    pub line: u64,
    /// The line's own number, if it has one.
    pub number: Option<u32>,
    /// What it does.
    pub deed: Deed,
}

/// How something was taken that the program leaves open.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Note {
    /// No unit was named.
    UnitAssumed,
    /// Lines with the mark of block delete are left out.
    BlockDeleted,
    /// Lines with the mark of block delete are read.
    BlockDeleteOff,
    /// A code of the shop's list is passed over.
    Ignored(Code),
    /// The first work zero called is taken as the card's.
    ZeroAssumed(WorkZero),
    /// A move to a place that only the machine knows.
    MachinePlace,
    /// `G92` names the place where the cutter is said to stand.
    PlaceSet,
    /// A dwell of more than a minute, which may have been meant in milliseconds.
    LongDwell,
    /// Text behind the end, which is not read.
    TextAfterEnd,
    /// The program ends without `M2`, `M30` or `%`.
    EndMissing,
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Note::UnitAssumed => write!(f, "no G20 or G21 before the first length; the card's unit is taken"),
            Note::BlockDeleted => write!(f, "lines that begin with / are left out"),
            Note::BlockDeleteOff => write!(f, "lines that begin with / are read as any other"),
            Note::Ignored(code) => write!(f, "{code} is passed over, as the card says"),
            Note::ZeroAssumed(zero) => write!(f, "work zero {} is taken as the card's zero", zero.0),
            Note::MachinePlace => write!(f, "a place that only the machine knows; taken as clear of the sheet"),
            Note::PlaceSet => write!(f, "G92 before any known place; the cutter is taken to stand where it says"),
            Note::LongDwell => write!(f, "a dwell of more than a minute; say dwell_unit = \"ms\" if it counts those"),
            Note::TextAfterEnd => write!(f, "text behind the program's end is not read"),
            Note::EndMissing => write!(f, "no M2, M30 or % ends the program; it may be cut short"),
        }
    }
}
