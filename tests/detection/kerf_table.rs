//! A table that opens its kerf otherwise than the expectation has it, leaks more or less, and whose progress is told late or early.
//!
//! The table is one equation: a pump of constant speed draws what a board, a kerf and a leak let through, each by the square
//! law of the flow through a porous layer. With S(p − u) = C(p₀² − p²) the level follows in closed form.

use holdwatch::expectation::{Course, Expected, Spread};
use holdwatch::job::Progress;
use holdwatch::moment::Steady;
use holdwatch::table::ZoneSet;
use holdwatch::units::{FreeAirFlow, Vacuum};
use holdwatch::watch::{Assessment, Basis, Ends, Nearby, Sample, Watch, WatchSettings};

use crate::chance::Chance;

/// Pascals of the room.
pub(crate) const ROOM: f64 = 101_325.0;
/// The least pressure that the pump reaches.
const ULTIMATE: f64 = 3_000.0;
pub(crate) const INTERVAL: f64 = 0.1;
const LAG: f64 = 0.5;
/// The least time in which a whole outline opens: the last pass goes round it at feed speed.
const QUICKEST_S: f64 = 2.0;

/// What lets air through, in m³/h of the pump's speed for each pascal of p₀² − p².
#[derive(Clone, Copy)]
pub(crate) struct Job {
    /// The pump's speed in m³/h.
    pub(crate) speed: f64,
    /// The level in pascals of vacuum before the cut and after it.
    ends: (f64, f64),
    pub(crate) parts: usize,
    pub(crate) secs: f64,
}

/// Six large parts in two minutes as in the demo, to two hundred small ones.
pub(crate) const JOBS: [Job; 5] = [
    Job { speed: 500.0, ends: (84_000.0, 71_000.0), parts: 6, secs: 120.0 },
    Job { speed: 500.0, ends: (84_000.0, 71_000.0), parts: 12, secs: 600.0 },
    Job { speed: 500.0, ends: (86_000.0, 66_000.0), parts: 40, secs: 600.0 },
    Job { speed: 500.0, ends: (93_000.0, 55_000.0), parts: 200, secs: 1500.0 },
    Job { speed: 250.0, ends: (70_000.0, 55_000.0), parts: 30, secs: 600.0 },
];

impl Job {
    /// What lets through enough to leave so much vacuum.
    fn conductance(&self, level: f64) -> f64 {
        let p = ROOM - level;
        self.speed * (p - ULTIMATE) / (ROOM * ROOM - p * p)
    }

    /// Hoses and rims.
    fn base(&self) -> f64 {
        self.conductance(self.ends.0)
    }

    fn kerf(&self) -> f64 {
        self.conductance(self.ends.1) - self.base()
    }

    /// A leak of that share of what the pump moves at half the room's pressure.
    pub(crate) fn leak(&self, share: f64) -> f64 {
        share * self.speed * 0.5 * ROOM / (0.75 * ROOM * ROOM)
    }
}

/// The level where so much is let through, and so many m³/h of free air come in besides.
fn level(speed: f64, conductance: f64, free_air: f64) -> f64 {
    let all = speed * ULTIMATE + conductance * ROOM * ROOM + free_air * ROOM;
    let p = (-speed + (speed * speed + 4.0 * conductance * all).sqrt()) / (2.0 * conductance);
    (ROOM - p).max(0.0)
}

/// How the kerf of an outline opens.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Opens {
    /// As the cutter goes round.
    Evenly,
    /// In the last third, when the last pass goes through.
    Late,
    /// All of it when the outline is closed.
    AtItsEnd,
    /// All of it at the first plunge.
    AtItsStart,
    /// In three bursts, as dust is drawn out.
    InBursts,
}

const OPENS: [Opens; 5] = [Opens::Evenly, Opens::Late, Opens::AtItsEnd, Opens::AtItsStart, Opens::InBursts];

impl Opens {
    /// The share of an outline that is open so far on its way, `quick` of which it takes to open at the quickest.
    fn share(self, way: f64, quick: f64) -> f64 {
        match self {
            Opens::Evenly => way,
            Opens::Late => ((way - 2.0 / 3.0) * 3.0).clamp(0.0, 1.0),
            Opens::AtItsEnd => ((way - 1.0) / quick + 1.0).clamp(0.0, 1.0),
            Opens::AtItsStart => (way / quick).min(1.0),
            Opens::InBursts => ((way * 3.0).floor() / 3.0).clamp(0.0, 1.0),
        }
    }
}

