//! A minder at a bus of our own making, in made time: units that hold registers and bits, and answer 5 ms after they are asked.

use std::collections::BTreeMap;

use holdwatch::daemon::Brief;
use holdwatch::event::{
    Action, Actor, Answer, Command, CommandId, Event, Fact, LineId, Moment, Record, Span, Steady, Utc,
};
use holdwatch::expectation::{Boards, ForecastError};
use holdwatch::minder::{Minder, Remembered};
use holdwatch::modbus::{Reply, Request, RequestReceiver};
use holdwatch::moment::BootId;
use holdwatch::setup::{Setup, read_setup};
use holdwatch::table::field::Resolution;
use holdwatch::table::{ClosedForm, TableLoad};
use holdwatch::view::View;

const ANSWER_AFTER: Span = Span::from_millis(5);

/// A minder, its bus and what came of it.
pub struct Bench {
    pub minder: Minder,
    pub setup: Setup,
    pub now: Steady,
    /// What each unit's registers hold, by unit and address; both tables alike.
    pub registers: BTreeMap<(u8, u16), u16>,
    /// What each unit's discrete inputs and coils hold.
    pub bits: BTreeMap<(u8, u16), bool>,
    /// Units that do not answer.
    pub silent: Vec<u8>,
    /// Every record so far.
    pub records: Vec<Record>,
    /// How many forecasts were asked for, and the rooms that they stood on.
    pub rooms: Vec<Option<f64>>,
    /// The answers to commands.
    pub answers: Vec<Answer>,
    /// Requests by unit, for what was asked how often.
    pub asked: BTreeMap<u8, Vec<Request>>,
    /// Every action but records, views and sends.
    pub ordered: Vec<Action>,
    wake_at: Steady,
    replies: Vec<(Steady, LineId, Vec<u8>)>,
}

impl Bench {
    pub fn new(text: &str) -> Self {
        Bench::remembering(text, Remembered::default())
    }

    /// A bench whose minder remembers something.
    pub fn remembering(text: &str, remembered: Remembered) -> Self {
        let setup = read_setup(text, "bench.toml").unwrap_or_else(|mistakes| panic!("{mistakes}"));
        let now = Steady::from_nanos(1_000_000_000);
        let minder = Minder::new(setup.clone(), Vec::new(), remembered, moment(now)).unwrap();
        let mut bench = Bench {
            minder,
            setup,
            now,
            registers: BTreeMap::new(),
            bits: BTreeMap::new(),
            silent: Vec::new(),
            records: Vec::new(),
            rooms: Vec::new(),
            answers: Vec::new(),
            asked: BTreeMap::new(),
            ordered: Vec::new(),
            wake_at: now,
            replies: Vec::new(),
        };
        for line in (0..).zip(&bench.setup.lines.clone()).map(|(line, _)| LineId(line)) {
            bench.step(Event::LineUp(line));
        }
        bench
    }

    /// Lets so many seconds pass; `each` may change the bus before every event.
    pub fn run_with(&mut self, secs: f64, mut each: impl FnMut(&mut Bench)) {
        let end = self.now.plus(Span::from_secs_f64(secs));
        loop {
            let reply = self.replies.iter().map(|(at, ..)| *at).min();
            let next = reply.map_or(self.wake_at, |at| at.min(self.wake_at)).max(self.now);
            if next > end {
                self.now = end;
                return;
            }
            self.now = next;
            each(self);
            match self.replies.iter().position(|(at, ..)| *at <= next) {
                Some(place) => {
                    let (_, line, bytes) = self.replies.remove(place);
                    self.step(Event::Bytes(line, bytes));
                }
                None => self.step(Event::Due),
            }
        }
    }

    pub fn run(&mut self, secs: f64) {
        self.run_with(secs, |_| {});
    }

    pub fn command(&mut self, command: Command) -> Answer {
        self.step(Event::Command(Actor("test".into()), CommandId(1), command));
        self.answers.last().unwrap().clone()
    }

    pub fn view(&self) -> View {
        self.minder.view_at(moment(self.now))
    }

    /// The names of what is degraded now.
    pub fn degraded(&self) -> Vec<String> {
        self.view().degraded.into_iter().map(|degraded| degraded.name).collect()
    }

    /// The bodies of the records of a kind.
    pub fn entries(&self, wanted: &str) -> Vec<String> {
        let entries = self.records.iter().filter_map(|record| match &record.fact {
            Fact::Entry { kind, body, .. } if kind == wanted => Some(body.clone()),
            _ => None,
        });
        entries.collect()
    }

    /// A level, in tenths of a millibar, in a register.
    pub fn level(&mut self, unit: u8, register: u16, mbar: f64) {
        self.registers.insert((unit, register), ((mbar * 10.0).round() as i16).cast_unsigned());
    }

    pub fn step(&mut self, event: Event) {
        let mut out = Vec::new();
        self.minder.step(moment(self.now), event, &mut out);
        for action in out {
            match action {
                Action::Send(line, bytes, _) => self.answer(line, &bytes),
                Action::Record(record) => self.records.push(record),
                Action::WakeAt(at) => self.wake_at = at,
                Action::Answer(_, answer) => self.answers.push(answer),
                Action::Compute(id, request) => {
                    self.rooms.push(request.room.map(|room| room.pascals()));
                    let brief = Brief::new(&self.setup, request, Resolution::default());
                    let condense = |load: &TableLoad| Ok::<_, ForecastError>(ClosedForm::condense(&brief.table, load));
                    let boards = Boards::condense(
                        &brief.table,
                        brief.request.card.as_deref(),
                        &brief.request.lying(),
                        65,
                        condense,
                    )
                    .unwrap();
                    let forecast = brief.answer(&boards).map_err(|error| error.to_string());
                    self.step(Event::Computed(id, forecast));
                }
                Action::Show(_) => {}
                other => self.ordered.push(other),
            }
        }
    }

    fn answer(&mut self, line: LineId, bytes: &[u8]) {
        let mut receiver = RequestReceiver::default();
        receiver.push(bytes);
        let asked = receiver.next().expect("a whole request");
        let Ok(request) = &asked.request else { panic!("a request that is none: {bytes:?}") };
        self.asked.entry(asked.unit).or_default().push(request.clone());
        if self.silent.contains(&asked.unit) {
            return;
        }
        let register = |address| self.registers.get(&(asked.unit, address)).copied().unwrap_or_default();
        let bit = |address| self.bits.get(&(asked.unit, address)).copied().unwrap_or_default();
        let reply = match request {
            Request::ReadHolding { address, count } | Request::ReadInput { address, count } => {
                Reply::Registers((*address..address + count).map(register).collect())
            }
            Request::ReadCoils { address, count } | Request::ReadDiscretes { address, count } => {
                Reply::Bits((*address..address + count).map(bit).collect())
            }
            Request::WriteCoil { address, on } => {
                self.bits.insert((asked.unit, *address), *on);
                Reply::Done
            }
            Request::WriteCoils { address, on } => {
                for (address, on) in (*address..).zip(on) {
                    self.bits.insert((asked.unit, address), *on);
                }
                Reply::Done
            }
            Request::Loopback { .. } => Reply::Done,
        };
        self.replies.push((self.now.plus(ANSWER_AFTER), line, asked.reply(&reply)));
    }
}

/// Calendar time runs with steady time, from a morning of 2026.
pub fn moment(now: Steady) -> Moment {
    let micros = i64::try_from(now.nanos() / 1_000).unwrap();
    let civil = Some(Utc::from_micros(1_790_000_000_000_000 + micros));
    Moment { boot: BootId(1), steady: now, civil, synced: true }
}
