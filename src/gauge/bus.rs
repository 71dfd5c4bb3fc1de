//! A Modbus line's conversation: gauges polled at their own pace, lights kept lit, one request in flight.
//!
//! **A late reply never becomes a value.** A reply carries no mark of its request, so after a time-out the next answer of the
//! same unit could be the missing one, and every later one would lag behind by one request. Units answer in order. So a unit
//! that missed an answer is first asked to send two bytes back (function 8, the loopback of V1.1b3, 6.8): whatever it
//! answers to that, an exception included, shows by its function that nothing older is owed. A unit that ignores even that is
//! left alone for [`Peer::settling`] before it is believed again.
//!
//! Invariants: nothing but reads and loopbacks is ever sent to a gauge's unit (`Bus::new` refuses a light there); bytes that
//! arrive while nothing is in flight give no value; what is held of the stream is less than one frame.

use std::collections::BTreeMap;
use std::iter;

use serde::{Deserialize, Serialize};

use crate::gauge::{
    BitTable, Errand, GaugeId, GaugeSettings, Heard, InputId, InputSettings, InputTalk, NumberKind, RegisterTable,
    RegisterTalk, Talk, UnfitLine, WordOrder,
};
use crate::lamp::{LightSettings, Pattern, next_turn};
use crate::line::LineSettings;
use crate::modbus::{self, ExceptionCode, Received, Refusal, Reply, ReplyReceiver, Request};
use crate::moment::{Span, Steady};

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Bus {
    line: LineSettings,
    up: bool,
    peers: BTreeMap<u8, Peer>,
    polls: Vec<Poll>,
    lights: Vec<Light>,
    wanted: Pattern,
    in_flight: Option<InFlight>,
    receiver: ReplyReceiver,
    busy: Busy,
    last: Errand,
    token: u16,
}

impl Bus {
    pub(super) fn new(
        line: &LineSettings,
        gauges: Vec<(GaugeId, GaugeSettings)>,
        lights: Vec<LightSettings>,
        inputs: Vec<(InputId, InputSettings)>,
    ) -> Result<Self, UnfitLine> {
        for light in &lights {
            check_unit(&light.name, light.unit)?;
        }
        let mut polls = Vec::new();
        for (id, gauge) in gauges {
            let Talk::Register(talk) = &gauge.talk else { return Err(UnfitLine::Language(gauge.name)) };
            check_unit(&gauge.name, talk.unit)?;
            if let Some(light) = lights.iter().find(|light| light.unit == talk.unit) {
                let (light, unit) = (light.name.clone(), talk.unit);
                return Err(UnfitLine::SharedUnit { light, gauge: gauge.name, unit });
            }
            let form = Form::Number(talk.kind, talk.word_order);
            let (unit, request, every) = (talk.unit, registers(talk), gauge.every);
            let (next, sent) = (Steady::default(), Steady::default());
            polls.push(Poll { of: Of::Gauge(id), unit, request, form, every, next, sent });
        }
        for (id, input) in inputs {
            let (unit, every, next, sent) = (input.talk.unit(), input.every, Steady::default(), Steady::default());
            check_unit("an input", unit)?;
            let (request, form) = match &input.talk {
                InputTalk::Number(talk) => (registers(talk), Form::Number(talk.kind, talk.word_order)),
                InputTalk::Bits { table: BitTable::DiscreteInput, address, count, .. } => {
                    (Request::ReadDiscretes { address: *address, count: *count }, Form::Bits)
                }
                InputTalk::Bits { table: BitTable::Coil, address, count, .. } => {
                    (Request::ReadCoils { address: *address, count: *count }, Form::Bits)
                }
            };
            polls.push(Poll { of: Of::Input(id), unit, request, form, every, next, sent });
        }
        let units = polls.iter().map(|poll| poll.unit).chain(lights.iter().map(|light| light.unit));
        Ok(Bus {
            line: line.clone(),
            up: false,
            peers: units.map(|unit| (unit, Peer::default())).collect(),
            polls,
            lights: lights.into_iter().map(Light::new).collect(),
            wanted: Pattern::DARK,
            in_flight: None,
            receiver: ReplyReceiver::default(),
            busy: Busy::default(),
            last: Errand::Poll,
            token: 0,
        })
    }

