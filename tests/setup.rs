//! Setups and cards as people write them, sound and broken.
//!
//! Every file below `tests/setups/broken` opens with a line `# expect: LINE: FRAGMENT` for each mistake in it. The whole
//! messages stand in `tests/setups/messages.txt`.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use std::fs;
use std::path::{Path, PathBuf};

use holdwatch::gauge::{GaugeId, Talker, UnfitLine};
use holdwatch::job::{Card, Edge, Material};
use holdwatch::line::{LineId, Parity};
use holdwatch::setup::{Mistakes, Setup, Source, card_from_json, materials, read_card, read_setup};
use holdwatch::table::{Nameplate, Pores, Pump, PumpClass, RatedFlow};
use holdwatch::units::{AbsolutePressure, Density, FreeAirFlow, InletFlow, Vacuum};
use proptest::prelude::*;

fn here(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// The TOML files of a folder, in order: name and text.
fn files(folder: &str) -> Vec<(String, String)> {
    let mut files: Vec<_> = fs::read_dir(here(folder))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|end| end == "toml"))
        .map(|path| (path.file_name().unwrap().to_str().unwrap().to_owned(), fs::read_to_string(&path).unwrap()))
        .collect();
    assert!(!files.is_empty(), "{folder} is empty");
    files.sort();
    files
}

