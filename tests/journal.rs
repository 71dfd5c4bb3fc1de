//! What the journal keeps and how it is looked into, with SQLite.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking and says what it leaves out")]

mod records;

use std::path::{Path, PathBuf};

use holdwatch::event::{Fact, GapCause, GaugeId, Quality, ReadingRecord, Record, Seq};
use holdwatch::journal::{
    self, Bucket, Check, Journal, JournalError, Keep, Limits, Played, Settings, Where, Window, Write,
};
use holdwatch::moment::{BootId, Moment, Span, Steady, Utc};
use holdwatch::units::Vacuum;
use records::{
    ALWAYS, Running, all_readings, at_millis, brisk, check_history, command, entry, gaps_of, reading, record, run, utc,
};

const HOUR: i64 = 3_600_000_000;

fn place(folder: &tempfile::TempDir) -> (PathBuf, Where) {
    let path = folder.path().join("journal.db");
    (path.clone(), Where::Sqlite(path))
}

async fn fresh(folder: &tempfile::TempDir) -> Running {
    run(&place(folder).1, brisk(), at_millis(0)).await
}

fn window(from: i64, to: i64) -> Window {
    Window { from: utc(from), to: utc(to) }
}

fn files(path: &Path) -> Vec<u8> {
    std::fs::read(path).unwrap()
}

#[tokio::test]
async fn what_was_written_is_found_after_an_orderly_end_and_the_pause_is_a_gap() {
    let folder = tempfile::tempdir().unwrap();
    let mut running = fresh(&folder).await;
    assert_eq!(running.opened.last, None);
    for seq in 1..=3000 {
        running.keep(record(seq)).await;
    }
    running.stored(3000).await;
    running.close().await;

    let again = run(&place(&folder).1, brisk(), at_millis(400_000)).await;
    let last = again.opened.last.unwrap();
    assert_eq!((last.seq, last.at), (Seq(3000), records::moment_of(3000)));
    assert_eq!(again.opened.check, Check::Sound);
    assert_eq!(check_history(&again.journal).await, 3000);
    let gaps = again.journal.gaps(ALWAYS, 10).await.unwrap();
    assert_eq!(gaps.len(), 1);
    assert_eq!((gaps[0].cause, gaps[0].gauge), (GapCause::NotRunning, None));
    assert_eq!((gaps[0].from, gaps[0].to), (last.at.civil, at_millis(400_000).civil));
    again.close().await;
}

/// Two gauges, an hour and a half at one reading a second; the truth is reckoned here from the readings themselves.
#[tokio::test]
async fn the_lowest_and_the_highest_level_are_the_same_at_every_zoom() {
    let folder = tempfile::tempdir().unwrap();
    let mut running = fresh(&folder).await;
    let level = |second: u64, gauge: u64| 50_000.0 + (second * 7919 % 1013) as f64 + 1000.0 * gauge as f64;
    let mut seq = 0;
    let skipped = 1800..2400;
    for second in (0..5400).filter(|second| !skipped.contains(second)) {
        for gauge in 0..2 {
            seq += 1;
            let pascals = level(second, gauge) - if second == 3333 { 20_000.0 } else { 0.0 };
            let mut record = reading(seq, at_millis(second * 1000 + gauge), pascals);
            if let Fact::Reading(reading) = &mut record.fact {
                reading.gauge = GaugeId(gauge as u16);
                reading.quality = if second == 4000 { Quality::OutOfSpecification } else { Quality::Good };
            }
            running.keep(record).await;
        }
    }
    running.stored(seq).await;
    for points in [1, 3, 90, 200, 1000, 5400] {
        let buckets = running.journal.history(GaugeId(0), window(0, 5_400_000_000), points).await.unwrap();
        assert_eq!(buckets.iter().map(|b| b.count).sum::<u64>(), 4800, "{points} points");
        let lowest = buckets.iter().map(|b| b.min.pascals()).fold(f64::MAX, f64::min);
        assert_eq!(lowest.to_bits(), (level(3333, 0) - 20_000.0).to_bits(), "{points} points");
        for bucket in &buckets {
            check_bucket(bucket, |second| level(second, 0) - if second == 3333 { 20_000.0 } else { 0.0 });
        }
        assert!(points == 1 || buckets.len() <= points as usize + 1);
    }
    let fine = running.journal.history(GaugeId(0), window(0, 5_400_000_000), 5400).await.unwrap();
    assert!(fine.iter().all(|b| b.window.to <= utc(1_800_000_000) || b.window.from >= utc(2_400_000_000)));
    assert!(running.journal.history(GaugeId(9), ALWAYS, 100).await.unwrap().is_empty());
    running.close().await;
}

