//! What one reading of a file notes down: mistakes, warnings and assumptions, each with its place.

use std::cell::RefCell;

use super::Assumption;
use super::mistakes::Mistake;

/// What one reading of a file notes down.
pub(super) struct Notes {
    file: String,
    /// Lines that break the grammar, of which nothing else is worth saying.
    garbled: Vec<Option<usize>>,
    mistakes: RefCell<Vec<Mistake>>,
    warnings: RefCell<Vec<Mistake>>,
    assumptions: RefCell<Vec<Assumption>>,
}

/// Where something stands.
#[derive(Clone, Debug)]
pub(super) struct Spot {
    pub(super) line: Option<usize>,
    pub(super) key: String,
}

impl Spot {
    /// The path of its key.
    pub(super) fn key(&self) -> &str {
        &self.key
    }
}

/// What is said of it: what is wrong, the limit, and what to do.
pub(super) struct Complaint {
    pub(super) wrong: String,
    pub(super) limit: String,
    pub(super) remedy: String,
}

/// A complaint in three phrases.
pub(super) fn complaint(wrong: impl Into<String>, limit: impl Into<String>, remedy: impl Into<String>) -> Complaint {
    Complaint { wrong: wrong.into(), limit: limit.into(), remedy: remedy.into() }
}

impl Notes {
    pub(super) fn new(file: &str, mistakes: Vec<Mistake>) -> Self {
        Notes {
            file: file.to_owned(),
            garbled: mistakes.iter().map(|mistake| mistake.line).collect(),
            mistakes: RefCell::new(mistakes),
            warnings: RefCell::default(),
            assumptions: RefCell::default(),
        }
    }

    fn mistake(&self, spot: &Spot, complaint: Complaint) -> Mistake {
        let Complaint { wrong, limit, remedy } = complaint;
        Mistake { file: self.file.clone(), line: spot.line, key: spot.key.clone(), wrong, limit, remedy }
    }

    pub(super) fn refuse(&self, spot: &Spot, complaint: Complaint) {
        if spot.line.is_some() && self.garbled.contains(&spot.line) {
            return;
        }
        let mistake = self.mistake(spot, complaint);
        self.mistakes.borrow_mut().push(mistake);
    }

    pub(super) fn warn(&self, spot: &Spot, complaint: Complaint) {
        let warning = self.mistake(spot, complaint);
        self.warnings.borrow_mut().push(warning);
    }

    pub(super) fn assume(&self, key: impl Into<String>, value: impl Into<String>, ground: impl Into<String>) {
        let assumption = Assumption { key: key.into(), value: value.into(), ground: ground.into() };
        self.assumptions.borrow_mut().push(assumption);
    }

    pub(super) fn close(self) -> Closed {
        Closed {
            mistakes: self.mistakes.into_inner(),
            warnings: self.warnings.into_inner(),
            assumptions: self.assumptions.into_inner(),
        }
    }
}

/// What a whole reading noted down.
pub(super) struct Closed {
    pub(super) mistakes: Vec<Mistake>,
    pub(super) warnings: Vec<Mistake>,
    pub(super) assumptions: Vec<Assumption>,
}
