//! The units on the line, as a pure byte machine: what is heard in, what is due to be said out.

use std::collections::BTreeMap;

use super::chance::Chance;
use super::machine::Levels;
use super::outbox::Outbox;
use super::transducer::{Blemish, Transducer, line_of_text, registers};
use crate::gauge::{AsciiTalk, GaugeSettings, RegisterTable, RegisterTalk, Talk};
use crate::line::{LineSettings, Protocol};
use crate::modbus::{Asked, ExceptionCode, Reply, Request, RequestReceiver, UNITS, silent_interval};
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
    requests: RequestReceiver,
    /// What was heard in text and not answered.
    text: Vec<u8>,
    outbox: Outbox,
    /// When a talker that speaks by itself speaks next.
    speaks: Option<Steady>,
}

/// How long a unit takes to think, beyond the silence that ends a request (common practice, no source).
const THINKING: Span = Span::from_millis(2);
/// How many registers on either side of a gauge's number can be read too.
const BESIDE: u16 = 8;
/// How many coils a relay unit has.
const COILS: u16 = 256;
/// More than any request in text; what is older is lost.
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
            requests: RequestReceiver::default(),
            text: Vec::new(),
            speaks: None,
        }
    }

    /// Every coil that was ever set, and whether it is on.
    pub(super) fn coils(&self) -> &BTreeMap<u16, bool> {
        &self.coils
    }

    /// Loses what is under way, as a pulled cable does.
    pub(super) fn cut_off(&mut self) {
        self.requests.clear();
        self.text.clear();
        self.outbox.clear();
    }

    /// Takes in what was sent to the line by `now`; whether coils changed.
    pub(super) fn hear(&mut self, bytes: &[u8], now: Steady, levels: &Levels) -> bool {
        let before = self.coils.clone();
        match self.line.protocol {
            Protocol::ModbusRtu => self.answer_frames(bytes, now, levels),
            Protocol::AsciiTalker => self.answer_text(bytes, now, levels),
        }
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

    /// Answers every whole frame that is for a unit here.
    fn answer_frames(&mut self, bytes: &[u8], now: Steady, levels: &Levels) {
        self.requests.push(bytes);
        while let Some(asked) = self.requests.next() {
            // A request is through the line when its characters are, whenever the terminal handed them over.
            let heard = now.plus(self.outbox.characters(bytes.len() as f64)).plus(silent_interval(&self.line));
            if let Some(reply) = self.reply(&asked, now, levels) {
                let frame = self.framed(&asked, &reply);
                self.say(frame, heard.plus(THINKING));
            }
        }
    }

    /// The answer of the unit that is asked; `None` if there is none by that address.
    fn reply(&mut self, asked: &Asked, now: Steady, levels: &Levels) -> Option<Reply> {
        let of_gauge = self.transducers.iter().any(|one| talk(one).is_some_and(|talk| talk.unit == asked.unit));
        let of_relay = self.relay == Some(asked.unit);
        let request = match &asked.request {
            Ok(request) if of_gauge || of_relay => request,
            Err(code) if of_gauge || of_relay => return Some(Reply::Exception(*code)),
            Ok(_) | Err(_) => return None,
        };
        let refused = Reply::Exception(ExceptionCode::ILLEGAL_FUNCTION);
        Some(match request {
            Request::ReadHolding { address, count } if of_gauge => {
                self.read_registers(asked.unit, RegisterTable::Holding, *address, *count, now, levels)
            }
            Request::ReadInput { address, count } if of_gauge => {
                self.read_registers(asked.unit, RegisterTable::Input, *address, *count, now, levels)
            }
            Request::Loopback { .. } => Reply::Done,
            Request::ReadCoils { address, count } if of_relay => self.read_coils(*address, *count),
            Request::WriteCoil { address, on } if of_relay => self.write_coils(*address, &[*on]),
            Request::WriteCoils { address, on } if of_relay => self.write_coils(*address, on),
            Request::ReadHolding { .. }
            | Request::ReadInput { .. }
            | Request::ReadCoils { .. }
            | Request::ReadDiscretes { .. }
            | Request::WriteCoil { .. }
            | Request::WriteCoils { .. } => refused,
        })
    }

    /// The registers of a unit: those that hold its gauges' numbers, and a few beside them that never change.
    fn read_registers(
        &mut self,
        unit: u8,
        table: RegisterTable,
        address: u16,
        count: u16,
        now: Steady,
        levels: &Levels,
    ) -> Reply {
        let mut map = BTreeMap::new();
        for transducer in &mut self.transducers {
            let Some(talk) = talk(transducer).filter(|talk| talk.unit == unit && talk.table == table).cloned() else {
                continue;
            };
            let words = registers(transducer.sample(levels, now), talk.kind, talk.word_order);
            for beside in talk.address.saturating_sub(BESIDE)..=talk.address.saturating_add(BESIDE) {
                map.entry(beside).or_insert(beside);
            }
            map.extend((talk.address..).zip(words));
        }
        let asked = address..address.saturating_add(count);
        let found: Option<Vec<u16>> = asked.map(|register| map.get(&register).copied()).collect();
        found.map_or(Reply::Exception(ExceptionCode::ILLEGAL_ADDRESS), Reply::Registers)
    }

    fn read_coils(&self, address: u16, count: u16) -> Reply {
        let Some(end) = address.checked_add(count).filter(|end| *end <= COILS) else {
            return Reply::Exception(ExceptionCode::ILLEGAL_ADDRESS);
        };
        Reply::Bits((address..end).map(|coil| self.coils.get(&coil).copied().unwrap_or(false)).collect())
    }

    fn write_coils(&mut self, address: u16, on: &[bool]) -> Reply {
        if usize::from(address) + on.len() > usize::from(COILS) {
            return Reply::Exception(ExceptionCode::ILLEGAL_ADDRESS);
        }
        self.coils.extend((address..).zip(on.iter().copied()));
        Reply::Done
    }

    /// The reply as bytes, from the unit that was asked unless chance has another answer.
    fn framed(&mut self, asked: &Asked, reply: &Reply) -> Vec<u8> {
        let stranger = self.chance.happens(self.mischief.stranger);
        let unit = if stranger { asked.unit % UNITS.end() + 1 } else { asked.unit };
        let asked = Asked { unit, ..asked.clone() };
        if self.chance.happens(self.mischief.refused) {
            return asked.refusal(ExceptionCode(1 + self.chance.below(11) as u8));
        }
        asked.reply(reply)
    }

    /// Answers requests in text, or speaks because it is time.
    fn answer_text(&mut self, bytes: &[u8], now: Steady, levels: &Levels) {
        self.text.extend_from_slice(bytes);
        let old = self.text.len().saturating_sub(MOST_UNREAD);
        self.text.drain(..old);
        let Some(index) = self.transducers.iter().position(|one| matches!(one.settings().talk, Talk::Ascii(_))) else {
            return;
        };
        let settings = self.transducers[index].settings().clone();
        let Talk::Ascii(talk) = settings.talk else { return };
        if talk.request.is_empty() {
            self.text.clear();
            if self.speaks.is_none_or(|at| at <= now) {
                self.speaks = Some(self.speaks.unwrap_or(now).plus(settings.every));
                self.say_text(index, &talk, now, levels);
            }
            return;
        }
        while let Some(at) = position_of(&self.text, &talk.request) {
            self.text.drain(..at + talk.request.len());
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

/// How a transducer is read by registers, if it is.
fn talk(transducer: &Transducer) -> Option<&RegisterTalk> {
    match &transducer.settings().talk {
        Talk::Register(talk) => Some(talk),
        Talk::Ascii(_) => None,
    }
}

fn position_of(bytes: &[u8], sought: &[u8]) -> Option<usize> {
    bytes.windows(sought.len()).position(|window| window == sought)
}
