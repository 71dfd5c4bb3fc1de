//! What draws the air: the room, the pump, the filter and the manifold.

use super::notes::complaint;
use super::section::{BAROMETER, FLOW, LEVEL, PLAIN, SPAN, Section, name_of, named};
use crate::table::air::Altitude;
use crate::table::{Air, Manifold, Nameplate, Pump, PumpClass, RatedFlow, Relief};
use crate::units::{
    AbsolutePressure, FreeAirFlow, InletFlow, Length, SquareConductance, SquareResistance, Temperature, Vacuum,
};

const TYPICAL: &str = "typical of the class, no source; a survey of the table replaces it";

/// The room's air from `[table]`: its altitude or its barometer, and its temperature.
pub(super) fn air(table: &Section) -> Option<Air> {
    let altitude = table.number("altitude", SPAN, (-430.0, 5000.0)).optional();
    let station = table.number("station_pressure", BAROMETER, (500.0, 1085.0)).optional();
    let celsius = table.number("temperature_c", PLAIN, (-20.0, 60.0)).or_assumed(
        20.0,
        "20 °C",
        "a heated shop, common practice, no source",
    );
    let temperature = Temperature::from_kelvins(celsius? + 273.15);
    match (altitude?, station?) {
        (Some(metres), None) => Some(Air::at_altitude(Altitude::Geometric(Length::from_metres(metres)), temperature)),
        (None, Some(hpa)) => Some(Air::at_station(AbsolutePressure::from_pascals(hpa * 100.0), temperature)),
        (None, None) => {
            table.refuse(complaint(
                "neither altitude_m nor station_pressure_hpa is given",
                "exactly one",
                "add altitude_m, the height of the shop above the sea",
            ));
            None
        }
        (Some(_), Some(_)) => {
            table.refuse(complaint(
                "altitude_m and station_pressure_hpa are both given",
                "exactly one",
                "keep station_pressure_hpa if it is read in the shop, altitude_m otherwise",
            ));
            None
        }
    }
}

/// The pump from `[pump]`: its class and nameplate, or its own curve.
pub(super) fn pump(pump: &Section, air: Option<&Air>) -> Option<Pump> {
    let class = pump.choice("class", &named(&PumpClass::ALL)).optional();
    let nameplate = pump.number("nameplate", FLOW, (1.0, 20_000.0)).optional();
    pump.pass_over(&["holds_level_mbar", "holds_level_kpa", "holds_level_inhg"]);
    let count = pump.whole("count", 1, 16).or(1);
    let wear = pump.number("wear", PLAIN, (0.1, 1.2)).or(1.0);
    let basis = pump.choice("basis", &[("inlet", Basis::Inlet), ("free-air", Basis::FreeAir)]).optional();
    let points = pump.sections("point", 64);
    let read: Vec<_> = points.iter().map(written_point).collect();
    let one = match (class?, nameplate?) {
        (Some(class), Some(nameplate)) if points.is_empty() => {
            pump.notes.assume(pump.path("point"), format!("the curve of {}", name_of(&class)), TYPICAL);
            let flow = RatedFlow::Inlet(InletFlow::from_m3_per_h(nameplate));
            Pump::typical(class, Nameplate { flow, at: Vacuum::ZERO }, air?.room)
        }
        (None, None) if !points.is_empty() => {
            let Some(basis) = basis? else {
                let remedy =
                    "add what its flow is counted at: at 800 mbar of vacuum the two are a factor of five apart";
                pump.refuse(complaint("basis is missing", "inlet or free-air", remedy));
                return None;
            };
            let read = read.into_iter().collect::<Option<Vec<_>>>()?;
            let points: Vec<_> = read.into_iter().map(|(level, m3_h)| (level, basis.flow(m3_h))).collect();
            Pump::from_points(&points, air?.room)
        }
        _ => {
            pump.refuse(complaint(
                "the pump is not told in one way",
                "class with nameplate_m3_h, or basis with every [[pump.point]]",
                "give one of the two and leave out the other",
            ));
            return None;
        }
    };
    match one {
        Ok(one) => Some(Pump { count: count?, wear: wear?, ..one }),
        Err(error) => {
            let limit = "2 to 64 points at different levels, flow 0 at the deepest, flow times pressure never falling";
            pump.refuse(complaint(error.to_string(), limit, "check the points against the pump's sheet"));
            None
        }
    }
}

/// What a curve's flow is reckoned at.
#[derive(Clone, Copy)]
enum Basis {
    Inlet,
    FreeAir,
}

impl Basis {
    fn flow(self, m3_h: f64) -> RatedFlow {
        match self {
            Basis::Inlet => RatedFlow::Inlet(InletFlow::from_m3_per_h(m3_h)),
            Basis::FreeAir => RatedFlow::FreeAir(FreeAirFlow::from_m3_per_h(m3_h)),
        }
    }
}

/// A point of a pump's sheet, which is drawn up for the standard atmosphere: its level and its flow in m³/h.
fn written_point(point: &Section) -> Option<(Vacuum, f64)> {
    let vacuum = point.number("vacuum", LEVEL, (0.0, 1013.25)).optional();
    let absolute = point.number("absolute", LEVEL, (0.0, 1013.25)).optional();
    let flow = point.number("flow", FLOW, (0.0, 20_000.0)).required();
    let mbar = match (vacuum?, absolute?) {
        (Some(mbar), None) => mbar,
        (None, Some(mbar)) => AbsolutePressure::STANDARD_ATMOSPHERE.pascals() / 100.0 - mbar,
        _ => {
            let limit = "exactly one of vacuum_mbar and absolute_mbar";
            point.refuse(complaint("the point's pressure is not told in one way", limit, "give one of them"));
            return None;
        }
    };
    Some((Vacuum::from_pascals(mbar * 100.0), flow?))
}

