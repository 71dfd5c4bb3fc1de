//! A card with a cut program, through the command line: the parts told, drawn and as JSON, and a program that is not understood.

mod support;

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use holdwatch::daemon::{ProgramTask, Task};
use holdwatch::event::{Action, Actor, Answer, Command, CommandId, Event, Inputs, ProgressTold, RequestId, Utc};
use holdwatch::job::plan::{Bed, Machine, Told};
use holdwatch::job::{Card, Cut, Edge, HowHeld, Progress};
use holdwatch::minder::{Minder, Remembered};
use holdwatch::moment::{BootId, Moment, Steady};
use holdwatch::setup::{card_from_json, read_card, read_setup};
use holdwatch::table::PartId;
use holdwatch::view::JobView;
use serde_json::json;
use support::Watched;
use support::peer::table_on;

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
    card.with_program(std::io::Cursor::new(program.to_owned()), &Machine::default(), &Bed::default()).unwrap().0
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

/// A minder with the example's card on the table.
fn loaded() -> (Minder, Card) {
    let setup = read_setup(&fs::read_to_string(here("config/demo.toml")).unwrap(), "demo").unwrap();
    let (card, program) = example();
    let card = planned(&card, &program);
    let mut minder = Minder::new(setup, vec!["sides".into()], Remembered::default(), moment(0)).unwrap();
    tell(&mut minder, moment(1), Command::LoadCard(Box::new(card.clone())));
    (minder, card)
}

fn tell(minder: &mut Minder, at: Moment, command: Command) -> Vec<Action> {
    let mut out = Vec::new();
    minder.step(at, Event::Command(Actor("controller".into()), CommandId(9), command), &mut out);
    out
}

fn job(minder: &Minder, at: Moment) -> JobView {
    minder.view_at(at).job.unwrap()
}

#[test]
fn a_contact_alone_leads_through_the_program_with_an_uncertainty_that_grows() {
    let (mut minder, card) = loaded();
    let course = &card.program.as_ref().unwrap().route.as_ref().unwrap().course;
    let contact = |minder: &mut Minder, seconds: u64, cutting: bool| {
        let inputs = Inputs { cutting: Some(cutting), ..Inputs::default() };
        minder.step(moment(seconds), Event::Inputs(inputs), &mut Vec::new());
    };
    assert_eq!(job(&minder, moment(2)).between, None, "nobody has told anything");
    contact(&mut minder, 10, true);
    let mut wider = 0.0;
    for seconds in [12, 40, 80] {
        let view = job(&minder, moment(seconds));
        let place = course.place(Told::Elapsed(holdwatch::moment::Span::from_secs(seconds - 10))).unwrap();
        let (low, high) = view.between.unwrap();
        assert!((low - place.earliest.fraction()).abs() < 1e-9 && (high - place.latest.fraction()).abs() < 1e-9);
        assert!(low <= place.likely.fraction() && place.likely.fraction() <= high);
        assert!(high - low >= wider, "{seconds} s: {low} to {high}");
        wider = high - low;
    }
    assert!(wider > 0.01, "{wider}");
    // While the contact is open the program stands still.
    contact(&mut minder, 80, false);
    let at = job(&minder, moment(81)).between;
    assert_eq!(job(&minder, moment(300)).between, at);
    contact(&mut minder, 300, true);
    assert_eq!(job(&minder, moment(300)).between, at);
    // What a controller tells counts more, as long as it is fresh; then the clock goes on from there.
    tell(&mut minder, moment(301), Command::Progress(ProgressTold::Fraction(0.25)));
    assert_eq!(job(&minder, moment(301)).between, Some((0.25, 0.25)));
    let later = job(&minder, moment(330)).between.unwrap();
    assert!(later.0 < later.1 && later.1 > 0.25, "{later:?}");
}