fn setup_of(path: &str) -> Setup {
    read_setup(&fs::read_to_string(here(path)).unwrap(), path).unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

/// Every broken file with what was found in it.
fn broken() -> Vec<(String, String, Mistakes)> {
    let table = setup_of("tests/setups/sound/least.toml");
    let setups = files("tests/setups/broken").into_iter().map(|(name, text)| {
        let found = read_setup(&text, &name).map(|_| ()).expect_err(&name);
        (name, text, found)
    });
    let cards = files("tests/setups/broken/cards").into_iter().map(|(name, text)| {
        let found = read_card(&text, &name, &table).map(|_| ()).expect_err(&name);
        (name, text, found)
    });
    setups.chain(cards).collect()
}

#[test]
fn every_mistake_is_found_on_its_line_and_no_other() {
    for (name, text, found) in broken() {
        let expected: Vec<&str> = text.lines().map_while(|line| line.strip_prefix("# expect: ")).collect();
        let said: Vec<String> = found.iter().map(ToString::to_string).collect();
        assert_eq!(expected.len(), said.len(), "{name}: {said:#?}");
        for expectation in expected {
            let (line, fragment) = expectation.split_once(": ").unwrap();
            let start = format!("{name}:{line}: ");
            let met = said.iter().any(|message| message.starts_with(&start) && message.contains(fragment));
            assert!(met, "{expectation:?} is not among {said:#?}");
        }
    }
}

#[test]
fn messages_read_as_they_were_written_down() {
    let said: String = broken().iter().map(|(.., found)| format!("{found}\n")).collect();
    let kept = fs::read_to_string(here("tests/setups/messages.txt")).unwrap_or_default();
    if said != kept {
        let fresh = Path::new(env!("CARGO_TARGET_TMPDIR")).join("messages.txt");
        fs::write(&fresh, &said).unwrap();
        panic!("messages have changed; if the new ones are better, copy {} over the old", fresh.display());
    }
}

#[test]
fn every_message_names_a_limit_and_something_to_do() {
    for (name, _, found) in broken() {
        for mistake in found.iter() {
            assert!(!mistake.wrong.is_empty() && !mistake.limit.is_empty() && !mistake.remedy.is_empty(), "{name}");
            let message = mistake.to_string();
            assert!(!message.contains('\n') && !message.ends_with('.'), "{message:?}");
        }
    }
}

#[test]
fn sound_setups_are_read() {
    let texts = ["config/demo.toml", "config/example.toml"].map(setup_of);
    assert!(texts.iter().all(|setup| setup.warnings.is_empty()));
    for (name, text) in files("tests/setups/sound") {
        read_setup(&text, &name).unwrap_or_else(|mistakes| panic!("{mistakes}"));
    }
}

/// By hand: 8 requests every 100 ms, each 8 bytes, answered by 7, characters of 11 bits and two silences of 1.75 ms: 7.80 ms each at
/// 38 400 bit/s, 62 % of the time, and 4.7 ms left for each unit; 4.93 ms at 115 200 bit/s, 7.6 ms left; 12.6 ms at 19 200 bit/s.
#[test]
fn what_a_line_can_carry_only_if_units_are_quick_is_warned_of() {
    let one = fs::read_to_string(here("tests/setups/broken/line-too-slow.toml")).unwrap();
    let gauge = |unit: u8| {
        format!(
            "[[gauge]]\nname = \"g{unit}\"\nline = \"vacuum\"\nplace = \"manifold\"\nunit_id = {unit}\ntable = \"input\"\n\
             register = 0\nkind = \"i16\"\nunit = \"mbar\"\ncounts = \"vacuum\"\nevery_ms = 100\nrange = [0, 1000]\n"
        )
    };
    let eight = |baud: u32| {
        let text = one.replace("baud = 300", &format!("baud = {baud}")) + &(2..=8).map(gauge).collect::<String>();
        read_setup(&text, "table.toml")
    };
    let said = |baud: u32| eight(baud).unwrap().warnings.iter().map(ToString::to_string).collect::<Vec<_>>();
    let warned = said(38_400);
    assert!(
        warned.len() == 1
            && warned[0].starts_with("table.toml:22: line[1].baud: 80 requests a second take 62 % of 38400 bit/s")
            && warned[0].contains("leave each unit 4.7 ms to answer; limit: 5 ms"),
        "{warned:?}"
    );
    assert!(said(115_200).is_empty(), "{:?}", said(115_200));
    assert!(eight(19_200).unwrap_err().to_string().contains("takes 101 % of 19200 bit/s"));
}

/// The conversation that a line's gauges and lights would have, for every line of a setup.
fn open_lines(setup: &Setup) -> Result<Vec<Talker>, UnfitLine> {
    let ids = 0_u16..;
    let gauges: Vec<_> = ids.map(GaugeId).zip(setup.gauges.iter().cloned()).collect();
    let lines = (0_u16..).map(LineId).zip(&setup.lines);
    lines
        .map(|(id, line)| {
            let gauges = gauges.iter().filter(|(_, gauge)| gauge.line == id).cloned().collect();
            let lights = setup.lights.iter().filter(|light| light.line == id).cloned().collect();
            Talker::new(line.clone(), gauges, lights)
        })
        .collect()
}

#[test]
fn the_lines_of_a_sound_setup_can_be_opened() {
    for path in
        ["config/demo.toml", "config/example.toml", "tests/setups/sound/drawn.toml", "tests/setups/sound/inches.toml"]
    {
        open_lines(&setup_of(path)).unwrap();
    }
}

fn card_of(path: &str, setup: &Setup) -> Card {
    read_card(&fs::read_to_string(here(path)).unwrap(), path, setup).unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

#[test]
fn every_card_of_the_demo_fits_its_table() {
    let setup = setup_of("config/demo.toml");
    let cards = files("config/cards").into_iter().map(|(name, _)| card_of(&format!("config/cards/{name}"), &setup));
    let counts: Vec<_> = cards.map(|card| (card.name, card.parts.len())).collect();
    let expected = [("Cabinet sides", 6), ("Drawer fronts", 28), ("Name plates", 24), ("Shelves and a spacer", 9)];
    assert_eq!(counts, expected.map(|(name, parts)| (name.to_owned(), parts)));
}

/// The keys that one reading names when it meets a strange one in every section.
fn keys(found: &Mistakes) -> Vec<String> {
    let lists = found.iter().filter_map(|mistake| mistake.limit.strip_prefix("the keys here are "));
    lists.flat_map(|list| list.split(", ")).map(str::to_owned).collect()
}

/// Whether a text has a key, or a section of that name; the ends of other units stand at the text's head.
fn explains(text: &str, key: &str) -> bool {
    const OTHER_UNITS: [&str; 9] = ["_in", "_ft", "_cfm", "_kpa", "_inhg", "_lb_ft3", "_in_min", "_lbf", "_limit_s"];
    OTHER_UNITS.iter().any(|unit| key.ends_with(unit))
        || key == "every_s"
        || text.contains(&format!("{key} ="))
        || text.contains(&format!("{key}]"))
}

#[test]
fn the_example_explains_every_key_there_is() {
    let rest = "[table]\nq=0\n[pump]\nq=0\n[[pump.point]]\nq=0\n[filter]\nq=0\n[manifold]\nq=0\n[manifold.relief]\nq=0\n\
        [valves]\nq=0\n[board]\nq=0\n[board.rims]\nq=0\n[[board.layer]]\nq=0\n[[board.seam]]\nq=0\n[plenum]\nq=0\n\
        [page]\nq=0\n[journal]\nq=0\n[jobs]\nq=0\n[watch]\nq=0\n[machine]\nq=0\n[[end]]\nq=0\n[[tool]]\nq=0\n[q]\n";
    let line = "[[line]]\nname=\"l\"\nport=\"/dev/l\"\nprotocol=";
    let hung = "[[gauge]]\nline=\"l\"\nq=0\n[[light]]\nline=\"l\"\nq=0\n";
    let grid = format!("{rest}[zones]\nq=0\n{line}\"modbus-rtu\"\n{hung}");
    let drawn = format!("{rest}[[zone]]\nq=0\nvalve={{q=0}}\n{line}\"ascii-talker\"\n{hung}[[line]]\nq=0\n");
    let example = fs::read_to_string(here("config/example.toml")).unwrap();
    let lines_mistaken = format!("{rest}[zones]\nq=0\n[[line]]\nq=0\n");
    for text in [grid, drawn, lines_mistaken] {
        let keys = keys(&read_setup(&text, "probe").unwrap_err());
        assert!(keys.len() > 80, "{}", keys.len());
        let unexplained: Vec<_> = keys.iter().filter(|key| !explains(&example, key)).collect();
        assert!(unexplained.is_empty(), "{unexplained:?}");
    }
}

#[test]
fn the_example_card_explains_every_key_there_is_and_every_material() {
    let setup = setup_of("config/example.toml");
    let example = fs::read_to_string(here("config/example-card.toml")).unwrap();
    card_of("config/example-card.toml", &setup);
    let probe = "q=0\n[sheet]\nq=0\n[cutter]\nq=0\n[[part]]\nq=0\nrepeat={q=0}\n";
    let keys = keys(&read_card(probe, "probe", &setup).unwrap_err());
    assert!(keys.len() > 30, "{}", keys.len());
    let unexplained: Vec<_> = keys.iter().filter(|key| !explains(&example, key)).collect();
    assert!(unexplained.is_empty(), "{unexplained:?}");
    for material in materials() {
        assert!(example.contains(&material.name), "{}", material.name);
    }
    let both = example + &fs::read_to_string(here("config/example-program.toml")).unwrap();
    card_of("config/example-program.toml", &setup);
    let probe = "q=0\n[[tool]]\nq=0\nend=\"taper\"\n[reading]\nq=0\n[[reading.zero]]\nq=0\n";
    let keys = self::keys(&read_card(probe, "probe", &setup).unwrap_err());
    assert!(keys.len() > 30, "{}", keys.len());
    let unexplained: Vec<_> = keys.iter().filter(|key| !explains(&both, key)).collect();
    assert!(unexplained.is_empty(), "{unexplained:?}");
}

/// The curves on the page are typical, no source; the page and the program must at least agree.
#[test]
fn the_page_of_pump_classes_shows_the_curves_that_are_used() {
    let page = fs::read_to_string(here("config/pump-classes.md")).unwrap();
    let room = AbsolutePressure::STANDARD_ATMOSPHERE;
    for class in PumpClass::ALL {
        let word = serde_json::to_value(class).unwrap();
        let start = format!("| `{}` | ", word.as_str().unwrap());
        let curve = page.lines().rfind(|line| line.starts_with(&start)).unwrap();
        let cell = curve.trim_start_matches(&start).trim_end_matches('|');
        let points: Vec<(f64, f64)> = cell
            .split_whitespace()
            .map(|point| point.split_once(':').unwrap())
            .map(|(level, share)| (level.parse().unwrap(), share.parse().unwrap()))
            .collect();
        let plate =
            Nameplate { flow: RatedFlow::Inlet(InletFlow::from_m3_per_h(100.0 * points[0].1)), at: Vacuum::ZERO };
        let pump = Pump::typical(class, plate, room).unwrap();
        assert_eq!(points.len(), pump.curve.len(), "{class:?}");
        for (level, share) in points {
            let inlet = Vacuum::from_pascals(level * 100.0).below(room);
            let free = FreeAirFlow::from_m3_per_h(share * 100.0).m3_per_s() * (room / inlet);
            let expected = if class == PumpClass::Ejector { free } else { share * 100.0 / 3600.0 };
            let found = pump.speed(inlet).m3_per_s();
            assert!((found - expected).abs() < 1e-9, "{class:?} at {level} mbar: {found} is not {expected}");
        }
    }
}

#[test]
fn the_least_that_works_says_what_it_assumes() {
    let setup = setup_of("tests/setups/sound/least.toml");
    let keys: Vec<&str> = setup.assumptions.iter().map(|assumption| assumption.key.as_str()).collect();
    for key in ["pump.point", "board.through_m2", "board.faces", "zones.gap_mm", "valves.bore_mm", "filter.drop_mbar"] {
        assert!(keys.contains(&key), "{key} is not among {keys:?}");
    }
    assert!(setup.assumptions.iter().all(|assumption| !assumption.value.is_empty() && !assumption.ground.is_empty()));
    let line = &setup.lines[0];
    assert_eq!((line.baud, line.parity), (19_200, Parity::Even), "MODBUS over Serial Line V1.02 (from memory)");
    assert_eq!(setup.source, Source::Gauge);
    assert_eq!(setup.simulated().source, Source::Simulated);
}

/// NIST SP 811 (2008), B.8: 96 in = 2438.4 mm, 48 in = 1219.2 mm, 150 ft³/min = 254.85 m³/h (0.3048³·60).
#[test]
fn a_shop_may_write_in_its_own_units() {
    let setup = setup_of("tests/setups/sound/inches.toml");
    let board = &setup.table.board;
    assert!((board.length.millimetres() - 2438.4).abs() < 1e-9 && (board.width.millimetres() - 1219.2).abs() < 1e-9);
    let (_, open) = setup.table.pump.curve.last().unwrap();
    assert!((open.m3_per_h() - 254.8516).abs() < 1e-3, "{}", open.m3_per_h());
    assert!(setup.warnings.iter().any(|warning| warning.key == "line[1].port"), "{:?}", setup.warnings);
    assert_eq!(setup.warnings[0].line, Some(20), "a byte order mark and CRLF leave the lines as they are");
}

/// NIST SP 811, B.8, by scipy's constants: 30 and 34 lb/ft³ are 480.5539 and 544.6278 kg/m³.
#[test]
fn a_sheet_may_be_weighed_in_pounds_per_cubic_foot() {
    let setup = setup_of("config/demo.toml");
    let text = fs::read_to_string(here("config/cards/drawer-fronts.toml")).unwrap();
    for (pounds, kilograms) in [(30, 480.5539), (34, 544.6278)] {
        let text = text.replacen("[sheet]\n", &format!("[sheet]\ndensity_lb_ft3 = {pounds}\n"), 1);
        let found = read_card(&text, "card", &setup).unwrap().sheet.material.density.kg_per_m3();
        assert!((found / kilograms - 1.0).abs() < 1e-6, "{found}");
    }
}

/// Measured on particleboard: 32.0 N/mm² slow to 37.6 N/mm² fast (Materials 2021, 14, 2208, abstract).
#[test]
fn particleboard_is_cut_with_the_force_that_was_measured() {
    let particleboard = materials().find(|material| material.name == "particleboard").unwrap();
    assert!((32.0..=37.6).contains(&particleboard.cutting_force_n_mm2), "{}", particleboard.cutting_force_n_mm2);
}

/// Left out slip and inertia are none; 100 mbar of slip pressure are 10 kPa.
#[test]
fn slip_and_inertia_are_read_and_off_unless_told() {
    let text = fs::read_to_string(here("tests/setups/sound/least.toml")).unwrap();
    let pores = |keys: &str| {
        let text = text.replacen("[board]\n", &format!("[board]\n{keys}"), 1);
        read_setup(&text, "pores").unwrap().table.board.pores
    };
    assert_eq!(pores(""), Pores::DARCY);
    let told = pores("slip_mbar = 100\ninertia_per_m = 1e7\n");
    assert!((told.slip.pascals() - 1e4).abs() < 1e-6 && (told.inertia_per_metre - 1e7).abs() < 1e-3, "{told:?}");
    assert_eq!(pores("slip_kpa = 10\n").slip, told.slip);
}

#[test]
fn what_is_allowed_but_risky_is_warned_of() {
    let setup = setup_of("tests/setups/sound/drawn.toml");
    let keys: Vec<&str> = setup.warnings.iter().map(|warning| warning.key.as_str()).collect();
    assert_eq!(keys, ["page.listen", "journal.url"]);
    assert!(setup.warnings.iter().all(|warning| !warning.to_string().contains("secret")));
}

#[test]
fn a_password_is_never_repeated_in_a_message() {
    let (_, _, found) = broken().into_iter().find(|(name, ..)| name == "journal-of-another-kind.toml").unwrap();
    assert!(!found.to_string().contains("secret"));
}

#[test]
fn a_leak_that_was_seen_is_the_leak_that_is_reckoned_with() {
    let table = setup_of("config/demo.toml").table;
    let room = table.air.room;
    let seen = Vacuum::from_pascals(60_000.0).below(room).potential_below(room).pascals_squared();
    let flow = table.manifold.bleed.m3_per_s_pa() * seen / room.pascals() * 3600.0;
    assert!((flow - 4.0).abs() < 1e-9, "{flow}");
    let full = 500.0 / 3600.0 * room.pascals();
    let behind = (room.pascals().powi(2) - table.filter.s2_per_m6() * full * full).sqrt();
    assert!((room.pascals() - behind - 1500.0).abs() < 1e-6, "{behind}");
}

#[test]
fn zones_in_rows_and_columns_fill_the_board_within_the_margin() {
    let table = setup_of("config/demo.toml").table;
    let zones = &table.plenum.zones;
    let names: Vec<&str> = zones.iter().map(|zone| zone.name.as_str()).collect();
    assert_eq!(names, ["1", "2", "3", "4", "5", "6"]);
    let area: f64 = zones.iter().map(|zone| (zone.rects[0].width() * zone.rects[0].height()).square_metres()).sum();
    assert!((area - (2.4 - 0.04) * (1.18 - 0.02)).abs() < 1e-9, "{area}");
    assert!((zones[5].rects[0].high.x.millimetres() - 2420.0).abs() < 1e-6);
    assert!((zones[5].rects[0].high.y.millimetres() - 1200.0).abs() < 1e-6);
}

#[test]
fn a_card_means_the_same_as_toml_and_as_json() {
    let setup = setup_of("config/demo.toml");
    let text = fs::read_to_string(here("config/cards/drawer-fronts.toml")).unwrap();
    let written = read_card(&text, "card", &setup).unwrap();
    let json = serde_json::to_value(toml::from_str::<toml::Table>(&text).unwrap()).unwrap();
    assert_eq!(card_from_json(&json, &setup), Ok(written));
}

#[test]
fn a_json_card_is_told_its_mistakes_without_lines() {
    let setup = setup_of("config/demo.toml");
    let found = card_from_json(&serde_json::json!({ "name": 7, "sheet": null, "paart": [] }), &setup).unwrap_err();
    let said: Vec<String> = found.iter().map(ToString::to_string).collect();
    assert!(said.iter().any(|message| message.starts_with("card: name: 7 stands here")), "{said:#?}");
    assert!(said.iter().any(|message| message.contains("paart: key is not known") && message.contains("write part")));
    assert!(found.iter().all(|mistake| mistake.line.is_none()));
}

#[test]
fn a_material_is_taken_as_the_card_overrides_it() {
    let setup = setup_of("config/example.toml");
    let material = card_of("config/example-card.toml", &setup).sheet.material;
    let plywood = materials().find(|material| material.name == "plywood").unwrap();
    let overridden = Material { friction: 0.3, density: Density::from_kg_per_m3(640.0), ..plywood };
    assert_eq!(material, overridden);
}

fn pull(card: &Card) -> f64 {
    match card.cutter.edge {
        Edge::Milling(milling) => milling.axial_share,
        Edge::Knife { .. } => panic!("no knife"),
    }
}

/// tan 30° = 0.57735: an up-cut helix pulls with that share of the tangential force.
#[test]
fn the_helix_gives_the_pull_its_sign() {
    let setup = setup_of("config/demo.toml");
    let text = fs::read_to_string(here("config/cards/shelves-and-spacer.toml")).unwrap();
    let share = |word: &str| {
        let text = text.replace("helix = \"up\"", &format!("helix = \"{word}\""));
        pull(&read_card(&text, "card", &setup).unwrap())
    };
    for (word, expected) in [("up", 0.577_35), ("down", -0.577_35), ("straight", 0.0), ("compression", 0.0)] {
        assert!((share(word) - expected).abs() < 1e-5, "{word}: {}", share(word));
    }
    let tip = pull(&card_of("config/cards/cabinet-sides.toml", &setup));
    assert!(tip > 0.5, "the tip of a compression cutter winds up");
}

#[test]
fn a_setup_is_kept_and_taken_back_unchanged() {
    for path in ["config/demo.toml", "tests/setups/sound/drawn.toml", "tests/setups/sound/inches.toml"] {
        let setup = setup_of(path);
        let kept = postcard::to_stdvec(&setup).unwrap();
        assert_eq!(postcard::from_bytes::<Setup>(&kept), Ok(setup));
    }
}

/// A file with some bytes of it changed, left out, doubled or swapped for lines of another.
fn spoilt(folders: &'static [&'static str]) -> impl Strategy<Value = String> {
    let texts: Vec<Vec<u8>> =
        folders.iter().flat_map(|folder| files(folder)).map(|(_, text)| text.into_bytes()).collect();
    let change = (any::<prop::sample::Index>(), any::<u8>(), 0..5_u8, any::<prop::sample::Index>());
    (prop::sample::select(texts), prop::collection::vec(change, 1..12)).prop_map(|(mut text, changes)| {
        const PIECES: [&[u8]; 6] = [b"nan", b"1e308", b"-", b"[[", b"99999999999999999999", b"\"\"\""];
        for (place, byte, kind, other) in changes {
            let (at, other) = (place.index(text.len()), other.index(text.len()));
            match kind {
                0 => text[at] = byte,
                1 => drop(text.remove(at)),
                2 => text.insert(at, byte),
                3 => drop(text.splice(at..at, PIECES[usize::from(byte) % PIECES.len()].iter().copied())),
                _ => text.swap(at, other),
            }
            if text.is_empty() {
                text.push(byte);
            }
        }
        String::from_utf8_lossy(&text).into_owned()
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1500, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_spoilt_setup_is_refused_or_still_sound(text in spoilt(&["config", "tests/setups/sound", "tests/setups/broken"])) {
        match read_setup(&text, "spoilt") {
            Err(found) => {
                prop_assert!(found.iter().count() > 0);
                prop_assert_eq!(found.to_string().lines().count(), found.iter().count());
            }
            Ok(setup) => {
                prop_assert!(open_lines(&setup).is_ok());
                prop_assert!(setup.table.pump.check().is_ok());
            }
        }
    }

    #[test]
    fn a_spoilt_card_is_refused_or_read(text in spoilt(&["config/cards", "tests/setups/broken/cards"])) {
        let setup = setup_of("tests/setups/sound/least.toml");
        if let Err(found) = read_card(&text, "spoilt", &setup) {
            prop_assert!(found.iter().count() > 0);
            prop_assert_eq!(found.to_string().lines().count(), found.iter().count());
        }
    }
}

#[test]
fn prices_and_limits_are_read_and_a_measured_friction_stands_in_for_the_materials_own() {
    let text = fs::read_to_string(here("tests/setups/sound/least.toml")).unwrap();
    let (before, after) = text.split_once("[board]\n").unwrap();
    let more =
        "\n[prices]\nboard = 120\nhour = 60\nkwh = 0.4\n[care]\nskim_minutes = 20\nskim_at = 1.8\npump_kw = 5.5\n";
    let setup = read_setup(&format!("{before}[board]\nfriction = 0.31\n{after}{more}"), "own.toml").unwrap();
    assert_eq!(setup.friction, Some(0.31));
    // By hand: twenty minutes at 60 an hour; 5.5 kW at 0.4.
    assert!((setup.terms.skim().money() - 20.0).abs() < 1e-9);
    assert!((setup.terms.pump_hour().unwrap().money() - 2.2).abs() < 1e-9);
    assert!((setup.terms.settings().skim_at - 1.8).abs() < 1e-12 && setup.terms.settings().seal_at > 1.0);
    let card = |own: &str| {
        let text = format!(
            "name = \"a\"\n[sheet]\nat_mm = [0, 0]\nsize_mm = [500, 500]\nthickness_mm = 18\nmaterial = \"mdf\"\n{own}\
             [cutter]\ndiameter_mm = 6\nflutes = 2\nspindle_rpm = 18000\nfeed_m_min = 5\nhelix = \"down\"\n"
        );
        read_card(&text, "card.toml", &setup).unwrap().sheet.material.friction
    };
    assert!((card("") - 0.31).abs() < 1e-12, "{}", card(""));
    assert!((card("friction = 0.2\n") - 0.2).abs() < 1e-12);
}
