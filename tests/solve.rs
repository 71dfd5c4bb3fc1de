//! `holdwatch solve` as another program meets it: the open cases, refusals, exit codes.

#![expect(clippy::unwrap_used, reason = "a test that cannot read its case must stop")]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use serde_json::{Value, json};

fn case_path(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/cases").join(format!("{name}.json"))
}

fn value(name: &str) -> Value {
    serde_json::from_str(&fs::read_to_string(case_path(name)).unwrap()).unwrap()
}

fn holdwatch(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_holdwatch")).args(arguments).output().unwrap()
}

fn said(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

/// Pressures within `pascals`, flow and forces within their ratios of the independent answer; the last is for parts that are
/// under 80 mm one way or the other.
struct Allowed {
    pascals: f64,
    flow: f64,
    force: f64,
    small_force: f64,
}

fn hold_against_reference(name: &str, arguments: &[&str], allowed: &Allowed) {
    let path = case_path(name);
    let mut all = vec!["solve", path.to_str().unwrap()];
    all.extend(arguments);
    let output = holdwatch(&all);
    assert_eq!(output.status.code(), Some(0), "{name}: {}", said(&output.stderr));
    let answer: Value = serde_json::from_slice(&output.stdout).unwrap();
    let reference = &value(&format!("{name}.result"))["reference"];
    assert_eq!(answer["schema"], "holddown-result/1");
    assert_eq!(answer["case"], name);
    let found = &answer["result"];
    let number = |of: &Value, key: &str| of[key].as_f64().unwrap();
    for key in ["manifold_Pa", "pump_inlet_Pa"] {
        let apart = number(found, key) - number(reference, key);
        assert!(apart.abs() <= allowed.pascals, "{name}, {key}: {apart} Pa off");
    }
    let zones = |of: &Value| -> Vec<f64> {
        of["zone_Pa"].as_array().unwrap().iter().map(|zone| zone.as_f64().unwrap()).collect()
    };
    assert_eq!(zones(found).len(), zones(reference).len());
    for (one, other) in zones(found).iter().zip(zones(reference)) {
        assert!((one - other).abs() <= allowed.pascals, "{name}: a zone at {one} Pa is not at {other} Pa");
    }
    for key in ["throughput_Pa_m3_s", "mass_flow_kg_s", "flow_free_air_m3_h"] {
        let ratio = number(found, key) / number(reference, key) - 1.0;
        assert!(ratio.abs() <= allowed.flow, "{name}, {key}: {} % off", 100.0 * ratio);
    }
    for part in value(name)["parts"].as_array().map_or(&[][..], Vec::as_slice) {
        let id = part["id"].as_str().unwrap();
        let (force, expected) = (number(&found["part_force_N"], id), number(&reference["part_force_N"], id));
        let corner = |at: usize| part["rect_m"][at].as_f64().unwrap();
        let least = (corner(2) - corner(0)).min(corner(3) - corner(1));
        let limit = if least < 0.08 { allowed.small_force } else { allowed.force };
        assert!((force - expected).abs() <= limit * expected, "{name}, {id}: {force} N is not {expected} N");
    }
}

const STANDARD: Allowed = Allowed { pascals: 500.0, flow: 0.02, force: 0.03, small_force: 0.05 };

#[test]
fn the_bare_table_is_solved() {
    hold_against_reference("bare_table_4_zones", &[], &STANDARD);
}

#[test]
fn the_table_under_film_is_solved() {
    hold_against_reference("film_covered_6_zones_unsealed", &[], &STANDARD);
}

#[test]
fn the_half_sheet_is_solved() {
    hold_against_reference("half_sheet_12_parts_2_closed", &[], &STANDARD);
}

#[test]
fn small_parts_on_a_blower_are_solved() {
    hold_against_reference("blower_128_small_parts", &[], &STANDARD);
}

#[test]
fn a_case_with_every_field_is_solved() {
    hold_against_reference("every_field_once", &[], &STANDARD);
}

/// `case` changed at a pointer, as a file that is solved; what is said on standard error.
fn refused(folder: &Path, text: &str) -> String {
    let path = folder.join("changed.json");
    fs::write(&path, text).unwrap();
    let output = holdwatch(&["solve", path.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(1), "accepted: {text}");
    assert!(output.stdout.is_empty(), "an answer beside a refusal: {}", said(&output.stdout));
    let error = said(&output.stderr);
    assert!(error.starts_with("holdwatch: ") && error.contains("changed.json: "), "{error}");
    error
}

#[test]
fn a_case_that_makes_no_sense_is_refused_with_its_path_and_limit() {
    let folder = tempfile::tempdir().unwrap();
    let wrong: [(&str, Value, &str); 24] = [
        ("/schema", json!("holddown-case/9"), "schema: \"holddown-case/9\" is not \"holddown-case/1\""),
        ("/air/p_atm_Pa", json!(101.325), "air.p_atm_Pa: 101.325 is not within 30000 to 130000 Pa"),
        ("/air/viscosity_Pa_s", json!(0), "air.viscosity_Pa_s: 0 is not within"),
        ("/board/length_x_m", json!(-2.44), "board.length_x_m: -2.44 is not above 0"),
        ("/board/length_y_m", json!(1220), "board.length_y_m: 1220 is above 12 m"),
        ("/board/layers/1/thickness_m", json!(-0.0146), "board.layers[1].thickness_m: -0.0146 is not above 0"),
        ("/board/layers/1/thickness_m", json!(18), "board.layers[1].thickness_m: 18 is above 0.1 m"),
        ("/board/layers/0/k_z_m2", json!(0), "board.layers[0].k_z_m2: 0 is not above 0"),
        ("/board/layers", json!([]), "board.layers: is empty, needs at least 1 entry"),
        ("/board/seams/0/from_m", json!([3.0, 0.0]), "board.seams[0].from_m: x = 3 is off the board, 0 to 2.44"),
        ("/plenum/contact_resistance_per_m", json!(-1), "plenum.contact_resistance_per_m: -1 is below 0"),
        ("/plenum/zones", json!([]), "plenum.zones: is empty, needs at least 1 entry"),
        ("/plenum/zones/2/rects", json!([]), "plenum.zones[2].rects: is empty, needs at least 1 entry"),
        ("/plenum/zones/1/id", json!("Z1"), "plenum.zones[1]: the id \"Z1\" is given twice"),
        ("/plenum/zones/1/rects/0", json!([0.7, 0.02, 1.6, 0.6]), "plenum.zones[1]: zone \"Z2\" overlaps zone \"Z1\""),
        ("/plenum/zones/0/valve_open", json!("yes"), "plenum.zones[0].valve_open: \"yes\" is neither true nor false"),
        ("/sheet/interface_gap_m", json!("NaN"), "sheet.interface_gap_m: \"NaN\" is not a finite number"),
        ("/kerfs/0/width_m", json!(-0.006), "kerfs[0].width_m: -0.006 is not above 0"),
        ("/kerfs/0/path_m/1", json!([0.1]), "kerfs[0].path_m[1]: has 1 numbers, needs 2"),
        ("/parts/0/rect_m", json!([-0.1, 0.1, 0.2, 0.2]), "parts[0].rect_m: x = -0.1 is off the board, 0 to 2.44"),
        ("/parts/2/id", json!("U1"), "parts[2].id: \"U1\" is given twice"),
        ("/filter/r_s2_per_m6", json!(-4), "filter.r_s2_per_m6: -4 is below 0"),
        ("/pump/curve/1", json!([2500, -0.1]), "pump.curve[1]: pressure 2500 and speed -0.1 must be at least 0"),
        ("/pump/curve/5/1", json!(0.001), "pump.curve[5]: throughput S·p falls"),
    ];
    for (pointer, value_there, message) in wrong {
        let mut case = value("every_field_once");
        *case.pointer_mut(pointer).unwrap() = value_there;
        let error = refused(folder.path(), &case.to_string());
        assert!(error.contains(message), "{pointer}: {error}");
    }
}

#[test]
fn a_pump_that_cannot_draw_below_the_room_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let mut case = value("bare_table_4_zones");
    case["pump"]["curve"] = json!([[102_000, 0.0], [110_000, 0.1]]);
    let error = refused(folder.path(), &case.to_string());
    assert!(error.contains("pump.curve: begins at 102000 Pa, which is not below the room's 101325 Pa"), "{error}");
}

#[test]
fn what_is_no_json_is_refused_with_the_path_that_was_reached() {
    let folder = tempfile::tempdir().unwrap();
    let text = fs::read_to_string(case_path("bare_table_4_zones")).unwrap();
    let nan = text.replacen("\"thickness_m\":0.018", "\"thickness_m\":NaN", 1);
    assert_ne!(nan, text);
    let error = refused(folder.path(), &nan);
    assert!(error.contains("board.layers[0].thickness_m: is not JSON"), "{error}");
    let error = refused(folder.path(), &text.replacen("0.018", "1e999", 1));
    assert!(error.contains("board.layers[0].thickness_m: is not JSON"), "{error}");
    assert!(refused(folder.path(), "{\"schema\": ").contains("is not JSON"));
    assert!(refused(folder.path(), &format!("{text} []")).contains("case: is not JSON: trailing characters"));
    assert!(refused(folder.path(), "[]").contains("case: is not an object"));
}

#[test]
fn unknown_and_missing_fields_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let mut case = value("every_field_once");
    case["plenum"]["zones"][1]["leek"] = json!(1);
    let error = refused(folder.path(), &case.to_string());
    assert!(error.contains("plenum.zones[1]: \"leek\" is not a field here; known are id, "), "{error}");
    let mut case = value("every_field_once");
    case.as_object_mut().unwrap().remove("pump");
    assert!(refused(folder.path(), &case.to_string()).contains("case: lacks the field \"pump\""));
}