/// Reckons a bucket anew, one reading a second without those of the minutes 30 to 39.
fn check_bucket(bucket: &Bucket, level: impl Fn(u64) -> f64) {
    let second = |time: Utc| ((time.micros() - records::START).max(0) as u64).div_ceil(1_000_000);
    let seconds = second(bucket.window.from)..second(bucket.window.to).min(5400);
    let levels: Vec<f64> = seconds.clone().filter(|s| !(1800..2400).contains(s)).map(level).collect();
    assert_eq!(bucket.count, levels.len() as u64, "{bucket:?}");
    let mean = levels.iter().sum::<f64>() / levels.len() as f64;
    assert!((bucket.mean.pascals() - mean).abs() < 1e-6, "{bucket:?}: {mean}");
    let close = |found: Vacuum, true_level: f64| (found.pascals() - true_level).abs() < 1e-9;
    assert!(close(bucket.min, levels.iter().copied().fold(f64::MAX, f64::min)));
    assert!(close(bucket.max, levels.iter().copied().fold(f64::MIN, f64::max)));
    let worst = if seconds.contains(&4000) { Quality::OutOfSpecification } else { Quality::Good };
    assert_eq!(bucket.quality, worst);
}

#[tokio::test]
async fn a_restart_in_the_middle_of_a_minute_counts_every_reading_once() {
    let folder = tempfile::tempdir().unwrap();
    for part in 0..9_u64 {
        let mut running = fresh(&folder).await;
        for second in part * 25..(part + 1) * 25 {
            running.keep(reading(second + 1, at_millis(second * 1000), second as f64)).await;
        }
        running.stored((part + 1) * 25).await;
        for points in [1, 2, 225] {
            let buckets = running.journal.history(GaugeId(0), window(0, HOUR), points).await.unwrap();
            assert_eq!(buckets.iter().map(|b| b.count).sum::<u64>(), (part + 1) * 25);
        }
        running.close().await;
    }
}

#[tokio::test]
async fn a_clock_that_is_set_two_hundred_times_loses_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mut running = fresh(&folder).await;
    let steps = [0, -HOUR, 24 * HOUR, -records::START, 4_102_444_800_000_000, i64::MAX / 2];
    for seq in 1..=1000_u64 {
        let shift = steps[(seq / 5) as usize % steps.len()];
        let at = at_millis(seq * 100);
        let civil = (seq % 11 > 0).then(|| Utc::from_micros(at.civil.unwrap().micros().saturating_add(shift)));
        running.keep(reading(seq, Moment { civil, ..at }, seq as f64)).await;
    }
    running.stored(1000).await;
    let dated = (1..=1000).filter(|seq| seq % 11 > 0).count();
    let found = all_readings(&running.journal).await;
    assert_eq!(found.len(), dated);
    assert!(found.is_sorted_by_key(|kept| kept.seq) && found.is_sorted_by_key(|kept| kept.at.steady));
    let buckets = running.journal.history(GaugeId(0), ALWAYS, 1000).await.unwrap();
    assert_eq!(buckets.iter().map(|b| b.count).sum::<u64>(), dated as u64);
    let today = running.journal.history(GaugeId(0), window(0, HOUR), 3600).await.unwrap();
    let undisturbed = (1..=1000_u64).filter(|seq| seq % 11 > 0 && (seq / 5) % 6 == 0).count();
    assert_eq!(today.iter().map(|b| b.count).sum::<u64>(), undisturbed as u64);
    running.close().await;
}

