//! How much of a Modbus line's time is taken by what is asked on it.
//!
//! An exchange is a request, 3.5 characters of silence, a reply and the same silence again: MODBUS over Serial Line V1.02, 2.5.1.1; the
//! frames' lengths by MODBUS Application Protocol V1.1b3, section 6. Units that think before they answer come on top.

use crate::gauge::bus::Bus;
use crate::line::LineSettings;
use crate::modbus::{Reply, Request, silent_interval};
use crate::moment::Span;

/// What is asked of a line in a second.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LineLoad {
    /// Exchanges in a second.
    pub exchanges: f64,
    /// The share of its time that they take if every unit answers at once; more than 1 cannot be done.
    pub share: f64,
}

impl LineLoad {
    pub(super) fn of(line: &LineSettings, bus: &Bus) -> Self {
        let mut load = LineLoad::default();
        for (request, per_second) in bus.asked() {
            load.exchanges += per_second;
            load.share += per_second * exchange_time(line, &request).secs_f64();
        }
        load
    }

    /// How long each unit may think before it answers, on average, so that nothing comes late; nothing if nothing is asked or it cannot
    /// be done anyway.
    pub fn spare(self) -> Option<Span> {
        let spare = (1.0 - self.share) / self.exchanges;
        (spare.is_finite() && spare >= 0.0).then(|| Span::from_secs_f64(spare))
    }
}

/// How long an exchange takes of a line if the unit answers at once.
pub fn exchange_time(line: &LineSettings, request: &Request) -> Span {
    let reply = match request {
        Request::ReadCoils { count, .. } | Request::ReadDiscretes { count, .. } => {
            Reply::Bits(vec![false; usize::from(*count)])
        }
        Request::ReadHolding { count, .. } | Request::ReadInput { count, .. } => {
            Reply::Registers(vec![0; usize::from(*count)])
        }
        Request::WriteCoil { .. } | Request::Loopback { .. } | Request::WriteCoils { .. } => Reply::Done,
    };
    let characters = request.frame(1).len() + request.reply_frame(1, &reply).len();
    line.characters(characters as f64).and(silent_interval(line).times(2.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::line::{DataBits, Parity, Protocol, StopBits};

    fn line(baud: u32, parity: Parity) -> LineSettings {
        LineSettings {
            name: "table".into(),
            port: "/dev/null".into(),
            baud,
            data_bits: DataBits::Eight,
            parity,
            stop_bits: StopBits::One,
            protocol: Protocol::ModbusRtu,
            reply_limit: Span::from_millis(200),
        }
    }

    /// By hand: 8 bytes asked, 5 and 2 for each register answered; at 9600 bit/s with parity a character is 11/9600 s and a silence 3.5
    /// of them; above 19 200 bit/s a silence is 1.75 ms.
    #[test]
    fn an_exchange_is_its_frames_and_two_silences() {
        let one = Request::ReadHolding { address: 40, count: 1 };
        let two = Request::ReadInput { address: 40, count: 2 };
        let bits = Request::ReadDiscretes { address: 0, count: 9 };
        let coils = Request::WriteCoils { address: 0, on: vec![false; 4] };
        for (baud, parity, request, expected) in [
            (9_600, Parity::Even, &one, 22.0 * 11.0 / 9.6),
            (19_200, Parity::None, &one, 22.0 * 10.0 / 19.2),
            (38_400, Parity::Even, &one, 15.0 * 11.0 / 38.4 + 3.5),
            (115_200, Parity::Even, &two, 17.0 * 11.0 / 115.2 + 3.5),
            (115_200, Parity::None, &bits, 15.0 * 10.0 / 115.2 + 3.5),
            (115_200, Parity::None, &coils, 18.0 * 10.0 / 115.2 + 3.5),
        ] {
            let found = 1e3 * exchange_time(&line(baud, parity), request).secs_f64();
            assert!((found - expected).abs() < 1e-4, "{request:?} at {baud}: {found} ms for {expected}");
        }
    }
}
