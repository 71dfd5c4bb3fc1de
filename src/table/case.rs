//! A table case as JSON, and its answer: what `solve` reads and writes.
//!
//! Every refusal names the field by its path and the limit that it breaks.

use std::collections::BTreeMap;

use serde::Serialize;
use serde_json::{Map, Value};

use super::field::{Field, NotSettled, Resolution};
use super::{
    Air, Board, Condensed, Kerf, Layer, Manifold, PartId, PartShape, Plenum, Point, Pump, Rect, Relief, Rim, Rims,
    Seam, Sheet, Table, TableLoad, ValveLaw, Zone, ZoneId, ZoneSet, operating_point,
};
use crate::units::{
    AbsolutePressure, InletFlow, LayerResistance, Length, Permeability, SquareConductance, SquareResistance,
    Temperature, Viscosity,
};

/// The schema of cases that this reads.
const CASE_SCHEMA: &str = "holddown-case/1";

/// Why a case is refused or has no answer.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CaseError {
    /// The text is not JSON.
    #[error("the case is not JSON: {0}")]
    NotJson(String),
    /// A field is missing, of the wrong kind, out of its range, or contradicts another.
    #[error("{path}: {what}")]
    Field {
        /// Where it stands, such as `board.layers[0].thickness_m`.
        path: String,
        /// What is wrong and what the limit is.
        what: String,
    },
    /// The flow field could not be solved.
    #[error(transparent)]
    NotSettled(#[from] NotSettled),
}

/// A table, its load and which zones are open.
#[derive(Clone, Debug, PartialEq)]
pub struct Case {
    /// The case's name; empty if it has none.
    pub name: String,
    /// The table.
    pub table: Table,
    /// What lies on it.
    pub load: TableLoad,
    /// The zones whose valves are open.
    pub open: ZoneSet,
}

impl Case {
    /// Reads a case.
    ///
    /// # Errors
    /// [`CaseError`] with the path of the first field that makes no sense.
    pub fn read(text: &str) -> Result<Self, CaseError> {
        let value: Value = serde_json::from_str(text).map_err(|error| CaseError::NotJson(error.to_string()))?;
        let root = Entry { path: String::new(), value: &value };
        root.only(&[
            "schema", "name", "note", "air", "board", "plenum", "sheet", "kerfs", "parts", "manifold", "filter", "pump",
        ])?;
        let schema = root.field("schema")?;
        if schema.text()? != CASE_SCHEMA {
            return Err(schema.wrong(format!("{} is not {CASE_SCHEMA:?}", schema.value)));
        }
        let board = read_board(&root.field("board")?)?;
        let (plenum, open) = read_plenum(&root.field("plenum")?, &board)?;
        let (manifold, filter) = (read_manifold(&root.field("manifold")?)?, root.field("filter")?);
        filter.only(&["r_s2_per_m6"])?;
        Ok(Case {
            name: root.optional("name").map_or(Ok(""), |name| name.text())?.to_owned(),
            load: read_load(&root, &board)?,
            table: Table {
                air: read_air(&root.field("air")?)?,
                board,
                plenum,
                manifold,
                filter: SquareResistance::from_s2_per_m6(filter.field("r_s2_per_m6")?.at_least_zero()?),
                pump: read_pump(&root.field("pump")?)?,
            },
            open,
        })
    }
}

/// The schema of answers that this writes.
const RESULT_SCHEMA: &str = "holddown-result/1";

/// A case's answer, as it is printed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Answer {
    /// Which shape this is.
    pub schema: &'static str,
    /// The case's name.
    pub case: String,
    /// The numbers.
    pub result: Numbers,
}