#[tokio::test]
async fn numbers_at_the_ends_of_their_range_come_back_as_they_went() {
    let folder = tempfile::tempdir().unwrap();
    let mut running = fresh(&folder).await;
    let levels = [0.0, -0.01, f64::MAX, f64::MIN, f64::INFINITY, 1e10, -1e10, 101_325.0];
    let moments = [(0, i64::MIN), (u64::MAX, i64::MAX), (1, 0), (u64::MAX / 2, -1)];
    let mut sent = Vec::new();
    for (number, pascals) in levels.into_iter().enumerate() {
        let (nanos, civil) = moments[number % moments.len()];
        let at = Moment {
            boot: BootId(u64::MAX - (number as u64 / 3)),
            steady: Steady::from_nanos(nanos),
            civil: Some(Utc::from_micros(civil.min(i64::MAX - 1))),
            synced: number % 2 == 0,
        };
        let band = (number % 2 == 1).then(|| (Vacuum::from_pascals(-pascals), Vacuum::from_pascals(pascals)));
        let vacuum = Vacuum::from_pascals(pascals);
        let reading = ReadingRecord { gauge: GaugeId(u16::MAX), vacuum, quality: Quality::Failure, band };
        sent.push((at, reading));
        running.keep(Record { seq: Seq(number as u64 + 1), at, fact: Fact::Reading(reading) }).await;
    }
    running.keep(reading(100, at_millis(1), f64::NAN)).await;
    running
        .keep(entry(i64::MAX as u64, Moment { boot: BootId(u64::MAX), ..at_millis(2) }, "a\0b", "{\"é\":\"\0\"}"))
        .await;
    running.stored(i64::MAX as u64).await;
    let found = all_readings(&running.journal).await;
    let levels_found: Vec<_> = found[..sent.len()].iter().map(|kept| (kept.at, kept.reading)).collect();
    assert_eq!(levels_found, sent);
    assert!(found[sent.len()].reading.vacuum.pascals().is_nan());
    let found = running.journal.last_entry("a\u{fffd}b").await.unwrap().unwrap();
    assert_eq!((found.seq, found.body.as_str()), (Seq(i64::MAX as u64), "{\"é\":\"\u{fffd}\"}"));
    running.journal.history(GaugeId(u16::MAX), ALWAYS, 10).await.unwrap();
    running.close().await;
}

#[tokio::test]
async fn a_number_that_does_not_grow_is_not_kept_twice() {
    let folder = tempfile::tempdir().unwrap();
    let mut running = fresh(&folder).await;
    for seq in [1, 2, 2, 1, 3] {
        running.keep(entry(seq, at_millis(seq), "job", "{}")).await;
    }
    running.stored(3).await;
    assert_eq!(running.journal.entries(None, ALWAYS, 10).await.unwrap().len(), 3);
    running.close().await;
}

#[tokio::test]
async fn entries_and_gaps_are_found_by_kind_and_time() {
    let folder = tempfile::tempdir().unwrap();
    let mut running = fresh(&folder).await;
    for seq in 1..=20 {
        let kind = if seq % 2 == 0 { "alarm" } else { "job" };
        running.keep(entry(seq, at_millis(seq * 1000), kind, "{\"a\":\"ü\"}")).await;
    }
    let from = at_millis(15_000).steady;
    let gap = Fact::Gap { gauge: GaugeId(3), from, cause: GapCause::BadCheck };
    running.keep(Record { seq: Seq(21), at: at_millis(21_000), fact: gap }).await;
    running.stored(21).await;
    let journal = &running.journal;
    let seqs = |entries: Vec<journal::KeptEntry>| entries.iter().map(|e| e.seq.0).collect::<Vec<_>>();
    assert_eq!(seqs(journal.entries(Some("alarm"), ALWAYS, 3).await.unwrap()), [16, 18, 20]);
    let some = window(5_000_000, 9_000_000);
    assert_eq!(seqs(journal.entries(None, some, 100).await.unwrap()), [5, 6, 7, 8]);
    assert_eq!(journal.last_entry("job").await.unwrap().unwrap().seq, Seq(19));
    assert_eq!(journal.last_entry("no such").await.unwrap(), None);
    let touching = journal.gaps(window(20_000_000, 20_000_001), 10).await.unwrap();
    assert_eq!(touching.len(), 1);
    assert_eq!((touching[0].gauge, touching[0].cause), (Some(GaugeId(3)), GapCause::BadCheck));
    assert_eq!((touching[0].from, touching[0].to), (Some(utc(15_000_000)), Some(utc(21_000_000))));
    assert!(journal.gaps(window(0, 15_000_000), 10).await.unwrap().is_empty());
    assert!(journal.gaps(window(22_000_000, 23_000_000), 10).await.unwrap().is_empty());
    running.close().await;
}

