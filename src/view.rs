//! The state as people and programs are told it: plain values, no sentences.
//!
//! Texts are keys with values ([`Message`]); the page and the command line hold the sentences. Pressures are pascals and
//! say their kind in the name, times are RFC 3339 in UTC, ages are seconds by the steady clock.

mod guided;
mod load;

use std::collections::BTreeMap;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::alarm::{Priority, State, Tag};
pub use crate::board::{Care, Deed};
pub use guided::{
    CheckItemView, CheckView, Compared, EstimateView, FrictionView, Guide, GuideLive, Guides, MeasuredView,
    PastCheckView, ProposalView, ReadingState, ReadingView, ReferenceView, ResultView, SealingView, SetupLine,
    StepKind, StepState, StepView, SurveyView,
};

pub use load::{AlarmLoadView, PriorityCounts, TagCount};

pub use crate::gauge::{Doubt, Place, Quality, Source};
use crate::lamp::Pattern;
pub use crate::watch::{Basis, CuttingKnown, Verdict};

/// A sentence as a key and the values that go into it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Message {
    /// The sentence's key, such as `level-below-band`.
    pub key: String,
    /// Its values by name.
    pub values: BTreeMap<String, Value>,
}

impl Message {
    /// A sentence without values.
    pub fn new(key: &str) -> Self {
        Message { key: key.to_owned(), values: BTreeMap::new() }
    }

    /// With one more number.
    #[must_use]
    pub fn with_number(mut self, name: &str, number: f64) -> Self {
        self.values.insert(name.to_owned(), Value::Number(number));
        self
    }

    /// With one more piece of text.
    #[must_use]
    pub fn with_text(mut self, name: &str, text: impl Into<String>) -> Self {
        self.values.insert(name.to_owned(), Value::Text(text.into()));
        self
    }
}

/// A value in a sentence.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Value {
    /// A number, in the SI unit that its name ends with.
    Number(f64),
    /// A name or word.
    Text(String),
}

/// The band that the level should be in.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ExpectedView {
    /// Its lower end.
    pub low_pa: f64,
    /// What to expect.
    pub mid_pa: f64,
    /// Its upper end.
    pub high_pa: f64,
    /// What it was taken from.
    pub basis: Basis,
    /// The smallest extra leak that would leave the band, in m³/h of free air.
    pub smallest_visible_leak_m3_h: Option<f64>,
}

/// The margin of the part that is held worst.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MarginView {
    /// What holds it over what acts on it, at the live level.
    pub least: f64,
    /// Its name.
    pub part: String,
    /// What is required.
    pub required: f64,
    /// The least margin that the rest of the job will come to at the expected level.
    pub least_ahead: f64,
    /// The part of `least_ahead`.
    pub part_ahead: String,
}

/// One zone.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ZoneView {
    /// Its name.
    pub id: String,
    /// Whether the program was told that it is open.
    pub told_open: bool,
    /// What the zone's own gauge shows, if it has one.
    pub vacuum_pa: Option<f64>,
    /// Where it touches the board, as `[x0, y0, x1, y1]` in metres.
    pub rects_m: Vec<[f64; 4]>,
}

/// One gauge.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct GaugeView {
    /// Its name.
    pub name: String,
    /// Where its pressure is taken.
    pub place: Place,
    /// The zone that it is in, if it is in one.
    pub zone: Option<String>,
    /// Age of its newest number.
    pub age_s: Option<f64>,
    /// How far that can be trusted, by NAMUR NE 107; a failure too if it is too old.
    pub quality: Quality,
    /// What is known against it.
    pub doubts: Vec<Doubt>,
    /// Its level, if it is not too old; none for a barometer.
    pub vacuum_pa: Option<f64>,
    /// The same above nothing; for a barometer the room's pressure, smoothed.
    pub absolute_pa: Option<f64>,
    /// What it showed with the pump off, when the level was last at rest.
    pub zero_error_pa: Option<f64>,
}

/// What came over one line since the program started.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineView {
    /// Its name.
    pub name: String,
    /// Requests of any kind that were answered as asked, and lines of text with a number.
    pub answers: u64,
    /// Requests that nothing answered in time; what a light or an input refused is counted here too.
    pub no_replies: u64,
    /// Requests that only garbled bytes answered: a wrong check word, a frame cut off, noise.
    pub bad_checks: u64,
    /// Requests that a gauge refused.
    pub refusals: u64,
    /// Sound frames that answered nothing that was asked.
    pub foreign: u64,
}