#[test]
fn a_clock_a_share_and_a_number_of_the_programs_own_are_places_too() {
    let (mut minder, card) = loaded();
    let course = &card.program.as_ref().unwrap().route.as_ref().unwrap().course;
    let half = course.duration().times(0.5);
    tell(&mut minder, moment(2), Command::Progress(ProgressTold::Elapsed(half)));
    let view = job(&minder, moment(2));
    assert!((view.fraction - course.at(half).fraction()).abs() < 1e-9);
    let (low, high) = view.between.unwrap();
    assert!(low < view.fraction && view.fraction < high, "{view:?}");
    tell(&mut minder, moment(3), Command::Progress(ProgressTold::Share(1.0)));
    assert!(job(&minder, moment(3)).fraction > 0.95);
    let answer = tell(&mut minder, moment(4), Command::Progress(ProgressTold::Number(4711)));
    assert!(answer.contains(&Action::Answer(CommandId(9), Answer::Refused("no-such-line".into()))), "{answer:?}");
}

#[test]
fn a_card_by_name_is_read_by_the_edge_and_its_answer_waits_for_that() {
    let (mut minder, card) = loaded();
    let load = |name: &str| Command::LoadNamed(name.to_owned());
    let asked = |out: &[Action]| {
        out.iter().find_map(|action| match action {
            Action::ReadCard(id, name) => Some((*id, name.clone())),
            _ => None,
        })
    };
    let answers = |out: &[Action]| -> Vec<Answer> {
        out.iter()
            .filter_map(|action| match action {
                Action::Answer(_, answer) => Some(answer.clone()),
                _ => None,
            })
            .collect()
    };
    let out = tell(&mut minder, moment(2), load("sides"));
    let (first, name) = asked(&out).unwrap();
    assert_eq!((name.as_str(), answers(&out)), ("sides", vec![]));
    let second = tell(&mut minder, moment(3), load("other"));
    assert_eq!(answers(&second), [Answer::Refused("another-job-chosen".into())]);
    let (second, _) = asked(&second).unwrap();
    let read = |minder: &mut Minder, id: RequestId, card: Result<Option<Box<Card>>, String>| {
        let mut out = Vec::new();
        minder.step(moment(4), Event::CardRead(id, card), &mut out);
        answers(&out)
    };
    assert_eq!(read(&mut minder, first, Ok(None)), [], "nobody waits for the first any more");
    let renamed = Card { name: "Other".into(), ..card };
    assert_eq!(read(&mut minder, second, Ok(Some(Box::new(renamed)))), [Answer::Done]);
    assert_eq!(job(&minder, moment(4)).card, "Other");
    for (result, expected) in [
        (Err("line 3: G41".to_owned()), Answer::Refused("line 3: G41".into())),
        (Ok(None), Answer::Unknown { name: "third".into(), known: vec!["sides".into()] }),
    ] {
        let (id, _) = asked(&tell(&mut minder, moment(5), load("third"))).unwrap();
        assert_eq!(read(&mut minder, id, result), [expected]);
        assert_eq!(job(&minder, moment(5)).card, "Other", "what lies there stays");
    }
}

fn answer_of(out: &[Action]) -> Answer {
    // The one before it may be told that another job was chosen.
    let answer = out.iter().rev().find_map(|action| match action {
        Action::Answer(_, answer) => Some(answer.clone()),
        _ => None,
    });
    answer.unwrap()
}

fn program_asked(out: &[Action]) -> Option<(RequestId, Card)> {
    out.iter().find_map(|action| match action {
        Action::ReadProgram(id, card) => Some((*id, (**card).clone())),
        _ => None,
    })
}

