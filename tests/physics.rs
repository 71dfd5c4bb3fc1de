//! Published figures and worked examples that the physics must reproduce.
//!
//! "calc" marks a value computed once from the formula named, apart from this program; such a row checks arithmetic, not
//! nature. Libraries run for the others: ambiance 1.3.1, fluids 1.3.1, CoolProp 8.0.0.

#![cfg(test)]

mod reference;

use holdwatch::expectation::{Acting, Footing, class_error};
use holdwatch::job::{Engagement, Milling};
use holdwatch::table::air::{Altitude, viscosity};
use holdwatch::table::leak::{
    Pipe, PorousLayer, SonicValve, between_layers, critical_ratio, friction_factor, isothermal_mass_flow, nozzle,
};
use holdwatch::table::{
    Air, Board, BoardClass, Faces, Manifold, Nameplate, Plenum, Pores, Pump, PumpClass, RatedFlow, Rect, Rim, Rims,
    Table, ValveLaw, Zone, ZoneId, ZoneMatrix, ZoneSet, operating_point, operating_point_with_hole,
};
use holdwatch::units::{
    AbsolutePressure, Area, Force, FreeAirFlow, InletFlow, LayerResistance, Length, MassFlow, Permeability,
    PressureUnit, SquareConductance, SquareResistance, Temperature, Throughput, Vacuum, Viscosity,
};
use reference::{case1, case2, case3, case4, case5};

fn assert_close(what: &str, found: f64, expected: f64, relative: f64) {
    let error = (found - expected).abs();
    assert!(error <= relative * expected.abs(), "{what}: {found} instead of {expected}");
}

fn pascals(value: f64) -> AbsolutePressure {
    AbsolutePressure::from_pascals(value)
}

fn metres(value: f64) -> Length {
    Length::from_metres(value)
}

fn vacuum(millibars: f64) -> Vacuum {
    Vacuum::from_pascals(100.0 * millibars)
}

/// The air of the worked examples: 20 °C, viscosity by CoolProp.
fn air_at(room: f64) -> Air {
    Air {
        room: pascals(room),
        temperature: Temperature::from_kelvins(293.15),
        viscosity: Viscosity::from_pascal_seconds(1.820_567_5e-5),
        gas_constant: 287.052_87,
    }
}

fn air() -> Air {
    air_at(101_325.0)
}

/// Cubic metres of free air per hour that a mass is in that air.
fn free_air(mass: MassFlow) -> f64 {
    air().throughput(mass).at_room(air().room).m3_per_h()
}

/// ISO 2533 / US Standard Atmosphere 1976, digits printed by ambiance (geometric), closed form (geopotential).
#[test]
fn the_standard_atmosphere_has_its_pressures() {
    let geometric = |height: f64| Altitude::Geometric(metres(height)).standard_pressure().pascals();
    let geopotential = |height: f64| Altitude::Geopotential(metres(height)).standard_pressure().pascals();
    for (height, by_map, by_gravity) in [
        (0.0, 101_325.0, 101_325.0),
        (500.0, 95_461.286, 95_460.835),
        (1000.0, 89_876.278, 89_874.563),
        (1500.0, 84_559.666, 84_555.994),
        (2000.0, 79_501.411, 79_495.202),
        (3000.0, 70_121.144, 70_108.526),
    ] {
        assert_close("geometric", geometric(height), by_map, 1e-7);
        assert_close("geopotential", geopotential(height), by_gravity, 1e-7);
    }
}

/// US Standard Atmosphere 1976 prints 1.7894e-5 Pa·s at 15 °C (from memory); CoolProp has 1.82057e-5 at 20 °C.
#[test]
fn air_has_its_viscosity() {
    let at = |kelvins: f64| viscosity(Temperature::from_kelvins(kelvins)).pascal_seconds();
    assert_close("15 °C", at(288.15), 1.7894e-5, 1e-4);
    assert_close("20 °C", at(293.15), 1.820_57e-5, 5e-3);
}

#[test]
fn no_level_is_deeper_than_the_room() {
    let hill = Air::at_altitude(Altitude::Geopotential(metres(1500.0)), Temperature::from_kelvins(293.15));
    let claimed = Vacuum::from_pascals(26.0 * PressureUnit::InchOfMercury.pascals());
    let refused = hill.absolute(claimed).unwrap_err();
    assert_eq!(
        refused.to_string(),
        "a vacuum of 880.5 mbar is deeper than the room's pressure of 845.6 mbar; check the gauge's unit, scale and wiring, \
         and the altitude"
    );
    assert!(hill.absolute(vacuum(845.0)).is_ok());
    assert!(air().absolute(claimed).is_ok());
}

