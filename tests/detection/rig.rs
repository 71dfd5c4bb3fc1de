//! Made noise, and a made table that is not the one that the watch expects.

use crate::chance::Chance;
use holdwatch::expectation::Expected;
use holdwatch::job::Progress;
use holdwatch::moment::{Span, Steady};
use holdwatch::units::{FreeAirFlow, Vacuum};
use holdwatch::watch::{Assessment, Basis, Ends, Nearby, Sample, Watch, WatchSettings};

pub(crate) const SEALED: f64 = 62_000.0;
pub(crate) const BARE: f64 = 6_000.0;

/// What the watch is told beside the level.
#[derive(Clone, Copy)]
pub(crate) struct Told {
    pub(crate) expected: Option<f64>,
    pub(crate) basis: Basis,
    pub(crate) cutting: Option<bool>,
    pub(crate) margin: Option<f64>,
    pub(crate) progress: Option<Progress>,
    pub(crate) nearby: Option<Nearby>,
}

impl Told {
    pub(crate) fn job(expected: f64, cutting: bool) -> Self {
        Told {
            expected: Some(expected),
            basis: Basis::Job,
            cutting: Some(cutting),
            margin: None,
            progress: Some(Progress::START),
            nearby: None,
        }
    }

    pub(crate) fn like_sealed() -> Self {
        Told {
            expected: Some(SEALED),
            basis: Basis::LikeSealed,
            cutting: None,
            margin: None,
            progress: None,
            nearby: None,
        }
    }
}

/// A table, its plenum, its gauge and the watch on it.
pub(crate) struct Rig {
    pub(crate) watch: Watch,
    pub(crate) chance: Chance,
    pub(crate) at: Steady,
    pub(crate) interval: Span,
    pub(crate) lag: f64,
    /// Standard deviation of the flow's noise as the gauge sees it, and of the gauge's own.
    pub(crate) flow_noise: f64,
    pub(crate) gauge_noise: f64,
    pub(crate) level: f64,
    pub(crate) flutter: f64,
}

impl Rig {
    pub(crate) fn new(seed: u64) -> Self {
        Rig::with(seed, WatchSettings::default())
    }

    pub(crate) fn with(seed: u64, settings: WatchSettings) -> Self {
        Rig {
            watch: Watch::new(settings),
            chance: Chance::seeded(seed),
            at: Steady::from_nanos(0),
            interval: settings.interval,
            lag: 0.5,
            flow_noise: 100.0,
            gauge_noise: 80.0,
            level: 0.0,
            flutter: 0.0,
        }
    }

    /// One interval during which the level heads for `target`, and its reading.
    pub(crate) fn step(&mut self, target: f64, told: Told) -> Assessment {
        self.at = self.at.plus(self.interval);
        let memory = (-self.interval.secs_f64() / self.lag).exp();
        self.level = target + memory * (self.level - target);
        self.flutter = memory * self.flutter + self.flow_noise * (1.0 - memory * memory).sqrt() * self.chance.normal();
        let pulling = if target > 0.0 { 1.0 } else { 0.0 };
        let read = self.level + pulling * self.flutter + self.gauge_noise * self.chance.normal();
        self.read(Some(read), told)
    }

    pub(crate) fn read(&mut self, live: Option<f64>, told: Told) -> Assessment {
        let expected = told.expected.map(|mid| Expected {
            low: Vacuum::from_pascals(0.88 * mid),
            mid: Vacuum::from_pascals(mid),
            high: Vacuum::from_pascals(1.08 * mid),
            weakest: None,
            smallest_visible_leak: FreeAirFlow::from_m3_per_h(8.0),
            flow: FreeAirFlow::from_m3_per_h(40.0),
        });
        self.watch.assess(&Sample {
            at: self.at,
            live: live.map(Vacuum::from_pascals),
            expected: expected.as_ref(),
            basis: told.basis,
            nearby: told.nearby,
            progress: told.progress,
            cutting: told.cutting,
            ends: Some(Ends { sealed: Vacuum::from_pascals(SEALED), bare: Vacuum::from_pascals(BARE) }),
            least_margin: told.margin,
            required_margin: 1.5,
            unsettled: None,
        })
    }

    /// Steps for so many seconds with one target, and every assessment.
    pub(crate) fn run(&mut self, secs: f64, target: f64, told: Told) -> Vec<Assessment> {
        let steps = (secs / self.interval.secs_f64()).round() as usize;
        (0..steps).map(|_| self.step(target, told)).collect()
    }

    /// The pump is on, a sheet lies on the table and has seated at `level`.
    pub(crate) fn seat(&mut self, level: f64, told: Told) -> Vec<Assessment> {
        let mut all = self.run(3.0, 0.0, told);
        all.extend(self.run(12.0, level, told));
        all
    }
}
