//! What a program says that is not understood, or not believed: refused at its line, with what to do.

use std::fmt;
use std::ops::Range;

use serde::{Deserialize, Serialize};

/// A line that is refused. Nothing is ever left out of a program without one of these or a [`super::Note`].
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, thiserror::Error)]
#[error("line {line}{}: {what}; {remedy}", placed(.columns.as_ref()))]
pub struct Refusal {
    /// The line in the file, counted from 1.
    pub line: u64,
    /// Where in the line, in bytes counted from 0; none for the line as a whole.
    pub columns: Option<Range<usize>>,
    /// What is wrong with it, with the value and the limit.
    pub what: String,
    /// What to do.
    pub remedy: String,
}

fn placed(range: Option<&Range<usize>>) -> impl fmt::Display {
    range.map_or(String::new(), |range| {
        let first = range.start + 1;
        if range.len() > 1 { format!(", columns {first}-{}", range.end) } else { format!(", column {first}") }
    })
}

/// A refusal before it is known in which line.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Flaw {
    columns: Option<Range<usize>>,
    what: String,
    remedy: String,
}

/// A flaw at a place in the line.
pub(super) fn flaw(columns: Range<usize>, what: impl Into<String>, remedy: impl Into<String>) -> Flaw {
    Flaw { columns: Some(columns), what: what.into(), remedy: remedy.into() }
}

/// A flaw of the line as a whole.
pub(super) fn flaw_of_line(what: impl Into<String>, remedy: impl Into<String>) -> Flaw {
    Flaw { columns: None, what: what.into(), remedy: remedy.into() }
}

impl Flaw {
    pub(super) fn in_line(self, line: u64) -> Refusal {
        Refusal { line, columns: self.columns, what: self.what, remedy: self.remedy }
    }
}
