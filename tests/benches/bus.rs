//! Eight gauges, each asked ten times a second, on one line at the speed of the line: how many readings each gets, how late they are
//! asked for, and what the program takes for it.
//!
//! `cargo bench --bench bus`; it takes about four minutes. A pseudo-terminal carries bytes at once whatever its speed, so the units at
//! its end wait for as long as the request would take, keep the silence, think, and hand out the reply byte by byte at the line's pace.
#![allow(clippy::unwrap_used, clippy::print_stdout, missing_docs, reason = "a bench says what it found, or panics")]

#[path = "../support/mod.rs"]
mod support;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::{self, sleep};
use std::time::{Duration, Instant};

use holdwatch::gauge::exchange_time;
use holdwatch::line::{DataBits, LineSettings, Parity, Protocol, StopBits};
use holdwatch::modbus::{Reply, Request, RequestReceiver, silent_interval};
use holdwatch::moment::Span;
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use support::{Pty, Watched, cpu_seconds, free_page, memory_kib};

const GAUGES: u8 = 8;
const EVERY: Duration = Duration::from_millis(100);
const MEASURED: Duration = Duration::from_secs(30);

fn main() {
    for (baud, parity, thinks_ms) in [
        (19_200, Parity::Even, 0),
        (19_200, Parity::None, 2),
        (38_400, Parity::Even, 2),
        (57_600, Parity::Even, 2),
        (115_200, Parity::Even, 2),
        (115_200, Parity::Even, 5),
    ] {
        measure(&line(baud, parity), Duration::from_millis(thinks_ms));
    }
}

fn line(baud: u32, parity: Parity) -> LineSettings {
    LineSettings {
        name: "vacuum".to_owned(),
        port: String::new(),
        baud,
        data_bits: DataBits::Eight,
        parity,
        stop_bits: StopBits::One,
        protocol: Protocol::ModbusRtu,
        reply_limit: Span::from_millis(300),
    }
}

/// When each unit was asked for a reading.
type Asked = Arc<Mutex<BTreeMap<u8, Vec<Instant>>>>;

fn measure(line: &LineSettings, thinks: Duration) {
    let exchange = exchange_time(line, &Request::ReadInput { address: 0, count: 1 }).secs_f64();
    let share = exchange * f64::from(GAUGES) / EVERY.as_secs_f64();
    let (baud, parity) = (line.baud, line.parity);
    println!("{baud} bit/s, parity {parity:?}, units that think for {} ms", thinks.as_millis());
    println!(
        "  an exchange takes          {:.2} ms of the line, all of them {:.0} % of it",
        exchange * 1e3,
        share * 100.0
    );
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("line");
    let (pty, asked, stop) = (Pty::new(&link), Asked::default(), Arc::new(AtomicBool::new(false)));
    let units = {
        let (line, asked, stop) = (line.clone(), Arc::clone(&asked), Arc::clone(&stop));
        thread::spawn(move || serve(&pty, &line, thinks, &asked, &stop))
    };
    if share <= 1.0 {
        let watched = Watched::run(&setup(folder.path(), &link, line));
        watched.wait_for("a word", Duration::from_secs(20), |view| view["verdict"] != "blind");
        sleep(Duration::from_secs(5));
        asked.lock().unwrap().clear();
        let (began, cpu) = (Instant::now(), cpu_seconds(watched.pid()));
        let before = watched.now()["lines"][0].clone();
        sleep(MEASURED);
        let span = began.elapsed().as_secs_f64();
        let used = cpu_seconds(watched.pid()) - cpu;
        let after = watched.now()["lines"][0].clone();
        report(&asked.lock().unwrap(), span);
        for what in ["answers", "no_replies", "bad_checks", "foreign"] {
            let grown = after[what].as_u64().unwrap() - before[what].as_u64().unwrap();
            println!("  {what:26} {:.2} a second", grown as f64 / span);
        }
        println!("  processor                  {:.2} % of a core", 100.0 * used / span);
        println!("  memory, resident           {:.1} MiB", memory_kib(watched.pid(), "VmRSS") as f64 / 1024.0);
        watched.stop();
    } else {
        println!("  cannot be done: the setup is refused");
    }
    stop.store(true, Ordering::Relaxed);
    units.join().unwrap();
}

/// Readings a second, and how late each poll was.
fn report(asked: &BTreeMap<u8, Vec<Instant>>, span: f64) {
    let rates = || asked.values().map(|times| times.len() as f64 / span);
    let (least, most) = (rates().fold(f64::MAX, f64::min), rates().fold(0.0, f64::max));
    println!("  readings of each gauge     {least:.2} to {most:.2} a second");
    let mut late: Vec<f64> = asked.values().flat_map(|times| lateness(times)).collect();
    println!("  a poll comes late by       {}", shares(&mut late));
}

