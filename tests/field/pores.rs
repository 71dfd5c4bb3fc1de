//! Slip and inertia in the board's pores: Klinkenberg's k·(1 + b/p) and Forchheimer's β, against one-dimensional flow.
//!
//! Worked values: G = k·(p₁² − p₂²)/(2µRTL) with k·(1 + b/p̄) (L. Klinkenberg, API Drilling and Production Practice (1941) 200),
//! and the root of β·G² + (µ/k)·G = (p₁² − p₂²)/(2RTL) (P. Forchheimer, Z. VDI 45 (1901) 1782); 18 mm of board between
//! 101 325 and 81 325 Pa, 20 °C, µ = 1.8205675e-5 Pa·s, R = 287.05287 J/(kg·K).

use super::*;
use holdwatch::daemon::{Brief, Commission};
use holdwatch::event::Request;
use holdwatch::setup::{Setup, read_setup};
use holdwatch::table::ZoneSet;
use holdwatch::table::leak::PorousLayer;
use holdwatch::units::Area;

/// The mass flux in kg/(s·m²) through a bare board of `through` m² whose one zone is held at 81 325 Pa.
fn bare_flux(through: f64, slip: f64, inertia: f64) -> f64 {
    let mut case = value("bare_table_4_zones");
    case["air"] = json!({ "p_atm_Pa": 101_325.0, "temperature_K": 293.15, "viscosity_Pa_s": 1.820_567_5e-5,
        "gas_constant_J_kgK": 287.052_87 });
    let board = &mut case["board"];
    (board["length_x_m"], board["length_y_m"]) = (json!(0.4), json!(0.2));
    board["layers"] = json!([{ "thickness_m": 0.018, "k_xy_m2": 5.0 * through, "k_z_m2": through }]);
    (board["slip_pressure_Pa"], board["inertia_per_m"]) = (json!(slip), json!(inertia));
    let plenum = &mut case["plenum"];
    plenum["contact_resistance_per_m"] = json!(0.0);
    plenum["zones"] = json!([{ "id": "Z", "rects": [[0.0, 0.0, 0.4, 0.2]], "valve_open": true,
        "valve": { "law": "isothermal_pipe", "r_s2_per_m6": 0.0 } }]);
    case["filter"]["r_s2_per_m6"] = json!(0.0);
    case["pump"]["curve"] = json!([[81_325.0, 0.0], [81_325.1, 100.0]]);
    solve(&case.to_string(), Resolution::Preview).unwrap().result.mass_flow_kg_s / 0.08
}

#[test]
fn straight_through_the_board_slip_and_inertia_are_those_of_the_worked_examples() {
    for (name, through, slip, inertia, flux) in [
        ("Darcy", 1e-12, 0.0, 0.0, 6.623_516e-2),
        ("inertia 1e7", 1e-12, 0.0, 1e7, 6.398_628e-2),
        ("inertia 1e8", 1e-12, 0.0, 1e8, 5.160_655e-2),
        ("inertia 1e7, open board", 1e-11, 0.0, 1e7, 2.679_587e-1),
        ("slip 5 kPa", 1e-12, 5e3, 0.0, 6.986_150e-2),
        ("slip 10 kPa, dense board", 1e-13, 1e4, 0.0, 7.348_785e-3),
        ("vanishing inertia", 1e-12, 0.0, 1e-6, 6.623_516e-2),
    ] {
        close(bare_flux(through, slip, inertia), flux, 2e-4, name);
    }
}

/// With both, one-dimensional flow is that of the layer law, which takes slip at the mean pressure as the field does.
#[test]
fn slip_and_inertia_go_together() {
    let air = Case::read(&text("bare_table_4_zones")).unwrap().table.air;
    let air = holdwatch::table::Air {
        viscosity: holdwatch::units::Viscosity::from_pascal_seconds(1.820_567_5e-5),
        gas_constant: 287.052_87,
        ..air
    };
    let layer = PorousLayer {
        thickness: Length::from_metres(0.018),
        permeability: Permeability::from_square_metres(2e-12),
        slip: AbsolutePressure::from_pascals(4e3),
        inertia_per_metre: 0.0,
    };
    let pressures = [101_325.0, 81_325.0].map(AbsolutePressure::from_pascals);
    let flux = layer.mass_flow(Area::from_square_metres(1.0), pressures[0], pressures[1], &air).kg_per_s();
    close(bare_flux(2e-12, 4e3, 0.0), flux, 2e-4, "slip");
    assert!(bare_flux(2e-12, 4e3, 1e7) < 0.99 * flux, "inertia takes nothing");
}

/// Left out, both are nothing to the digit; under a cut sheet slip draws more air and inertia less.
#[test]
fn slip_and_inertia_are_off_unless_they_are_asked_for() {
    let with = |slip: Option<f64>, inertia: Option<f64>| {
        let mut case = value("half_sheet_12_parts_2_closed");
        slip.into_iter().for_each(|slip| case["board"]["slip_pressure_Pa"] = json!(slip));
        inertia.into_iter().for_each(|inertia| case["board"]["inertia_per_m"] = json!(inertia));
        solve(&case.to_string(), Resolution::Preview).unwrap().result
    };
    let plain = with(None, None);
    assert_eq!(plain, with(Some(0.0), Some(0.0)));
    let (slipping, inert) = (with(Some(5e3), None), with(None, Some(1e8)));
    assert!(slipping.manifold_Pa > plain.manifold_Pa + 100.0, "{} {}", slipping.manifold_Pa, plain.manifold_Pa);
    assert!(inert.manifold_Pa < plain.manifold_Pa - 10.0, "{} {}", inert.manifold_Pa, plain.manifold_Pa);
    assert!(slipping.zone_Pa.iter().chain(&inert.zone_Pa).all(|zone| (4e4..101_326.0).contains(zone)));
}