/// The filter, where gauges stand on both sides of it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FilterView {
    /// What it takes of the pressure now.
    pub drop_pa: f64,
    /// Its resistance over that of the clean one, as the pump's curve gives the flow.
    pub times_clean: Option<f64>,
}

/// A pump that a drive holds at a level.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct HoldView {
    /// The level.
    pub level_pa: f64,
    /// The drive's share of its full speed, if it is told.
    pub drive_share: Option<f64>,
    /// The level that the pump would reach at full speed: what is judged.
    pub reach_pa: Option<f64>,
    /// Whether leaks show.
    pub sees_leaks: bool,
}

/// The job on the table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct JobView {
    /// Its card's name.
    pub card: String,
    /// The end of the table that it lies at; none for the table as a whole.
    #[serde(default)]
    pub end: Option<String>,
    /// How far the cut is, 0 to 1.
    pub fraction: f64,
    /// Whether it is being cut.
    pub cutting: bool,
    /// How many parts it has.
    pub parts: usize,
    /// Parts whose loss the gauge cannot show.
    pub unseen: Vec<String>,
    /// Whether its expectation is still being computed.
    pub computing: bool,
    /// Between what the cut is, at the earliest and at the latest, where that is known.
    #[serde(default)]
    pub between: Option<(f64, f64)>,
    /// What someone should look at before it is cut.
    #[serde(default)]
    pub look_at: Vec<Message>,
}

/// One end of a table that has several.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EndView {
    /// Its name.
    pub id: String,
    /// The card of what lies there.
    pub card: Option<String>,
    /// How far that is cut, 0 to 1.
    pub fraction: Option<f64>,
    /// Whether this end is the one that is cut, or will be next.
    pub worked_at: bool,
}

/// One alarm of the roll.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AlarmView {
    /// Which.
    pub tag: Tag,
    /// Its state.
    pub state: State,
    /// How soon to act.
    pub priority: Priority,
    /// Seconds since it last became active, if it is or was not acknowledged.
    pub since_s: Option<f64>,
    /// The calendar time of that.
    pub since: Option<String>,
    /// Whether it was the first of several.
    pub first: bool,
    /// The likely cause.
    pub cause: Option<Message>,
    /// What to do.
    pub action: Option<Message>,
    /// Seconds until a shelved alarm comes back.
    pub shelved_for_s: Option<f64>,
    /// The longest time in seconds for which it may be shelved at once.
    #[serde(default)]
    pub shelve_limit_s: f64,
    /// Who shelved it or took it out of service.
    #[serde(default)]
    pub set_aside: Option<SetAsideView>,
}

/// Who put an alarm aside.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SetAsideView {
    /// Who.
    pub by: String,
    /// Why, for an alarm that is out of service.
    pub why: Option<String>,
    /// The calendar time of that.
    pub since: Option<String>,
    /// Seconds since then; none if that is not known.
    pub since_s: Option<f64>,
}

/// A flood of alarms: more than ten in ten minutes, and not fewer than five since.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FloodView {
    /// Seconds since it began.
    pub since_s: f64,
    /// Alarms of the last ten minutes.
    pub alarms: usize,
}

/// The board's state and the prompts that it gives.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BoardView {
    /// How much more leaks than expected, 1 as expected, of the latest seated sheets.
    pub leak_index: Option<f64>,
    /// Sheets seen since the last skim.
    pub sheets: u64,
    /// Sheets until the limit by the trend; `None` for unknown.
    pub skim_in_sheets: Option<f64>,
    /// Things to do at leisure: skim, seal, see to the filter; and a question, if the leak jumped.
    pub prompts: Vec<Message>,
    /// A jump that somebody should explain.
    pub jump: Option<JumpView>,
    /// All that is told of the board, which is sent only where it is asked for.
    #[serde(skip)]
    pub detail: Arc<BoardDetail>,
}

/// A jump of the leak index.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct JumpView {
    /// Sheets since it.
    pub sheets_ago: u64,
    /// By what the leak index changed.
    pub by: f64,
    /// What it may have come of.
    pub causes: Vec<Deed>,
}