/// 2000 m, a pump that gets to 100 mbar absolute: closed form. De-rating: V_a = V_o·P_a/29.92 of a trade magazine
/// (machinedesign.com, article 21833472), with 101 325 Pa for 29.92 inHg.
#[test]
fn altitude_takes_from_the_deepest_level() {
    let temperature = Temperature::from_kelvins(293.15);
    let hill = |height: f64| Air::at_altitude(Altitude::Geopotential(metres(height)), temperature);
    assert_close("difference", hill(2000.0).greatest_vacuum(pascals(10_000.0)).pascals() / 100.0, 694.952, 1e-5);
    assert_eq!(hill(2000.0).greatest_vacuum(pascals(90_000.0)), Vacuum::ZERO);
    let inch = PressureUnit::InchOfMercury.pascals();
    let derated = hill(1500.0).derated(Vacuum::from_pascals(25.0 * inch)).pascals() / inch;
    assert_close("ratio", derated, 20.8626, 1e-4);
}

/// Critical ratio: fluids. Others: calc (isentropic ideal gas), each within 0.1 % of CoolProp's real air in the last column.
#[test]
fn holes_pass_what_the_worked_examples_say() {
    assert_close("critical ratio", critical_ratio(), 0.528_281_8, 1e-6);
    for (name, area, up, down, mass, real) in [
        ("O1", 1e-6, 101_325.0, 0.0, 2.391_724e-4, 2.393_144e-4),
        ("O2", 1e-6, 101_325.0, 50_662.5, 2.391_724e-4, 2.393_144e-4),
        ("O3", 0.62 * 3.141_592_654e-6, 101_325.0, 81_325.0, 3.796_170e-4, 3.797_400e-4),
        ("O4", 0.62 * 7.068_583_471e-6, 101_325.0, 51_325.0, 1.048_178e-3, 1.048_800e-3),
        ("O5", 0.65e-5, 101_325.0, 31_325.0, 1.554_620e-3, 1.555_543e-3),
        ("O6", 0.62 * 2.827_433_388e-5, 84_555.994, 59_555.994, 3.249_001e-3, 3.250_140e-3),
        ("O7", 0.62 * 7.853_981_634e-5, 101_325.0, 91_325.0, 7.146_018e-3, 7.147_833e-3),
        ("O8", 0.60 * 5e-5, 95_000.0, 93_000.0, 1.993_118e-3, 1.993_505e-3),
        ("O9", 0.8 * 2e-6, 101_325.0, 60_000.0, 3.792_172e-4, 3.794_138e-4),
        ("O10", 0.62e-4, 101_325.0, 100_825.0, 2.145_720e-3, 2.146_143e-3),
        ("O11", 1e-6, 101_325.0, 70_000.0, 2.247_047e-4, 2.247_047e-4),
        ("O12", 1e-6, 101_325.0, 90_000.0, 1.549_439e-4, 1.549_439e-4),
    ] {
        let found = nozzle(Area::from_square_metres(area), pascals(up), pascals(down), &air()).kg_per_s();
        assert_close(name, found, mass, if name == "O10" { 1e-5 } else { 1e-6 });
        assert_close(name, found, real, 1e-3);
    }
}

#[test]
fn choked_flow_no_longer_depends_on_the_level() {
    let through =
        |down: f64| nozzle(Area::from_square_metres(1e-6), pascals(101_325.0), pascals(down), &air()).kg_per_s();
    assert_close("choked", through(0.5 * 101_325.0), through(0.0), 1e-12);
}

/// At equal pressures flow is zero, turns its sign, and has a slope that a solver can use.
#[test]
fn flow_reverses_through_zero_with_a_finite_slope() {
    let valve = SonicValve { sonic_conductance: 1e-8, critical_ratio: 0.3 };
    let hole =
        |up: f64, down: f64| nozzle(Area::from_square_metres(1e-6), pascals(up), pascals(down), &air()).kg_per_s();
    let through = |up: f64, down: f64| valve.mass_flow(pascals(up), pascals(down), air().temperature).kg_per_s();
    for flow in [&hole as &dyn Fn(f64, f64) -> f64, &through] {
        assert_close("still", flow(1e5, 1e5) + 1.0, 1.0, 0.0);
        assert_close("reversed", flow(8e4, 1e5), -flow(1e5, 8e4), 1e-12);
        let (near, nearer) = (flow(1e5, 1e5 - 1.0), flow(1e5, 1e5 - 0.001) * 1000.0);
        assert!(near > 0.0);
        assert_close("slope", near, nearer, 1e-6);
        let (before, after) = (flow(1e5, 0.999 * 1e5 + 0.01), flow(1e5, 0.999 * 1e5 - 0.01));
        assert_close("joint", before, after, 2e-4);
    }
}

