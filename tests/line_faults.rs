//! What can go wrong between a gauge and the program, with the whole program on a pseudo-terminal and units that other people wrote at
//! its other end: tokio-modbus always, pymodbus and libmodbus where they are installed. A wire of ours lies between, and spoils what they
//! send. Whatever goes wrong: no number is believed or kept that the gauge did not send, and the gauge is read again afterwards.
//!
//! The same faults in made time, many more of them, are in `src/gauge/talker/tests`.
#![expect(clippy::unwrap_used, reason = "a test may fail")]

mod support;

use std::any::Any;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use serde_json::Value;
use support::relay::{Relay, is_read, whole};
use support::shop::{PORT, TABLE};
use support::units::{GAUGE_UNIT, InProcess, Installed, LIGHT_UNIT};
use support::{Pty, Watched, cpu_seconds, free_page};

/// Far more than anything here takes on a computer that is busy.
const PATIENCE: Duration = Duration::from_secs(60);

/// The gauge's 321, twice that in millibars, in pascals.
const LEVEL: f64 = 64_200.0;

/// A setup of these gauges, each a name and a unit, on a line at `link`, its page on any free port.
fn setup(folder: &Path, link: &Path, reply_limit_ms: u32, gauges: &[(&str, u8)]) -> PathBuf {
    let table = TABLE.replace(PORT, link.to_str().unwrap());
    let listen = free_page();
    let more =
        format!("reply_limit_ms = {reply_limit_ms}\n[page]\nlisten = \"{listen}\"\n[journal]\npath = \"journal.db\"\n");
    let gauge = |(name, unit): &(&str, u8)| {
        let place = if *unit == GAUGE_UNIT { "manifold" } else { "after-filter" };
        format!(
            "[[gauge]]\nname = \"{name}\"\nline = \"vacuum\"\nplace = \"{place}\"\nunit_id = {unit}\ntable = \"holding\"\n\
             register = 40\nkind = \"u16\"\nscale = 2\nunit = \"mbar\"\ncounts = \"vacuum\"\nrange = [0, 1000]\nevery_ms = 200\n"
        )
    };
    let file = folder.join("table.toml");
    std::fs::write(&file, [table, more].concat() + &gauges.iter().map(gauge).collect::<String>()).unwrap();
    file
}

/// A count of the line.
fn count(view: &Value, of: &str) -> u64 {
    view["lines"][0][of].as_u64().unwrap()
}

fn says(view: &Value, degraded: &str) -> bool {
    view["degraded"].as_array().unwrap().iter().any(|way| way["name"] == degraded)
}

fn reads(view: &Value) -> bool {
    let vacuum = view["vacuum_pa"].as_f64();
    assert!(vacuum.is_none_or(|vacuum| (vacuum - LEVEL).abs() < 1.0), "a number that the gauge never sent: {view:#}");
    vacuum.is_some()
}

/// The program, the wire to its gauge, and the unit at the other end.
struct Shop {
    watched: Watched,
    relay: Relay,
    folder: tempfile::TempDir,
    _unit: Box<dyn Any>,
}

impl Shop {
    /// Starts the program and the unit at its end of the wire; `None` if there is no such unit here.
    fn new<U: Any>(reply_limit_ms: u32, gauges: &[(&str, u8)], unit: impl FnOnce(&Relay) -> Option<U>) -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("line");
        let relay = Relay::new(&link);
        let unit = Box::new(unit(&relay)?);
        let watched = Watched::run(&setup(folder.path(), &link, reply_limit_ms, gauges));
        let shop = Shop { watched, relay, folder, _unit: unit };
        shop.wait("a reading", reads);
        Some(shop)
    }

    /// The same with units of tokio-modbus, which gives up after a few loopbacks: it does not know where one ends.
    fn in_process(reply_limit_ms: u32, gauges: &[(&str, u8)], units: &InProcess) -> Self {
        let serve = |relay: &Relay| {
            relay.loopbacks.store(false, Ordering::Relaxed);
            Some(units.clone().serve(&relay.path))
        };
        Shop::new(reply_limit_ms, gauges, serve).unwrap()
    }

    fn wait(&self, what: &str, wanted: impl Fn(&Value) -> bool) -> Value {
        self.watched.wait_for(what, PATIENCE, |view| {
            reads(view);
            wanted(view)
        })
    }

    /// Waits until a count of the line has grown by so many; the view then.
    fn grown(&self, of: &str, by: u64) -> Value {
        let before = count(&self.watched.now(), of);
        self.wait(of, |view| count(view, of) >= before + by)
    }

    /// The wire is good again; waits until readings come.
    fn mend(&self, what: &str) {
        self.relay.honest();
        self.grown("answers", 3);
        self.wait(&format!("a reading after {what}"), |view| {
            reads(view) && !view["degraded"].to_string().contains("gauge-")
        });
    }

    /// Ends the program; every reading that it kept is one that the gauge sent.
    fn end(self) {
        assert_eq!(self.watched.stop(), Some(0));
        let exported = std::process::Command::new(env!("CARGO_BIN_EXE_holdwatch"))
            .arg("export")
            .arg(self.folder.path().join("journal.db"))
            .output()
            .unwrap();
        let text = String::from_utf8(exported.stdout).unwrap();
        let kept: Vec<f64> = text.lines().skip(1).map(|row| row.split(',').nth(5).unwrap().parse().unwrap()).collect();
        assert!(kept.len() > 3, "{} kept", kept.len());
        assert!(kept.iter().all(|vacuum| (vacuum - LEVEL).abs() < 1.0), "{kept:?}");
    }
}

