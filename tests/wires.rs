//! Wires: contacts and lights on the modem-control lines of a port and on a chip's lines, in made time; and the whole program where a device
//! has none.
//!
//! A pseudo-terminal has no modem-control lines and answers ENOTTY to whoever asks for them (tty_ioctl(4): TIOCMGET is the driver's), so
//! that a real port's are not tried here, nor a real chip's.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by a panic")]

#[path = "support/bench.rs"]
#[allow(dead_code, reason = "another test uses the rest of it")]
mod bench;
mod support;

use std::io::{Read, Write};
use std::net::TcpListener;
use std::path::Path;
use std::sync::mpsc;
use std::time::Duration;

use bench::Bench;
use holdwatch::alarm::State;
use holdwatch::event::{Action, Answer, Command, Event, LineCause, ProgressTold, Tag, WiresId};
use holdwatch::view::{CuttingKnown, Verdict};
use serde_json::Value;
use support::peer::{Peer, table_on};
use support::shop::shop;
use support::{Pty, Watched};

const CONTACTS: &str = r#"[[contact]]
name = "cycle"
port = "/dev/serial/by-id/wires"
signal = "cts"
means = "cutting"
[[contact]]
name = "button"
port = "/dev/serial/by-id/wires"
signal = "ri"
means = "seen"
[[contact]]
name = "left valve"
chip = "/dev/gpiochip0"
offset = 17
pull = "up"
when = "open"
means = "zone-open"
zone = "left"
debounce_ms = 100
"#;

const PORT: WiresId = WiresId(0);
const CHIP: WiresId = WiresId(1);

fn with(more: &str) -> Bench {
    Bench::new(&shop(more))
}

/// Both devices say their levels, as they do at least once a second.
fn run(bench: &mut Bench, secs: f64, port: u64, chip: u64) {
    bench.step(Event::Wires(PORT, port));
    bench.step(Event::Wires(CHIP, chip));
    let mut told = bench.now;
    bench.run_with(secs, |bench| {
        if bench.now.since(told).secs_f64() >= 0.5 {
            told = bench.now;
            bench.step(Event::Wires(PORT, port));
            bench.step(Event::Wires(CHIP, chip));
        }
    });
}

fn open(bench: &Bench) -> Vec<bool> {
    bench.view().zones.iter().map(|zone| zone.told_open).collect()
}

#[test]
fn contacts_on_wires_say_what_contacts_on_units_say() {
    let mut bench = with(CONTACTS);
    bench.level(1, 0, 700.0);
    // CTS is high, RI low; the valve's contact says so while it is open: low, its zone is open.
    run(&mut bench, 8.0, 0b01, 0b0);
    assert_eq!((bench.view().cutting, open(&bench)), (CuttingKnown::Told, vec![true, true]));
    run(&mut bench, 1.0, 0b00, 0b1);
    assert_eq!((bench.view().cutting, open(&bench)), (CuttingKnown::No, vec![false, true]));
    assert!(
        !bench.degraded().iter().any(|name| name.contains("silent") || name.contains("gone")),
        "{:?}",
        bench.degraded()
    );
}

#[test]
fn a_contact_counts_once_it_has_held() {
    let mut bench = with(CONTACTS);
    run(&mut bench, 1.0, 0, 0);
    assert_eq!(open(&bench), [true, true]);
    // Five bounces of 60 ms: the valve's contact must hold for 100 ms.
    for _ in 0..5 {
        run(&mut bench, 0.06, 0, 1);
        run(&mut bench, 0.06, 0, 0);
    }
    assert_eq!(open(&bench), [true, true]);
    run(&mut bench, 0.09, 0, 1);
    assert_eq!(open(&bench), [true, true]);
    run(&mut bench, 0.02, 0, 1);
    assert_eq!(open(&bench), [false, true]);
}

/// Wires tell their levels again though nothing has changed, as units do when they are polled.
#[test]
fn whoever_else_tells_the_contact_on_a_wire_is_believed() {
    let mut bench = with(CONTACTS);
    bench.level(1, 0, 700.0);
    run(&mut bench, 8.0, 0b01, 0);
    assert_eq!(bench.view().cutting, CuttingKnown::Told);
    bench.command(Command::Progress(ProgressTold::Cutting(false)));
    run(&mut bench, 1.0, 0b01, 0);
    assert_eq!(bench.view().cutting, CuttingKnown::Told);
}

/// However soon readings are called stale, wires that tell once a second are read.
#[test]
fn wires_are_not_called_silent_from_one_telling_to_the_next() {
    let mut bench =
        Bench::new(&shop(CONTACTS).replace("shadow_sheets = 0\n", "shadow_sheets = 0\nstale_after_s = 0.6\n"));
    bench.level(1, 0, 700.0);
    for _ in 0..12 {
        bench.step(Event::Wires(PORT, 0b01));
        bench.step(Event::Wires(CHIP, 0));
        bench.run_with(1.0, |bench| {
            let degraded = bench.degraded();
            assert!(!degraded.iter().any(|name| name.starts_with("contact-")), "{degraded:?}");
        });
    }
    assert_eq!(bench.view().cutting, CuttingKnown::Told);
}

