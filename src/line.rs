//! A serial line: its name among others, its speed and the form of its characters. And wires that are switched and read one by one.

use serde::{Deserialize, Serialize};

use crate::moment::Span;

/// A serial line, by its place in the setup.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct LineId(pub u16);

/// Bits of data in a character.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum DataBits {
    /// Seven.
    Seven,
    /// Eight.
    Eight,
}

/// The check bit of a character.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Parity {
    /// No check bit.
    None,
    /// An even number of ones.
    Even,
    /// An odd number of ones.
    Odd,
}

/// Bits that close a character.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum StopBits {
    /// One.
    One,
    /// Two.
    Two,
}

/// The language of everything on a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Protocol {
    /// Modbus RTU, this program being the only client.
    ModbusRtu,
    /// One gauge that sends lines of text, on request or by itself.
    AsciiTalker,
}

/// A serial line and its settings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LineSettings {
    /// The name the setup gives it.
    pub name: String,
    /// The device's path, best a stable one below `/dev/serial/by-id`.
    pub port: String,
    /// Speed in bits per second.
    pub baud: u32,
    /// Bits of data in a character.
    pub data_bits: DataBits,
    /// The check bit.
    pub parity: Parity,
    /// Closing bits.
    pub stop_bits: StopBits,
    /// The language spoken on it.
    pub protocol: Protocol,
    /// How long to wait for a whole reply.
    pub reply_limit: Span,
}

impl LineSettings {
    /// How long `count` characters take on the wire, start, check and closing bits included.
    pub fn characters(&self, count: f64) -> Span {
        let data = match self.data_bits {
            DataBits::Seven => 7.0,
            DataBits::Eight => 8.0,
        };
        let check = match self.parity {
            Parity::None => 0.0,
            Parity::Even | Parity::Odd => 1.0,
        };
        let stop = match self.stop_bits {
            StopBits::One => 1.0,
            StopBits::Two => 2.0,
        };
        Span::from_secs_f64(count * (1.0 + data + check + stop) / f64::from(self.baud.max(1)))
    }
}

/// Wires of one device, by their place in the setup.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct WiresId(pub u16);

/// What a device's wires are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum WiresKind {
    /// The modem-control lines of a serial port that carries nothing else.
    ModemLines,
    /// Lines of a GPIO character device.
    GpioChip,
}

/// A modem-control line that a computer reads (the circuits of ITU-T V.24, from memory).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ModemInput {
    /// Clear to send.
    Cts,
    /// Data set ready.
    Dsr,
    /// Data carrier detect.
    Dcd,
    /// Ring indicator.
    Ri,
}

impl ModemInput {
    /// All there are, each in the place of its number.
    pub const ALL: [ModemInput; 4] = [ModemInput::Cts, ModemInput::Dsr, ModemInput::Dcd, ModemInput::Ri];
}

/// A modem-control line that a computer switches.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ModemOutput {
    /// Request to send.
    Rts,
    /// Data terminal ready.
    Dtr,
}

impl ModemOutput {
    /// All there are, each in the place of its number.
    pub const ALL: [ModemOutput; 2] = [ModemOutput::Rts, ModemOutput::Dtr];
}

/// What holds a wire that is read while nothing drives it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Pull {
    /// Nothing of the chip's own.
    #[default]
    None,
    /// A resistor to the supply.
    Up,
    /// A resistor to ground.
    Down,
}

/// The wires of one device. A word of levels has a bit for each, the lowest for the first.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct WiresSettings {
    /// The device's path.
    pub path: String,
    /// What they are.
    pub kind: WiresKind,
    /// The wires that are read: the number of a [`ModemInput`], or a line's offset on its chip; 64 at most.
    pub inputs: Vec<(u32, Pull)>,
    /// The wires that are switched: the number of a [`ModemOutput`], or a line's offset; 64 at most.
    pub outputs: Vec<u32>,
    /// The levels of those at rest, with nothing lit, sounded or asked for.
    pub at_rest: u64,
    /// Time from one look at the wires that are read to the next.
    pub every: Span,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By definition: 8 data bits, no check bit and one closing bit make 10 bits, so 8 bytes at 9600 take 8.333 ms.
    #[test]
    fn a_character_counts_all_its_bits() {
        let mut line = LineSettings {
            name: "a".into(),
            port: "/dev/null".into(),
            baud: 9_600,
            data_bits: DataBits::Eight,
            parity: Parity::None,
            stop_bits: StopBits::One,
            protocol: Protocol::ModbusRtu,
            reply_limit: Span::from_millis(200),
        };
        assert_eq!(line.characters(8.0), Span::from_nanos(8_333_333));
        line.parity = Parity::Even;
        line.stop_bits = StopBits::Two;
        assert_eq!(line.characters(8.0), Span::from_nanos(10_000_000));
        line.data_bits = DataBits::Seven;
        assert_eq!(line.characters(8.0), Span::from_nanos(9_166_666));
    }
}
