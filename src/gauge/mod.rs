//! How a transducer speaks, as pure byte machines: bytes in, requests and readings out; the port is somebody else's.

mod settings;

pub use settings::{
    AsciiTalk, DataBits, GaugeId, GaugeSettings, LineId, LineSettings, NumberKind, Parity, Place, Protocol,
    RegisterTable, RegisterTalk, StopBits, Talk, WordOrder,
};

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