async fn played(journal: &Journal, time: Option<Utc>) -> Option<(Vec<u8>, Vec<Played>)> {
    let mut found = journal.black_box(time).await.unwrap()?;
    let mut pieces = Vec::new();
    while let Some(page) = found.next().await.unwrap() {
        pieces.extend(page);
    }
    Some((found.snapshot.bytes, pieces))
}

#[tokio::test]
async fn a_replay_begins_at_the_snapshot_and_misses_no_piece() {
    let folder = tempfile::tempdir().unwrap();
    let running = fresh(&folder).await;
    let piece = |number: u32| number.to_le_bytes().repeat(number as usize % 40);
    for number in 0..5000_u32 {
        running.send(Write::BlackBox(piece(number))).await;
        if number % 1000 == 500 {
            let at = at_millis(u64::from(number) * 10);
            running.send(Write::Snapshot { seq: Seq(0), at, bytes: piece(number) }).await;
        }
    }
    running.close().await;
    let journal = Journal::look(&place(&folder).1).await.unwrap();
    assert!(played(&journal, at_millis(5000).civil).await.is_none());
    assert_eq!(played(&journal, None).await, played(&journal, at_millis(5001).civil).await);
    for number in [500_u32, 1500, 4500] {
        let time = at_millis(u64::from(number) * 10 + 1).civil;
        let (snapshot, found) = played(&journal, time).await.unwrap();
        assert_eq!(snapshot, piece(number));
        let sent: Vec<Played> = (number + 1..5000).map(|number| Played::Piece(piece(number))).collect();
        assert!(found == sent, "after {number} {} pieces are found, not {}", found.len(), sent.len());
    }
}

#[tokio::test]
async fn what_is_too_much_is_dropped_and_stated_and_entries_stay() {
    let folder = tempfile::tempdir().unwrap();
    let limits = Limits { readings: 100, entries: 1000, black_box: 10_000 };
    let settings = Settings { limits, commit_every: std::time::Duration::from_secs(3600), ..Settings::default() };
    let mut running = run(&place(&folder).1, settings, at_millis(0)).await;
    running.send(Write::Snapshot { seq: Seq(0), at: at_millis(0), bytes: vec![1] }).await;
    for seq in 1..=400 {
        running.send(Write::BlackBox(vec![2; 1000])).await;
        let at = at_millis(seq * 100);
        running.keep(if seq % 2 == 0 { entry(seq, at, "alarm", "{}") } else { reading(seq, at, 1.0) }).await;
    }
    running.stored(400).await;
    assert_eq!(running.standing.borrow().dropped, 100);
    running.keep(reading(401, at_millis(40_100), 2.0)).await;
    running.stored(401).await;
    assert_eq!(running.journal.entries(Some("alarm"), ALWAYS, 1000).await.unwrap().len(), 200);
    assert_eq!(all_readings(&running.journal).await.len(), 101);
    let gaps = running.journal.gaps(ALWAYS, 10).await.unwrap();
    assert_eq!(gaps.len(), 1);
    assert_eq!(gaps[0].cause, GapCause::NotSaved);
    assert_eq!((gaps[0].from, gaps[0].to), (at_millis(20_100).civil, at_millis(39_900).civil));
    let (_, found) = played(&running.journal, Some(utc(1))).await.unwrap();
    assert_eq!(found.last(), Some(&Played::Hole));
    assert!(found.len() < 11 && found[..found.len() - 1].iter().all(|p| *p == Played::Piece(vec![2; 1000])));
    running.close().await;
}