/// Normal litres (0 °C, 101 325 Pa) and litres of free air at 20 °C for O1 and O3: calc, densities of DIN 1343 and of dry air.
#[test]
fn one_mass_has_as_many_volumes_as_there_are_bases() {
    for (mass, normal, free) in [(2.391_724e-4, 11.1047, 11.9178), (3.796_170e-4, 17.6256, 18.9161)] {
        let throughput = air().throughput(MassFlow::from_kg_per_s(mass));
        assert_close("normal", air().normal_flow(throughput).m3_per_s() * 60_000.0, normal, 1e-5);
        assert_close("free", throughput.at_room(air().room).m3_per_s() * 60_000.0, free, 1e-5);
        assert_close("mass", air().mass_flow(throughput).kg_per_s(), mass, 1e-12);
    }
    let inlet = InletFlow::from_m3_per_h(100.0);
    let free = inlet.throughput(vacuum(800.0).below(air().room)).at_room(air().room);
    assert_close("100 m³/h at 800 mbar (calc)", free.m3_per_h(), 21.046_14, 1e-6);
    assert_close("there and back", air().throughput_of_free(free).at_room(air().room).m3_per_h(), 21.046_14, 1e-6);
}

/// Choked 1 mm² into 0.05 m³ raises its pressure by 402.525 Pa/s (calc).
#[test]
fn a_closed_vessel_fills_at_the_leak_s_rate() {
    let mass = nozzle(Area::from_square_metres(1e-6), pascals(101_325.0), pascals(2e4), &air());
    assert_close("rise", air().throughput(mass).pa_m3_per_s() / 0.05, 402.525, 1e-5);
}

/// I1: a checked example of an equation-solver text. I2, I3: an open pneumatics course text, which prints 238 l/min and
/// 6.47 bar. Others: calc.
#[test]
fn valves_pass_what_iso_6358_says() {
    for (name, conductance, ratio, up, down, kelvins, mass, relative) in [
        ("I1", 1e-8, 0.35, 7e5, 1e5, 293.15, 0.008_295, 1e-6),
        ("I2", 2e-8, 0.3, 7e5, 6.8e5, 293.15, 237.538 / 60_000.0 * 1.185, 1e-5),
        ("I3", 3e-8, 0.35, 701_300.0, 646_516.0, 293.15, 600.0 / 60_000.0 * 1.185, 1e-4),
        ("I4", 1e-8, 0.528, 101_325.0, 50_000.0, 293.15, 1.200_701e-3, 1e-6),
        ("I5", 1e-8, 0.3, 101_325.0, 81_325.0, 293.15, 8.357_127e-4, 1e-6),
        ("I6", 2e-8, 0.2, 101_325.0, 61_325.0, 293.15, 2.070_531e-3, 1e-6),
        ("I7", 5e-9, 0.4, 101_325.0, 96_325.0, 303.15, 2.344_601e-4, 1e-6),
        ("I8", 3e-8, 0.35, 84_556.0, 60_000.0, 283.15, 2.547_923e-3, 1e-6),
    ] {
        let valve = SonicValve { sonic_conductance: conductance, critical_ratio: ratio };
        let found = valve.mass_flow(pascals(up), pascals(down), Temperature::from_kelvins(kelvins)).kg_per_s();
        assert_close(name, found, mass, relative);
        if name == "I2" {
            assert_close("I2 as printed", found / 1.185 * 60_000.0, 238.0, 0.03);
        }
    }
}

/// Documented examples of fluids: Colebrook and laminar friction, isothermal gas in a long pipe.
#[test]
fn pipes_resist_as_a_fluids_library_says() {
    assert_close("Colebrook", friction_factor(1e5, 1e-4), 0.018_513_866_077_471, 1e-9);
    assert_close("rough", friction_factor(5e4, 1e-3), 0.024_020_784, 1e-7);
    assert_close("smooth", friction_factor(1e4, 0.0), 0.030_882_950, 1e-7);
    assert_close("fully rough", friction_factor(1e6, 2e-3), 0.023_606_990, 1e-7);
    assert_close("laminar", friction_factor(1500.0, 1e-3), 64.0 / 1500.0, 1e-12);
    assert_close("at rest", friction_factor(0.0, 1e-3) + 1.0, 1.0, 0.0);
    let bore = Area::from_square_metres(std::f64::consts::FRAC_PI_4 * 0.25);
    // The example gives a density, 11.3 kg/m³ at 1 MPa, and so R·T.
    let gas = Air { temperature: Temperature::from_kelvins(1e6 / 11.3 / 287.052_87), ..air() };
    let mass = isothermal_mass_flow(0.001_85 * 1000.0 / 0.5, bore, pascals(1e6), pascals(9e5), &gas);
    assert_close("isothermal gas", mass.kg_per_s(), 145.484_757_263_6, 1e-9);
}

