//! Whatever the table, its balance holds and moves the way that it must.

#![cfg(test)]

use holdwatch::table::leak::SonicValve;
use holdwatch::table::{
    Air, Board, BoardClass, Faces, Manifold, Nameplate, OperatingPoint, Plenum, Pores, Pump, PumpClass, RatedFlow,
    Rect, Relief, Rim, Rims, Table, Tap, ValveLaw, Zone, ZoneId, ZoneMatrix, ZoneSet, leak_to_reach, operating_point,
};
use holdwatch::units::{
    AbsolutePressure, InletFlow, LayerResistance, Length, SquareConductance, SquareResistance, Temperature, Vacuum,
};
use proptest::prelude::*;

/// Tables from tight to hopeless: zones of 0 to 2e-11 m³, valves from open pipes to pinholes, any class of pump.
fn any_table() -> impl Strategy<Value = (Table, ZoneMatrix, ZoneSet)> {
    let valve = prop_oneof![
        (0.0..1e5_f64).prop_map(|r| ValveLaw::IsothermalPipe(SquareResistance::from_s2_per_m6(r))),
        (-9.0..-5.0_f64, 0.0..0.6_f64)
            .prop_map(|(c, b)| ValveLaw::Iso6358 { sonic_conductance: 10_f64.powf(c), critical_ratio: b }),
    ];
    let leak = prop_oneof![Just(0.0), 1e-10..1e-7_f64];
    let zone = (valve, leak.clone(), prop_oneof![Just(0.0), 1e-15..2e-11_f64], 0.0..1e-12_f64);
    let pump = (prop::sample::select(PumpClass::ALL.to_vec()), 20.0..1000.0_f64, 1..3_u32, 0.3..1.0_f64);
    let relief = prop::option::of((2e4..9e4_f64, 0.0..0.5_f64));
    (prop::collection::vec(zone, 1..7), pump, leak, relief, 0.0..5000.0_f64, 70_000.0..103_000.0_f64, any::<u64>())
        .prop_map(|(zones, pump, bleed, relief, filter, room, open)| {
            table(&zones, pump, bleed, relief, filter, room, open)
        })
}

type AnyZone = (ValveLaw, f64, f64, f64);

fn table(
    zones: &[AnyZone],
    (class, flow, count, wear): (PumpClass, f64, u32, f64),
    bleed: f64,
    relief: Option<(f64, f64)>,
    filter: f64,
    room: f64,
    open: u64,
) -> (Table, ZoneMatrix, ZoneSet) {
    let air = Air::at_station(AbsolutePressure::from_pascals(room), Temperature::from_kelvins(293.15));
    let plate = Nameplate { flow: RatedFlow::Inlet(InletFlow::from_m3_per_h(flow)), at: Vacuum::ZERO };
    let pump = Pump { count, wear, ..Pump::typical(class, plate, air.room).unwrap() };
    let mut matrix = ZoneMatrix::zeros(zones.len());
    let number = |place: usize| ZoneId(u8::try_from(place).unwrap());
    for (place, (_, _, through, beside)) in zones.iter().enumerate() {
        let mut add = |a: ZoneId, b: ZoneId, more: f64| matrix.set(a, b, matrix.get(a, b) + more);
        add(number(place), number(place), *through);
        if place > 0 {
            let (before, here) = (number(place - 1), number(place));
            [(before, before, 1.0), (here, here, 1.0), (before, here, -1.0), (here, before, -1.0)]
                .into_iter()
                .for_each(|(a, b, sign)| add(a, b, sign * beside));
        }
    }
    let plenum = Plenum {
        contact: LayerResistance::ZERO,
        zones: zones
            .iter()
            .map(|(valve, leak, _, _)| Zone {
                name: String::new(),
                rects: vec![Rect::from_metres(0.0, 0.0, 1.0, 1.0)],
                valve: *valve,
                leak: SquareConductance::from_m3_per_s_pa(*leak),
            })
            .collect(),
    };
    let table = Table {
        air,
        board: Board {
            length: Length::from_metres(1.0),
            width: Length::from_metres(1.0),
            layers: BoardClass::Light.layers(Length::from_millimetres(18.0), Faces::Off),
            rims: Rims { x_min: Rim::Sealed, x_max: Rim::Sealed, y_min: Rim::Sealed, y_max: Rim::Sealed },
            seams: vec![],
            top_entry: LayerResistance::ZERO,
            pores: Pores::DARCY,
        },
        plenum,
        manifold: Manifold {
            bleed: SquareConductance::from_m3_per_s_pa(bleed),
            relief: relief.map(|(set, slope_m3_s)| Relief { set: AbsolutePressure::from_pascals(set), slope_m3_s }),
        },
        filter: SquareResistance::from_s2_per_m6(filter),
        pump,
    };
    let set = (0..zones.len()).filter(|place| open >> place & 1 == 1).map(number).collect();
    (table, matrix, set)
}

/// What a valve passes at the pressures on either side of it.
fn through_valve(law: ValveLaw, zone: AbsolutePressure, manifold: AbsolutePressure, air: &Air) -> f64 {
    match law {
        ValveLaw::IsothermalPipe(resistance) => {
            let drop = zone.pascals().powi(2) - manifold.pascals().powi(2);
            drop.signum() * (drop.abs() / resistance.s2_per_m6()).sqrt()
        }
        ValveLaw::Iso6358 { sonic_conductance, critical_ratio } => {
            let valve = SonicValve { sonic_conductance, critical_ratio };
            air.throughput(valve.mass_flow(zone, manifold, air.temperature)).pa_m3_per_s()
        }
    }
}