/// The operating point and the forces of a case; names carry the units.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[expect(non_snake_case, reason = "the fields are written as the case's own fields are, with the units' capitals")]
pub struct Numbers {
    /// Absolute pressure at the manifold.
    pub manifold_Pa: f64,
    /// Absolute pressure at the pump's inlet.
    pub pump_inlet_Pa: f64,
    /// What the pump moves, as pressure times volume flow.
    pub throughput_Pa_m3_s: f64,
    /// The same as mass.
    pub mass_flow_kg_s: f64,
    /// The same as a volume at the room's pressure.
    pub flow_free_air_m3_h: f64,
    /// The pull on all that covers the board.
    pub total_cover_force_N: f64,
    /// Absolute pressure in each zone's plenum.
    pub zone_Pa: Vec<f64>,
    /// What the board lets into each zone.
    pub zone_throughput_Pa_m3_s: Vec<f64>,
    /// The pull on each part, by its id.
    pub part_force_N: BTreeMap<String, f64>,
}

/// Reads a case and answers it.
///
/// # Errors
/// [`CaseError`] as [`Case::read`], or if the field does not settle.
pub fn solve(text: &str, resolution: Resolution) -> Result<Answer, CaseError> {
    let case = Case::read(text)?;
    let field = Field::solve(&case.table, &case.load, resolution)?;
    Ok(answer(&case, &field))
}

/// The answer of `case` over `board`.
pub fn answer(case: &Case, board: &impl Condensed) -> Answer {
    let point = operating_point(&case.table, case.open, board.zones());
    let (potentials, room) = (point.zone_potentials(), case.table.air.room);
    let parts = case.load.parts.iter().zip(0..);
    let force = |id| board.part_force(PartId(id), &potentials, room).newtons();
    Answer {
        schema: RESULT_SCHEMA,
        case: case.name.clone(),
        result: Numbers {
            manifold_Pa: point.manifold.pascals(),
            pump_inlet_Pa: point.pump_inlet.pascals(),
            throughput_Pa_m3_s: point.throughput.pa_m3_per_s(),
            mass_flow_kg_s: point.mass_flow().kg_per_s(),
            flow_free_air_m3_h: point.free_air().m3_per_h(),
            total_cover_force_N: board.cover_force(&potentials, room).newtons(),
            zone_Pa: point.zones.iter().map(|zone| zone.pascals()).collect(),
            zone_throughput_Pa_m3_s: point.zone_throughputs.iter().map(|flow| flow.pa_m3_per_s()).collect(),
            part_force_N: parts.map(|(part, id)| (part.name.clone(), force(id))).collect(),
        },
    }
}

/// A value of the case with the path that leads to it.
struct Entry<'a> {
    path: String,
    value: &'a Value,
}

impl<'a> Entry<'a> {
    fn wrong(&self, what: impl Into<String>) -> CaseError {
        let path = if self.path.is_empty() { "case".to_owned() } else { self.path.clone() };
        CaseError::Field { path, what: what.into() }
    }

