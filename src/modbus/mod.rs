//! Modbus RTU frames both ways: requests and replies as plain values, found in a stream by expected length and check word.
//!
//! Sources: MODBUS Application Protocol Specification V1.1b3, section 6 (functions) and 7 (exceptions); MODBUS over Serial
//! Line V1.02, section 2.5.1 (frames, silent interval). The check word and the length of a frame come from a kept codec
//! crate. Silence is not used to find frames, since a program behind a serial adapter cannot see 3.5 characters of it; it
//! is kept before every request.

mod frame;
mod receiver;

pub use receiver::{Asked, Received, ReplyReceiver, RequestReceiver, is_whole_reply};

use serde::{Deserialize, Serialize};

use crate::line::LineSettings;
use crate::moment::Span;

/// The addresses that a single unit may have.
pub const UNITS: std::ops::RangeInclusive<u8> = 1..=247;

/// What a client asks of a unit; addresses count from 0 as on the wire.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Request {
    /// Function 1: so many coils, 1 to 2000.
    ReadCoils {
        /// The first.
        address: u16,
        /// How many.
        count: u16,
    },
    /// Function 2: so many discrete inputs, 1 to 2000.
    ReadDiscretes {
        /// The first.
        address: u16,
        /// How many.
        count: u16,
    },
    /// Function 3: so many holding registers, 1 to 125.
    ReadHolding {
        /// The first.
        address: u16,
        /// How many.
        count: u16,
    },
    /// Function 4: so many input registers, 1 to 125.
    ReadInput {
        /// The first.
        address: u16,
        /// How many.
        count: u16,
    },
    /// Function 5: one coil on or off.
    WriteCoil {
        /// Which.
        address: u16,
        /// Its state.
        on: bool,
    },
    /// Function 8, sub-function 0: send these two bytes back. It changes nothing, and its answer cannot be taken for that
    /// to any other request.
    Loopback {
        /// The two bytes.
        token: u16,
    },
    /// Function 15: a row of coils, 1 to 1968.
    WriteCoils {
        /// The first.
        address: u16,
        /// Their states.
        on: Vec<bool>,
    },
}

/// What a unit answers.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Reply {
    /// The coils or discrete inputs asked for.
    Bits(Vec<bool>),
    /// The registers asked for.
    Registers(Vec<u16>),
    /// It was done as asked.
    Done,
    /// It was refused.
    Exception(ExceptionCode),
}

/// Why a unit refuses, as sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct ExceptionCode(pub u8);

/// What a refusal calls for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Refusal {
    /// The unit does not have what was asked for; asking again does not help, the setup must change.
    Configuration,
    /// The unit is broken.
    Failure,
    /// The unit is busy; ask later.
    Busy,
    /// A gateway on the way does not reach the unit.
    Gateway,
    /// A code that the specification does not know.
    Unknown,
}

impl ExceptionCode {
    /// The function is not supported.
    pub const ILLEGAL_FUNCTION: ExceptionCode = ExceptionCode(1);
    /// There is no such register or coil.
    pub const ILLEGAL_ADDRESS: ExceptionCode = ExceptionCode(2);
    /// The request makes no sense.
    pub const ILLEGAL_VALUE: ExceptionCode = ExceptionCode(3);

    /// What the refusal calls for (V1.1b3, section 7).
    pub fn refusal(self) -> Refusal {
        match self.0 {
            1..=3 => Refusal::Configuration,
            4 | 8 => Refusal::Failure,
            5 | 6 => Refusal::Busy,
            10 | 11 => Refusal::Gateway,
            _ => Refusal::Unknown,
        }
    }
}

/// The silence before a frame: 3.5 characters, and 1.75 ms above 19 200 bit/s.
pub fn silent_interval(line: &LineSettings) -> Span {
    if line.baud > 19_200 { Span::from_nanos(1_750_000) } else { line.characters(3.5) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::line::{DataBits, Parity, Protocol, StopBits};

    fn line(baud: u32) -> LineSettings {
        LineSettings {
            name: "table".into(),
            port: "/dev/null".into(),
            baud,
            data_bits: DataBits::Eight,
            parity: Parity::Even,
            stop_bits: StopBits::One,
            protocol: Protocol::ModbusRtu,
            reply_limit: Span::from_millis(200),
        }
    }

    /// MODBUS over Serial Line V1.02, 2.5.1.1: 11 bits a character; above 19 200 bit/s the fixed 1.750 ms (from memory).
    #[test]
    fn the_silent_interval_is_that_of_the_guide() {
        assert_eq!(silent_interval(&line(9_600)), Span::from_nanos(4_010_416));
        assert_eq!(silent_interval(&line(19_200)), Span::from_nanos(2_005_208));
        for fast in [19_201, 38_400, 115_200, 3_000_000] {
            assert_eq!(silent_interval(&line(fast)), Span::from_nanos(1_750_000));
        }
    }

    #[test]
    fn refusals_are_told_apart_by_what_they_call_for() {
        for (code, refusal) in [
            (1, Refusal::Configuration),
            (2, Refusal::Configuration),
            (3, Refusal::Configuration),
            (4, Refusal::Failure),
            (5, Refusal::Busy),
            (6, Refusal::Busy),
            (7, Refusal::Unknown),
            (8, Refusal::Failure),
            (10, Refusal::Gateway),
            (11, Refusal::Gateway),
            (99, Refusal::Unknown),
        ] {
            assert_eq!(ExceptionCode(code).refusal(), refusal, "{code}");
        }
    }
}
