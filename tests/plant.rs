//! The simulated table from the outside: levels that make sense, and a line that other programs can talk to.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use holdwatch::gauge::{
    AsciiTalk, DataBits, GaugeSettings, LineId, LineSettings, NumberKind, Parity, Place, Protocol, RegisterTable,
    RegisterTalk, StopBits, Talk, WordOrder,
};
use holdwatch::job::{Card, CardPart, CardSheet, Cutter, HowHeld, Material};
use holdwatch::moment::{Span, Steady};
use holdwatch::plant::{Blemish, Clock, Mischief, OnTheLine, Plant, Report, Said, Scene, Server, SheetOutcome, Truth};
use holdwatch::table::{
    Air, Board, ClosedForm, Condensed, Layer, Manifold, Plenum, Pump, Rect, Rim, Rims, Table, ValveLaw, Zone,
};
use holdwatch::units::{
    AbsolutePressure, Density, InletFlow, LayerResistance, Length, Permeability, PressureConvention, PressureUnit,
    SquareConductance, SquareResistance, Temperature, Viscosity,
};
use tokio_modbus::client::{Reader, Writer, rtu};
use tokio_modbus::prelude::Slave;

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
        let (width, height) = [(0.25, 0.32), (0.18, 0.3), (0.3, 0.25), (0.12, 0.1)][index % 4];
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
        },
        cutter: Cutter {
            diameter: Length::from_millimetres(6.0),
            flutes: 2,
            spindle_rpm: 18_000.0,
            feed_m_min: 8.0,
            last_pass: Length::from_millimetres(6.0),
            axial_share: 0.2,
        },
        parts: (0..12).map(part).collect(),
        zones: vec![],
        required_margin: 2.0,
        side_force: None,
    }
}

fn plant(scenes: &[Scene], truth: Truth) -> Plant {
    let condense = |table: &Table, load: &_| ClosedForm::condense(table, load).zones().clone();
    Plant::new(&table(), &[card()], scenes, truth, Box::new(condense)).unwrap()
}

/// Plays a scene by itself and returns everything that was said.
fn played(scene: Scene, truth: Truth) -> Vec<Report> {
    let mut said = Vec::new();
    let mut plant = plant(&[scene], truth);
    for second in 0..300 {
        plant.advance(Span::from_secs(second), &mut |report| said.push(report));
    }
    assert!(plant.ended());
    said
}

#[test]
fn dump() {
    for scene in &Scene::ALL[3..] {
        let scene = *scene;
        let said = played(scene, Truth::as_described(&table()));
        println!("== {scene}");
        for report in said {
            match report.what {
                Said::Truth { manifold_vacuum_pa: m, pump_inlet_vacuum_pa: p, pump_speed, parts_cut, fault } => {
                    if report.at_s as u64 % 5 == 0 && report.at_s > 55.0 && report.at_s < 170.0 {
                        println!("{:6.1} {m:8.0} {p:8.0} {pump_speed:.2} {parts_cut} {fault:?}", report.at_s)
                    }
                }
                Said::Progress { .. } => {}
                other => println!("{:6.1} {other:?}", report.at_s),
            }
        }
    }
}
