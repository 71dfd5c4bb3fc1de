//! Gauges and lights over a real pseudo-terminal, against Modbus libraries that other people wrote: tokio-modbus in this
//! process, pymodbus and libmodbus in a child process where they are installed.
//!
//! The interpreter is the one that `HOLDWATCH_PYTHON` names, else `tests/.tools/venv/bin/python`; what cannot be run is
//! said plainly on standard error.
#![expect(clippy::unwrap_used, reason = "a test may fail")]
#![expect(clippy::float_cmp, reason = "a number must come back bit by bit as it was sent")]

use std::io::{BufRead, BufReader};
use std::os::fd::OwnedFd;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
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
use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use tokio_modbus::client::{Reader, Writer};
use tokio_modbus::server::Service;
use tokio_modbus::{SlaveRequest, prelude};

const GAUGE_UNIT: u8 = 5;
const LIGHT_UNIT: u8 = 9;
const PATIENCE: Duration = Duration::from_secs(20);

/// The wire: our end, and the path of the other one, which stays raw while this lives.
struct Wire {
    ours: OwnedFd,
    path: String,
    _theirs: OwnedFd,
}

impl Wire {
    fn new() -> Self {
        let ours = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        grantpt(&ours).unwrap();
        unlockpt(&ours).unwrap();
        let path = ptsname(&ours, Vec::new()).unwrap().into_string().unwrap();
        let theirs = rustix::fs::open(&path, OFlags::RDWR | OFlags::NOCTTY, Mode::empty()).unwrap();
        let mut settings = tcgetattr(&theirs).unwrap();
        settings.make_raw();
        tcsetattr(&theirs, OptionalActions::Now, &settings).unwrap();
        Wire { ours, path, _theirs: theirs }
    }

    /// What arrives within a while.
    fn read(&self, wait: Duration) -> Vec<u8> {
        let wait = Timespec { tv_sec: 0, tv_nsec: i64::try_from(wait.as_nanos()).unwrap() };
        if poll(&mut [PollFd::new(&self.ours, PollFlags::IN)], Some(&wait)).unwrap() == 0 {
            return Vec::new();
        }
        let mut bytes = vec![0; 256];
        let count = rustix::io::read(&self.ours, &mut bytes).unwrap();
        bytes.truncate(count);
        bytes
    }

    fn write(&self, bytes: &[u8]) {
        assert_eq!(rustix::io::write(&self.ours, bytes).unwrap(), bytes.len());
    }
}

/// A talker on a wire, with the computer's clock.
struct Post {
    wire: Wire,
    talker: Talker,
    started: Instant,
    heard: Vec<Heard>,
}

impl Post {
    fn new(wire: Wire, mut talker: Talker) -> Self {
        talker.line_up(Steady::default());
        Post { wire, talker, started: Instant::now(), heard: Vec::new() }
    }

