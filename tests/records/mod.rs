//! Records made by rule from their numbers, so that a journal can be checked without knowing what was sent.

#![allow(dead_code, unreachable_pub, unused_imports, reason = "each test uses its part")]

#[path = "../support/mount.rs"]
mod mount;

use std::io::Write as _;
use std::path::Path;
use std::time::Duration;

use holdwatch::event::{Fact, GapCause, GaugeId, Quality, ReadingRecord, Record, Seq};
use holdwatch::journal::{self, Journal, KeptReading, Opened, Settings, Standing, Where, Window, Write};
use holdwatch::moment::{BootId, Moment, Span, Steady, Utc};
use holdwatch::units::Vacuum;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

pub use mount::{Mount, command};

/// 2026-03-01T07:30:00Z, computed with the command `date`.
pub const START: i64 = 1_772_350_200_000_000;

/// The calendar time so many microseconds after the start.
pub fn utc(micros: i64) -> Utc {
    Utc::from_micros(START + micros)
}

/// All of time.
pub const ALWAYS: Window = Window { from: Utc::from_micros(i64::MIN), to: Utc::from_micros(i64::MAX) };

/// The moment so many milliseconds after the start of boot 7.
pub fn at_millis(millis: u64) -> Moment {
    Moment {
        boot: BootId(7),
        steady: Steady::from_nanos(5_000_000_000_123 + millis * 1_000_000),
        civil: Some(utc(i64::try_from(millis).unwrap() * 1000)),
        synced: false,
    }
}

/// The moment of the record of a number: ten a second, never quite evenly.
pub fn moment_of(seq: u64) -> Moment {
    let wobble = seq.wrapping_mul(2_654_435_761) % 1000;
    let even = at_millis(seq * 100);
    let steady = even.steady.plus(Span::from_nanos(wobble * 997));
    let civil = even.civil.map(|civil| Utc::from_micros(civil.micros() + i64::try_from(wobble * 997 / 1000).unwrap()));
    Moment { steady, civil, ..even }
}

/// The reading of a number, in whole hundredths of a pascal.
pub fn reading_of(seq: u64) -> ReadingRecord {
    let noise = seq.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 50;
    let pascals = |hundredths: u64| Vacuum::from_pascals(hundredths as f64 / 100.0);
    let quality = match seq % 97 {
        0 => Quality::Failure,
        1 => Quality::MaintenanceRequired,
        _ => Quality::Good,
    };
    let band = (seq % 50 > 4).then(|| (pascals(5_200_000 + seq / 7), pascals(5_600_000 + seq / 7)));
    ReadingRecord { gauge: GaugeId(0), vacuum: pascals(5_400_000 + noise), quality, band }
}

/// The record of a number: every 25th an entry, the others readings.
pub fn record(seq: u64) -> Record {
    let fact = match seq % 25 {
        0 => Fact::Entry { kind: "verdict".to_owned(), version: 3, body: format!("{{\"seq\":{seq}}}") },
        _ => Fact::Reading(reading_of(seq)),
    };
    Record { seq: Seq(seq), at: moment_of(seq), fact }
}

/// A reading of gauge 0.
pub fn reading(seq: u64, at: Moment, pascals: f64) -> Record {
    let vacuum = Vacuum::from_pascals(pascals);
    let reading = ReadingRecord { gauge: GaugeId(0), vacuum, quality: Quality::Good, band: None };
    Record { seq: Seq(seq), at, fact: Fact::Reading(reading) }
}

/// An entry.
pub fn entry(seq: u64, at: Moment, kind: &str, body: &str) -> Record {
    let fact = Fact::Entry { kind: kind.to_owned(), version: 1, body: body.to_owned() };
    Record { seq: Seq(seq), at, fact }
}

/// A journal that is being written.
pub struct Running {
    pub journal: Journal,
    pub opened: Opened,
    pub inbox: mpsc::Sender<Write>,
    pub standing: watch::Receiver<Standing>,
    writer: JoinHandle<()>,
}

/// Opens a journal and runs its writer.
pub async fn run(place: &Where, settings: Settings, at: Moment) -> Running {
    let (journal, writer, opened) = journal::open(place, settings, at).await.unwrap();
    let (inbox, outlet) = mpsc::channel(256);
    let (told, standing) = watch::channel(Standing::default());
    let writer = tokio::spawn(writer.run(outlet, told));
    Running { journal, opened, inbox, standing, writer }
}

impl Running {
    pub async fn send(&self, write: Write) {
        self.inbox.send(write).await.unwrap();
    }

    pub async fn keep(&self, record: Record) {
        self.send(Write::Record(record)).await;
    }

    /// Waits until everything up to a number is on disk.
    pub async fn stored(&mut self, seq: u64) {
        self.send(Write::Flush).await;
        self.standing.wait_for(|s| s.stored >= Seq(seq)).await.unwrap();
    }

    /// Ends in order: the readers first, so that the writer, being the last, moves the log into the file.
    pub async fn close(self) {
        self.journal.close().await;
        self.inbox.send(Write::Close).await.unwrap();
        self.writer.await.unwrap();
    }
}

