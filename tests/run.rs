//! The whole program on a pseudo-terminal: readings, unplugging, garbage, late replies, the light, kill and restart.
//!
//! The gauge at the other end is a few lines of our own on the server side of Modbus; independent peers speak in
//! `tests/gauges.rs`.

mod support;

use std::sync::atomic::Ordering;
use std::thread;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use support::mount::Mount;
use support::peer::{Peer, table_on};
use support::{Watched, could_not_run, cpu_seconds, memory_kib};

const SECOND: Duration = Duration::from_secs(1);

fn vacuum(view: &Value) -> Option<f64> {
    view["vacuum_pa"].as_f64()
}

fn reads(pascals: f64) -> impl Fn(&Value) -> bool {
    move |view| vacuum(view).is_some_and(|vacuum| (vacuum - pascals).abs() < 1.0)
}

#[test]
fn a_reading_comes_to_the_page_and_the_light_follows_the_word() {
    let folder = tempfile::tempdir().unwrap();
    let (file, link) = table_on(folder.path());
    let peer = Peer::on(&link, 8_400);
    let watched = Watched::run(&file);
    let view = watched.wait_for("a reading", 5 * SECOND, reads(84_000.0));
    assert_eq!(view["source"], "gauge");
    assert_eq!(view["quality"], "good");
    watched.wait_for("TIGHT against a covered table", 10 * SECOND, |view| view["verdict"] == "tight");
    watched.wait_for("the green lamp", 5 * SECOND, |_| peer.coils().get(&2) == Some(&true));
    peer.level.store(0, Ordering::Relaxed);
    watched.wait_for("OFF", 10 * SECOND, |view| view["verdict"] == "off");
    watched.wait_for("the white lamp alone", 5 * SECOND, |_| {
        let coils = peer.coils();
        coils.get(&4) == Some(&true) && coils.get(&2) == Some(&false)
    });
    assert_eq!(watched.stop(), Some(0));
    assert!((0..6).all(|coil| peer.coils().get(&coil) != Some(&true)), "a stopped program leaves the light dark");
}

#[test]
fn a_loss_in_the_middle_of_a_cut_is_red_and_latched_until_seen() {
    let folder = tempfile::tempdir().unwrap();
    let (file, link) = table_on(folder.path());
    let peer = Peer::on(&link, 8_400);
    let watched = Watched::run(&file);
    watched.wait_for("TIGHT", 10 * SECOND, |view| view["verdict"] == "tight");
    assert_eq!(watched.post("/api/v1/teach", &json!({})).0 / 100, 2);
    assert_eq!(watched.post("/api/v1/progress", &json!({"cutting": true})).0 / 100, 2);
    thread::sleep(7 * SECOND);
    peer.level.store(6_000, Ordering::Relaxed);
    watched.wait_for("LOOSE", 5 * SECOND, |view| view["verdict"] == "loose");
    watched.wait_for("the red lamp", 3 * SECOND, |_| peer.coils().get(&0) == Some(&true));
    let alarms = watched.get("/api/v1/alarms").to_string();
    assert!(alarms.contains("sudden-loss"), "{alarms}");
    assert_eq!(watched.post("/api/v1/alarms/sudden-loss/acknowledge", &json!({"by": "bench"})).0 / 100, 2);
    let found = watched.now();
    let state = found["alarms"].as_array().unwrap().iter().find(|alarm| alarm["tag"] == "sudden-loss").unwrap();
    assert_eq!(state["state"], "acknowledged");
}

