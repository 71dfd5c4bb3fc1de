//! A survey of the table and the morning's check, led through over the interface of the real program on a pseudo-terminal.
//!
//! The table behind the gauge is played by the lattice board of `tests/survey`, which shares nothing with the fit but dimensions and the
//! network's balance: a worn pump, a board that is not as thought, noise, and a plenum that follows within half a second.

#[path = "survey/lattice.rs"]
mod lattice;
mod support;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use holdwatch::setup::{Setup, read_setup};
use holdwatch::table::{Table, Tap, ZoneId, ZoneMatrix, ZoneSet, operating_point_with_hole};
use holdwatch::units::{Area, Length, Permeability};
use lattice::{Chance, Lattice};
use serde_json::{Value, json};
use support::peer::Peer;
use support::{Watched, free_page};

/// Long enough for a loaded computer; a condition that is met ends the wait.
const LONG: Duration = Duration::from_secs(180);

/// The setup that the program is given.
const SETUP: &str = r#"
[table]
name = "Three Alders Joinery, small router"
station_pressure_hpa = 1013.25
[pump]
class = "vane-dry"
nameplate_m3_h = 250
[filter]
drop_mbar = 15
at_m3_h = 250
[manifold]
leak_m3_h = 2
leak_at_mbar = 600
[board]
class = "light"
thickness_mm = 18
length_mm = 1220
width_mm = 1220
faces = "off"
rims = "sealed"
[zones]
rows = 1
columns = 2
margin_mm = 20
gap_mm = 20
[valves]
bore_mm = 50
hose_m = 3
[plenum]
groove_pitch_mm = 32
groove_width_mm = 8
[[line]]
name = "vacuum"
port = "LINE"
protocol = "modbus-rtu"
baud = 19200
parity = "none"
[[gauge]]
name = "manifold"
line = "vacuum"
place = "manifold"
unit_id = 1
table = "input"
register = 0
kind = "i16"
scale = 0.1
unit = "mbar"
counts = "vacuum"
range = [0, 1000]
[[light]]
name = "hold-down"
line = "vacuum"
unit_id = 2
red = 0
yellow = 1
green = 2
white = 4
[watch]
shadow_sheets = 0
[journal]
path = "journal.db"
"#;

/// A table behind a gauge, put into any state by hand.
struct Bench {
    peer: Peer,
    goal: Arc<Mutex<f64>>,
    stop: Arc<AtomicBool>,
    thread: Option<thread::JoinHandle<()>>,
    truth: Table,
    film: ZoneMatrix,
    bare: ZoneMatrix,
}

impl Bench {
    fn new(folder: &Path) -> (Self, PathBuf) {
        let (link, file) = (folder.join("line"), folder.join("table.toml"));
        let text = SETUP.replace("LINE", link.to_str().unwrap());
        std::fs::write(&file, format!("{text}[page]\nlisten = \"{}\"\n", free_page())).unwrap();
        let setup: Setup = read_setup(&text, "table.toml").unwrap();
        let mut truth = setup.table;
        truth.pump.wear = 0.8;
        for layer in &mut truth.board.layers {
            layer.through = Permeability::from_square_metres(layer.through.square_metres() * 1.6);
            layer.along = Permeability::from_square_metres(layer.along.square_metres() * 1.6);
        }
        let mut chance = Chance::new(4);
        let lattice = Lattice::new(&truth, &mut chance);
        let through: f64 = truth.board.layers.iter().map(|layer| (layer.thickness / layer.through).per_metre()).sum();
        let (film, bare) = (lattice.zones(&truth, Some(100.0 * through)), lattice.zones(&truth, None));
        let (goal, stop) = (Arc::new(Mutex::new(0.0)), Arc::new(AtomicBool::new(false)));
        let peer = Peer::on(&link, 0);
        let (register, wanted, ended) = (Arc::clone(&peer.level), Arc::clone(&goal), Arc::clone(&stop));
        let thread = thread::spawn(move || {
            let (mut level, mut at) = (0.0, Instant::now());
            while !ended.load(Ordering::Relaxed) {
                let passed = at.elapsed().as_secs_f64();
                at = Instant::now();
                level += (*wanted.lock().unwrap() - level) * (1.0 - (-passed / 0.4).exp());
                // Tenths of a millibar, with noise of 100 Pa.
                register.store((level / 10.0 + 10.0 * chance.normal()).round() as i32, Ordering::Relaxed);
                thread::sleep(Duration::from_millis(40));
            }
        });
        (Bench { peer, goal, stop, thread: Some(thread), truth, film, bare }, file)
    }

