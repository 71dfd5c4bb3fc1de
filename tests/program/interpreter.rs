//! The sample programs of an independent RS-274 interpreter, read by it and by us: every move must end in the same place.
//!
//! `tests/all` unpacks the interpreter and its samples; `HOLDWATCH_RS274` names the folder. What we refuse, we must refuse for a
//! stated reason.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use holdwatch::job::program::{Deed, Limits, Reading, Refusal, Spot, Step, read_from};
use holdwatch::units::Length;

use super::place;

/// As the interpreter prints places, with what is left of a number of four decimals; inches are told in inches.
const CLOSE: f64 = 0.003;

fn folder() -> Option<PathBuf> {
    let folder =
        std::env::var_os("HOLDWATCH_RS274").map(PathBuf::from).filter(|folder| folder.join("usr/bin").is_dir());
    if folder.is_none() {
        let all = std::env::var_os("HOLDWATCH_TEST_ALL").is_some();
        assert!(!all, "HOLDWATCH_RS274 names no folder with the independent interpreter; run tests/all");
        println!("COULD NOT RUN: HOLDWATCH_RS274 names no folder with the independent interpreter");
    }
    folder
}

/// Every sample below a folder, in order.
fn samples(folder: &Path, found: &mut Vec<PathBuf>) {
    let Ok(entries) = std::fs::read_dir(folder) else { return };
    let mut paths: Vec<PathBuf> = entries.filter_map(|entry| Some(entry.ok()?.path())).collect();
    paths.sort();
    for path in paths {
        if path.is_dir() && !path.is_symlink() {
            samples(&path, found);
        } else if path.extension().is_some_and(|extension| extension == "ngc") && path.is_file() {
            found.push(path);
        }
    }
}

/// Where each move ends by the interpreter, in mm; none if it does not carry the program out.
fn by_the_interpreter(folder: &Path, program: &Path, work: &Path) -> Option<Vec<[f64; 3]>> {
    let libraries = format!("{0}/usr/lib:{0}/usr/lib/x86_64-linux-gnu", folder.display());
    let tools = work.join("tools");
    let table: String = (1..100).map(|tool| format!("T{tool} P{tool} D6\n")).collect();
    std::fs::write(&tools, table).unwrap();
    let output = Command::new("timeout")
        .arg("15")
        .arg(folder.join("usr/bin/rs274"))
        .arg("-t")
        .arg(&tools)
        .arg("-g")
        .arg(program)
        .env("LD_LIBRARY_PATH", libraries)
        .current_dir(work)
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    if !output.status.success() || !text.contains("PROGRAM_END") {
        return None;
    }
    Some(places(&text))
}

fn places(text: &str) -> Vec<[f64; 3]> {
    let (mut scale, mut here, mut plane) = (1.0, [0.0; 3], [0, 1, 2]);
    let mut ends = Vec::new();
    for line in text.lines() {
        let Some((name, rest)) = line.split_once('(') else { continue };
        let name = name.rsplit(' ').next().unwrap_or("");
        let values: Vec<f64> =
            rest.trim_end_matches(')').split(',').filter_map(|value| value.trim().parse().ok()).collect();
        match name {
            "USE_LENGTH_UNITS" => scale = if rest.contains("MM") { 1.0 } else { 25.4 },
            "SELECT_PLANE" if rest.contains("XZ") => plane = [2, 0, 1],
            "SELECT_PLANE" if rest.contains("YZ") => plane = [1, 2, 0],
            "SELECT_PLANE" => plane = [0, 1, 2],
            "STRAIGHT_TRAVERSE" | "STRAIGHT_FEED" => {
                here = [values[0] * scale, values[1] * scale, values[2] * scale];
                ends.push(here);
            }
            "ARC_FEED" => {
                here[plane[0]] = values[0] * scale;
                here[plane[1]] = values[1] * scale;
                here[plane[2]] = values[5] * scale;
                ends.push(here);
            }
            _ => {}
        }
    }
    ends
}

