//! A case's fields read one by one, each held to its limit.

use super::CaseError;
use super::entry::Entry;
use crate::table::{
    Air, Board, Kerf, Layer, Manifold, PartShape, Plenum, Point, Pores, Pump, Rect, Relief, Rim, Rims, Seam, Sheet,
    TableLoad, ValveLaw, Zone, ZoneId, ZoneSet,
};
use crate::units::{
    AbsolutePressure, InletFlow, LayerResistance, Length, Permeability, SquareConductance, SquareResistance,
    Temperature, Viscosity,
};

/// The longest side of a board, in metres, and its greatest area, in m².
const GREATEST_BOARD: (f64, f64) = (12.0, 25.0);
/// The thickest layer, in metres, and the most layers.
const GREATEST_LAYERS: (f64, usize) = (0.1, 16);
/// The widest kerf, in metres; a wider opening is a sheet that ends.
const WIDEST_KERF: f64 = 0.05;
/// How far off the board a kerf may begin or end, where a cutter runs in, in metres.
const RUN_IN: f64 = 0.05;

pub(super) fn read_air(entry: &Entry) -> Result<Air, CaseError> {
    entry.only(&["p_atm_Pa", "temperature_K", "viscosity_Pa_s", "gas_constant_J_kgK"])?;
    Ok(Air {
        room: AbsolutePressure::from_pascals(entry.field("p_atm_Pa")?.between(3e4, 1.3e5, "Pa")?),
        temperature: Temperature::from_kelvins(entry.field("temperature_K")?.between(200.0, 400.0, "K")?),
        viscosity: Viscosity::from_pascal_seconds(entry.field("viscosity_Pa_s")?.between(1e-6, 1e-4, "Pa·s")?),
        gas_constant: entry.field("gas_constant_J_kgK")?.above_zero()?,
    })
}

pub(super) fn read_board(entry: &Entry) -> Result<Board, CaseError> {
    entry.only(&[
        "length_x_m",
        "length_y_m",
        "layers",
        "edges",
        "seams",
        "top_entry_resistance_per_m",
        "slip_pressure_Pa",
        "inertia_per_m",
    ])?;
    let (longest, most_area) = GREATEST_BOARD;
    let length = entry.field("length_x_m")?.above_zero_to(longest, "m")?;
    let width = entry.field("length_y_m")?.above_zero_to(longest, "m")?;
    if length * width > most_area {
        return Err(entry.wrong(format!("its area of {} is above {most_area} m²", length * width)));
    }
    let mut board = Board {
        length: Length::from_metres(length),
        width: Length::from_metres(width),
        layers: read_layers(&entry.field("layers")?)?,
        rims: read_rims(&entry.field("edges")?)?,
        seams: Vec::new(),
        top_entry: LayerResistance::from_per_metre(none_or(entry, "top_entry_resistance_per_m")?),
        pores: Pores {
            slip: AbsolutePressure::from_pascals(none_or(entry, "slip_pressure_Pa")?),
            inertia_per_metre: none_or(entry, "inertia_per_m")?,
        },
    };
    if let Some(seams) = entry.optional("seams") {
        board.seams = seams.list()?.iter().map(|seam| read_seam(seam, &board)).collect::<Result<_, _>>()?;
    }
    Ok(board)
}

fn read_layers(list: &Entry) -> Result<Vec<Layer>, CaseError> {
    let (entries, most) = (list.filled_list()?, GREATEST_LAYERS.1);
    if entries.len() > most {
        return Err(list.wrong(format!("has {} layers, at most {most}", entries.len())));
    }
    entries.iter().map(read_layer).collect()
}

fn read_layer(entry: &Entry) -> Result<Layer, CaseError> {
    entry.only(&["thickness_m", "k_xy_m2", "k_z_m2"])?;
    Ok(Layer {
        thickness: Length::from_metres(entry.field("thickness_m")?.above_zero_to(GREATEST_LAYERS.0, "m")?),
        along: Permeability::from_square_metres(entry.field("k_xy_m2")?.above_zero()?),
        through: Permeability::from_square_metres(entry.field("k_z_m2")?.above_zero()?),
    })
}

