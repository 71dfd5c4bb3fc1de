//! The steps of a beginning on a real line: who answers, which numbers there are, what they do, and a trial of the setup made
//! of it. Each waits in its caller's thread until it is done.

use std::net::SocketAddr;
use std::sync::Arc;

use tokio::net::TcpListener;
use tokio::runtime::Builder;
use tokio_util::sync::CancellationToken;

use super::probe::{Probe, ProbeError};
use crate::gauge::search::{
    Census, Conversation, Form, Found, Hunt, HuntPlan, Phase, Plausible, Proposal, Ranges, RegisterWatch, Series, Step,
    Sweep, TextLine, TextWatch, Told, guess, register_series, text_series,
};
use crate::gauge::{Heard, LineSettings, Talker};
use crate::moment::{Span, Steady};
use crate::page::{self, Beginning};
use crate::setup::{FoundGauge, FoundTalk, Setup};
use crate::units::Vacuum;

/// How long a trial waits for its readings.
const TRIAL_LIMIT: Span = Span::from_secs(10);

/// A line that is being got to know.
pub struct Bench {
    probe: Probe,
    port: String,
    found: Found,
    census: Option<Census>,
    sweeps: Vec<Sweep>,
    lines: Vec<TextLine>,
    terminator: u8,
    phases: Vec<Phase>,
}

impl Bench {
    /// Opens a line's port.
    ///
    /// # Errors
    /// [`ProbeError`] says why it cannot be opened.
    pub fn open(port: &str) -> Result<Self, ProbeError> {
        Ok(Bench {
            probe: Probe::open(port)?,
            port: port.to_owned(),
            found: Found::default(),
            census: None,
            sweeps: Vec::new(),
            lines: Vec::new(),
            terminator: b'\n',
            phases: Vec::new(),
        })
    }

    /// Looks for whoever answers, and how long that took; `goes_on` sees how far it is and may stop it.
    ///
    /// # Errors
    /// [`ProbeError`] if the port is gone or it was stopped.
    pub fn hunt(&mut self, plan: HuntPlan, goes_on: impl FnMut(&Hunt) -> bool) -> Result<Span, ProbeError> {
        let begun = self.probe.now();
        let mut hunt = Hunt::new(plan);
        self.probe.converse(&mut hunt, goes_on)?;
        self.found = hunt.found().clone();
        Ok(self.probe.now().since(begun))
    }

    /// What the hunt found.
    pub fn found(&self) -> &Found {
        &self.found
    }

    /// Lists the registers of the units found; how many there are.
    ///
    /// # Errors
    /// [`ProbeError`] if the port is gone or it was stopped.
    pub fn census(
        &mut self,
        ranges: Option<Ranges>,
        goes_on: impl FnMut(&Census) -> bool,
    ) -> Result<usize, ProbeError> {
        let (Some(form), false) = (self.found.form, self.found.units.is_empty()) else { return Ok(0) };
        let mut census = Census::new(form, &self.found.units, ranges);
        self.probe.converse(&mut census, goes_on)?;
        let count = census.values().len();
        if count > 0 {
            self.found.units.retain(|unit| census.values().keys().any(|place| place.unit == *unit));
        }
        self.census = Some(census);
        Ok(count)
    }

    /// Watches every number for a while; `on` says whether the pump is known to run meanwhile.
    ///
    /// # Errors
    /// [`ProbeError`] if the port is gone or it was stopped.
    pub fn watch(&mut self, span: Span, on: Option<bool>, mut goes_on: impl FnMut() -> bool) -> Result<(), ProbeError> {
        let from = self.probe.now();
        let until = from.plus(span);
        match (self.found.form, &self.census, self.found.talker.clone()) {
            (Some(form), _, Some(talker)) => {
                let mut watch = TextWatch::new(form, talker.request, until);
                self.probe.converse(&mut watch, |_| goes_on())?;
                self.lines.extend_from_slice(watch.lines());
                self.terminator = watch.terminator();
            }
            (Some(form), Some(census), None) => {
                let mut watch = census.watch(form, until);
                self.probe.converse(&mut watch, |_: &RegisterWatch| goes_on())?;
                self.sweeps.extend_from_slice(watch.sweeps());
            }
            (_, _, _) => {}
        }
        if let Some(on) = on {
            self.phases.push(Phase { from, to: self.probe.now(), on });
        }
        Ok(())
    }