/// Milliseconds by which each poll comes later after the one before than it should.
fn lateness(times: &[Instant]) -> impl Iterator<Item = f64> {
    times.windows(2).map(|pair| 1e3 * pair[1].duration_since(pair[0]).saturating_sub(EVERY).as_secs_f64())
}

fn shares(values: &mut [f64]) -> String {
    values.sort_by(f64::total_cmp);
    let at = |share: f64| values[((values.len() - 1) as f64 * share).round() as usize];
    format!("median {:.1} ms, 99 % within {:.1} ms, longest {:.1} ms", at(0.5), at(0.99), at(1.0))
}

/// Units 1 to 8 at the line's speed, until stopped.
fn serve(pty: &Pty, line: &LineSettings, thinks: Duration, asked: &Asked, stop: &AtomicBool) {
    let of = |span: Span| Duration::from_nanos(span.nanos());
    let (character, silence) = (of(line.characters(1.0)), of(silent_interval(line)));
    let (mut device, mut receiver) = (pty.device(), RequestReceiver::default());
    while !stop.load(Ordering::Relaxed) {
        let wait = Timespec { tv_sec: 0, tv_nsec: 20_000_000 };
        if poll(&mut [PollFd::new(&pty.near, PollFlags::IN)], Some(&wait)).unwrap() == 0 {
            continue;
        }
        let came = Instant::now();
        let mut bytes = [0; 256];
        let Ok(count) = device.read(&mut bytes) else { continue };
        receiver.push(&bytes[..count]);
        while let Some(request) = receiver.next() {
            if !(1..=GAUGES).contains(&request.unit) {
                continue;
            }
            let reply = match &request.request {
                Ok(Request::ReadInput { .. }) => {
                    asked.lock().unwrap().entry(request.unit).or_default().push(came);
                    Reply::Registers(vec![6_000 + u16::from(request.unit)])
                }
                Ok(_) => Reply::Done,
                Err(code) => Reply::Exception(*code),
            };
            let starts = came + character * u32::try_from(count).unwrap() + silence + thinks;
            send_paced(&mut device, &request.reply(&reply), starts, character);
        }
    }
}

/// Hands each byte over at the end of its time on the line; those whose time has come together.
fn send_paced(device: &mut std::fs::File, frame: &[u8], starts: Instant, character: Duration) {
    let mut sent = 0;
    while sent < frame.len() {
        let next = starts + character * u32::try_from(sent + 1).unwrap();
        sleep(next.saturating_duration_since(Instant::now()));
        let through = Instant::now().saturating_duration_since(starts).as_nanos() / character.as_nanos();
        let due = usize::try_from(through).unwrap().clamp(sent + 1, frame.len());
        device.write_all(&frame[sent..due]).unwrap();
        sent = due;
    }
}

/// Eight gauges on one line: one that the table is judged by, one behind the filter, the zones' own.
fn setup(folder: &Path, link: &Path, line: &LineSettings) -> PathBuf {
    let text = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("config/demo.toml")).unwrap();
    let head = text.split("[[line]]").next().unwrap();
    let mut text = format!(
        "{head}\n[page]\nlisten = \"{}\"\n[journal]\npath = \"journal.db\"\n[[line]]\nname = \"vacuum\"\nport = \"{}\"\n\
         protocol = \"modbus-rtu\"\nbaud = {}\nparity = \"{}\"\n",
        free_page(),
        link.display(),
        line.baud,
        format!("{:?}", line.parity).to_lowercase()
    );
    for unit in 1..=GAUGES {
        let place = match unit {
            1 => "place = \"before-filter\"".to_owned(),
            2 => "place = \"after-filter\"".to_owned(),
            _ => format!("place = \"zone\"\nzone = \"{}\"", unit - 2),
        };
        let _ = write!(
            text,
            "[[gauge]]\nname = \"gauge {unit}\"\nline = \"vacuum\"\n{place}\nunit_id = {unit}\ntable = \"input\"\nregister = 0\n\
             kind = \"i16\"\nscale = 0.1\nunit = \"mbar\"\ncounts = \"vacuum\"\nrange = [0, 1000]\nevery_ms = 100\n"
        );
    }
    let file = folder.join("table.toml");
    std::fs::write(&file, text).unwrap();
    file
}
