//! Finds a loss in the residual.
//!
//! What the baseline does not explain is whitened and charted by a windowed likelihood ratio, after a dead zone is taken off: the
//! least loss worth a call, twice the baseline's own standard error and a little of the kerf's effect; and, for as many readings as the progress told may be
//! wrong by, what the level may differ by for that. A single wild reading is held to four standard deviations and cannot alarm.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::WatchSettings;
use super::baseline::{Baseline, Pace};
use crate::moment::{Span, Steady};
use crate::stats::{Noise, Whitener, WindowedGlr, glr_threshold};

/// How far the progress told may be from the cut.
const PROGRESS_ERROR: Span = Span::from_secs(3);
/// How long the steepest stretch of the course is remembered.
const STEEPEST_MEMORY_S: f64 = 30.0;
/// Seconds in which the baseline forgets while the machine cuts, and while it does not.
const MEMORY_CUTTING_S: f64 = 20.0;
const MEMORY_RESTING_S: f64 = 5.0;
/// The share of the threshold from which a loss is suspected and the baseline does not follow.
const SUSPECTED: f64 = 0.7;
/// How many readings long it may be suspected before the baseline follows again.
const SUSPECTED_FOR: usize = WindowedGlr::WINDOW;
/// How many times the least loss a loss must be, if nothing is known of the kerf: as much as a part with a long outline opens.
const KERF_UNKNOWN: f64 = 4.0;
/// The share of the kerf's effect that comes and goes as dust settles in it and is drawn out.
const KERF_UNSTEADY: f64 = 0.02;
/// Wild values are held to so many standard deviations.
const HELD_TO: f64 = 4.0;
/// Quiet readings after which the whitener is made anew.
const RETUNE_AFTER: u32 = 100;
/// The shortest and the longest lag to believe, in lags as told.
const LAG_RANGE: (f64, f64) = (0.5, 2.0);
/// An error of the expected level that comes with other open zones, as a share of its change.
const ZONE_ERROR: f64 = 0.1;

/// What one reading is compared with.
#[derive(Clone, Copy, Debug)]
pub(super) struct Aim {
    pub(super) at: Steady,
    /// Whether the expected level follows the kerf.
    pub(super) kerf_known: bool,
    /// The level expected, in pascals.
    pub(super) mid: f64,
    /// How much it may soon change by, in pascals.
    pub(super) ahead: f64,
}

/// Baseline, noise and chart of one gauge.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Detector {
    threshold: f64,
    noise: Noise,
    whitener: Whitener,
    chart: WindowedGlr,
    baseline: Option<Baseline>,
    last: Option<Steady>,
    course: VecDeque<(Steady, f64)>,
    steepest: f64,
    dead_zone: f64,
    least_loss: f64,
    /// The readings that the progress told may be wrong by.
    progress_readings: usize,
    kerf_error: f64,
    suspected_for: usize,
    quiet: u32,
}

impl Detector {
    pub(super) fn new(settings: &WatchSettings) -> Self {
        let interval = settings.interval.secs_f64().max(1e-3);
        let memory = |lag: f64| (-interval / lag.max(1e-3)).exp();
        let lag = settings.lag.secs_f64();
        let bounds = (memory(LAG_RANGE.0 * lag), memory(LAG_RANGE.1 * lag));
        let noise = Noise::presumed(settings.noise.pascals(), memory(lag), bounds);
        let readings = settings.false_alarm_interval.secs_f64() / interval;
        Detector {
            threshold: glr_threshold(readings, WindowedGlr::WINDOW),
            noise,
            whitener: noise.whitener(),
            chart: WindowedGlr::default(),
            baseline: None,
            last: None,
            course: VecDeque::new(),
            steepest: 0.0,
            dead_zone: 0.0,
            progress_readings: (PROGRESS_ERROR.secs_f64() / interval).ceil() as usize,
            least_loss: settings.least_loss.pascals(),
            kerf_error: settings.kerf_error,
            suspected_for: 0,
            quiet: 0,
        }
    }

    /// The standard deviation of one reading.
    pub(super) fn deviation(&self) -> f64 {
        self.noise.deviation()
    }

    /// The standard deviation of the mean of so many readings.
    pub(super) fn deviation_of_mean(&self, count: f64) -> f64 {
        self.deviation().min(self.slow_deviation() / count.max(1.0).sqrt())
    }

    /// The share of the baseline's residual that grows with the kerf, in pascals.
    pub(super) fn kerf_part(&self, expected: f64) -> f64 {
        self.baseline.map_or(0.0, |baseline| baseline.kerf_part(expected))
    }

    /// Another sheet, job or basis: what the model is wrong by is to be learned anew.
    pub(super) fn forget(&mut self) {
        self.baseline = None;
        self.steepest = 0.0;
        self.course.clear();
        self.pause();
    }

    /// The next reading does not follow on the last: the chart begins anew, the baseline stays.
    pub(super) fn pause(&mut self) {
        self.chart.restart();
        self.whitener.restart();
        self.noise.interrupt();
        self.suspected_for = 0;
    }

