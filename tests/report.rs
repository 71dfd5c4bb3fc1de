//! What the report tells of alarms, shift by shift, as whole runs of the program; every figure was counted by hand.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

mod records;

use std::fs;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use holdwatch::alarm::{Move, State, Tag};
use holdwatch::event::{Actor, Answer, Command as Order};
use holdwatch::journal::Where;
use holdwatch::moment::{Moment, Utc};
use holdwatch::watch::Cause;
use records::{START, at_millis, brisk, entry, run};

/// The shop's third morning: three shifts from 06:00, 14:00 and 22:00, an hour ahead of UTC in March (Directive 2000/84/EC).
const SHOP: &str = "\n[shop]\nshifts = [\"06:00\", \"14:00\", \"22:00\"]\ntime_zone = \"Europe/Vienna\"\n";

fn at(time: &str) -> Moment {
    let micros = Utc::parse_rfc3339(&format!("2026-03-{time}Z")).unwrap().micros() - START;
    at_millis(u64::try_from(micros / 1000).unwrap())
}

/// One alarm's way, each step a state and when it came to it; the cause stands with every step.
fn way(tag: Tag, cause: Option<Cause>, steps: &[(State, Moment)]) -> Vec<(Moment, Move, Option<Cause>)> {
    let before = std::iter::once(State::Normal).chain(steps.iter().map(|(state, _)| *state));
    let step = |(from, (to, at)): (State, &(State, Moment))| (*at, Move { tag, from, to: *to, at: at.steady }, cause);
    before.zip(steps).map(step).collect()
}

fn later(at: Moment, secs: u64) -> Moment {
    let millis = (at.steady.nanos() - at_millis(0).steady.nanos()) / 1_000_000;
    at_millis(millis + 1000 * secs)
}

/// Three days: a gauge that fails for two of them, then a day with a fleeting alarm, one that chatters, a flood, one that is shelved, one
/// that is taken out of service and one that stays.
fn moves() -> Vec<(Moment, Move, Option<Cause>)> {
    use State::{Acknowledged, Normal, OutOfService, ReturnedUnacknowledged as Returned, Shelved, Unacknowledged};
    let up = Unacknowledged;
    let since = [(up, at("01T07:30:10")), (Acknowledged, at("01T07:31:00")), (Normal, at("03T08:10:00"))];
    let mut all = way(Tag::NoReading, Some(Cause::GaugeOrLine), &since);
    let short = [(up, at("03T08:00:00")), (Returned, at("03T08:00:05")), (Normal, at("03T08:01:00"))];
    all.extend(way(Tag::LevelLow, Some(Cause::SheetNotSeated), &short));
    let nine = at("03T09:00:00");
    let chatter = [(up, 0), (Returned, 12), (up, 20), (Returned, 32), (up, 40), (Returned, 52), (Normal, 120)];
    all.extend(way(Tag::LevelLow, Some(Cause::Rim), &chatter.map(|(state, secs)| (state, later(nine, secs)))));
    let flood = [
        (Tag::MarginLow, Cause::WeakPart),
        (Tag::LevelHigh, Cause::ShutValveOrPluggedFilter),
        (Tag::SuddenLoss, Cause::SheetLifted),
    ];
    for (place, (tag, cause)) in (0..11).zip(flood.into_iter().cycle()) {
        let begins = later(at("03T10:00:00"), 50 * place);
        let steps = [(up, begins), (Returned, later(begins, 30)), (Normal, later(begins, 40))];
        all.extend(way(tag, Some(cause), &steps));
    }
    let aside = [(up, at("03T13:59:00")), (Shelved, at("03T14:00:00")), (Normal, at("03T15:00:00"))];
    all.extend(way(Tag::LevelHigh, Some(Cause::ShutValveOrPluggedFilter), &aside));
    all.extend(way(Tag::NotSaving, None, &[(OutOfService, at("03T22:00:00")), (Normal, at("03T22:30:00"))]));
    all.extend(way(Tag::PumpLost, Some(Cause::PumpStopped), &[(up, at("03T23:00:00"))]));
    all.sort_by_key(|(at, ..)| at.steady);
    all
}