/// A setup with one zone under all of a bare board of 18 mm, 1e-12 m², over a pump that loses its speed evenly with its pressure.
fn setup(pores: &str) -> Setup {
    let text = format!(
        "[table]\nname = \"Router 1\"\nstation_pressure_hpa = 1013.25\n\
         [pump]\nbasis = \"inlet\"\npoint = [{{ absolute_mbar = 700, flow_m3_h = 0 }}, {{ vacuum_mbar = 0, flow_m3_h = 60 }}]\n\
         [filter]\nr_s2_per_m6 = 0\n[valves]\nr_s2_per_m6 = 0\n\
         [board]\nlength_mm = 400\nwidth_mm = 200\nthickness_mm = 18\nalong_m2 = 5e-12\nthrough_m2 = 1e-12\nrims = \"sealed\"\n{pores}\
         [plenum]\ncontact_per_m = 0\n[zones]\nrows = 1\ncolumns = 1\nmargin_mm = 0\n\
         [[line]]\nname = \"vacuum\"\nport = \"/dev/serial/by-id/adapter\"\nprotocol = \"modbus-rtu\"\n\
         [[gauge]]\nname = \"manifold\"\nline = \"vacuum\"\nplace = \"manifold\"\nunit_id = 1\ntable = \"input\"\nregister = 0\n\
         kind = \"i16\"\nunit = \"mbar\"\ncounts = \"vacuum\"\nrange = [0, 1000]\n"
    );
    read_setup(&text, "pores.toml").unwrap_or_else(|mistakes| unreachable!("{mistakes}"))
}

/// What the child process of a forecast answers: the bare table's absolute pressure, and its boards.
fn forecast_bare(setup: &Setup, room: Option<AbsolutePressure>, known: Option<Vec<u8>>) -> (f64, Vec<u8>) {
    let request = Request { card: None, beside: vec![], open: vec![ZoneSet::first(1)], room };
    let brief = Brief::new(setup, request, Resolution::Preview);
    let air = room.unwrap_or(setup.table.air.room);
    let reply = Commission { brief, known: known.clone() }.run().unwrap();
    let level = reply.forecast.courses[0].bare;
    (level.below(air).pascals(), reply.boards.or(known).unwrap())
}

/// The board's flux at the forecast level by its closed form, k·(1 + b/p̄) and β·G² + (µ/k)·G = (p₁² − p₂²)/(2RTL), is what the
/// pump moves there: written out here, apart from the program.
fn check_balance(setup: &Setup, room: f64, inlet: f64, (slip, inertia): (f64, f64), deepest: f64) {
    let air = setup.table.air;
    let specific = air.gas_constant * air.temperature.kelvins();
    let drag = air.viscosity.pascal_seconds() / (1e-12 * (1.0 + 2.0 * slip / (room + inlet)));
    let drive = (room * room - inlet * inlet) / (2.0 * specific * 0.018);
    let flux = 2.0 * drive / (drag + (drag * drag + 4.0 * inertia * drive).sqrt());
    let moved = 60.0 / 3600.0 * (inlet - deepest) / (room - deepest) * inlet / specific;
    close(flux * 0.08, moved, 5e-4, &format!("slip {slip}, inertia {inertia}: {inlet} Pa"));
}

#[test]
fn a_forecast_of_a_setup_with_slip_and_inertia_balances_as_their_closed_forms_do() {
    let room = 101_325.0;
    let mut levels = Vec::new();
    for (keys, slip, inertia) in [
        ("", 0.0, 0.0),
        ("slip_mbar = 100\n", 1e4, 0.0),
        ("slip_kpa = 10\n", 1e4, 0.0),
        ("inertia_per_m = 1e8\n", 0.0, 1e8),
    ] {
        let setup = setup(keys);
        let (inlet, boards) = forecast_bare(&setup, None, None);
        check_balance(&setup, room, inlet, (slip, inertia), 7e4);
        // At another air pressure over the same boards; the pump keeps its compression ratio.
        let (thin, kept) = forecast_bare(&setup, Some(AbsolutePressure::from_pascals(9e4)), Some(boards.clone()));
        assert_eq!(kept, boards, "{keys}: condensed anew");
        check_balance(&setup, 9e4, thin, (slip, inertia), 7e4 * 9e4 / room);
        levels.push(inlet);
    }
    assert!(levels[1] > levels[0] + 100.0 && levels[3] < levels[0] - 100.0, "{levels:?}");
    close(levels[1], levels[2], 1e-12, "the same slip in other units");
}

/// Inertia acts at every depth of the board, of which the windows of a sequence keep the top face alone: so it goes to full solutions.
#[test]
fn a_sequence_keeps_what_inertia_acts_on() {
    let mut case = Case::read(&text("half_sheet_12_parts_2_closed")).unwrap();
    case.table.board.pores.inertia_per_metre = 1e8;
    let mut load = case.load.clone();
    let kerf = load.kerfs.pop().unwrap();
    let mut sequence = Sequence::start(&case.table, &load, Resolution::Preview).unwrap();
    let before = sequence.field().zones().clone();
    sequence.cut(&kerf).unwrap();
    let alone = Field::solve(&case.table, &case.load, Resolution::Preview).unwrap();
    for zone in (0..6).map(ZoneId) {
        close(sequence.field().zones().crowding(zone), alone.zones().crowding(zone), 1e-4, "crowding");
    }
    assert!((0..6).map(ZoneId).any(|zone| (before.crowding(zone) / alone.zones().crowding(zone) - 1.0).abs() > 1e-3));
}
