//! Advice on new boards, other pumps and sealing against worked examples, tabulated flows and the flow field.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by a panic")]

use holdwatch::board::Cost;
use holdwatch::board::advice::{
    Acceptance, AdviceFault, Delivered, FaceResistance, Holds, NewBoard, USUAL_NEED, density,
};
use holdwatch::board::pumps::{PastSheet, board_per_sheet, energy, leak_costs, replayed};
use holdwatch::board::sealing::{Bead, gains};
use holdwatch::board::survey::Side;
use holdwatch::moment::Span;
use holdwatch::table::field::{Field, Resolution};
use holdwatch::table::{
    Air, Board, BoardClass, Condensed, Layer, Manifold, Nameplate, Plenum, Pores, Pump, PumpClass, RatedFlow, Rect,
    Rim, Rims, Sheet, Table, TableLoad, ValveLaw, Zone, ZoneSet, operating_point,
};
use holdwatch::units::{
    AbsolutePressure, FreeAirFlow, InletFlow, LayerResistance, Length, Mass, Permeability, Power, SquareConductance,
    SquareResistance, Temperature, Vacuum,
};

fn mm(value: f64) -> Length {
    Length::from_millimetres(value)
}

fn near(found: f64, expected: f64, relative: f64) {
    assert!((found - expected).abs() <= relative * expected.abs(), "{found} is not {expected}");
}

fn layer(thickness: f64, through: f64) -> Layer {
    let through = Permeability::from_square_metres(through);
    Layer { thickness: mm(thickness), along: through * 5.0, through }
}

/// One plenum under all of a 2.4 by 1.2 m board, with next to no resistance but the board's.
fn table(class: PumpClass, m3_h: f64, contact: f64) -> Table {
    let room = AbsolutePressure::STANDARD_ATMOSPHERE;
    let plate = Nameplate { flow: RatedFlow::Inlet(InletFlow::from_m3_per_h(m3_h)), at: Vacuum::ZERO };
    Table {
        air: Air::at_station(room, Temperature::from_kelvins(293.15)),
        board: Board {
            length: Length::from_metres(2.4),
            width: Length::from_metres(1.2),
            layers: vec![layer(18.0, 4e-13)],
            rims: Rims { x_min: Rim::Sealed, x_max: Rim::Sealed, y_min: Rim::Sealed, y_max: Rim::Sealed },
            seams: vec![],
            top_entry: LayerResistance::ZERO,
            pores: Pores::DARCY,
        },
        plenum: Plenum {
            contact: LayerResistance::from_per_metre(contact),
            zones: vec![Zone {
                name: "1".to_owned(),
                rects: vec![Rect::from_metres(0.0, 0.0, 2.4, 1.2)],
                valve: ValveLaw::IsothermalPipe(SquareResistance::from_s2_per_m6(1e-6)),
                leak: SquareConductance::ZERO,
            }],
        },
        manifold: Manifold { bleed: SquareConductance::ZERO, relief: None },
        filter: SquareResistance::from_s2_per_m6(1e-6),
        pump: Pump::typical(class, plate, room).unwrap(),
    }
}

fn new(class: BoardClass, layered: bool) -> NewBoard {
    NewBoard { class, length: mm(2400.0), width: mm(1200.0), thickness: mm(18.0), layered }
}

/// Worked by hand: faces of 1.5 mm at 1e-14 m² on a core of 15 mm at 4e-13 m² carry 88.89 % of the resistance; with both off
/// the flow is 9.0 times, with one off 1.8 times.
#[test]
fn both_faces_come_off_because_one_is_not_enough() {
    let faces = FaceResistance::of(&[layer(1.5, 1e-14), layer(15.0, 4e-13), layer(1.5, 1e-14)]);
    near(faces.share, 8.0 / 9.0, 1e-12);
    near(faces.both_off, 9.0, 1e-12);
    near(faces.one_off, 1.8, 1e-12);
    let plain = FaceResistance::of(&[layer(18.0, 4e-13)]);
    assert_eq!((plain.share, plain.one_off, plain.both_off), (0.0, 1.0, 1.0));
}

/// 30 lb/ft³ is 480.554 kg/m³ (NIST SP 811): a board of 2440 by 1220 by 18 mm weighs 25.749 kg then, by hand.
#[test]
fn a_bathroom_scale_names_the_grade() {
    let of = |kilograms| density(Mass::from_kilograms(kilograms), mm(2440.0), mm(1220.0), mm(18.0));
    near(of(25.749).unwrap().kg_per_m3(), 480.554, 1e-4);
    assert_eq!(BoardClass::of_fibreboard(of(25.749).unwrap()), BoardClass::UltraLight);
    assert!(matches!(of(1.0), Err(AdviceFault::OutOfRange { .. })));
    assert!(matches!(of(f64::NAN), Err(AdviceFault::OutOfRange { .. })));
}

