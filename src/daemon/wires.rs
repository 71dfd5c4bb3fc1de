//! The wires of a device as the daemon keeps them: opened, looked at, switched, lost and opened again.
//!
//! Levels are looked at once in a while and told when they change, and once a second. When this program ends, in whatever way, the kernel
//! lets a port's modem lines fall, because its termios hang up on close; a GPIO chip's lines are set to rest before the end where there is
//! time for it, and a chip may keep its levels where there is none.

use std::io;
use std::time::Duration;

use rustix::fs::{Mode, OFlags};
use rustix::termios::{ControlModes, OptionalActions, tcgetattr, tcsetattr};
use serialport::{SerialPort, TTYPort};
use tokio::sync::{mpsc, watch};
use tokio::task::spawn_blocking;
use tokio::time::{MissedTickBehavior, interval, sleep};
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

use super::clock::Clock;
use crate::event::{Event, LineCause, WiresId};
use crate::lamp::Pattern;
use crate::line::{ModemInput, ModemOutput, Pull, WiresKind, WiresSettings};
use crate::setup::Setup;

/// The waits between tries to open a device: from the first, doubling, to the last.
const BACK_OFF: (Duration, Duration) = (Duration::from_millis(200), Duration::from_secs(5));

/// Levels that do not change are told so often, so that whoever hears none knows that the wires are lost.
const TELL_AGAIN: Duration = Duration::from_secs(1);

/// Wires that can be looked at and switched.
trait Wires: Send {
    /// The levels of those that are read.
    fn read(&mut self) -> io::Result<u64>;

    /// Sets the levels of those that are switched.
    fn switch(&mut self, levels: u64) -> io::Result<()>;
}

/// A device's wires and what tending them needs.
pub(super) struct Tended {
    pub(super) id: WiresId,
    pub(super) settings: WiresSettings,
    pub(super) events: mpsc::Sender<Event>,
    /// The levels that are wanted; only the newest matter.
    pub(super) levels: watch::Receiver<u64>,
    pub(super) stop: CancellationToken,
}

impl Tended {
    /// Keeps the device open until told to stop, then sets its wires to rest.
    ///
    /// # Cancellation
    /// Dropping the future closes the device; modem lines fall.
    pub(super) async fn run(mut self) {
        let mut wait = BACK_OFF.0;
        let mut told: Option<LineCause> = None;
        while !self.stop.is_cancelled() {
            let settings = self.settings.clone();
            // A driver may hang while it opens.
            let opened = spawn_blocking(move || open(&settings)).await;
            let cause = match opened.unwrap_or_else(|error| Err(LineCause::CannotOpen(error.to_string()))) {
                Ok(mut wires) => {
                    info!(device = self.settings.path, "wires open");
                    let began = tokio::time::Instant::now();
                    let cause = LineCause::Gone(self.tend(wires.as_mut()).await.to_string());
                    // One that fails at once is not tried the faster for having been opened.
                    if began.elapsed() > BACK_OFF.1 {
                        (wait, told) = (BACK_OFF.0, None);
                    }
                    if self.stop.is_cancelled() {
                        // Nothing is left to be done about a failure here.
                        let _ = wires.switch(self.settings.at_rest);
                    }
                    cause
                }
                Err(cause) => cause,
            };
            if self.stop.is_cancelled() {
                break;
            }
            if told.as_ref() != Some(&cause) {
                warn!(device = self.settings.path, ?cause, "wires lost; trying again");
                if self.events.send(Event::WiresLost(self.id, cause.clone())).await.is_err() {
                    return;
                }
                told = Some(cause);
            }
            tokio::select! {
                () = sleep(wait) => wait = (wait * 2).min(BACK_OFF.1),
                () = self.stop.cancelled() => {}
            }
        }
    }

    /// Looks and switches until something fails; a stop is told as one too.
    async fn tend(&mut self, wires: &mut dyn Wires) -> io::Error {
        let mut looks = interval(Duration::from_nanos(self.settings.every.nanos()).max(Duration::from_millis(1)));
        looks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut told: Option<(u64, tokio::time::Instant)> = None;
        let wanted = *self.levels.borrow_and_update();
        if let Err(error) = wires.switch(wanted) {
            return error;
        }
        loop {
            tokio::select! {
                biased;
                () = self.stop.cancelled() => return io::Error::other("the program is stopping"),
                changed = self.levels.changed() => {
                    if changed.is_err() {
                        return io::Error::other("the program is stopping");
                    }
                    let wanted = *self.levels.borrow_and_update();
                    if let Err(error) = wires.switch(wanted) {
                        return error;
                    }
                }
                now = looks.tick() => match wires.read() {
                    Ok(levels) if told.is_some_and(|(before, at)| before == levels && now - at < TELL_AGAIN) => {}
                    Ok(levels) => {
                        told = Some((levels, now));
                        if self.events.send(Event::Wires(self.id, levels)).await.is_err() {
                            return io::Error::other("the program is stopping");
                        }
                    }
                    Err(error) => return error,
                },
            }
        }
    }
}

