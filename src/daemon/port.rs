//! A serial line as the daemon keeps it: opened, read, written, lost and opened again.
//!
//! A vanished device reads as no bytes for ever rather than as an error, so no bytes means that it is gone. Nothing here
//! ever drains the line: that would block the runtime for as long as the bytes last, or for ever.

use std::io::Write as _;
use std::path::Path;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use futures_util::FutureExt;
use serialport::{ClearBuffer, SerialPort};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::sync::mpsc;
use tokio::task::spawn_blocking;
use tokio::time::{sleep, timeout};
use tokio_serial::{SerialPortBuilderExt, SerialStream};
use tokio_util::sync::CancellationToken;
use tracing::{debug, info, warn};

use crate::event::{Event, LineCause};
use crate::gauge::{DataBits, LineId, LineSettings, Parity, StopBits};
use crate::line::Protocol;
use crate::modbus::is_whole_reply;

/// The waits between tries to open a line: from the first, doubling, to the last.
const BACK_OFF: (Duration, Duration) = (Duration::from_millis(200), Duration::from_secs(5));

/// A write of a few bytes that takes longer than this means a line that takes none.
const WRITE_LIMIT: Duration = Duration::from_millis(250);

/// Bytes read at one go; more than this in one go is not a gauge but noise, and is slowed down.
const CHUNK: usize = 1024;

/// Bytes are gathered for as long as so many characters take: one wake-up for most of a reply, not one for each byte.
const GATHERED: f64 = 10.0;

/// The longest that bytes are gathered; what a slow line's reader would wait longer for is not worth the delay.
const LONGEST_GATHERING: Duration = Duration::from_millis(5);

/// How long a line that floods is left alone after each chunk.
const FLOOD_PAUSE: Duration = Duration::from_millis(50);

/// For an open line a second handle, and the bytes that darken its lights.
type LastWords = (LineId, Box<dyn SerialPort>, Vec<Vec<u8>>);

/// Kept for the last words of a dying process.
static LAST_WORDS: Mutex<Vec<LastWords>> = Mutex::new(Vec::new());

