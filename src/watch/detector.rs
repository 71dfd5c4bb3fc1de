//! Finds a loss in the residual.
//!
//! What the baseline does not explain is whitened and charted by a windowed likelihood ratio, after a dead zone is taken off: the
//! least loss worth a call, twice the baseline's own standard error, and what the model may suddenly be wrong by. A single wild
//! reading is held to four standard deviations and cannot alarm. What comes on slowly is followed by the baseline and is no loss here;
//! where the level then is, is judged against the band and against where the slow half of the baseline would have it.

use serde::{Deserialize, Serialize};

use super::WatchSettings;
use super::allowance::{Allowance, Course};
use super::baseline::{Baseline, Pace};
use super::recent::Recent;
use crate::moment::Steady;
use crate::stats::{Noise, Whitener, WindowedGlr, glr_threshold};

/// The slow baseline's time constant in seconds while the machine cuts, and while it does not.
const MEMORY_CUTTING_S: f64 = 20.0;
const MEMORY_RESTING_S: f64 = 5.0;
/// The quick baseline's: with a dead zone of 1 kPa a level that falls by up to some 400 Pa in a second is followed, and a step is there
/// for the chart to see for as long. A choice of ours between the two.
const QUICK_S: f64 = 5.0;
/// The share of the threshold from which a loss is suspected and the baseline does not follow, as it does not beyond the dead zone.
const SUSPECTED: f64 = 0.7;
/// How many readings long it may be suspected before the baseline follows again.
const SUSPECTED_FOR: usize = WindowedGlr::WINDOW;
/// How many times the least loss a loss must be, if nothing is known of the kerf: as much as a part with a long outline opens.
const KERF_UNKNOWN: f64 = 4.0;
/// So many seconds' worth of the slope a loss must be besides.
const SLOPE_S: f64 = 3.0;
/// A level that is this many dead zones below what the slow baseline has it at has sagged.
const SAGGED: f64 = 2.0;
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
    /// How far from it the levels some seconds before and behind are.
    pub(super) beside: [f64; 4],
    /// By how much the outline that is being cut lowers it.
    pub(super) outline: f64,
}

/// Baseline, noise and chart of one gauge.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Detector {
    threshold: f64,
    noise: Noise,
    whitener: Whitener,
    chart: WindowedGlr,
    baseline: Option<Baselines>,
    allowance: Allowance,
    last: Option<Steady>,
    dead_zone: f64,
    least_loss: f64,
    kerf_error: f64,
    suspected_for: usize,
    quiet: u32,
}

/// What the model is wrong by, and what is left of it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Baselines {
    slow: Baseline,
    quick: Baseline,
}