/// Lights every wired light of a setup lamp by lamp, or none, without a daemon.
///
/// # Errors
/// Why the first device that cannot be used cannot be.
pub(super) async fn shine(setup: &Setup, clock: &Clock, test: bool) -> Result<(), (String, LineCause)> {
    for (settings, id) in setup.wires.iter().zip(0..).filter(|(settings, _)| !settings.outputs.is_empty()) {
        let lost = |cause| (settings.path.clone(), cause);
        let failed = |error: io::Error| lost(LineCause::Gone(error.to_string()));
        let mut wires = open(settings).map_err(lost)?;
        let begun = clock.steady();
        while let Some(pattern) = Pattern::lamp_test(clock.steady().since(begun)).filter(|_| test) {
            let levels = setup.wire_levels(WiresId(id), &pattern, clock.steady());
            wires.switch(levels).map_err(failed)?;
            sleep(Duration::from_millis(20)).await;
        }
        wires.switch(settings.at_rest).map_err(failed)?;
    }
    Ok(())
}

fn open(settings: &WiresSettings) -> Result<Box<dyn Wires>, LineCause> {
    let wires: io::Result<Box<dyn Wires>> = match settings.kind {
        WiresKind::ModemLines => Modem::open(settings).map(|modem| Box::new(modem) as Box<dyn Wires>),
        WiresKind::GpioChip => Chip::open(settings).map(|chip| Box::new(chip) as Box<dyn Wires>),
    };
    // What cannot be switched or read shows here, where it can be explained.
    let opened = wires.and_then(|mut wires| wires.switch(settings.at_rest).and_then(|()| wires.read()).map(|_| wires));
    opened.map_err(|error| LineCause::CannotOpen(explain(settings, &error)))
}

/// What is wrong with a device, and what to do.
fn explain(settings: &WiresSettings, error: &io::Error) -> String {
    let path = &settings.path;
    match (error.kind(), settings.kind) {
        (io::ErrorKind::NotFound, _) => format!("{path} is not there"),
        (io::ErrorKind::PermissionDenied, WiresKind::ModemLines) => {
            format!("{path}: permission denied; the user needs the group that owns serial ports (often dialout)")
        }
        (io::ErrorKind::PermissionDenied, WiresKind::GpioChip) => {
            format!("{path}: permission denied; the user needs the group that owns GPIO chips (often gpio)")
        }
        (io::ErrorKind::ResourceBusy, _) => format!("{path}: a wire is in use by another program or driver"),
        (_, WiresKind::ModemLines) => {
            format!("{path} has no modem-control lines that can be used ({error}); use a serial port that has them")
        }
        (_, WiresKind::GpioChip) => {
            format!("{path} is not a GPIO chip with these lines ({error}); check path and offsets")
        }
    }
}

/// The modem-control lines of a port.
struct Modem {
    port: TTYPort,
    inputs: Vec<ModemInput>,
    outputs: Vec<ModemOutput>,
}

impl Modem {
    fn open(settings: &WiresSettings) -> io::Result<Self> {
        // Held until the port is open, so that it does not hang up in between: what falls on close is to be set first.
        let before = rustix::fs::open(
            &settings.path,
            OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC,
            Mode::empty(),
        )?;
        let mut modes = tcgetattr(&before)?;
        modes.control_modes |= ControlModes::HUPCL | ControlModes::CLOCAL;
        tcsetattr(&before, OptionalActions::Now, &modes)?;
        let builder = serialport::new(&settings.path, 9_600).dtr_on_open(false);
        let port = TTYPort::open(&builder).map_err(|error| in_use(&error))?;
        let input = |(number, _): &(u32, Pull)| ModemInput::ALL.get(*number as usize).copied();
        let output = |number: &u32| ModemOutput::ALL.get(*number as usize).copied();
        Ok(Modem {
            port,
            inputs: settings.inputs.iter().filter_map(input).collect(),
            outputs: settings.outputs.iter().filter_map(output).collect(),
        })
    }
}