/// Pressure drops of three hoses (calc; fluids returns the mass flow from them to 1e-6).
#[test]
fn hoses_lose_what_the_worked_examples_say() {
    for (name, diameter, roughness, length, mass, up, drop) in [
        ("P1", 0.050, 4.5e-5, 5.0, 0.02, 81_325.0, 140.181),
        ("P2", 0.075, 1.5e-6, 8.0, 0.06, 81_325.0, 208.959),
        ("P3", 0.100, 1.5e-6, 6.0, 0.10, 71_325.0, 112.128),
    ] {
        let pipe =
            Pipe { diameter: metres(diameter), length: metres(length), roughness: metres(roughness), fittings: 0.0 };
        let flow = MassFlow::from_kg_per_s(mass);
        let bore = Area::from_square_metres(std::f64::consts::FRAC_PI_4 * diameter * diameter);
        let through = isothermal_mass_flow(pipe.loss(flow, &air()), bore, pascals(up), pascals(up - drop), &air());
        assert_close(name, through.kg_per_s(), mass, 5e-6);
        // As a table's hose, without the gas's own acceleration: 0.3 % here.
        let throughput = air().throughput(flow).pa_m3_per_s();
        let down = (up * up - pipe.resistance(flow, &air()).s2_per_m6() * throughput * throughput).sqrt();
        assert_close(name, up - down, drop, 4e-3);
    }
}

fn layer(thickness: f64, permeability: f64) -> PorousLayer {
    PorousLayer::darcy(metres(thickness), Permeability::from_square_metres(permeability))
}

/// D1 to D7, calc: Darcy, Forchheimer and Klinkenberg through 18 mm from 101 325 to 81 325 Pa, per square metre.
#[test]
fn board_passes_what_the_worked_examples_say() {
    let flux = |layer: PorousLayer| {
        layer.mass_flow(Area::from_square_metres(1.0), pascals(101_325.0), pascals(81_325.0), &air()).kg_per_s()
    };
    let darcy = layer(0.018, 1e-12);
    assert_close("D1", flux(darcy), 6.623_516e-2, 1e-6);
    assert_close("D1 free air", free_air(MassFlow::from_kg_per_s(flux(darcy))), 198.028, 1e-5);
    assert_close("D3", flux(PorousLayer { inertia_per_metre: 1e7, ..darcy }), 6.398_628e-2, 1e-6);
    assert_close("D4", flux(PorousLayer { inertia_per_metre: 1e8, ..darcy }), 5.160_655e-2, 1e-6);
    assert_close("D5", flux(PorousLayer { inertia_per_metre: 1e7, ..layer(0.018, 1e-11) }), 2.679_587e-1, 1e-6);
    assert_close("no cancelling", flux(PorousLayer { inertia_per_metre: 1e-9, ..darcy }), flux(darcy), 1e-9);
    assert_close("D6", flux(PorousLayer { slip: pascals(5000.0), ..darcy }), 6.986_150e-2, 1e-6);
    assert_close("D7", flux(PorousLayer { slip: pascals(1e4), ..layer(0.018, 1e-13) }), 7.348_785e-3, 1e-6);
    assert_close(
        "mid-plane",
        between_layers(&[layer(0.009, 1e-12); 2], pascals(101_325.0), pascals(81_325.0))[0].pascals(),
        91_870.864,
        1e-7,
    );
}

/// D8, calc: faces of 1.5 mm and 1e-14 m² on a core of 15 mm and 4e-13 m².
#[test]
fn dense_faces_take_most_of_a_board() {
    let (face, core) = (layer(0.0015, 1e-14), layer(0.015, 4e-13));
    let whole = |layers: &[PorousLayer]| layers.iter().map(|layer| layer.resistance().per_metre()).sum::<f64>();
    let both = whole(&[face, core, face]);
    assert_close("k", 0.018 / both, 5.333_33e-14, 1e-5);
    assert_close("skimmed on both sides", both / whole(&[core]), 9.0, 1e-9);
    assert_close("skimmed on one side", both / whole(&[face, core]), 1.8, 1e-9);
    let between = between_layers(&[face, core, face], pascals(101_325.0), pascals(81_325.0));
    assert_close("upper", between[0].pascals(), 92_968.812, 1e-6);
    assert_close("lower", between[1].pascals(), 90_759.634, 1e-6);
}

/// D9, calc: along 18 mm of board from an open rim, 50 mm to the plenum, 200 mbar.
#[test]
fn an_open_rim_leaks_what_the_worked_example_says() {
    let strip =
        layer(0.05, 1e-12).mass_flow(Area::from_square_metres(0.018), pascals(101_325.0), pascals(81_325.0), &air());
    assert_close("per metre", free_air(strip), 1.283_220, 1e-5);
}