    fn object(&self) -> Result<&'a Map<String, Value>, CaseError> {
        self.value.as_object().ok_or_else(|| self.wrong("is not an object"))
    }

    /// Refuses fields that are not in `known`, so that a slip of the pen is not silently left out.
    fn only(&self, known: &[&str]) -> Result<(), CaseError> {
        match self.object()?.keys().find(|key| !known.contains(&key.as_str())) {
            Some(stranger) => {
                Err(self.wrong(format!("{stranger:?} is not a field here; known are {}", known.join(", "))))
            }
            None => Ok(()),
        }
    }

    fn optional(&self, name: &str) -> Option<Entry<'a>> {
        let value = self.value.as_object()?.get(name).filter(|value| !value.is_null())?;
        let path = if self.path.is_empty() { name.to_owned() } else { format!("{}.{name}", self.path) };
        Some(Entry { path, value })
    }

    fn field(&self, name: &str) -> Result<Entry<'a>, CaseError> {
        self.object()?;
        self.optional(name).ok_or_else(|| self.wrong(format!("lacks the field {name:?}")))
    }

    fn list(&self) -> Result<Vec<Entry<'a>>, CaseError> {
        let values = self.value.as_array().ok_or_else(|| self.wrong("is not a list"))?;
        let entry = |(at, value)| Entry { path: format!("{}[{at}]", self.path), value };
        Ok(values.iter().enumerate().map(entry).collect())
    }

    fn filled_list(&self) -> Result<Vec<Entry<'a>>, CaseError> {
        let entries = self.list()?;
        if entries.is_empty() { Err(self.wrong("is empty, needs at least 1 entry")) } else { Ok(entries) }
    }

    fn text(&self) -> Result<&'a str, CaseError> {
        self.value.as_str().ok_or_else(|| self.wrong(format!("{} is not a text", self.value)))
    }

    fn truth(&self) -> Result<bool, CaseError> {
        self.value.as_bool().ok_or_else(|| self.wrong(format!("{} is neither true nor false", self.value)))
    }

    fn number(&self) -> Result<f64, CaseError> {
        let number = self.value.as_f64().filter(|number| number.is_finite());
        number.ok_or_else(|| self.wrong(format!("{} is not a finite number", self.value)))
    }

    fn above(&self, limit: f64) -> Result<f64, CaseError> {
        let number = self.number()?;
        if number > limit { Ok(number) } else { Err(self.wrong(format!("{number} is not above {limit}"))) }
    }

    fn above_zero(&self) -> Result<f64, CaseError> {
        self.above(0.0)
    }

    fn at_least_zero(&self) -> Result<f64, CaseError> {
        let number = self.number()?;
        if number >= 0.0 { Ok(number) } else { Err(self.wrong(format!("{number} is below 0"))) }
    }

    fn at_most(&self, number: f64, limit: f64, limit_name: &str) -> Result<f64, CaseError> {
        if number <= limit { Ok(number) } else { Err(self.wrong(format!("{number} is above {limit_name}, {limit}"))) }
    }

    /// A list of exactly `N` numbers.
    fn numbers<const N: usize>(&self) -> Result<[f64; N], CaseError> {
        let entries = self.list()?;
        let numbers = entries.iter().map(Entry::number).collect::<Result<Vec<f64>, CaseError>>()?;
        <[f64; N]>::try_from(numbers).map_err(|found| self.wrong(format!("has {} numbers, needs {N}", found.len())))
    }

    /// A point on `board`.
    fn point(&self, board: &Board) -> Result<Point, CaseError> {
        let [x, y] = self.numbers()?;
        self.on_board(x, board.length, "x")?;
        self.on_board(y, board.width, "y")?;
        Ok(Point { x: Length::from_metres(x), y: Length::from_metres(y) })
    }

    fn on_board(&self, value: f64, extent: Length, axis: &str) -> Result<(), CaseError> {
        let limit = extent.metres();
        if (-1e-9..=limit + 1e-9).contains(&value) {
            return Ok(());
        }
        Err(self.wrong(format!("{axis} = {value} is off the board, 0 to {limit}")))
    }

    /// A rectangle on `board` that has an area.
    fn rect(&self, board: &Board) -> Result<Rect, CaseError> {
        let [x0, y0, x1, y1] = self.numbers()?;
        for (low, high, axis) in [(x0, x1, "x"), (y0, y1, "y")] {
            if low >= high {
                return Err(self.wrong(format!("{axis} runs from {low} to {high}, which is not forwards")));
            }
        }
        for (value, extent, axis) in
            [(x0, board.length, "x"), (x1, board.length, "x"), (y0, board.width, "y"), (y1, board.width, "y")]
        {
            self.on_board(value, extent, axis)?;
        }
        Ok(Rect::from_metres(x0, y0, x1, y1))
    }
}

