//! The one owner of a line's conversation: what to send and when, and what was heard.
//!
//! Call [`Talker::due`] whenever [`Talker::deadline`] has come and after every other call, write what it returns, and hand
//! every byte that arrives to [`Talker::bytes`]. One request is in flight at a time; nothing is ever written to a gauge's
//! unit; a reply that comes too late is never taken for the answer to a later request.

use serde::{Deserialize, Serialize};

use crate::gauge::bus::Bus;
use crate::gauge::teller::Teller;
use crate::gauge::{GaugeId, GaugeSettings, InputId, InputSettings, LineLoad};
use crate::lamp::{LightSettings, Pattern};
use crate::line::{LineSettings, Protocol};
use crate::modbus::ExceptionCode;
use crate::moment::Steady;

/// What bytes to a line are for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Errand {
    /// To get a reading.
    Poll,
    /// To set a light.
    Light,
}

/// Something that was heard on a line, or that should have been.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Heard {
    /// A gauge's number, as sent; it may be NaN or infinite.
    Reading {
        /// Which gauge.
        gauge: GaugeId,
        /// The number before scaling.
        raw: f64,
    },
    /// A gauge that did not answer within the line's limit.
    NoReply {
        /// Which gauge.
        gauge: GaugeId,
    },
    /// Bytes came for a gauge, but no answer with a good check word, or no line with a number, within the limit.
    BadCheck {
        /// Which gauge.
        gauge: GaugeId,
    },
    /// A gauge that refuses.
    Exception {
        /// Which gauge.
        gauge: GaugeId,
        /// Why.
        code: ExceptionCode,
    },
    /// A sound frame that answers nothing that was asked: another unit, another function, another length, too late.
    Foreign {
        /// Its unit.
        unit: u8,
        /// Its function, as sent.
        function: u8,
    },
    /// The number of an input, as sent.
    Number {
        /// Which input.
        input: InputId,
        /// The number before scaling.
        raw: f64,
    },
    /// The bits of an input, the first lowest.
    Bits {
        /// Which input.
        input: InputId,
        /// Its bits.
        bits: u64,
    },
    /// An input that did not answer, or refused.
    NoInput {
        /// Which input.
        input: InputId,
    },
    /// A light that confirmed what it was told, by its place among the line's lights.
    LightWritten {
        /// Which light.
        light: usize,
    },
    /// A light that did not confirm, or refused.
    LightFailed {
        /// Which light.
        light: usize,
    },
}

/// Gauges and lights that cannot share a line.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum UnfitLine {
    /// A unit address outside Modbus's range.
    #[error("{name}: unit {unit} is no address of a single Modbus unit; use 1 to 247")]
    Unit {
        /// The gauge or light.
        name: String,
        /// Its unit.
        unit: u8,
    },
    /// A light that would be written to where a gauge is.
    #[error("light {light} and gauge {gauge} share unit {unit}; a gauge's unit is never written to, move the light")]
    SharedUnit {
        /// The light.
        light: String,
        /// The gauge.
        gauge: String,
        /// Their unit.
        unit: u8,
    },
    /// A gauge that speaks another language than its line.
    #[error("gauge {0} does not speak its line's protocol; change the gauge's or the line's")]
    Language(String),
    /// A light on a line of text.
    #[error("light {0} is on a line of text; a light needs a Modbus line")]
    LightOnText(String),
    /// Not exactly one gauge on a line of text.
    #[error("{0} gauges on a line of text; only one can send on it")]
    OneTalker(usize),
    /// A gauge that is to be asked without a pause.
    #[error("gauge {0} has no time between two readings; use 0.02 s or more")]
    NoPause(String),
}

/// The one owner of a line's conversation.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Talker {
    speech: Speech,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
enum Speech {
    Rtu(Box<Bus>),
    Text(Box<Teller>),
}