#[test]
fn the_button_on_a_wire_sees_an_alarm_once_for_each_press() {
    let mut bench = with(CONTACTS);
    bench.silent.push(1);
    run(&mut bench, 8.0, 0b10, 0);
    let state = |bench: &Bench| bench.view().alarms.first().map(|alarm| alarm.state);
    assert_eq!(state(&bench), Some(State::Unacknowledged), "a button that was down from the start was not pressed");
    run(&mut bench, 0.5, 0, 0);
    // A spike of 10 ms is no press.
    run(&mut bench, 0.01, 0b10, 0);
    run(&mut bench, 0.5, 0, 0);
    assert_eq!(state(&bench), Some(State::Unacknowledged));
    run(&mut bench, 0.5, 0b10, 0);
    assert_eq!(state(&bench), Some(State::Acknowledged));
    assert_eq!(bench.entries("seen").len(), 1);
}

#[test]
fn wires_that_are_lost_are_said_and_tell_nothing_any_more() {
    let mut bench = with(CONTACTS);
    bench.level(1, 0, 700.0);
    run(&mut bench, 5.0, 0b01, 0);
    assert_eq!(bench.view().cutting, CuttingKnown::Told);
    bench.step(Event::WiresLost(PORT, LineCause::Gone("pulled".into())));
    assert!(bench.degraded().contains(&"output-/dev/serial/by-id/wires-gone".to_owned()));
    bench.step(Event::Wires(CHIP, 0));
    bench.run(4.0);
    assert!(bench.degraded().contains(&"contact-cycle-silent".to_owned()));
    assert_ne!(bench.view().cutting, CuttingKnown::Told);
    run(&mut bench, 1.0, 0b01, 0);
    assert_eq!(bench.view().cutting, CuttingKnown::Told);
    assert!(bench.degraded().is_empty(), "{:?}", bench.degraded());
}

/// The words that a device's switched wires were set to, the oldest first.
fn switched(bench: &Bench, device: WiresId) -> Vec<u64> {
    let of = |action: &Action| match action {
        Action::Switch(id, levels) if *id == device => Some(*levels),
        _ => None,
    };
    bench.ordered.iter().filter_map(of).collect()
}

const LIGHTS: &str = r#"[[light]]
name = "sign"
port = "/dev/serial/by-id/wires"
red = "rts"
yellow = "dtr"
[[light]]
name = "advice"
port = "/dev/serial/by-id/more-wires"
feed_hold = "rts"
[[light]]
name = "lamps"
chip = "/dev/gpiochip0"
lit_at = "low"
red = 5
yellow = 6
green = 7
horn = 9
feed_hold = 10
[feed_hold]
wired_by = "a licensed person"
purpose = "advice, no safety function"
"#;

#[test]
fn a_loss_lights_the_wires_and_advises_to_hold_the_feed_while_it_is_loose() {
    let mut bench = with(LIGHTS);
    let (sign, advice, lamps) = (WiresId(0), WiresId(1), WiresId(2));
    assert_eq!(bench.setup.wires.iter().map(|wires| wires.at_rest).collect::<Vec<_>>(), [0, 0, 0b11111]);
    bench.run(1.0);
    let held = bench.view().expected.unwrap().mid_pa / 100.0;
    bench.level(1, 0, held);
    bench.run(15.0);
    bench.command(Command::Progress(ProgressTold::Cutting(true)));
    bench.run(10.0);
    assert_eq!((switched(&bench, sign).last(), switched(&bench, advice).last()), (Some(&0), Some(&0)));
    // Green alone is lit, at a low level.
    assert_eq!(switched(&bench, lamps).last(), Some(&0b11011));
    bench.ordered.clear();
    bench.level(1, 0, 0.5 * held);
    bench.run(4.2);
    assert_eq!(bench.view().verdict, Verdict::Loose);
    let flashing = switched(&bench, sign);
    assert!(flashing.len() >= 4 && flashing.windows(2).all(|pair| pair[0] != pair[1]), "{flashing:?}");
    assert!(flashing.iter().all(|word| *word <= 1), "red alone: {flashing:?}");
    // A port's lines fall by themselves, so it is steady; a chip's may stay, so it pulses.
    assert_eq!(switched(&bench, advice), [1]);
    let holds: Vec<bool> = switched(&bench, lamps).iter().map(|word| word & 0b10000 == 0).collect();
    assert!(holds.contains(&true) && holds.contains(&false));
    assert!(bench.view().light.feed_hold);
    // No lamp test takes the advice away; what is seen does not either; what is over does.
    assert_eq!(bench.command(Command::TestLight), Answer::Refused("loose".into()));
    bench.command(Command::Acknowledge(Tag::SuddenLoss));
    bench.run(1.0);
    assert!(bench.view().light.feed_hold);
    bench.ordered.clear();
    bench.level(1, 0, held);
    bench.run(20.0);
    assert_eq!(switched(&bench, advice), [0]);
    assert!(!bench.view().light.feed_hold);
}