/// The path is there, so a device that is not is one in use.
fn in_use(error: &serialport::Error) -> io::Error {
    match error.kind {
        serialport::ErrorKind::NoDevice => io::ErrorKind::ResourceBusy.into(),
        serialport::ErrorKind::Io(kind) => io::Error::new(kind, error.to_string()),
        serialport::ErrorKind::InvalidInput | serialport::ErrorKind::Unknown => io::Error::other(error.to_string()),
    }
}

impl Wires for Modem {
    fn read(&mut self) -> io::Result<u64> {
        let mut levels = 0;
        for (place, input) in self.inputs.iter().enumerate() {
            let high = match input {
                ModemInput::Cts => self.port.read_clear_to_send(),
                ModemInput::Dsr => self.port.read_data_set_ready(),
                ModemInput::Dcd => self.port.read_carrier_detect(),
                ModemInput::Ri => self.port.read_ring_indicator(),
            };
            levels |= u64::from(high?) << place;
        }
        Ok(levels)
    }

    fn switch(&mut self, levels: u64) -> io::Result<()> {
        for (place, output) in self.outputs.iter().enumerate() {
            let high = levels >> place & 1 == 1;
            match output {
                ModemOutput::Rts => self.port.write_request_to_send(high),
                ModemOutput::Dtr => self.port.write_data_terminal_ready(high),
            }?;
        }
        Ok(())
    }
}

/// Lines of a GPIO chip.
struct Chip {
    inputs: Option<gpiocdev::Request>,
    input_lines: Vec<u32>,
    outputs: Option<gpiocdev::Request>,
    output_lines: Vec<u32>,
}

impl Chip {
    fn open(settings: &WiresSettings) -> io::Result<Self> {
        let request = || {
            let mut builder = gpiocdev::Request::builder();
            builder.on_chip(&settings.path).with_consumer("holdwatch");
            builder
        };
        let inputs = (!settings.inputs.is_empty()).then(|| {
            let mut builder = request();
            for (offset, pull) in &settings.inputs {
                builder.with_line(*offset).as_input();
                if let Some(bias) = bias(*pull) {
                    builder.with_bias(bias);
                }
            }
            builder.request()
        });
        let outputs = (!settings.outputs.is_empty()).then(|| {
            let mut builder = request();
            for (place, offset) in settings.outputs.iter().enumerate() {
                builder.with_line(*offset).as_output(level(settings.at_rest, place));
            }
            builder.request()
        });
        Ok(Chip {
            inputs: inputs.transpose().map_err(os_error)?,
            input_lines: settings.inputs.iter().map(|(offset, _)| *offset).collect(),
            outputs: outputs.transpose().map_err(os_error)?,
            output_lines: settings.outputs.clone(),
        })
    }
}

fn bias(pull: Pull) -> Option<gpiocdev::line::Bias> {
    match pull {
        Pull::None => None,
        Pull::Up => Some(gpiocdev::line::Bias::PullUp),
        Pull::Down => Some(gpiocdev::line::Bias::PullDown),
    }
}

fn level(levels: u64, place: usize) -> gpiocdev::line::Value {
    if levels >> place & 1 == 1 { gpiocdev::line::Value::Active } else { gpiocdev::line::Value::Inactive }
}

fn os_error(error: gpiocdev::Error) -> io::Error {
    match error {
        gpiocdev::Error::Os(errno) => io::Error::from_raw_os_error(errno.0),
        other => io::Error::other(other.to_string()),
    }
}

impl Wires for Chip {
    fn read(&mut self) -> io::Result<u64> {
        let Some(request) = &self.inputs else { return Ok(0) };
        let mut values = gpiocdev::line::Values::from_offsets(&self.input_lines);
        request.values(&mut values).map_err(os_error)?;
        let lines = self.input_lines.iter().enumerate();
        Ok(lines.fold(0, |levels, (place, offset)| {
            let high = values.get(*offset) == Some(gpiocdev::line::Value::Active);
            levels | u64::from(high) << place
        }))
    }

    fn switch(&mut self, levels: u64) -> io::Result<()> {
        let Some(request) = &self.outputs else { return Ok(()) };
        let mut values = gpiocdev::line::Values::default();
        for (place, offset) in self.output_lines.iter().enumerate() {
            values.set(*offset, level(levels, place));
        }
        request.set_values(&values).map_err(os_error)
    }
}