#[tokio::test]
async fn what_is_old_is_deleted_and_its_minutes_stay() {
    let folder = tempfile::tempdir().unwrap();
    let keep = Keep { readings: Span::from_secs(600), minutes: Span::from_secs(3600), snapshots: 2, bytes: 1 << 30 };
    let mut running = run(&place(&folder).1, Settings { keep, ..brisk() }, at_millis(0)).await;
    let mut seq = 0;
    for minute in 0..180_u64 {
        for second in 0..60 {
            seq += 1;
            let at = Moment { synced: true, ..at_millis((minute * 60 + second) * 1000) };
            running.keep(reading(seq, at, minute as f64)).await;
        }
        running
            .send(Write::Snapshot { seq: Seq(seq), at: at_millis(minute * 60_000), bytes: vec![minute as u8] })
            .await;
        running.send(Write::BlackBox(vec![minute as u8])).await;
        running.stored(seq).await;
    }
    running.close().await;
    // The sweep comes with the first commit after a start, and goes on with the next ones.
    let mut running = run(&place(&folder).1, Settings { keep, ..brisk() }, at_millis(10_800_000)).await;
    for later in 1..=20 {
        let at = Moment { synced: true, ..at_millis(10_800_000 + later * 1000) };
        running.keep(reading(seq + later, at, 0.0)).await;
        running.stored(seq + later).await;
    }
    let kept = all_readings(&running.journal).await;
    let oldest = kept.first().unwrap().at.civil.unwrap();
    assert!(oldest <= utc(10_800_000_000 - 590_000_000) && oldest >= utc(10_800_000_000 - 720_000_000), "{oldest:?}");
    let hours = running.journal.history(GaugeId(0), window(0, 3 * HOUR), 2).await.unwrap();
    assert_eq!(hours.iter().map(|b| b.count).sum::<u64>(), 10_820, "the hours stay for ever, and are whole");
    let minutes = running.journal.history(GaugeId(0), window(0, 3 * HOUR), 180).await.unwrap();
    assert!((58..=61).contains(&minutes.len()), "{}", minutes.len());
    let raw = running.journal.history(GaugeId(0), window(HOUR * 5 / 2, HOUR * 5 / 2 + 600_000_000), 600).await.unwrap();
    assert_eq!(raw.iter().map(|b| b.count).sum::<u64>(), 600, "minutes stand in for readings that are gone");
    let (snapshot, pieces) = played(&running.journal, Some(utc(11_000_000_000))).await.unwrap();
    assert_eq!((snapshot, pieces.len()), (vec![179], 1));
    assert!(played(&running.journal, Some(utc(177 * 60_000_000))).await.is_none());
    running.close().await;
}

#[tokio::test]
async fn a_second_daemon_on_the_same_journal_is_refused_and_the_first_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let mut running = fresh(&folder).await;
    let refused = journal::open(&place(&folder).1, brisk(), at_millis(0)).await.err().unwrap();
    assert!(matches!(refused, JournalError::InUse(_)));
    assert!(refused.to_string().contains("in use by another daemon"), "{refused}");
    running.keep(entry(1, at_millis(1), "job", "{}")).await;
    running.stored(1).await;
    running.close().await;
}

#[tokio::test]
async fn a_newer_journal_is_refused_and_left_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let (path, place) = place(&folder);
    fresh(&folder).await.close().await;
    // The user version stands at byte 60 (SQLite database file format, section 1.3).
    let mut bytes = files(&path);
    bytes[60..64].copy_from_slice(&99_u32.to_be_bytes());
    std::fs::write(&path, &bytes).unwrap();
    let refused = journal::open(&place, brisk(), at_millis(0)).await.err().unwrap();
    assert!(matches!(refused, JournalError::Newer { found: 99, .. }), "{refused}");
    assert!(refused.to_string().contains("use the newer program"));
    assert!(matches!(Journal::look(&place).await.err().unwrap(), JournalError::Newer { .. }));
    assert!(files(&path) == bytes);
}

#[tokio::test]
async fn what_is_no_journal_is_refused_and_left_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let (path, place) = place(&folder);
    let other = folder.path().join("other.db");
    let made = command(
        "python3",
        &[
            "-c",
            "import sqlite3, sys; c = sqlite3.connect(sys.argv[1]); c.execute('create table t (x)'); c.commit()",
            &other.to_string_lossy(),
        ],
    );
    let text = b"dear diary, nothing held today".to_vec();
    for bytes in [Some(text), made.ok().map(|()| files(&other))].into_iter().flatten() {
        std::fs::write(&path, &bytes).unwrap();
        assert!(matches!(journal::open(&place, brisk(), at_millis(0)).await, Err(JournalError::Stranger(_))));
        assert!(matches!(Journal::look(&place).await, Err(JournalError::Stranger(_))));
        assert!(files(&path) == bytes);
    }
}

