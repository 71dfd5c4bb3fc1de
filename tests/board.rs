//! The commands about the board, as whole runs of the program.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod records;

use std::fs;
use std::path::Path;

use assert_cmd::Command;
use holdwatch::board::survey::Cover;
use holdwatch::event::{Actor, Answer, Command as Order, Outcome};
use holdwatch::journal::Where;
use holdwatch::moment::Steady;
use holdwatch::setup::read_setup;
use holdwatch::table::field::{Field, Resolution};
use holdwatch::table::{Condensed, Point, Rect, Sheet, TableLoad, Tap, ZoneId, ZoneSet, operating_point_with_hole};
use holdwatch::units::{Area, FreeAirFlow, Length, Vacuum};
use holdwatch::watch::{Basis, Seated};
use records::{at_millis, brisk, entry, run};
use serde_json::Value;

const SETUP: &str = "config/demo.toml";

fn holdwatch(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_holdwatch"));
    command.current_dir(env!("CARGO_MANIFEST_DIR")).args(arguments);
    command
}

fn text(command: &mut Command) -> String {
    String::from_utf8(command.assert().success().get_output().stdout.clone()).unwrap()
}

fn json(command: &mut Command) -> Value {
    serde_json::from_str(&text(command)).unwrap()
}

#[test]
fn every_command_about_the_board_shows_an_example() {
    for command in [["skim", "--help"], ["survey", "--help"], ["board", "--help"], ["report", "--help"]] {
        let help = text(&mut holdwatch(&command));
        assert!(help.contains(&format!("holdwatch {}", command[0])) && help.contains("Example"), "{help}");
    }
}

#[test]
fn a_skim_is_planned_asked_for_and_refused() {
    let folder = tempfile::tempdir().unwrap();
    let program = folder.path().join("skim.ngc");
    let told = ["skim", "--setup", SETUP, "--scar-mm", "0.4", "--cutter-mm", "63.5", "--json", "--program"];
    let plan = json(holdwatch(&told).arg(&program));
    assert_eq!(plan["passes"], 26);
    assert!(plan["bare_board"]["stays"].as_bool().unwrap());
    let written = fs::read_to_string(&program).unwrap();
    assert!(gcode::parse(&written).is_ok() && written.contains("CHECK THIS PROGRAM"));
    // What is not told is asked for, with a comma for a point as well.
    let asked = text(holdwatch(&["skim", "--setup", SETUP]).write_stdin("0,4\n63.5\n"));
    assert!(asked.contains("26 of 47.6 mm"), "{asked}");
    let screws = ["skim", "--setup", SETUP, "--scar-mm", "0.4", "--cutter-mm", "63.5", "--screws-mm", "17"];
    let refused = holdwatch(&screws).assert().code(1);
    let wrong = String::from_utf8(refused.get_output().stderr.clone()).unwrap();
    assert!(wrong.contains("19.00 mm that must stay"), "{wrong}");
    holdwatch(&["skim"]).assert().code(2);
}

/// The demo's own table, read by itself: what the field and the network say each step of the guide would show.
fn filled_in(guide: &str) -> String {
    let setup = read_setup(&fs::read_to_string(SETUP).unwrap(), SETUP).unwrap();
    let table = &setup.table;
    let low = Point { x: Length::ZERO, y: Length::ZERO };
    let rect = Rect { low, high: Point { x: table.board.length, y: table.board.width } };
    let film = TableLoad { sheets: vec![Sheet { rect, gap: Length::ZERO, passes: None }], ..TableLoad::default() };
    let solved = |load: &TableLoad| Field::solve(table, load, Resolution::Preview).unwrap().zones().clone();
    let (film, bare) = (solved(&film), solved(&TableLoad::default()));
    let lines = guide.lines().skip_while(|line| !line.starts_with("cover,"));
    let mut filled = String::new();
    for (place, line) in lines.enumerate() {
        let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
        if place > 0 {
            let open = match cells[1].as_str() {
                "all" => ZoneSet::first(6),
                "none" => ZoneSet::EMPTY,
                one => ZoneSet::EMPTY.with(ZoneId(one.parse::<u8>().unwrap() - 1)),
            };
            let hole = cells[2].parse().unwrap_or(0.0_f64) * 0.5e-3;
            let hole = Area::from_square_metres(0.65 * std::f64::consts::PI * hole * hole);
            let cover: Cover = serde_json::from_value(Value::String(cells[0].clone())).unwrap();
            let zones = if cover == Cover::Film { &film } else { &bare };
            let point = operating_point_with_hole(table, open, zones, hole);
            let (manifold, inlet) = (point.level(Tap::Manifold).pascals(), point.level(Tap::PumpInlet).pascals());
            let level = if cells[3] == "filter-drop" { inlet - manifold } else { manifold };
            cells[4] = format!("{:.2}", level / 1e3);
        }
        filled.push_str(&cells.join(","));
        filled.push('\n');
    }
    filled
}