#[test]
fn an_unplugged_line_is_blind_in_time_and_comes_back_alone_without_spinning() {
    let folder = tempfile::tempdir().unwrap();
    let (file, link) = table_on(folder.path());
    let peer = Peer::on(&link, 8_400);
    let watched = Watched::run(&file);
    watched.wait_for("a reading", 5 * SECOND, reads(84_000.0));
    drop(peer);
    let gone = Instant::now();
    let view = watched.wait_for("BLIND", Duration::from_millis(2_900), |view| view["verdict"] == "blind");
    assert_eq!(vacuum(&view), None, "no number stands where none can be trusted");
    let used = cpu_seconds(watched.pid());
    thread::sleep(3 * SECOND);
    let share = (cpu_seconds(watched.pid()) - used) / 3.0;
    assert!(share < 0.5, "a line that is gone costs {share} of a core; a spin costs a whole one");
    let _again = Peer::on(&link, 7_000);
    watched.wait_for("a reading again", 10 * SECOND, reads(70_000.0));
    assert!(gone.elapsed() < 20 * SECOND);
}

#[test]
fn garbage_at_full_speed_neither_becomes_a_value_nor_grows_the_program() {
    let folder = tempfile::tempdir().unwrap();
    let (file, link) = table_on(folder.path());
    let peer = Peer::on(&link, 8_400);
    let watched = Watched::run(&file);
    watched.wait_for("a reading", 5 * SECOND, reads(84_000.0));
    peer.babble.store(true, Ordering::Relaxed);
    thread::sleep(SECOND);
    let before = memory_kib(watched.pid(), "VmRSS");
    for _ in 0..40 {
        let view = watched.now();
        assert!(vacuum(&view).is_none_or(|vacuum| (vacuum - 84_000.0).abs() < 1.0), "{view:#}");
        thread::sleep(Duration::from_millis(100));
    }
    let grown = memory_kib(watched.pid(), "VmRSS").saturating_sub(before);
    assert!(grown < 8 * 1024, "{grown} KiB grown");
    peer.babble.store(false, Ordering::Relaxed);
    watched.wait_for("a reading again", 10 * SECOND, reads(84_000.0));
}

#[test]
fn a_reply_that_comes_one_request_late_never_stands_for_a_newer_value() {
    let folder = tempfile::tempdir().unwrap();
    let (file, link) = table_on(folder.path());
    let peer = Peer::on(&link, 3_000);
    let watched = Watched::run(&file);
    watched.wait_for("a reading", 5 * SECOND, reads(30_000.0));
    peer.late.store(true, Ordering::Relaxed);
    thread::sleep(3 * SECOND);
    peer.level.store(5_000, Ordering::Relaxed);
    thread::sleep(Duration::from_millis(2_500));
    for _ in 0..30 {
        let view = watched.now();
        assert!(vacuum(&view).is_none_or(|vacuum| (vacuum - 50_000.0).abs() < 1.0), "an old value shows: {view:#}");
        thread::sleep(Duration::from_millis(100));
    }
    peer.late.store(false, Ordering::Relaxed);
    watched.wait_for("the true value", 10 * SECOND, reads(50_000.0));
}

#[test]
fn what_was_acknowledged_as_saved_survives_a_kill() {
    let folder = tempfile::tempdir().unwrap();
    let (file, link) = table_on(folder.path());
    let _peer = Peer::on(&link, 8_400);
    let mut saved = 0;
    for round in 0..3 {
        let watched = Watched::run(&file);
        watched.wait_for("more saved", 10 * SECOND, |view| view["acked"].as_u64().unwrap() > saved + 20);
        saved = watched.now()["acked"].as_u64().unwrap();
        watched.kill();
        let again = Watched::run(&file);
        let after = again.now()["acked"].as_u64().unwrap();
        assert!(after >= saved, "round {round}: {after} after a kill, {saved} were saved");
        again.kill();
    }
    let exported = std::process::Command::new(env!("CARGO_BIN_EXE_holdwatch"))
        .args(["export", folder.path().join("journal.db").to_str().unwrap()])
        .output()
        .unwrap();
    let text = String::from_utf8(exported.stdout).unwrap();
    let numbers: Vec<u64> = text.lines().skip(1).map(|row| row.split(',').next().unwrap().parse().unwrap()).collect();
    assert!(numbers.len() > 40 && numbers.is_sorted_by(|one, next| one < next), "numbers grow, none twice");
}

