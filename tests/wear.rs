//! What a reading costs the device: bytes that the kernel counts as written by this process.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

mod records;

use holdwatch::event::{Fact, Record, Seq};
use holdwatch::journal::{Settings, Where, Write};
use records::{at_millis, moment_of, reading_of, run};

/// Ten readings and ten pieces of the black box to a commit, as at 10 Hz with a commit a second, long enough for the log to
/// be moved into the file twice. At 600 bytes a reading a day's writing is half a gigabyte.
#[tokio::test]
async fn a_reading_costs_the_device_at_most_600_bytes() {
    const COMMITS: u64 = 10_000;
    const PIECE: [u8; 24] = [0x5a; 24];
    let folder = tempfile::tempdir().unwrap();
    let mut running = run(&Where::Sqlite(folder.path().join("journal.db")), Settings::default(), at_millis(0)).await;
    let before = written();
    let mut seq = 0;
    for _ in 0..COMMITS {
        for _ in 0..10 {
            seq += 1;
            running.keep(Record { seq: Seq(seq), at: moment_of(seq), fact: Fact::Reading(reading_of(seq)) }).await;
            running.send(Write::BlackBox(PIECE.to_vec())).await;
        }
        running.stored(seq).await;
    }
    let each = (written() - before) / seq;
    println!("{each} bytes to the device for each reading");
    running.close().await;
    if each == 0 {
        println!("left out: the temporary folder is not on a device");
    }
    assert!(each <= 600, "{each}");
}

/// Bytes that this process caused to be sent to the device (proc(5), `/proc/PID/io`, `write_bytes`).
fn written() -> u64 {
    let io = std::fs::read_to_string("/proc/self/io").unwrap();
    io.lines().find_map(|line| line.strip_prefix("write_bytes: ")).unwrap().parse().unwrap()
}