/// H1 to H6 (calc) with 0.3048 m to the foot.
#[test]
fn parts_are_held_as_the_worked_examples_say() {
    let on = |level: Vacuum, area: f64| (level * Area::from_square_metres(area)).newtons();
    assert_close("H1", on(vacuum(200.0), 0.01), 200.0, 1e-12);
    assert_close("H2", on(vacuum(800.0), 0.01), 800.0, 1e-12);
    let ten_inches = Vacuum::from_pascals(10.0 * PressureUnit::InchOfMercury.pascals());
    assert_close("H3", on(ten_inches, 0.3048 * 0.3048), 3146.058, 1e-6);
    assert_close("H4", on(vacuum(200.0), 1.2192 * 2.4384), 59_457.95, 1e-6);
    let footing = |pressing: f64| Footing {
        pressing: Force::from_newtons(pressing),
        weight: Force::from_newtons(0.1 * 0.1 * 0.012 * 700.0 * 9.806_65),
        friction: 0.35,
        base: metres(0.1),
    };
    let up_cut =
        Acting { sideways: Force::from_newtons(40.0), upwards: Force::from_newtons(15.0), height: metres(0.006) };
    assert_close("H5", footing(20_000.0 * 0.01).margins(&up_cut).sliding, 1.625_96, 1e-5);
    assert_close("H5 for 2", footing(24_274.8 * 0.01).margins(&up_cut).sliding, 2.0, 1e-5);
    let tall = |level: f64, upwards: f64| {
        let footing = Footing {
            pressing: Force::from_newtons(level * 0.06 * 0.04),
            weight: Force::ZERO,
            friction: 0.35,
            base: metres(0.06),
        };
        footing.margins(&Acting {
            sideways: Force::from_newtons(40.0),
            upwards: Force::from_newtons(upwards),
            height: metres(0.018),
        })
    };
    assert_close("H6", tall(10_000.0, 0.0).tipping, 1.0, 1e-9);
    assert_close("H6 up-cut", tall(22_500.0, 15.0).tipping, 1.0, 1e-9);
    assert_close("H6 slip", tall(47_619.05, 0.0).sliding, 1.0, 1e-6);
    assert_close("H6 least", tall(22_500.0, 0.0).least(), 0.4725, 1e-9);
    assert!(tall(1e4, 0.0).lifting.is_infinite());
}

/// C1 to C7 (calc from the textbook relations): feed per tooth, mean chip, edge speed, removal, power, mean and peak force.
#[test]
fn cuts_need_the_forces_of_the_worked_examples() {
    let cut = |force: f64, diameter: f64, flutes: u32, rpm: f64, feed: f64, width: f64, depth: f64| Engagement {
        diameter: Length::from_millimetres(diameter),
        milling: Milling { flutes, spindle_rpm: rpm, feed_m_min: feed, axial_share: 0.0 },
        width: Length::from_millimetres(width),
        depth: Length::from_millimetres(depth),
        cutting_force_n_mm2: force,
    };
    for (name, cut, feed, chip, speed, removal, power, mean, peak) in [
        ("C1", cut(35.0, 12.0, 2, 18e3, 6.0, 12.0, 6.0), 0.166_667, 0.106_103, 11.309_73, 7.2, 252.0, 22.281_69, 35.0),
        ("C2", cut(35.0, 6.0, 1, 18e3, 4.5, 6.0, 18.0), 0.25, 0.159_155, 5.654_87, 8.1, 283.5, 50.133_81, 157.5),
        ("C3", cut(35.0, 12.0, 2, 18e3, 6.0, 6.0, 6.0), 0.166_667, 0.106_103, 11.309_73, 3.6, 126.0, 11.140_85, 35.0),
        ("C4", cut(32.0, 12.0, 2, 18e3, 6.0, 12.0, 6.0), 0.166_667, 0.106_103, 11.309_73, 7.2, 230.4, 20.371_83, 32.0),
        (
            "C5",
            cut(35.0, 63.5, 3, 17e3, 25.4, 47.625, 0.508),
            0.498_039,
            0.356_694,
            56.522_49,
            10.241_92,
            358.467,
            6.342_02,
            8.855,
        ),
        ("C6", cut(900.0, 6.0, 1, 18e3, 1.8, 6.0, 1.0), 0.1, 0.063_662, 5.654_87, 0.18, 162.0, 28.647_89, 90.0),
        ("C7", cut(100.0, 6.0, 1, 18e3, 3.0, 6.0, 3.0), 0.166_667, 0.106_103, 5.654_87, 0.9, 90.0, 15.915_49, 50.0),
    ] {
        assert_close(name, cut.feed_per_tooth().millimetres(), feed, 4e-6);
        assert_close(name, cut.mean_chip().millimetres(), chip, 1e-5);
        assert_close(name, cut.edge_speed(), speed, 1e-6);
        assert_close(name, cut.removal() * 1e6, removal, 1e-6);
        assert_close(name, cut.power(), power, 2e-6);
        assert_close(name, cut.mean_force().newtons(), mean, 1e-6);
        assert_close(name, cut.peak_tooth_force().newtons(), peak, 1e-4);
        // The identity P/v_c = z_e·k_c·a_p·h_m.
        let by_chip =
            cut.teeth_engaged() * cut.cutting_force_n_mm2 * 1e6 * (cut.depth * cut.mean_chip()).square_metres();
        assert_close(name, by_chip, cut.mean_force().newtons(), 1e-12);
    }
    let shallow = cut(35.0, 12.0, 1, 10_000.0, 1.0, 3.0, 6.0);
    assert_close("angle", shallow.angle().to_degrees(), 60.0, 1e-12);
    assert_close("mean chip", shallow.mean_chip().millimetres(), 0.047_746_48, 1e-6);
}

