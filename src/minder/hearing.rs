//! From bytes to readings, and what a reading, or the want of one, sets going.

use serde::{Deserialize, Serialize};

use super::Minder;
use super::around::Trouble;
use crate::event::{Action, Fact, GapCause, ReadingRecord};
use crate::gauge::{Doubt, GaugeId, Heard, LineId, Motion, Place, Quality};
use crate::moment::{Moment, Span, Steady};
use crate::units::Vacuum;
use crate::watch::{Basis, CuttingKnown, Phase, Sample};

/// The newest number of a gauge.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Newest {
    pub(super) at: Steady,
    /// The level, unless the number is none that can be believed.
    pub(super) vacuum: Option<Vacuum>,
    pub(super) quality: Quality,
    /// What has gone wrong on the line since.
    trouble: Option<GapCause>,
}

/// How many intervals without a reading make a gap.
const GAP_INTERVALS: f64 = 2.5;

impl Minder {
    pub(super) fn hear(&mut self, at: Moment, line: LineId, bytes: &[u8], out: &mut Vec<Action>) {
        let mut heard = Vec::new();
        if let Some(talker) = self.talkers.get_mut(usize::from(line.0)) {
            talker.bytes(at.steady, bytes, &mut heard);
        }
        self.take_heard(at, line, heard, out);
    }

    /// Sends what the lines want to send, and takes what they give up waiting for.
    pub(super) fn serve_lines(&mut self, at: Moment, out: &mut Vec<Action>) {
        for (place, line) in (0..self.talkers.len()).zip(0..) {
            let mut heard = Vec::new();
            if let Some((bytes, errand)) = self.talkers[place].due(at.steady, &mut heard) {
                out.push(Action::Send(LineId(line), bytes, errand));
            }
            self.take_heard(at, LineId(line), heard, out);
        }
    }

    fn take_heard(&mut self, at: Moment, line: LineId, heard: Vec<Heard>, out: &mut Vec<Action>) {
        for item in heard {
            self.count(line, &item);
            match item {
                Heard::Reading { gauge, raw } => self.take_number(at, gauge, raw, out),
                Heard::NoReply { gauge } => self.note_trouble(gauge, GapCause::NoReply, Trouble::Silent),
                Heard::BadCheck { gauge } => self.note_trouble(gauge, GapCause::BadCheck, Trouble::Garbled),
                Heard::Exception { gauge, code } => self.note_trouble(gauge, GapCause::Refused, Trouble::of(code)),
                Heard::Number { input, raw } => self.take_input(at, input, raw),
                Heard::Bits { input, bits } => self.take_bits(at, input, bits, out),
                // What is not read any more is found by its age.
                Heard::Foreign { .. } | Heard::NoInput { .. } => {}
                Heard::LightWritten { light } => self.note_light(at, (line, light), true),
                Heard::LightFailed { light } => self.note_light(at, (line, light), false),
            }
        }
    }

    /// One light that answers says nothing of another that does not.
    fn note_light(&mut self, at: Moment, light: (LineId, usize), answers: bool) {
        if answers {
            self.silent_lights.remove(&light);
        } else {
            self.silent_lights.insert(light);
        }
        self.say_whether(at, !self.silent_lights.is_empty(), "light-unreachable");
    }

    fn count(&mut self, line: LineId, heard: &Heard) {
        let Some(line) = self.lines.get_mut(usize::from(line.0)) else { return };
        *match heard {
            Heard::Reading { .. } | Heard::Number { .. } | Heard::Bits { .. } | Heard::LightWritten { .. } => {
                &mut line.answers
            }
            Heard::NoReply { .. } | Heard::NoInput { .. } | Heard::LightFailed { .. } => &mut line.no_replies,
            Heard::BadCheck { .. } => &mut line.bad_checks,
            Heard::Exception { .. } => &mut line.refusals,
            Heard::Foreign { .. } => &mut line.foreign,
        } += 1;
    }

    fn note_trouble(&mut self, gauge: GaugeId, cause: GapCause, trouble: Trouble) {
        if let Some(troubles) = self.troubles.get_mut(usize::from(gauge.0)) {
            troubles.last = Some(trouble);
        }
        if let Some(Some(newest)) = self.newest.get_mut(usize::from(gauge.0)) {
            newest.trouble = Some(cause);
        }
    }

    fn take_number(&mut self, at: Moment, gauge: GaugeId, raw: f64, out: &mut Vec<Action>) {
        let place = usize::from(gauge.0);
        self.compare(at.steady);
        let motion = self.motion(gauge);
        let Some(health) = self.health.get_mut(place) else { return };
        let judged = health.judge(at.steady, raw, self.room.now, motion);
        let before = self.newest[place];
        if gauge == self.main {
            self.count_pump(at.steady, before.map(|before| before.at));
        }
        self.newest[place] =
            Some(Newest { at: at.steady, vacuum: judged.vacuum, quality: judged.quality, trouble: None });
        self.troubles[place].last = None;
        if let Some(before) = before {
            self.keep_gap(at, gauge, before, out);
        }
        if let Some(vacuum) = judged.vacuum {
            let band = self.held_against().filter(|_| gauge == self.main && !self.is_quiet());
            let band = band.map(|compared| (compared.expected.low, compared.expected.high));
            let record = ReadingRecord { gauge, vacuum, quality: judged.quality, band };
            self.keep(at, Fact::Reading(record), out);
        }
        self.take_other(at, gauge, &judged);
        self.feel_guided(at, gauge, &judged, out);
        if gauge == self.main {
            self.note_rest(at, &judged.doubts);
            self.assess(at, out);
        }
        self.doubts[place] = judged.doubts;
    }