    /// The expected level jumped by `by` pascals because other zones are open.
    pub(super) fn zones_changed(&mut self, by: f64) {
        self.course.clear();
        if let Some(baseline) = &mut self.baseline {
            baseline.jump(by, ZONE_ERROR * by.abs());
        }
    }

    /// Follows the level of a sheet that is not being cut.
    pub(super) fn rest(&mut self, aim: Aim, level: f64) {
        let (mut baseline, pace) = self.advance(aim, level, MEMORY_RESTING_S);
        let unexplained = aim.mid - level - baseline.foretell(aim.mid).0;
        baseline.learn(aim.mid, aim.mid - level, pace, HELD_TO);
        self.baseline = Some(baseline);
        self.chart.restart();
        let bound = HELD_TO * self.whitener.deviation();
        self.whitener.take(unexplained, -bound, bound);
        self.learn_noise(unexplained);
    }

    /// Whether one reading, taken while the machine cuts, shows that vacuum was lost.
    pub(super) fn look(&mut self, aim: Aim, level: f64) -> bool {
        let (mut baseline, pace) = self.advance(aim, level, MEMORY_CUTTING_S);
        let (foretold, error) = baseline.foretell(aim.mid);
        let lost = aim.mid - level - foretold;
        let least = if aim.kerf_known { self.least_loss } else { KERF_UNKNOWN * self.least_loss };
        self.dead_zone = least + 2.0 * error + KERF_UNSTEADY * baseline.kerf(aim.mid).abs();
        let progress = self.steepest.max(aim.ahead) + baseline.slope().abs() * PROGRESS_ERROR.secs_f64();
        let ratio = self.chart(lost, progress);
        self.suspected_for = if ratio > SUSPECTED * self.threshold { self.suspected_for + 1 } else { 0 };
        if self.suspected_for == 0 || self.suspected_for > SUSPECTED_FOR {
            baseline.learn(aim.mid, aim.mid - level, pace, HELD_TO);
        }
        if ratio < 0.5 * self.threshold {
            self.learn_noise(lost);
        }
        self.baseline = Some(baseline);
        ratio > self.threshold
    }

    /// The level that the baseline leads to expect; `None` before it has one.
    pub(super) fn base(&self, aim: Aim) -> Option<f64> {
        self.baseline.map(|baseline| aim.mid - baseline.foretell(aim.mid).0)
    }

    /// Whether the level is no longer outside the dead zone, nor near its edge.
    pub(super) fn is_back(&self, aim: Aim, level: f64) -> bool {
        self.base(aim).is_none_or(|base| base - level < 0.5 * self.dead_zone)
    }

    /// The baseline as it is by now, started if there is none.
    fn advance(&mut self, aim: Aim, level: f64, memory: f64) -> (Baseline, Pace) {
        self.follow_course(aim);
        let elapsed = self.last.map_or(0.0, |last| aim.at.since(last).secs_f64().min(1.0));
        self.last = Some(aim.at);
        let pace = Pace { elapsed, memory, deviation: self.slow_deviation() };
        let kerf = aim.kerf_known.then_some(self.kerf_error);
        let mut baseline =
            self.baseline.unwrap_or_else(|| Baseline::start(kerf, aim.mid, aim.mid - level, self.deviation()));
        baseline.advance(pace);
        (baseline, pace)
    }

    /// The chart's ratio after one more reading, of which the progress told may be the cause for some seconds.
    fn chart(&mut self, lost: f64, progress: f64) -> f64 {
        let deviation = self.whitener.deviation() * (1.0 + self.noise.relative_error());
        let scale = self.whitener.lasting() / deviation;
        let (shift, excess) = (scale * self.dead_zone, scale * progress);
        let greatest = (shift + excess + HELD_TO) * deviation;
        let innovation = self.whitener.take(lost, -HELD_TO * deviation, greatest);
        self.chart.take_with(innovation / deviation - shift, excess, self.progress_readings)
    }

    /// The noise at zero frequency, as the standard deviation that one reading would have, were readings independent.
    fn slow_deviation(&self) -> f64 {
        self.whitener.deviation() / self.whitener.lasting()
    }

    fn learn_noise(&mut self, distance: f64) {
        self.noise.learn(distance);
        self.quiet += 1;
        if self.quiet >= RETUNE_AFTER {
            self.quiet = 0;
            self.whitener = self.noise.whitener().following(self.whitener);
        }
    }

    /// Keeps the steepest change of the course over the time that the progress may be wrong by.
    fn follow_course(&mut self, aim: Aim) {
        let Aim { at: now, mid, .. } = aim;
        let spacing = PROGRESS_ERROR.times(0.1);
        if self.course.back().is_some_and(|(at, _)| now.since(*at) < spacing) {
            return;
        }
        let elapsed = self.course.back().map_or(0.0, |(at, _)| now.since(*at).secs_f64());
        self.course.push_back((now, mid));
        while self.course.front().is_some_and(|(at, _)| now.since(*at) > PROGRESS_ERROR) {
            self.course.pop_front();
        }
        let change = self.course.iter().map(|(_, earlier)| (earlier - mid).abs()).fold(0.0, f64::max);
        self.steepest = change.max(self.steepest * (-elapsed / STEEPEST_MEMORY_S).exp());
    }
}