#[test]
fn a_program_without_a_card_is_cut_as_the_last_job_of_its_material() {
    let (mut minder, card) = loaded();
    let load = |material: Option<&str>| Command::LoadProgram {
        file: "doors.nc".to_owned(),
        material: material.map(str::to_owned),
    };
    let (id, made) = program_asked(&tell(&mut minder, moment(2), load(None))).unwrap();
    assert_eq!((made.name.as_str(), &made.sheet, &made.cutter), ("doors.nc", &card.sheet, &card.cutter));
    let (program, like) = (made.program.clone().unwrap(), card.program.clone().unwrap());
    assert_eq!((program.file.as_str(), program.route, made.parts.len()), ("doors.nc", None, 0));
    assert_eq!((program.tools, program.reading, program.zero), (like.tools, like.reading, like.zero));
    // Read by the edge, it lies there.
    let mut out = Vec::new();
    let read = Card { name: "doors.nc".into(), ..card.clone() };
    minder.step(moment(3), Event::CardRead(id, Ok(Some(Box::new(read)))), &mut out);
    assert_eq!((answer_of(&out), job(&minder, moment(3)).card.as_str()), (Answer::Done, "doors.nc"));
    // Of another material: that of the list, its sheet and cutter still the last.
    let (_, made) = program_asked(&tell(&mut minder, moment(4), load(Some("hardwood")))).unwrap();
    assert_eq!((made.sheet.material.name.as_str(), made.sheet.material.cutting_force_n_mm2), ("hardwood", 50.0));
    assert_eq!(made.sheet.rect, card.sheet.rect);
    let strange = answer_of(&tell(&mut minder, moment(5), load(Some("unobtainium"))));
    assert!(
        matches!(strange, Answer::Unknown { name, known } if name == "unobtainium" && known.contains(&"mdf".into()))
    );
    // What was told of each material is remembered apart, and over a restart.
    let thick = Card {
        sheet: holdwatch::job::CardSheet { thickness: holdwatch::units::Length::from_millimetres(25.0), ..made.sheet },
        ..card
    };
    tell(&mut minder, moment(6), Command::LoadCard(Box::new(thick)));
    let mut minder = Minder::restore(&minder.snapshot().unwrap()).unwrap();
    for (material, millimetres) in [("hardwood", 25.0), ("mdf", 18.0)] {
        let (_, made) = program_asked(&tell(&mut minder, moment(7), load(Some(material)))).unwrap();
        assert!((made.sheet.thickness.millimetres() - millimetres).abs() < 1e-9, "{material}");
    }
    // A controller or a scanner gives the name alone; without a card by it, the program of that name is meant.
    minder.step(moment(8), Event::Programs(vec!["doors.nc".into()]), &mut Vec::new());
    let view = minder.view_at(moment(8));
    assert_eq!(view.programs, ["doors.nc"]);
    assert!(view.materials.contains(&"plywood".to_owned()));
    let out = tell(&mut minder, moment(9), Command::LoadNamed("doors.nc".into()));
    let Some(Action::ReadCard(id, _)) = out.iter().find(|action| matches!(action, Action::ReadCard(..))) else {
        panic!("{out:?}")
    };
    let mut out = Vec::new();
    minder.step(moment(9), Event::CardRead(*id, Ok(None)), &mut out);
    assert_eq!(program_asked(&out).unwrap().1.name, "doors.nc");
    // Nothing was ever cut: nothing to be like.
    let setup = read_setup(&fs::read_to_string(here("config/demo.toml")).unwrap(), "demo").unwrap();
    let mut fresh = Minder::new(setup, vec![], Remembered::default(), moment(0)).unwrap();
    assert_eq!(answer_of(&tell(&mut fresh, moment(1), load(None))), Answer::Refused("no-like-job".into()));
}

/// Worked by hand: down through 18 mm of sheet and 5 mm of board, then 206, 106, 206 and 106 mm about a part; the way down to the
/// sheet and the rapid up cut nothing.
#[test]
fn each_tool_counts_the_way_that_it_cut() {
    let folder = tempfile::tempdir().unwrap();
    let (_, card) = bench(folder.path(), OPEN, "");
    let card = planned(&fs::read_to_string(card).unwrap(), &OPEN.replace("Y115", "Y97"));
    let by_tool = card.program.as_ref().unwrap().route.as_ref().unwrap().by_tool.clone();
    assert_eq!(by_tool.len(), 1);
    assert!(by_tool[0].0 == 1 && (by_tool[0].1.millimetres() - 647.0).abs() < 1e-6, "{by_tool:?}");
}