/// How the truth differs from what is expected, and how the gauge shakes.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Wrong {
    pub(crate) opens: Opens,
    /// How much more all of the board lets through, kerfs included, and how much more kerfs do besides.
    pub(crate) board: f64,
    pub(crate) kerf: f64,
    /// Seconds by which the progress is told late.
    pub(crate) late: f64,
    /// Standard deviation of the gauge's own noise, and of the flow's, which passes through the plenum.
    pub(crate) white: f64,
    pub(crate) flow: f64,
    /// Pascals in a second.
    pub(crate) drift: f64,
}

impl Wrong {
    /// One of all: boards 40 % more and less permeable, kerfs that leak a quarter more and less, a progress told 3 s early to 10 s late,
    /// noise of 0.1 to 0.3 kPa that remembers and that does not, a drift of a kilopascal an hour.
    pub(crate) fn drawn(chance: &mut Chance) -> Self {
        let mut of = |all: &[f64]| all[(chance.uniform() * all.len() as f64) as usize];
        let (white, flow) = [(100.0, 0.0), (300.0, 0.0), (30.0, 100.0), (30.0, 300.0), (100.0, 200.0)]
            [of(&[0.0, 1.0, 2.0, 3.0, 4.0]) as usize];
        Wrong {
            opens: OPENS[of(&[0.0, 1.0, 2.0, 3.0, 4.0]) as usize],
            board: of(&[0.6, 0.8, 1.0, 1.2, 1.4]),
            kerf: of(&[0.75, 0.9, 1.0, 1.1, 1.25]),
            late: of(&[-3.0, 0.0, 3.0, 10.0]),
            white,
            flow,
            drift: of(&[-0.3, 0.0, 0.3]),
        }
    }
}

/// What is let through besides, at a time of the cut.
#[derive(Clone, Copy, Default)]
pub(crate) struct Extra {
    pub(crate) conductance: f64,
    /// In m³/h.
    pub(crate) free_air: f64,
    /// The share of the pump's speed that is gone.
    pub(crate) pump_gone: f64,
}

/// What goes wrong, by the seconds since the cut began.
pub(crate) type Fault<'a> = &'a dyn Fn(f64) -> Extra;

/// Nothing does.
pub(crate) fn none(_: f64) -> Extra {
    Extra::default()
}

/// A table known by the class of its board alone, as the demo's.
pub(crate) const BY_LABEL: Spread = Spread { board: 2.0, pump: 1.2, ..Spread::SURVEYED };

/// The table with its watch.
pub(crate) struct Bench {
    job: Job,
    wrong: Wrong,
    pub(crate) watch: Watch,
    chance: Chance,
    /// The share of the whole kerf that is open when each part is closed.
    closed: Vec<f64>,
    course: Course,
    /// By how much each outline, or one beside it, lowers the level at the most.
    outlines: Vec<Vacuum>,
    at: f64,
    pub(crate) level: f64,
    flutter: f64,
}

impl Bench {
    pub(crate) fn new(job: Job, wrong: Wrong, spread: Spread, seed: u64) -> Self {
        let mut chance = Chance::seeded(seed);
        let mut closed = vec![0.0];
        for part in 0..job.parts {
            closed.push(closed[part] + 0.6 + 0.8 * chance.uniform());
        }
        let all = closed[job.parts];
        closed.iter_mut().for_each(|share| *share /= all);
        // As the minder has it from the setup.
        let kerf_error = (0.5 * (spread.board * spread.kerf - 1.0)).clamp(0.05, 0.5);
        let course = course(&job, &closed, &spread);
        let outlines = outlines(&job, &course);
        let watch = Watch::new(WatchSettings { kerf_error, ..WatchSettings::default() });
        Bench { job, wrong, watch, chance, closed, course, outlines, at: 0.0, level: 0.0, flutter: 0.0 }
    }

    /// One reading, `cut` seconds into the cut.
    fn step(&mut self, cut: f64, pump: bool, extra: Extra) -> Assessment {
        self.at += INTERVAL;
        let Wrong { opens, board, kerf, late, white, flow, drift } = self.wrong;
        let open = opened(&self.job, &self.closed, cut / self.job.secs, opens);
        let lets = self.job.base() + board * kerf * open * self.job.kerf() + extra.conductance;
        let speed = self.job.speed * (1.0 - extra.pump_gone);
        let goal = if pump && speed > 1.0 { level(speed, lets, extra.free_air) } else { 0.0 };
        let left = (-INTERVAL / LAG).exp();
        self.level = goal + left * (self.level - goal);
        self.flutter = left * self.flutter + flow * (1.0 - left * left).sqrt() * self.chance.normal();
        let shakes = if pump { self.flutter } else { 0.0 };
        let read = self.level + shakes + white * self.chance.normal() - drift * cut.max(0.0);
        let told = ((cut - late) / self.job.secs).clamp(0.0, 1.0);
        self.assess(read, told, cut >= 0.0)
    }

