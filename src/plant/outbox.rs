//! Bytes that leave one after the other at the pace of the line, which a pseudo-terminal does not keep.

use std::collections::VecDeque;

use crate::line::LineSettings;
use crate::moment::{Span, Steady};

/// Bytes on their way, each with the instant at which it is through.
#[derive(Clone, Debug)]
pub(super) struct Outbox {
    character: Span,
    queue: VecDeque<(Steady, u8)>,
    free: Steady,
}

impl Outbox {
    pub(super) fn new(line: &LineSettings) -> Self {
        Outbox { character: line.characters(1.0), queue: VecDeque::new(), free: Steady::default() }
    }

    /// How long so many characters take.
    pub(super) fn characters(&self, count: f64) -> Span {
        self.character.times(count)
    }

    /// Puts bytes on their way, not before `from` nor before the line is free, with a pause before each.
    pub(super) fn send(&mut self, bytes: &[u8], from: Steady, pause: Span) {
        let mut at = if self.free > from { self.free } else { from };
        for byte in bytes {
            at = at.plus(pause).plus(self.character);
            self.queue.push_back((at, *byte));
        }
        self.free = at;
    }

    /// Takes out the bytes that are through at `now`.
    pub(super) fn due(&mut self, now: Steady) -> Vec<u8> {
        let count = self.queue.iter().take_while(|(at, _)| *at <= now).count();
        self.queue.drain(..count).map(|(_, byte)| byte).collect()
    }

    /// When the next byte is through.
    pub(super) fn next(&self) -> Option<Steady> {
        self.queue.front().map(|(at, _)| *at)
    }

    /// Loses everything that is on its way.
    pub(super) fn clear(&mut self) {
        self.queue.clear();
        self.free = Steady::default();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::line::{DataBits, Parity, Protocol, StopBits};

    fn outbox(baud: u32) -> Outbox {
        Outbox::new(&LineSettings {
            name: "table".into(),
            port: String::new(),
            baud,
            data_bits: DataBits::Eight,
            parity: Parity::None,
            stop_bits: StopBits::One,
            protocol: Protocol::ModbusRtu,
            reply_limit: Span::from_millis(200),
        })
    }

    /// Ten bits a character by definition: 96 characters take 100 ms at 9600 baud, less than a nanosecond lost on each.
    #[test]
    fn bytes_take_the_time_that_the_line_gives_them() {
        let mut outbox = outbox(9600);
        let start = Steady::from_nanos(1_000_000_000);
        outbox.send(&[0; 96], start, Span::ZERO);
        for (millis, through) in [(0, 0), (1, 0), (2, 1), (25, 23), (50, 24), (99, 47), (100, 1), (101, 0)] {
            let due = outbox.due(start.plus(Span::from_millis(millis)));
            assert_eq!(due.len(), through, "after {millis} ms");
        }
        assert_eq!(outbox.next(), None);
    }

    #[test]
    fn a_second_message_waits_until_the_line_is_free() {
        let mut outbox = outbox(9600);
        let start = Steady::default();
        outbox.send(&[1; 48], start, Span::ZERO);
        outbox.send(&[2; 48], start.plus(Span::from_millis(10)), Span::ZERO);
        assert_eq!(outbox.due(start.plus(Span::from_millis(51))), [1; 48]);
        assert_eq!(outbox.due(start.plus(Span::from_millis(101))).len(), 48);
    }

    #[test]
    fn a_pause_before_each_byte_spreads_the_message() {
        let mut outbox = outbox(9600);
        outbox.send(&[1, 2, 3], Steady::default(), Span::from_millis(20));
        let through: Vec<usize> = (0..4).map(|n| outbox.due(Steady::from_nanos(n * 22_000_000)).len()).collect();
        assert_eq!(through, [0, 1, 1, 1]);
    }
}
