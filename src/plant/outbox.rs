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
    }
}