/// Every fault of an answer, one after the other.
fn check_faults(shop: Shop, other_unit: bool) {
    wrong_check_words(&shop);
    answers_cut_off(&shop);
    answers_to_something_else(&shop, other_unit);
    shop.end();
}

fn wrong_check_words(shop: &Shop) {
    let mut reads = 0;
    shop.relay.spoil(move |mut reply| {
        reads += 1;
        if reads % 5 == 0 {
            reply[3] ^= 0x40;
        }
        whole(reply)
    });
    shop.grown("bad_checks", 2);
    shop.relay.spoil(|mut reply| {
        reply[3] ^= 0x40;
        whole(reply)
    });
    shop.wait("a garbled gauge named", |view| view["verdict"] == "blind" && says(view, "gauge-table-garbled"));
    shop.mend("wrong check words");
}

/// An answer is cut off after each of its bytes; what follows is read right.
fn answers_cut_off(shop: &Shop) {
    for kept in 0..7 {
        let spoilt = shop.relay.spoilt.load(Ordering::Relaxed);
        let mut cut = false;
        shop.relay.spoil(
            move |reply| {
                if std::mem::replace(&mut cut, true) { whole(reply) } else { whole(reply[..kept].to_vec()) }
            },
        );
        shop.wait("an answer cut off", |_| shop.relay.spoilt.load(Ordering::Relaxed) > spoilt);
        shop.grown("answers", 2);
    }
    shop.mend("answers cut off");
}

/// The unit is asked something else than the program thinks: its sound answer is another unit's, another function's, a longer one.
fn answers_to_something_else(shop: &Shop, other_unit: bool) {
    let other = |frame: &[u8], unit: u8, input: bool, count: u16| {
        let address = u16::from_be_bytes([frame[2], frame[3]]);
        let request = if input {
            holdwatch::modbus::Request::ReadInput { address, count }
        } else {
            holdwatch::modbus::Request::ReadHolding { address, count }
        };
        request.frame(unit)
    };
    let twists = [(GAUGE_UNIT, true, 1), (GAUGE_UNIT, false, 2), (GAUGE_UNIT, false, 20), (LIGHT_UNIT, false, 1)];
    for (unit, input, registers) in twists.into_iter().take(if other_unit { 4 } else { 3 }) {
        shop.relay.twist(move |frame| if is_read(&frame) { other(&frame, unit, input, registers) } else { frame });
        shop.grown("foreign", 2);
        shop.mend("answers to something else");
    }
}

#[test]
fn whatever_spoils_an_answer_of_tokio_modbus_no_number_comes_of_it() {
    check_faults(Shop::in_process(300, &[("table", GAUGE_UNIT)], &InProcess::default()), true);
}

#[test]
fn whatever_spoils_an_answer_of_pymodbus_no_number_comes_of_it() {
    let shop = Shop::new(300, &[("table", GAUGE_UNIT)], |relay| Installed::start("pymodbus_units.py", &[&relay.path]));
    shop.into_iter().for_each(|shop| check_faults(shop, true));
}

/// libmodbus keeps silent about what another unit is asked.
#[test]
fn whatever_spoils_an_answer_of_libmodbus_no_number_comes_of_it() {
    let shop =
        Shop::new(300, &[("table", GAUGE_UNIT)], |relay| Installed::start("libmodbus_unit.py", &[&relay.path, "5"]));
    shop.into_iter().for_each(|shop| check_faults(shop, false));
}