/// The vectors of z teeth, equally thick chips aside, summed by turning the cutter in small steps.
#[test]
fn many_teeth_in_a_slot_add_up_as_vectors() {
    for flutes in [1_u32, 2, 3, 4, 6, 8] {
        let slot = Engagement {
            diameter: Length::from_millimetres(12.0),
            milling: Milling { flutes, spindle_rpm: 18_000.0, feed_m_min: 6.0, axial_share: 0.0 },
            width: Length::from_millimetres(12.0),
            depth: Length::from_millimetres(6.0),
            cutting_force_n_mm2: 35.0,
        };
        let tooth = |turned: f64, number: u32| {
            let angle = turned + std::f64::consts::TAU * f64::from(number) / f64::from(flutes);
            let force = angle.sin().max(0.0);
            (force * angle.cos(), force * angle.sin())
        };
        let resultant = |turned: f64| {
            let sum = (0..flutes).map(|number| tooth(turned, number)).fold((0.0, 0.0), |a, b| (a.0 + b.0, a.1 + b.1));
            sum.0.hypot(sum.1)
        };
        let greatest = (0..3600).map(|step| resultant(f64::from(step) * 0.001_745_329)).fold(0.0, f64::max);
        let share = slot.peak_force().newtons() / slot.peak_tooth_force().newtons();
        assert_close(&format!("{flutes} teeth"), share, greatest, 0.01);
    }
}

/// EN 837-1, secondary: class 1.6 on −1..0 bar is ±16 mbar.
#[test]
fn a_gauge_s_class_is_a_share_of_its_span() {
    assert_close("class 1.6", class_error(1.6, vacuum(1000.0)).pascals(), 1600.0, 1e-12);
}

/// Conversions seen in NIST SP 811 (transcribed) and printed by pint; the millimetre of mercury exceeds the torr.
#[test]
fn units_of_pressure_convert() {
    let pascal = PressureUnit::pascals;
    assert_close("10 inHg", 10.0 * pascal(PressureUnit::InchOfMercury) / 100.0, 338.6389, 1e-6);
    assert_close("500 mbar in inHg", 5e4 / pascal(PressureUnit::InchOfMercury), 14.764_99, 1e-6);
    assert_close("500 mbar in psi", 5e4 / pascal(PressureUnit::Psi), 7.251_887, 1e-6);
    assert_close("400 Torr", 400.0 * pascal(PressureUnit::Torr) / 100.0, 533.289_47, 1e-7);
    let more = 760.0 * (pascal(PressureUnit::MillimetreOfMercury) - pascal(PressureUnit::Torr));
    assert!((more - 0.014_435).abs() < 1e-4, "{more}");
}

/// Standard speed laws, from memory.
#[test]
fn speed_changes_a_pump_by_its_kind() {
    let up = PumpClass::RegenerativeOneStage.at_speed(60.0 / 50.0);
    assert_close("flow", up.flow, 1.2, 1e-12);
    assert_close("level", up.level, 1.44, 1e-12);
    assert_close("power", up.power, 1.728, 1e-12);
    let down = PumpClass::RegenerativeTwoStage.at_speed(45.0 / 60.0);
    assert_close("level", down.level, 0.5625, 1e-12);
    assert_close("power", down.power, 0.421_875, 1e-12);
    let vane = PumpClass::VaneDry.at_speed(1.2);
    assert_close("displacement", vane.flow * vane.power / vane.level, 1.44, 1e-12);
    let room = AbsolutePressure::STANDARD_ATMOSPHERE;
    let plate = Nameplate { flow: RatedFlow::Inlet(InletFlow::from_m3_per_h(300.0)), at: Vacuum::ZERO };
    let blower = Pump::typical(PumpClass::RegenerativeOneStage, plate, room).unwrap().scaled(up, room);
    assert_close("ultimate", blower.ultimate().vacuum_below(room).pascals(), 27_500.0 * 1.44, 1e-9);
    assert_close("open", blower.speed(room).m3_per_h(), 360.0, 1e-9);
}