/// What the pumps move at no vacuum.
pub(super) fn full_flow(pump: &Pump) -> FreeAirFlow {
    let one = pump.curve.last().map_or(0.0, |(_, flow)| flow.m3_per_s());
    FreeAirFlow::from_m3_per_s(one * f64::from(pump.count) * pump.wear)
}

/// The filter from `[filter]`: its drop at a flow of free air, or its resistance.
pub(super) fn filter(filter: &Section, air: Option<&Air>, pump: Option<&Pump>) -> Option<SquareResistance> {
    let drop = filter.number("drop", LEVEL, (0.1, 300.0)).optional();
    let flow = filter.number("at", FLOW, (1.0, 20_000.0)).optional();
    let resistance = filter.number("r_s2_per_m6", PLAIN, (0.0, 1e7)).optional();
    let (room, full) = (air?.room, full_flow(pump?));
    match (drop?, flow?, resistance?) {
        (Some(mbar), Some(m3_h), None) => Some(resistance_of(mbar, FreeAirFlow::from_m3_per_h(m3_h), room)),
        (None, None, Some(resistance)) => Some(SquareResistance::from_s2_per_m6(resistance)),
        (None, None, None) => {
            let shown = format!("15 mbar at {:.0} m³/h of free air", full.m3_per_h());
            filter.notes.assume(filter.path("drop_mbar"), shown, "a clean filter, common practice, no source");
            Some(resistance_of(15.0, full, room))
        }
        _ => {
            filter.refuse(complaint(
                "the filter is not told in one way",
                "drop_mbar with at_m3_h, or r_s2_per_m6",
                "give one of the two",
            ));
            None
        }
    }
}

/// r in p_u² − p_d² = r·Q², from the drop below the room that a flow of free air makes.
fn resistance_of(drop_mbar: f64, flow: FreeAirFlow, room: AbsolutePressure) -> SquareResistance {
    let behind = Vacuum::from_pascals(drop_mbar * 100.0).below(room);
    let throughput = flow.m3_per_s() * room.pascals();
    SquareResistance::from_s2_per_m6(behind.potential_below(room).pascals_squared() / (throughput * throughput))
}

/// The manifold from `[manifold]`: its leak and its relief valve.
pub(super) fn manifold(manifold: &Section, air: Option<&Air>) -> Option<Manifold> {
    let bleed = leak(manifold, air);
    let relief = relief(&manifold.section("relief"), air);
    Some(Manifold { bleed: bleed?, relief: relief? })
}

/// A leak, from the flow of free air that was seen at a level: `leak_m3_h`, `leak_at_mbar`; none if not told.
pub(super) fn leak(section: &Section, air: Option<&Air>) -> Option<SquareConductance> {
    let flow = section.number("leak", FLOW, (0.0, 5000.0)).optional();
    let level = section.number("leak_at", LEVEL, (1.0, 1000.0)).optional();
    match (flow?, level?) {
        (None, None) => Some(SquareConductance::ZERO),
        (Some(m3_h), Some(mbar)) => {
            let room = air?.room;
            let potential = below(section, mbar, room)?.potential_below(room).pascals_squared();
            let throughput = FreeAirFlow::from_m3_per_h(m3_h).m3_per_s() * room.pascals();
            Some(SquareConductance::from_m3_per_s_pa(throughput / potential))
        }
        _ => {
            let limit = "leak_m3_h and leak_at_mbar, or neither";
            section.refuse(complaint("a leak is half told", limit, "give the flow and the level it was seen at"));
            None
        }
    }
}

fn relief(relief: &Section, air: Option<&Air>) -> Option<Option<Relief>> {
    if !relief.is_written() {
        return Some(None);
    }
    let opens = relief.number("opens", LEVEL, (1.0, 1000.0)).required();
    let flow = relief.number("passes", FLOW, (0.1, 20_000.0)).required();
    let at = relief.number("passes_at", LEVEL, (1.0, 1000.0)).required();
    let (opens, flow, at, room) = (opens?, flow?, at?, air?.room);
    if at <= opens {
        let wrong = format!("it passes its flow at {at} mbar but opens at {opens} mbar");
        relief.refuse(complaint(wrong, "passes_at_mbar must be above opens_mbar", "check the two levels"));
        return None;
    }
    let throughput = FreeAirFlow::from_m3_per_h(flow).m3_per_s() * room.pascals();
    let set = below(relief, opens, room)?;
    below(relief, at, room)?;
    Some(Some(Relief { set, slope_m3_s: throughput / ((at - opens) * 100.0) }))
}

/// The absolute pressure of a level; a level deeper than the room is a mistake.
fn below(section: &Section, mbar: f64, room: AbsolutePressure) -> Option<AbsolutePressure> {
    let pressure = Vacuum::from_pascals(mbar * 100.0).below(room);
    if pressure.pascals() > 0.0 {
        return Some(pressure);
    }
    let limit = format!("below the room's {:.1} mbar", room.pascals() / 100.0);
    section.refuse(complaint(format!("a vacuum of {mbar} mbar cannot be"), limit, "check the unit and the altitude"));
    None
}