/// Bytes come one by one with pauses as of an adapter that hands them over late; nothing of it is taken for an error.
#[test]
fn an_answer_may_come_byte_by_byte() {
    let shop = Shop::in_process(5_000, &[("table", GAUGE_UNIT)], &InProcess::default());
    let before = shop.grown("answers", 1);
    for pause in [2, 5, 10, 20] {
        shop.relay
            .spoil(move |reply| reply.into_iter().map(|byte| (Duration::from_millis(pause), vec![byte])).collect());
        shop.grown("answers", 5);
    }
    let after = shop.watched.now();
    for error in ["no_replies", "bad_checks", "foreign"] {
        assert_eq!(count(&after, error), count(&before, error), "{error}");
    }
    shop.end();
}

/// MODBUS Application Protocol V1.1b3, section 7: what each code means; 7, 9 and 99 are none of it.
#[test]
fn each_refusal_is_named_for_what_it_is_and_the_others_are_read_meanwhile() {
    let codes = [1, 2, 3, 4, 5, 6, 8, 10, 11, 7, 9, 99];
    let words = ["unfit", "unfit", "unfit", "faulty", "busy", "busy", "faulty", "unreached", "unreached"];
    let words: Vec<&str> = words.into_iter().chain(["refusing"; 3]).collect();
    let names: Vec<String> = codes.iter().map(|code| format!("code {code}")).collect();
    let mut gauges = vec![("table", GAUGE_UNIT)];
    gauges.extend(names.iter().map(String::as_str).zip(20..));
    let units = InProcess::default();
    units.refusing.lock().unwrap().extend((20..).zip(codes));
    let asked = units.asked.clone();
    let shop = Shop::in_process(500, &gauges, &units);
    for (name, word) in names.iter().zip(&words) {
        shop.wait(&format!("{name} to be {word}"), |view| says(view, &format!("gauge-{name}-{word}")));
    }
    // A unit that lacks the register is not asked for it again and again.
    let counts = asked.lock().unwrap().clone();
    shop.wait("more readings", |_| asked.lock().unwrap()[&GAUGE_UNIT] > counts[&GAUGE_UNIT] + 40);
    let since: Vec<usize> = (20..).zip(codes).map(|(unit, _)| asked.lock().unwrap()[&unit] - counts[&unit]).collect();
    assert!(since[..3].iter().max() < since[4..6].iter().min(), "unfit ones least, busy ones most: {since:?}");
    let view = shop.watched.now();
    assert!(count(&view, "refusals") > 12);
    let metrics = shop.watched.text("/metrics");
    assert!(metrics.contains("holdwatch_heard_total{line=\"vacuum\",what=\"refusal\"}"), "{metrics}");
    units.refusing.lock().unwrap().clear();
    shop.watched.stop();
}

/// The main gauge alone on its line refuses: the word is *blind*, and it is said that the setup is to be corrected.
#[test]
fn a_gauge_that_has_no_such_register_is_blind_and_says_so() {
    let units = InProcess::default();
    let shop = Shop::in_process(500, &[("table", GAUGE_UNIT)], &units);
    units.refusing.lock().unwrap().insert(GAUGE_UNIT, 2);
    shop.wait("blind", |view| view["verdict"] == "blind" && says(view, "gauge-table-unfit"));
    units.refusing.lock().unwrap().clear();
    shop.mend("a refusal");
    shop.end();
}

/// A device that hangs up but whose file stays reads as no bytes for ever, and cannot be opened again.
#[test]
fn a_device_that_hangs_up_is_let_go_and_costs_next_to_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("line");
    let mut pty = Pty::new(&link);
    let watched = Watched::run(&setup(folder.path(), &link, 500, &[("table", GAUGE_UNIT)]));
    watched.wait_for("a line that is open", PATIENCE, |view| count(view, "no_replies") > 0);
    pty.hang_up();
    watched.wait_for("the line to be gone", PATIENCE, |view| says(view, "line-vacuum-gone"));
    let (begun, used) = (Instant::now(), cpu_seconds(watched.pid()));
    watched.wait_for("a while without a line", PATIENCE, |_| begun.elapsed() > Duration::from_secs(4));
    let share = (cpu_seconds(watched.pid()) - used) / begun.elapsed().as_secs_f64();
    assert!(share < 0.5, "a device that hung up costs {share} of a core; a spin costs a whole one");
    // The adapter comes back as another device behind the same name.
    let relay = Relay::new(&link);
    relay.loopbacks.store(false, Ordering::Relaxed);
    let _unit = InProcess::default().serve(&relay.path);
    watched.wait_for("a reading", PATIENCE, reads);
    assert_eq!(watched.stop(), Some(0));
}