impl Talker {
    /// A conversation on a line that is not open yet.
    ///
    /// # Errors
    /// [`UnfitLine`] if these gauges and lights cannot share this line.
    pub fn new(
        line: LineSettings,
        gauges: Vec<(GaugeId, GaugeSettings)>,
        lights: Vec<LightSettings>,
    ) -> Result<Self, UnfitLine> {
        Talker::with_inputs(line, gauges, lights, Vec::new())
    }

    /// The same with inputs that are read besides the gauges; only a Modbus line has any.
    ///
    /// # Errors
    /// [`UnfitLine`] if all these cannot share this line.
    pub fn with_inputs(
        line: LineSettings,
        gauges: Vec<(GaugeId, GaugeSettings)>,
        lights: Vec<LightSettings>,
        inputs: Vec<(InputId, InputSettings)>,
    ) -> Result<Self, UnfitLine> {
        if let Some((_, hasty)) = gauges.iter().find(|(_, gauge)| gauge.every == crate::moment::Span::ZERO) {
            return Err(UnfitLine::NoPause(hasty.name.clone()));
        }
        let speech = match line.protocol {
            Protocol::ModbusRtu => Speech::Rtu(Box::new(Bus::new(&line, gauges, lights, inputs)?)),
            Protocol::AsciiTalker => Speech::Text(Box::new(Teller::new(&line, gauges, &lights)?)),
        };
        Ok(Talker { speech })
    }

    /// The line was opened; what was in flight before is forgotten.
    pub fn line_up(&mut self, at: Steady) {
        match &mut self.speech {
            Speech::Rtu(bus) => bus.line_up(at),
            Speech::Text(teller) => teller.line_up(at),
        }
    }

    /// The line is gone; nothing is sent until it is up again.
    pub fn line_lost(&mut self, _at: Steady) {
        match &mut self.speech {
            Speech::Rtu(bus) => bus.line_lost(),
            Speech::Text(teller) => teller.line_lost(),
        }
    }

    /// Bytes arrived, in pieces of any size; what they complete is added to `heard`.
    pub fn bytes(&mut self, at: Steady, bytes: &[u8], heard: &mut Vec<Heard>) {
        match &mut self.speech {
            Speech::Rtu(bus) => bus.bytes(at, bytes, heard),
            Speech::Text(teller) => teller.bytes(at, bytes, heard),
        }
    }

    /// What to write now, if anything; whatever arrived before and was not handed over yet is to be dropped before it is
    /// written. A time-out that has come is added to `heard`.
    pub fn due(&mut self, at: Steady, heard: &mut Vec<Heard>) -> Option<(Vec<u8>, Errand)> {
        match &mut self.speech {
            Speech::Rtu(bus) => bus.due(at, heard),
            Speech::Text(teller) => teller.due(at, heard).map(|request| (request, Errand::Poll)),
        }
    }

    /// When to call [`Talker::due`] next, which may be in the past; `None` while there is nothing to wait for.
    pub fn deadline(&self) -> Option<Steady> {
        match &self.speech {
            Speech::Rtu(bus) => bus.deadline(),
            Speech::Text(teller) => teller.deadline(),
        }
    }

    /// What is asked on the line in a second; `None` for a line of text, which only one gauge is on.
    pub fn load(&self, line: &LineSettings) -> Option<LineLoad> {
        match &self.speech {
            Speech::Rtu(bus) => Some(LineLoad::of(line, bus)),
            Speech::Text(_) => None,
        }
    }

    /// The line's lights should show this.
    pub fn show(&mut self, pattern: Pattern) {
        match &mut self.speech {
            Speech::Rtu(bus) => bus.show(pattern),
            Speech::Text(_) => {}
        }
    }

    /// Frames that switch every lamp, horn and heartbeat of the line off; to be written at once when the program ends,
    /// a silent interval apart.
    pub fn dark_frames(&self) -> Vec<Vec<u8>> {
        match &self.speech {
            Speech::Rtu(bus) => bus.dark_frames(),
            Speech::Text(_) => Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests;
