//! Advice on a new board: its grade by weight, what its dense faces do, what this pump makes of it, and whether the one that was
//! delivered is the one that was ordered.
//!
//! Layers stand in series, R = Σ t/k, so the faces' share of the resistance and what skimming them opens follow from the
//! layers. The permeabilities are assumptions with a range (see [`BoardClass`]); every level is therefore told for its low, its
//! typical and its high end. The level under which parts of a palm's size hold on most pumps, 20 kPa, is common practice
//! without a source.

use serde::{Deserialize, Serialize};

use super::moisture::{pressed_flat, sag};
use super::range::{self, OutOfRange};
use super::skim::LEAST_DEPTH;
use crate::stats::normal_quantile;
use crate::table::{
    Board, BoardClass, ClosedForm, Condensed, Faces, Layer, PermeabilityRange, Point, Rect, Rim, Rims, Sheet, Table,
    TableLoad, ZoneSet, operating_point,
};
use crate::units::{Density, FreeAirFlow, LayerResistance, Length, Mass, Permeability, Vacuum};

/// What each face loses before first use (common practice, no source).
pub const FIRST_SKIM: Length = Length::from_millimetres(1.5);
/// A level that holds parts of a palm's size (common practice, no source).
pub const USUAL_NEED: Vacuum = Vacuum::from_pascals(20_000.0);
/// Moisture between the faces of a board that lay about, in percent.
const WARP_PERCENT: f64 = 2.0;

/// A board as it is delivered.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct NewBoard {
    /// Its grade.
    pub class: BoardClass,
    /// Its extent along the table's length.
    pub length: Length,
    /// Its extent along the table's width.
    pub width: Length,
    /// Its thickness.
    pub thickness: Length,
    /// Whether it has dense faces; a homogeneous one has not.
    pub layered: bool,
}

/// What dense faces do to a board.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct FaceResistance {
    /// The faces' share of the resistance through the board.
    pub share: f64,
    /// By what the flow grows when the top one is off.
    pub one_off: f64,
    /// By what it grows when both are.
    pub both_off: f64,
}

/// How the pump stands on a board, for the low, the typical and the high permeability of its class.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Outlook {
    /// Which faces are on.
    pub faces: Faces,
    /// The level over the bare board, every zone open.
    pub bare: [Vacuum; 3],
    /// The flow then.
    pub flow: [FreeAirFlow; 3],
    /// The level with half of the board covered, every zone open.
    pub half_covered: [Vacuum; 3],
    /// Whether half covered is enough.
    pub holds: Holds,
}

/// Whether a level is reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Holds {
    /// Over the whole range of the class.
    Surely,
    /// At the typical permeability, but not over the whole range.
    Likely,
    /// Only at the low end, if at all: lay bare places over, or shut zones.
    Hardly,
}

/// Advice on a new board.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Advice {
    /// What the faces do as delivered.
    pub faces: FaceResistance,
    /// The pump on it as delivered, with one face off and with both; a homogeneous board has one state only.
    pub outlooks: Vec<Outlook>,
    /// What is left after both faces are off.
    pub thickness: Length,
    /// Skims of the least depth left then, down to the least thickness.
    pub skims: u32,
    /// What open rims would draw at the level needed, all round.
    pub open_rims: FreeAirFlow,
    /// How far its middle lifts by two percent of moisture between the faces.
    pub sag: Length,
    /// The level that presses that flat.
    pub flat_at: Vacuum,
}

/// A board that does not fit, or cannot be.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum AdviceFault {
    /// A size or weight that cannot be.
    #[error(transparent)]
    OutOfRange(#[from] OutOfRange),
    /// The level cannot come from this table, whatever the board.
    #[error(
        "a bare level of {0:.1} kPa is not one that this pump makes over any board; check the gauge and that all zones are open"
    )]
    NoSuchLevel(f64),
}

/// The density of a board on a scale.
///
/// # Errors
/// [`AdviceFault::OutOfRange`] for a size or weight that no board has.
pub fn density(weight: Mass, length: Length, width: Length, thickness: Length) -> Result<Density, AdviceFault> {
    let volume = (length * width).square_metres() * thickness.metres();
    let value = weight.kilograms() / volume;
    range::check(&[("the density in kg/m³ from this weight and size", value, 100.0, 1500.0)])?;
    Ok(Density::from_kg_per_m3(value))
}

