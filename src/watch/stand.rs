//! Where the table stands: pump off, pulling down, being loaded, or with a sheet drawn down.

use serde::{Deserialize, Serialize};

use super::{Ends, Phase};

/// Where the table stands, whatever it is told about cutting.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum Stand {
    /// The level is next to nothing.
    Off,
    /// The level has come up from nothing and has not settled yet.
    PullingDown,
    /// The level is near that of a bare table, or has not settled since.
    Handling,
    /// The level has settled well above that of a bare table.
    Seated,
}

/// The levels in pascals at which one stand gives way to another.
#[derive(Clone, Copy, Debug)]
pub(super) struct Marks {
    /// Below this the pump is off.
    pub(super) off: f64,
    /// Below this nothing lies on the table.
    pub(super) bare: f64,
    /// Above this a sheet can be seated.
    pub(super) covered: f64,
}

/// The levels between which a pump that runs on a bare table is told from one that is off: what the gauge's zero may be wrong by, and
/// what even a weak blower reaches.
const OFF: (f64, f64) = (300.0, 2_000.0);

impl Marks {
    /// Marks between the two ends; without them only the pump's being off is known.
    pub(super) fn between(ends: Option<Ends>) -> Self {
        let Some(Ends { sealed, bare }) = ends else {
            return Marks { off: 0.5 * OFF.1, bare: 0.5 * OFF.1, covered: OFF.1 };
        };
        let span = (sealed - bare).max(sealed * 0.05).pascals();
        let bare = bare.pascals().max(0.0);
        Marks { off: (0.5 * bare).clamp(OFF.0, OFF.1), bare: bare + 0.10 * span, covered: bare + 0.15 * span }
    }
}

impl Stand {
    /// The stand after one more level; a table that is being cut is never taken for one that is being loaded.
    pub(super) fn next(self, level: f64, settled: bool, marks: Marks, cutting: bool) -> Self {
        if self == Stand::Off {
            return if level > 1.2 * marks.off { Stand::PullingDown } else { Stand::Off };
        }
        if level < marks.off && !cutting {
            return Stand::Off;
        }
        match self {
            Stand::Seated if level < marks.bare && !cutting => Stand::Handling,
            Stand::PullingDown if settled && level <= marks.covered => Stand::Handling,
            Stand::PullingDown | Stand::Handling if settled && level > marks.covered => Stand::Seated,
            Stand::Off | Stand::PullingDown | Stand::Handling | Stand::Seated => self,
        }
    }

    /// The same as a phase, when nothing is cut or lost.
    pub(super) fn phase(self) -> Phase {
        match self {
            Stand::Off => Phase::Off,
            Stand::PullingDown => Phase::PullingDown,
            Stand::Handling => Phase::Handling,
            Stand::Seated => Phase::Seated,
        }
    }
}
