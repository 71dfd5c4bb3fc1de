//! The simulated table from the outside: levels that make sense, and a line that other programs can talk to.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by a panic")]

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use holdwatch::gauge::{
    DataBits, GaugeSettings, LineId, LineSettings, NumberKind, Parity, Place, Protocol, RegisterTable, RegisterTalk,
    Signal, StopBits, Talk, WordOrder,
};
use holdwatch::job::{Card, CardPart, CardSheet, Cutter, Edge, HowHeld, Material, Milling};
use holdwatch::moment::{Span, Steady};
use holdwatch::plant::{Blemish, Clock, Mischief, OnTheLine, Opening, Plant, Report, Said, Scene, Server, Truth};
use holdwatch::table::{
    Air, Board, ClosedForm, Condensed, Layer, Manifold, Plenum, Pores, Pump, Rect, Rim, Rims, Table, ValveLaw, Zone,
};
use holdwatch::units::{
    AbsolutePressure, Density, InletFlow, LayerResistance, Length, Permeability, PressureConvention, PressureUnit,
    SquareConductance, SquareResistance, Temperature, Viscosity,
};
use tokio_modbus::client::{Reader, Writer, rtu};
use tokio_modbus::prelude::{Slave, SlaveContext};

/// Six zones under a 2440 × 1220 mm board and one pump of 250 m³/h: an invented table with ordinary figures.
fn table() -> Table {
    let zone = |index: usize| {
        let (column, row) = ((index % 3) as f64, (index / 3) as f64);
        let (x, y) = (0.02 + column * 0.806_667, 0.02 + row * 0.6);
        Zone {
            name: format!("{}{}", ['A', 'B'][index / 3], index % 3 + 1),
            rects: vec![Rect::from_metres(x, y, x + 0.786_667, y + 0.58)],
            valve: ValveLaw::Iso6358 { sonic_conductance: 8e-7, critical_ratio: 0.3 },
            leak: SquareConductance::ZERO,
        }
    };
    let point = |pascals, m3_per_s| (AbsolutePressure::from_pascals(pascals), InletFlow::from_m3_per_s(m3_per_s));
    Table {
        air: Air {
            room: AbsolutePressure::STANDARD_ATMOSPHERE,
            temperature: Temperature::from_kelvins(293.15),
            viscosity: Viscosity::from_pascal_seconds(1.813e-5),
            gas_constant: 287.05,
        },
        board: Board {
            length: Length::from_metres(2.44),
            width: Length::from_metres(1.22),
            layers: vec![Layer {
                thickness: Length::from_metres(0.018),
                along: Permeability::from_square_metres(2.5e-12),
                through: Permeability::from_square_metres(5e-13),
            }],
            rims: Rims { x_min: Rim::Sealed, x_max: Rim::Sealed, y_min: Rim::Sealed, y_max: Rim::Sealed },
            seams: vec![],
            top_entry: LayerResistance::ZERO,
            pores: Pores::DARCY,
        },
        plenum: Plenum { contact: LayerResistance::from_per_metre(8e9), zones: (0..6).map(zone).collect() },
        manifold: Manifold { bleed: SquareConductance::ZERO, relief: None },
        filter: SquareResistance::from_s2_per_m6(80.0),
        pump: Pump {
            curve: vec![
                point(2e3, 0.0),
                point(5e3, 0.045),
                point(1e4, 0.058),
                point(2e4, 0.065),
                point(4e4, 0.069),
                point(101_325.0, 0.0694),
            ],
            count: 1,
            wear: 1.0,
        },
    }
}

