//! What the machine tells the monitor, and the truth beside it for tests.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::scene::Scene;

/// Something said at a simulated time; as JSON one flat object with `at_s` and `kind`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Report {
    /// Seconds of simulated time since the start.
    pub at_s: f64,
    /// What is said.
    #[serde(flatten)]
    pub what: Said,
}

/// How a sheet came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SheetOutcome {
    /// Nothing moved.
    Good,
    /// The sheet or a part moved.
    Moved,
    /// A part was lost.
    Lost,
}

/// What is said.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Said {
    /// A scene begins, or something in it happens that the monitor is not told.
    Scene {
        /// Which scene.
        scene: Scene,
        /// What happens, as a key.
        note: String,
    },
    /// The machine's controller names the job.
    Job {
        /// The card's name.
        card: String,
    },
    /// The machine's controller says which zones are open; it may be wrong.
    Zones {
        /// Their names.
        open: Vec<String>,
    },
    /// The machine begins or stops cutting.
    Cutting {
        /// Whether it cuts.
        cutting: bool,
    },
    /// How far the cut is.
    Progress {
        /// 0 before the first plunge, 1 after the last pass.
        fraction: f64,
    },
    /// The sheet is off the table.
    Unloaded,
    /// The operator's word on the sheet.
    Outcome {
        /// How it came out.
        outcome: SheetOutcome,
        /// The part that it is about.
        part: Option<String>,
    },
    /// The light's relays changed.
    Lamp {
        /// Each coil that was ever set, and whether it is on.
        coils: BTreeMap<u16, bool>,
    },
    /// What is so, once a second; the monitor must not hear it.
    Truth {
        /// Vacuum at the manifold.
        manifold_vacuum_pa: f64,
        /// Vacuum at the pump's inlet.
        pump_inlet_vacuum_pa: f64,
        /// The share of the pump's new speed that it has.
        pump_speed: f64,
        /// How many parts are cut through.
        parts_cut: usize,
        /// What is wrong, if anything, as the scene's name.
        fault: Option<Scene>,
    },
    /// Every scene has been played.
    Ended,
}