/// Writes the dark frames of every open line, blocking; for a process that is about to die.
pub(super) fn darken_all() {
    let Ok(mut handles) = LAST_WORDS.try_lock() else { return };
    for (_, port, frames) in handles.iter_mut() {
        for frame in frames {
            // Nothing is left to be done about a failure here.
            let _ = port.write_all(frame);
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

/// One line and what tending it needs.
pub(super) struct Tended {
    pub(super) line: LineId,
    pub(super) settings: LineSettings,
    pub(super) dark_frames: Vec<Vec<u8>>,
    pub(super) events: mpsc::Sender<Event>,
    pub(super) outbox: mpsc::Receiver<Vec<u8>>,
    pub(super) stop: CancellationToken,
}

impl Tended {
    /// Keeps the line open until told to stop, then darkens its lights.
    ///
    /// # Cancellation
    /// Dropping the future closes the port without darkening.
    pub(super) async fn run(mut self) {
        let mut wait = BACK_OFF.0;
        let mut told: Option<LineCause> = None;
        while !self.stop.is_cancelled() {
            let settings = self.settings.clone();
            // A driver may hang while it opens.
            let opened = spawn_blocking(move || open(&settings)).await;
            let cause = match opened.unwrap_or_else(|error| Err(LineCause::CannotOpen(error.to_string()))) {
                Ok(mut port) => {
                    info!(line = self.settings.name, port = self.settings.port, "line open");
                    (wait, told) = (BACK_OFF.0, None);
                    self.remember(&port);
                    let cause = self.converse(&mut port).await;
                    if self.stop.is_cancelled() {
                        self.darken(&mut port).await;
                    }
                    self.forget();
                    cause
                }
                Err(cause) => cause,
            };
            if self.stop.is_cancelled() {
                break;
            }
            if told.as_ref() != Some(&cause) {
                warn!(line = self.settings.name, port = self.settings.port, ?cause, "line lost; trying again");
                if self.events.send(Event::LineLost(self.line, cause.clone())).await.is_err() {
                    return;
                }
                told = Some(cause);
            }
            tokio::select! {
                () = sleep(wait) => wait = (wait * 2).min(BACK_OFF.1),
                () = self.stop.cancelled() => {}
            }
            self.drop_unsent();
        }
    }

    async fn converse(&mut self, port: &mut SerialStream) -> LineCause {
        if self.events.send(Event::LineUp(self.line)).await.is_err() {
            return LineCause::Gone("the program is stopping".to_owned());
        }
        let mut buffer = [0; CHUNK];
        loop {
            tokio::select! {
                read = port.read(&mut buffer) => match read {
                    Ok(0) => return LineCause::Gone("the device is gone".to_owned()),
                    Ok(first) => {
                        let count = match self.is_whole(&buffer[..first]) {
                            true => first,
                            false => first + gather(port, &mut buffer[first..], self.gathering()).await,
                        };
                        if self.events.send(Event::Bytes(self.line, buffer[..count].to_vec())).await.is_err() {
                            return LineCause::Gone("the program is stopping".to_owned());
                        }
                        if count == CHUNK {
                            sleep(FLOOD_PAUSE).await;
                        }
                    }
                    Err(error) => return LineCause::Gone(error.to_string()),
                },
                Some(bytes) = self.outbox.recv() => if let Err(cause) = write(port, &bytes).await {
                    return cause;
                },
                () = self.stop.cancelled() => return LineCause::Gone("the program is stopping".to_owned()),
            }
        }
    }

    /// Switches the line's lights dark: from now on nobody is watching. A device still busy with the request before gets the
    /// time to finish it.
    async fn darken(&self, port: &mut SerialStream) {
        for frame in &self.dark_frames {
            sleep(Duration::from_millis(30)).await;
            // Nothing is left to be done about a failure here.
            let _ = write(port, frame).await;
        }
        sleep(Duration::from_millis(30)).await;
    }

    /// Whether bytes end as a message does on this line, so that nothing is gained by gathering more.
    fn is_whole(&self, bytes: &[u8]) -> bool {
        match self.settings.protocol {
            Protocol::ModbusRtu => is_whole_reply(bytes),
            Protocol::AsciiTalker => bytes.ends_with(b"\n") || bytes.ends_with(b"\r"),
        }
    }

    /// For how long bytes are gathered once the first are there.
    fn gathering(&self) -> Duration {
        let characters = Duration::from_nanos(self.settings.characters(GATHERED).nanos());
        characters.clamp(Duration::from_millis(1), LONGEST_GATHERING)
    }

    fn remember(&self, port: &SerialStream) {
        if self.dark_frames.is_empty() {
            return;
        }
        match port.try_clone() {
            Ok(handle) => last_words().push((self.line, handle, self.dark_frames.clone())),
            Err(error) => debug!(%error, "no second handle for last words"),
        }
    }

    fn forget(&self) {
        last_words().retain(|(line, _, _)| *line != self.line);
    }

    fn drop_unsent(&mut self) {
        while self.outbox.try_recv().is_ok() {}
    }
}

/// Waits a moment, then takes what has come meanwhile; how many bytes. What is wrong with the line shows at the next read.
async fn gather(port: &mut SerialStream, room: &mut [u8], span: Duration) -> usize {
    if room.is_empty() {
        return 0;
    }
    sleep(span).await;
    match port.read(room).now_or_never() {
        Some(Ok(count)) => count,
        Some(Err(_)) | None => 0,
    }
}

fn last_words() -> std::sync::MutexGuard<'static, Vec<LastWords>> {
    LAST_WORDS.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Drops what the line has sent unread, then writes: a reply that came too late must not answer the next request.
async fn write(port: &mut SerialStream, bytes: &[u8]) -> Result<(), LineCause> {
    port.clear(ClearBuffer::Input).map_err(|error| LineCause::Gone(error.to_string()))?;
    match timeout(WRITE_LIMIT, AsyncWriteExt::write_all(port, bytes)).await {
        Ok(Ok(())) => Ok(()),
        Ok(Err(error)) => Err(LineCause::Gone(error.to_string())),
        Err(_) => Err(LineCause::Gone("the line takes no bytes".to_owned())),
    }
}

/// Opens a line and makes sure that it keeps its settings.
pub(super) fn open(settings: &LineSettings) -> Result<SerialStream, LineCause> {
    let builder = serialport::new(&settings.port, settings.baud)
        .data_bits(bits(settings.data_bits))
        .parity(check_bit(settings.parity))
        .stop_bits(match settings.stop_bits {
            StopBits::One => serialport::StopBits::One,
            StopBits::Two => serialport::StopBits::Two,
        });
    let port = builder.open_native_async().map_err(|error| LineCause::CannotOpen(explain(settings, &error)))?;
    check(&port, settings)?;
    Ok(port)
}

pub(super) fn bits(bits: DataBits) -> serialport::DataBits {
    match bits {
        DataBits::Seven => serialport::DataBits::Seven,
        DataBits::Eight => serialport::DataBits::Eight,
    }
}

pub(super) fn check_bit(parity: Parity) -> serialport::Parity {
    match parity {
        Parity::None => serialport::Parity::None,
        Parity::Even => serialport::Parity::Even,
        Parity::Odd => serialport::Parity::Odd,
    }
}

/// In use and not there come back as the same kind of error, so the path decides which it is.
pub(super) fn explain(settings: &LineSettings, error: &serialport::Error) -> String {
    let path = Path::new(&settings.port);
    if !path.exists() {
        return format!("{} is not there", settings.port);
    }
    match error.kind {
        serialport::ErrorKind::NoDevice => format!("{} is in use by another program", settings.port),
        serialport::ErrorKind::Io(std::io::ErrorKind::PermissionDenied) => {
            format!(
                "{}: permission denied; the user needs the group that owns serial ports (often dialout)",
                settings.port
            )
        }
        serialport::ErrorKind::Io(_) | serialport::ErrorKind::InvalidInput | serialport::ErrorKind::Unknown => {
            format!("{} is not a serial port that can be used: {error}", settings.port)
        }
    }
}

/// A driver may drop settings in silence, so they are read back; a pseudo-terminal has none and is left out.
fn check(port: &SerialStream, settings: &LineSettings) -> Result<(), LineCause> {
    let real = std::fs::canonicalize(&settings.port).unwrap_or_default();
    if real.starts_with("/dev/pts") {
        return Ok(());
    }
    let kept = |kept: bool, what: &str| {
        if kept { Ok(()) } else { Err(LineCause::WrongSettings(format!("{} does not keep the {what}", settings.port))) }
    };
    kept(port.baud_rate().is_ok_and(|baud| baud.abs_diff(settings.baud) * 50 <= settings.baud), "speed")?;
    kept(port.parity().is_ok_and(|kept| kept == check_bit(settings.parity)), "parity")?;
    kept(port.data_bits().is_ok_and(|kept| kept == bits(settings.data_bits)), "data bits")
}