    /// A number that rests where it ought to move is still shown and judged, and said to be doubtful.
    fn note_rest(&mut self, at: Moment, doubts: &[Doubt]) {
        if doubts.iter().any(|doubt| matches!(doubt, Doubt::Stuck | Doubt::Unmoved)) {
            self.degrade(at, "gauge-stuck");
        } else {
            self.restore_from("gauge-stuck");
        }
    }

    fn keep_gap(&mut self, at: Moment, gauge: GaugeId, before: Newest, out: &mut Vec<Action>) {
        let every = self.setup.gauges[usize::from(gauge.0)].every;
        if at.steady.since(before.at) > every.times(GAP_INTERVALS) {
            let cause = before.trouble.unwrap_or(GapCause::NoReply);
            self.keep(at, Fact::Gap { gauge, from: before.at, cause }, out);
        }
    }

    /// What the table is known to do, by which a stuck gauge or a wandering zero shows.
    fn motion(&self, gauge: GaugeId) -> Motion {
        let place = self.setup.gauges.get(usize::from(gauge.0)).map(|gauge| gauge.place);
        let felt = place.is_some_and(Place::is_suction);
        match self.assessment.map(|assessment| assessment.phase) {
            Some(_) if place == Some(Place::Barometer) => Motion::Unknown,
            Some(Phase::Off) => Motion::PumpOff,
            // A zone that is shut floats, and need not move.
            Some(_) if !felt => Motion::Unknown,
            Some(Phase::PullingDown | Phase::Cutting) => Motion::OughtToMove,
            Some(Phase::Handling | Phase::Seated | Phase::SuspectedLoss) | None => Motion::Unknown,
        }
    }

    /// The newest number of the main gauge, however old.
    pub(super) fn newest_main(&self) -> Option<Newest> {
        self.newest.get(usize::from(self.main.0)).copied().flatten()
    }

    /// The newest reading of the main gauge, if it may still be believed.
    pub(super) fn live(&self, at: Steady) -> Option<Newest> {
        self.newest_main().filter(|newest| {
            at.since(newest.at) <= self.setup.watch.stale_after && newest.quality < Quality::FunctionCheck
        })
    }

    /// Judges again, without a reading, once the newest is too old, and then once a second.
    pub(super) fn notice_silence(&mut self, at: Moment, out: &mut Vec<Action>) {
        if self.next_silence() > at.steady {
            return;
        }
        if let Some(newest) = &mut self.newest[usize::from(self.main.0)] {
            newest.trouble = newest.trouble.or(Some(GapCause::NoReply));
        }
        self.blind_since = Some(at.steady);
        self.assess(at, out);
    }

    /// When the newest reading will be too old, or, if it is, when to judge again.
    pub(super) fn next_silence(&self) -> Steady {
        let last = self.newest_main().map_or(self.awake_since, |newest| newest.at.max(self.awake_since));
        match self.blind_since.filter(|since| *since > last) {
            Some(since) => since.plus(Span::from_secs(1)),
            None => last.plus(self.setup.watch.stale_after).plus(Span::from_nanos(1)),
        }
    }

    fn assess(&mut self, at: Moment, out: &mut Vec<Action>) {
        let live = self.live(at.steady).and_then(|newest| newest.vacuum);
        let judged = self.held_against().is_some();
        let compared = self.compared.as_ref();
        let least_margin = live.and_then(|live| self.margin_at(live)).map(|(margin, _)| margin);
        let sample = Sample {
            at: at.steady,
            live: live.map(|live| self.judged_level(at.steady, live)),
            expected: compared.filter(|_| judged).map(|compared| &compared.expected),
            basis: compared.map_or(Basis::LikeSealed, |compared| compared.basis),
            nearby: compared.and_then(|compared| compared.nearby),
            progress: self.progress(at.steady),
            cutting: self.cutting,
            ends: compared.and_then(|compared| compared.ends),
            least_margin,
            required_margin: self.required_margin(),
            unsettled: self.unsettled(),
        };
        let assessment = self.watch.assess(&sample);
        let assessment = self.quietened(assessment);
        let before = self.assessment.replace(assessment);
        if assessment.cutting != CuttingKnown::No {
            self.worst_margin = match (self.worst_margin, least_margin) {
                (Some(worst), Some(now)) => Some(worst.min(now)),
                (worst, now) => worst.or(now),
            };
        }
        self.follow_sheet(at, &assessment, out);
        if before.is_none_or(|before| before.verdict != assessment.verdict) {
            self.keep_verdict(at, out);
            self.changed = true;
        }
        self.set_conditions(at, &assessment);
    }

    /// The margin required of the parts on the table.
    pub(super) fn required_margin(&self) -> f64 {
        self.loaded.as_ref().map_or(self.setup.watch.required_margin, |loaded| loaded.card.required_margin)
    }
}