#[test]
fn the_shops_tools_serve_every_card_that_lists_none() {
    let demo = fs::read_to_string(here("config/demo.toml")).unwrap();
    let tools = "[[tool]]\nnumber = 3\ndiameter_mm = 12\nflutes = 3\nhelix = \"compression\"\n\
                 [[tool]]\nnumber = 4\ndiameter_mm = 25\nhelix = \"compression\"\n";
    let setup = read_setup(&(demo + tools), "table.toml").unwrap_or_else(|mistakes| panic!("{mistakes}"));
    let card = "name = \"Sides\"\nprogram = \"sides.nc\"\n[sheet]\nat_mm = [0, 0]\nsize_mm = [1220, 1220]\nthickness_mm = 18\n\
                material = \"mdf\"\n";
    let read = |card: &str| read_card(card, "card.toml", &setup).unwrap_or_else(|mistakes| panic!("{mistakes}"));
    let listed = read(card).program.unwrap().tools;
    assert_eq!(listed.iter().map(|tool| (tool.number, tool.flutes)).collect::<Vec<_>>(), [(3, 3), (4, 2)]);
    // Through 18 mm a 12 mm compression cutter is beyond its tip, one of 25 mm is not (30 degrees of helix).
    assert!(listed[0].helix.axial_share(18.0 / 12.0).abs() < 1e-12);
    assert!((listed[1].helix.axial_share(18.0 / 25.0) - 30_f64.to_radians().tan()).abs() < 1e-12);
    let own = read(&format!("{card}[[tool]]\nnumber = 9\ndiameter_mm = 6\n")).program.unwrap().tools;
    assert_eq!(own.iter().map(|tool| tool.number).collect::<Vec<_>>(), [9]);
}

#[test]
fn a_skim_after_z0_was_taken_asks_for_z0_anew() {
    let at = |seconds: u64, civil: &str| Moment {
        civil: Some(Utc::parse_rfc3339(civil).unwrap()),
        synced: true,
        ..moment(seconds)
    };
    let asks = |minder: &Minder| job(minder, moment(9)).look_at.iter().any(|look| look.key == "look-rezero");
    let (mut minder, card) = loaded();
    // The example's card was zeroed on 2026-03-02.
    tell(&mut minder, at(2, "2026-03-01T10:00:00Z"), Command::Skimmed);
    assert!(!asks(&minder));
    tell(&mut minder, at(3, "2026-03-04T10:00:00Z"), Command::Skimmed);
    assert!(asks(&minder));
    let zeroed = |text: &str| {
        let mut card = card.clone();
        card.program.as_mut().unwrap().zeroed = Some(Utc::parse_rfc3339(text).unwrap());
        Command::LoadCard(Box::new(card))
    };
    tell(&mut minder, moment(4), zeroed("2026-03-04T11:00:00Z"));
    assert!(!asks(&minder));
    let mut unsaid = card.clone();
    unsaid.program.as_mut().unwrap().zeroed = None;
    let written = Some(Utc::parse_rfc3339("2026-03-03T10:00:00Z").unwrap());
    tell(&mut minder, moment(5), Command::LoadCard(Box::new(unsaid.zeroed_unless_said(written))));
    assert!(asks(&minder), "a card that does not say when counts from its file");
}

/// A setup with screws and a groove, a card, its program, all in a folder.
fn bench(folder: &Path, program: &str, card_more: &str) -> (PathBuf, PathBuf) {
    let (setup, _) = table_on(folder);
    let text = fs::read_to_string(&setup).unwrap();
    let more = "\n[[board.screw]]\nat_mm = [300, 97]\ndiameter_mm = 10\nbelow_mm = 3\n\
                [[board.groove]]\nfrom_mm = [0, 203]\nto_mm = [1000, 203]\nwidth_mm = 8\nbelow_mm = 9\n\
                [jobs]\ncards = \"cards\"\n";
    fs::write(&setup, text + more).unwrap();
    let cards = folder.join("cards");
    fs::create_dir_all(&cards).unwrap();
    let card = format!(
        "name = \"Sides\"\nprogram = \"sides.nc\"\n[sheet]\nat_mm = [0, 0]\nsize_mm = [1220, 1220]\nthickness_mm = 18\n\
         material = \"mdf\"\n[[tool]]\nnumber = 1\ndiameter_mm = 6\nflutes = 2\nhelix = \"down\"\n{card_more}"
    );
    fs::write(cards.join("sides.toml"), card).unwrap();
    fs::write(cards.join("sides.nc"), program).unwrap();
    (setup, cards.join("sides.toml"))
}

