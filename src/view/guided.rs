//! What is shown of a guided run: a survey of the table, or the morning's check.

use serde::{Deserialize, Serialize};

use super::Message;

/// Which guided run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Guide {
    /// A survey of the table.
    Survey,
    /// The morning's check.
    Check,
}

/// How far a reading is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReadingState {
    /// Nothing is being read.
    Idle,
    /// It is waited for the level to settle.
    Settling,
    /// The level does not settle.
    Restless,
    /// There is no level to read.
    Blind,
    /// The level is next to nothing: the pump is off.
    NoSuction,
    /// The pressure is above the room's: the pump turns backwards.
    Backwards,
    /// The level is as it was before the table was changed; a person has to say that it was.
    Unmoved,
}

/// The guided run that is under way, as it is at this moment.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct GuideLive {
    /// Which.
    pub guide: Guide,
    /// Grows whenever what the run holds has changed, and it is to be fetched anew.
    pub revision: u64,
    /// Whether alarms about the table are held back for it; not while the machine cuts or the run lies idle.
    pub quiet: bool,
    /// The step that is being read.
    pub step: Option<u16>,
    /// How far that is.
    pub state: ReadingState,
    /// The share of the time that the level has to stand still for which it has.
    pub share: f64,
    /// The mean level over that time.
    pub level_pa: Option<f64>,
    /// By how much it has wandered.
    pub wander_pa: Option<f64>,
    /// Seconds until a pump that draws no air must be given some, below nothing once it is overdue.
    pub shut_left_s: Option<f64>,
}

/// A survey with everything that it holds.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SurveyView {
    /// Grows with every change.
    pub revision: u64,
    /// Whether it is under way.
    pub running: bool,
    /// When it began.
    pub began: Option<String>,
    /// The share to which capacity and permeability are wanted.
    pub wanted: f64,
    /// The room's pressure that is reckoned with.
    pub room_absolute_pa: f64,
    /// Whether somebody read that on a barometer.
    pub room_read: bool,
    /// The steps, in their order.
    pub steps: Vec<StepView>,
    /// The first step that is neither done nor left out.
    pub next: Option<u16>,
    /// Whether numbers are being reckoned.
    pub computing: bool,
    /// Why there are none, as the process that should reckon them says.
    pub failed: Option<String>,
    /// The numbers, of all readings but those set aside.
    pub result: Option<ResultView>,
    /// The friction of the sheets that were dragged.
    pub friction: Option<FrictionView>,
}

/// What a step wants.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StepKind {
    /// The barometer, typed.
    Barometer,
    /// A level, measured.
    Level,
    /// The difference over the filter, measured by two gauges.
    FilterDrop,
    /// The same, read by a person and typed.
    FilterDropTyped,
    /// The pull at which a sheet slides, typed.
    Drag,
}

/// How a step stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StepState {
    /// It is to be done.
    Open,
    /// It is done.
    Done,
    /// It is left out.
    Skipped,
    /// It is done, and its reading should be taken once more.
    Again,
}

/// A step of a survey.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StepView {
    /// Its number.
    pub id: u16,
    /// What it wants.
    pub kind: StepKind,
    /// What lies on the board, `film` or `bare`; nothing for a step without a table.
    pub cover: Option<String>,
    /// The open zones.
    pub open: Vec<String>,
    /// Whether every zone is open.
    pub all_open: bool,
    /// The diameter of the hole at the manifold, in millimetres.
    pub hole_mm: Option<f64>,
    /// Where the level is read: `manifold` or `pump-inlet`.
    pub read: Option<String>,
    /// The longest that the pump may be without air, in seconds.
    pub limit_s: Option<f64>,
    /// How it stands.
    pub state: StepState,
    /// Whether it was proposed by what the readings came to.
    pub proposed: bool,
    /// Its readings.
    pub readings: Vec<ReadingView>,
}

/// A reading of a survey.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReadingView {
    /// Its number.
    pub id: u16,
    /// When it was taken.
    pub at: Option<String>,
    /// What was read: pascals, or newtons for a drag.
    pub value: f64,
    /// Its standard error, nothing for what was typed without one.
    pub spread: Option<f64>,
    /// Why it does not count: `thrown`, `retaken` or `odd`; nothing for one that does.
    pub aside: Option<String>,
    /// What the numbers found would have read, in pascals.
    pub fitted_pa: Option<f64>,
    /// What was read less that, in standard errors.
    pub errors: Option<f64>,
    /// Its weight in the fit.
    pub weight: Option<f64>,
    /// Whether it should be taken again: it stands alone, and says of its zone what no other zone says.
    pub alone: bool,
}

