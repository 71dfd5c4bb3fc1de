//! What comes into the minder, and what it may order.

mod guided;

use serde::{Deserialize, Serialize};

pub use guided::{CheckItem, CheckOrder, Reference, SurveyOrder, Typed};

pub use crate::alarm::Tag;
use crate::board::survey::{Finding, Reading};
pub use crate::board::{Deed, Told};
use crate::expectation::Forecast;
pub use crate::gauge::{Errand, GaugeId, LineId, Quality};
pub use crate::job::{Card, Lying};
use crate::lamp::Pattern;
pub use crate::line::WiresId;
pub use crate::moment::{Moment, Span, Steady, Utc};
use crate::table::{TableLoad, ZoneSet};
pub use crate::units::{AbsolutePressure, Area, Force, Length, Vacuum};
use crate::view::{Guides, View};

/// The number of a record in the journal; every record has one, and they never go back.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Seq(pub u64);

/// The number of a request to compute.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct RequestId(pub u64);

/// The number of a command, by which its answer finds its way back.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct CommandId(pub u64);

/// Why a line was lost.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum LineCause {
    /// It cannot be opened; the text says why.
    CannotOpen(String),
    /// It ended or failed while in use.
    Gone(String),
    /// The device does not keep the settings that were asked for.
    WrongSettings(String),
}

/// What contacts and switches say.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Inputs {
    /// Whether the machine says that it is cutting.
    pub cutting: Option<bool>,
    /// Which zones are seen open.
    pub open: Option<ZoneSet>,
    /// Whether the wired *Seen it* button was pressed.
    pub seen: bool,
}

/// Who asks for a change.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Actor(pub String);

/// How far the cut is, as told.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum ProgressTold {
    /// A line of the cut program.
    Line(u64),
    /// A fraction, 0 to 1.
    Fraction(f64),
    /// Only whether it is cutting.
    Cutting(bool),
    /// A line number of the program's own, N.
    Number(u32),
    /// A share of the program's lines, 0 to 1.
    Share(f64),
    /// The time since the program began, pauses apart.
    Elapsed(Span),
}

/// How a sheet came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Outcome {
    /// Nothing moved.
    Good,
    /// A part or the sheet moved.
    Moved,
    /// A part was lost.
    Lost,
    /// It chattered.
    Chatter,
}

/// A change that somebody asks for.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Command {
    /// The card by this name lies on the table.
    LoadNamed(String),
    /// This card lies on the table.
    LoadCard(Box<Card>),
    /// No job is on the table.
    Unload,
    /// These zones are open, by name.
    Open(Vec<String>),
    /// The cut is here.
    Progress(ProgressTold),
    /// The present level is good.
    Teach,
    /// An alarm was seen.
    Acknowledge(Tag),
    /// An alarm is put aside for this long.
    Shelve(Tag, Span),
    /// An alarm is taken back.
    Unshelve(Tag),
    /// A latched alarm is reset.
    Reset(Tag),
    /// The last sheet came out so; the part if one is named.
    SheetOutcome(Outcome, Option<String>),
    /// The board was skimmed, and its trend starts anew.
    Skimmed,
    /// The rims were sealed.
    Sealed,
    /// Every lamp in turn.
    TestLight,
    /// Something that was done for the board or its pump, or what a jump came of.
    Board(Told),
    /// Something in a survey.
    Survey(SurveyOrder),
    /// Something in the morning's check.
    Check(CheckOrder),
    /// A load, an unloading or a progress at the end of the table by this name.
    At(String, Box<Command>),
    /// This cut program, of the folder of cards, lies on the table; the rest is as in the last job of this material, or of any.
    LoadProgram {
        /// Its file.
        file: String,
        /// The material.
        material: Option<String>,
    },
    /// The tool of this number was changed for a new one.
    ToolChanged(u32),
    /// An alarm is taken out of service, and why.
    Remove(Tag, String),
    /// An alarm is put back into service.
    Return(Tag),
}

/// What became of a command.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Answer {
    /// It is done.
    Done,
    /// There is no such thing as it names: what, and the names there are.
    Unknown {
        /// The name that is not known.
        name: String,
        /// The names that are.
        known: Vec<String>,
    },
    /// It cannot be done now; the key says why.
    Refused(String),
    /// An alarm cannot be shelved for so long; the longest that it can be.
    ShelvedTooLong(Span),
}

/// What a journal says of the time before: the bodies, as JSON text, of its last records of these kinds.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Recalled {
    /// The last number used.
    pub last_seq: Seq,
    /// What was learned.
    pub memory: Option<String>,
    /// The last survey, under way or ended.
    pub survey: Option<String>,
    /// The morning's checks.
    pub check: Option<String>,
}