#[test]
fn the_guide_filled_in_gives_the_table_back() {
    let guide = text(&mut holdwatch(&["survey", "--setup", SETUP, "--guide"]));
    let folder = tempfile::tempdir().unwrap();
    let readings = folder.path().join("readings.csv");
    fs::write(&readings, filled_in(&guide)).unwrap();
    let fit = json(holdwatch(&["survey", "--setup", SETUP, "--json", "--readings"]).arg(&readings));
    let through =
        fit["estimates"].as_array().unwrap().iter().find(|estimate| estimate["of"] == "board through").unwrap();
    assert!(through["told"].as_bool().unwrap(), "{through}");
    assert!((through["value"].as_f64().unwrap() / through["assumed"].as_f64().unwrap() - 1.0).abs() < 0.1, "{through}");
    let plain = text(holdwatch(&["survey", "--setup", SETUP, "--readings"]).arg(&readings));
    assert!(plain.contains("[board] along_m2 = ") && plain.contains(", through_m2 = "), "{plain}");
    assert!(plain.contains("suction capacity") && plain.contains("not told by these readings"), "{plain}");
    fs::write(&readings, "cover,open,vacuum_kpa\nfilm,nowhere,50\n").unwrap();
    let refused = holdwatch(&["survey", "--setup", SETUP, "--readings"]).arg(&readings).assert().code(1);
    let wrong = String::from_utf8(refused.get_output().stderr.clone()).unwrap();
    assert!(wrong.contains("reading 1") && wrong.contains("zone \"nowhere\" is not known"), "{wrong}");
}

/// By hand: 6.118 kg of pull are 60 N (9.80665 m/s²); on 0.1 m by 0.1 m at 20 kPa that is 60/200 = 0.3.
#[test]
fn a_dragged_sheet_tells_its_friction_and_what_to_write() {
    let folder = tempfile::tempdir().unwrap();
    let pulls = folder.path().join("pulls.csv");
    fs::write(&pulls, "pull_kg,length_mm,width_mm,vacuum_kpa\n6.118,100,100,20\n").unwrap();
    let found = json(holdwatch(&["survey", "--setup", SETUP, "--json", "--pulls"]).arg(&pulls));
    assert!((found["friction"]["value"].as_f64().unwrap() - 0.3).abs() < 1e-3, "{found}");
    let plain = text(holdwatch(&["survey", "--setup", SETUP, "--pulls"]).arg(&pulls));
    assert!(plain.contains("[board] friction = 0.30"), "{plain}");
    fs::write(&pulls, "pull_kg,length_mm,width_mm,vacuum_kpa\n6.1,100,100,20\n6.1,100,100,0\n").unwrap();
    let refused = holdwatch(&["survey", "--setup", SETUP, "--pulls"]).arg(&pulls).assert().code(1);
    let wrong = String::from_utf8(refused.get_output().stderr.clone()).unwrap();
    assert!(wrong.contains("pull 2") && wrong.contains("vacuum_kpa = 0 is out of range"), "{wrong}");
}