/// What the readings came to. A number that they do not carry is absent.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ResultView {
    /// The level at which flows are told.
    pub level_pa: f64,
    /// Whether the accuracy that is wanted is reached.
    pub enough: bool,
    /// The numbers that the readings carry.
    pub estimates: Vec<EstimateView>,
    /// For each number of `related`, its correlation with each of them.
    pub correlation: Vec<Vec<f64>>,
    /// What `correlation` is of.
    pub related: Vec<Message>,
    /// What the readings do not tell: one alone, or several that only stand together.
    pub untold: Vec<Vec<Message>>,
    /// By how much the intervals are widened because the readings scatter more than they should.
    pub widened: f64,
    /// The readings worth taking next, the best first.
    pub proposals: Vec<ProposalView>,
    /// What sealing would give back.
    pub sealing: Vec<SealingView>,
    /// What may be written into the setup.
    pub setup: Vec<SetupLine>,
}

/// A number with its 95 % interval, in the unit of its key.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EstimateView {
    /// Of what.
    pub of: Message,
    /// The unit's key.
    pub unit: String,
    /// The most likely value.
    pub value: f64,
    /// The interval's lower end.
    pub low: f64,
    /// The interval's upper end.
    pub high: f64,
    /// What the setup has.
    pub assumed: f64,
}

/// A reading worth taking.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ProposalView {
    /// The step that takes it.
    pub step: u16,
    /// What it narrows most.
    pub narrows: Message,
    /// The sum of the logarithms by which it is expected to narrow the errors.
    pub gain: f64,
}

/// What closing a rim or seam would give back under a whole sheet, at most.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SealingView {
    /// Of what.
    pub of: Message,
    /// How much deeper the level gets.
    pub level_pa: f64,
    /// By what every margin grows.
    pub margin: f64,
}

/// A line of the setup file that follows from a survey.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SetupLine {
    /// Its section, such as `pump`.
    pub section: String,
    /// The line itself.
    pub line: String,
    /// The keys of the same section that it stands for, and that must go.
    pub instead_of: Vec<String>,
    /// What is assumed with it.
    pub assumes: Vec<Message>,
}

/// The friction of sheets that were dragged.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FrictionView {
    /// The mean.
    pub value: f64,
    /// The 95 % interval's lower end.
    pub low: f64,
    /// The 95 % interval's upper end.
    pub high: f64,
    /// How many pulls it rests on.
    pub pulls: usize,
}

/// The morning's check with everything that it holds.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CheckView {
    /// Grows with every change.
    pub revision: u64,
    /// Whether it is under way.
    pub running: bool,
    /// When it began.
    pub began: Option<String>,
    /// Seconds that it took, once it is done.
    pub took_s: Option<f64>,
    /// What was looked at, in its order.
    pub items: Vec<CheckItemView>,
    /// The references that can be measured, the one of last time first.
    pub references: Vec<ReferenceView>,
    /// What was measured.
    pub measured: Option<MeasuredView>,
    /// Checks of before, the newest first.
    pub before: Vec<PastCheckView>,
}

/// Something looked at.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CheckItemView {
    /// Its key.
    pub item: String,
    /// Whether it was as it should be; nothing while nobody looked.
    pub fine: Option<bool>,
}

/// A reference that can be measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReferenceView {
    /// `hole`, `bare-zone` or `bare-table`.
    pub kind: String,
    /// The hole's diameter in millimetres.
    pub hole_mm: Option<f64>,
    /// The zone's name.
    pub zone: Option<String>,
    /// How often it was measured before.
    pub times: usize,
}

/// How a reference compares with what it was before.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Compared {
    /// There is nothing to compare with yet.
    First,
    /// As before.
    Same,
    /// Lower than the limit allows.
    Lower,
    /// Higher than the limit allows.
    Higher,
}

/// A reference as measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeasuredView {
    /// Which.
    pub reference: ReferenceView,
    /// The level.
    pub level_pa: f64,
    /// Its standard error.
    pub spread_pa: f64,
    /// The median of the times before.
    pub usual_pa: Option<f64>,
    /// How far from that it may be.
    pub limit_pa: Option<f64>,
    /// How it compares.
    pub compared: Compared,
}

/// A check of before.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PastCheckView {
    /// When it began.
    pub at: Option<String>,
    /// Whether all that was looked at was as it should be, and the reference as before.
    pub fine: bool,
    /// Whether nothing was left out.
    pub whole: bool,
    /// The level of its reference.
    pub level_pa: Option<f64>,
}

/// Both guided runs.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Guides {
    /// The survey, the last one if none is under way.
    pub survey: Option<SurveyView>,
    /// The morning's check, the last one if none is under way.
    pub check: Option<CheckView>,
}
