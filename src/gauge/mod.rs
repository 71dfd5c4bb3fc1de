//! How a transducer speaks, as pure byte machines: bytes in, requests and readings out; the port is somebody else's.
//!
//! [`Talker`] is the one owner of a line's conversation with its gauges and lights. [`Health`] turns a raw number into a
//! level and says how far it can be trusted.

mod bus;
mod current_loop;
mod health;
mod load;
mod number;
pub mod search;
mod settings;
mod steadiness;
mod talker;
mod teller;

pub use crate::line::{DataBits, LineId, LineSettings, Parity, Protocol, StopBits};
pub use current_loop::{CurrentLoop, LoopBand, Milliamperes};
pub use health::{Doubt, Health, HealthLimits, Judged, Motion, Signal};
pub use load::{LineLoad, exchange_time};
pub use settings::{
    AsciiTalk, BitTable, GaugeId, GaugeSettings, InputId, InputSettings, InputTalk, NumberKind, Place, RegisterTable,
    RegisterTalk, Source, Talk, WordOrder,
};
pub use talker::{Errand, Heard, Talker, UnfitLine};

use serde::{Deserialize, Serialize};

/// How far a reading can be trusted: the status signals of NAMUR NE 107, best first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quality {
    /// Nothing is known against it.
    Good,
    /// Right, but the gauge asks for care soon.
    MaintenanceRequired,
    /// Outside what the gauge was made for.
    OutOfSpecification,
    /// Not a measurement just now.
    FunctionCheck,
    /// Not to be used.
    Failure,
}
