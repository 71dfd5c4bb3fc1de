//! Gauges and lights over a real pseudo-terminal, against Modbus libraries that other people wrote: tokio-modbus in this
//! process, pymodbus and libmodbus in a child process where they are installed.
//! What can go wrong on the way is in `tests/line_faults.rs`.
#![expect(clippy::unwrap_used, reason = "a test may fail")]
#![expect(clippy::float_cmp, reason = "a number must come back bit by bit as it was sent")]

mod support;

use std::io::Write;
use std::time::{Duration, Instant};

use holdwatch::gauge::{
    GaugeId, GaugeSettings, Heard, LineId, LineSettings, NumberKind, Place, RegisterTable, RegisterTalk, Signal, Talk,
    Talker, WordOrder,
};
use holdwatch::lamp::{Colour, Lamp, LightSettings, Pattern};
use holdwatch::line::{DataBits, Parity, Protocol, StopBits};
use holdwatch::modbus::{ExceptionCode, Reply, Request, RequestReceiver};
use holdwatch::moment::{Span, Steady};
use holdwatch::units::{PressureConvention, PressureUnit};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use support::Pty;
use support::units::{GAUGE_UNIT, InProcess, Installed, LIGHT_UNIT};
use tokio_modbus::client::{Reader, Writer};
use tokio_modbus::prelude;

const PATIENCE: Duration = Duration::from_secs(20);

/// What arrives at our end within a while.
fn read(wire: &Pty, wait: Duration) -> Vec<u8> {
    let wait = Timespec { tv_sec: 0, tv_nsec: i64::try_from(wait.as_nanos()).unwrap() };
    if poll(&mut [PollFd::new(&wire.near, PollFlags::IN)], Some(&wait)).unwrap() == 0 {
        return Vec::new();
    }
    let mut bytes = vec![0; 256];
    let count = rustix::io::read(&wire.near, &mut bytes).unwrap();
    bytes.truncate(count);
    bytes
}

/// A talker on a wire, with the computer's clock.
struct Post {
    wire: Pty,
    talker: Talker,
    started: Instant,
    heard: Vec<Heard>,
}

impl Post {
    fn new(wire: Pty, mut talker: Talker) -> Self {
        talker.line_up(Steady::default());
        Post { wire, talker, started: Instant::now(), heard: Vec::new() }
    }

    /// Lets the talker talk until something is so.
    fn until(&mut self, what: &str, is_so: impl Fn(&Post) -> bool) {
        let begun = Instant::now();
        while !is_so(self) {
            assert!(begun.elapsed() < PATIENCE, "{what} did not come; heard {:?}", self.heard);
            let bytes = read(&self.wire, Duration::from_millis(2));
            let now = Steady::from_nanos(u64::try_from(self.started.elapsed().as_nanos()).unwrap());
            self.talker.bytes(now, &bytes, &mut self.heard);
            if let Some((frame, _)) = self.talker.due(now, &mut self.heard) {
                self.wire.device().write_all(&frame).unwrap();
            }
        }
    }

    fn readings(&self, gauge: GaugeId) -> Vec<f64> {
        let raw = self.heard.iter().filter_map(|heard| match heard {
            Heard::Reading { gauge: from, raw } if *from == gauge => Some(*raw),
            _ => None,
        });
        raw.collect()
    }
}

fn line() -> LineSettings {
    LineSettings {
        name: "table".into(),
        port: String::new(),
        baud: 19_200,
        data_bits: DataBits::Eight,
        parity: Parity::None,
        stop_bits: StopBits::One,
        protocol: Protocol::ModbusRtu,
        reply_limit: Span::from_millis(300),
    }
}

fn gauge(table: RegisterTable, address: u16, kind: NumberKind, word_order: WordOrder) -> GaugeSettings {
    GaugeSettings {
        name: format!("register {address}"),
        line: LineId(0),
        place: Place::Manifold,
        zone: None,
        signal: Signal::Digital,
        talk: Talk::Register(RegisterTalk { unit: GAUGE_UNIT, table, address, kind, word_order }),
        scale: 1.0,
        offset: 0.0,
        unit: PressureUnit::Millibar,
        convention: PressureConvention::Gauge,
        range: (-1_000.0, 1_000.0),
        every: Span::from_millis(50),
    }
}

