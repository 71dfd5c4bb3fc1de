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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gauge::{NumberKind, Place, Signal, WordOrder};
    use crate::line::{DataBits, LineId, Parity, StopBits};
    use crate::modbus::{Received, ReplyReceiver};
    use crate::units::{AbsolutePressure, PressureConvention, PressureUnit};

    const ROOM: AbsolutePressure = AbsolutePressure::STANDARD_ATMOSPHERE;
    const LEVELS: Levels = Levels {
        room: ROOM,
        manifold: AbsolutePressure::from_pascals(40_000.0),
        pump_inlet: AbsolutePressure::from_pascals(35_000.0),
        pump_speed: 0.0,
    };
    const ASK: Request = Request::ReadInput { address: 100, count: 1 };

    fn on_the_line(protocol: Protocol, talk: Talk) -> OnTheLine {
        OnTheLine {
            line: LineSettings {
                name: "table".into(),
                port: String::new(),
                baud: 9600,
                data_bits: DataBits::Eight,
                parity: Parity::None,
                stop_bits: StopBits::One,
                protocol,
                reply_limit: Span::from_millis(200),
            },
            gauges: vec![GaugeSettings {
                name: "manifold".into(),
                line: LineId(0),
                place: Place::Manifold,
                zone: None,
                signal: Signal::Digital,
                talk,
                scale: 0.1,
                offset: 0.0,
                unit: PressureUnit::Millibar,
                convention: PressureConvention::Absolute,
                range: (0.0, 1100.0),
                every: Span::from_millis(100),
            }],
            relay: Some(9),
            blemish: Blemish::NONE,
            mischief: Mischief::default(),
        }
    }

    fn by_register(mischief: Mischief) -> Bench {
        let talk = Talk::Register(RegisterTalk {
            unit: 3,
            table: RegisterTable::Input,
            address: 100,
            kind: NumberKind::U16,
            word_order: WordOrder::HighFirst,
        });
        Bench::new(OnTheLine { mischief, ..on_the_line(Protocol::ModbusRtu, talk) }, 1)
    }

    /// What comes back within two seconds, and when the last byte of it is through.
    fn exchange(bench: &mut Bench, request: &[u8]) -> (Vec<u8>, Option<Span>) {
        let start = Steady::from_nanos(7_000_000_000);
        bench.hear(request, start, &LEVELS);
        let (mut come, mut last) = (Vec::new(), None);
        while let Some(at) = bench.next().filter(|at| at.since(start) < Span::from_secs(2)) {
            come.extend(bench.due(at));
            last = Some(at.since(start));
        }
        bench.cut_off();
        (come, last)
    }

    fn answer(bench: &mut Bench, unit: u8, request: &Request) -> Option<Received> {
        let mut receiver = ReplyReceiver::default();
        receiver.push(&exchange(bench, &request.frame(unit)).0);
        receiver.next(Some((unit, request)))
    }

    #[test]
    fn a_unit_answers_only_under_its_own_address() {
        let mut bench = by_register(Mischief::default());
        assert_eq!(answer(&mut bench, 3, &ASK), Some(Received::Answer(Reply::Registers(vec![4000]))));
        for stranger in [0, 1, 2, 4, 247] {
            assert_eq!(answer(&mut bench, stranger, &ASK), None, "unit {stranger}");
        }
    }

    #[test]
    fn what_a_unit_does_not_have_is_refused() {
        let mut bench = by_register(Mischief::default());
        let refused = |code| Some(Received::Answer(Reply::Exception(code)));
        let beyond = Request::ReadInput { address: 4000, count: 1 };
        assert_eq!(answer(&mut bench, 3, &beyond), refused(ExceptionCode::ILLEGAL_ADDRESS));
        let coil = Request::WriteCoil { address: 0, on: true };
        assert_eq!(answer(&mut bench, 3, &coil), refused(ExceptionCode::ILLEGAL_FUNCTION));
        assert_eq!(answer(&mut bench, 9, &ASK), refused(ExceptionCode::ILLEGAL_FUNCTION));
    }

    #[test]
    fn coils_stay_as_they_were_set_and_only_a_change_is_told() {
        let mut bench = by_register(Mischief::default());
        let set = Request::WriteCoils { address: 2, on: vec![true, false, true] }.frame(9);
        let now = Steady::default();
        assert!(bench.hear(&set, now, &LEVELS));
        assert!(!bench.hear(&set, now, &LEVELS));
        bench.cut_off();
        assert_eq!(
            bench.coils().iter().map(|(coil, on)| (*coil, *on)).collect::<Vec<_>>(),
            [(2, true), (3, false), (4, true)]
        );
        let read = Request::ReadCoils { address: 1, count: 4 };
        let bits = Reply::Bits(vec![false, true, false, true]);
        assert_eq!(answer(&mut bench, 9, &read), Some(Received::Answer(bits)));
    }

    /// Ten bits a character by definition, 3.5 characters of silence by MODBUS over Serial Line V1.02, 2.5.1.1: a request of 8
    /// and a reply of 7 bytes take at least 18.5 characters, 19.27 ms at 9600 baud; the unit's thinking comes on top.
    #[test]
    fn an_exchange_takes_the_time_of_its_characters() {
        let (come, last) = exchange(&mut by_register(Mischief::default()), &ASK.frame(3));
        assert_eq!(come.len(), 7);
        let thinking = last.unwrap().secs_f64() - 18.5 * 10.0 / 9600.0;
        assert!((thinking - THINKING.secs_f64()).abs() < 1e-6, "{thinking}");
    }

    #[test]
    fn a_request_behind_noise_is_found() {
        let mut noisy = vec![0x55, 0x00, 0xFF, 0x03];
        noisy.extend(ASK.frame(3));
        let (come, _) = exchange(&mut by_register(Mischief::default()), &noisy);
        assert_eq!(come.len(), 7);
    }

    #[test]
    fn a_spoilt_reply_is_never_taken_for_an_answer() {
        let sure = 1.0;
        let spoilt: [(&str, Mischief); 4] = [
            ("silent", Mischief { silent: sure, ..Mischief::default() }),
            ("garbled", Mischief { garbled: sure, ..Mischief::default() }),
            ("cut", Mischief { cut: sure, ..Mischief::default() }),
            ("stranger", Mischief { stranger: sure, ..Mischief::default() }),
        ];
        for (name, mischief) in spoilt {
            let mut bench = by_register(mischief);
            for _ in 0..100 {
                let come = answer(&mut bench, 3, &ASK);
                assert!(!matches!(come, Some(Received::Answer(_))), "{name}: {come:?}");
            }
        }
    }

    #[test]
    fn faults_come_at_the_rate_that_was_asked_for() {
        let mut bench = by_register(Mischief { refused: 0.2, ..Mischief::default() });
        let refused = (0..2000)
            .filter(|_| matches!(answer(&mut bench, 3, &ASK), Some(Received::Answer(Reply::Exception(_)))))
            .count();
        // Five standard deviations of a binomial count of 2000 at 0.2.
        assert!((refused as f64 - 400.0).abs() < 5.0 * (2000.0f64 * 0.2 * 0.8).sqrt(), "{refused}");
    }

    #[test]
    fn a_late_reply_comes_after_the_client_has_given_up() {
        let mut bench = by_register(Mischief { late: 1.0, ..Mischief::default() });
        let (come, last) = exchange(&mut bench, &ASK.frame(3));
        assert_eq!(come.len(), 7);
        assert!(last.unwrap() > Span::from_millis(200));
    }

    #[test]
    fn a_talker_answers_its_request_and_nothing_else() {
        let talk = Talk::Ascii(AsciiTalk { request: b"?\r".to_vec(), terminator: b'\n', position: 1 });
        let mut bench = Bench::new(on_the_line(Protocol::AsciiTalker, talk), 1);
        assert_eq!(exchange(&mut bench, b"hello").0, b"");
        bench.hear(b"?", Steady::default(), &LEVELS);
        assert_eq!(bench.next(), None);
        assert_eq!(exchange(&mut bench, b"\r").0, b"0 4000.000 mbar\n");
    }

    #[test]
    fn a_talker_that_is_not_asked_speaks_in_its_own_time() {
        let talk = Talk::Ascii(AsciiTalk { request: vec![], terminator: b'\r', position: 0 });
        let mut bench = Bench::new(on_the_line(Protocol::AsciiTalker, talk), 1);
        let mut lines = 0;
        for millis in 0..1000 {
            let now = Steady::default().plus(Span::from_millis(millis));
            bench.hear(b"", now, &LEVELS);
            lines += bench.due(now).iter().filter(|byte| **byte == b'\r').count();
        }
        assert_eq!(lines, 10);
    }
}