#[test]
fn every_class_of_pump_makes_a_sound_curve_at_any_altitude_and_speed() {
    for class in PumpClass::ALL {
        for room in [101_325.0, 84_556.0, 70_108.0].map(pascals) {
            let plate = Nameplate { flow: RatedFlow::FreeAir(FreeAirFlow::from_m3_per_h(250.0)), at: Vacuum::ZERO };
            let pump = Pump::typical(class, plate, room).unwrap();
            pump.check().unwrap();
            assert_close("open flow", pump.speed(room).m3_per_h(), 250.0, 1e-9);
            // The compression ratio is kept, so the deepest level falls with the room.
            let kept = class.ultimate().pascals() / 101_325.0;
            assert_close(
                "ultimate",
                pump.ultimate().vacuum_below(room) / Vacuum::from_pascals(room.pascals()),
                kept,
                1e-9,
            );
            for ratio in [0.5, 0.8, 1.2, 1.8] {
                pump.clone().scaled(class.at_speed(ratio), room).check().unwrap();
            }
        }
    }
}

/// Water boils at 17.058 mbar at 15 °C and at 31.699 mbar at 25 °C (CoolProp): a ring of it pulls no deeper, in a warm shop either.
#[test]
fn a_liquid_ring_pulls_no_deeper_than_its_water_boils() {
    let least = 1013.25 - PumpClass::LiquidRing.ultimate().pascals() / 100.0;
    assert!(least > 31.699, "{least} mbar");
}

/// At 800 mbar the two bases are a factor of 4.75 apart (calc: 101 325 / 21 325).
#[test]
fn a_plate_at_depth_must_say_its_basis() {
    let room = AbsolutePressure::STANDARD_ATMOSPHERE;
    let at_depth = |flow| Pump::typical(PumpClass::Claw, Nameplate { flow, at: vacuum(800.0) }, room).unwrap();
    let inlet = at_depth(RatedFlow::Inlet(InletFlow::from_m3_per_h(100.0)));
    let free = at_depth(RatedFlow::FreeAir(FreeAirFlow::from_m3_per_h(100.0)));
    assert_close("inlet", inlet.speed(vacuum(800.0).below(room)).m3_per_h(), 100.0, 1e-9);
    assert_close("open", inlet.speed(room).m3_per_h(), 100.0 / 0.72, 1e-9);
    assert_close("bases", free.speed(room) / inlet.speed(room), 101_325.0 / 21_325.0, 1e-9);
}

#[test]
fn an_operator_s_curve_is_refused_with_the_point_and_the_way_out() {
    let room = AbsolutePressure::STANDARD_ATMOSPHERE;
    let inlet = |points: &[(f64, f64)]| {
        let point = |(level, flow): &(f64, f64)| (vacuum(*level), RatedFlow::Inlet(InletFlow::from_m3_per_h(*flow)));
        Pump::from_points(&points.iter().map(point).collect::<Vec<_>>(), room)
    };
    for (points, message) in [
        (&[(0.0, 100.0)] as &[(f64, f64)], "the pump curve has 1 points; give at least 2"),
        (
            &[(0.0, 100.0), (800.0, 60.0)],
            "the pump curve still moves air at its deepest point; add the level at which its flow is 0",
        ),
        (
            &[(0.0, 100.0), (200.0, 90.0), (200.0, 80.0), (900.0, 0.0)],
            "point 3 of the pump curve does not lie at a higher pressure than the one before; order the points and drop doubles",
        ),
        (&[(0.0, 100.0), (900.0, -5.0), (950.0, 0.0)], "point 2 of the pump curve has a negative pressure or flow"),
        (
            &[(0.0, 20.0), (700.0, 100.0), (950.0, 0.0)],
            "the pump would move less air at point 3 of its curve than at a deeper vacuum; check the basis of the flows, inlet or free air",
        ),
    ] {
        assert_eq!(inlet(points).unwrap_err().to_string(), message);
    }
    let sound = inlet(&[(0.0, 100.0), (500.0, 96.0), (900.0, 0.0)]).unwrap();
    assert_close("between", sound.speed(vacuum(700.0).below(room)).m3_per_h(), 48.0, 1e-9);
    assert_eq!(sound.speed(vacuum(950.0).below(room)), InletFlow::ZERO);
}

