//! A new owner's first minutes: a gauge of which nothing is told is found on a line, a setup is written, found sound, and watches.
//!
//! The gauges are played by an independent Modbus library and by a few lines of Python, each behind a pseudo-terminal of its own. A
//! bridge joins that with the program's, and passes on only what is sent at the gauge's speed. A pseudo-terminal keeps a speed but
//! drops the parity, so that a parity found is one of three that were not told apart.
#![expect(clippy::unwrap_used, reason = "a test may fail")]

mod support;

use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::AsFd;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::termios::tcgetattr;
use serde_json::{Value, json};
use support::peer::Peer;
use support::units::Installed;
use support::{Pty, Watched, free_page};

const PATIENCE: Duration = Duration::from_secs(60);

/// Joins the program's line and the gauge's, as long as the program's has the gauge's speed.
struct Bridge {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Bridge {
    fn new(program: Pty, gauge: Pty, baud: u32, unit: Option<u8>) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let ended = stop.clone();
        let thread = thread::spawn(move || {
            let (mut near, mut far) = (program.device(), gauge.device());
            while !ended.load(Ordering::Relaxed) {
                let wait = Timespec { tv_sec: 0, tv_nsec: 50_000_000 };
                let mut both = [PollFd::new(&near, PollFlags::IN), PollFd::new(&far, PollFlags::IN)];
                poll(&mut both, Some(&wait)).unwrap();
                let ready = both.map(|end| end.revents().contains(PollFlags::IN));
                let fits = tcgetattr(program.near.as_fd()).unwrap().output_speed() == baud;
                if ready[0] {
                    pass(&mut near, &mut far, fits, unit);
                }
                if ready[1] {
                    pass(&mut far, &mut near, fits, None);
                }
            }
        });
        Bridge { stop, thread: Some(thread) }
    }
}

impl Drop for Bridge {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.take().unwrap().join().unwrap();
    }
}

/// Every question that is sent has eight bytes; those to other units are left out if a unit is named.
fn pass(from: &mut File, to: &mut File, fits: bool, unit: Option<u8>) {
    let mut bytes = [0; 512];
    let count = from.read(&mut bytes).unwrap();
    for piece in bytes[..count].chunks(8) {
        if fits && unit.is_none_or(|unit| piece[0] == unit) {
            to.write_all(piece).unwrap();
        }
    }
}

/// A gauge in a child process, and what joins it with the program.
struct Hidden {
    _gauge: Installed,
    _bridge: Bridge,
    link: PathBuf,
}

impl Hidden {
    /// `None`, said on standard error, if the gauge cannot be played here.
    fn start(folder: &Path, baud: u32, unit: Option<u8>, script: &str, arguments: &[&str]) -> Option<Self> {
        let link = folder.join("line");
        let (program, gauge) = (Pty::new(&link), Pty::unlinked());
        let played = Installed::start(script, &[&[gauge.path.as_str()], arguments].concat())?;
        Some(Hidden { _gauge: played, _bridge: Bridge::new(program, gauge, baud, unit), link })
    }
}

/// What an owner knows without tools: the pump's plate, the board, the zones; by `gauge` also something of the gauge.
fn answers(folder: &Path, link: &Path, seconds: u32, gauge: &str) -> PathBuf {
    let file = folder.join("answers.toml");
    let listen = free_page();
    let text = format!(
        "[table]\nname = \"An invented shop's router\"\naltitude_m = 320\n\
         [pump]\nclass = \"vane-dry\"\nnameplate_m3_h = 250\ncount = 2\n\
         [board]\nlength_mm = 2440\nwidth_mm = 1220\nthickness_mm = 18\nweight_kg = 32\nedge = \"even\"\nrims = \"sealed\"\n\
         [zones]\nrows = 2\ncolumns = 3\n\
         [gauge]\nport = {link:?}\nplace = \"manifold\"\n{gauge}\
         [watch]\nseconds = {seconds}\n\
         [page]\nlisten = \"{listen}\"\n"
    );
    std::fs::write(&file, text).unwrap();
    file
}