#[test]
fn a_second_program_on_the_same_journal_says_so_and_leaves_the_first_alone() {
    let folder = tempfile::tempdir().unwrap();
    let (file, link) = table_on(folder.path());
    let _peer = Peer::on(&link, 8_400);
    let watched = Watched::run(&file);
    watched.wait_for("a reading", 5 * SECOND, reads(84_000.0));
    let second = std::process::Command::new(env!("CARGO_BIN_EXE_holdwatch"))
        .args(["run", "--setup", file.to_str().unwrap()])
        .output()
        .unwrap();
    assert_eq!(second.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&second.stderr).contains("in use by another"), "{second:?}");
    watched.wait_for("readings still", 3 * SECOND, reads(84_000.0));
}

#[test]
fn a_disk_that_hangs_is_said_and_holds_up_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let Some(mount) = Mount::new(folder.path(), 64) else {
        return could_not_run("a disk that hangs", "no file system can be mounted from a file here");
    };
    let (file, link) = table_on(&mount.folder);
    let peer = Peer::on(&link, 8_400);
    let watched = Watched::run(&file);
    watched.wait_for("a reading", 5 * SECOND, reads(84_000.0));
    let frozen = mount.freeze().unwrap();
    let says_so = |view: &Value| view["degraded"].to_string().contains("not-saving");
    watched.wait_for("not saving", 20 * SECOND, says_so);
    peer.level.store(7_000, Ordering::Relaxed);
    watched.wait_for("the next reading", SECOND, reads(70_000.0));
    let saved = watched.now()["acked"].as_u64().unwrap();
    drop(frozen);
    let view = watched.wait_for("saving again", 10 * SECOND, |view| !says_so(view));
    assert!(view["acked"].as_u64().unwrap() > saved);
    assert_eq!(watched.stop(), Some(0));
}

/// A mount that comes late, or a server that is up after this program: what was learned before is there all the same, and stays.
#[test]
fn a_journal_that_opens_late_still_says_what_was_learned() {
    let folder = tempfile::tempdir().unwrap();
    let (file, link) = table_on(folder.path());
    let text = std::fs::read_to_string(&file).unwrap().replace("\"journal.db\"", "\"store/journal.db\"");
    std::fs::write(&file, text).unwrap();
    let _peer = Peer::on(&link, 8_400);
    let taught = |view: &Value| view["expected"]["basis"] == "taught";
    let watched = Watched::run(&file);
    watched.wait_for("TIGHT", 60 * SECOND, |view| view["verdict"] == "tight");
    assert_eq!(watched.post("/api/v1/teach", &json!({})).0 / 100, 2);
    watched.wait_for("the taught level", 60 * SECOND, taught);
    assert_eq!(watched.stop(), Some(0));
    // A file lies where the folder was.
    let (store, away) = (folder.path().join("store"), folder.path().join("away"));
    std::fs::rename(&store, &away).unwrap();
    std::fs::write(&store, "").unwrap();
    let watched = Watched::run(&file);
    let unknown = |view: &Value| view["degraded"].to_string().contains("memory-unknown");
    watched.wait_for("TIGHT without a memory", 60 * SECOND, |view| unknown(view) && view["verdict"] == "tight");
    std::fs::remove_file(&store).unwrap();
    std::fs::rename(&away, &store).unwrap();
    watched.wait_for("the memory", 60 * SECOND, |view| !unknown(view) && taught(view));
    assert_eq!(watched.post("/api/v1/board/sealed", &json!({})).0 / 100, 2);
    assert_eq!(watched.stop(), Some(0));
    let again = Watched::run(&file);
    again.wait_for("the taught level after the next start", 60 * SECOND, taught);
    assert_eq!(again.stop(), Some(0));
}