/// How one reading stands to the baseline.
struct Distance {
    baseline: Baselines,
    elapsed: f64,
    residual: f64,
    /// What the slow baseline leaves of the residual.
    left: f64,
    /// What both leave of it; a level that is better than the slow one has it may come back to that.
    lost: f64,
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
            allowance: Allowance::default(),
            last: None,
            dead_zone: 0.0,
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
        self.baseline.map_or(0.0, |Baselines { slow, .. }| slow.kerf(expected) * slow.second().0)
    }

    /// Another sheet, job or basis: what the model is wrong by is to be learned anew.
    pub(super) fn forget(&mut self) {
        self.baseline = None;
        self.allowance = Allowance::default();
        self.pause();
    }

    /// The next reading does not follow on the last: the chart begins anew, the baseline stays.
    pub(super) fn pause(&mut self) {
        self.chart.restart();
        self.whitener.restart();
        self.noise.interrupt();
        self.suspected_for = 0;
        self.last = None;
    }

    /// The expected level jumped by `by` pascals because other zones are open.
    pub(super) fn zones_changed(&mut self, by: f64) {
        self.allowance.jump(by);
        if let Some(Baselines { slow, .. }) = &mut self.baseline {
            slow.jump(by, ZONE_ERROR * by.abs());
        }
    }

    /// Follows the level of a sheet that is not being cut, the last of the `recent`.
    pub(super) fn rest(&mut self, aim: Aim, level: f64, recent: &Recent) {
        let distance = self.measure(aim, level, recent, MEMORY_RESTING_S);
        self.learn(aim, &distance, MEMORY_RESTING_S);
        self.chart.restart();
        let bound = HELD_TO * self.whitener.deviation();
        self.whitener.take(distance.lost, -bound, bound);
        self.learn_noise(distance.lost);
    }

    /// Whether one reading, the last of the `recent`, taken while the machine cuts, shows that vacuum was suddenly lost.
    pub(super) fn look(&mut self, aim: Aim, level: f64, recent: &Recent) -> bool {
        let distance = self.measure(aim, level, recent, MEMORY_CUTTING_S);
        let course = course(aim, &distance.baseline.slow);
        let dead_zone = self.dead_zone(aim, &distance.baseline, &course);
        // A baseline that does not follow knows no less than when it last did.
        self.dead_zone = if self.suspected_for > 0 { dead_zone.min(self.dead_zone) } else { dead_zone };
        let ratio = self.chart(distance.lost);
        let suspected = ratio > SUSPECTED * self.threshold || distance.lost > self.dead_zone;
        self.suspected_for = if suspected { self.suspected_for + 1 } else { 0 };
        if self.suspected_for == 0 || self.suspected_for > SUSPECTED_FOR {
            self.learn(aim, &distance, MEMORY_CUTTING_S);
            self.allowance.learn(&course, distance.lost, distance.elapsed, self.slow_deviation());
        } else {
            self.baseline = Some(distance.baseline);
        }
        if ratio < 0.5 * self.threshold {
            self.learn_noise(distance.lost);
        }
        ratio > self.threshold
    }

    /// The level that the baseline leads to expect; `None` before it has one.
    pub(super) fn base(&self, aim: Aim) -> Option<f64> {
        let Baselines { slow, quick } = self.baseline?;
        Some(aim.mid - slow.foretell(aim.mid).0 - quick.foretell(aim.mid).0.max(0.0))
    }

    /// The level below which it has sagged: further from where the slow baseline has it than the model can be wrong by, without ever
    /// having dropped suddenly. `None` if that cannot be told.
    pub(super) fn sagged_below(&self, aim: Aim) -> Option<f64> {
        let Baselines { slow, .. } = self.baseline.filter(|_| aim.kerf_known)?;
        let (foretold, error) = slow.foretell(aim.mid);
        Some(aim.mid - foretold - SAGGED * (self.dead_zone.max(self.least_loss) + error))
    }

    /// How far below its base the level may be by what the model can be wrong by.
    pub(super) fn reach(&self) -> f64 {
        self.dead_zone.max(self.least_loss)
    }

    /// Whether the level is no longer outside the dead zone, nor near its edge.
    pub(super) fn is_back(&self, aim: Aim, level: f64) -> bool {
        self.base(aim).is_none_or(|base| base - level < 0.5 * self.dead_zone)
    }

    fn dead_zone(&self, aim: Aim, baseline: &Baselines, course: &Course) -> f64 {
        let (slope, _) = baseline.quick.second();
        let (_, error) = baseline.quick.foretell(aim.mid);
        let model = if aim.kerf_known {
            self.least_loss + self.allowance.of(course, baseline.slow.second())
        } else {
            KERF_UNKNOWN * self.least_loss + SLOPE_S * slope.abs()
        };
        model + 2.0 * error
    }

    /// The baseline as it is by now, and how far the level is from it. If there is none it starts from the middle of the recent levels,
    /// so that a loss in this very reading shows.
    fn measure(&mut self, aim: Aim, level: f64, recent: &Recent, memory: f64) -> Distance {
        let elapsed = self.last.map_or(0.0, |last| aim.at.since(last).secs_f64().min(1.0));
        self.last = Some(aim.at);
        let residual = aim.mid - level;
        let mut baseline = self.baseline.unwrap_or_else(|| {
            let kerf_error = if aim.kerf_known { self.kerf_error } else { 0.0 };
            let usual = recent.middle().unwrap_or(level);
            let slow = Baseline::of_kerf(kerf_error, aim.mid, aim.mid - usual, self.deviation());
            Baselines { slow, quick: Baseline::of_trend(0.0, self.deviation()) }
        });
        baseline.slow.advance(self.pace(elapsed, memory));
        baseline.quick.advance(self.pace(elapsed, QUICK_S));
        self.allowance.advance(&course(aim, &baseline.slow), elapsed, QUICK_S);
        let left = residual - baseline.slow.foretell(aim.mid).0;
        let lost = left - baseline.quick.foretell(aim.mid).0.max(0.0);
        Distance { baseline, elapsed, residual, left, lost }
    }

    fn learn(&mut self, aim: Aim, distance: &Distance, memory: f64) {
        let mut baseline = distance.baseline;
        baseline.quick.learn(aim.mid, distance.left, self.pace(distance.elapsed, QUICK_S), HELD_TO);
        baseline.slow.learn(aim.mid, distance.residual, self.pace(distance.elapsed, memory), HELD_TO);
        self.baseline = Some(baseline);
    }

    fn pace(&self, elapsed: f64, memory: f64) -> Pace {
        Pace { elapsed, memory, deviation: self.slow_deviation() }
    }

    /// The chart's ratio after one more reading.
    fn chart(&mut self, lost: f64) -> f64 {
        let deviation = self.whitener.deviation() * (1.0 + self.noise.relative_error());
        let shift = self.whitener.lasting() / deviation * self.dead_zone;
        let greatest = (shift + HELD_TO) * deviation;
        let innovation = self.whitener.take(lost, -HELD_TO * deviation, greatest);
        self.chart.take(innovation / deviation - shift)
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
}

fn course(aim: Aim, slow: &Baseline) -> Course {
    Course { mid: aim.mid, kerf: slow.kerf(aim.mid), beside: aim.beside, outline: aim.outline }
}