fn check_balance(
    table: &Table,
    matrix: &ZoneMatrix,
    open: ZoneSet,
    point: &OperatingPoint,
) -> Result<(), TestCaseError> {
    let (room, potentials) = (table.air.room, point.potentials.clone());
    // As precise as pressures to 1e-7 make flows through the widest pipe and the steepest pump.
    let tolerance = 1e-4 * table.pump.throughput(room).pa_m3_per_s();
    let mut arriving = point.relief.pa_m3_per_s()
        + table.manifold.bleed.m3_per_s_pa() * point.manifold.potential_below(room).pascals_squared();
    for (place, zone) in table.plenum.zones.iter().enumerate() {
        let id = ZoneId(u8::try_from(place).unwrap());
        let from_board: f64 = (0..matrix.count())
            .map(|other| matrix.get(id, ZoneId(u8::try_from(other).unwrap())) * potentials[other].pascals_squared())
            .sum::<f64>()
            / (2.0 * table.air.viscosity.pascal_seconds());
        prop_assert!((from_board - point.zone_throughputs[place].pa_m3_per_s()).abs() < tolerance);
        let passing = from_board + zone.leak.m3_per_s_pa() * potentials[place].pascals_squared();
        if open.contains(id) {
            arriving += passing;
            let dropless = ValveLaw::IsothermalPipe(SquareResistance::ZERO) == zone.valve;
            let valve = through_valve(zone.valve, point.zones[place], point.manifold, &table.air);
            let rising = through_valve(zone.valve, point.zones[place].raised(), point.manifold, &table.air);
            let error = (valve - passing).abs();
            prop_assert!(dropless || error < tolerance + (rising - valve).abs(), "valve {valve}, zone {passing}");
        } else {
            prop_assert!(passing.abs() < tolerance, "a closed zone passes {passing}");
        }
    }
    prop_assert!((arriving - point.throughput.pa_m3_per_s()).abs() < tolerance);
    let (inlet, manifold) = (point.pump_inlet.pascals(), point.manifold.pascals());
    let behind = (inlet * inlet + table.filter.s2_per_m6() * point.throughput.pa_m3_per_s().powi(2)).sqrt();
    prop_assert!((behind - manifold).abs() < 1e-3 * room.pascals(), "filter leaves {behind} of {manifold}");
    Ok(())
}

trait Raised {
    fn raised(self) -> Self;
}

impl Raised for AbsolutePressure {
    fn raised(self) -> Self {
        AbsolutePressure::from_pascals(self.pascals() * (1.0 + 1e-7))
    }
}

proptest! {
    #[test]
    fn every_table_balances((table, matrix, open) in any_table()) {
        let point = operating_point(&table, open, &matrix);
        check_balance(&table, &matrix, open, &point)?;
    }

    #[test]
    fn a_worse_pump_never_deepens_the_level((table, matrix, open) in any_table(), share in 0.3..1.0_f64) {
        let mut worse = table.clone();
        worse.pump.wear *= share;
        let level = |table: &Table| operating_point(table, open, &matrix).level(Tap::Manifold).pascals();
        prop_assert!(level(&worse) <= level(&table) + 0.1);
    }

    #[test]
    fn a_leak_never_deepens_the_level((table, matrix, open) in any_table(), leak in 1e-10..1e-7_f64) {
        let mut leaking = table.clone();
        leaking.manifold.bleed = leaking.manifold.bleed + SquareConductance::from_m3_per_s_pa(leak);
        let level = |table: &Table| operating_point(table, open, &matrix).level(Tap::Manifold).pascals();
        prop_assert!(level(&leaking) <= level(&table) + 0.1);
    }

    #[test]
    fn opening_a_zone_never_deepens_the_level((table, matrix, open) in any_table(), zone in 0..6_u8) {
        let zone = ZoneId(zone % u8::try_from(matrix.count()).unwrap());
        let level = |open| operating_point(&table, open, &matrix).level(Tap::Manifold).pascals();
        prop_assert!(level(open.with(zone)) <= level(open.without(zone)) + 0.1);
    }

    /// The leak found for a level, put in as a bleed, makes that level.
    #[test]
    fn the_leak_to_reach_a_level_reaches_it((table, matrix, open) in any_table(), share in 0.05..0.95_f64, inlet: bool) {
        let tap = if inlet { Tap::PumpInlet } else { Tap::Manifold };
        let level = operating_point(&table, open, &matrix).level(tap) * share;
        let leak = leak_to_reach(&table, open, &matrix, tap, level);
        let at_manifold = if inlet {
            let inlet = level.below(table.air.room).pascals();
            let moved = table.pump.throughput(AbsolutePressure::from_pascals(inlet)).pa_m3_per_s();
            (inlet * inlet + table.filter.s2_per_m6() * moved * moved).sqrt()
        } else {
            level.below(table.air.room).pascals()
        };
        let drive = AbsolutePressure::from_pascals(at_manifold).potential_below(table.air.room).pascals_squared();
        // With the manifold at the room's pressure no leak of any size would do.
        if drive < 1e6 || level.pascals() < 1.0 {
            return Ok(());
        }
        let mut leaking = table.clone();
        let more = table.air.throughput_of_free(leak).pa_m3_per_s() / drive;
        leaking.manifold.bleed = leaking.manifold.bleed + SquareConductance::from_m3_per_s_pa(more);
        let found = operating_point(&leaking, open, &matrix).level(tap);
        prop_assert!(found.distance(level).pascals() < 1.0, "{found:?} instead of {level:?}");
    }
}