#[test]
fn without_an_output_for_it_nobody_is_advised_to_hold_the_feed() {
    let mut bench = with("");
    bench.level(1, 0, 700.0);
    bench.run(15.0);
    bench.command(Command::Progress(ProgressTold::Cutting(true)));
    bench.run(10.0);
    bench.level(1, 0, 350.0);
    bench.run(4.2);
    assert_eq!(bench.view().verdict, Verdict::Loose);
    assert!(!bench.view().light.feed_hold);
}

/// Adds to a setup file.
fn extend(file: &Path, more: &str) {
    let text = std::fs::read_to_string(file).unwrap();
    std::fs::write(file, format!("{text}\n{more}")).unwrap();
}

#[test]
fn a_device_without_such_wires_is_said_and_takes_nothing_else_down() {
    let folder = tempfile::tempdir().unwrap();
    let (file, link) = table_on(folder.path());
    let _peer = Peer::on(&link, 8_400);
    let wires = folder.path().join("wires");
    let _pty = Pty::new(&wires);
    let port = wires.to_str().unwrap();
    extend(
        &file,
        &format!(
            "[[contact]]\nname = \"cycle\"\nport = \"{port}\"\nsignal = \"cts\"\nmeans = \"cutting\"\n[[light]]\nname = \"wired\"\n\
             chip = \"/dev/null\"\nred = 1\nyellow = 2\nheartbeat = 3\n"
        ),
    );
    let watched = Watched::run(&file);
    let named = |view: &Value, name: &str| view["degraded"].as_array().unwrap().iter().any(|way| way["name"] == name);
    let (gone, chip) = (format!("output-{port}-gone"), "output-/dev/null-gone");
    watched.wait_for("both said to be gone, and the table watched", Duration::from_secs(60), |view| {
        named(view, &gone) && named(view, chip) && named(view, "contact-cycle-silent") && view["vacuum_pa"].is_f64()
    });
    assert_eq!(watched.stop(), Some(0));
}

/// The head and the body of one request.
fn request(listener: &TcpListener, status: &str) -> (String, Value) {
    let (mut stream, _) = listener.accept().unwrap();
    let mut got = Vec::new();
    let mut buffer = [0; 4096];
    loop {
        let count = stream.read(&mut buffer).unwrap();
        got.extend_from_slice(&buffer[..count]);
        let text = String::from_utf8_lossy(&got).into_owned();
        if let Some((head, body)) = text.split_once("\r\n\r\n") {
            let length =
                head.lines().find_map(|line| line.to_lowercase().strip_prefix("content-length: ").map(str::to_owned));
            if body.len() >= length.unwrap().parse().unwrap() {
                stream
                    .write_all(
                        format!("HTTP/1.1 {status}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n").as_bytes(),
                    )
                    .unwrap();
                return (head.to_owned(), serde_json::from_str(body).unwrap());
            }
        }
        assert!(count > 0, "the request ended early: {text}");
    }
}

#[test]
fn a_change_of_the_word_is_told_to_the_webhook_again_until_it_is_taken() {
    let folder = tempfile::tempdir().unwrap();
    let (file, link) = table_on(folder.path());
    let _peer = Peer::on(&link, 8_400);
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    extend(
        &file,
        &format!("[webhook]\nurl = \"http://127.0.0.1:{port}/hook?table=1\"\nbearer = \"not-for-the-journal\"\n"),
    );
    let (tell, told) = mpsc::channel();
    std::thread::spawn(move || {
        for status in
            ["503 Service Unavailable", "204 No Content", "204 No Content", "204 No Content", "204 No Content"]
        {
            // The test has seen enough by then.
            let _ = tell.send(request(&listener, status));
        }
    });
    let watched = Watched::run(&file);
    let next = || told.recv_timeout(Duration::from_secs(180)).unwrap();
    let (head, first) = next();
    assert!(head.starts_with("POST /hook?table=1 HTTP/1.1\r\n"), "{head}");
    assert!(head.to_lowercase().contains("authorization: bearer not-for-the-journal"), "{head}");
    assert!(first["source"] == "gauge" && first["what"].is_object(), "{first}");
    assert!(!first["text"].as_str().unwrap().contains("SIMULATED"));
    // The same again after the refusal, then the next.
    let (_, again) = next();
    assert_eq!(again, first);
    let (_, after) = next();
    assert!(after["record"].as_u64() > first["record"].as_u64());
    assert_eq!(watched.stop(), Some(0));
    // What is secret stands in no file but the setup.
    let kept = std::fs::read_dir(folder.path()).unwrap().filter_map(Result::ok);
    let plain = |entry: &std::fs::DirEntry| entry.path() != file && entry.file_type().unwrap().is_file();
    for entry in kept.filter(plain) {
        let bytes = std::fs::read(entry.path()).unwrap_or_default();
        let secret = b"not-for-the-journal";
        assert!(!bytes.windows(secret.len()).any(|window| window == secret), "{:?}", entry.path());
    }
}