/// A cause's share of the leak, with its 95 % interval.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PartView {
    /// The likely share of what the mean sheet should leak.
    pub share: f64,
    /// The least.
    pub low: f64,
    /// The most.
    pub high: f64,
    /// Whether the sheets carry it.
    pub told: bool,
}

/// What leaks beyond expectation, parted.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CausesView {
    /// Sheets that it stands on.
    pub sheets: usize,
    /// The scarred face.
    pub face: PartView,
    /// Rims and seams.
    pub rim: PartView,
    /// Pump or filter.
    pub suction: PartView,
    /// All three.
    pub together: PartView,
    /// Each side and seam by its name.
    pub beads: Vec<(String, PartView)>,
}

/// What sealing gives back, with its 95 % interval.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SealView {
    /// The side or seam; `all` where the zones cannot tell.
    pub at: String,
    /// How much deeper the level gets.
    pub back_pa: f64,
    /// The least of that.
    pub back_low_pa: f64,
    /// The most of that.
    pub back_high_pa: f64,
    /// By what every margin grows.
    pub margin_grows: f64,
}

/// A figure that a decision rests on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FigureView {
    /// Its name, in the setup's words.
    pub key: String,
    /// The value.
    pub value: f64,
    /// Whether nobody told it and nothing was counted.
    pub assumed: bool,
}

/// What is cheapest to do, and when; intervals hold nine times of ten.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CareView {
    /// What to do before the next sheet.
    pub now: Care,
    /// Sheets to the next care: the soonest and the latest; none if none ever pays.
    pub to_care_sheets: Option<[f64; 2]>,
    /// Sheets to the next new board.
    pub to_board_sheets: Option<[f64; 2]>,
    /// What a sheet cut after care is due costs more than care, in the shop's money.
    pub waiting: f64,
    /// What the plan costs per sheet in the long run.
    pub per_sheet: f64,
    /// Skims left in this board.
    pub skims_left: usize,
    /// Working days within which the next board is to be ordered.
    pub order_in_days: Option<f64>,
    /// What it rests on, to be argued with.
    pub figures: Vec<FigureView>,
}

/// All that is told of the board; what is none is not known.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BoardDetail {
    /// The leak index of the latest sheets.
    pub leak_index: Option<f64>,
    /// The newest sheet's own.
    pub leak_index_newest: Option<f64>,
    /// Its standard error.
    pub leak_index_error: Option<f64>,
    /// That of a fresh face: rims and seams.
    pub leak_index_fresh: Option<f64>,
    /// At which a skim is due.
    pub leak_index_limit: f64,
    /// Sheets since the last skim.
    pub sheets_since_skim: u64,
    /// Sheets on this board.
    pub sheets_on_board: u64,
    /// Sheets since the last skim of which nobody knows where they were cut.
    pub sheets_uncharted: u64,
    /// Skims of this board.
    pub skims: u32,
    /// What is left of its thickness.
    pub board_left_m: f64,
    /// How far was cut since the last skim.
    pub cut_m: f64,
    /// The share of the face that is scarred.
    pub scarred_share: f64,
    /// The deepest scar.
    pub worst_scar_m: Option<f64>,
    /// Where it is.
    pub worst_scar_at_m: Option<[f64; 2]>,
    /// The passes over the place most often cut.
    pub most_passes: u16,
    /// By what each sheet raises the leak index.
    pub wear_per_sheet: Option<f64>,
    /// The standard error of that.
    pub wear_error: Option<f64>,
    /// Sheets until the leak index meets its limit: likely, soonest, latest of nine times of ten.
    pub skim_in_sheets: Option<[f64; 3]>,
    /// The slow causes.
    pub causes: Option<CausesView>,
    /// What sealing gives back.
    pub sealing: Vec<SealView>,
    /// A jump that somebody should explain.
    pub jump: Option<JumpView>,
    /// What is cheapest to do.
    pub care: Option<CareView>,
    /// What it asks for.
    pub prompts: Vec<Message>,
    /// Hours that the pump has run.
    pub pump_h: f64,
    /// Since the filter was changed.
    pub pump_since_filter_h: f64,
    /// Since it was serviced.
    pub pump_since_service_h: f64,
    /// What the filter takes.
    pub filter_drop_pa: Option<f64>,
    /// At which it is to be changed.
    pub filter_limit_pa: Option<f64>,
    /// The pump's energy for a sheet, in the shop's money.
    pub energy_a_sheet: Option<f64>,
    /// What the leak beyond expectation takes of it in a month.
    pub leak_a_month: Option<f64>,
    /// The board and its skims for each sheet cut on it.
    pub board_a_sheet: Option<f64>,
    /// Every tool that has cut.
    #[serde(default)]
    pub tools: Vec<ToolView>,
}