    /// Every number seen so far.
    pub fn series(&self) -> Vec<Series> {
        if self.found.talker.is_some() { text_series(&self.lines) } else { register_series(&self.sweeps) }
    }

    /// Every way to read them as the level, the likeliest first.
    pub fn proposals(&self, plausible: &Plausible, told: &Told) -> Vec<Proposal> {
        guess(&self.series(), plausible, &self.phases, told)
    }

    /// The gauge of the best proposal; `None` without one.
    pub fn gauge(&self, proposals: &[Proposal]) -> Option<FoundGauge> {
        let talker = self.found.talker.as_ref().map(|talker| (talker.request.as_slice(), self.terminator));
        let gauge = FoundGauge::new(&self.port, self.found.form?, proposals, talker)?;
        let mine = |unit: &u8| matches!(&gauge.talk, FoundTalk::Register(talk) if talk.unit == *unit);
        let others = self.found.units.iter().copied().filter(|unit| !mine(unit)).collect();
        Some(FoundGauge { others, ..gauge })
    }

    /// The first levels that a setup gives on this line.
    ///
    /// # Errors
    /// [`ProbeError`] if the port is gone, or the setup's gauge cannot be asked.
    pub fn trial(&mut self, setup: &Setup, count: usize) -> Result<Vec<Vacuum>, ProbeError> {
        let refuse = |why: String| ProbeError::Port(why);
        let (Some(gauge), Some(line)) = (setup.main_gauge_settings(), setup.lines.first()) else {
            return Err(refuse("the setup has no gauge".to_owned()));
        };
        let talker = Talker::new(line.clone(), vec![(setup.main_gauge(), gauge.clone())], Vec::new());
        let talker = talker.map_err(|unfit| refuse(unfit.to_string()))?;
        let mut trial = Trial::new(line, talker, count, self.probe.now().plus(TRIAL_LIMIT));
        self.probe.converse(&mut trial, |_| true)?;
        let room = setup.table.air.room;
        Ok(trial.raw.iter().map(|raw| gauge.pressure(*raw, room).vacuum_below(room)).collect())
    }
}

/// Serves the page of a beginning on `address` until a signal ends it; `ready` is told the address once.
///
/// # Errors
/// Those of a runtime that does not start and of an address that cannot be used.
pub fn serve_page_of_beginning(
    address: SocketAddr,
    beginning: Arc<dyn Beginning>,
    ready: impl FnOnce(SocketAddr),
) -> std::io::Result<()> {
    let runtime = Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(async {
        let listener = TcpListener::bind(address).await?;
        ready(listener.local_addr()?);
        let stop = CancellationToken::new();
        tokio::select! {
            served = page::serve_beginning(listener, beginning, stop.clone()) => served,
            () = super::stop_on_signal(stop.clone()) => Ok(()),
        }
    })
}

/// A talker asked for a few readings.
struct Trial {
    form: Option<Form>,
    talker: Talker,
    heard: Vec<Heard>,
    raw: Vec<f64>,
    wanted: usize,
    until: Steady,
}

impl Trial {
    fn new(line: &LineSettings, talker: Talker, wanted: usize, until: Steady) -> Self {
        let form = Form { baud: line.baud, data_bits: line.data_bits, parity: line.parity };
        Trial { form: Some(form), talker, heard: Vec::new(), raw: Vec::new(), wanted, until }
    }

    fn take(&mut self) {
        self.raw.extend(self.heard.drain(..).filter_map(|heard| match heard {
            Heard::Reading { raw, .. } if raw.is_finite() => Some(raw),
            _ => None,
        }));
    }
}

impl Conversation for Trial {
    fn step(&mut self, at: Steady) -> Step {
        if let Some(form) = self.form.take() {
            self.talker.line_up(at);
            return Step::Form(form);
        }
        if self.raw.len() >= self.wanted || at >= self.until {
            return Step::Done;
        }
        let due = self.talker.due(at, &mut self.heard);
        self.take();
        match due {
            Some((frame, _)) => Step::Send(frame),
            None => Step::Listen(self.talker.deadline().unwrap_or(self.until).min(self.until)),
        }
    }

    fn bytes(&mut self, at: Steady, bytes: &[u8]) {
        self.talker.bytes(at, bytes, &mut self.heard);
        self.take();
    }
}