#[test]
fn a_new_board_is_advised_ordered_accepted_and_timed() {
    let advise = ["board", "advise", "--setup", SETUP, "--weight-kg", "38.6", "--layered", "--json"];
    let advice = json(&mut holdwatch(&advise));
    assert_eq!(advice["class"], "standard");
    assert_eq!(advice["outlooks"].as_array().unwrap().len(), 3);
    let order = text(&mut holdwatch(&["board", "order", "--setup", SETUP, "--class", "ultra-light", "--count", "4"]));
    assert!(order.contains("4 of ultra-light fibreboard") && order.contains("2440 x 1220 mm"), "{order}");
    let accept = ["board", "accept", "--setup", SETUP, "--class", "light", "--bare-kpa", "35", "--other-kpa", "30"];
    let accepted = text(&mut holdwatch(&accept));
    assert!(accepted.contains("as ordered") || accepted.contains("not clear"), "{accepted}");
    assert!(accepted.contains("times as open as the other one"), "{accepted}");
    let when = ["board", "when", "--damage", "19", "--skims-left", "8", "--json"];
    assert_eq!(json(&mut holdwatch(&when))["now"], "skim");
    // The setup's own prices stand in for what the command line leaves out, and give way to what it tells.
    let folder = tempfile::tempdir().unwrap();
    let own = folder.path().join("own.toml");
    let prices = "\n[prices]\nboard = 300\npart = 90\n[care]\nlead_days = 2\nskim_depth_mm = 1\n";
    fs::write(&own, fs::read_to_string(SETUP).unwrap() + prices).unwrap();
    let assumed = json(holdwatch(&when).arg("--setup").arg(&own).args(["--part-price", "70"]))["assumed"].clone();
    assert_eq!((&assumed["board"], &assumed["part"], &assumed["skims"]), (&300.0.into(), &70.0.into(), &9.into()));
    holdwatch(&["board", "advise", "--setup", SETUP]).assert().code(1);
}

fn kept<T: serde::Serialize>(value: &T) -> String {
    serde_json::to_string(value).unwrap()
}

/// A journal of a shop: fifty sheets, a skim, thirty sheets; one lost a part; a card with a name that needs care.
async fn shop(path: &Path) {
    let mut running = run(&Where::Sqlite(path.to_owned()), brisk(), at_millis(0)).await;
    let mut seq = 0;
    for sheet in 1..=80_u64 {
        let at = at_millis(sheet * 1_800_000);
        let worn = if sheet <= 50 { sheet as f64 / 60.0 } else { (sheet - 50) as f64 / 60.0 };
        let flow = FreeAirFlow::from_m3_per_h;
        let scatter = (sheet * 7 % 11) as f64 / 110.0;
        let seated = Seated {
            at: Steady::from_nanos(1),
            level: Vacuum::from_pascals(6e4),
            spread: Vacuum::from_pascals(50.0),
            expected: Some((Basis::Job, Vacuum::from_pascals(6.1e4))),
            extra_leak: Some((flow(100.0 * (worn + scatter)), flow(2.0))),
            expected_flow: Some(flow(100.0)),
            in_band: true,
        };
        let mut ended = serde_json::json!({
            "sheet": sheet, "card": "Doors, \"oak\" <b>", "seated_pa": 6e4, "leak_index": 1.0 + worn + scatter,
            "least_margin": 2.0, "outcome": null, "part": null,
        });
        running.keep(entry(seq + 1, at, "seated", &kept(&(sheet, seated)))).await;
        running.keep(entry(seq + 2, at, "sheet", &ended.to_string())).await;
        seq += 2;
        if sheet == 20 {
            ended["outcome"] = serde_json::to_value(Outcome::Lost).unwrap();
            ended["part"] = "P3".into();
            running.keep(entry(seq + 1, at, "outcome", &ended.to_string())).await;
            seq += 1;
        }
        if sheet == 50 {
            let body = kept(&(Actor("page".to_owned()), Order::Skimmed, Answer::Done));
            running.keep(entry(seq + 1, at, "command", &body)).await;
            seq += 1;
        }
    }
    running.stored(seq).await;
    running.close().await;
}