/// A tool and how far it has cut since it was changed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ToolView {
    /// Its number in programs.
    pub number: u32,
    /// How far.
    pub cut_m: f64,
    /// Its diameter, if the setup lists it.
    pub diameter_m: Option<f64>,
}

/// A way in which the program works less well than it should.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Degraded {
    /// Its key, such as `not-saving`.
    pub name: String,
    /// Seconds that it has lasted.
    pub since_s: f64,
    /// The calendar time that it began.
    pub since: Option<String>,
}

/// Everything that is shown at one moment.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct View {
    /// The table's name.
    pub table: String,
    /// The word.
    pub verdict: Verdict,
    /// Why it is that word.
    pub why: Message,
    /// Sheets left in shadow, during which nothing is announced; 0 afterwards.
    pub shadow_sheets_left: u32,
    /// Where readings come from.
    pub source: Source,
    /// The calendar time of this view.
    pub at: Option<String>,
    /// Age of the newest reading when this view was made.
    pub age_s: Option<f64>,
    /// The age at which a reading is too old.
    pub stale_after_s: f64,
    /// How far the newest reading can be trusted.
    pub quality: Quality,
    /// The newest reading, if it is not too old.
    pub vacuum_pa: Option<f64>,
    /// The same above nothing.
    pub absolute_pa: Option<f64>,
    /// The room's pressure.
    pub room_absolute_pa: f64,
    /// The deepest level to draw on a scale.
    pub full_scale_vacuum_pa: f64,
    /// What the level should be.
    pub expected: Option<ExpectedView>,
    /// How well the weakest part is held.
    pub margin: Option<MarginView>,
    /// The light.
    pub light: Pattern,
    /// The zones.
    pub zones: Vec<ZoneView>,
    /// Every gauge.
    #[serde(default)]
    pub gauges: Vec<GaugeView>,
    /// Every line.
    #[serde(default)]
    pub lines: Vec<LineView>,
    /// The filter, if gauges stand on both sides of it.
    #[serde(default)]
    pub filter: Option<FilterView>,
    /// The pump's hold, if a drive holds it at a level.
    #[serde(default)]
    pub hold: Option<HoldView>,
    /// Whether the machine cuts, and how that is known.
    #[serde(default)]
    pub cutting: CuttingKnown,
    /// The job that is cut, or will be next.
    pub job: Option<JobView>,
    /// The ends of the table; none for one that is loaded as a whole.
    #[serde(default)]
    pub ends: Vec<EndView>,
    /// The names of the cards that can be chosen.
    pub cards: Vec<String>,
    /// The cut programs that have no card and can be chosen with a material.
    #[serde(default)]
    pub programs: Vec<String>,
    /// The materials that are known; told only beside such programs.
    #[serde(default)]
    pub materials: Vec<String>,
    /// Every alarm that is not normal, the most pressing first.
    pub alarms: Vec<AlarmView>,
    /// The flood of alarms that there is.
    #[serde(default)]
    pub flood: Option<FloodView>,
    /// The board.
    pub board: BoardView,
    /// What does not work as it should.
    pub degraded: Vec<Degraded>,
    /// Every record up to this one is on disk.
    pub acked: u64,
    /// The newest record.
    pub newest: u64,
    /// Seconds that this program has been watching.
    pub watching_s: f64,
    /// Number of the sheet on the table, counted by this journal.
    pub sheet: u64,
    /// The program's version.
    pub version: String,
    /// The guided run that is under way.
    pub guide: Option<GuideLive>,
    /// The sheet that has ended and of which nobody has said how it came out.
    pub ask_outcome: Option<u64>,
}
