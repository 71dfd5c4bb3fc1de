//! What a gauge needs to be told.

use serde::{Deserialize, Serialize};

use crate::gauge::Signal;
use crate::line::LineId;
use crate::moment::Span;
use crate::units::{AbsolutePressure, PressureConvention, PressureUnit};

/// A gauge, by its place in the setup.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct GaugeId(pub u16);

/// Where readings come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Source {
    /// A transducer.
    Gauge,
    /// The simulated table.
    Simulated,
}

/// Where a gauge's pressure is taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// At the manifold, on the table's side of the filter.
    Manifold,
    /// At the pump's inlet, behind the filter.
    PumpInlet,
    /// Right before the filter, on the table's side.
    BeforeFilter,
    /// Right behind the filter, on the pump's side.
    AfterFilter,
    /// In the plenum of one zone, behind its valve.
    Zone,
    /// In the room: a barometer.
    Barometer,
}

impl Place {
    /// Every place.
    pub const ALL: [Place; 6] =
        [Place::Manifold, Place::PumpInlet, Place::BeforeFilter, Place::AfterFilter, Place::Zone, Place::Barometer];

    /// Whether the pump's suction is felt there whichever zones are open, so that the table can be judged by it.
    pub const fn is_suction(self) -> bool {
        matches!(self, Place::Manifold | Place::PumpInlet | Place::BeforeFilter | Place::AfterFilter)
    }

    /// Whether it lies on the pump's side of the filter.
    pub const fn is_behind_filter(self) -> bool {
        matches!(self, Place::PumpInlet | Place::AfterFilter)
    }
}

/// Which of Modbus's two tables of 16-bit registers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum RegisterTable {
    /// Holding registers, function 3.
    Holding,
    /// Input registers, function 4.
    Input,
}

/// What number one or two registers hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum NumberKind {
    /// Unsigned, one register.
    U16,
    /// Signed, one register.
    I16,
    /// Unsigned, two registers.
    U32,
    /// Signed, two registers.
    I32,
    /// IEEE 754 single, two registers.
    F32,
}

/// Which of two registers comes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WordOrder {
    /// The high word first.
    HighFirst,
    /// The low word first.
    LowFirst,
}

/// Where a gauge's number stands in a Modbus unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RegisterTalk {
    /// The unit's address, 1 to 247.
    pub unit: u8,
    /// The register table.
    pub table: RegisterTable,
    /// The first register, counted from 0 as on the wire.
    pub address: u16,
    /// The kind of number.
    pub kind: NumberKind,
    /// The order of two registers.
    pub word_order: WordOrder,
}

/// How a talker's lines of text are asked for and read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AsciiTalk {
    /// What to send to get a line; empty for a talker that sends by itself.
    pub request: Vec<u8>,
    /// The byte that ends a line.
    pub terminator: u8,
    /// Which number of the line is the reading, counted from 0.
    pub position: usize,
}

/// How a gauge is asked.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Talk {
    /// A number in Modbus registers.
    Register(RegisterTalk),
    /// A number in a line of text.
    Ascii(AsciiTalk),
}

/// A gauge: where it sits, how it is asked and what its number means.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct GaugeSettings {
    /// The name the setup gives it.
    pub name: String,
    /// The line it is on.
    pub line: LineId,
    /// Where its pressure is taken.
    pub place: Place,
    /// The zone that it is in, by its place in the table, for a gauge in a zone.
    pub zone: Option<u8>,
    /// What its number is made from.
    pub signal: Signal,
    /// How it is asked.
    pub talk: Talk,
    /// Multiplies the raw number.
    pub scale: f64,
    /// Added after scaling, in `unit`.
    pub offset: f64,
    /// The unit of the scaled number.
    pub unit: PressureUnit,
    /// What the number counts from.
    pub convention: PressureConvention,
    /// The least and greatest number it can measure, in `unit`.
    pub range: (f64, f64),
    /// Time from one reading to the next.
    pub every: Span,
}

impl GaugeSettings {
    /// The absolute pressure that a raw number stands for in a room at `room`.
    pub fn pressure(&self, raw: f64, room: AbsolutePressure) -> AbsolutePressure {
        self.convention.absolute(raw * self.scale + self.offset, self.unit, room)
    }
}

/// Something that is read besides gauges, by its place in the setup.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct InputId(pub u16);

/// Which of Modbus's two tables of single bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BitTable {
    /// Discrete inputs, function 2.
    DiscreteInput,
    /// Coils, read by function 1.
    Coil,
}

/// What is read of an input.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum InputTalk {
    /// A number in registers.
    Number(RegisterTalk),
    /// Neighbouring bits, 1 to 64.
    Bits {
        /// The unit's address, 1 to 247.
        unit: u8,
        /// Their table.
        table: BitTable,
        /// The first, counted from 0 as on the wire.
        address: u16,
        /// How many.
        count: u16,
    },
}

impl InputTalk {
    /// The unit that is asked.
    pub const fn unit(&self) -> u8 {
        match self {
            InputTalk::Number(talk) => talk.unit,
            InputTalk::Bits { unit, .. } => *unit,
        }
    }
}

/// Something that is read besides gauges.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct InputSettings {
    /// The line it is on.
    pub line: LineId,
    /// What is read.
    pub talk: InputTalk,
    /// Time from one reading to the next.
    pub every: Span,
}
