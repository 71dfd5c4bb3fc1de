//! What the light shows: a pattern by the colour meanings of IEC 60204-1, and the bytes that set it.

use serde::{Deserialize, Serialize};

use crate::gauge::LineId;

/// One lamp of the light. Steady and flashing are the only two codes; no finer one is read at a glance.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Lamp {
    /// Dark.
    #[default]
    Off,
    /// Lit.
    Steady,
    /// On and off at 1 Hz.
    Flashing,
}

/// What the whole light shows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pattern {
    /// Danger: stop now.
    pub red: Lamp,
    /// Abnormal: look into it.
    pub yellow: Lamp,
    /// Normal.
    pub green: Lamp,
    /// Something must be done, at leisure.
    pub blue: Lamp,
    /// Neutral, or not yet trusted.
    pub white: Lamp,
    /// Whether the horn sounds.
    pub horn: bool,
}

impl Pattern {
    /// Everything dark: nobody is watching.
    pub const DARK: Pattern =
        Pattern { red: Lamp::Off, yellow: Lamp::Off, green: Lamp::Off, blue: Lamp::Off, white: Lamp::Off, horn: false };
}

/// A relay unit on a Modbus line that switches the light: one coil for each colour, one for the horn.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LightSettings {
    /// The name the setup gives it.
    pub name: String,
    /// The line it is on.
    pub line: LineId,
    /// The unit's address, 1 to 247.
    pub unit: u8,
    /// The coil of each colour that there is.
    pub red: Option<u16>,
    /// See `red`.
    pub yellow: Option<u16>,
    /// See `red`.
    pub green: Option<u16>,
    /// See `red`.
    pub blue: Option<u16>,
    /// See `red`.
    pub white: Option<u16>,
    /// The horn's coil.
    pub horn: Option<u16>,
    /// A coil that changes once a second as long as this program runs, for a relay that cuts the light's supply when
    /// the change stays away.
    pub heartbeat: Option<u16>,
}
