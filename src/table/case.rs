//! A table case as JSON, and its answer: what `solve` reads and writes.
//!
//! Every refusal names the field by its path and the limit that it breaks.

mod entry;
mod reading;

use std::collections::BTreeMap;

use serde::Serialize;
use serde_json::Value;

use super::field::{Field, NotSettled, Resolution};
use super::{Condensed, PartId, Table, TableLoad, ZoneSet, operating_point};
use crate::units::SquareResistance;
use entry::Entry;
use reading::{read_air, read_board, read_load, read_manifold, read_plenum, read_pump};

/// The schema of cases that this reads.
const CASE_SCHEMA: &str = "holddown-case/1";

/// Why a case is refused or has no answer.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CaseError {
    /// The text is not JSON.
    #[error("{path}: is not JSON: {what}; numbers must be finite")]
    NotJson {
        /// How far it could be read, such as `board.layers[0].thickness_m`.
        path: String,
        /// What stands in the way and where.
        what: String,
    },
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
        let value = parsed(text)?;
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
        let air = read_air(&root.field("air")?)?;
        let (manifold, filter) = (read_manifold(&root.field("manifold")?)?, root.field("filter")?);
        filter.only(&["r_s2_per_m6"])?;
        Ok(Case {
            name: root.optional("name").map_or(Ok(""), |name| name.text())?.to_owned(),
            load: read_load(&root, &board)?,
            table: Table {
                air,
                board,
                plenum,
                manifold,
                filter: SquareResistance::from_s2_per_m6(filter.field("r_s2_per_m6")?.at_least_zero()?),
                pump: read_pump(&root.field("pump")?, &air)?,
            },
            open,
        })
    }
}

fn parsed(text: &str) -> Result<Value, CaseError> {
    let not_json = |path: String, error: serde_json::Error| CaseError::NotJson {
        path: if path == "." { "case".to_owned() } else { path },
        what: error.to_string(),
    };
    let mut reader = serde_json::Deserializer::from_str(text);
    let value = serde_path_to_error::deserialize(&mut reader)
        .map_err(|error| not_json(error.path().to_string(), error.into_inner()))?;
    reader.end().map_err(|error| not_json(".".to_owned(), error))?;
    Ok(value)
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
    let (potentials, room) = (&point.potentials, point.field_room);
    let parts = case.load.parts.iter().zip(0..);
    let force = |id| board.part_force(PartId(id), potentials, room).newtons();
    Answer {
        schema: RESULT_SCHEMA,
        case: case.name.clone(),
        result: Numbers {
            manifold_Pa: point.manifold.pascals(),
            pump_inlet_Pa: point.pump_inlet.pascals(),
            throughput_Pa_m3_s: point.throughput.pa_m3_per_s(),
            mass_flow_kg_s: point.mass_flow().kg_per_s(),
            flow_free_air_m3_h: point.free_air().m3_per_h(),
            total_cover_force_N: board.cover_force(potentials, room).newtons(),
            zone_Pa: point.zones.iter().map(|zone| zone.pascals()).collect(),
            zone_throughput_Pa_m3_s: point.zone_throughputs.iter().map(|flow| flow.pa_m3_per_s()).collect(),
            part_force_N: parts.map(|(part, id)| (part.name.clone(), force(id))).collect(),
        },
    }
}
