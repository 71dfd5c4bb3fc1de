//! What one reading comes to.

use serde::{Deserialize, Serialize};

use super::Basis;
use crate::moment::Steady;
use crate::units::{FreeAirFlow, Vacuum};

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
    /// The level lies above its band.
    High,
    /// The pump is off and nothing is being cut.
    Off,
    /// The pump is on and there is nothing to compare with.
    NoJob,
    /// Held.
    Tight,
}

/// What is going on at the table.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    /// The pump is off.
    #[default]
    Off,
    /// The pump has started or a zone has opened, and the level is on its way.
    PullingDown,
    /// Nothing lies on the table, or a sheet is being loaded, pressed down, blown off or taken away.
    Handling,
    /// A sheet lies on the table and the level has settled.
    Seated,
    /// The sheet is being cut.
    Cutting,
    /// A loss is suspected or found.
    SuspectedLoss,
}

/// How the program knows that the machine cuts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CuttingKnown {
    /// It does not cut, as far as is known.
    #[default]
    No,
    /// Guessed from a level that stays settled.
    Guessed,
    /// Told.
    Told,
}

/// The conditions that alarms stand on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Conditions {
    /// No trustworthy reading.
    pub no_reading: bool,
    /// The level falls, or fell, to nothing while cutting.
    pub pump_lost: bool,
    /// A sudden loss while cutting.
    pub sudden_loss: bool,
    /// The level is below the band expected while cutting.
    pub level_low: bool,
    /// The level is above the band expected.
    pub level_high: bool,
    /// The margin is below what is required while cutting.
    pub margin_low: bool,
}

impl Conditions {
    /// Whether vacuum was lost and is not known to have come back.
    pub fn is_loose(&self) -> bool {
        self.pump_lost || self.sudden_loss
    }
}

/// What a deviation most likely comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// The pump has stopped or its hose is off.
    PumpStopped,
    /// The pump is weak or its filter clogged: one gauge cannot tell which.
    PumpOrFilter,
    /// The sheet was never drawn down.
    SheetNotSeated,
    /// The sheet lifted or shifted, or a seal or hose let go.
    SheetLifted,
    /// An open zone is not covered.
    UncoveredZone,
    /// A rim or seam of the board leaks.
    Rim,
    /// A valve is shut or the line to the pump is choked.
    ShutValveOrPluggedFilter,
    /// The gauge or its line.
    GaugeOrLine,
    /// The cuts leak more than was thought, as fast as they grow.
    MoreKerfThanThought,
    /// The weakest part is held less than required although the level is as expected.
    WeakPart,
}

/// A sheet that has just seated.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Seated {
    /// When the level had settled.
    pub at: Steady,
    /// The level it settled at.
    pub level: Vacuum,
    /// The standard error of that level from noise alone.
    pub spread: Vacuum,
    /// What the level was compared with, and the middle level expected.
    pub expected: Option<(Basis, Vacuum)>,
    /// What leaks beyond what was expected, negative if less does, and its standard error.
    pub extra_leak: Option<(FreeAirFlow, FreeAirFlow)>,
    /// What the pump was expected to move.
    pub expected_flow: Option<FreeAirFlow>,
    /// Whether the level is inside the band expected; `true` if there is none.
    pub in_band: bool,
}

impl Seated {
    /// How much leaks over what was expected to, 1 as expected, with its standard error; `None` if nothing was expected.
    pub fn leak_index(&self) -> Option<(f64, f64)> {
        let (extra, spread) = self.extra_leak?;
        let flow = self.expected_flow.filter(|flow| *flow > FreeAirFlow::ZERO)?;
        Some((1.0 + extra / flow, spread / flow))
    }
}

/// What one reading comes to.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Assessment {
    /// When the reading was taken.
    pub at: Steady,
    /// What is going on.
    pub phase: Phase,
    /// How it is known that the machine cuts.
    pub cutting: CuttingKnown,
    /// The word.
    pub verdict: Verdict,
    /// What alarms stand on.
    pub conditions: Conditions,
    /// The likely cause of what is wrong, if something is.
    pub cause: Option<Cause>,
    /// Expected less live level: positive when vacuum is lost.
    pub residual: Option<Vacuum>,
    /// What leaks beyond what is expected, negative if less does.
    pub extra_leak: Option<FreeAirFlow>,
    /// A sheet has just begun: seated, or cut without having seated.
    pub sheet_started: bool,
    /// The sheet has just seated.
    pub seated: Option<Seated>,
    /// The sheet has just been taken away, or the pump went off after it.
    pub sheet_ended: bool,
}