/// A journal of these alarms, and of somebody who saw one.
async fn shop(folder: &Path) -> (PathBuf, PathBuf) {
    let (journal, setup) = (folder.join("journal.db"), folder.join("table.toml"));
    fs::write(&setup, fs::read_to_string("config/demo.toml").unwrap() + SHOP).unwrap();
    let mut running = run(&Where::Sqlite(journal.clone()), brisk(), at_millis(0)).await;
    let seen = (Actor("Quillon".to_owned()), Order::Acknowledge(Tag::NoReading), Answer::Done);
    running.keep(entry(1, at_millis(0), "command", &serde_json::to_string(&seen).unwrap())).await;
    let mut seq = 1;
    for (at, step, cause) in moves() {
        seq += 1;
        running.keep(entry(seq, at, "alarm", &serde_json::to_string(&(step, cause)).unwrap())).await;
    }
    running.stored(seq).await;
    running.close().await;
    (journal, setup)
}

fn report(journal: &Path, setup: &Path, more: &[&str]) -> String {
    let mut command = Command::new(env!("CARGO_BIN_EXE_holdwatch"));
    command.arg("report").arg(journal).arg("--setup").arg(setup).args(more);
    String::from_utf8(command.assert().success().get_output().stdout.clone()).unwrap()
}

/// The rows of a CSV file by RFC 4180, the head among them.
fn rows(folder: &Path, name: &str) -> Vec<Vec<String>> {
    let text = fs::read_to_string(folder.join(name)).unwrap();
    assert_eq!(text.matches("\r\n").count(), text.matches('\n').count(), "lines end in CR LF");
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(text.as_bytes());
    reader.records().map(|row| row.unwrap().iter().map(str::to_owned).collect()).collect()
}

/// The figures are those of ANSI/ISA-18.2-2016, 16.4, as restated in public. Of the early shift of the third day, 48 times ten minutes: one
/// fleeting alarm, three of one tag in 40 s, and eleven from 10:00 on, which are more than ten and so a flood until 10:10: 15 alarms, 15/48 of
/// one in ten minutes, one interval and 600 s of 28,800 s crowded and in flood; three sudden losses are of high priority, twelve of medium. The
/// gauge that failed two days before came back at 08:10, so that it had been active for more than a day.
const EARLY: [&str; 18] = [
    "2026-03-03T05:00:00.000Z",
    "2026-03-03T13:00:00.000Z",
    "15",
    "0.3125",
    "11",
    "0.0208",
    "1",
    "0.0208",
    "margin-low 4, level-low 4, level-high 4, sudden-loss 3",
    "1.0000",
    "level-low",
    "1",
    "no-reading",
    "3",
    "12",
    "0",
    "0",
    "0",
];

#[tokio::test]
async fn each_shift_has_the_figures_that_were_counted_by_hand() {
    let folder = tempfile::tempdir().unwrap();
    let (journal, setup) = shop(folder.path()).await;
    let out = folder.path().join("rows");
    let told = report(&journal, &setup, &["--csv", out.to_str().unwrap()]);
    let loads = rows(&out, "alarm-load.csv");
    let column = |name: &str| {
        let place = loads[0].iter().position(|head| head == name).unwrap();
        loads[1..].iter().map(|row| row[place].clone()).collect::<Vec<_>>()
    };
    assert_eq!(loads.len(), 1 + 9, "three shifts on each of three days: {loads:?}");
    assert_eq!(loads[7], EARLY);
    assert_eq!(column("alarms"), ["1", "0", "0", "0", "0", "0", "15", "1", "1"]);
    // One in eight hours; in the last shift one in the two hours up to it.
    assert_eq!((&column("per_ten_minutes")[7], &column("per_ten_minutes")[8]), (&"0.0208".into(), &"0.0833".into()));
    assert_eq!(column("to_utc")[8], "2026-03-03T23:00:00.000Z");
    // Not yet a day old when the second night began, at 21.5 h.
    assert_eq!(column("stale"), ["", "", "", "no-reading", "no-reading", "no-reading", "no-reading", "", ""]);
    assert_eq!(column("shelved"), ["0", "0", "0", "0", "0", "0", "0", "1", "0"]);
    assert_eq!(column("out_of_service"), ["0", "0", "0", "0", "0", "0", "0", "0", "1"]);
    assert_eq!((column("high")[8].as_str(), column("low")[8].as_str()), ("1", "0"));
    for line in [
        "alarms from 2026-03-03 05:00 to 2026-03-03 13:00: 15, 0.31 in ten minutes on average; 1 in flood, 2 % of the time; \
         chattering: level-low; active for more than a day: no-reading; most often margin-low 4, level-low 4, level-high 4; 1 fleeting",
        "alarms from 2026-03-03 13:00 to 2026-03-03 21:00: 1, 0.02 in ten minutes on average; most often level-high 1; 1 shelved",
        "alarms from 2026-03-03 21:00 to 2026-03-03 23:00: 1, 0.08 in ten minutes on average; most often pump-lost 1; \
         1 taken out of service",
    ] {
        assert!(told.lines().any(|said| said.trim() == line), "{line:?} is not in {told}");
    }
    assert!(told.starts_with("Three Alders Joinery, router 1: 0 sheets, 0 care, 18 alarms"), "{told}");
    // An alarm that came again before anybody had seen it called again: both counts have it.
    assert_eq!(column("alarms").iter().map(|count| count.parse::<usize>().unwrap()).sum::<usize>(), 18);
}