#[test]
fn wrong_usage_and_a_missing_file_are_told_apart() {
    assert_eq!(holdwatch(&["solve"]).status.code(), Some(2));
    assert_eq!(holdwatch(&["solve", "one.json", "--finest"]).status.code(), Some(2));
    let missing = holdwatch(&["solve", "/nowhere/case.json"]);
    assert_eq!(missing.status.code(), Some(1));
    assert!(said(&missing.stderr).contains("cannot read /nowhere/case.json"));
}

#[test]
fn the_help_shows_an_example() {
    let help = holdwatch(&["solve", "--help"]);
    assert_eq!(help.status.code(), Some(0));
    let text = said(&help.stdout);
    assert!(text.contains("holdwatch solve table.json") && text.contains("Exit codes: 0"), "{text}");
}

#[test]
fn a_reader_that_goes_away_ends_it_quietly() {
    let mut child = Command::new(env!("CARGO_BIN_EXE_holdwatch"))
        .args(["solve", case_path("bare_table_4_zones").to_str().unwrap()])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let ended = child.wait_with_output().unwrap();
    // 128 and SIGPIPE's number, as shells count (POSIX.1-2017, Shell Command Language, 2.8.2).
    assert_eq!((ended.status.code(), said(&ended.stderr)), (Some(141), String::new()));
}