/// Moves that go nowhere and repeats of a place tell nothing.
fn distinct(ends: Vec<[f64; 3]>) -> Vec<[f64; 3]> {
    let mut kept: Vec<[f64; 3]> = vec![[0.0; 3]];
    for end in ends {
        let last = kept[kept.len() - 1];
        if (0..3).any(|axis| (end[axis] - last[axis]).abs() > 2.0 * CLOSE) {
            kept.push(end);
        }
    }
    kept
}

enum Read {
    Taken(Vec<[f64; 3]>),
    /// Understood, but it goes to places that only the machine knows.
    Elsewhere,
    Refused(Refusal),
}

fn by_us(program: &Path) -> Read {
    let reading = Reading { limits: Limits { repeated_lines: 200_000, depth: 50 }, ..Reading::default() };
    let start = Spot::at(Length::ZERO, Length::ZERO, Length::ZERO);
    let mut ends = Vec::new();
    for step in read_from(BufReader::new(File::open(program).unwrap()), &reading, start) {
        match step {
            Ok(Step { deed: Deed::Move(made), .. }) => ends.push(place(made.to)),
            Ok(_) => {}
            Err(refusal) => return Read::Refused(refusal),
        }
    }
    if ends.iter().flatten().any(|value| value.is_nan()) { Read::Elsewhere } else { Read::Taken(ends) }
}

#[test]
fn public_samples_go_where_an_independent_interpreter_sends_them() {
    let Some(folder) = folder() else { return };
    let work = tempfile::tempdir().unwrap();
    let mut programs = Vec::new();
    samples(&folder.join("usr/share"), &mut programs);
    assert!(programs.len() > 100, "{} samples", programs.len());
    let (mut same, mut refused_by_both, mut elsewhere) = (0, 0, 0);
    let (mut reasons, mut wrong) = (BTreeMap::<String, usize>::new(), Vec::new());
    for program in &programs {
        let shown = program.strip_prefix(&folder).unwrap_or(program).display().to_string();
        let ours = match by_us(program) {
            Read::Taken(ends) => distinct(ends),
            Read::Elsewhere => {
                elsewhere += 1;
                continue;
            }
            Read::Refused(refusal) => {
                assert!(refusal.line >= 1 && !refusal.what.is_empty(), "{shown}: {refusal}");
                *reasons
                    .entry(refusal.what.chars().filter(|letter| !letter.is_ascii_digit()).collect())
                    .or_default() += 1;
                continue;
            }
        };
        let theirs = by_the_interpreter(&folder, program, work.path()).or_else(|| {
            // It refuses a file without an end, which we take with a note: one is written behind it.
            let mut ended = std::fs::read(program).unwrap();
            ended.extend_from_slice(b"\nM2\n");
            let copy = work.path().join("ended.ngc");
            std::fs::write(&copy, ended).unwrap();
            by_the_interpreter(&folder, &copy, work.path())
        });
        let Some(theirs) = theirs else {
            refused_by_both += 1;
            println!("only we take {shown}");
            continue;
        };
        let theirs = distinct(theirs);
        let apart = ours
            .iter()
            .zip(&theirs)
            .position(|(one, other)| one.iter().zip(other).any(|(one, other)| (one - other).abs() > CLOSE));
        if ours.len() != theirs.len() || apart.is_some() {
            let at = apart.unwrap_or(ours.len().min(theirs.len()));
            wrong.push(format!(
                "{shown}: {} and {} moves, apart at {at}: {:?} {:?}",
                ours.len(),
                theirs.len(),
                ours.get(at),
                theirs.get(at)
            ));
        } else {
            same += 1;
        }
    }
    println!(
        "{} samples: {same} the same, {elsewhere} go to the machine's own places, {refused_by_both} taken by us alone",
        programs.len()
    );
    for (reason, count) in &reasons {
        println!("{count} refused: {reason}");
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(same >= 150, "{same} samples compared");
}