/// Commits as often as it can be told apart.
pub fn brisk() -> Settings {
    Settings { commit_every: Duration::from_millis(20), ..Settings::default() }
}

/// All readings there are.
pub async fn all_readings(journal: &Journal) -> Vec<KeptReading> {
    let mut readings = journal.readings(None, ALWAYS).await.unwrap();
    let mut all = Vec::new();
    while let Some(page) = readings.next().await.unwrap() {
        all.extend(page);
    }
    all
}

/// Checks that the records 1 to some number are there, each once, in order and as they were sent; that number.
pub async fn check_history(journal: &Journal) -> u64 {
    let mut found: Vec<Record> = all_readings(journal)
        .await
        .into_iter()
        .map(|kept| Record { seq: kept.seq, at: kept.at, fact: Fact::Reading(kept.reading) })
        .collect();
    assert!(found.is_sorted_by_key(|record| record.seq), "the readings are not in order");
    let entries = journal.entries(None, ALWAYS, 100_000).await.unwrap();
    assert!(entries.is_sorted_by_key(|entry| entry.seq), "the entries are not in order");
    found.extend(entries.into_iter().map(|kept| {
        let fact = Fact::Entry { kind: kept.kind, version: kept.version, body: kept.body };
        Record { seq: kept.seq, at: kept.at, fact }
    }));
    found.sort_by_key(|record| record.seq);
    for (record_found, seq) in found.iter().zip(1..) {
        assert_eq!(*record_found, record(seq));
    }
    found.len() as u64
}

/// How many gaps of a cause there are.
pub async fn gaps_of(journal: &Journal, cause: GapCause) -> usize {
    journal.gaps(ALWAYS, 100_000).await.unwrap().iter().filter(|gap| gap.cause == cause).count()
}

/// Names the place that a writer process writes to.
pub const WRITE_TO: &str = "HOLDWATCH_TEST_WRITES_TO";

/// Goes on writing records where the journal ends, ten at each step of a hundredth of a second, and prints each number that
/// is on disk; it ends only by being killed.
pub async fn write_for_ever(place: Where) {
    let after = at_millis(0);
    let mut running = run(&place, brisk(), after).await;
    let mut next = running.opened.last.map_or(0, |last| last.seq.0) + 1;
    let mut told = running.standing.clone();
    loop {
        for _ in 0..10 {
            running.keep(record(next)).await;
            running.send(Write::BlackBox(next.to_le_bytes().to_vec())).await;
            next += 1;
        }
        if let Ok(changed) = tokio::time::timeout(Duration::from_millis(10), told.changed()).await {
            changed.unwrap();
            let stored = running.standing.borrow_and_update().stored.0;
            let mut out = std::io::stdout().lock();
            writeln!(out, "stored {stored}").unwrap();
            out.flush().unwrap();
        }
    }
}

/// A writer in a process of its own, and the greatest number that it said was on disk.
pub struct WriterProcess {
    child: std::process::Child,
    stored: std::sync::Arc<std::sync::atomic::AtomicU64>,
    reader: std::thread::JoinHandle<()>,
}

impl WriterProcess {
    /// Starts this test program again as the test `role`, which writes to a place.
    pub fn start(role: &str, place: &str) -> Self {
        use std::io::BufRead as _;
        use std::sync::atomic::{AtomicU64, Ordering};
        let mut child = std::process::Command::new(std::env::current_exe().unwrap())
            .args(["--exact", role, "--nocapture"])
            .env(WRITE_TO, place)
            .stdout(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        let stored = std::sync::Arc::new(AtomicU64::new(0));
        let seen = stored.clone();
        let lines = std::io::BufReader::new(child.stdout.take().unwrap()).lines();
        let reader = std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                if let Some(number) = line.strip_prefix("stored ") {
                    seen.fetch_max(number.parse().unwrap(), Ordering::SeqCst);
                }
            }
        });
        WriterProcess { child, stored, reader }
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    pub fn stored(&self) -> u64 {
        self.stored.load(std::sync::atomic::Ordering::SeqCst)
    }

    /// Waits until the process says that it stored more, until it ends, or for a minute.
    #[expect(clippy::panic, reason = "a test fails by panicking")]
    pub fn wait_for_more_than(&mut self, stored: u64) {
        for _ in 0..60_000 {
            if self.stored() > stored || self.child.try_wait().unwrap().is_some() {
                return;
            }
            std::thread::sleep(Duration::from_millis(1));
        }
        panic!("the writer stored nothing beyond {stored} for a minute");
    }

    /// Kills it as nothing can prevent, and says what it had said.
    pub fn kill(mut self) -> u64 {
        let before = self.stored();
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        self.reader.join().unwrap();
        before
    }
}

/// A number of repetitions: as an environment variable says, or else the quick form.
pub fn repetitions(variable: &str, quick: u64) -> u64 {
    std::env::var(variable).ok().and_then(|text| text.parse().ok()).unwrap_or(quick)
}