fn holdwatch(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_holdwatch")).args(arguments).stdin(Stdio::null()).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// Begins with answers; what it tells as JSON, and the setup's path.
fn begin(folder: &Path, answers: &Path) -> (Value, PathBuf) {
    let out = folder.join("table.toml");
    let done = holdwatch(&[
        "begin",
        "--answers",
        answers.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--try",
        "3",
        "--json",
    ]);
    assert!(done.status.success(), "{}\n{}", text(&done.stdout), text(&done.stderr));
    let told: Value = serde_json::from_slice(&done.stdout).unwrap();
    let checked = holdwatch(&["check", "--setup", out.to_str().unwrap()]);
    assert!(checked.status.success(), "{}\n{}", text(&checked.stdout), std::fs::read_to_string(&out).unwrap());
    (told, out)
}

/// Runs the written setup until it shows this level.
fn watched_level(setup: &Path, kpa: f64) -> Watched {
    let watched = Watched::run(setup);
    let near = |view: &Value| view["vacuum_pa"].as_f64().is_some_and(|level| (level / 1e3 - kpa).abs() < 0.6);
    watched.wait_for("the gauge's level", PATIENCE, |view| near(view) && view["verdict"] != "blind");
    watched
}

/// 40.3 to 97.5 kPa absolute as a float, its low word first, in unit 7's holding registers 14 and 15 at 38 400 bit/s: nothing of that
/// is told, and the level moves by itself. At 320 m the standard atmosphere has 97.5 kPa (ISO 2533), so 57.2 kPa of vacuum.
#[test]
fn a_gauge_of_which_nothing_is_told_is_found_and_watched() {
    let folder = tempfile::tempdir().unwrap();
    let told = ["7", "holding", "14", "FLOAT32", "little", "97.5", "40.3", "7"];
    let Some(hidden) = Hidden::start(folder.path(), 38_400, Some(7), "hidden_gauge.py", &told) else { return };
    let (told, out) = begin(folder.path(), &answers(folder.path(), &hidden.link, 6, ""));
    let gauge = &told["gauge"];
    assert_eq!(told["units"], json!([7]));
    assert_eq!((gauge["moved"].as_bool(), gauge["zero_seen"].as_bool()), (Some(true), Some(true)), "{gauge}");
    assert_eq!(gauge["at"]["register"], 14, "{gauge}");
    assert_eq!((gauge["at"]["kind"].as_str(), gauge["at"]["word_order"].as_str()), (Some("f32"), Some("low-first")));
    assert_eq!((gauge["unit"].as_str(), gauge["counts"].as_str()), (Some("kPa"), Some("absolute")));
    assert!(told["form"].as_str().unwrap().starts_with("38400 "), "{}", told["form"]);
    assert_eq!(told["readings_kpa"].as_array().unwrap().len(), 3);
    assert!(told["assumptions"].as_array().unwrap().iter().any(|mark| mark["bearing"]["margin"].is_array()));
    let written = std::fs::read_to_string(&out).unwrap();
    assert!(written.contains("# ASSUMED: ") && written.contains("What hangs on it: level "), "{written}");
    // Cards need nothing more than to be put there.
    assert!(written.contains("[jobs]\ncards = \"cards\"\n") && folder.path().join("cards").is_dir(), "{written}");
    let watched = watched_level(&out, 57.2);
    let compared = |view: &Value| ["tight", "weak", "high"].iter().any(|word| view["verdict"] == *word);
    watched.wait_for("a verdict", 3 * PATIENCE, compared);
    assert_eq!(watched.stop(), Some(0));
}

/// 61.2 kPa below the room as tenths of a millibar, negative, in unit 3's input register 9: the pump is on all the time, nothing moves, and
/// that is said. This server answers for units that it does not have too, with exception 04.
#[test]
fn a_level_that_stands_is_taken_for_the_likeliest_and_marked() {
    let folder = tempfile::tempdir().unwrap();
    let told = ["3", "input", "9", "INT16", "big", "-6120", "-6120", "0"];
    let Some(hidden) = Hidden::start(folder.path(), 9_600, None, "hidden_gauge.py", &told) else { return };
    let (told, out) = begin(folder.path(), &answers(folder.path(), &hidden.link, 2, ""));
    assert_eq!((told["gauge"]["at"]["register"].as_i64(), told["gauge"]["moved"].as_bool()), (Some(9), Some(false)));
    assert_eq!(told["gauge"]["counts"], "gauge");
    assert!(std::fs::read_to_string(&out).unwrap().contains("# NOT PROVEN by the numbers: nothing moved"));
    assert_eq!(watched_level(&out, 61.2).stop(), Some(0));
}

/// A talker that must be asked, with a request that nothing guesses; and one that sends by itself in inches of mercury (NIST SP 811:
/// 18 inHg are 60.95 kPa).
#[test]
fn talkers_are_found_asked_or_not() {
    // Fewer units and parities than usual, since lines of text come after them.
    let few = "units = [1, 2]\nparity = \"none\"\nrequest = \"PV1\\r\"\n";
    for (request, more, off, on, flips, form, kpa) in [
        ("PV1\\r", few, "0.0", "-598.0", "5", "{:+.1f} mbar", 59.8),
        ("-", "", "0.0", "18.0", "9999", "CH1 {:.2f} inHg", 60.95),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let told = [request, off, on, flips, form];
        let Some(hidden) = Hidden::start(folder.path(), 9_600, None, "hidden_talker.py", &told) else { return };
        let (told, out) = begin(folder.path(), &answers(folder.path(), &hidden.link, 6, more));
        assert!(told["talker"]["line"].is_string(), "{told}");
        assert_eq!(told["gauge"]["moved"], true, "{told}");
        assert_eq!(watched_level(&out, kpa).stop(), Some(0));
    }
}

#[test]
fn a_dead_line_is_explained_and_nothing_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("line");
    let _line = Pty::new(&link);
    let file = answers(folder.path(), &link, 1, "baud = 115200\nparity = \"none\"\nunits = [1, 2]\nrequest = \"\"\n");
    let out = folder.path().join("table.toml");
    let done = holdwatch(&["begin", "--answers", file.to_str().unwrap(), "--out", out.to_str().unwrap()]);
    assert_eq!(done.status.code(), Some(1));
    assert!(text(&done.stderr).contains("Swap A and B"), "{}", text(&done.stderr));
    assert!(!out.exists());
}