/// Something that wakes the program.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Event {
    /// Bytes from a line.
    Bytes(LineId, Vec<u8>),
    /// A line is open.
    LineUp(LineId),
    /// A line is gone.
    LineLost(LineId, LineCause),
    /// Contacts.
    Inputs(Inputs),
    /// The names of the job cards that can be chosen.
    Cards(Vec<String>),
    /// A change asked for.
    Command(Actor, CommandId, Command),
    /// A forecast is ready, or why it is not.
    Computed(RequestId, Result<Forecast, String>),
    /// Every record up to this is on disk.
    Stored(Seq),
    /// Records cannot be stored; the text says why. [`Event::Stored`] ends it.
    StoreTrouble(String),
    /// Calendar time jumped by so many nanoseconds against steady time.
    ClockStep(i64),
    /// The wake-up that was asked for.
    Due,
    /// What a survey's readings came to, or why they came to nothing.
    Surveyed(RequestId, Result<Box<Finding>, String>),
    /// A card that was asked for has been read, with its program; none if there is none by that name; or why it cannot be.
    CardRead(RequestId, Result<Option<Box<Card>>, String>),
    /// The cut programs in the folder of cards that no card names.
    Programs(Vec<String>),
    /// The levels of a device's wires that are read: at the first look, at every change, and at least once a second.
    Wires(WiresId, u64),
    /// A device's wires cannot be used.
    WiresLost(WiresId, LineCause),
    /// A journal that could not be opened at the start is open; this is what it says.
    Recalled(Box<Recalled>),
}

/// One reading as kept.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReadingRecord {
    /// Which gauge.
    pub gauge: GaugeId,
    /// The level.
    pub vacuum: Vacuum,
    /// How far it can be trusted.
    pub quality: Quality,
    /// The band expected then, low and high.
    pub band: Option<(Vacuum, Vacuum)>,
}

/// Why there are no readings for a while.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum GapCause {
    /// The gauge did not answer.
    NoReply,
    /// What it sent was garbled.
    BadCheck,
    /// It refused to answer.
    Refused,
    /// The line was gone.
    LineGone,
    /// This program was not running.
    NotRunning,
    /// The journal could not keep up or not be written.
    NotSaved,
}

/// What a record says.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Fact {
    /// A reading.
    Reading(ReadingRecord),
    /// A span without readings ended; it began at this steady time.
    Gap {
        /// Which gauge.
        gauge: GaugeId,
        /// When it began.
        from: Steady,
        /// Why.
        cause: GapCause,
    },
    /// Anything else: its kind, the version of its body's form, and its body as JSON text.
    Entry {
        /// What kind, such as `alarm`, `job`, `sheet`, `command`, `verdict`.
        kind: String,
        /// The form of the body.
        version: u16,
        /// JSON text.
        body: String,
    },
}

/// Something to keep.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// Its number.
    pub seq: Seq,
    /// When it happened.
    pub at: Moment,
    /// What it says.
    pub fact: Fact,
}

/// A forecast to compute: the load, and the sets of zones that matter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Request {
    /// The job; none for the table with everything covered.
    pub card: Option<Box<Card>>,
    /// What lies at other ends of the table.
    #[serde(default)]
    pub beside: Vec<Lying>,
    /// The zone sets.
    pub open: Vec<ZoneSet>,
    /// The room's pressure, if a barometer tells it; else that of the setup.
    #[serde(default)]
    pub room: Option<AbsolutePressure>,
}

impl Request {
    /// What lies at other ends, as one load.
    pub fn lying(&self) -> TableLoad {
        self.beside.iter().map(Lying::load).fold(TableLoad::default(), |all, one| all.beside(&one))
    }
}

/// Something the edge is ordered to do.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Action {
    /// Write bytes to a line, dropping whatever it has sent unread.
    Send(LineId, Vec<u8>, Errand),
    /// Show this light.
    Light(Pattern),
    /// Keep this.
    Record(Record),
    /// Show this.
    Show(Box<View>),
    /// Compute this.
    Compute(RequestId, Request),
    /// Wake the program then, and forget the wake-up asked for before.
    WakeAt(Steady),
    /// The answer to a command.
    Answer(CommandId, Answer),
    /// Fit the table's numbers to these readings on it, wanted to this share.
    Fit(RequestId, Vec<Reading>, f64),
    /// Show this of the guided runs.
    Guide(Box<Guides>),
    /// Read the program of this card, from the folder of cards.
    ReadProgram(RequestId, Box<Card>),
    /// Read the card of this name, with its program.
    ReadCard(RequestId, String),
    /// Set the levels of a device's wires that are switched.
    Switch(WiresId, u64),
}
