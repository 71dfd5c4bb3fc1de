//! Nothing acknowledged is lost: killed writers, power cuts, full disks, failing disks.
//!
//! `HOLDWATCH_KILLS` and `HOLDWATCH_CUTS` set how often; the quick form is 12 and 8.

#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test fails by panicking and says what it leaves out"
)]

mod records;

use std::time::Duration;

use holdwatch::event::{GapCause, Seq};
use holdwatch::journal::{Check, Journal, Where, Write};
use records::{
    Mount, WRITE_TO, WriterProcess, at_millis, brisk, check_history, entry, gaps_of, reading, record, repetitions, run,
    write_for_ever,
};

/// Started by other tests with a place to write to, it writes there until it is killed; started by itself it checks that
/// what it would write is found again.
#[tokio::test]
async fn a_writer_process() {
    match std::env::var(WRITE_TO) {
        Ok(place) => write_for_ever(Where::from_text(&place)).await,
        Err(_) => {
            let folder = tempfile::tempdir().unwrap();
            let mut running = run(&Where::Sqlite(folder.path().join("journal.db")), brisk(), at_millis(0)).await;
            for seq in 1..=500 {
                running.keep(record(seq)).await;
            }
            running.stored(500).await;
            assert_eq!(check_history(&running.journal).await, 500);
            running.close().await;
        }
    }
}

#[tokio::test]
async fn nothing_stored_is_lost_when_the_process_is_killed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.db");
    let place = Where::Sqlite(path.clone());
    let (kills, mut stored) = (repetitions("HOLDWATCH_KILLS", 12), 0);
    for kill in 1..=kills {
        let mut process = WriterProcess::start("a_writer_process", &path.to_string_lossy());
        process.wait_for_more_than(stored);
        std::thread::sleep(Duration::from_millis(kill * 37 % 101));
        let said = process.kill();
        assert!(said > stored, "the writer stored nothing");
        let journal = Journal::look(&place).await.unwrap();
        let found = check_history(&journal).await;
        assert!(found >= said, "{said} was said to be stored, {found} was found after kill {kill}");
        assert_eq!(gaps_of(&journal, GapCause::NotRunning).await as u64, kill - 1);
        journal.close().await;
        stored = found;
    }
}

#[tokio::test]
async fn nothing_stored_is_lost_in_a_power_cut() {
    let folder = tempfile::tempdir().unwrap();
    let Some(mount) = Mount::new(folder.path(), 64) else { return };
    let path = mount.folder.join("journal.db");
    let place = Where::Sqlite(path.clone());
    let (cuts, mut stored) = (repetitions("HOLDWATCH_CUTS", 8), 0);
    for cut in 1..=cuts {
        let mut process = WriterProcess::start("a_writer_process", &path.to_string_lossy());
        process.wait_for_more_than(stored);
        std::thread::sleep(Duration::from_millis(cut * 53 % 211));
        let said = process.stored();
        if let Err(why) = mount.cut_power() {
            process.kill();
            println!("left out: the power of this file system cannot be cut: {why}");
            return;
        }
        process.kill();
        mount.unmount().unwrap();
        mount.mount().unwrap();
        assert!(said > stored, "the writer stored nothing");
        let running = run(&place, brisk(), at_millis(0)).await;
        assert_eq!(running.opened.check, Check::Sound);
        let found = check_history(&running.journal).await;
        assert!(found >= said, "{said} was said to be stored, {found} was found after cut {cut}");
        assert_eq!(running.opened.last.map(|last| last.seq), Some(Seq(found)));
        running.close().await;
        stored = found;
    }
}