    pub(super) fn line_up(&mut self, at: Steady) {
        self.line_lost();
        self.up = true;
        self.busy = Busy { from: at, until: at, draining: true };
        self.peers.values_mut().for_each(|peer| *peer = Peer { standing: Standing::Doubtful, ..Peer::default() });
        self.polls.iter_mut().for_each(|poll| poll.next = at);
    }

    pub(super) fn line_lost(&mut self) {
        self.up = false;
        self.in_flight = None;
        self.receiver.clear();
        self.lights.iter_mut().flat_map(|light| &mut light.rows).for_each(Row::forget);
    }

    pub(super) fn bytes(&mut self, at: Steady, bytes: &[u8], heard: &mut Vec<Heard>) {
        if !self.up || bytes.is_empty() {
            return;
        }
        if self.in_flight.as_ref().is_some_and(|asked| at > asked.until) {
            self.time_out(at, heard);
        }
        self.busy.extend(at, at, self.quiet());
        for piece in bytes.chunks(PIECE) {
            self.receiver.push(piece);
            while let Some(received) = self.next_received() {
                self.take(at, received, heard);
            }
        }
    }

    pub(super) fn due(&mut self, at: Steady, heard: &mut Vec<Heard>) -> Option<(Vec<u8>, Errand)> {
        if !self.up {
            return None;
        }
        match &self.in_flight {
            Some(asked) if at < asked.until => return None,
            Some(_) => self.time_out(at, heard),
            None => {}
        }
        if at < self.ready_at() {
            return None;
        }
        self.choose(at).map(|target| self.send(at, target))
    }

    pub(super) fn deadline(&self) -> Option<Steady> {
        if !self.up {
            return None;
        }
        if let Some(asked) = &self.in_flight {
            return Some(asked.until);
        }
        let earliest = self.targets().map(|target| self.due_at(target)).min()?;
        Some(earliest.max(self.ready_at()))
    }

    /// What is asked, and how often in a second: polls at their pace, and each row of coils as often as a flashing lamp turns.
    pub(super) fn asked(&self) -> impl Iterator<Item = (Request, f64)> {
        let polls = self.polls.iter().map(|poll| (poll.request.clone(), 1.0 / poll.every.secs_f64()));
        let rows = self.lights.iter().flat_map(|light| &light.rows);
        polls.chain(rows.map(|row| (row.request(vec![false; row.count]), ROW_TURNS)))
    }

    pub(super) fn show(&mut self, pattern: Pattern) {
        self.wanted = pattern;
        for light in &mut self.lights {
            (0..light.rows.len()).for_each(|row| light.plan(row, &pattern));
        }
    }

    pub(super) fn dark_frames(&self) -> Vec<Vec<u8>> {
        let off = |light: &Light, row: &Row| row.request(vec![false; row.count]).frame(light.settings.unit);
        self.lights.iter().flat_map(|light| light.rows.iter().map(move |row| off(light, row))).collect()
    }

    fn next_received(&mut self) -> Option<Received> {
        self.receiver.next(self.in_flight.as_ref().map(|asked| (asked.unit, &asked.request)))
    }

    fn take(&mut self, at: Steady, received: Received, heard: &mut Vec<Heard>) {
        match received {
            Received::Answer(reply) => {
                if let Some(asked) = self.in_flight.take() {
                    self.answered(at, asked, reply, heard);
                }
            }
            Received::Foreign { unit, function } => {
                heard.push(Heard::Foreign { unit, function });
                let asked = self.in_flight.as_ref().is_some_and(|asked| asked.unit == unit);
                if !asked && function & 0x7F != LOOPBACK {
                    self.peers.entry(unit).and_modify(Peer::doubt);
                }
            }
            Received::Garbage => {
                if let Some(asked) = &mut self.in_flight {
                    asked.garbled = true;
                }
            }
        }
    }

