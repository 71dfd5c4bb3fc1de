//! A serial port for a search: opened once, its form changed from try to try, driven by a pure conversation. It waits in the
//! thread of its caller, which has nothing else to do.

use std::io::{ErrorKind, Read, Write};
use std::path::Path;
use std::time::{Duration, Instant};

use serialport::{ClearBuffer, SerialPort, TTYPort};

use super::port::{bits, check_bit, explain};
use crate::gauge::search::{Conversation, Form, Step};
use crate::line::{DataBits, LineSettings, Parity, Protocol};
use crate::moment::{Span, Steady};

/// Where adapters have names that stay the same.
const BY_ID: &str = "/dev/serial/by-id";

/// A write that takes longer means a line that takes none.
const WRITE_LIMIT: Duration = Duration::from_millis(500);

/// The serial adapters of this computer, by names that stay.
pub fn adapters() -> Vec<String> {
    let Ok(entries) = std::fs::read_dir(BY_ID) else { return Vec::new() };
    let mut names: Vec<String> = entries.flatten().map(|entry| entry.path().display().to_string()).collect();
    names.sort();
    names
}

/// Whether a port is a pseudo-terminal, which has neither speed nor parity of its own.
pub fn is_pseudo(port: &str) -> bool {
    std::fs::canonicalize(port).unwrap_or_default().starts_with("/dev/pts")
}

/// A line on which a search is made.
pub struct Probe {
    port: TTYPort,
    settings: LineSettings,
    begun: Instant,
}

/// Why a search ended early.
#[derive(Debug, thiserror::Error)]
pub enum ProbeError {
    /// The port cannot be used, or is gone.
    #[error("{0}")]
    Port(String),
    /// Somebody stopped it.
    #[error("the search was stopped")]
    Stopped,
}

impl Probe {
    /// Opens a port.
    ///
    /// # Errors
    /// [`ProbeError::Port`] says why it cannot be opened.
    pub fn open(port: &str) -> Result<Self, ProbeError> {
        if !Path::new(port).is_absolute() {
            return Err(ProbeError::Port(format!("{port:?} is no device's path; write one such as {BY_ID}/…")));
        }
        let form = Form { baud: 9_600, data_bits: DataBits::Eight, parity: Parity::None };
        let settings = form.line("search", port, Protocol::ModbusRtu, Span::ZERO);
        let opened = serialport::new(port, form.baud).timeout(WRITE_LIMIT).open_native();
        let port = opened.map_err(|error| ProbeError::Port(explain(&settings, &error)))?;
        Ok(Probe { port, settings, begun: Instant::now() })
    }

    /// Time since it was opened.
    pub fn now(&self) -> Steady {
        Steady::from_nanos(u64::try_from(self.begun.elapsed().as_nanos()).unwrap_or(u64::MAX))
    }

    /// Carries a conversation through; `goes_on` is asked before each step and may stop it.
    ///
    /// # Errors
    /// [`ProbeError`] if the port is gone, or `goes_on` said no.
    pub fn converse<C: Conversation>(
        &mut self,
        conversation: &mut C,
        mut goes_on: impl FnMut(&C) -> bool,
    ) -> Result<(), ProbeError> {
        loop {
            if !goes_on(conversation) {
                return Err(ProbeError::Stopped);
            }
            match conversation.step(self.now()) {
                Step::Form(form) => self.take_form(form).map_err(|error| self.gone(&error.to_string()))?,
                Step::Send(frame) => self.send(&frame)?,
                Step::Listen(until) => self.listen(until, conversation)?,
                Step::Done => return Ok(()),
            }
        }
    }

    /// A form that a driver refuses is tried all the same: another try will find what it can do.
    fn take_form(&mut self, form: Form) -> serialport::Result<()> {
        self.settings.baud = form.baud;
        let set = [
            self.port.set_baud_rate(form.baud),
            self.port.set_data_bits(bits(form.data_bits)),
            self.port.set_parity(check_bit(form.parity)),
        ];
        if let Some(error) = set.into_iter().filter_map(Result::err).next() {
            tracing::debug!(%form, %error, "the port does not take this form");
        }
        self.port.clear(ClearBuffer::Input)
    }

    fn send(&mut self, frame: &[u8]) -> Result<(), ProbeError> {
        self.port.clear(ClearBuffer::Input).map_err(|error| self.gone(&error.to_string()))?;
        self.port.set_timeout(WRITE_LIMIT).map_err(|error| self.gone(&error.to_string()))?;
        self.port.write_all(frame).map_err(|error| self.gone(&error.to_string()))
    }

    /// Passes on one piece of what comes, or nothing by then.
    fn listen(&mut self, until: Steady, conversation: &mut impl Conversation) -> Result<(), ProbeError> {
        let wait = Duration::from_nanos(until.since(self.now()).nanos()).min(Duration::from_millis(200));
        // A wait of none would not wait at all.
        let wait = wait.max(Duration::from_millis(1));
        self.port.set_timeout(wait).map_err(|error| self.gone(&error.to_string()))?;
        let mut buffer = [0; 512];
        match self.port.read(&mut buffer) {
            Ok(0) => Err(self.gone("the device is gone")),
            Ok(count) => {
                conversation.bytes(self.now(), &buffer[..count]);
                Ok(())
            }
            Err(error) if matches!(error.kind(), ErrorKind::TimedOut | ErrorKind::Interrupted) => Ok(()),
            Err(error) => Err(self.gone(&error.to_string())),
        }
    }

    fn gone(&self, why: &str) -> ProbeError {
        ProbeError::Port(format!("{}: {why}", self.settings.port))
    }
}