fn bare_board(pump: Pump, area: f64) -> (Table, ZoneMatrix) {
    let table = Table {
        air: air(),
        board: Board {
            length: metres(2.0),
            width: metres(1.5),
            layers: BoardClass::Light.layers(metres(0.018), Faces::Off),
            rims: Rims { x_min: Rim::Sealed, x_max: Rim::Sealed, y_min: Rim::Sealed, y_max: Rim::Sealed },
            seams: vec![],
            top_entry: LayerResistance::ZERO,
            pores: Pores::DARCY,
        },
        plenum: Plenum {
            contact: LayerResistance::ZERO,
            zones: vec![Zone {
                name: "all".into(),
                rects: vec![Rect::from_metres(0.0, 0.0, 2.0, 1.5)],
                valve: ValveLaw::IsothermalPipe(SquareResistance::ZERO),
                leak: SquareConductance::ZERO,
            }],
        },
        manifold: Manifold { bleed: SquareConductance::ZERO, relief: None },
        filter: SquareResistance::ZERO,
        pump,
    };
    let mut zones = ZoneMatrix::zeros(1);
    zones.set(ZoneId(0), ZoneId(0), 5e-13 * area / 0.018);
    (table, zones)
}

/// W1 to W4 (calc with scipy's brentq): 18 mm, 5e-13 m², a hole of 0.62 × 2e-4 m², no pipe loss. Blower 500·(1 − v/280 mbar),
/// displacement pump 250·(1 − 15 000 Pa/p) m³/h at the inlet.
#[test]
fn the_worked_operating_points_come_out() {
    let point = |p: f64, speed: f64| (pascals(p), InletFlow::from_m3_per_h(speed));
    let blower = Pump { curve: vec![point(73_325.0, 0.0), point(101_325.0, 500.0)], count: 1, wear: 1.0 };
    let curved =
        (0..=863).map(|step| 15_000.0 + 100.0 * f64::from(step)).map(|p| point(p, 250.0 * (1.0 - 15_000.0 / p)));
    let displacement = Pump {
        curve: curved.chain([point(101_325.0, 250.0 * (1.0 - 15_000.0 / 101_325.0))]).collect(),
        ..blower.clone()
    };
    for (name, pump, area, plenum, mass) in [
        ("W1", &blower, 3.0, 89_126.946, 8.301_896e-2),
        ("W2", &blower, 0.6, 82_179.168, 4.289_110e-2),
        ("W3", &displacement, 3.0, 92_466.968, 6.392_964e-2),
        ("W4", &displacement, 0.6, 76_149.211, 5.046_341e-2),
    ] {
        let (table, zones) = bare_board(pump.clone(), area);
        let hole = Area::from_square_metres(0.62 * 2e-4);
        let balance = operating_point_with_hole(&table, ZoneSet::first(1), &zones, hole);
        assert_close(name, balance.manifold.vacuum_below(air().room).pascals(), 101_325.0 - plenum, 1e-5);
        assert_close(name, balance.mass_flow().kg_per_s(), mass, 1e-5);
        let board = Throughput::from_pa_m3_per_s(balance.zone_throughputs[0].pa_m3_per_s());
        let share = air().mass_flow(board).kg_per_s() / balance.mass_flow().kg_per_s();
        let expected = [0.7611, 0.4456, 0.7303, 0.4816][name.as_bytes()[1] as usize - usize::from(b'1')];
        assert_close(name, share, expected, 1e-4);
    }
}

/// The network on trial alone: with the other program's own condensed board it must give the other program's balance.
/// Both solve the same equations to 1e-7 or better, hence 1e-5.
#[test]
fn the_network_finds_the_balance_of_an_independent_program() {
    for case in [case1(), case2(), case3(), case4(), case5()] {
        let point = operating_point(&case.table, case.open, &case.matrix);
        let answer = &case.answer;
        assert_close(case.name, point.manifold.pascals(), answer.manifold, 1e-5);
        assert_close(case.name, point.pump_inlet.pascals(), answer.pump_inlet, 1e-5);
        assert_close(case.name, point.throughput.pa_m3_per_s(), answer.throughput, 1e-5);
        assert_close(case.name, point.relief.pa_m3_per_s(), answer.relief, 1e-5);
        for (zone, expected) in point.zones.iter().zip(answer.zones) {
            assert_close(case.name, zone.pascals(), *expected, 1e-5);
        }
        for (flow, expected) in point.zone_throughputs.iter().zip(answer.zone_throughputs) {
            let error = (flow.pa_m3_per_s() - expected).abs();
            assert!(error <= 1e-5 * answer.throughput, "{}: {} instead of {expected}", case.name, flow.pa_m3_per_s());
        }
    }
}