#[test]
fn a_file_that_is_there_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("table.toml");
    std::fs::write(&out, "mine").unwrap();
    let done = holdwatch(&["begin", "--port", "/dev/null", "--out", out.to_str().unwrap()]);
    assert_eq!(done.status.code(), Some(1));
    assert!(text(&done.stderr).contains("--overwrite"), "{}", text(&done.stderr));
    assert_eq!(std::fs::read_to_string(&out).unwrap(), "mine");
}

#[test]
fn broken_answers_name_file_line_limit_and_remedy() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("shop.toml");
    for (answers, line, fragment) in [
        ("[pump]\nclass = \"vane\"\n", 2, "is none of the words; limit: regenerative-one-stage"),
        ("[board]\nthickness_mm = 1\n", 2, "1 is out of range; limit: 2 to 120 mm"),
        ("[board]\nweight_kg = 32\n", 1, "a weight alone says nothing of the board"),
        (
            "[board]\nweight_kg = 3\nlength_mm = 2440\nwidth_mm = 1220\nthickness_mm = 18\n",
            1,
            "no board of this size has this weight",
        ),
        ("[board]\nclass = \"light\"\nlooks = \"dark\"\n", 1, "the board is told twice"),
        ("[table]\naltitude_m = 1\nstation_pressure_hpa = 1000\n", 1, "both given"),
        ("[gauge]\nunits = [20, 1]\n", 2, "two whole numbers, the lesser first"),
        ("[gauge]\nunit = \"furlong\"\n", 2, "is not known"),
        ("[gauge]\nplace = \"zone\"\n", 2, "is none of the words"),
        ("[watch]\nseconds = 0\n", 2, "limit: 1 to 600"),
        ("[zones]\nrow = 2\n", 2, "key is not known"),
        ("[zones\n", 1, "cannot be read as TOML"),
    ] {
        std::fs::write(&file, answers).unwrap();
        let done = holdwatch(&["begin", "--answers", file.to_str().unwrap(), "--out", "/nonexistent/table.toml"]);
        assert_eq!(done.status.code(), Some(1), "{answers}");
        let said = text(&done.stderr);
        assert!(said.contains(&format!("shop.toml:{line}: ")) && said.contains(fragment), "{answers}{said}");
        assert!(said.contains("; limit: "), "{said}");
    }
}

