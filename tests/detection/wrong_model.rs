//! A table that opens its kerf otherwise than the expectation has it, leaks more or less, and whose progress is told late or early.
//!
//! The table is one equation: a pump of constant speed draws what a board, a kerf and a leak let through, each by the square
//! law of the flow through a porous layer. With S(p − u) = C(p₀² − p²) the level follows in closed form.

use holdwatch::expectation::Expected;
use holdwatch::job::Progress;
use holdwatch::moment::{Span, Steady};
use holdwatch::units::{FreeAirFlow, Vacuum};
use holdwatch::watch::{Assessment, Basis, Ends, Nearby, Sample, Watch, WatchSettings};

use crate::rig::Chance;

/// Pascals of the room.
const ROOM: f64 = 101_325.0;
/// The least pressure that the pump reaches.
const ULTIMATE: f64 = 3_000.0;
const INTERVAL: f64 = 0.1;
const LAG: f64 = 0.5;

/// What lets air through, in m³/h of the pump's speed for each pascal of p₀² − p².
#[derive(Clone, Copy)]
struct Job {
    /// The pump's speed in m³/h.
    speed: f64,
    /// The level in pascals of vacuum before the cut and after it.
    ends: (f64, f64),
    parts: usize,
    secs: f64,
}

/// Six large parts in two minutes as in the demo, to two hundred small ones.
const JOBS: [Job; 5] = [
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
    fn leak(&self, share: f64) -> f64 {
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
enum Opens {
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
struct Wrong {
    opens: Opens,
    /// How much more all of the board lets through, kerfs included, and how much more kerfs do besides.
    board: f64,
    kerf: f64,
    /// Seconds by which the progress is told late.
    late: f64,
    /// Standard deviation of the gauge's own noise, and of the flow's, which passes through the plenum.
    white: f64,
    flow: f64,
    /// Pascals in a second.
    drift: f64,
}

impl Wrong {
    const NOTHING: Wrong =
        Wrong { opens: Opens::Evenly, board: 1.0, kerf: 1.0, late: 0.0, white: 100.0, flow: 0.0, drift: 0.0 };

    /// One of all.
    fn drawn(chance: &mut Chance) -> Self {
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
type Fault<'a> = &'a dyn Fn(f64) -> Extra;

#[derive(Clone, Copy, Default)]
struct Extra {
    conductance: f64,
    free_air: f64,
    /// The share of the pump's speed that is gone.
    pump_gone: f64,
}

fn none(_: f64) -> Extra {
    Extra::default()
}

/// A table with its watch.
struct Bench {
    job: Job,
    wrong: Wrong,
    watch: Watch,
    chance: Chance,
    /// The share of the whole kerf that each part has opened when it is closed.
    closed: Vec<f64>,
    at: f64,
    level: f64,
    flutter: f64,
}

impl Bench {
    fn new(job: Job, wrong: Wrong, settings: WatchSettings, seed: u64) -> Self {
        let mut chance = Chance::seeded(seed);
        let mut closed = vec![0.0];
        for part in 0..job.parts {
            closed.push(closed[part] + 0.6 + 0.8 * chance.uniform());
        }
        let all = closed[job.parts];
        closed.iter_mut().for_each(|share| *share /= all);
        Bench { job, wrong, watch: Watch::new(settings), chance, closed, at: 0.0, level: 0.0, flutter: 0.0 }
    }

    /// The share of the kerf that is open, when an outline's share opens so.
    fn opened(&self, fraction: f64, opens: Opens) -> f64 {
        let way = fraction.clamp(0.0, 1.0) * self.job.parts as f64;
        let part = (way as usize).min(self.job.parts - 1);
        let quick = (2.0 * self.job.parts as f64 / self.job.secs).min(1.0);
        let (before, after) = (self.closed[part], self.closed[part + 1]);
        before + (after - before) * if fraction >= 1.0 { 1.0 } else { opens.share(way - part as f64, quick) }
    }

    fn thought(&self, fraction: f64, factors: [f64; 3]) -> f64 {
        let [board, kerf, pump] = factors;
        let open = self.opened(fraction, Opens::Evenly);
        level(self.job.speed * pump, self.job.base() + board * kerf * open * self.job.kerf(), 0.0)
    }

    /// What is expected at a fraction of the cut, with a band as of a board whose class alone is known.
    fn expected(&self, fraction: f64) -> Expected {
        let mid = self.thought(fraction, [1.0; 3]);
        let apart = |cases: [[f64; 3]; 3]| {
            let squares = cases.map(|case| (self.thought(fraction, case) - mid).powi(2));
            (squares.iter().sum::<f64>() + 1e6).sqrt()
        };
        let low = apart([[2.0, 1.0, 1.0], [1.0, 1.1, 1.0], [1.0, 1.0, 1.0 / 1.2]]);
        let high = apart([[0.5, 1.0, 1.0], [1.0, 1.0 / 1.1, 1.0], [1.0, 1.0, 1.2]]);
        Expected {
            low: Vacuum::from_pascals(mid - low),
            mid: Vacuum::from_pascals(mid),
            high: Vacuum::from_pascals(mid + high),
            weakest: None,
            smallest_visible_leak: FreeAirFlow::from_m3_per_h(8.0),
            flow: FreeAirFlow::from_m3_per_h(40.0),
        }
    }

    /// One reading, `cut` seconds into the cut.
    fn step(&mut self, cut: f64, pump: bool, extra: Extra) -> Assessment {
        self.at += INTERVAL;
        let Wrong { opens, board, kerf, late, white, flow, drift } = self.wrong;
        let open = self.opened(cut / self.job.secs, opens);
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
        let expected = self.expected(told);
        let mid = |fraction: f64| Vacuum::from_pascals(self.thought(fraction, [1.0; 3]));
        let pace = if told > 0.0 && told < 1.0 { 1.0 / self.job.secs } else { 0.0 };
        let parts = self.job.parts as f64;
        let part = (told * parts).floor();
        let lowers = |part: f64| mid(part / parts) - mid((part + 1.0) / parts);
        let nearby = Nearby {
            levels: Nearby::APART.map(|apart| mid(told + apart * pace)),
            outline: lowers(part - 1.0).max(lowers(part)).max(lowers(part + 1.0)),
        };
        self.watch.assess(&Sample {
            at: Steady::from_nanos((self.at * 1e9).round() as u64),
            live: Some(Vacuum::from_pascals(read)),
            expected: Some(&expected),
            basis: Basis::Job,
            nearby: Some(nearby),
            progress: Some(Progress::from_fraction(told)),
            cutting: Some(cuts),
            ends: Some(Ends {
                sealed: Vacuum::from_pascals(self.job.ends.0),
                bare: Vacuum::from_pascals(0.3 * self.job.ends.0),
            }),
            least_margin: None,
            required_margin: 1.5,
        })
    }

    /// The sheet seats with so much let through besides.
    fn seat(&mut self, secs: f64, fault: Fault<'_>) -> Vec<Assessment> {
        let off = (0..30).map(|_| self.step(-1.0, false, Extra::default())).collect::<Vec<_>>();
        let steps = (secs / INTERVAL) as usize;
        let on = (0..steps).map(|step| step as f64 * INTERVAL - secs);
        off.into_iter().chain(on.map(|cut| self.step(cut.min(-INTERVAL), true, fault(cut)))).collect()
    }

    /// The cut from so many seconds on to so many.
    fn cut(&mut self, from: f64, to: f64, fault: Fault<'_>) -> Vec<Assessment> {
        let steps = ((to - from) / INTERVAL) as usize;
        (0..steps).map(|step| from + step as f64 * INTERVAL).map(|cut| self.step(cut, true, fault(cut))).collect()
    }
}

fn settings() -> WatchSettings {
    WatchSettings { kerf_error: 0.5, ..WatchSettings::default() }
}

fn found(all: &[Assessment]) -> usize {
    let sudden = |a: &Assessment| a.conditions.sudden_loss;
    all.windows(2).filter(|pair| !sudden(&pair[0]) && sudden(&pair[1])).count()
}

#[test]
fn probe() {
    let hours: f64 = std::env::var("HOURS").ok().and_then(|h| h.parse().ok()).unwrap_or(60.0);
    for (place, job) in JOBS.into_iter().enumerate() {
        let (mut alarms, mut lows, mut runs, mut cut, mut seed) = (0, 0, 0, 0.0, 1000 * place as u64);
        let mut by = std::collections::BTreeMap::<String, usize>::new();
        while cut < hours / 5.0 {
            seed += 1;
            let wrong = Wrong::drawn(&mut Chance::seeded(seed));
            let mut bench = Bench::new(job, wrong, settings(), seed);
            bench.seat(12.0, &none);
            let all = bench.cut(0.0, job.secs, &none);
            let n = found(&all);
            let low = all.iter().filter(|a| a.conditions.level_low).count();
            alarms += n;
            lows += usize::from(low > 0);
            runs += 1;
            if low > 0 {
                *by.entry(format!("low {:?} {:.1}", wrong.opens, wrong.board * wrong.kerf)).or_default() += 1;
            }
            cut += job.secs / 3600.0;
            if n > 0 {
                *by.entry(format!("{:?}", wrong.opens)).or_default() += n;
                *by.entry(format!("late {:?}", wrong.late)).or_default() += n;
                *by.entry(format!("factor {:.1}", wrong.board * wrong.kerf)).or_default() += n;
                if alarms < 6 {
                    println!("   {wrong:?}");
                }
            }
        }
        println!("job {} parts {} s: {alarms} in {cut:.1} h, low in {lows} of {runs} {by:?}", job.parts, job.secs);
    }
    // Delays.
    for job in JOBS {
        for (name, fault) in [
            ("9 m3/h", Extra { free_air: 9.0, ..Extra::default() }),
            ("lift 3 kPa", Extra { free_air: job.speed * 3_000.0 / ROOM, ..Extra::default() }),
            ("lift 6 kPa", Extra { free_air: job.speed * 6_000.0 / ROOM, ..Extra::default() }),
            ("pump", Extra { pump_gone: 1.0, ..Extra::default() }),
        ] {
            for known in [true, false] {
                for at in [0.2, 0.5, 0.9] {
                    let mut delays: Vec<f64> = vec![];
                    let mut losses: Vec<f64> = vec![];
                    let (mut early, runs) = (0, 20);
                    for seed in 0..runs {
                        let mut wrong = Wrong::drawn(&mut Chance::seeded(seed + 7));
                        if wrong.flow > 250.0 {
                            wrong.flow = 150.0;
                        }
                        if known {
                            wrong = Wrong { opens: Opens::Evenly, board: 1.0, kerf: 1.1, late: 3.0, ..wrong }
                        }
                        let mut bench = Bench::new(job, wrong, settings(), seed);
                        bench.seat(12.0, &none);
                        let when = job.secs * at;
                        if found(&bench.cut(0.0, when, &none)) > 0 {
                            early += 1;
                            continue;
                        }
                        let before = bench.level;
                        let ramp = |cut: f64| {
                            let share = ((cut - when) / 0.5).clamp(0.0, 1.0);
                            Extra { free_air: fault.free_air * share, pump_gone: fault.pump_gone * share, ..fault }
                        };
                        let all = bench.cut(when, when + 11.0, &ramp);
                        losses.push((before - bench.level) / 1e3);
                        if let Some(n) = all.iter().position(|a| a.conditions.sudden_loss || a.conditions.pump_lost) {
                            delays.push((n + 1) as f64 * INTERVAL);
                        }
                    }
                    delays.sort_by(f64::total_cmp);
                    println!(
                        "{} parts {} s {name} {} at {at}: early {early}, found {} of {runs}, median {:?} worst {:?}; loss {:.1}",
                        job.parts,
                        job.secs,
                        if known { "fair" } else { "wrong" },
                        delays.len(),
                        delays.get(delays.len() / 2),
                        delays.last(),
                        losses.iter().sum::<f64>() / losses.len().max(1) as f64
                    );
                }
            }
        }
        for share in [0.15, 0.33] {
            for (name, from, over, seat) in [
                ("standing", -100.0, 1.0, 12.0),
                ("grows before", -70.0, 50.0, 80.0),
                ("grows into", -25.0, 50.0, 40.0),
                ("grows 50 s", 0.2 * job.secs, 50.0, 12.0),
                ("grows 100 s", 0.2 * job.secs, 100.0, 12.0),
                ("grows 300 s", 0.2 * job.secs, 300.0, 12.0),
            ] {
                let (mut loose, mut weak, mut first) = (0, 0, vec![]);
                for seed in 0..10 {
                    let wrong = Wrong {
                        opens: Opens::Evenly,
                        board: 1.0,
                        kerf: 1.1,
                        late: 3.0,
                        ..Wrong::drawn(&mut Chance::seeded(seed + 7))
                    };
                    let mut bench = Bench::new(job, wrong, settings(), seed);
                    let fault = |cut: f64| Extra {
                        conductance: job.leak(share) * ((cut - from) / over).clamp(0.0, 1.0),
                        ..Extra::default()
                    };
                    bench.seat(seat, &fault);
                    let all = bench.cut(0.0, job.secs * 0.9, &fault);
                    loose += usize::from(found(&all) > 0);
                    if let Some(n) = all.iter().position(|a| a.conditions.sudden_loss) {
                        first.push((n as f64 * INTERVAL) as i64);
                    }
                    weak += usize::from(all.last().is_some_and(|a| a.conditions.level_low));
                }
                println!(
                    "{} parts {} s slow leak {share} {name}: loose {loose} weak {weak} of 10 {first:?}",
                    job.parts, job.secs
                );
            }
        }
    }
}

#[test]
fn trace_leak() {
    if std::env::var("TRACE").is_err() {
        return;
    }
    let job = JOBS[3];
    for seed in 0..10 {
        let wrong = Wrong {
            opens: Opens::Evenly,
            board: 1.0,
            kerf: 1.1,
            late: 3.0,
            ..Wrong::drawn(&mut Chance::seeded(seed + 7))
        };
        println!("seed {seed} {wrong:?}");
        let mut bench = Bench::new(job, wrong, settings(), seed);
        let fault = |cut: f64| Extra {
            conductance: job.leak(0.33) * ((cut - 300.0) / 300.0).clamp(0.0, 1.0),
            ..Extra::default()
        };
        bench.seat(12.0, &fault);
        let all = bench.cut(0.0, job.secs * 0.9, &fault);
        if found(&all) > 0 {
            break;
        }
    }
}
#[test]
fn trace_noise() {
    if std::env::var("TRACE").is_err() {
        return;
    }
    let job = JOBS[2];
    for (white, flow) in [(100.0, 0.0), (300.0, 0.0), (30.0, 100.0), (30.0, 300.0), (100.0, 200.0)] {
        let wrong = Wrong { kerf: 1.1, late: 3.0, white, flow, ..Wrong::NOTHING };
        println!("noise {white} {flow}");
        let mut bench = Bench::new(job, wrong, settings(), 3);
        bench.seat(12.0, &none);
        bench.cut(0.0, 300.0, &none);
        println!("LOSS");
        let mut all = bench.cut(300.0, 310.0, &|cut| Extra {
            free_air: 9.0 * ((cut - 300.0) / 0.5).clamp(0.0, 1.0),
            ..Extra::default()
        });
        println!("found {} {:?}", found(&all), all.iter().position(|a| a.conditions.sudden_loss));
    }
}
