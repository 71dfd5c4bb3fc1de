//! A line of text's conversation: one gauge, asked for each line or sending by itself.
//!
//! A line carries no mark of its request. So after a time-out, and after a line that nobody waited for, the gauge is left
//! alone for a while, and what it sends then is dropped: a late line is never taken for the answer to a later request.

use serde::{Deserialize, Serialize};

use crate::gauge::number::number_in;
use crate::gauge::{AsciiTalk, GaugeId, GaugeSettings, Heard, Talk, UnfitLine};
use crate::lamp::LightSettings;
use crate::line::LineSettings;
use crate::moment::{Span, Steady};

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Teller {
    gauge: GaugeId,
    talk: AsciiTalk,
    every: Span,
    limit: Span,
    up: bool,
    lines: Lines,
    /// When to ask next.
    next: Steady,
    /// By when a line with a number has to come, if one has to.
    until: Option<Steady>,
    /// Whether what came meanwhile was no such line.
    garbled: bool,
    /// Whether a line came that nobody waited for, since the last request.
    strayed: bool,
}

impl Teller {
    pub(super) fn new(
        line: &LineSettings,
        gauges: Vec<(GaugeId, GaugeSettings)>,
        lights: &[LightSettings],
    ) -> Result<Self, UnfitLine> {
        if let Some(light) = lights.first() {
            return Err(UnfitLine::LightOnText(light.name.clone()));
        }
        let count = gauges.len();
        let Ok([(gauge, settings)]) = <[_; 1]>::try_from(gauges) else { return Err(UnfitLine::OneTalker(count)) };
        let Talk::Ascii(talk) = settings.talk else { return Err(UnfitLine::Language(settings.name)) };
        Ok(Teller {
            gauge,
            talk,
            every: settings.every,
            limit: line.reply_limit,
            up: false,
            lines: Lines::default(),
            next: Steady::default(),
            until: None,
            garbled: false,
            strayed: false,
        })
    }

    pub(super) fn line_up(&mut self, at: Steady) {
        self.up = true;
        self.garbled = false;
        self.next = at.plus(self.limit);
        self.until = self.sends_by_itself().then(|| at.plus(self.patience()));
        self.lines.start_anew(true);
    }

    pub(super) fn line_lost(&mut self) {
        self.up = false;
        self.until = None;
    }

    pub(super) fn bytes(&mut self, at: Steady, bytes: &[u8], heard: &mut Vec<Heard>) {
        if !self.up {
            return;
        }
        self.time_out(at, heard, |until| at > until);
        for byte in bytes {
            match self.lines.push(*byte, self.talk.terminator) {
                Piece::Unfinished => {}
                Piece::TooLong => self.garbled = true,
                Piece::Line(line) => self.line(at, &line, heard),
            }
        }
    }

    pub(super) fn due(&mut self, at: Steady, heard: &mut Vec<Heard>) -> Option<Vec<u8>> {
        if !self.up {
            return None;
        }
        self.time_out(at, heard, |until| at >= until);
        if self.sends_by_itself() || self.until.is_some() || at < self.next {
            return None;
        }
        let next = self.next.plus(self.every);
        self.next = if next > at { next } else { at.plus(self.every) };
        self.until = Some(at.plus(self.limit));
        self.garbled = false;
        self.strayed = false;
        self.lines.start_anew(false);
        Some(self.talk.request.clone())
    }

    pub(super) fn deadline(&self) -> Option<Steady> {
        self.up.then(|| self.until.unwrap_or(self.next))
    }

    fn sends_by_itself(&self) -> bool {
        self.talk.request.is_empty()
    }

    /// How long a gauge that sends by itself may be silent.
    fn patience(&self) -> Span {
        self.limit.max(self.every.times(2.0))
    }

    fn line(&mut self, at: Steady, line: &[u8], heard: &mut Vec<Heard>) {
        let number = number_in(line, self.talk.position);
        match (number, self.until) {
            (Some(raw), Some(_)) => {
                heard.push(Heard::Reading { gauge: self.gauge, raw });
                self.garbled = false;
                self.until = self.sends_by_itself().then(|| at.plus(self.patience()));
            }
            (Some(_), None) if !std::mem::replace(&mut self.strayed, true) => {
                self.next = self.next.max(at.plus(self.settling()));
            }
            (Some(_), None) => {}
            (None, _) => self.garbled |= !line.trim_ascii().is_empty(),
        }
    }

    fn time_out(&mut self, at: Steady, heard: &mut Vec<Heard>, is_over: impl Fn(Steady) -> bool) {
        if !self.until.is_some_and(is_over) {
            return;
        }
        let garbled = std::mem::take(&mut self.garbled) || self.lines.has_started();
        let gauge = self.gauge;
        heard.push(if garbled { Heard::BadCheck { gauge } } else { Heard::NoReply { gauge } });
        if self.sends_by_itself() {
            self.until = Some(at.plus(self.patience()));
        } else {
            self.until = None;
            self.next = self.next.max(at.plus(self.settling()));
        }
    }

    fn settling(&self) -> Span {
        self.limit.times(4.0).max(Span::from_secs(1))
    }
}

/// Bytes on their way to become a line.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Lines {
    waiting: Vec<u8>,
    /// Everything up to the next terminator is to be dropped.
    skipping: bool,
}

enum Piece {
    Unfinished,
    TooLong,
    Line(Vec<u8>),
}

impl Lines {
    fn push(&mut self, byte: u8, terminator: u8) -> Piece {
        if byte == terminator {
            let line = std::mem::take(&mut self.waiting);
            return if std::mem::take(&mut self.skipping) { Piece::Unfinished } else { Piece::Line(line) };
        }
        if self.skipping {
            return Piece::Unfinished;
        }
        if self.waiting.len() < LONGEST {
            self.waiting.push(byte);
            return Piece::Unfinished;
        }
        self.start_anew(true);
        Piece::TooLong
    }

    fn start_anew(&mut self, skipping: bool) {
        self.waiting.clear();
        self.skipping = skipping;
    }

    fn has_started(&self) -> bool {
        !self.waiting.trim_ascii().is_empty()
    }
}

/// The longest line that is read.
const LONGEST: usize = 256;