    /// Sets the table up, and says what its gauge will come to.
    fn set(&self, cover: &str, open: ZoneSet, hole_mm: f64) -> f64 {
        let zones = if cover == "film" { &self.film } else { &self.bare };
        let radius = Length::from_millimetres(hole_mm / 2.0).metres();
        let hole = Area::from_square_metres(0.65 * std::f64::consts::PI * radius * radius);
        let level = operating_point_with_hole(&self.truth, open, zones, hole).level(Tap::Manifold).pascals();
        self.come_to(level);
        level
    }

    fn come_to(&self, level: f64) {
        *self.goal.lock().unwrap() = level;
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.take().unwrap().join().unwrap();
        let _ = self.peer.coils();
    }
}

fn survey(watched: &Watched) -> Value {
    watched.get("/api/v1/survey")["survey"].clone()
}

fn order(watched: &Watched, path: &str, body: Value) {
    let (status, text) = watched.post(&format!("/api/v1/{path}"), &body);
    assert_eq!(status, 204, "{body}: {text}");
}

fn wait(watched: &Watched, what: &str, wanted: impl Fn(&Value) -> bool) -> Value {
    let begun = Instant::now();
    loop {
        let held = survey(watched);
        if wanted(&held) {
            return held;
        }
        assert!(begun.elapsed() < LONG, "{what} did not come; {held:#}");
        // A page answers 20 requests a second to one address.
        thread::sleep(Duration::from_millis(120));
    }
}

/// The number of the step that asks for this.
fn step(held: &Value, cover: Option<&str>, open: &[&str], hole_mm: Option<f64>) -> u64 {
    let steps = held["steps"].as_array().unwrap();
    let same = |step: &&Value| {
        step["kind"] == "level"
            && step["cover"] == json!(cover)
            && step["open"] == json!(open)
            && step["hole_mm"] == json!(hole_mm)
    };
    steps.iter().find(same).unwrap()["id"].as_u64().unwrap()
}

fn at(held: &Value, id: u64) -> &Value {
    &held["steps"][usize::try_from(id).unwrap()]
}

fn counting(held: &Value, id: u64) -> Vec<f64> {
    let readings = at(held, id)["readings"].as_array().unwrap();
    readings
        .iter()
        .filter(|reading| reading["aside"].is_null())
        .map(|reading| reading["value"].as_f64().unwrap())
        .collect()
}

/// Has a step measured, and waits until the program has taken its reading.
fn measure(watched: &Watched, id: u64) -> f64 {
    let before = counting(&survey(watched), id).len();
    order(watched, "survey", json!({"order": "measure", "step": id}));
    let held = wait(watched, "a reading", |held| counting(held, id).len() > before);
    counting(&held, id)[0]
}

/// The journal played again from the state that was kept last before a time.
fn replayed(folder: &Path, from: &str) -> Value {
    let played = Command::new(env!("CARGO_BIN_EXE_holdwatch"))
        .args(["replay", folder.join("journal.db").to_str().unwrap(), "--json", "--from", from])
        .output()
        .unwrap();
    assert_eq!(played.status.code(), Some(0), "{}", String::from_utf8_lossy(&played.stdout));
    serde_json::from_slice(&played.stdout).unwrap()
}

/// Until everything told so far is on the disk.
fn saved(watched: &Watched) {
    let newest = watched.now()["newest"].as_u64().unwrap();
    watched.wait_for("all saved", LONG, |view| view["acked"].as_u64().unwrap() >= newest);
}