    fn answered(&mut self, at: Steady, asked: InFlight, reply: Reply, heard: &mut Vec<Heard>) {
        let Some(peer) = self.peers.get_mut(&asked.unit) else { return };
        if asked.is_loopback() {
            peer.proved();
            return;
        }
        peer.answered();
        match (asked.target, reply) {
            (Target::Poll(poll), Reply::Registers(registers)) => {
                let poll = &self.polls[poll];
                let Form::Number(kind, order) = poll.form else { return };
                let raw = kind.read(order, &registers);
                heard.extend(raw.map(|raw| match poll.of {
                    Of::Gauge(gauge) => Heard::Reading { gauge, raw },
                    Of::Input(input) => Heard::Number { input, raw },
                }));
            }
            (Target::Poll(poll), Reply::Bits(bits)) => {
                if let Of::Input(input) = self.polls[poll].of {
                    let bits = bits.iter().rev().fold(0, |all, on| all << 1 | u64::from(*on));
                    heard.push(Heard::Bits { input, bits });
                }
            }
            (Target::Poll(poll), Reply::Exception(code)) => {
                let poll = &mut self.polls[poll];
                poll.next = poll.next.max(at.plus(pause_after(code)));
                heard.push(match poll.of {
                    Of::Gauge(gauge) => Heard::Exception { gauge, code },
                    Of::Input(input) => Heard::NoInput { input },
                });
            }
            (Target::Row(light, row), Reply::Done) => {
                let light_is = &mut self.lights[light];
                light_is.rows[row].written = asked.request.coils().map(|on| (asked.sent, on));
                light_is.plan(row, &self.wanted);
                if light_is.rows.iter().all(|row| row.written.is_some()) {
                    heard.push(Heard::LightWritten { light });
                }
            }
            (Target::Row(light, row), Reply::Exception(code)) => {
                peer.not_before = at.plus(pause_after(code));
                self.lights[light].rows[row].forget();
                heard.push(Heard::LightFailed { light });
            }
            (Target::Poll(_), Reply::Done) | (Target::Row(..), Reply::Bits(_) | Reply::Registers(_)) => {}
        }
    }

    fn time_out(&mut self, at: Steady, heard: &mut Vec<Heard>) {
        let Some(asked) = self.in_flight.take() else { return };
        let garbled = asked.garbled || !self.receiver.is_empty();
        self.receiver.clear();
        self.busy = Busy { from: at, until: at.max(self.busy.until), draining: true };
        if let Some(peer) = self.peers.get_mut(&asked.unit) {
            peer.missed(at, asked.is_loopback(), self.line.reply_limit);
        }
        heard.push(match asked.target {
            Target::Poll(poll) => match self.polls[poll].of {
                Of::Gauge(gauge) if garbled => Heard::BadCheck { gauge },
                Of::Gauge(gauge) => Heard::NoReply { gauge },
                Of::Input(input) => Heard::NoInput { input },
            },
            Target::Row(light, row) => {
                self.lights[light].rows[row].forget();
                Heard::LightFailed { light }
            }
        });
    }

    /// Lights before polls, but never two lights in a row while a poll waits; of polls the one that was sent longest ago, so that a
    /// line that is asked too much is shared evenly.
    fn choose(&self, at: Steady) -> Option<Target> {
        let due = |target: &Target| self.due_at(*target) <= at;
        let row = self.rows().filter(due).min_by_key(|row| self.due_at(*row));
        let poll =
            (0..self.polls.len()).filter(|poll| due(&Target::Poll(*poll))).min_by_key(|poll| self.polls[*poll].sent);
        match (row, poll.map(Target::Poll)) {
            (Some(row), Some(poll)) => Some(if self.last == Errand::Light { poll } else { row }),
            (row, poll) => row.or(poll),
        }
    }

    fn send(&mut self, at: Steady, target: Target) -> (Vec<u8>, Errand) {
        let (unit, mut request, errand) = match target {
            Target::Poll(poll) => (self.polls[poll].unit, self.polls[poll].request.clone(), Errand::Poll),
            Target::Row(light, row) => {
                let light = &self.lights[light];
                (light.settings.unit, light.rows[row].request(light.states(row, &self.wanted, at)), Errand::Light)
            }
        };
        if let Target::Poll(poll) = target {
            self.polls[poll].sent = at;
        }
        if self.peers.get(&unit).is_some_and(|peer| peer.standing == Standing::Doubtful) {
            self.token = self.token.wrapping_add(1);
            request = Request::Loopback { token: self.token };
        } else if let Target::Poll(poll) = target {
            self.polls[poll].advance(at);
        }
        let frame = request.frame(unit);
        let sent = at.plus(self.line.characters(frame.len() as f64));
        self.receiver.clear();
        self.busy = Busy { from: at, until: sent, draining: false };
        self.in_flight =
            Some(InFlight { unit, request, target, sent: at, until: sent.plus(self.line.reply_limit), garbled: false });
        self.last = errand;
        (frame, errand)
    }