    fn assess(&mut self, read: f64, told: f64, cuts: bool) -> Assessment {
        let at = |fraction: f64| self.course.at(Progress::from_fraction(fraction)).unwrap();
        let pace = if told > 0.0 && told < 1.0 { 1.0 / self.job.secs } else { 0.0 };
        let part = ((told * self.job.parts as f64) as usize).min(self.job.parts - 1);
        let expected = at(told);
        let levels = Nearby::APART.map(|apart| at(told + apart * pace).mid);
        self.watch.assess(&Sample {
            at: Steady::from_nanos((self.at * 1e9).round() as u64),
            live: Some(Vacuum::from_pascals(read)),
            expected: Some(&expected),
            basis: Basis::Job,
            nearby: Some(Nearby { levels, outline: self.outlines[part] }),
            progress: Some(Progress::from_fraction(told)),
            cutting: Some(cuts),
            ends: Some(Ends { sealed: self.course.sealed, bare: self.course.bare }),
            least_margin: None,
            required_margin: 1.5,
            unsettled: None,
        })
    }

    /// The pump starts, and the sheet lies for so many seconds before the cut.
    pub(crate) fn seat(&mut self, secs: f64, fault: Fault<'_>) -> Vec<Assessment> {
        for _ in 0..30 {
            self.step(-secs, false, Extra::default());
        }
        let steps = (secs / INTERVAL).round() as usize;
        let times = (0..steps).map(|step| step as f64 * INTERVAL - secs);
        times.map(|cut| self.step(cut.min(-0.5 * INTERVAL), true, fault(cut))).collect()
    }

    /// The cut, from so many seconds after its beginning to so many.
    pub(crate) fn cut(&mut self, from: f64, to: f64, fault: Fault<'_>) -> Vec<Assessment> {
        let steps = ((to - from) / INTERVAL).round() as usize;
        let times = (0..steps).map(|step| from + step as f64 * INTERVAL);
        times.map(|cut| self.step(cut, true, fault(cut))).collect()
    }
}

/// The share of the kerf that is open at a fraction of the cut.
fn opened(job: &Job, closed: &[f64], fraction: f64, opens: Opens) -> f64 {
    let way = fraction.clamp(0.0, 1.0) * job.parts as f64;
    let part = (way as usize).min(job.parts - 1);
    let quick = (QUICKEST_S * job.parts as f64 / job.secs).min(1.0);
    closed[part] + (closed[part + 1] - closed[part]) * opens.share((way - part as f64).min(1.0), quick)
}

/// What is expected: at as many points as a forecast has, with the band that follows from how well the table is known.
fn course(job: &Job, closed: &[f64], spread: &Spread) -> Course {
    let points = (0..65).map(|point| f64::from(point) / 64.0);
    let thought = |fraction: f64, board: f64, kerf: f64, pump: f64| {
        let open = opened(job, closed, fraction, Opens::Evenly);
        level(job.speed * pump, job.base() + board * kerf * open * job.kerf(), 0.0)
    };
    let expected = |fraction: f64| {
        let mid = thought(fraction, 1.0, 1.0, 1.0);
        let apart = |board: f64, kerf: f64, pump: f64| {
            let cases = [(board, 1.0, 1.0), (1.0, kerf, 1.0), (1.0, 1.0, pump)];
            let squares = cases.map(|(board, kerf, pump)| (thought(fraction, board, kerf, pump) - mid).powi(2));
            (squares.iter().sum::<f64>() + spread.gauge.pascals().powi(2)).sqrt()
        };
        Expected {
            low: Vacuum::from_pascals(mid - apart(spread.board, spread.kerf, 1.0 / spread.pump)),
            mid: Vacuum::from_pascals(mid),
            high: Vacuum::from_pascals(mid + apart(1.0 / spread.board, 1.0 / spread.kerf, spread.pump)),
            weakest: None,
            smallest_visible_leak: FreeAirFlow::from_m3_per_h(8.0),
            flow: FreeAirFlow::from_m3_per_h(40.0),
        }
    };
    Course {
        open: ZoneSet::first(1),
        points: points.map(|fraction| (fraction, expected(fraction))).collect(),
        sealed: Vacuum::from_pascals(job.ends.0),
        bare: Vacuum::from_pascals(0.3 * job.ends.0),
    }
}

fn outlines(job: &Job, course: &Course) -> Vec<Vacuum> {
    let parts = job.parts as f64;
    let mid = |part: f64| course.at(Progress::from_fraction(part / parts)).unwrap().mid;
    let lowers = |part: f64| mid(part) - mid(part + 1.0);
    (0..job.parts)
        .map(|part| part as f64)
        .map(|part| lowers(part - 1.0).max(lowers(part)).max(lowers(part + 1.0)))
        .collect()
}