/// A card for a sheet over these zones, from x to the right by this length, across the whole board.
fn card(name: &str, zones: &str, at: u32, length: u32) -> String {
    format!(
        "name = \"{name}\"\nzones = [{zones}]\n[sheet]\nat_mm = [{at}, 0]\nsize_mm = [{length}, 1220]\nthickness_mm = 18\n\
         material = \"plywood\"\n[cutter]\ndiameter_mm = 6\nflutes = 2\nspindle_rpm = 18000\nfeed_m_min = 5\n\
         helix = \"down\"\nlast_pass_mm = 6\n[[part]]\nname = \"P\"\nat_mm = [{}, 150]\nsize_mm = [300, 200]\n",
        at + 60
    )
}

/// Sheets on five sets of zones, each leaking 30 % more than expected whatever it covers: what a weak pump looks like.
#[tokio::test]
async fn a_report_parts_the_causes_where_the_cards_do() {
    let folder = tempfile::tempdir().unwrap();
    let setup = folder.path().join("table.toml");
    fs::write(&setup, fs::read_to_string(SETUP).unwrap()).unwrap();
    fs::create_dir(folder.path().join("cards")).unwrap();
    let jobs = [
        ("left", "\"1\", \"4\"", 0, 813, 30.0),
        ("corner", "\"1\"", 0, 813, 18.0),
        ("left half", "\"1\", \"2\", \"4\", \"5\"", 0, 1626, 49.0),
        ("all", "\"1\", \"2\", \"3\", \"4\", \"5\", \"6\"", 0, 2440, 80.0),
        ("middle", "\"2\", \"5\"", 813, 813, 44.0),
    ];
    for (name, zones, at, length, _) in jobs {
        fs::write(folder.path().join(format!("cards/{name}.toml")), card(name, zones, at, length)).unwrap();
    }
    let journal = folder.path().join("journal.db");
    let mut running = run(&Where::Sqlite(journal.clone()), brisk(), at_millis(0)).await;
    for sheet in 1..=60_u64 {
        let (name, .., expected) = jobs[usize::try_from(sheet).unwrap() % jobs.len()];
        let (at, flow) = (at_millis(sheet * 900_000), FreeAirFlow::from_m3_per_h);
        let scatter = ((sheet * 7 % 11) as f64 - 5.0) / 200.0;
        let seated = Seated {
            at: Steady::from_nanos(1),
            level: Vacuum::from_pascals(6e4),
            spread: Vacuum::from_pascals(50.0),
            expected: Some((Basis::Job, Vacuum::from_pascals(6.1e4))),
            extra_leak: Some((flow(expected * (0.3 + scatter)), flow(0.02 * expected))),
            expected_flow: Some(flow(expected)),
            in_band: true,
        };
        let ended = serde_json::json!({
            "sheet": sheet, "card": name, "seated_pa": 6e4, "leak_index": 1.3, "least_margin": 2.0, "outcome": null, "part": null,
        });
        running.keep(entry(2 * sheet - 1, at, "seated", &kept(&(sheet, seated)))).await;
        running.keep(entry(2 * sheet, at, "sheet", &ended.to_string())).await;
    }
    running.stored(120).await;
    running.close().await;
    let told = text(holdwatch(&["report"]).arg(&journal).arg("--setup").arg(&setup));
    let suction = told.lines().find(|line| line.contains("pump or filter:")).unwrap_or_else(|| panic!("{told}"));
    let share: f64 = suction.split('+').nth(1).unwrap().split_whitespace().next().unwrap().parse().unwrap();
    assert!((25.0..=35.0).contains(&share), "{told}");
    assert!(told.contains("cut since the last skim: 61 m"), "{told}");
}