/// An outline with a gap of 12 mm, 5 mm into the board.
const OPEN: &str =
    "G21 G90\nT1 M6\nS18000 M3\nG0 X97 Y97 Z25\nG1 Z-23 F2000\nX303 F6000\nY203\nX97\nY115\nG0 Z25\nM5\nM30\n";

fn check(setup: &Path, card: &Path) -> (Option<i32>, String) {
    let mut command = assert_cmd::Command::cargo_bin("holdwatch").unwrap();
    let output = command.args(["check", "--setup"]).arg(setup).arg("--job").arg(card).output().unwrap();
    (output.status.code(), String::from_utf8(output.stdout).unwrap())
}

#[test]
fn check_tells_gaps_screws_and_grooves_before_the_cut() {
    let folder = tempfile::tempdir().unwrap();
    let (setup, card) = bench(folder.path(), OPEN, "");
    let (code, said) = check(&setup, &card);
    assert_eq!(code, Some(0), "{said}");
    for wanted in
        ["line 9: an outline of 200 cm2 is not closed, 12.0 mm", "line 6: a cut 5.0 mm into the board meets a screw"]
    {
        assert!(said.contains(wanted), "{wanted:?} is missing from\n{said}");
    }
    assert!(!said.contains("groove"), "the cut stays above the groove:\n{said}");
    // The board of the setup is 18 mm thick; the card has the last word.
    bench(folder.path(), &OPEN.replace("Z-23", "Z-28"), "[reading]\nboard_left_mm = 8\n");
    let (_, said) = check(&setup, &card);
    for wanted in ["meets a groove", "of which 8.0 mm are left"] {
        assert!(said.contains(wanted), "{wanted:?} is missing from\n{said}");
    }
}

const LONG: Duration = Duration::from_secs(120);

#[test]
fn the_daemon_has_programs_read_by_a_child_and_replays_what_came_of_it() {
    let folder = tempfile::tempdir().unwrap();
    let closed = OPEN.replace("Y115", "Y97");
    let (setup, card) = bench(folder.path(), &closed, "");
    let watched = Watched::run(&setup);
    let load = |wanted: u16| {
        // The page gives up after five seconds; the job comes all the same.
        let (status, said) = watched.post("/api/v1/job", &json!({"card": "Sides"}));
        assert!(status == wanted || status == 503, "{status} {said}");
        said
    };
    let loose = card.with_file_name("loose.nc");
    fs::write(&loose, &closed).unwrap();
    let (status, said) = watched.post("/api/v1/job", &json!({"program": "loose.nc", "material": "mdf"}));
    assert_eq!((status, said.contains("no-like-job")), (409, true), "{said}");
    load(204);
    let view = watched.wait_for("the job", LONG, |view| view["job"]["parts"] == 1);
    let looks = view["job"]["look_at"].to_string();
    assert!(looks.contains("look-screw") && !looks.contains("look-open-outline"), "{looks}");
    // A program without a card is offered, and laid as the last job.
    watched.wait_for("the loose program", LONG, |view| view["programs"] == json!(["loose.nc"]));
    let (status, said) = watched.post("/api/v1/job", &json!({"program": "loose.nc", "material": "mdf"}));
    assert!(status == 204 || status == 503, "{status} {said}");
    watched.wait_for("the loose job", LONG, |view| view["job"]["card"] == "loose.nc" && view["job"]["parts"] == 1);
    let (status, said) = watched.post("/api/v1/job", &json!({"program": "../loose.nc"}));
    assert!(status == 422 && said.contains("has a folder in it"), "{status} {said}");
    load(204);
    watched.wait_for("the job again", LONG, |view| view["job"]["card"] == "Sides");
    // A program that is not understood is refused, and what lies there stays.
    fs::write(card.with_file_name("sides.nc"), closed.replace("X303 F6000", "G41 X303 F6000")).unwrap();
    let said = load(422);
    assert!(said.is_empty() || said.contains("no-answer") || said.contains("line 6"), "{said}");
    // A program that cannot be read at all: that it failed is an event, and kept.
    fs::remove_file(card.with_file_name("sides.nc")).unwrap();
    load(422);
    let failed = |folder: &Path| {
        let journal = holdwatch::journal::Where::Sqlite(folder.join("journal.db"));
        let window = holdwatch::journal::Window { from: Utc::from_micros(i64::MIN), to: Utc::from_micros(i64::MAX) };
        let entries = holdwatch::daemon::entries(&journal, "command", window).unwrap();
        entries.iter().any(|entry| entry.body.contains("cannot be read"))
    };
    watched.wait_for("the failure in the journal", LONG, |_| failed(folder.path()));
    assert_eq!(watched.now()["job"]["card"], "Sides");
    assert_eq!(watched.stop(), Some(0));
    let mut replay = assert_cmd::Command::cargo_bin("holdwatch").unwrap();
    let played = replay.arg("replay").arg(folder.path().join("journal.db")).arg("--json").output().unwrap();
    let said: serde_json::Value = serde_json::from_slice(&played.stdout).unwrap();
    assert_eq!(said["pieces_different"].as_array().unwrap().len(), 0, "{said:#}");
    assert_eq!(said["holes"], 0, "{said:#}");
}