/// What was active before the time that is told of still counts as stale in it, and nothing else of it is told.
#[tokio::test]
async fn a_report_from_a_time_on_knows_what_was_active_before() {
    let folder = tempfile::tempdir().unwrap();
    let (journal, setup) = shop(folder.path()).await;
    let out = folder.path().join("rows");
    report(&journal, &setup, &["--from", "2026-03-03T05:00:00Z", "--csv", out.to_str().unwrap()]);
    let loads = rows(&out, "alarm-load.csv");
    assert_eq!(loads.len(), 1 + 3, "{loads:?}");
    assert_eq!(loads[1], EARLY);
    let none = folder.path().join("none");
    let told = report(&journal, &setup, &["--to", "2026-03-01T07:00:00Z", "--csv", none.to_str().unwrap()]);
    assert_eq!(rows(&none, "alarm-load.csv").len(), 1);
    assert!(!told.contains("alarms from"), "{told}");
}

#[tokio::test]
async fn what_stood_behind_the_alarms_is_counted_and_nobody_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let (journal, setup) = shop(folder.path()).await;
    let (out, html) = (folder.path().join("rows"), folder.path().join("report.html"));
    let told = report(&journal, &setup, &["--csv", out.to_str().unwrap(), "--html", html.to_str().unwrap()]);
    let causes = rows(&out, "alarm-causes.csv");
    assert_eq!(
        causes,
        [
            ["cause", "alarm", "times"],
            ["shut-valve-or-plugged-filter", "level-high", "5"],
            ["weak-part", "margin-low", "4"],
            ["sheet-lifted", "sudden-loss", "3"],
            ["rim", "level-low", "3"],
            ["pump-stopped", "pump-lost", "1"],
            ["sheet-not-seated", "level-low", "1"],
            ["gauge-or-line", "no-reading", "1"],
        ]
    );
    let alarms = rows(&out, "alarms.csv");
    assert_eq!(alarms.len(), 1 + 18);
    assert_eq!(alarms[1][2..], ["no-reading", "gauge-or-line"]);
    assert_eq!(
        (alarms[1][0].as_str(), alarms[18][0].as_str()),
        ("2026-03-01T07:30:10.000Z", "2026-03-03T23:00:00.000Z")
    );
    let page = fs::read_to_string(&html).unwrap();
    let behind = page.split("<h2>What stood behind the alarms</h2>").nth(1).unwrap().split("</table>").next().unwrap();
    assert!(behind.contains("<td>shut valve or plugged filter</td><td>level high</td><td>5</td>"), "{behind}");
    assert_eq!(behind.matches("<tr>").count(), 8);
    let files = fs::read_dir(&out).unwrap().map(|file| fs::read_to_string(file.unwrap().path()).unwrap());
    assert!([told, page].into_iter().chain(files).all(|text| !text.contains("Quillon")));
}