    /// Lets the talker talk until something is so.
    fn until(&mut self, what: &str, is_so: impl Fn(&Post) -> bool) {
        let begun = Instant::now();
        while !is_so(self) {
            assert!(begun.elapsed() < PATIENCE, "{what} did not come; heard {:?}", self.heard);
            let bytes = self.wire.read(Duration::from_millis(2));
            let now = Steady::from_nanos(u64::try_from(self.started.elapsed().as_nanos()).unwrap());
            self.talker.bytes(now, &bytes, &mut self.heard);
            if let Some((frame, _)) = self.talker.due(now, &mut self.heard) {
                self.wire.write(&frame);
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
fn check_gauges(wire: Wire) {
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
fn check_light(wire: Wire, coils: impl Fn() -> Vec<bool>) {
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

/// What the in-process peer holds: registers by address, and the coils written to it.
#[derive(Clone, Default)]
struct InProcess {
    coils: Arc<Mutex<Vec<bool>>>,
}

impl InProcess {
    fn answer(&self, request: &prelude::Request<'_>) -> Result<prelude::Response, prelude::ExceptionCode> {
        let holding: [(u16, Vec<u16>); 5] = [
            (40, vec![321]),
            (42, vec![0x42F6, 0xE979]),
            (44, vec![0x0000, 0xBF50]),
            (46, vec![0xFFFE, 0x7960]),
            (48, vec![0x5E00, 0xB2D0]),
        ];
        match request {
            prelude::Request::ReadHoldingRegisters(address, _) => {
                let held = holding.into_iter().find(|(first, _)| first == address);
                let (_, registers) = held.ok_or(prelude::ExceptionCode::IllegalDataAddress)?;
                Ok(prelude::Response::ReadHoldingRegisters(registers))
            }
            prelude::Request::ReadInputRegisters(10, 1) => Ok(prelude::Response::ReadInputRegisters(vec![0xFF38])),
            prelude::Request::WriteSingleCoil(address, on) => {
                self.set(*address, &[*on]);
                Ok(prelude::Response::WriteSingleCoil(*address, *on))
            }
            prelude::Request::WriteMultipleCoils(address, on) => {
                self.set(*address, on);
                Ok(prelude::Response::WriteMultipleCoils(*address, u16::try_from(on.len()).unwrap()))
            }
            _ => Err(prelude::ExceptionCode::IllegalFunction),
        }
    }

    fn set(&self, address: u16, on: &[bool]) {
        let mut coils = self.coils.lock().unwrap();
        coils.resize(7, false);
        coils[usize::from(address)..usize::from(address) + on.len()].copy_from_slice(on);
    }

    fn serve(self, path: &str) -> tokio::runtime::Runtime {
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
        let server = {
            let _inside = runtime.enter();
            tokio_modbus::server::rtu::Server::new_from_path(path, 19_200).unwrap()
        };
        runtime.spawn(server.serve_forever(self));
        runtime
    }
}

impl Service for InProcess {
    type Request = SlaveRequest<'static>;
    type Response = Option<prelude::Response>;
    type Exception = prelude::ExceptionCode;
    type Future = std::future::Ready<Result<Self::Response, Self::Exception>>;

    fn call(&self, asked: Self::Request) -> Self::Future {
        std::future::ready(match asked.slave {
            GAUGE_UNIT | LIGHT_UNIT => self.answer(&asked.request).map(Some),
            _ => Ok(None),
        })
    }
}

#[test]
fn gauges_are_read_from_an_independent_unit_in_this_process() {
    let wire = Wire::new();
    let _peer = InProcess::default().serve(&wire.path);
    check_gauges(wire);
}

#[test]
fn a_light_is_set_in_an_independent_unit_in_this_process() {
    let wire = Wire::new();
    let peer = InProcess::default();
    let coils = peer.coils.clone();
    let _peer = peer.serve(&wire.path);
    check_light(wire, || coils.lock().unwrap().clone());
}

/// The unit's side, as the simulated gauge uses it, asked by an independent client.
#[test]
fn an_independent_client_is_answered_by_our_unit() {
    let wire = Wire::new();
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
        receiver.push(&wire.read(Duration::from_millis(5)));
        while let Some(request) = receiver.next() {
            wire.write(&request.reply(&match &request.request {
                Ok(Request::ReadHolding { count, .. }) => Reply::Registers((1..=*count).collect()),
                Ok(Request::ReadDiscretes { count, .. }) => Reply::Bits((0..*count).map(|bit| bit % 3 == 0).collect()),
                Ok(Request::ReadInput { .. }) => Reply::Exception(ExceptionCode(4)),
                Ok(_) => Reply::Done,
                Err(code) => Reply::Exception(*code),
            }));
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

/// A peer in a child process, ended with the test.
struct Peer {
    child: Child,
    coils: Arc<Mutex<Vec<bool>>>,
}

impl Drop for Peer {
    fn drop(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

impl Peer {
    /// `None`, said on standard error, if the peer's library or an interpreter is not there.
    #[expect(clippy::print_stderr, reason = "a check that was not run must be seen")]
    fn start(script: &str, arguments: &[&str]) -> Option<Peer> {
        let root = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
        let named = std::env::var_os("HOLDWATCH_PYTHON").map(PathBuf::from);
        let python = named.unwrap_or_else(|| root.join("tests/.tools/venv/bin/python"));
        let mut command = Command::new(&python);
        command.arg(root.join("tests/peers").join(script)).args(arguments).stdout(Stdio::piped());
        let Ok(mut child) = command.spawn() else {
            eprintln!("NOT RUN: the check against {script}: no interpreter at {}", python.display());
            return None;
        };
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        if lines.next().is_none_or(|line| line.unwrap() != "ready") {
            let code = child.wait().unwrap().code();
            assert_eq!(code, Some(77), "{script} failed");
            eprintln!("NOT RUN: the check against {script}: its library is not installed");
            return None;
        }
        let coils = Arc::new(Mutex::new(vec![false; 7]));
        let shown = coils.clone();
        std::thread::spawn(move || lines.map_while(Result::ok).for_each(|line| note_coils(&line, &shown)));
        Some(Peer { child, coils })
    }
}

/// Takes in `coils UNIT ADDRESS STATES`.
fn note_coils(line: &str, coils: &Mutex<Vec<bool>>) {
    let words: Vec<&str> = line.split(' ').collect();
    let ["coils", "9", address, states] = words.as_slice() else { return };
    let mut coils = coils.lock().unwrap();
    let written = states.bytes().map(|state| state == b'1');
    coils.iter_mut().skip(address.parse().unwrap()).zip(written).for_each(|(coil, on)| *coil = on);
}

#[test]
fn gauges_are_read_from_units_of_pymodbus() {
    let wire = Wire::new();
    if let Some(_peer) = Peer::start("pymodbus_units.py", &[&wire.path]) {
        check_gauges(wire);
    }
}

#[test]
fn a_light_is_set_in_units_of_pymodbus() {
    let wire = Wire::new();
    if let Some(peer) = Peer::start("pymodbus_units.py", &[&wire.path]) {
        check_light(wire, || peer.coils.lock().unwrap().clone());
    }
}

#[test]
fn gauges_are_read_from_a_unit_of_libmodbus() {
    let wire = Wire::new();
    if let Some(_peer) = Peer::start("libmodbus_unit.py", &[&wire.path, "5"]) {
        check_gauges(wire);
    }
}

#[test]
fn a_light_is_set_in_a_unit_of_libmodbus() {
    let wire = Wire::new();
    if let Some(peer) = Peer::start("libmodbus_unit.py", &[&wire.path, "9"]) {
        check_light(wire, || peer.coils.lock().unwrap().clone());
    }
}
