//! Finding a gauge that nothing is known of: who answers on a line, which numbers it has, and which of them is the pressure.
//!
//! Three conversations follow each other, each pure: bytes and time go in, [`Step`]s come out, and the port is somebody else's.
//! [`Hunt`] tries speeds, parities, units and languages; [`Census`] lists the registers that answer; [`RegisterWatch`] and
//! [`TextWatch`] take their numbers again and again. [`guess()`] then says which number behaves like the pressure on a table.
//!
//! Only reading functions are ever sent (3 and 4 of the MODBUS Application Protocol Specification V1.1b3, 6.3 and 6.4), and
//! short lines of text.

mod census;
mod exchange;
mod guess;
mod hunt;
mod text;

pub use census::{Census, Ranges, RegisterPlace, RegisterWatch, Sweep};
pub use guess::{Phase, Plausible, Proposal, Series, Told, Whereabouts, guess, register_series, text_series};
pub use hunt::{Found, Hunt, HuntPlan, TalkerFound};
pub use text::{TextLine, TextWatch};

use crate::line::{DataBits, LineSettings, Parity, Protocol, StopBits};
use crate::moment::{Span, Steady};

/// A speed and the form of a character.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Form {
    /// Speed in bits per second.
    pub baud: u32,
    /// Bits of data in a character.
    pub data_bits: DataBits,
    /// The check bit.
    pub parity: Parity,
}

impl Form {
    /// A line of this form; one closing bit, which a device that expects two takes as well (common practice, no source).
    pub fn line(self, name: &str, port: &str, protocol: Protocol, reply_limit: Span) -> LineSettings {
        LineSettings {
            name: name.to_owned(),
            port: port.to_owned(),
            baud: self.baud,
            data_bits: self.data_bits,
            parity: self.parity,
            stop_bits: StopBits::One,
            protocol,
            reply_limit,
        }
    }

    /// How long `count` characters take on the wire.
    pub fn characters(self, count: f64) -> Span {
        self.line("", "", Protocol::ModbusRtu, Span::ZERO).characters(count)
    }

    /// The silence before a frame.
    pub(super) fn silence(self) -> Span {
        crate::modbus::silent_interval(&self.line("", "", Protocol::ModbusRtu, Span::ZERO))
    }
}

impl std::fmt::Display for Form {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let bits = if self.data_bits == DataBits::Seven { 7 } else { 8 };
        let parity = match self.parity {
            Parity::None => "no parity",
            Parity::Even => "even parity",
            Parity::Odd => "odd parity",
        };
        write!(f, "{} bit/s, {bits} bits, {parity}", self.baud)
    }
}

/// What the owner of the port is to do next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// Give the line this form.
    Form(Form),
    /// Drop what the line has sent unread, then send this.
    Send(Vec<u8>),
    /// Pass on what comes until then, each piece at once.
    Listen(Steady),
    /// Nothing more.
    Done,
}

/// A conversation on a line: ask [`Conversation::step`] again after each step carried out and each piece passed on.
pub trait Conversation {
    /// What to do at this time.
    fn step(&mut self, at: Steady) -> Step;

    /// Takes in what the line sent.
    fn bytes(&mut self, at: Steady, bytes: &[u8]);
}