/// Tabulated apart from this program by Darcy's law: 18 mm at 4e-13 m² pass 79.211 m³/h of free air a square metre at 200 mbar, sea
/// level and 20 °C, with the viscosity of 18.206 µPa·s that it took; flow goes with p_atm² − p².
#[test]
fn the_flow_to_expect_is_the_tabulated_one() {
    let table = table(PumpClass::VaneDry, 500.0, 1.0);
    let advice = new(BoardClass::Light, false).advice(&table, USUAL_NEED, mm(9.0)).unwrap();
    let outlook = advice.outlooks[0];
    let level = outlook.bare[1].pascals();
    let v = |level: f64| 101_325.0_f64.powi(2) - (101_325.0 - level).powi(2);
    let thinner = 18.206e-6 / table.air.viscosity.pascal_seconds();
    near(outlook.flow[1].m3_per_h(), 79.211 * 2.4 * 1.2 * v(level) / v(20_000.0) * thinner, 2e-4);
    assert!(outlook.bare[0] > outlook.bare[1] && outlook.bare[1] > outlook.bare[2]);
}

/// Common practice, no source: a blower of many cubic metres holds on open-pored board, a small deep-vacuum pump does not, and
/// with dense faces on next to nothing comes through.
#[test]
fn whether_a_pump_holds_on_a_board_depends_on_both() {
    let board = new(BoardClass::UltraLight, false);
    let holds = |table: &Table| board.advice(table, USUAL_NEED, mm(9.0)).unwrap().outlooks[0].holds;
    assert_eq!(holds(&table(PumpClass::VaneDry, 40.0, 4e9)), Holds::Hardly);
    assert_eq!(holds(&table(PumpClass::VaneDry, 4000.0, 4e9)), Holds::Surely);
    let layered = new(BoardClass::Standard, true).advice(&table(PumpClass::VaneDry, 250.0, 4e9), USUAL_NEED, mm(9.0));
    let layered = layered.unwrap();
    let flow = |place: usize| layered.outlooks[place].flow[1].m3_per_h();
    assert!(flow(0) < flow(1) && flow(1) < flow(2));
    assert!(flow(1) / flow(0) < 0.6 * (flow(2) / flow(0)));
    near(layered.thickness.millimetres(), 15.0, 1e-12);
    // Common practice, no source: 24 skims of 0.25 mm from 15 mm down to 9.
    assert_eq!(layered.skims, 24);
    assert!(layered.open_rims.m3_per_h() > 0.5);
    near(layered.sag.millimetres(), 10.0, 1e-9);
}

/// The flow field plays the table; the closed form that reads it is within a few percent of it on a bare board.
#[test]
fn a_delivered_board_is_known_by_its_bare_level() {
    let mut real = table(PumpClass::VaneDry, 250.0, 4e9);
    let ordered = BoardClass::Light.permeability();
    let spread = Vacuum::from_pascals(200.0);
    let setup = real.clone();
    let mut found = Vec::new();
    for (through, verdict) in
        [(3.5e-13, Acceptance::AsOrdered), (4e-14, Acceptance::Tighter), (4e-12, Acceptance::Opener)]
    {
        real.board.layers = vec![layer(18.0, through)];
        real.plenum.contact = LayerResistance::from_per_metre(4e9 * 4e-13 / through);
        let field = Field::solve(&real, &TableLoad::default(), Resolution::Preview).unwrap();
        let point = operating_point(&real, ZoneSet::first(1), field.zones());
        let level = point.manifold.vacuum_below(real.air.room);
        let delivered = Delivered::by_bare_level(&setup, level, spread, 0.05).unwrap();
        near(delivered.through.square_metres(), through, 0.05);
        assert!(delivered.error > 0.04 && delivered.error < 0.5, "{delivered:?}");
        assert_eq!(delivered.against(ordered), verdict);
        found.push(delivered);
    }
    let (ratio, (low, high)) = found[2].over(&found[0]);
    near(ratio, 4e-12 / 3.5e-13, 0.1);
    assert!(low < ratio && ratio < high);
    let beyond = Delivered::by_bare_level(&setup, Vacuum::from_pascals(100_000.0), spread, 0.05);
    assert!(matches!(beyond, Err(AdviceFault::NoSuchLevel(_))));
}