    fn targets(&self) -> impl Iterator<Item = Target> {
        (0..self.polls.len()).map(Target::Poll).chain(self.rows())
    }

    fn rows(&self) -> impl Iterator<Item = Target> {
        let rows = |(light, is): (usize, &Light)| (0..is.rows.len()).map(move |row| Target::Row(light, row));
        self.lights.iter().enumerate().flat_map(rows)
    }

    fn due_at(&self, target: Target) -> Steady {
        let (unit, due) = match target {
            Target::Poll(poll) => (self.polls[poll].unit, self.polls[poll].next),
            Target::Row(light, row) => (self.lights[light].settings.unit, self.lights[light].rows[row].due),
        };
        self.peers.get(&unit).map_or(due, |peer| due.max(peer.not_before))
    }

    fn ready_at(&self) -> Steady {
        self.busy.until.plus(self.quiet()).min(self.busy.from.plus(self.quiet()).plus(self.line.reply_limit))
    }

    fn quiet(&self) -> Span {
        let silent = modbus::silent_interval(&self.line);
        if self.busy.draining { silent.max(DRAIN) } else { silent }
    }
}

fn check_unit(name: &str, unit: u8) -> Result<(), UnfitLine> {
    if modbus::UNITS.contains(&unit) { Ok(()) } else { Err(UnfitLine::Unit { name: name.to_owned(), unit }) }
}

fn pause_after(code: ExceptionCode) -> Span {
    match code.refusal() {
        Refusal::Configuration => Span::from_secs(5),
        Refusal::Failure | Refusal::Gateway | Refusal::Unknown => Span::from_secs(1),
        Refusal::Busy => Span::from_millis(250),
    }
}

fn registers(talk: &RegisterTalk) -> Request {
    let (address, count) = (talk.address, talk.kind.registers());
    match talk.table {
        RegisterTable::Holding => Request::ReadHolding { address, count },
        RegisterTable::Input => Request::ReadInput { address, count },
    }
}

/// Whose reading a poll is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
enum Of {
    Gauge(GaugeId),
    Input(InputId),
}

/// What a poll's answer holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
enum Form {
    Number(NumberKind, WordOrder),
    Bits,
}

/// One gauge's, or input's, place in the schedule.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Poll {
    of: Of,
    unit: u8,
    request: Request,
    form: Form,
    every: Span,
    next: Steady,
    /// When it was last sent, or a loopback in its stead.
    sent: Steady,
}

impl Poll {
    /// Keeps to the rhythm unless it was missed.
    fn advance(&mut self, at: Steady) {
        let next = self.next.plus(self.every);
        self.next = if next > at { next } else { at.plus(self.every) };
    }
}

/// A light and the rows of neighbouring coils that one request each can write.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Light {
    settings: LightSettings,
    rows: Vec<Row>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Row {
    address: u16,
    /// Its first coil's place among the light's coils in the order of their addresses.
    from: usize,
    count: usize,
    /// When the confirmed states were sent, and what they were.
    written: Option<(Steady, Vec<bool>)>,
    /// When it is to be written next.
    due: Steady,
}

impl Light {
    fn new(settings: LightSettings) -> Self {
        let mut rows: Vec<Row> = Vec::new();
        for (from, (address, _)) in settings.coils(&Pattern::DARK, Steady::default()).into_iter().enumerate() {
            match rows.last_mut() {
                Some(row) if usize::from(row.address) + row.count == usize::from(address) => row.count += 1,
                Some(_) | None => rows.push(Row { address, from, count: 1, written: None, due: Steady::default() }),
            }
        }
        Light { settings, rows }
    }