#[test]
fn a_card_without_a_cutter_takes_the_tool_that_cuts_through() {
    let (card, program) = example();
    let from = card.find("# The cutter of the parts' outlines").unwrap();
    let to = card.find("# The tools that the program names").unwrap();
    let card = format!("{}{}", &card[..from], &card[to..]);
    let card = planned(&card, &program);
    let cutter = card.cutter;
    let Edge::Milling(milling) = cutter.edge else { panic!("{cutter:?}") };
    assert!((cutter.diameter.millimetres() - 6.0).abs() < 1e-9 && milling.flutes == 2, "{cutter:?}");
    assert!((milling.spindle_rpm - 18_000.0).abs() < 1e-9, "{cutter:?}");
    assert!(milling.feed_m_min > 1.0 && milling.feed_m_min <= 6.0, "{cutter:?}");
    assert!(cutter.last_pass.millimetres() > 0.0 && cutter.last_pass <= card.sheet.thickness, "{cutter:?}");
    let setup = read_setup(&fs::read_to_string(here("config/demo.toml")).unwrap(), "demo").unwrap();
    let text = "name = \"a\"\nprogram = \"a.nc\"\n[sheet]\nat_mm = [0, 0]\nsize_mm = [500, 500]\nthickness_mm = 18\nmaterial = \"mdf\"\n[[tool]]\nnumber = 1\ndiameter_mm = 6\n";
    let card = read_card(text, "card", &setup).unwrap();
    let silent = "G21 G90\nT1\nG0 X100 Y100 Z5\nM3\nG1 Z-19 F1000\nX200\nM30\n";
    let refused = card.with_program(std::io::Cursor::new(silent), &Machine::default(), &Bed::default()).unwrap_err();
    assert!(refused[0].line == 6 && refused[0].what.contains("no spindle speed"), "{refused:?}");
    let without = read_card(&text.replace("[[tool]]\nnumber = 1\ndiameter_mm = 6\n", ""), "card", &setup).unwrap_err();
    assert!(without.to_string().contains("cutter"), "{without}");
}

