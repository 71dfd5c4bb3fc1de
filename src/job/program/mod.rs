//! A cut program in RS-274 / ISO 6983 text, read as routers run it.
//!
//! [`read`] turns a source into [`Step`]s, one after the other and in bounded memory. What is not understood, or cannot be
//! believed, is a [`Refusal`] at its line; what the program leaves open is taken in a stated way and told by a [`Note`]. Nothing is
//! left out without one of the two. After a refusal the reading goes on, so that one pass shows every line that is refused; where
//! the cutter then is counts as unknown.
//!
//! The language is that of NISTIR 6556 (Kramer, Proctor, Messina, The NIST RS274NGC Interpreter, version 3, 2000) where it says
//! something, else common practice; each file says which.

mod arc;
mod block;
mod codes;
mod cycle;
mod expression;
mod flow;
mod motion;
mod operator;
mod parameters;
mod refusal;
mod run;
mod settings;
mod state;
mod step;
mod text;
mod zero;

pub use refusal::Refusal;
pub use run::Steps;
pub use settings::{Code, DwellUnit, Limits, Reading, Shift, UnitOfLength, WorkZero};
pub use step::{Arc, Deed, Move, Note, Pace, Plane, Spot, Step, Turning, Way};

use std::io::{BufRead, Seek};

/// Reads a program; the source is gone back in for subprograms and loops, and never held whole.
pub fn read<R: BufRead + Seek>(source: R, reading: &Reading) -> Steps<R> {
    Steps::new(source, reading, Spot::UNKNOWN)
}

/// Reads a program that begins with the cutter at a known place.
pub fn read_from<R: BufRead + Seek>(source: R, reading: &Reading, start: Spot) -> Steps<R> {
    Steps::new(source, reading, start)
}