fn read_air(entry: &Entry) -> Result<Air, CaseError> {
    entry.only(&["p_atm_Pa", "temperature_K", "viscosity_Pa_s", "gas_constant_J_kgK"])?;
    Ok(Air {
        room: AbsolutePressure::from_pascals(entry.field("p_atm_Pa")?.above_zero()?),
        temperature: Temperature::from_kelvins(entry.field("temperature_K")?.above_zero()?),
        viscosity: Viscosity::from_pascal_seconds(entry.field("viscosity_Pa_s")?.above_zero()?),
        gas_constant: entry.field("gas_constant_J_kgK")?.above_zero()?,
    })
}

fn read_board(entry: &Entry) -> Result<Board, CaseError> {
    entry.only(&["length_x_m", "length_y_m", "layers", "edges", "seams", "top_entry_resistance_per_m"])?;
    let layers = entry.field("layers")?.filled_list()?.iter().map(read_layer).collect::<Result<_, _>>()?;
    let mut board = Board {
        length: Length::from_metres(entry.field("length_x_m")?.above_zero()?),
        width: Length::from_metres(entry.field("length_y_m")?.above_zero()?),
        layers,
        rims: read_rims(&entry.field("edges")?)?,
        seams: Vec::new(),
        top_entry: LayerResistance::from_per_metre(
            entry.optional("top_entry_resistance_per_m").map_or(Ok(0.0), |value| value.at_least_zero())?,
        ),
    };
    if let Some(seams) = entry.optional("seams") {
        board.seams = seams.list()?.iter().map(|seam| read_seam(seam, &board)).collect::<Result<_, _>>()?;
    }
    Ok(board)
}

fn read_layer(entry: &Entry) -> Result<Layer, CaseError> {
    entry.only(&["thickness_m", "k_xy_m2", "k_z_m2"])?;
    Ok(Layer {
        thickness: Length::from_metres(entry.field("thickness_m")?.above_zero()?),
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
        from: entry.field("from_m")?.point(board)?,
        to: entry.field("to_m")?.point(board)?,
        conductance_m2: entry.field("conductance_m2")?.at_least_zero()?,
    })
}

fn read_plenum(entry: &Entry, board: &Board) -> Result<(Plenum, ZoneSet), CaseError> {
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
    let value = entry.optional(name).map_or(Ok(0.0), |value| value.at_least_zero())?;
    Ok(SquareConductance::from_m3_per_s_pa(value))
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
            let ratio = entry.field("b")?;
            let critical_ratio = ratio.at_most(ratio.at_least_zero()?, 0.999, "the greatest critical ratio")?;
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

fn read_load(root: &Entry, board: &Board) -> Result<TableLoad, CaseError> {
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
        width: Length::from_metres(entry.field("width_m")?.above_zero()?),
        path: points.iter().map(|point| point.point(board)).collect::<Result<_, _>>()?,
    })
}

fn read_part(entry: &Entry, board: &Board) -> Result<PartShape, CaseError> {
    entry.only(&["id", "rect_m", "lost"])?;
    let Rect { low, high } = entry.field("rect_m")?.rect(board)?;
    Ok(PartShape {
        name: entry.field("id")?.text()?.to_owned(),
        outline: vec![low, Point { x: high.x, y: low.y }, high, Point { x: low.x, y: high.y }],
        lost: entry.optional("lost").map_or(Ok(false), |lost| lost.truth())?,
    })
}

fn read_manifold(entry: &Entry) -> Result<Manifold, CaseError> {
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

fn read_pump(entry: &Entry) -> Result<Pump, CaseError> {
    entry.only(&["kind", "curve", "count", "wear_factor"])?;
    let count = entry.field("count")?;
    let pumps = count.value.as_u64().and_then(|pumps| u32::try_from(pumps).ok()).filter(|pumps| *pumps > 0);
    let curve = entry.field("curve")?;
    Ok(Pump {
        curve: read_curve(&curve)?,
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
        if pressure <= 0.0 || speed < 0.0 {
            return Err(entry.wrong(format!("pressure {pressure} must be above 0 and speed {speed} at least 0")));
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