fn read_rims(entry: &Entry) -> Result<Rims, CaseError> {
    entry.only(&["x_min", "x_max", "y_min", "y_max"])?;
    let rim = |name: &str| read_rim(&entry.field(name)?);
    Ok(Rims { x_min: rim("x_min")?, x_max: rim("x_max")?, y_min: rim("y_min")?, y_max: rim("y_max")? })
}

fn read_rim(entry: &Entry) -> Result<Rim, CaseError> {
    match entry.value.as_str() {
        Some("sealed") => Ok(Rim::Sealed),
        Some("open") => Ok(Rim::Open),
        Some(other) => {
            Err(entry.wrong(format!("{other:?} is neither \"sealed\" nor \"open\" nor a seal's resistance")))
        }
        None => {
            entry.only(&["seal_resistance_per_m"])?;
            let resistance = entry.field("seal_resistance_per_m")?.at_least_zero()?;
            Ok(Rim::HalfSealed(LayerResistance::from_per_metre(resistance)))
        }
    }
}

fn read_seam(entry: &Entry, board: &Board) -> Result<Seam, CaseError> {
    entry.only(&["from_m", "to_m", "conductance_m2"])?;
    Ok(Seam {
        from: entry.field("from_m")?.point(board, 0.0)?,
        to: entry.field("to_m")?.point(board, 0.0)?,
        conductance_m2: entry.field("conductance_m2")?.at_least_zero()?,
    })
}

pub(super) fn read_plenum(entry: &Entry, board: &Board) -> Result<(Plenum, ZoneSet), CaseError> {
    entry.only(&["contact_resistance_per_m", "groove", "zones"])?;
    let contact = LayerResistance::from_per_metre(entry.field("contact_resistance_per_m")?.at_least_zero()?);
    let list = entry.field("zones")?;
    let entries = list.filled_list()?;
    if entries.len() > ZoneSet::MOST {
        return Err(list.wrong(format!("has {} zones, at most {}", entries.len(), ZoneSet::MOST)));
    }
    let mut zones = Vec::new();
    let mut open = ZoneSet::EMPTY;
    for (zone, place) in entries.iter().zip(0u8..) {
        if zone.field("valve_open")?.truth()? {
            open = open.with(ZoneId(place));
        }
        zones.push(read_zone(zone, board)?);
    }
    refuse_overlap(&entries, &zones)?;
    Ok((Plenum { contact, zones }, open))
}

fn read_zone(entry: &Entry, board: &Board) -> Result<Zone, CaseError> {
    entry.only(&["id", "rects", "valve_open", "valve", "plenum_leak_m3_s_per_Pa2"])?;
    let rects = entry.field("rects")?.filled_list()?.iter().map(|rect| rect.rect(board)).collect::<Result<_, _>>()?;
    Ok(Zone {
        name: entry.field("id")?.text()?.to_owned(),
        rects,
        valve: read_valve(&entry.field("valve")?)?,
        leak: read_leak(entry, "plenum_leak_m3_s_per_Pa2")?,
    })
}

fn read_leak(entry: &Entry, name: &str) -> Result<SquareConductance, CaseError> {
    Ok(SquareConductance::from_m3_per_s_pa(none_or(entry, name)?))
}

/// A number of at least zero, zero if it is left out.
fn none_or(entry: &Entry, name: &str) -> Result<f64, CaseError> {
    entry.optional(name).map_or(Ok(0.0), |value| value.at_least_zero())
}

fn read_valve(entry: &Entry) -> Result<ValveLaw, CaseError> {
    let law = entry.field("law")?;
    match law.text()? {
        "isothermal_pipe" => {
            entry.only(&["law", "r_s2_per_m6"])?;
            let resistance = entry.field("r_s2_per_m6")?.at_least_zero()?;
            Ok(ValveLaw::IsothermalPipe(SquareResistance::from_s2_per_m6(resistance)))
        }
        "iso6358" => {
            entry.only(&["law", "C_m3_s_Pa", "b"])?;
            let critical_ratio = entry.field("b")?.between(0.0, 0.999, "as a critical pressure ratio")?;
            Ok(ValveLaw::Iso6358 { sonic_conductance: entry.field("C_m3_s_Pa")?.above_zero()?, critical_ratio })
        }
        other => Err(law.wrong(format!("{other:?} is neither \"isothermal_pipe\" nor \"iso6358\""))),
    }
}

