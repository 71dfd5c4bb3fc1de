//! Live level against expected level: residual, leak detection, likely cause, verdict.

use serde::{Deserialize, Serialize};

/// The one word for the table's state; the first that is true wins, in this order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// No trustworthy reading.
    Blind,
    /// A sudden loss, or the pump is gone while cutting.
    Loose,
    /// Margin or level is low.
    Weak,
    /// Too much vacuum: a shut valve, a plugged filter.
    High,
    /// The pump is off and nothing is being cut.
    Off,
    /// The pump is on and there is nothing to compare with.
    NoJob,
    /// Held.
    Tight,
}
