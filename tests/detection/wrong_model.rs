//! The watch against tables that are not as the model has them.

use holdwatch::expectation::Spread;
use holdwatch::watch::Assessment;

use crate::kerf_table::{BY_LABEL, Bench, Extra, INTERVAL, JOBS, Job, Opens, ROOM, Wrong, none};
use crate::rig::Chance;

fn sudden(a: &Assessment) -> bool {
    a.conditions.sudden_loss || a.conditions.pump_lost
}

/// How often a loss was found anew.
fn found(all: &[Assessment]) -> usize {
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
            let mut bench = Bench::new(job, wrong, BY_LABEL, seed);
            bench.seat(12.0, &none);
            let all = bench.cut(0.0, job.secs, &none);
            let n = found(&all);
            let low = all.iter().filter(|a| a.conditions.level_low).count();
            alarms += n;
            lows += usize::from(low > 0);
            runs += 1;
            cut += job.secs / 3600.0;
            if n > 0 {
                *by.entry(format!("{:?} {:.1}", wrong.opens, wrong.board * wrong.kerf)).or_default() += n;
            }
            if low > 0 {
                *by.entry(format!("low {:?} {:.1}", wrong.opens, wrong.board * wrong.kerf)).or_default() += 1;
            }
        }
        println!("job {} parts {} s: {alarms} in {cut:.1} h, low in {lows} of {runs} {by:?}", job.parts, job.secs);
    }
}