#[tokio::test]
async fn a_full_disk_keeps_entries_states_the_gap_and_ends_by_itself() {
    let folder = tempfile::tempdir().unwrap();
    let Some(mount) = Mount::new(folder.path(), 48) else { return };
    let mut running = run(&Where::Sqlite(mount.folder.join("journal.db")), brisk(), at_millis(0)).await;
    let mut next = 1;
    for _ in 0..100 {
        running.keep(reading(next, at_millis(next * 100), 50_000.0)).await;
        next += 1;
    }
    running.stored(100).await;
    let filler = mount.folder.join("filler");
    let full = fill(&filler);
    assert_eq!(full.raw_os_error(), Some(28), "the disk should have no space left, not: {full}");

    // Large pieces of the black box use up what the log still has, until the disk is really needed.
    while running.standing.borrow().trouble.is_none() {
        running.keep(reading(next, at_millis(next * 100), 51_000.0)).await;
        running.send(Write::BlackBox(vec![7; 100_000])).await;
        running.send(Write::Flush).await;
        next += 1;
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    let during = next;
    for _ in 0..20 {
        running.keep(reading(next, at_millis(next * 100), 52_000.0)).await;
        running.keep(entry(next + 1, at_millis(next * 100 + 1), "alarm", "{}")).await;
        next += 2;
    }
    running.stored(next - 1).await;
    assert_eq!(running.journal.entries(Some("alarm"), records::ALWAYS, 100).await.unwrap().len(), 20);
    assert!(running.standing.borrow().trouble.is_some(), "a full disk is told as long as it lasts");

    std::fs::remove_file(&filler).unwrap();
    running.standing.wait_for(|standing| standing.trouble.is_none()).await.unwrap();
    let after = next;
    running.keep(reading(after, at_millis(after * 100), 53_000.0)).await;
    running.stored(after).await;
    let kept = records::all_readings(&running.journal).await;
    assert_eq!(kept.last().map(|kept| kept.seq), Some(Seq(after)));
    let dropped = running.standing.borrow().dropped;
    assert!(dropped >= 20, "{dropped}");
    assert_eq!(kept.len() as u64 + dropped, after - 20);
    assert!(kept.iter().all(|kept| kept.seq < Seq(during) || kept.seq == Seq(after)));
    let gaps = running.journal.gaps(records::ALWAYS, 10).await.unwrap();
    let [gap] = gaps.as_slice() else { panic!("one gap, not {gaps:?}") };
    assert_eq!(gap.cause, GapCause::NotSaved);
    assert!(gap.from <= at_millis(during * 100).civil && gap.to >= at_millis((next - 2) * 100).civil, "{gap:?}");
    running.close().await;
}

/// Fills a file until there is no space left.
fn fill(path: &std::path::Path) -> std::io::Error {
    let mut file = std::fs::File::create(path).unwrap();
    for size in [1 << 20, 4096] {
        let block = vec![1; size];
        while std::io::Write::write_all(&mut file, &block).is_ok() {}
    }
    std::io::Write::write_all(&mut file, &[1; 4096]).unwrap_err()
}

/// The call that puts a commit on disk fails at the seventh time and from then on, in a writer that is running. The calls are
/// counted for each thread, and so for each connection; the first commit to a new log takes three.
#[tokio::test]
async fn a_failed_flush_is_never_taken_for_a_stored_record() {
    for (times, again) in [("when=7", true), ("when=7+", false)] {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("journal.db");
        let mut process = WriterProcess::start("a_writer_process", &path.to_string_lossy());
        process.wait_for_more_than(0);
        let injected = format!("inject=fdatasync,fsync:error=EIO:{times}");
        let tracer = std::process::Command::new("strace")
            .args([
                "-f",
                "-q",
                "-o",
                "/dev/null",
                "-e",
                "trace=fdatasync,fsync",
                "-e",
                &injected,
                "-p",
                &process.id().to_string(),
            ])
            .spawn();
        let Ok(mut tracer) = tracer else {
            process.kill();
            println!("left out: there is no program to make a system call fail");
            return;
        };
        if again {
            let before = process.stored();
            process.wait_for_more_than(before + 200);
        } else {
            std::thread::sleep(Duration::from_secs(2));
        }
        let said = process.kill();
        tracer.wait().unwrap();
        let journal = Journal::look(&Where::Sqlite(path)).await.unwrap();
        let found = check_history(&journal).await;
        assert!(found >= said, "{said} was said to be stored, {found} was found");
        journal.close().await;
    }
}