#[tokio::test]
async fn a_damaged_journal_is_moved_aside_and_the_newest_copy_takes_its_place() {
    for (copied, spoilt_from) in [(true, 20), (false, 20), (true, 0)] {
        let folder = tempfile::tempdir().unwrap();
        let (path, place) = place(&folder);
        let mut running = fresh(&folder).await;
        for seq in 1..=2000 {
            running.keep(record(seq)).await;
        }
        running.stored(2000).await;
        if copied {
            running.journal.copy().await.unwrap();
        }
        running.keep(record(2001)).await;
        running.stored(2001).await;
        running.close().await;
        let mut bytes = files(&path);
        bytes[spoilt_from * 512..(spoilt_from + 8) * 512].fill(0xA5);
        std::fs::write(&path, &bytes).unwrap();

        let again = run(&place, brisk(), at_millis(300_000)).await;
        let Check::Replaced { aside, restored, .. } = &again.opened.check else { panic!("{:?}", again.opened) };
        assert!(files(aside) == bytes, "the damaged file is kept");
        assert_eq!(*restored, copied);
        assert_eq!(check_history(&again.journal).await, if copied { 2000 } else { 0 });
        assert_eq!(gaps_of(&again.journal, GapCause::NotRunning).await, usize::from(copied));
        again.close().await;
    }
}

#[tokio::test]
async fn a_journal_that_is_taken_away_in_use_is_begun_anew_and_told() {
    let folder = tempfile::tempdir().unwrap();
    let (path, place) = place(&folder);
    let mut running = fresh(&folder).await;
    running.keep(record(1)).await;
    running.stored(1).await;
    for suffix in ["", "-wal", "-shm"] {
        std::fs::remove_file(format!("{}{suffix}", path.display())).unwrap();
    }
    running.send(Write::Flush).await;
    running.standing.wait_for(|standing| standing.trouble.is_some()).await.unwrap();
    running.keep(entry(2, at_millis(200), "job", "{}")).await;
    running.stored(2).await;
    running.close().await;
    let journal = Journal::look(&place).await.unwrap();
    assert_eq!(journal.last_entry("job").await.unwrap().unwrap().seq, Seq(2));
}

#[tokio::test]
async fn a_journal_in_a_place_that_cannot_be_written_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("no folder");
    std::fs::write(&file, "").unwrap();
    let refused = journal::open(&Where::Sqlite(file.join("journal.db")), brisk(), at_millis(0)).await.err().unwrap();
    assert!(refused.to_string().contains("no folder"), "{refused}");
}

/// Something that opens for writing only once somebody reads lies where the ballast is to be: whoever opens it waits, as for a disk that
/// hangs. Everything else in the same thread goes on.
#[tokio::test]
async fn a_disk_that_hangs_holds_up_nobody_else_in_the_same_thread() {
    let folder = tempfile::tempdir().unwrap();
    let (path, place) = place(&folder);
    let ballast = path.with_extension("db.ballast");
    rustix::fs::mknodat(rustix::fs::CWD, &ballast, rustix::fs::FileType::Fifo, rustix::fs::Mode::RWXU, 0).unwrap();
    let (goes_on, told) = std::sync::mpsc::channel();
    let reader = std::thread::spawn(move || {
        // Long enough for the opening to come to where it waits, and far longer for one that holds everybody up to be found out.
        let begun = std::time::Instant::now();
        let mut goes_on = true;
        while goes_on && begun.elapsed() < std::time::Duration::from_secs(3) {
            goes_on = told.recv_timeout(std::time::Duration::from_secs(60)).is_ok();
        }
        std::fs::File::open(&ballast).and_then(|mut pipe| std::io::copy(&mut pipe, &mut std::io::sink())).unwrap();
        goes_on
    });
    let opening = tokio::spawn(async move { journal::open(&place, brisk(), at_millis(0)).await.map(|_| ()) });
    while !opening.is_finished() {
        // The reader has heard enough at some time.
        let _ = goes_on.send(());
        tokio::time::sleep(std::time::Duration::from_millis(10)).await;
    }
    opening.await.unwrap().unwrap();
    assert!(reader.join().unwrap(), "all the rest waited as well");
}