/// A card carries the marks of some 300 lines; a controller tells the number of any.
#[test]
fn every_number_of_a_long_program_is_a_place_that_rises_with_it() {
    let sweep = |step: u32| format!("X{} Y{}\n", 100 + step % 2 * 900, 100 + step);
    let lines: Vec<String> = ["G21 G90 G17\n", "T1 M6\n", "S18000 M3\n", "G0 X100 Y100 Z25\n", "G1 Z-18.2 F6000\n"]
        .map(str::to_owned)
        .into_iter()
        .chain((0..800).map(sweep))
        .chain(["G0 Z25\n", "M5\n", "M30\n"].map(str::to_owned))
        .collect();
    let text: String = lines.iter().enumerate().map(|(place, line)| format!("N{} {line}", 10 * (place + 1))).collect();
    let tool = with_tools("[[tool]]\nnumber = 1\ndiameter_mm = 6\n");
    let card = planned(&tool, &text);
    let course = &card.program.as_ref().unwrap().route.as_ref().unwrap().course;
    let size = postcard::to_stdvec(course).unwrap().len();
    assert!(size < 300 * 40, "{size} bytes");
    let last = 10 * lines.len() as u32;
    let mut before = 0.0;
    for (line, number) in (1..=lines.len() as u64).zip((10..=last).step_by(10)) {
        let place = course.place(Told::Number(number)).unwrap_or_else(|| panic!("N{number} is refused"));
        let (low, likely, high) = (place.earliest.fraction(), place.likely.fraction(), place.latest.fraction());
        assert!(low <= likely && likely <= high && likely >= before, "N{number}: {place:?}");
        before = likely;
        // The line of the file says the same.
        let line = course.place(Told::Line(line)).unwrap();
        assert!(low <= line.likely.fraction() && line.likely.fraction() <= high, "N{number}: {place:?} {line:?}");
    }
    assert!(before > 0.99, "{before}");
    assert!(course.place(Told::Number(last + 10)).is_none());
    // Where numbers begin anew, one that is left out could be anywhere.
    let anew: String =
        lines.iter().enumerate().map(|(place, line)| format!("N{} {line}", 10 * (place % 500 + 1))).collect();
    let card = planned(&tool, &anew);
    let course = &card.program.as_ref().unwrap().route.as_ref().unwrap().course;
    let placed = (10..=5000).step_by(10).filter(|number| course.place(Told::Number(*number)).is_some()).count();
    assert!(placed < 400, "{placed}");
}

/// A card on the demo's table whose cutter is that of its program.
fn with_tools(tools: &str) -> String {
    format!(
        "name = \"a\"\nprogram = \"a.nc\"\n[sheet]\nat_mm = [0, 0]\nsize_mm = [1220, 1220]\nthickness_mm = 18\nmaterial = \"mdf\"\n\
         {tools}"
    )
}

/// A part of so many mm at a place, its outline cut at each of these depths.
fn square(at: [f64; 2], side: f64, depths: &[f64]) -> String {
    let [x, y] = at;
    let (far_x, far_y) = (x + side + 6.0, y + side + 6.0);
    let pass = |depth: &f64| format!("G1 Z-{depth} F2000\nX{far_x} F6000\nY{far_y}\nX{x}\nY{y}\n");
    format!("G0 X{x} Y{y}\n{}G0 Z25\n", depths.iter().map(pass).collect::<String>())
}

fn milling(card: &Card) -> holdwatch::job::Milling {
    match card.cutter.edge {
        Edge::Milling(milling) => milling,
        Edge::Knife { .. } => panic!("no knife"),
    }
}

/// A compression cutter pulls up only within its tip, one diameter long (common practice, no source); tan 30° = 0.57735.
#[test]
fn a_compression_cutter_pulls_as_deep_as_the_programs_last_pass_is() {
    let tool = with_tools("[[tool]]\nnumber = 1\ndiameter_mm = 6\nflutes = 2\nhelix = \"compression\"\n");
    for (depths, share) in [(&[8.0, 16.0, 18.2][..], 0.577_35), (&[9.0, 18.2], 0.0)] {
        let program = format!("G21 G90\nT1 M6\nS18000 M3\nG0 Z25\n{}M30\n", square([100.0, 100.0], 300.0, depths));
        let card = planned(&tool, &program);
        assert!((milling(&card).axial_share - share).abs() < 1e-4, "{depths:?}: {:?}", card.cutter);
        // The same cutter told by the card.
        let told = format!(
            "[cutter]\ndiameter_mm = 6\nflutes = 2\nspindle_rpm = 18000\nfeed_m_min = 6\nhelix = \"compression\"\nlast_pass_mm = {}\n",
            card.cutter.last_pass.millimetres()
        );
        let told = planned(&with_tools(&told), &program);
        assert!((milling(&told).axial_share - milling(&card).axial_share).abs() < 1e-12, "{:?}", told.cutter);
    }
}