/// By hand: a pump of constant inlet flow S holds S·p = C·(p_atm² − p²). At p = 50 kPa in a room of 100 kPa, C = S·5e4/7.5e9; with
/// two of it p² + 3e5·p − 1e10 = 0, so p = 30,277.56 Pa.
#[test]
fn a_second_pump_gives_the_level_worked_by_hand() {
    let mut one = table(PumpClass::VaneDry, 250.0, 4e9);
    let (pascals, flow) = (AbsolutePressure::from_pascals, InletFlow::from_m3_per_h);
    one.air.room = pascals(1e5);
    one.filter = SquareResistance::ZERO;
    one.pump = Pump {
        curve: vec![(pascals(10.0), flow(0.0)), (pascals(11.0), flow(100.0)), (pascals(1e5), flow(100.0))],
        count: 1,
        wear: 1.0,
    };
    let mut two = one.clone();
    two.pump.count = 2;
    let level = Vacuum::from_pascals(5e4);
    let sheets = [
        PastSheet { level, margin: Some(1.2) },
        PastSheet { level, margin: Some(0.9) },
        PastSheet { level, margin: None },
    ];
    let found = replayed(&one, &two, &sheets, 1.5, Vacuum::from_pascals(6e4));
    near(found.levels[0].pascals(), 1e5 - 30_277.563_8, 1e-6);
    // Margins grow by 69,722 over 50,000: 1.67 and 1.25.
    assert_eq!((found.known, found.held, found.would_hold, found.beyond_gauge), (2, 0, 1, 3));
    let same = replayed(&one, &one, &sheets, 1.0, Vacuum::from_pascals(6e4));
    near(same.levels[0].pascals(), 5e4, 1e-6);
    assert_eq!((same.held, same.would_hold, same.beyond_gauge), (1, 1, 0));
}

/// By hand: 7.5 kW for 30 minutes at 0.30 are 1.125; a leak of 50 of 200 m³/h costs a quarter of that; a board of 95 with three
/// skims of 14 over 274 sheets is 0.50 a sheet.
#[test]
fn the_small_economies_are_plain_sums() {
    let spent = energy(Power::from_watts(7500.0), Span::from_secs(1800), Cost::from_money(0.30));
    near(spent.money(), 1.125, 1e-12);
    let flow = FreeAirFlow::from_m3_per_h;
    near(leak_costs(flow(50.0), flow(200.0), spent).money(), 1.125 / 4.0, 1e-12);
    near(leak_costs(flow(50.0), flow(0.0), spent).money() + 1.0, 1.0, 1e-12);
    near(board_per_sheet(Cost::from_money(95.0), Cost::from_money(14.0), 3, 274).unwrap().money(), 0.5, 1e-12);
    assert_eq!(board_per_sheet(Cost::from_money(95.0), Cost::from_money(14.0), 3, 0), None);
}

/// The flow field says by how much the level rises when an open side is sealed.
#[test]
fn sealing_gives_back_what_the_field_says() {
    let mut leaky = table(PumpClass::VaneDry, 100.0, 4e9);
    leaky.plenum.zones[0].rects = vec![Rect::from_metres(0.02, 0.02, 2.38, 1.18)];
    leaky.board.rims.y_max = Rim::Open;
    let mut tight = leaky.clone();
    tight.board.rims.y_max = Rim::Sealed;
    let sheet = Sheet { rect: Rect::from_metres(0.0, 0.0, 2.4, 1.2), gap: Length::ZERO, passes: None };
    let load = TableLoad { sheets: vec![sheet], ..TableLoad::default() };
    let all = ZoneSet::first(1);
    let level = |table: &Table| {
        let field = Field::solve(table, &load, Resolution::Preview).unwrap();
        operating_point(table, all, field.zones()).manifold.vacuum_below(table.air.room).pascals()
    };
    let gains = gains(&leaky, &load, all);
    let of = |bead| gains.iter().find(|gain| gain.of == bead).unwrap();
    let expected = level(&tight) - level(&leaky);
    near(of(Bead::Side(Side::YMax)).level.pascals(), expected, 0.15);
    near(of(Bead::All).level.pascals(), of(Bead::Side(Side::YMax)).level.pascals(), 1e-9);
    near(of(Bead::Side(Side::XMin)).level.pascals() + 1.0, 1.0, 1e-9);
    assert!(of(Bead::All).margin > 1.0 && gains[0].level >= gains[1].level);
}

#[test]
fn boards_that_cannot_be_are_refused() {
    let table = table(PumpClass::VaneDry, 250.0, 4e9);
    for board in [
        NewBoard { thickness: mm(0.0), ..new(BoardClass::Light, true) },
        NewBoard { length: mm(f64::NAN), ..new(BoardClass::Light, true) },
    ] {
        assert!(matches!(board.advice(&table, USUAL_NEED, mm(9.0)), Err(AdviceFault::OutOfRange { .. })));
    }
}