#[test]
fn the_questions_are_answers_that_can_be_read() {
    let done = holdwatch(&["begin", "--questions"]);
    assert!(done.status.success());
    holdwatch::setup::read_answers(&text(&done.stdout), "questions").unwrap();
}

/// An owner who knows no altitude names a town: the setup says where its height is from, and what hangs on it.
#[test]
fn a_town_stands_for_an_altitude() {
    use holdwatch::setup::{answers_from_json, plausible};
    let room = |table: Value| plausible(&answers_from_json(&json!({ "table": table })).unwrap()).room.pascals();
    // The standard atmosphere at 1603 m, where Denver is (ISO 2533: 83.5 kPa), within what its airport lies higher.
    assert!((room(json!({ "town": "Denver" })) - 83_500.0).abs() < 1_200.0);
    let both = room(json!({ "town": "Denver", "altitude_m": 1200 }));
    assert!((both - room(json!({ "altitude_m": 1200 }))).abs() < 1e-6);
    let said = answers_from_json(&json!({ "table": { "town": "Cordoba" } })).unwrap_err().to_string();
    assert!(said.contains("Cordoba, Cordoba, AR (489 m)"), "{said}");
}

/// The same on the page, with a gauge of ours whose level follows the pump: 61.2 kPa of vacuum in tenths of a millibar.
#[test]
fn the_page_leads_through_the_same_steps() {
    let folder = tempfile::tempdir().unwrap();
    let (link, out) = (folder.path().join("line"), folder.path().join("table.toml"));
    let gauge = Peer::on(&link, 0);
    let served = Watched::start(&["begin", "--page", "0", "--out", out.to_str().unwrap()]);
    let shown = |what: &str, wanted: &dyn Fn(&Value) -> bool| {
        let begun = std::time::Instant::now();
        loop {
            let shown = served.get("/api/v1/begin");
            if wanted(&shown) {
                return shown;
            }
            assert!(begun.elapsed() < PATIENCE, "{what} did not come: {shown}");
            thread::sleep(Duration::from_millis(60));
        }
    };
    let stage = |stage: &'static str| move |shown: &Value| shown["stage"] == stage;
    let answers = json!({
        "gauge": {"registers": [0, 0], "place": "manifold"},
        "pump": {"class": "vane-dry", "nameplate_m3_h": 250, "count": 2},
        "table": {"altitude_m": 320},
    });
    assert!(served.text("/").contains("/begin.js"));
    let early = served.post("/api/v1/begin", &json!({"order": "write", "answers": answers}));
    assert_eq!(early.0, 422, "{}", early.1);
    let broken = json!({"order": "search", "port": link, "answers": {"pump": {"class": "vane"}}});
    assert_eq!(served.post("/api/v1/begin", &broken).0, 202);
    let refused = shown("what is wrong", &|shown| shown["wrong"].is_string());
    assert!(refused["wrong"].as_str().unwrap().contains("is none of the words"), "{refused}");
    assert_eq!(refused["stage"], "port");
    assert_eq!(served.post("/api/v1/begin", &json!({"order": "search", "port": link, "answers": answers})).0, 202);
    shown("the unit", &stage("found"));
    for (times, (on, level)) in [(false, 0), (true, 6_120), (false, 0)].into_iter().enumerate() {
        gauge.level.store(level, Ordering::Relaxed);
        assert_eq!(served.post("/api/v1/begin", &json!({"order": "watch", "on": on, "answers": answers})).0, 202);
        shown("a look", &|shown| shown["watched"].as_array().is_some_and(|watched| watched.len() == times + 1));
    }
    let found = shown("the number", &stage("found"));
    assert_eq!(
        (found["best"]["moved"].as_bool(), found["best"]["zero_seen"].as_bool()),
        (Some(true), Some(true)),
        "{found}"
    );
    assert!((found["best"]["top_kpa"].as_f64().unwrap() - 61.2).abs() < 0.1, "{found}");
    assert_eq!(served.post("/api/v1/begin", &json!({"order": "write", "answers": answers})).0, 202);
    let written = shown("the setup", &stage("written"));
    assert!(written["assumptions"].as_array().unwrap().len() > 5, "{written}");
    assert_eq!(served.stop(), Some(0));
    let checked = holdwatch(&["check", "--setup", out.to_str().unwrap()]);
    assert!(checked.status.success(), "{}", text(&checked.stdout));
}