/// Twelve parts on a sheet that leaves two of the six zones bare.
fn card() -> Card {
    let part = |index: usize| {
        let (x, y) = (0.1 + (index % 4) as f64 * 0.37, 0.07 + (index / 4) as f64 * 0.36);
        let (width, height) = [(0.25, 0.32), (0.18, 0.3), (0.3, 0.25), (0.1, 0.08)][index % 4];
        CardPart {
            name: format!("P{}", index + 1),
            rect: Rect::from_metres(x, y, x + width, y + height),
            held: HowHeld::Vacuum,
        }
    };
    Card {
        name: "Cabinet sides".into(),
        sheet: CardSheet {
            rect: Rect::from_metres(0.02, 0.02, 1.62, 1.2),
            thickness: Length::from_millimetres(18.0),
            material: Material {
                name: "faced particle board".into(),
                density: Density::from_kg_per_m3(680.0),
                friction: 0.3,
                cutting_force_n_mm2: 15.0,
                permeability_m2: 0.0,
            },
            gap: Length::from_millimetres(0.02),
            held_otherwise: false,
            missing: vec![],
            ragged: Length::ZERO,
        },
        cutter: Cutter {
            diameter: Length::from_millimetres(6.0),
            last_pass: Length::from_millimetres(6.0),
            edge: Edge::Milling(Milling { flutes: 2, spindle_rpm: 18_000.0, feed_m_min: 8.0, axial_share: 0.2 }),
        },
        parts: (0..12).map(part).collect(),
        zones: vec![],
        required_margin: 2.0,
        side_force: None,
        program: None,
        into_board: None,
    }
}

fn plant(scenes: &[Scene], truth: Truth) -> Plant {
    let condense = |table: &Table, load: &_| ClosedForm::condense(table, load).zones().clone();
    Plant::new(&table(), &[card()], scenes, truth, Box::new(condense)).unwrap()
}

/// Everything that is said while a scene is played by itself.
fn played(scene: Scene, truth: Truth) -> Vec<Report> {
    let (mut plant, mut said) = (plant(&[scene], truth), Vec::new());
    for second in 0..300 {
        plant.advance(Span::from_secs(second), &mut |report| said.push(report));
    }
    assert!(plant.ended());
    said
}

/// Vacuum at the manifold and at the pump's inlet by the second, in kPa.
fn levels(scene: Scene, seed: u64) -> Vec<(f64, f64)> {
    levels_of(scene, Truth::drawn(&table(), seed))
}

fn levels_of(scene: Scene, truth: Truth) -> Vec<(f64, f64)> {
    let truths = played(scene, truth).into_iter().filter_map(|report| {
        let Said::Truth { manifold_vacuum_pa, pump_inlet_vacuum_pa, .. } = report.what else { return None };
        Some((manifold_vacuum_pa / 1e3, pump_inlet_vacuum_pa / 1e3))
    });
    truths.collect()
}

#[test]
fn a_good_cut_falls_from_a_sealed_level_without_a_jump() {
    for seed in 1..=5 {
        let levels = levels(Scene::GoodCut, seed);
        let at = |second: usize| levels[second].0;
        assert!(at(8) < 1.0, "near the room's pressure while it is loaded: {}", at(8));
        assert!(at(28) > 70.0, "an uncut sheet over its zones is nearly sealed: {}", at(28));
        assert!((at(28) - at(24)).abs() < 0.2, "seated and steady");
        for second in 31..150 {
            let step = at(second) - at(second + 1);
            assert!(step > -0.05 && step < 0.6, "{second}: {step} kPa in a second");
        }
        assert!(at(150) > 30.0 && at(150) < at(28) - 10.0, "the end of the job is the worst: {}", at(150));
        for (manifold, inlet) in levels {
            assert!(inlet >= manifold - 1e-9, "air flows towards the pump: {manifold} {inlet}");
        }
    }
}

/// However the kerf of a part opens, it is the same when the part is free; meanwhile the level is some hundred pascals apart
/// with small parts, as here, and a kilopascal with large ones.
#[test]
fn how_a_kerf_opens_shows_only_while_it_does() {
    let of = |opening| levels_of(Scene::GoodCut, Truth { opening, ..Truth::drawn(&table(), 1) });
    let (eighths, outlines) = (of(Opening::Eighths), of(Opening::Outlines));
    let apart: Vec<f64> = (0..150).map(|second: usize| (eighths[second].0 - outlines[second].0).abs()).collect();
    assert!(apart[..30].iter().all(|apart| *apart < 1e-9), "before the cut");
    let most = apart.iter().fold(0.0, |most: f64, apart| most.max(*apart));
    assert!((0.05..1.5).contains(&most), "{most} kPa");
    assert!((eighths[155].0 - outlines[155].0).abs() < 0.01, "when all is cut");
}