#[test]
fn a_short_survey_is_led_through_restarted_and_ends_with_what_its_readings_carry() {
    let folder = tempfile::tempdir().unwrap();
    let (bench, file) = Bench::new(folder.path());
    let all = ZoneSet::first(2);
    bench.set("bare", all, 0.0);
    let watched = Watched::run(&file);
    watched.wait_for("a reading", LONG, |view| view["vacuum_pa"].as_f64().is_some());
    assert!(survey(&watched).is_null());
    assert_eq!(watched.post("/api/v1/survey", &json!({"order": "measure", "step": 0})).0, 409);
    order(&watched, "survey", json!({"order": "start", "wanted": 0.15}));
    let held = survey(&watched);
    let view = watched.wait_for("the word that says so", LONG, |view| {
        view["verdict"] == "no-job" && view["why"]["key"] == "surveying" && view["guide"]["quiet"] == true
    });
    let sheet = view["sheet"].clone();
    order(&watched, "survey", json!({"order": "type", "step": 0, "barometer_pa": 101_325}));

    // The pump alone, with its time running.
    let pump = step(&held, None, &[], None);
    let truth = bench.set("film", ZoneSet::EMPTY, 0.0);
    order(&watched, "survey", json!({"order": "measure", "step": pump}));
    watched
        .wait_for("the time left", LONG, |view| view["guide"]["shut_left_s"].as_f64().is_some_and(|left| left <= 30.0));
    let held = wait(&watched, "the pump alone", |held| counting(held, pump).len() == 1);
    assert!((counting(&held, pump)[0] - truth).abs() < 150.0, "{truth} {held:#}");

    // A hole of 12 mm, then, with nothing changed, the next step: the program asks.
    let hole = step(&held, None, &[], Some(12.0));
    bench.set("film", ZoneSet::EMPTY, 12.0);
    measure(&watched, hole);
    watched.wait_for("air again", LONG, |view| view["guide"]["shut_left_s"].is_null());
    let film = step(&held, Some("film"), &["1", "2"], None);
    order(&watched, "survey", json!({"order": "measure", "step": film}));
    watched.wait_for("the question", LONG, |view| view["guide"]["state"] == "unmoved");
    assert!(counting(&survey(&watched), film).is_empty(), "nothing is taken that nobody vouches for");
    order(&watched, "survey", json!({"order": "stop"}));

    // The whole board under film, as a sheet would lie: no word, no alarm, no sheet comes of it.
    let truth = bench.set("film", all, 0.0);
    let read = measure(&watched, film);
    assert!((read - truth).abs() < 150.0, "{read} {truth}");
    let view = watched.now();
    assert_eq!((&view["verdict"], &view["sheet"]), (&json!("no-job"), &sheet), "{view:#}");
    let alarms = view["alarms"].as_array().unwrap();
    assert!(alarms.len() == 5 && alarms.iter().all(|alarm| alarm["state"] == "suppressed"), "{view:#}");

    // A kill, and a start: the survey goes on.
    saved(&watched);
    watched.kill();
    let watched = Watched::run(&file);
    let held = survey(&watched);
    assert_eq!((held["running"] == true, counting(&held, film).len(), counting(&held, pump).len()), (true, 1, 1));
    let view = watched.wait_for("a reading", LONG, |view| view["vacuum_pa"].as_f64().is_some());
    let again = view["at"].as_str().unwrap().to_owned();

    for (id, cover, zones) in [
        (step(&held, Some("bare"), &["1", "2"], None), "bare", all),
        (step(&held, Some("bare"), &["1"], None), "bare", ZoneSet::EMPTY.with(ZoneId(0))),
        (step(&held, Some("film"), &["1"], None), "film", ZoneSet::EMPTY.with(ZoneId(0))),
    ] {
        bench.set(cover, zones, 0.0);
        measure(&watched, id);
    }
    let hole = step(&held, None, &[], Some(20.0));
    bench.set("film", ZoneSet::EMPTY, 20.0);
    measure(&watched, hole);
    order(&watched, "survey", json!({"order": "skip", "step": step(&held, Some("bare"), &["2"], None)}));

    let held = wait(&watched, "numbers", |held| held["computing"] == false && counted(held) == 7);
    assert!(held["failed"].is_null(), "{held:#}");
    numbers_hold(&held, &bench);

    // A reading thrown out is reckoned without, and comes back.
    let number = at(&held, film)["readings"][0]["id"].as_u64().unwrap();
    order(&watched, "survey", json!({"order": "throw", "reading": number}));
    let held = wait(&watched, "numbers without it", |held| held["computing"] == false && counted(held) == 6);
    assert_eq!(at(&held, film)["state"], "open");
    order(&watched, "survey", json!({"order": "take-back", "reading": number}));
    wait(&watched, "numbers with it", |held| held["computing"] == false && counted(held) == 7);

    order(&watched, "survey", json!({"order": "end"}));
    let held = survey(&watched);
    assert!(held["running"] == false && held["result"].is_object());
    watched.wait_for("watching as ever", LONG, |view| view["guide"].is_null() && view["why"]["key"] != "surveying");
    assert_eq!(watched.stop(), Some(0));
    let said = replayed(folder.path(), &again);
    assert!(said["pieces_same"].as_u64().unwrap() > 5, "{said:#}");
    assert_eq!((&said["pieces_different"], &said["holes"]), (&json!([]), &json!(0)), "{said:#}");
}

