//! One reading with everything that it is to be judged against.

use serde::{Deserialize, Serialize};

use crate::expectation::Expected;
use crate::job::Progress;
use crate::moment::Steady;
use crate::units::Vacuum;

/// What the expected level was taken from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// The level computed for the job and the cut's progress.
    Job,
    /// A level that the operator marked as good, with the same zones open.
    Taught,
    /// The level with everything open covered and nothing cut.
    LikeSealed,
}

/// The two ends between which the table's level lies for the zones that are open.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ends {
    /// The level with everything open covered and nothing cut.
    pub sealed: Vacuum,
    /// The level with every open zone bare.
    pub bare: Vacuum,
}

/// Where the course goes about this point of the cut.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Nearby {
    /// The middle levels expected at [`Nearby::APART`] from now, at the present pace.
    pub levels: [Vacuum; 4],
    /// By how much the outline that is being cut, or one beside it, lowers the level from its first plunge to its end, at the most.
    pub outline: Vacuum,
}

impl Nearby {
    /// How far the cut may be from the progress told, in seconds: a controller that tells once a second is some three late, one that tells
    /// at every tool change or block more (common practice, no source).
    pub const APART: [f64; 4] = [-10.0, -3.0, 3.0, 10.0];
}

/// One reading, with everything that it is to be judged against.
#[derive(Clone, Copy, Debug)]
pub struct Sample<'a> {
    /// When it was taken.
    pub at: Steady,
    /// The live level; `None` if there is nothing trustworthy now.
    pub live: Option<Vacuum>,
    /// The level expected at this point of the cut; `None` if there is nothing to compare with.
    pub expected: Option<&'a Expected>,
    /// What `expected` was taken from.
    pub basis: Basis,
    /// Where the course goes from here, if a course and a pace are known.
    pub nearby: Option<Nearby>,
    /// How far the cut is, if anybody tells; without it the kerf's effect is taken as unknown even with a job.
    pub progress: Option<Progress>,
    /// Whether the machine cuts, if anybody told.
    pub cutting: Option<bool>,
    /// The sealed and the bare level, if they are known for the zones that are open.
    pub ends: Option<Ends>,
    /// The least margin of the parts at the live level, if the job names any.
    pub least_margin: Option<f64>,
    /// The margin required.
    pub required_margin: f64,
    /// By how much the level may fall because something is laid at another end of the table, while the forecast of that is awaited.
    pub unsettled: Option<Vacuum>,
}

impl Sample<'_> {
    /// Whether the level expected follows the kerf that has been cut: before a cut there is none to follow.
    pub(super) fn kerf_known(&self) -> bool {
        let told = self.progress.is_some() || self.cutting == Some(false);
        self.expected.is_some() && self.basis == Basis::Job && told
    }
}