/// How far each fault moves the level from that of the good cut with the same truth, in kPa; "several kPa" for the sheet and
/// 0.02 to 0.3 kPa for a small part, as an independent model of such tables gives them.
#[test]
fn each_fault_moves_the_level_as_far_as_it_should() {
    for seed in 1..=5 {
        let of: BTreeMap<Scene, _> = Scene::ALL.into_iter().map(|scene| (scene, levels(scene, seed))).collect();
        let good = &of[&Scene::GoodCut];
        let down = |scene: Scene, second: usize, beside: usize| good[beside].0 - of[&scene][second].0;
        for scene in [Scene::BadlySeated, Scene::ZoneLeftOpen] {
            assert!(down(scene, 42, 28) > 3.0, "{scene}");
            // 80 s into a cut of 120 s that began at 45 s and stood still from 100 s to 115 s.
            assert!(down(scene, 140, 110).abs() < 0.2, "{scene} is put right, and cut on");
        }
        assert!(down(Scene::SheetLifts, 94, 94).abs() < 0.01);
        for second in [100, 115] {
            assert!(down(Scene::SheetLifts, second, second) > 3.0);
            let small = down(Scene::SmallPartLost, second + 15, second + 15);
            assert!(small > 0.02 && small < 0.3, "small part: {small} kPa");
        }
        assert!(down(Scene::SlowLeak, 21, 28) < 1.0 && down(Scene::SlowLeak, 91, 28) > 3.0);
        // 60 s into a cut that began at 100 s and stood still from 146 s to 161 s.
        assert!(down(Scene::SlowLeak, 175, 90).abs() < 0.2);
        assert!(of[&Scene::PumpFailing][115].0 < 1.0);
        let plugged = of[&Scene::FilterPlugging][130];
        assert!(plugged.1 - good[130].1 > 3.0, "behind a plugged filter the vacuum is too deep");
        assert!(good[130].0 - plugged.0 > 3.0, "before it, where the sheet is, it is too low");
        assert_eq!(&of[&Scene::CablePulled], good);
    }
}

#[test]
fn a_scene_tells_its_fault_exactly_in_its_main_part() {
    for scene in Scene::ALL {
        let main = scene.main_part();
        assert!(main.from < main.until, "{scene}");
        let faults = played(scene, Truth::as_described(&table())).into_iter().filter_map(|report| {
            let Said::Truth { fault, .. } = report.what else { return None };
            Some((Span::from_secs_f64(report.at_s), fault))
        });
        let expected = (scene != Scene::GoodCut).then_some(scene);
        let found: Vec<_> = faults.filter(|(at, _)| *at >= main.from && *at < main.until).collect();
        assert!(found.len() > 5 && found.iter().all(|(_, fault)| *fault == expected), "{scene}: {found:?}");
    }
}

#[test]
fn what_is_told_of_a_job_comes_in_order_and_is_plain_json() {
    let said = played(Scene::SmallPartLost, Truth::as_described(&table()));
    let told: Vec<String> = said
        .iter()
        .filter(|report| !matches!(report.what, Said::Truth { .. } | Said::Progress { .. }))
        .map(|report| serde_json::to_string(report).unwrap())
        .collect();
    assert_eq!(
        told,
        [
            r#"{"at_s":0.0,"kind":"scene","scene":"small-part-lost","note":"begins"}"#,
            r#"{"at_s":3.0,"kind":"job","card":"Cabinet sides"}"#,
            r#"{"at_s":3.0,"kind":"zones","open":["A1","A2","B1","B2"]}"#,
            r#"{"at_s":3.0,"kind":"cutting","cutting":false}"#,
            r#"{"at_s":30.0,"kind":"cutting","cutting":true}"#,
            r#"{"at_s":150.0,"kind":"cutting","cutting":false}"#,
            r#"{"at_s":160.0,"kind":"unloaded"}"#,
            r#"{"at_s":162.0,"kind":"outcome","outcome":"lost","part":"P4"}"#,
            r#"{"at_s":170.0,"kind":"ended"}"#,
        ]
    );
    let fractions: Vec<f64> = said
        .iter()
        .filter_map(|report| if let Said::Progress { fraction } = report.what { Some(fraction) } else { None })
        .collect();
    assert!(fractions.is_sorted());
    assert_eq!((fractions[0], fractions[fractions.len() - 1]), (0.0, 1.0));
    for text in told {
        let read: Report = serde_json::from_str(&text).unwrap();
        assert_eq!(serde_json::to_string(&read).unwrap(), text);
    }
}