/// Readings that the numbers rest on.
fn counted(held: &Value) -> usize {
    let steps = held["steps"].as_array().unwrap().iter();
    steps
        .flat_map(|step| step["readings"].as_array().unwrap())
        .filter(|reading| !reading["fitted_pa"].is_null())
        .count()
}

/// What is told holds the truth: within twice the 95 % interval, which one table in 10,000 would miss.
fn numbers_hold(held: &Value, bench: &Bench) {
    let result = &held["result"];
    let estimate = |key: &str| {
        let all = result["estimates"].as_array().unwrap();
        all.iter()
            .find(|estimate| estimate["of"]["key"] == key)
            .unwrap_or_else(|| panic!("no {key}: {result:#}"))
            .clone()
    };
    let number = |value: &Value| value.as_f64().unwrap();
    let through = bench.truth.board.layers[0].through.square_metres();
    let found = estimate("subject-through");
    let (value, low, high) = (number(&found["value"]), number(&found["low"]), number(&found["high"]));
    let reach = (high / low).ln();
    assert!((value / through).ln().abs() < reach, "{found:#} {through}");
    assert!((number(&found["assumed"]) * 1.6 / through - 1.0).abs() < 1e-9);
    let capacity = estimate("subject-suction-capacity");
    // The pump is worn to 0.8 of what the setup has.
    assert!(number(&capacity["value"]) < 0.9 * number(&capacity["assumed"]), "{capacity:#}");
    assert!(
        number(&capacity["low"]) < number(&capacity["value"]) && number(&capacity["value"]) < number(&capacity["high"])
    );
    // One gauge at the manifold cannot part pump and filter: neither is told, and both are named.
    let told: Vec<&Value> =
        result["estimates"].as_array().unwrap().iter().map(|estimate| &estimate["of"]["key"]).collect();
    assert!(!told.contains(&&json!("subject-filter")), "{told:?}");
    assert!(result["untold"].to_string().contains("subject-filter"), "{result:#}");
    let pump = result["setup"].as_array().unwrap().iter().find(|line| line["section"] == "pump").unwrap();
    let wear: f64 = pump["line"].as_str().unwrap().trim_start_matches("wear = ").parse().unwrap();
    assert!((0.7..0.9).contains(&wear), "{pump}");
    assert!(pump["assumes"].to_string().contains("assumed-filter-as-set-up"), "{pump}");
    let board: Vec<&str> = result["setup"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|line| line["section"] == "board")
        .map(|line| line["line"].as_str().unwrap())
        .collect();
    lines_are_a_setup(wear, &board);
}