/// Every number that the peers hold, and what it should be read as; the last register is not there.
fn gauges() -> Vec<(GaugeSettings, Option<f64>)> {
    use RegisterTable::{Holding, Input};
    use WordOrder::{HighFirst, LowFirst};
    vec![
        (gauge(Holding, 40, NumberKind::U16, HighFirst), Some(321.0)),
        (gauge(Holding, 42, NumberKind::F32, HighFirst), Some(f64::from(123.456_f32))),
        (gauge(Holding, 44, NumberKind::F32, LowFirst), Some(-0.8125)),
        (gauge(Holding, 46, NumberKind::I32, HighFirst), Some(-100_000.0)),
        (gauge(Holding, 48, NumberKind::U32, LowFirst), Some(3_000_000_000.0)),
        (gauge(Input, 10, NumberKind::I16, HighFirst), Some(-200.0)),
        (gauge(Holding, 4_000, NumberKind::U16, HighFirst), None),
    ]
}

fn ids(gauges: Vec<GaugeSettings>) -> Vec<(GaugeId, GaugeSettings)> {
    (0..).map(GaugeId).zip(gauges).collect()
}

fn light() -> LightSettings {
    LightSettings {
        name: "hold-down".into(),
        line: LineId(0),
        unit: LIGHT_UNIT,
        red: Some(0),
        yellow: Some(1),
        green: Some(2),
        blue: None,
        white: Some(3),
        horn: Some(6),
        heartbeat: None,
        feed_hold: None,
    }
}

/// Every number comes out right several times over, and the register that is not there is refused.
fn check_gauges(wire: Pty) {
    let told = gauges();
    let settings = told.iter().map(|(gauge, _)| gauge.clone()).collect();
    let mut post = Post::new(wire, Talker::new(line(), ids(settings), vec![]).unwrap());
    for (id, (gauge, expected)) in (0..).map(GaugeId).zip(&told) {
        match expected {
            Some(expected) => {
                post.until(&gauge.name, |post| post.readings(id).len() >= 5);
                assert!(post.readings(id).iter().all(|raw| raw == expected), "{}: {:?}", gauge.name, post.readings(id));
            }
            None => {
                let refused = Heard::Exception { gauge: id, code: ExceptionCode::ILLEGAL_ADDRESS };
                post.until("a refusal", |post| post.heard.contains(&refused));
            }
        }
    }
}

/// The coils become what the pattern says, row by row, and dark at the end. `coils` tells their states by address.
fn check_light(wire: Pty, coils: impl Fn() -> Vec<bool>) {
    let mut post = Post::new(wire, Talker::new(line(), vec![], vec![light()]).unwrap());
    let patterns = [
        (Pattern::only(Colour::Green, Lamp::Steady), [false, false, true, false, false, false, false]),
        (Pattern::only(Colour::Red, Lamp::Steady).with_horn(), [true, false, false, false, false, false, true]),
        (Pattern::only(Colour::White, Lamp::Steady), [false, false, false, true, false, false, false]),
    ];
    for (pattern, expected) in patterns {
        post.talker.show(pattern);
        post.heard.clear();
        post.until("a light", |post| post.heard.contains(&Heard::LightWritten { light: 0 }) && coils() == expected);
    }
    post.talker.show(Pattern::only(Colour::Yellow, Lamp::Flashing));
    for lit in [true, false, true, false] {
        post.until("a flash", |_| coils().get(1) == Some(&lit));
    }
}

#[test]
fn gauges_are_read_from_an_independent_unit_in_this_process() {
    let wire = Pty::unlinked();
    let _peer = InProcess::default().serve(&wire.path);
    check_gauges(wire);
}