#[test]
fn the_same_seed_gives_the_same_shift_whatever_the_steps() {
    let play = |stride: usize| {
        let (mut plant, mut said) = (plant(&Scene::SHIFT, Truth::drawn(&table(), 4)), Vec::new());
        for tenth in (0..18_000).step_by(stride) {
            plant.advance(Span::from_millis(tenth * 100), &mut |report| said.push(report));
        }
        assert!(plant.ended());
        said
    };
    let told = |said: &[Report]| -> Vec<Report> {
        said.iter()
            .filter(|report| !matches!(report.what, Said::Truth { .. } | Said::Progress { .. }))
            .cloned()
            .collect()
    };
    let (once, again, coarse) = (play(5), play(5), play(50));
    assert_eq!(once, again);
    assert_eq!(told(&once), told(&coarse));
    assert_ne!(Truth::drawn(&table(), 4), Truth::drawn(&table(), 5));
}

/// An independent model of such tables gives 0.31 to 0.54 s for 63 % of a step and 0.95 to 1.5 s for 95 % of it, all of it
/// within 3 s; the valve's 0.2 s of travel come on top.
#[test]
fn the_plenum_answers_a_shut_valve_within_its_time_constants() {
    let mut plant = plant(&[Scene::ZoneLeftOpen], Truth::as_described(&table()));
    let mut at = |millis: u64| {
        plant.advance(Span::from_millis(millis), &mut |_| {});
        plant.levels().manifold.pascals()
    };
    let before = at(101_900);
    let trace: Vec<f64> = (1..=100).map(|step| at(102_000 + 50 * step)).collect();
    let after = trace[trace.len() - 1];
    let reached = |share: f64| {
        let level = before + share * (after - before);
        let count = trace.iter().position(|pressure| *pressure <= level).unwrap() + 1;
        count as f64 * 0.05
    };
    assert!(reached(0.63) >= 0.31 && reached(0.63) <= 0.54 + 0.2, "{}", reached(0.63));
    assert!(reached(0.95) >= 0.95 && reached(0.95) <= 1.5 + 0.2, "{}", reached(0.95));
    assert!(reached(0.999) <= 3.2, "{}", reached(0.999));
}

#[test]
fn a_scene_that_no_card_will_do_for_is_refused_by_name() {
    let condense = || -> holdwatch::plant::Condense {
        Box::new(|table: &Table, load: &_| ClosedForm::condense(table, load).zones().clone())
    };
    let mut whole = card();
    whole.sheet.rect = Rect::from_metres(0.0, 0.0, 2.44, 1.22);
    let truth = Truth::as_described(&table());
    let refused = |cards: &[Card], scene| {
        Plant::new(&table(), cards, &[scene], truth.clone(), condense()).err().unwrap().to_string()
    };
    assert!(refused(&[], Scene::GoodCut).contains("good-cut"));
    assert!(refused(&[whole], Scene::ZoneLeftOpen).contains("zone-left-open"));
}

const UNIT: u8 = 3;
const RELAY: u8 = 9;

fn on_the_line() -> OnTheLine {
    OnTheLine {
        line: LineSettings {
            name: "table".into(),
            port: String::new(),
            baud: 19_200,
            data_bits: DataBits::Eight,
            parity: Parity::None,
            stop_bits: StopBits::One,
            protocol: Protocol::ModbusRtu,
            reply_limit: Span::from_millis(200),
        },
        gauges: vec![GaugeSettings {
            name: "manifold".into(),
            line: LineId(0),
            place: Place::Manifold,
            zone: None,
            signal: Signal::Digital,
            talk: Talk::Register(RegisterTalk {
                unit: UNIT,
                table: RegisterTable::Holding,
                address: 0x10,
                kind: NumberKind::F32,
                word_order: WordOrder::LowFirst,
            }),
            scale: 1.0,
            offset: 0.0,
            unit: PressureUnit::Kilopascal,
            convention: PressureConvention::Vacuum,
            range: (-5.0, 100.0),
            every: Span::from_millis(100),
        }],
        relay: Some(RELAY),
        blemish: Blemish::NONE,
        mischief: Mischief::default(),
    }
}

/// A server in a thread of its own, on a clock that runs on from wherever the test puts it.
struct Running {
    stop: Arc<AtomicBool>,
    put_on: Arc<AtomicU64>,
    served: Option<JoinHandle<Vec<Report>>>,
}