/// The lines, written where they say into the setup, are a sound setup.
fn lines_are_a_setup(wear: f64, board: &[&str]) {
    let text = SETUP.replace("nameplate_m3_h = 250", &format!("nameplate_m3_h = 250\nwear = {wear}"));
    let text = text.replace("class = \"light\"\n", &format!("{}\n", board.join("\n"))).replace("faces = \"off\"\n", "");
    let text = text.replace("LINE", "/dev/serial/by-id/adapter");
    let setup = read_setup(&text, "surveyed.toml").unwrap_or_else(|mistakes| panic!("{mistakes}"));
    assert!((setup.table.pump.wear - wear).abs() < 1e-12);
}

fn check(watched: &Watched) -> Value {
    watched.get("/api/v1/check")["check"].clone()
}

/// Waits until the check's level is measured.
fn measured(watched: &Watched, body: Value) -> Value {
    order(watched, "check", body);
    let begun = Instant::now();
    loop {
        let held = check(watched);
        if !held["measured"].is_null() {
            return held["measured"].clone();
        }
        assert!(begun.elapsed() < LONG, "no level: {held:#}");
        thread::sleep(Duration::from_millis(120));
    }
}

#[test]
fn the_morning_check_is_kept_and_compared_with_the_mornings_before() {
    let folder = tempfile::tempdir().unwrap();
    let (bench, file) = Bench::new(folder.path());
    let all = ZoneSet::first(2);
    let level = bench.set("bare", all, 0.0);
    let watched = Watched::run(&file);
    watched.wait_for("a reading", LONG, |view| view["vacuum_pa"].as_f64().is_some());
    order(&watched, "check", json!({"order": "start"}));
    watched.wait_for("the word that says so", LONG, |view| view["why"]["key"] == "checking");
    for item in ["chips", "filter-lid"] {
        order(&watched, "check", json!({"order": "mark", "item": item, "fine": true}));
    }
    let first = measured(&watched, json!({"order": "measure"}));
    assert_eq!(first["compared"], "first");
    assert!((first["level_pa"].as_f64().unwrap() - level).abs() < 150.0, "{first} {level}");
    order(&watched, "light/test", json!({}));
    order(&watched, "check", json!({"order": "mark", "item": "lamps", "fine": true}));
    order(&watched, "check", json!({"order": "finish"}));
    assert!(check(&watched)["took_s"].as_f64().is_some());
    saved(&watched);
    watched.kill();

    // The next morning, after a start: 3 kPa are gone.
    bench.come_to(level - 3_000.0);
    let watched = Watched::run(&file);
    watched.wait_for("a reading", LONG, |view| view["vacuum_pa"].as_f64().is_some());
    order(&watched, "check", json!({"order": "start"}));
    assert_eq!(watched.post("/api/v1/survey", &json!({"order": "start"})).0, 409, "one guided run at a time");
    let second = measured(&watched, json!({"order": "measure"}));
    assert_eq!(second["compared"], "lower", "{second:#}");
    order(&watched, "check", json!({"order": "mark", "item": "chips", "fine": false}));
    order(&watched, "check", json!({"order": "finish"}));

    // And one on which the pump's phases were changed over: pressure.
    bench.come_to(-6_000.0);
    order(&watched, "check", json!({"order": "start"}));
    let third = measured(&watched, json!({"order": "measure"}));
    assert!(third["level_pa"].as_f64().unwrap() < -5_000.0, "{third:#}");
    order(&watched, "check", json!({"order": "finish"}));
    let before = check(&watched)["before"].clone();
    assert_eq!((&before[0]["fine"], &before[1]["fine"]), (&json!(false), &json!(true)), "{before:#}");
    assert_eq!((&before[0]["whole"], &before[1]["whole"]), (&json!(false), &json!(true)), "{before:#}");
    assert_eq!(watched.stop(), Some(0));

    let told = Command::new(env!("CARGO_BIN_EXE_holdwatch"))
        .args(["report", folder.path().join("journal.db").to_str().unwrap()])
        .output()
        .unwrap();
    let text = String::from_utf8(told.stdout).unwrap();
    assert!(text.contains("3 morning checks, 1 of them fine"), "{text}");
    assert!(text.contains("the pump turns backwards"), "{text}");
}