#[test]
fn a_light_is_set_in_an_independent_unit_in_this_process() {
    let wire = Pty::unlinked();
    let peer = InProcess::default();
    let coils = peer.coils.clone();
    let _peer = peer.serve(&wire.path);
    check_light(wire, || coils.lock().unwrap().clone());
}

/// The unit's side, as the simulated gauge uses it, asked by an independent client.
#[test]
fn an_independent_client_is_answered_by_our_unit() {
    let wire = Pty::unlinked();
    let path = wire.path.clone();
    let client = std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let port = tokio_serial::SerialStream::open(&tokio_serial::new(path, 19_200)).unwrap();
            let mut client = prelude::rtu::attach_slave(port, prelude::Slave(GAUGE_UNIT));
            let asked = async {
                let registers = client.read_holding_registers(40, 3).await.unwrap().unwrap();
                let inputs = client.read_discrete_inputs(3, 11).await.unwrap().unwrap();
                client.write_multiple_coils(7, &[true, false, true]).await.unwrap().unwrap();
                client.write_single_coil(7, false).await.unwrap().unwrap();
                let refused = client.read_input_registers(0, 1).await.unwrap().unwrap_err();
                (registers, inputs, refused)
            };
            tokio::time::timeout(PATIENCE, asked).await.unwrap()
        })
    });
    let mut receiver = RequestReceiver::default();
    let mut asked = Vec::new();
    let begun = Instant::now();
    while !client.is_finished() && begun.elapsed() < 2 * PATIENCE {
        receiver.push(&read(&wire, Duration::from_millis(5)));
        while let Some(request) = receiver.next() {
            let reply = request.reply(&match &request.request {
                Ok(Request::ReadHolding { count, .. }) => Reply::Registers((1..=*count).collect()),
                Ok(Request::ReadDiscretes { count, .. }) => Reply::Bits((0..*count).map(|bit| bit % 3 == 0).collect()),
                Ok(Request::ReadInput { .. }) => Reply::Exception(ExceptionCode(4)),
                Ok(_) => Reply::Done,
                Err(code) => Reply::Exception(*code),
            });
            wire.device().write_all(&reply).unwrap();
            asked.push(request.request.unwrap());
        }
    }
    let (registers, inputs, refused) = client.join().unwrap();
    assert_eq!(registers, [1, 2, 3]);
    assert_eq!(inputs, [true, false, false, true, false, false, true, false, false, true, false]);
    assert_eq!(refused, prelude::ExceptionCode::ServerDeviceFailure);
    assert_eq!(
        asked,
        [
            Request::ReadHolding { address: 40, count: 3 },
            Request::ReadDiscretes { address: 3, count: 11 },
            Request::WriteCoils { address: 7, on: vec![true, false, true] },
            Request::WriteCoil { address: 7, on: false },
            Request::ReadInput { address: 0, count: 1 },
        ]
    );
}

#[test]
fn gauges_are_read_from_units_of_pymodbus() {
    let wire = Pty::unlinked();
    if let Some(_peer) = Installed::start("pymodbus_units.py", &[&wire.path]) {
        check_gauges(wire);
    }
}

#[test]
fn a_light_is_set_in_units_of_pymodbus() {
    let wire = Pty::unlinked();
    if let Some(peer) = Installed::start("pymodbus_units.py", &[&wire.path]) {
        check_light(wire, || peer.coils.lock().unwrap().clone());
    }
}

#[test]
fn gauges_are_read_from_a_unit_of_libmodbus() {
    let wire = Pty::unlinked();
    if let Some(_peer) = Installed::start("libmodbus_unit.py", &[&wire.path, "5"]) {
        check_gauges(wire);
    }
}

#[test]
fn a_light_is_set_in_a_unit_of_libmodbus() {
    let wire = Pty::unlinked();
    if let Some(peer) = Installed::start("libmodbus_unit.py", &[&wire.path, "9"]) {
        check_light(wire, || peer.coils.lock().unwrap().clone());
    }
}
