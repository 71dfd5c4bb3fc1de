//! The units on the line, as a pure byte machine: what is heard in, what is due to be said out.

use std::collections::BTreeMap;

use super::chance::Chance;
use super::machine::Levels;
use super::outbox::Outbox;
use super::transducer::{Blemish, Transducer, line_of_text, registers};
use crate::gauge::{AsciiTalk, GaugeSettings, Talk};
use crate::line::{LineSettings, Protocol};
use crate::moment::{Span, Steady};

/// What hangs on the line.
#[derive(Clone, Debug, PartialEq)]
pub struct OnTheLine {
    /// The line; its port is not used.
    pub line: LineSettings,
    /// The gauges on it.
    pub gauges: Vec<GaugeSettings>,
    /// The address of a relay unit with a light on its coils.
    pub relay: Option<u8>,
    /// What the gauges add to the truth.
    pub blemish: Blemish,
    /// How replies go wrong.
    pub mischief: Mischief,
}

/// How replies go wrong: the share of them that is hit by each fault.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Mischief {
    /// No reply comes.
    pub silent: f64,
    /// The reply comes after half as long again as the client waits.
    pub late: f64,
    /// One bit is wrong.
    pub garbled: f64,
    /// The end is missing.
    pub cut: f64,
    /// It carries another unit's address and a right check.
    pub stranger: f64,
    /// It refuses, with any exception code.
    pub refused: f64,
    /// A pause of up to this before every byte.
    pub dribble: Span,
}

/// The units at work.
#[derive(Clone, Debug)]
pub(super) struct Bench {
    line: LineSettings,
    transducers: Vec<Transducer>,
    relay: Option<u8>,
    coils: BTreeMap<u16, bool>,
    mischief: Mischief,
    chance: Chance,
    inbox: Vec<u8>,
    outbox: Outbox,
    /// When a talker that speaks by itself speaks next.
    speaks: Option<Steady>,
}

/// How long a unit takes to think, beyond the silence that ends a request (common practice, no source).
const THINKING: Span = Span::from_millis(2);
/// The silence that ends a frame, in characters: MODBUS over serial line specification V1.02, section 2.5.1.1.
const SILENCE: f64 = 3.5;
/// More than any request; what is older is lost.
const MOST_UNREAD: usize = 512;

impl Bench {
    pub(super) fn new(on: OnTheLine, seed: u64) -> Self {
        let mut chance = Chance::new(seed);
        let transducers =
            on.gauges.into_iter().map(|gauge| Transducer::new(gauge, on.blemish, chance.bits())).collect();
        Bench {
            outbox: Outbox::new(&on.line),
            line: on.line,
            transducers,
            relay: on.relay,
            coils: BTreeMap::new(),
            mischief: on.mischief,
            chance,
            inbox: Vec::new(),
            speaks: None,
        }
    }

    /// Every coil that was ever set, and whether it is on.
    pub(super) fn coils(&self) -> &BTreeMap<u16, bool> {
        &self.coils
    }

    /// Loses what is under way, as a pulled cable does.
    pub(super) fn cut_off(&mut self) {
        self.inbox.clear();
        self.outbox.clear();
    }

    /// Takes in what was sent to the line by `now`; whether coils changed.
    pub(super) fn hear(&mut self, bytes: &[u8], now: Steady, levels: &Levels) -> bool {
        self.inbox.extend_from_slice(bytes);
        let before = self.coils.clone();
        match self.line.protocol {
            Protocol::ModbusRtu => {}
            Protocol::AsciiTalker => self.answer_text(now, levels),
        }
        let old = self.inbox.len().saturating_sub(MOST_UNREAD);
        self.inbox.drain(..old);
        before != self.coils
    }

    /// The bytes that are through at `now`.
    pub(super) fn due(&mut self, now: Steady) -> Vec<u8> {
        self.outbox.due(now)
    }

    /// When something happens next without being asked for.
    pub(super) fn next(&self) -> Option<Steady> {
        match (self.outbox.next(), self.speaks) {
            (Some(byte), Some(line)) => Some(byte.min(line)),
            (byte, line) => byte.or(line),
        }
    }

    /// Answers requests in text, or speaks because it is time.
    fn answer_text(&mut self, now: Steady, levels: &Levels) {
        let Some(index) = self.transducers.iter().position(|one| matches!(one.settings().talk, Talk::Ascii(_))) else {
            return;
        };
        let settings = self.transducers[index].settings().clone();
        let Talk::Ascii(talk) = settings.talk else { return };
        if talk.request.is_empty() {
            self.inbox.clear();
            if self.speaks.is_none_or(|at| at <= now) {
                self.speaks = Some(self.speaks.unwrap_or(now).plus(settings.every));
                self.say_text(index, &talk, now, levels);
            }
            return;
        }
        while let Some(at) = position_of(&self.inbox, &talk.request) {
            self.inbox.drain(..at + talk.request.len());
            let heard = now.plus(self.outbox.characters(talk.request.len() as f64));
            self.say_text(index, &talk, heard.plus(THINKING), levels);
        }
    }

    fn say_text(&mut self, index: usize, talk: &AsciiTalk, from: Steady, levels: &Levels) {
        let transducer = &mut self.transducers[index];
        let symbol = transducer.settings().unit.symbol();
        let mut line = line_of_text(transducer.sample(levels, from), talk.position, symbol).into_bytes();
        line.push(talk.terminator);
        self.say(line, from);
    }

    /// Sends a reply, unless chance has something else in mind for it.
    fn say(&mut self, mut bytes: Vec<u8>, from: Steady) {
        if self.chance.happens(self.mischief.silent) {
            return;
        }
        if self.chance.happens(self.mischief.garbled) {
            let place = self.chance.below(bytes.len());
            let bit = self.chance.below(8);
            bytes[place] ^= 1 << bit;
        }
        if self.chance.happens(self.mischief.cut) {
            bytes.truncate(1 + self.chance.below(bytes.len() - 1));
        }
        let late = self.chance.happens(self.mischief.late);
        let from = if late { from.plus(self.line.reply_limit.times(1.5)) } else { from };
        let pause = self.mischief.dribble.times(self.chance.unit());
        self.outbox.send(&bytes, from, pause);
    }
}

fn position_of(bytes: &[u8], sought: &[u8]) -> Option<usize> {
    bytes.windows(sought.len()).position(|window| window == sought)
}
