//! What is wrong with a file, said so that the person who wrote it can mend it at once.

use std::fmt;

use serde::{Deserialize, Serialize};

/// One thing that is wrong, or worth a look, in a setup or a card.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Mistake {
    /// The file, as the caller named it.
    pub file: String,
    /// The line, counted from 1; none where the text has no lines of its own, as in a request's body.
    pub line: Option<usize>,
    /// The path of the key, such as `gauge[2].unit_id`; empty for the file as a whole.
    pub key: String,
    /// What is wrong with the value.
    pub wrong: String,
    /// The limit that it breaks.
    pub limit: String,
    /// What to do.
    pub remedy: String,
}

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if let Some(line) = self.line {
            write!(f, ":{line}")?;
        }
        if !self.key.is_empty() {
            write!(f, ": {}", self.key)?;
        }
        write!(f, ": {}; limit: {}; {}", self.wrong, self.limit, self.remedy)
    }
}

/// Every mistake found in one reading, in the order of lines; never empty.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Mistakes(Vec<Mistake>);

impl Mistakes {
    pub(super) fn new(mut found: Vec<Mistake>) -> Self {
        found.sort_by_key(|mistake| mistake.line);
        Mistakes(found)
    }

    /// The mistakes, in the order of lines.
    pub fn iter(&self) -> impl Iterator<Item = &Mistake> {
        self.0.iter()
    }
}

/// One mistake to a line.
impl fmt::Display for Mistakes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, mistake) in self.0.iter().enumerate() {
            if index > 0 {
                writeln!(f)?;
            }
            write!(f, "{mistake}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Mistakes {}
