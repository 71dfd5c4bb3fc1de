//! What the whole program takes and how soon it answers: the daemon on a pseudo-terminal, 10 readings a second, a page open.
//!
//! `cargo bench --bench daemon`; it takes about three minutes. As root, where a file system can be mounted from a file, the
//! journal's disk is also frozen for half a minute.
#![allow(clippy::unwrap_used, clippy::print_stdout, missing_docs, reason = "a bench says what it found, or panics")]

#[path = "../support/mod.rs"]
mod support;

use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::path::Path;
use std::sync::atomic::Ordering;
use std::sync::mpsc;
use std::thread::sleep;
use std::time::{Duration, Instant};

use support::mount::Mount;
use support::peer::{Peer, table_on};
use support::{Watched, cpu_seconds, memory_kib};

const SECOND: Duration = Duration::from_secs(1);

/// A level that holds, and one that no table can have: the word, the colour and the quality follow at once.
const LEVELS: [i32; 2] = [8_400, 12_000];

fn main() {
    let folder = tempfile::tempdir().unwrap();
    start(folder.path());
    resources(folder.path());
    let mount = Mount::new(folder.path(), 64);
    if let Some(mount) = mount {
        latency(&mount.folder, Some(&mount));
    } else {
        latency(folder.path(), None);
    }
}

/// From the start of the process to the first word that is no longer *blind*.
fn start(folder: &Path) {
    let (file, link) = table_on(folder);
    let _peer = Peer::on(&link, LEVELS[0]);
    let mut found: Vec<f64> = Vec::new();
    for _ in 0..10 {
        let begun = Instant::now();
        let watched = Watched::run(&file);
        watched.wait_for("a word", 10 * SECOND, |view| view["verdict"] != "blind");
        found.push(begun.elapsed().as_secs_f64());
        watched.stop();
    }
    found.sort_by(f64::total_cmp);
    println!("start to the first word      median {:.3} s, longest {:.3} s of 10", found[5], found[9]);
    let program = std::fs::metadata(env!("CARGO_BIN_EXE_holdwatch")).unwrap().len();
    println!("the program                  {:.1} MiB", program as f64 / f64::from(1 << 20));
}

/// Memory, processor and bytes to disk over two minutes.
fn resources(folder: &Path) {
    let (file, link) = table_on(folder);
    let _peer = Peer::on(&link, LEVELS[0]);
    let watched = Watched::run(&file);
    let _stream = qualities(&watched.page);
    sleep(10 * SECOND);
    let state = || {
        let taken = watched.now()["newest"].as_f64().unwrap();
        (Instant::now(), cpu_seconds(watched.pid()), written(watched.pid()), taken)
    };
    let (begun, cpu, bytes, records) = state();
    sleep(120 * SECOND);
    let (ended, cpu_after, bytes_after, records_after) = state();
    let span = ended.duration_since(begun).as_secs_f64();
    println!("processor                    {:.2} % of a core", 100.0 * (cpu_after - cpu) / span);
    println!("memory, resident             {:.1} MiB", memory_kib(watched.pid(), "VmRSS") as f64 / 1024.0);
    println!("memory, at the peak          {:.1} MiB", memory_kib(watched.pid(), "VmHWM") as f64 / 1024.0);
    println!("readings                     {:.1} a second", (records_after - records) / span);
    println!("to the device for a reading  {:.0} bytes", (bytes_after - bytes) as f64 / (records_after - records));
}

/// From the last byte of a reading that changes the word to the light's relay and to the page's stream.
fn latency(folder: &Path, mount: Option<&Mount>) {
    let (file, link) = table_on(folder);
    let peer = Peer::on(&link, LEVELS[0]);
    let watched = Watched::run(&file);
    watched.wait_for("a reading", 10 * SECOND, |view| view["quality"] == "good");
    let stream = qualities(&watched.page);
    sleep(2 * SECOND);
    report("disk as usual", &changes(&peer, &stream, 30 * SECOND));
    let Some(mount) = mount else {
        return println!("with a frozen disk: not measured, no file system can be mounted here");
    };
    let frozen = mount.freeze().unwrap();
    let found = changes(&peer, &stream, 30 * SECOND);
    let degraded = watched.now()["degraded"].to_string();
    drop(frozen);
    report("disk frozen for 30 s", &found);
    println!("what the page said meanwhile {degraded}");
    watched.stop();
}

/// Changes the level to and fro for a while; for each change the seconds to the light and to the page.
fn changes(peer: &Peer, stream: &mpsc::Receiver<(String, Instant)>, span: Duration) -> Vec<(f64, f64)> {
    let begun = Instant::now();
    let mut found = Vec::new();
    while begun.elapsed() < span {
        for (level, quality) in [(LEVELS[1], "failure"), (LEVELS[0], "good")] {
            stream.try_iter().for_each(drop);
            peer.level.store(level, Ordering::Relaxed);
            let shown = loop {
                let (seen, at) = stream.recv_timeout(5 * SECOND).unwrap();
                if seen == quality {
                    break at;
                }
            };
            sleep(Duration::from_millis(100));
            let times = peer.times();
            let (answered, at) = times.answered.unwrap();
            assert_eq!(answered, level);
            let lit = times.lit.unwrap().saturating_duration_since(at);
            found.push((lit.as_secs_f64(), shown.duration_since(at).as_secs_f64()));
        }
    }
    found
}

fn report(what: &str, found: &[(f64, f64)]) {
    let of = |pick: fn(&(f64, f64)) -> f64| {
        let mut sorted: Vec<f64> = found.iter().map(pick).collect();
        sorted.sort_by(f64::total_cmp);
        let at = |share: f64| 1e3 * sorted[((sorted.len() - 1) as f64 * share).round() as usize];
        format!("median {:.1} ms, 99 % within {:.1} ms, longest {:.1} ms", at(0.5), at(0.99), at(1.0))
    };
    println!("{what}, {} changes", found.len());
    println!("  byte in to light           {}", of(|found| found.0));
    println!("  byte in to page            {}", of(|found| found.1));
}

/// The stream of the page: the quality in every message, and when it came.
fn qualities(page: &str) -> mpsc::Receiver<(String, Instant)> {
    let address = page.trim_start_matches("http://").to_owned();
    let mut stream = TcpStream::connect(&address).unwrap();
    write!(stream, "GET /api/v1/stream HTTP/1.1\r\nHost: {address}\r\n\r\n").unwrap();
    let (sender, receiver) = mpsc::channel();
    std::thread::spawn(move || {
        for line in BufReader::new(stream).lines().map_while(Result::ok) {
            let at = Instant::now();
            let Some(text) = line.strip_prefix("data: ").or_else(|| line.strip_prefix("data:")) else { continue };
            let view: serde_json::Value = serde_json::from_str(text).unwrap();
            if sender.send((view["quality"].as_str().unwrap().to_owned(), at)).is_err() {
                return;
            }
        }
    });
    receiver
}

/// Bytes that a process caused to be sent to the device.
fn written(pid: u32) -> u64 {
    let io = std::fs::read_to_string(format!("/proc/{pid}/io")).unwrap();
    io.lines().find_map(|line| line.strip_prefix("write_bytes: ")).unwrap().parse().unwrap()
}
