//! A card with a cut program, through the command line: the parts told, drawn and as JSON, and a program that is not understood.

use std::fs;
use std::path::{Path, PathBuf};

use holdwatch::event::{Action, Actor, Answer, Command, CommandId, Event, ProgressTold};
use holdwatch::job::plan::{Machine, Told};
use holdwatch::job::{Card, Cut, HowHeld, Progress};
use holdwatch::minder::{Minder, Remembered};
use holdwatch::moment::{BootId, Moment, Steady};
use holdwatch::setup::{card_from_json, read_card, read_setup};
use holdwatch::table::PartId;

fn here(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn forecast(job: &Path, more: &[&str]) -> std::process::Output {
    let mut command = assert_cmd::Command::cargo_bin("holdwatch").unwrap();
    command.args(["forecast", "--setup"]).arg(here("config/demo.toml")).arg("--job").arg(job).args(more);
    command.output().unwrap()
}

fn planned(card: &str, program: &str) -> Card {
    let setup = read_setup(&fs::read_to_string(here("config/demo.toml")).unwrap(), "demo").unwrap();
    let card = read_card(card, "card", &setup).unwrap_or_else(|mistakes| panic!("{mistakes}"));
    card.with_program(std::io::Cursor::new(program.to_owned()), &Machine::default()).unwrap().0
}

fn example() -> (String, String) {
    let text = |name: &str| fs::read_to_string(here(name)).unwrap();
    (text("config/example-program.toml"), text("config/example-program.nc"))
}

#[test]
fn the_forecast_tells_the_parts_of_the_program_with_what_holds_them() {
    let folder = tempfile::tempdir().unwrap();
    let picture = folder.path().join("sheet.svg");
    let output = forecast(&here("config/example-program.toml"), &["--svg", picture.to_str().unwrap()]);
    let told = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    for wanted in [
        "part 1",
        "part 4",
        "drop 1",
        "2 tab(s), 4.0 mm thick",
        "skin(s), 0.6 mm thick",
        "the vacuum alone",
        "M10 is passed over",
    ] {
        assert!(told.contains(wanted), "{wanted:?} is missing from\n{told}");
    }
    assert!(!told.contains("look at"), "{told}");
    let drawn = fs::read_to_string(picture).unwrap();
    assert_eq!(drawn.matches("<polygon").count(), 4);
    assert_eq!(drawn.matches("<svg").count(), 1);
}

#[test]
fn the_forecast_as_json_carries_the_pieces() {
    let output = forecast(&here("config/example-program.toml"), &["--json"]);
    let told: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(told["parts"].as_array().unwrap().len(), 4);
    let pieces = told["program"]["pieces"].as_array().unwrap();
    let kinds: Vec<&str> = pieces.iter().map(|piece| piece["kind"].as_str().unwrap()).collect();
    assert_eq!(kinds, ["part", "part", "part", "drop", "part", "skeleton"]);
    // The side by hand: 500 by 400 less four pin holes of 5 mm.
    let area = pieces[0]["area"].as_f64().unwrap();
    assert!((area / (0.2 - 4.0 * std::f64::consts::PI * 0.0025_f64.powi(2)) - 1.0).abs() < 0.005, "{area}");
}

#[test]
fn a_program_that_is_not_understood_is_refused_at_its_lines() {
    let folder = tempfile::tempdir().unwrap();
    let (card, program) = example();
    let job = folder.path().join("job.toml");
    fs::write(&job, card).unwrap();
    fs::write(folder.path().join("example-program.nc"), program.replace("G2 I153 J0 F6000", "G41 G2 I153 J0 F6000"))
        .unwrap();
    let output = forecast(&job, &[]);
    assert!(!output.status.success());
    let said = String::from_utf8(output.stderr).unwrap();
    let refused =
        |said: &str| said.contains(".nc:49: G41") && said.contains(".nc:51: G41") && !said.contains(".nc:50:");
    assert!(refused(&said), "{said}");
    let mut check = assert_cmd::Command::cargo_bin("holdwatch").unwrap();
    let checked =
        check.args(["check", "--setup"]).arg(here("config/demo.toml")).arg("--job").arg(&job).output().unwrap();
    assert_eq!(checked.status.code(), Some(1));
    assert!(refused(&String::from_utf8(checked.stdout).unwrap()));
    fs::remove_file(folder.path().join("example-program.nc")).unwrap();
    let missing = String::from_utf8(forecast(&job, &[]).stderr).unwrap();
    assert!(missing.contains("a file beside the card"), "{missing}");
}

#[test]
fn the_cut_of_a_planned_card_follows_its_program() {
    let (card, program) = example();
    let card = planned(&card, &program);
    let held: Vec<HowHeld> = card.parts.iter().map(|part| part.held).collect();
    assert_eq!(held, [HowHeld::Tabs, HowHeld::Tabs, HowHeld::Tabs, HowHeld::Vacuum]);
    let cut = Cut::of(&card);
    assert_eq!(cut.freed(Progress::START), 0);
    assert_eq!(cut.freed(Progress::from_fraction(1.0)), 4);
    let mut before = Progress::START;
    for part in 0..4 {
        let freed = cut.freed_at(PartId(part)).unwrap();
        assert!(freed >= before, "{part}: {freed:?}");
        before = freed;
    }
    let load = cut.load(Progress::from_fraction(0.5));
    let open: f64 = load
        .kerfs
        .iter()
        .flat_map(|kerf| kerf.path.windows(2))
        .map(|ends| (ends[1].x - ends[0].x).metres().hypot((ends[1].y - ends[0].y).metres()))
        .sum();
    assert!((open / cut.length().metres() - 0.5).abs() < 1e-6);
    assert_eq!(load.parts.len(), 4);
    assert!(load.parts[3].outline.len() >= 4);
}

#[test]
fn a_planned_card_survives_being_written_and_read() {
    let (card, program) = example();
    let card = planned(&card, &program);
    let again: Card = serde_json::from_str(&serde_json::to_string(&card).unwrap()).unwrap();
    assert_eq!(card, again);
    let again: Card = postcard::from_bytes(&postcard::to_stdvec(&card).unwrap()).unwrap();
    assert_eq!(card, again);
}

#[test]
fn a_card_that_is_sent_cannot_name_a_program() {
    let setup = read_setup(&fs::read_to_string(here("config/demo.toml")).unwrap(), "demo").unwrap();
    let card: toml::Value = toml::from_str(&example().0).unwrap();
    let refused = card_from_json(&serde_json::to_value(card).unwrap(), &setup).unwrap_err().to_string();
    assert!(refused.contains("names a program"), "{refused}");
}

/// What the minder answers to a line that the controller tells, and how far the job then is.
fn told_line(minder: &mut Minder, line: u64) -> (Answer, f64) {
    let mut out = Vec::new();
    let command = Command::Progress(ProgressTold::Line(line));
    minder.step(moment(line), Event::Command(Actor("controller".into()), CommandId(line), command), &mut out);
    let answer = out.iter().find_map(|action| match action {
        Action::Answer(_, answer) => Some(answer.clone()),
        _ => None,
    });
    let shown = out.iter().rev().find_map(|action| match action {
        Action::Show(view) => view.job.as_ref().map(|job| job.fraction),
        _ => None,
    });
    (answer.unwrap(), shown.unwrap_or(f64::NAN))
}

fn moment(seconds: u64) -> Moment {
    Moment { boot: BootId(1), steady: Steady::from_nanos(1_000_000_000 * seconds), civil: None, synced: false }
}

#[test]
fn a_line_that_the_controller_tells_is_a_place_in_the_cut() {
    let setup = read_setup(&fs::read_to_string(here("config/demo.toml")).unwrap(), "demo").unwrap();
    let (card, program) = example();
    let card = planned(&card, &program);
    let course = &card.program.as_ref().unwrap().route.as_ref().unwrap().course;
    let expected = course.place(Told::Line(64)).unwrap().likely.fraction();
    let mut minder = Minder::new(setup, vec![], Remembered::default(), moment(0)).unwrap();
    assert_eq!(told_line(&mut minder, 10).0, Answer::Refused("progress-by-line-needs-a-program".into()));
    let load = Event::Command(Actor("controller".into()), CommandId(0), Command::LoadCard(Box::new(card)));
    minder.step(moment(11), load, &mut Vec::new());
    let (answer, shown) = told_line(&mut minder, 64);
    assert_eq!(answer, Answer::Done);
    assert!((shown - expected).abs() < 1e-9 && shown > 0.5, "{shown} {expected}");
    assert_eq!(told_line(&mut minder, 5000).0, Answer::Refused("no-such-line".into()));
}