/// Refuses zones with a common area or name.
fn refuse_overlap(entries: &[Entry], zones: &[Zone]) -> Result<(), CaseError> {
    let mut seen: Vec<(&Rect, &str)> = Vec::new();
    for (at, zone) in zones.iter().enumerate() {
        if zones[..at].iter().any(|other| other.name == zone.name) {
            return Err(entries[at].wrong(format!("the id {:?} is given twice", zone.name)));
        }
        for rect in &zone.rects {
            if let Some((_, other)) = seen.iter().find(|(other, _)| overlap(rect, other)) {
                return Err(entries[at].wrong(format!("zone {:?} overlaps zone {other:?}", zone.name)));
            }
            seen.push((rect, &zone.name));
        }
    }
    Ok(())
}

fn overlap(one: &Rect, other: &Rect) -> bool {
    let along = |a0: Length, a1: Length, b0: Length, b1: Length| (a1.min(b1) - a0.max(b0)).metres() > 1e-9;
    along(one.low.x, one.high.x, other.low.x, other.high.x) && along(one.low.y, one.high.y, other.low.y, other.high.y)
}

pub(super) fn read_load(root: &Entry, board: &Board) -> Result<TableLoad, CaseError> {
    let each = |name: &str| root.optional(name).map_or(Ok(Vec::new()), |list| list.list());
    let parts: Vec<PartShape> = each("parts")?.iter().map(|part| read_part(part, board)).collect::<Result<_, _>>()?;
    for (at, part) in parts.iter().enumerate() {
        if parts[..at].iter().any(|other| other.name == part.name) {
            let path = format!("parts[{at}].id");
            return Err(CaseError::Field { path, what: format!("{:?} is given twice", part.name) });
        }
    }
    Ok(TableLoad {
        sheets: read_sheet(&root.field("sheet")?, board)?.into_iter().collect(),
        kerfs: each("kerfs")?.iter().map(|kerf| read_kerf(kerf, board)).collect::<Result<_, _>>()?,
        parts,
    })
}

fn read_sheet(entry: &Entry, board: &Board) -> Result<Option<Sheet>, CaseError> {
    entry.only(&["rect_m", "interface_gap_m", "k_z_m2", "thickness_m"])?;
    let gap = entry.optional("interface_gap_m").map_or(Ok(0.0), |gap| gap.at_least_zero())?;
    let passes = match (entry.optional("k_z_m2"), entry.optional("thickness_m")) {
        (Some(permeability), Some(thickness)) => {
            let (permeability, thickness) = (permeability.at_least_zero()?, thickness.above_zero()?);
            (permeability > 0.0)
                .then(|| (Permeability::from_square_metres(permeability), Length::from_metres(thickness)))
        }
        (Some(_), None) => return Err(entry.wrong("has k_z_m2 but lacks thickness_m")),
        (None, Some(thickness)) => thickness.above_zero().map(|_| None)?,
        (None, None) => None,
    };
    let Some(rect) = entry.optional("rect_m") else { return Ok(None) };
    Ok(Some(Sheet { rect: rect.rect(board)?, gap: Length::from_metres(gap), passes }))
}

fn read_kerf(entry: &Entry, board: &Board) -> Result<Kerf, CaseError> {
    entry.only(&["width_m", "path_m"])?;
    let path = entry.field("path_m")?;
    let points = path.list()?;
    if points.len() < 2 {
        return Err(path.wrong(format!("has {} points, needs at least 2", points.len())));
    }
    Ok(Kerf {
        width: Length::from_metres(entry.field("width_m")?.above_zero_to(WIDEST_KERF, "m")?),
        path: points.iter().map(|point| point.point(board, RUN_IN)).collect::<Result<_, _>>()?,
    })
}

