//! The alarm state model of IEC 62682 / ANSI/ISA-18.2, rules with delays, and the roll of all alarms.
//!
//! The states, their letters and their moves are those of the standards as restated in public automation libraries (the
//! standards' own texts were not read). Latching and the mark of the first of several are additions that the standards
//! allow.

mod flood;
mod load;
mod roll;
mod rule;

pub use flood::Flood;
pub use load::{Load, chattering, floods, per_ten_minutes, stale, worst};
pub use roll::{Move, Refusal, Roll, Status};
pub use rule::Rule;

use serde::{Deserialize, Serialize};

/// The states of one alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Normal.
    Normal,
    /// Active and not acknowledged.
    Unacknowledged,
    /// Active and acknowledged.
    Acknowledged,
    /// Returned to normal before it was acknowledged.
    ReturnedUnacknowledged,
    /// Acknowledged and waiting for its reset, for an alarm that latches.
    LatchedAcknowledged,
    /// Put aside by the operator for a limited time.
    Shelved,
    /// Suppressed by design.
    Suppressed,
    /// Taken out of service by authorised work.
    OutOfService,
}

impl State {
    /// The short name that the standards' readers know.
    pub const fn short(self) -> &'static str {
        match self {
            State::Normal => "NORM",
            State::Unacknowledged => "UNACK",
            State::Acknowledged => "ACKED",
            State::ReturnedUnacknowledged => "RTNUN",
            State::LatchedAcknowledged => "LACKED",
            State::Shelved => "SHLVD",
            State::Suppressed => "DSUPR",
            State::OutOfService => "OOSRV",
        }
    }

    /// Whether a person is being called: it waits to be acknowledged.
    pub const fn calls(self) -> bool {
        matches!(self, State::Unacknowledged | State::ReturnedUnacknowledged)
    }

    /// Whether the alarm is active and announced.
    pub const fn is_active(self) -> bool {
        matches!(self, State::Unacknowledged | State::Acknowledged)
    }

    /// Whether the alarm is kept from being announced.
    pub const fn is_set_aside(self) -> bool {
        matches!(self, State::Shelved | State::Suppressed | State::OutOfService)
    }
}

/// How soon a person must act.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Priority {
    /// Today.
    Low,
    /// Soon.
    Medium,
    /// Now.
    High,
}

impl Priority {
    /// Every priority, the most pressing first.
    pub const ALL: [Priority; 3] = [Priority::High, Priority::Medium, Priority::Low];
}

/// The alarms there are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tag {
    /// The pump's suction is gone while cutting.
    PumpLost,
    /// A sudden loss of vacuum while cutting.
    SuddenLoss,
    /// The holding margin of some part is below what is required.
    MarginLow,
    /// The level is below the band expected.
    LevelLow,
    /// The level is above the band expected.
    LevelHigh,
    /// No trustworthy reading.
    NoReading,
    /// The journal cannot be written.
    NotSaving,
}

impl Tag {
    /// Every alarm, the most pressing first.
    pub const ALL: [Tag; 7] =
        [Tag::PumpLost, Tag::SuddenLoss, Tag::MarginLow, Tag::LevelLow, Tag::LevelHigh, Tag::NoReading, Tag::NotSaving];
}