impl FaceResistance {
    /// Of layers from the bottom to the top, the outer two of which are the faces if there are at least three.
    pub fn of(layers: &[Layer]) -> Self {
        let through =
            |layers: &[Layer]| -> LayerResistance { layers.iter().map(|layer| layer.thickness / layer.through).sum() };
        let [_, core @ .., _] = layers else { return FaceResistance { share: 0.0, one_off: 1.0, both_off: 1.0 } };
        if core.is_empty() {
            return FaceResistance { share: 0.0, one_off: 1.0, both_off: 1.0 };
        }
        let (whole, core) = (through(layers), through(core));
        let below = through(&layers[..layers.len() - 1]);
        FaceResistance { share: 1.0 - core / whole, one_off: whole / below, both_off: whole / core }
    }
}

impl NewBoard {
    /// Advice for `table`, on which the level `need` is wanted and a board is used down to `least`.
    ///
    /// # Errors
    /// [`AdviceFault`] for a board that cannot be.
    pub fn advice(&self, table: &Table, need: Vacuum, least: Length) -> Result<Advice, AdviceFault> {
        self.check()?;
        let states = if self.layered {
            vec![(Faces::On, 0.0), (Faces::TopSkimmed, 1.0), (Faces::Off, 2.0)]
        } else {
            vec![(Faces::Off, 0.0)]
        };
        let outlooks = states.into_iter().map(|(faces, off)| {
            let thickness = self.thickness - FIRST_SKIM * off;
            self.outlook(table, faces, thickness, need)
        });
        let faces = if self.layered { Faces::On } else { Faces::Off };
        let thickness = self.thickness - FIRST_SKIM * if self.layered { 2.0 } else { 0.0 };
        let span = self.length.min(self.width);
        let sag = sag(self.thickness, span, WARP_PERCENT);
        Ok(Advice {
            faces: FaceResistance::of(&self.class.layers(self.thickness, faces)),
            outlooks: outlooks.collect(),
            thickness,
            skims: ((thickness - least) / LEAST_DEPTH + 1e-9).max(0.0) as u32,
            open_rims: self.open_rims(table, thickness, need),
            sag,
            flat_at: pressed_flat(self.thickness, span, sag),
        })
    }

    fn check(&self) -> Result<(), AdviceFault> {
        range::check(&[
            ("the length in mm", self.length.millimetres(), 100.0, 20_000.0),
            ("the width in mm", self.width.millimetres(), 100.0, 20_000.0),
            ("the thickness in mm", self.thickness.millimetres(), 4.0, 100.0),
        ])?;
        Ok(())
    }

    fn outlook(&self, table: &Table, faces: Faces, thickness: Length, need: Vacuum) -> Outlook {
        let range = self.class.permeability();
        let each = [range.low, range.typical, range.high].map(|through| {
            let table = self.on(table, faces, thickness, through / range.typical);
            let all = ZoneSet::first(table.plenum.zones.len());
            let balance = |load: &TableLoad| {
                let board = ClosedForm::condense(&table, load);
                operating_point(&table, all, board.zones())
            };
            let (bare, half) = (balance(&TableLoad::default()), balance(&half_covered(&table)));
            let level = |point: &crate::table::OperatingPoint| point.manifold.vacuum_below(table.air.room);
            (level(&bare), bare.free_air(), level(&half))
        });
        let half_covered = each.map(|(_, _, half)| half);
        let holds = match half_covered.map(|level| level >= need) {
            [true, true, true] => Holds::Surely,
            [_, true, _] => Holds::Likely,
            [_, false, _] => Holds::Hardly,
        };
        Outlook { faces, bare: each.map(|(bare, ..)| bare), flow: each.map(|(_, flow, _)| flow), half_covered, holds }
    }

    /// The table with this board on it, its permeability `factor` times the typical one.
    fn on(&self, table: &Table, faces: Faces, thickness: Length, factor: f64) -> Table {
        let mut layers = self.class.layers(thickness, faces);
        for layer in &mut layers {
            layer.through = layer.through * factor;
            layer.along = layer.along * factor;
        }
        with_layers(table, layers)
    }

    /// What rims left open would draw with every plenum at `level`: along the board from each rim, by Darcy's law over the
    /// wall between rim and zone and the reach of the plenum.
    fn open_rims(&self, table: &Table, thickness: Length, level: Vacuum) -> FreeAirFlow {
        let film = |rims: Rims| {
            let mut table = self.on(table, Faces::Off, thickness, 1.0);
            table.board.rims = rims;
            let board = ClosedForm::condense(&table, &covered(&table.board, 1.0));
            let zones = board.zones();
            let ids = || (0..zones.count()).map(|zone| crate::table::ZoneId(u8::try_from(zone).unwrap_or(u8::MAX)));
            ids().flat_map(|row| ids().map(move |column| (row, column))).map(|(r, c)| zones.get(r, c)).sum::<f64>()
        };
        let rims = |rim: Rim| Rims { x_min: rim, x_max: rim, y_min: rim, y_max: rim };
        let more = film(rims(Rim::Open)) - film(rims(Rim::Sealed));
        let air = &table.air;
        let potential = level.below(air.room).potential_below(air.room).pascals_squared();
        let throughput = more * potential / (2.0 * air.viscosity.pascal_seconds());
        FreeAirFlow::from_m3_per_s(throughput / air.room.pascals())
    }
}