/// Peak force of a tooth in a slot: k_c times depth times feed per tooth (Dietrich and Tschätsch, Praxis der Zerspantechnik).
#[test]
fn the_part_that_is_pulled_hardest_decides_however_small_it_is() {
    let tools = with_tools(
        "[[tool]]\nnumber = 1\ndiameter_mm = 6\nflutes = 2\n[[tool]]\nnumber = 2\ndiameter_mm = 6\nflutes = 1\n",
    );
    let cut = |program: &[&str]| planned(&tools, &format!("G21 G90\nG0 Z25\n{}M5\nM30\n", program.concat())).cutter;
    let large: String = [[50.0, 50.0], [600.0, 50.0], [50.0, 600.0], [600.0, 600.0]]
        .map(|at| square(at, 500.0, &[6.0, 12.0, 18.2]))
        .concat();
    let first = "T1 M6\nS18000 M3\n";
    // 18 mm at once about a small part: three times the force of a last pass of 6 mm.
    let (small, alone) = (square([1150.0, 50.0], 54.0, &[18.2]), cut(&[first, &square([1150.0, 50.0], 54.0, &[18.2])]));
    assert!((alone.last_pass.millimetres() - 18.0).abs() < 1e-3, "{alone:?}");
    assert_eq!(cut(&[first, &large, &small]), alone);
    assert_eq!(cut(&[first, &small, &large]), alone);
    // One flute at half the speed takes four times the chip.
    let (second, small) = ("T2 M6\nS9000 M3\n", square([1150.0, 50.0], 54.0, &[6.0, 12.0, 18.2]));
    let alone = cut(&[second, &small]);
    let Edge::Milling(milling) = alone.edge else { panic!("{alone:?}") };
    assert!(milling.flutes == 1 && (milling.spindle_rpm - 9000.0).abs() < 1e-9, "{alone:?}");
    assert_eq!(cut(&[first, &large, second, &small]), alone);
    // Slowed down by S alone, and fed faster, about one part: that part's chip.
    let fast = small.replace("F6000", "F9000");
    assert_eq!(cut(&[first, &large, "S9000\n", &fast]), cut(&["T1 M6\nS9000 M3\n", &fast]));
}

/// What the child says to a card's program that may take so much memory; none if it ends otherwise.
fn child(folder: &Path, program: &str, most_memory: u64) -> Option<Result<Card, String>> {
    let setup = read_setup(&fs::read_to_string(here("config/demo.toml")).unwrap(), "demo").unwrap();
    let card = read_card(&example().0, "card", &setup).unwrap();
    let file = folder.join("program.nc");
    fs::write(&file, program).unwrap();
    let task = ProgramTask { card, file, machine: Machine::default(), bed: Bed::default(), most_memory };
    let mut command = assert_cmd::Command::cargo_bin("holdwatch").unwrap();
    let asked = postcard::to_stdvec(&Task::Program(Box::new(task))).unwrap();
    let output = command.arg("compute").write_stdin(asked).output().unwrap();
    output.status.success().then(|| postcard::from_bytes(&output.stdout).unwrap())
}

#[test]
fn the_child_reads_a_program_within_its_memory_or_ends() {
    let folder = tempfile::tempdir().unwrap();
    let (_, program) = example();
    let read = child(folder.path(), &program, 150 << 20).unwrap().unwrap();
    assert_eq!(read.parts.len(), 4);
    let refused = child(folder.path(), &program.replace("G2 I153", "G41 G2 I153"), 150 << 20).unwrap().unwrap_err();
    assert!(refused.contains("program.nc: line 49"), "{refused}");
    // 200 turns of some 700 chords each: their kerf alone takes more than is given.
    let rings: String = (0..200).map(|_| "G2 I500 F6000\n").collect();
    let great = format!("G21 G90\nT1 M6\nS18000 M3\nG0 X100 Y600 Z5\nG1 Z-18.2 F2000\n{rings}G0 Z5\nM30\n");
    assert!(child(folder.path(), &great, 6 << 20).is_none(), "more memory was taken than was given");
}
