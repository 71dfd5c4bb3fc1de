//! Live level against expected level: residual, leak detection, likely cause, verdict.
//!
//! [`Watch`] takes one [`Sample`] for each reading and gives one [`Assessment`]. It is quiet while people load a sheet,
//! press it down, blow off and unload, and looks for a loss only from a level that had settled, or while it is told that
//! the machine cuts.

use serde::{Deserialize, Serialize};

use crate::expectation::Expected;
use crate::job::Progress;
use crate::moment::{Span, Steady};
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
    /// Too much vacuum: a shut valve, a plugged filter.
    High,
    /// The pump is off and nothing is being cut.
    Off,
    /// The pump is on and there is nothing to compare with.
    NoJob,
    /// Held.
    Tight,
}

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
    /// The middle level expected some seconds later at the present pace, if a course and a pace are known: how far the level may
    /// be ahead of the progress told.
    pub ahead: Option<Vacuum>,
    /// How far the cut is, if anybody told.
    pub progress: Option<Progress>,
    /// Whether the machine cuts, if anybody told.
    pub cutting: Option<bool>,
    /// The sealed and the bare level, if they are known for the zones that are open.
    pub ends: Option<Ends>,
    /// The least margin of the parts at the live level, if the job names any.
    pub least_margin: Option<f64>,
    /// The margin required.
    pub required_margin: f64,
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

/// What the watch must know about gauge, plenum and wishes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct WatchSettings {
    /// The time between readings.
    pub interval: Span,
    /// The mean time between false alarms of a sudden loss, in cutting time.
    pub false_alarm_interval: Span,
    /// The time constant of the plenum, hoses and pump.
    pub lag: Span,
    /// The noise of one reading, until enough quiet readings are known.
    pub noise: Vacuum,
    /// The change of level below which nothing is called a loss: about the loss of one small part.
    pub least_loss: Vacuum,
    /// How wrong the computed effect of the kerf may be, as a share of it.
    pub kerf_error: f64,
}

impl Default for WatchSettings {
    /// Ten readings a second, one false alarm in 100 h of cutting, a lag of 0.5 s, noise of 150 Pa, 300 Pa for the least loss, 10 %.
    fn default() -> Self {
        WatchSettings {
            interval: Span::from_millis(100),
            false_alarm_interval: Span::from_secs(360_000),
            lag: Span::from_millis(500),
            noise: Vacuum::from_pascals(150.0),
            least_loss: Vacuum::from_pascals(300.0),
            kerf_error: 0.1,
        }
    }
}

/// Watches one table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Watch {
    settings: WatchSettings,
    told: Option<bool>,
}

impl Watch {
    /// A watch that has seen nothing yet.
    pub fn new(settings: WatchSettings) -> Self {
        Watch { settings, told: None }
    }

    /// Zones were opened or closed: the level may change until the plenum has followed.
    pub fn zones_changed(&mut self, at: Steady) {
        let _ = (at, self.settings);
    }

    /// Another job was told, or none: the next sheet is a new one.
    pub fn job_changed(&mut self, at: Steady) {
        let _ = at;
    }

    /// The machine began to cut, as told.
    pub fn cut_started(&mut self, at: Steady) {
        let _ = at;
        self.told = Some(true);
    }

    /// The machine stopped cutting, as told.
    pub fn cut_ended(&mut self, at: Steady) {
        let _ = at;
        self.told = Some(false);
    }

    /// Judges one reading.
    pub fn assess(&mut self, sample: &Sample<'_>) -> Assessment {
        let verdict = if sample.live.is_none() { Verdict::Blind } else { Verdict::NoJob };
        Assessment {
            at: sample.at,
            phase: Phase::Off,
            cutting: CuttingKnown::No,
            verdict,
            conditions: Conditions { no_reading: sample.live.is_none(), ..Conditions::default() },
            cause: None,
            residual: None,
            extra_leak: None,
            sheet_started: false,
            seated: None,
            sheet_ended: false,
        }
    }
}