/// The table with a board of these layers, grooves spreading the flow in its lowest one.
fn with_layers(table: &Table, layers: Vec<Layer>) -> Table {
    let mean = |layers: &[Layer]| {
        let lowest = layers.first().map(|layer| layer.along.square_metres() * layer.through.square_metres());
        lowest.unwrap_or(f64::NAN).sqrt()
    };
    let mut table = table.clone();
    table.plenum.contact = table.plenum.contact * (mean(&table.board.layers) / mean(&layers));
    table.board.layers = layers;
    table
}

/// A tight sheet over the left `share` of the board.
fn covered(board: &Board, share: f64) -> TableLoad {
    let low = Point { x: Length::ZERO, y: Length::ZERO };
    let rect = Rect { low, high: Point { x: board.length * share, y: board.width } };
    TableLoad { sheets: vec![Sheet { rect, gap: Length::ZERO, passes: None }], ..TableLoad::default() }
}

fn half_covered(table: &Table) -> TableLoad {
    covered(&table.board, 0.5)
}

/// What a bare level says of the board that lies on the table.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Delivered {
    /// Its permeability through, of its core if it has faces.
    pub through: Permeability,
    /// The standard error of its logarithm.
    pub error: f64,
}

/// How a delivered board stands to what was ordered.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Acceptance {
    /// Within the range of its class.
    AsOrdered,
    /// Tighter than its class: dense faces still on, or a denser board.
    Tighter,
    /// Opener than its class.
    Opener,
    /// The reading does not say which.
    Unclear,
}

impl Delivered {
    /// From the level over the bare board with every zone open, read with the standard error `spread`, on a table whose suction is
    /// known to the share `capacity`.
    ///
    /// # Errors
    /// [`AdviceFault::NoSuchLevel`] for a level that no board makes.
    pub fn by_bare_level(table: &Table, level: Vacuum, spread: Vacuum, capacity: f64) -> Result<Self, AdviceFault> {
        let fault = || AdviceFault::NoSuchLevel(level.pascals() / 1e3);
        let factor = factor_at(table, level).ok_or_else(fault)?;
        let near = |by: f64| factor_at(table, level + spread * by).ok_or_else(fault);
        let by_level = 0.5 * (near(1.0)? / near(-1.0)?).ln();
        let mut weaker = table.clone();
        weaker.pump.wear *= (-capacity).exp();
        let by_pump = (factor_at(&weaker, level).ok_or_else(fault)? / factor).ln();
        let core = table.board.layers.iter().max_by(|a, b| a.thickness.metres().total_cmp(&b.thickness.metres()));
        let typical = core.map_or(Permeability::ZERO, |layer| layer.through);
        Ok(Delivered { through: typical * factor, error: by_level.hypot(by_pump) })
    }

    /// Whether it is what was ordered.
    pub fn against(&self, ordered: PermeabilityRange) -> Acceptance {
        let reach = (normal_quantile(0.975) * self.error).exp();
        let (low, high) = (self.through * (1.0 / reach), self.through * reach);
        if high < ordered.low {
            Acceptance::Tighter
        } else if low > ordered.high {
            Acceptance::Opener
        } else if low >= ordered.low && high <= ordered.high {
            Acceptance::AsOrdered
        } else {
            Acceptance::Unclear
        }
    }

    /// How many times as open as `other` it is, with the 95 % interval.
    pub fn over(&self, other: &Delivered) -> (f64, (f64, f64)) {
        let ratio = self.through / other.through;
        let reach = (normal_quantile(0.975) * self.error.hypot(other.error)).exp();
        (ratio, (ratio / reach, ratio * reach))
    }
}

/// By what the board's permeability must be multiplied for this bare level; none if no factor from 1/1000 to 1000 does.
fn factor_at(table: &Table, level: Vacuum) -> Option<f64> {
    let all = ZoneSet::first(table.plenum.zones.len());
    let base = ClosedForm::condense(table, &TableLoad::default());
    // Grooves spread the flow in the board's own material, so that the whole matrix grows with it.
    let at = |factor: f64| {
        let point = operating_point(table, all, &base.zones().scaled(factor));
        point.manifold.vacuum_below(table.air.room)
    };
    let (mut low, mut high) = (1e-3_f64.ln(), 1e3_f64.ln());
    if !(at(low.exp()) >= level && at(high.exp()) <= level) {
        return None;
    }
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if at(middle.exp()) >= level { low = middle } else { high = middle }
    }
    Some(low.exp())
}