#[tokio::test]
async fn the_sheets_of_the_past_are_put_on_another_pump() {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("journal.db");
    shop(&journal).await;
    let other = folder.path().join("other.toml");
    fs::write(&other, fs::read_to_string(SETUP).unwrap().replace("count = 2", "count = 4")).unwrap();
    let mut command = holdwatch(&["board", "pump"]);
    let prices = ["--power-kw", "5.5", "11", "--kwh-price", "0.3", "--minutes-a-sheet", "60", "--json"];
    let found = json(command.arg(&journal).args(["--setup", SETUP, "--other"]).arg(&other).args(prices));
    assert_eq!((&found["sheets"], &found["would_hold"]), (&80.into(), &80.into()));
    assert!(found["median_would_be_pa"].as_f64().unwrap() > 6.2e4, "{found}");
    // 5.5 and 11 kW for an hour at 0.30.
    assert!((found["energy_a_sheet"][0].as_f64().unwrap() - 1.65).abs() < 1e-9);
    assert!((found["energy_a_sheet"][1].as_f64().unwrap() - 3.3).abs() < 1e-9);
}

#[tokio::test]
async fn a_report_tells_the_story_prints_it_and_gives_it_as_csv() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name).display().to_string();
    shop(&folder.path().join("journal.db")).await;
    let (html, rows) = (at("report.html"), at("rows"));
    let report = ["report", &at("journal.db"), "--setup", SETUP, "--html", &html, "--csv", &rows];
    let prices = ["--board-price", "95", "--skim-price", "25"];
    let told = text(holdwatch(&report).args(prices));
    assert!(told.contains("80 sheets") && told.contains("30 sheets seated since the last skim"), "{told}");
    assert!(told.contains("skim due in"), "{told}");
    // 120 over 80 sheets.
    assert!(told.contains("cost 1.50 a sheet"), "{told}");
    let page = fs::read_to_string(&html).unwrap();
    assert!(page.contains("lost a part (P3)") && page.contains("<svg"), "{page}");
    assert!(page.contains("Doors, &quot;oak&quot; &lt;b&gt;") && !page.contains("<b>"), "{page}");
    let sheets = fs::read_to_string(folder.path().join("rows/sheets.csv")).unwrap();
    // RFC 4180, 2: lines end in CR LF, a field with commas or quotation marks stands in such, and those in it are doubled.
    assert!(sheets.lines().count() == 81 && sheets.matches("\r\n").count() == 81);
    assert!(sheets.contains("\"Doors, \"\"oak\"\" <b>\""), "{sheets}");
    let mut reader = csv::Reader::from_reader(sheets.as_bytes());
    let lost: Vec<String> = reader
        .records()
        .map(|row| row.unwrap())
        .filter(|row| &row[7] == "lost a part")
        .map(|row| row[2].to_owned())
        .collect();
    assert_eq!(lost, ["20"]);
    let care = fs::read_to_string(folder.path().join("rows/care.csv")).unwrap();
    assert!(care.contains("skimmed,50"), "{care}");
    // What lies ahead, with what it rests on: in the report, on its page and as rows.
    assert!(told.contains("by cost:") && told.contains("prices.board 95,"), "{told}");
    assert!(told.contains("prices.part 35 (assumed)"), "{told}");
    assert!(page.contains("by cost:") && page.contains("order it within"), "{page}");
    let known = |name: &str, row: &str| {
        let rows = fs::read_to_string(folder.path().join("rows").join(name)).unwrap();
        let found = rows.split("\r\n").find_map(|line| line.strip_prefix(&format!("{row},"))).map(str::to_owned);
        found.unwrap_or_else(|| panic!("{row} is not in {rows}"))
    };
    assert_eq!(
        (known("board.csv", "sheets_since_skim"), known("board.csv", "skims")),
        ("30.0000".into(), "1.0000".into())
    );
    let (soonest, latest): (f64, f64) = (
        known("board.csv", "care_pays_soonest").parse().unwrap(),
        known("board.csv", "care_pays_latest").parse().unwrap(),
    );
    assert!(soonest < latest, "{soonest} {latest}");
    assert_eq!(known("figures.csv", "prices.board"), "95,false");
    assert_eq!(known("figures.csv", "prices.part"), "35,true");
    let early = ["report", &at("journal.db"), "--to", "2026-03-01T12:00:00Z"];
    assert!(text(&mut holdwatch(&early)).contains("8 sheets"));
    holdwatch(&["report", &at("nothing.db")]).assert().code(1);
}