fn read_part(entry: &Entry, board: &Board) -> Result<PartShape, CaseError> {
    entry.only(&["id", "rect_m", "lost"])?;
    let Rect { low, high } = entry.field("rect_m")?.rect(board)?;
    Ok(PartShape {
        name: entry.field("id")?.text()?.to_owned(),
        outline: vec![low, Point { x: high.x, y: low.y }, high, Point { x: low.x, y: high.y }],
        openings: vec![],
        lost: entry.optional("lost").map_or(Ok(false), |lost| lost.truth())?,
    })
}

pub(super) fn read_manifold(entry: &Entry) -> Result<Manifold, CaseError> {
    entry.only(&["bleed_m3_s_per_Pa2", "relief"])?;
    let relief = entry.optional("relief").map(|relief| -> Result<Relief, CaseError> {
        relief.only(&["set_pressure_Pa", "slope_m3_s"])?;
        Ok(Relief {
            set: AbsolutePressure::from_pascals(relief.field("set_pressure_Pa")?.above_zero()?),
            slope_m3_s: relief.field("slope_m3_s")?.at_least_zero()?,
        })
    });
    Ok(Manifold { bleed: read_leak(entry, "bleed_m3_s_per_Pa2")?, relief: relief.transpose()? })
}

pub(super) fn read_pump(entry: &Entry, air: &Air) -> Result<Pump, CaseError> {
    entry.only(&["kind", "curve", "count", "wear_factor"])?;
    let count = entry.field("count")?;
    let pumps = count.value.as_u64().and_then(|pumps| u32::try_from(pumps).ok()).filter(|pumps| *pumps > 0);
    let list = entry.field("curve")?;
    let curve = read_curve(&list)?;
    if let Some((ultimate, _)) = curve.first().filter(|(ultimate, _)| *ultimate >= air.room) {
        let (ultimate, room) = (ultimate.pascals(), air.room.pascals());
        return Err(list.wrong(format!("begins at {ultimate} Pa, which is not below the room's {room} Pa")));
    }
    Ok(Pump {
        curve,
        count: pumps.ok_or_else(|| count.wrong(format!("{} is not a whole number above 0", count.value)))?,
        wear: entry.optional("wear_factor").map_or(Ok(1.0), |wear| wear.above_zero())?,
    })
}

/// Reads S(p); S·p must not fall as p rises, or the operating point would not be one.
fn read_curve(list: &Entry) -> Result<Vec<(AbsolutePressure, InletFlow)>, CaseError> {
    let entries = list.list()?;
    if entries.len() < 2 {
        return Err(list.wrong(format!("has {} points, needs at least 2", entries.len())));
    }
    let mut curve: Vec<(f64, f64)> = Vec::new();
    for entry in &entries {
        let [pressure, speed] = entry.numbers()?;
        if pressure < 0.0 || speed < 0.0 {
            return Err(entry.wrong(format!("pressure {pressure} and speed {speed} must be at least 0")));
        }
        if let Some(&(before, speed_before)) = curve.last() {
            if pressure <= before {
                return Err(entry.wrong(format!("pressure {pressure} is not above the one before, {before}")));
            }
            if least_slope(before, speed_before, pressure, speed) < 0.0 {
                let throughput = pressure * speed;
                return Err(entry.wrong(format!("throughput S·p falls towards {throughput} Pa·m³/s as p rises")));
            }
        }
        curve.push((pressure, speed));
    }
    let point = |(pressure, speed)| (AbsolutePressure::from_pascals(pressure), InletFlow::from_m3_per_s(speed));
    Ok(curve.into_iter().map(point).collect())
}

/// The least slope of S·p, with S linear, between two points: S + p·dS/dp is linear in p, so it stands at an end.
fn least_slope(p0: f64, s0: f64, p1: f64, s1: f64) -> f64 {
    let slope = (s1 - s0) / (p1 - p0);
    (s0 + p0 * slope).min(s1 + p1 * slope)
}