impl Running {
    fn start(link: &Path, scene: Scene) -> Self {
        let (stop, put_on) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicU64::new(0)));
        let (stopped, ahead) = (Arc::clone(&stop), Arc::clone(&put_on));
        let mut server = Server::open(link, on_the_line(), 1).unwrap();
        let served = std::thread::spawn(move || {
            let began = Instant::now();
            let now = || {
                let gone = u64::try_from(began.elapsed().as_nanos()).unwrap();
                Steady::from_nanos(1 + gone + ahead.load(Ordering::SeqCst))
            };
            let (mut plant, mut said) = (plant(&[scene], Truth::as_described(&table())), Vec::new());
            let clock = Clock { now: &now, pace: 1.0 };
            server.serve(&mut plant, clock, &stopped, &mut |report| said.push(report)).unwrap();
            said
        });
        Running { stop, put_on, served: Some(served) }
    }

    /// Puts the clock on by so many seconds.
    fn skip(&self, secs: u64) {
        self.put_on.fetch_add(secs * 1_000_000_000, Ordering::SeqCst);
    }

    fn stop(mut self) -> Vec<Report> {
        self.stop.store(true, Ordering::SeqCst);
        self.served.take().unwrap().join().unwrap()
    }
}

async fn client(link: &Path) -> tokio_modbus::client::Context {
    let port = tokio_serial::SerialStream::open(&tokio_serial::new(link.to_str().unwrap(), 19_200)).unwrap();
    rtu::attach_slave(port, Slave(UNIT))
}

/// The vacuum that a client of another make reads, in kPa.
async fn vacuum(client: &mut tokio_modbus::client::Context) -> f32 {
    let limit = Duration::from_secs(20);
    let words = tokio::time::timeout(limit, client.read_holding_registers(0x10, 2)).await.unwrap().unwrap().unwrap();
    f32::from_bits(u32::from(words[0]) | u32::from(words[1]) << 16)
}

/// Waits until the link is there or gone.
async fn until_link(link: &Path, there: bool) {
    for _ in 0..2000 {
        if link.symlink_metadata().is_ok() == there {
            return;
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    panic!("the link never came to be {}", if there { "there" } else { "gone" });
}

#[tokio::test]
async fn a_client_of_another_make_reads_the_level_and_sets_the_light() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("gauge");
    let running = Running::start(&link, Scene::GoodCut);
    let mut client = client(&link).await;
    assert!(vacuum(&mut client).await.abs() < 1.0, "the pump stands");
    running.skip(25);
    let held = vacuum(&mut client).await;
    assert!(held > 70.0 && held < 90.0, "the sheet is held: {held}");

    client.set_slave(Slave(RELAY));
    client.write_multiple_coils(0, &[false, true, true]).await.unwrap().unwrap();
    client.write_single_coil(1, false).await.unwrap().unwrap();
    assert_eq!(client.read_coils(0, 3).await.unwrap().unwrap(), [false, false, true]);
    drop(client);

    let said = running.stop();
    let lamps: Vec<Vec<bool>> = said
        .iter()
        .filter_map(|report| {
            let Said::Lamp { coils } = &report.what else { return None };
            Some(coils.values().copied().collect())
        })
        .collect();
    assert_eq!(lamps, [vec![false, true, true], vec![false, false, true]]);
    assert!(link.symlink_metadata().is_err(), "the link goes with the server");
}

#[tokio::test]
async fn a_pulled_cable_takes_the_line_away_and_comes_back() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("gauge");
    let running = Running::start(&link, Scene::CablePulled);
    let mut before = client(&link).await;
    assert!(vacuum(&mut before).await.abs() < 1.0);
    running.skip(60);
    assert!(vacuum(&mut before).await > 60.0);

    running.skip(25);
    until_link(&link, false).await;
    let gone = tokio::time::timeout(Duration::from_secs(20), before.read_holding_registers(0x10, 2)).await;
    assert!(matches!(gone, Ok(Err(_))), "a line that is gone fails at once: {gone:?}");
    drop(before);

    running.skip(20);
    until_link(&link, true).await;
    let mut after = client(&link).await;
    assert!(vacuum(&mut after).await > 30.0);
    drop(after);
    running.stop();
}