    fn states(&self, row: usize, wanted: &Pattern, at: Steady) -> Vec<bool> {
        let row = &self.rows[row];
        let coils = self.settings.coils(wanted, at).into_iter();
        coils.skip(row.from).take(row.count).map(|(_, on)| on).collect()
    }

    /// Settles when a row is to be written next: at once if it was never written or ought to look different, at the next turn that
    /// changes it, or to refresh it.
    fn plan(&mut self, row: usize, wanted: &Pattern) {
        let due = match &self.rows[row].written {
            Some((written, on)) => {
                let refresh = written.plus(REFRESH);
                let turns = iter::successors(Some(*written), |at| Some(next_turn(*at)));
                let mut turns = turns.take_while(|at| *at < refresh);
                turns.find(|at| self.states(row, wanted, *at) != *on).unwrap_or(refresh)
            }
            None => Steady::default(),
        };
        self.rows[row].due = due;
    }
}

impl Row {
    /// What it shows is no longer known.
    fn forget(&mut self) {
        (self.written, self.due) = (None, Steady::default());
    }

    fn request(&self, on: Vec<bool>) -> Request {
        match on.as_slice() {
            [on] => Request::WriteCoil { address: self.address, on: *on },
            _ => Request::WriteCoils { address: self.address, on },
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
enum Target {
    Poll(usize),
    Row(usize, usize),
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct InFlight {
    unit: u8,
    request: Request,
    /// What it is for; a loopback is sent in its stead.
    target: Target,
    sent: Steady,
    until: Steady,
    garbled: bool,
}

impl InFlight {
    fn is_loopback(&self) -> bool {
        matches!(self.request, Request::Loopback { .. })
    }
}

/// The present stretch of bytes on the line, ours or theirs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Busy {
    from: Steady,
    until: Steady,
    /// Whether an answer was missed, so that a longer silence is kept.
    draining: bool,
}

impl Busy {
    fn extend(&mut self, from: Steady, until: Steady, quiet: Span) {
        if from >= self.until.plus(quiet) {
            self.from = from;
        }
        self.until = self.until.max(until);
    }
}

/// How far a unit's next answer can be believed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
enum Standing {
    /// It owes nothing.
    #[default]
    InStep,
    /// It may owe an answer; a loopback has to show.
    Doubtful,
    /// It ignored a loopback and was left alone instead.
    Settled,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Peer {
    standing: Standing,
    not_before: Steady,
    /// Requests in a row without an answer.
    misses: u32,
    /// Loopbacks in a row without an answer, though other requests had one.
    ignored: u32,
}

impl Peer {
    fn missed(&mut self, at: Steady, loopback: bool, limit: Span) {
        self.misses = self.misses.saturating_add(1);
        self.ignored = self.ignored.saturating_add(u32::from(loopback));
        if loopback || self.ignored >= 2 {
            self.standing = Standing::Settled;
            self.not_before = at.plus(self.settling(limit));
        } else {
            self.standing = Standing::Doubtful;
        }
    }

    fn proved(&mut self) {
        self.standing = Standing::InStep;
        self.ignored = 0;
    }

    fn answered(&mut self) {
        if self.misses > 2 {
            self.ignored = 0;
        }
        self.misses = 0;
        self.standing = Standing::InStep;
    }

    /// A frame came that nobody waited for.
    fn doubt(&mut self) {
        if self.standing == Standing::InStep {
            self.standing = Standing::Doubtful;
        }
    }

    /// How long a unit is left alone that ignored a loopback: four reply limits, at least a second, and two seconds at
    /// least for one that is gone for longer.
    fn settling(&self, limit: Span) -> Span {
        let least = if self.misses > 4 { 2 } else { 1 };
        limit.times(4.0).max(Span::from_secs(least))
    }
}

/// Coils are written again after this time at the latest, so that two writes are never a second apart.
const REFRESH: Span = Span::from_millis(800);

/// How often in a second a row of coils is written while a lamp flashes.
const ROW_TURNS: f64 = 2.0;

/// The silence that ends a missed answer: more than the latency timer of a serial adapter, often 16 ms (from memory).
const DRAIN: Span = Span::from_millis(20);

/// Bytes are looked at in pieces of this size, so that little is held.
const PIECE: usize = 64;

const LOOPBACK: u8 = 8;
