//! Modbus units that other people wrote: tokio-modbus in this process, pymodbus and libmodbus in a child process where they are
//! installed.
//!
//! The interpreter is the one that `HOLDWATCH_PYTHON` names, else `tests/.tools/venv/bin/python`.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};

use tokio_modbus::SlaveRequest;
use tokio_modbus::prelude::{ExceptionCode, Request, Response};
use tokio_modbus::server::Service;

/// The unit of the gauge.
pub const GAUGE_UNIT: u8 = 5;

/// The unit of the light; it has registers too, all nought.
pub const LIGHT_UNIT: u8 = 9;

/// How many coils are told of.
pub const COILS: usize = 7;

/// Every number that the gauge's unit holds: holding registers 40, 42 to 49, and input register 10; the rest is nought.
fn held(input: bool, address: u16) -> u16 {
    match (input, address) {
        (false, 40) => 321,
        (false, 42) => 0x42F6,
        (false, 43) => 0xE979,
        (false, 45) => 0xBF50,
        (false, 46) => 0xFFFE,
        (false, 47) => 0x7960,
        (false, 48) => 0x5E00,
        (false, 49) => 0xB2D0,
        (true, 10) => 0xFF38,
        (_, _) => 0,
    }
}

/// The first register that no unit has.
const REGISTERS: u16 = 60;

/// Units of tokio-modbus: what they refuse, the coils written to them, how often each was asked.
#[derive(Clone, Default)]
pub struct InProcess {
    /// By unit the exception that it answers everything with.
    pub refusing: Arc<Mutex<BTreeMap<u8, u8>>>,
    /// The coils of the light's unit.
    pub coils: Arc<Mutex<Vec<bool>>>,
    /// Reads by unit.
    pub asked: Arc<Mutex<BTreeMap<u8, usize>>>,
}

impl InProcess {
    fn answer(&self, unit: u8, request: &Request<'_>) -> Result<Option<Response>, ExceptionCode> {
        if let Some(code) = self.refusing.lock().unwrap().get(&unit) {
            *self.asked.lock().unwrap().entry(unit).or_default() += 1;
            return Err(ExceptionCode::new(*code));
        }
        if unit != GAUGE_UNIT && unit != LIGHT_UNIT {
            return Ok(None);
        }
        let registers = |input: bool, address: u16, count: u16| {
            let there = address.checked_add(count).is_some_and(|end| end <= REGISTERS);
            let value = |address| if unit == GAUGE_UNIT { held(input, address) } else { 0 };
            if there {
                Ok((address..address + count).map(value).collect())
            } else {
                Err(ExceptionCode::IllegalDataAddress)
            }
        };
        match request {
            Request::ReadHoldingRegisters(address, count) => {
                *self.asked.lock().unwrap().entry(unit).or_default() += 1;
                registers(false, *address, *count).map(|all| Some(Response::ReadHoldingRegisters(all)))
            }
            Request::ReadInputRegisters(address, count) => {
                registers(true, *address, *count).map(|all| Some(Response::ReadInputRegisters(all)))
            }
            Request::WriteSingleCoil(address, on) => {
                self.set(*address, &[*on]);
                Ok(Some(Response::WriteSingleCoil(*address, *on)))
            }
            Request::WriteMultipleCoils(address, on) => {
                self.set(*address, on);
                Ok(Some(Response::WriteMultipleCoils(*address, u16::try_from(on.len()).unwrap())))
            }
            _ => Err(ExceptionCode::IllegalFunction),
        }
    }

    fn set(&self, address: u16, on: &[bool]) {
        let mut coils = self.coils.lock().unwrap();
        coils.resize(COILS, false);
        coils[usize::from(address)..usize::from(address) + on.len()].copy_from_slice(on);
    }

    /// Serves on the device at a path until the result is dropped.
    pub fn serve(self, path: &str) -> tokio::runtime::Runtime {
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
    type Response = Option<Response>;
    type Exception = ExceptionCode;
    type Future = std::future::Ready<Result<Self::Response, Self::Exception>>;

    fn call(&self, asked: Self::Request) -> Self::Future {
        std::future::ready(self.answer(asked.slave, &asked.request))
    }
}

/// Units in a child process, ended with the test.
pub struct Installed {
    child: Child,
    /// The coils of the light's unit.
    pub coils: Arc<Mutex<Vec<bool>>>,
}

impl Drop for Installed {
    fn drop(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

impl Installed {
    /// Runs a script of `tests/peers`; `None`, with the reason said, if the peer's library or an interpreter is not there.
    pub fn start(script: &str, arguments: &[&str]) -> Option<Installed> {
        let root = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
        let named = std::env::var_os("HOLDWATCH_PYTHON").map(PathBuf::from);
        let python = named.unwrap_or_else(|| root.join("tests/.tools/venv/bin/python"));
        let mut command = Command::new(&python);
        command.arg(root.join("tests/peers").join(script)).args(arguments).stdout(Stdio::piped());
        let check = format!("the check against {script}");
        let Ok(mut child) = command.spawn() else {
            super::could_not_run(&check, &format!("no interpreter at {}", python.display()));
            return None;
        };
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        if lines.next().is_none_or(|line| line.unwrap() != "ready") {
            let code = child.wait().unwrap().code();
            assert_eq!(code, Some(77), "{script} failed");
            super::could_not_run(&check, "its library is not installed");
            return None;
        }
        let coils = Arc::new(Mutex::new(vec![false; COILS]));
        let shown = coils.clone();
        std::thread::spawn(move || lines.map_while(Result::ok).for_each(|line| note_coils(&line, &shown)));
        Some(Installed { child, coils })
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
