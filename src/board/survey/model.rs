//! The table with its unknowns: what each reading would be at given numbers, and how they change it.

use super::{Cover, Place, Reading, Side, Trial};
use crate::stats::Model;
use crate::table::field::{Field, NotSettled, Resolution};
use crate::table::{
    Air, ClosedForm, Condensed, OperatingPoint, Point, Rect, Rim, Sheet, SpeedChange, Table, TableLoad, Tap, ValveLaw,
    ZoneId, ZoneMatrix, operating_point_with_hole,
};
use crate::units::{
    AbsolutePressure, Area, LayerResistance, Length, Permeability, SquareConductance, SquareResistance, Vacuum,
};

/// One unknown, as a factor on the setup's number or in units of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Unknown {
    Pump,
    /// How deep the pump gets, as a factor on the levels of its curve.
    Depth,
    Filter,
    Through,
    /// Along the board over through it.
    Ratio,
    Face,
    Rim(Side),
    Seam(usize),
    Hose,
    Valve(ZoneId),
    ZoneLeak(ZoneId),
    /// The share by which the board over one zone is opener than the mean.
    Uneven(ZoneId),
    /// The hole's coefficient.
    Hole,
    /// The gauge's.
    Offset,
}

/// An unknown with what is believed of it before any reading.
#[derive(Clone, Copy, Debug)]
pub(super) struct Parameter {
    pub(super) unknown: Unknown,
    /// The standard deviation of its logarithm.
    pub(super) spread: f64,
}

/// A factor of ten either way.
const WIDE: f64 = std::f64::consts::LN_10;
/// The rest of the model's error, as a share of the level.
const MODEL_SHARE: f64 = 0.004;
/// A gauge's usual zero error: 0.25 % of 100 kPa.
const OFFSET: Vacuum = Vacuum::from_pascals(250.0);
/// The coefficient of a sharp-edged hole at small to middling pressure ratios, from memory.
const HOLE_COEFFICIENT: f64 = 0.65;
/// A seal whose leak nobody told.
const SEALED: LayerResistance = LayerResistance::from_per_metre(1e11);
/// What stands for an open side: far less than the board's own resistance to it.
const OPEN: LayerResistance = LayerResistance::from_per_metre(1e10);
/// Leaks of a tight manifold and of a tight zone.
const TIGHT_HOSE: f64 = 1e-9;
const TIGHT_ZONE: f64 = 3e-10;
/// A film's resistance, over that of the board below it, on a face without scars.
const FACE_OVER_BOARD: f64 = 100.0;
/// The step of a logarithm by which slopes are taken: far above the rounding of the balance, far below a standard error.
const STEP: f64 = 0.01;

/// A table, readings on it, and the board as last solved.
pub(super) struct SurveyModel<'a> {
    pub(super) table: &'a Table,
    pub(super) readings: &'a [Reading],
    pub(super) parameters: Vec<Parameter>,
    pub(super) anchor: Option<Anchor>,
}

/// How far the field lies from the closed form, and where that was found.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Anchor {
    /// The logarithm of the permeability's factor there.
    through: f64,
    film: Option<ZoneMatrix>,
    bare: Option<ZoneMatrix>,
}

/// The table at given numbers, with its board condensed under both covers.
pub(super) struct Guess {
    pub(super) table: Table,
    pub(super) film: ZoneMatrix,
    pub(super) bare: ZoneMatrix,
    hole: f64,
    offset: f64,
}

impl<'a> SurveyModel<'a> {
    pub(super) fn new(table: &'a Table, readings: &'a [Reading]) -> Self {
        let zones = || (0..table.plenum.zones.len()).map(|zone| ZoneId(u8::try_from(zone).unwrap_or(u8::MAX)));
        let mut parameters = vec![
            Parameter { unknown: Unknown::Pump, spread: 0.3 },
            Parameter { unknown: Unknown::Depth, spread: 0.08 },
            Parameter { unknown: Unknown::Filter, spread: WIDE },
            Parameter { unknown: Unknown::Through, spread: WIDE },
            Parameter { unknown: Unknown::Ratio, spread: 0.8 },
            Parameter { unknown: Unknown::Face, spread: WIDE },
            Parameter { unknown: Unknown::Hose, spread: WIDE },
            Parameter { unknown: Unknown::Hole, spread: 0.05 },
            Parameter { unknown: Unknown::Offset, spread: 1.0 },
        ];
        let wide = |unknown| Parameter { unknown, spread: WIDE };
        parameters.extend(Side::ALL.map(|side| wide(Unknown::Rim(side))));
        parameters.extend((0..table.board.seams.len()).map(|seam| wide(Unknown::Seam(seam))));
        parameters.extend(zones().map(|zone| wide(Unknown::Valve(zone))));
        parameters.extend(zones().map(|zone| wide(Unknown::ZoneLeak(zone))));
        parameters.extend(zones().map(|zone| Parameter { unknown: Unknown::Uneven(zone), spread: 0.1 }));
        SurveyModel { table, readings, parameters, anchor: None }
    }

    /// Four standard deviations, and what physics allows.
    pub(super) fn bounds(&self) -> Vec<(f64, f64)> {
        let of = |parameter: &Parameter| match parameter.unknown {
            // More than new is the plate's tolerance.
            Unknown::Pump => ((0.1_f64).ln(), ((1.15 / self.table.pump.wear).max(1.05)).ln()),
            // No pump gets below nothing.
            Unknown::Depth => {
                let ultimate = self.table.pump.ultimate().vacuum_below(self.table.air.room);
                (-4.0 * parameter.spread, (0.999 * self.table.air.room.pascals() / ultimate.pascals()).ln().max(0.0))
            }
            Unknown::Filter
            | Unknown::Through
            | Unknown::Ratio
            | Unknown::Face
            | Unknown::Rim(_)
            | Unknown::Seam(_)
            | Unknown::Hose
            | Unknown::Valve(_)
            | Unknown::ZoneLeak(_)
            | Unknown::Uneven(_)
            | Unknown::Hole
            | Unknown::Offset => (-4.0 * parameter.spread, 4.0 * parameter.spread),
        };
        self.parameters.iter().map(of).collect()
    }

    pub(super) fn logarithm(&self, at: &[f64], unknown: Unknown) -> f64 {
        self.parameters.iter().zip(at).find(|(parameter, _)| parameter.unknown == unknown).map_or(0.0, |(_, x)| *x)
    }

    /// The table at these numbers.
    pub(super) fn table_at(&self, at: &[f64]) -> Table {
        let mut table = self.table.clone();
        let factor = |unknown| self.logarithm(at, unknown).exp();
        let deeper = SpeedChange { flow: 1.0, level: factor(Unknown::Depth), power: 1.0 };
        table.pump = table.pump.scaled(deeper, table.air.room);
        table.pump.wear *= factor(Unknown::Pump);
        table.filter = table.filter * factor(Unknown::Filter);
        let (through, ratio) = (factor(Unknown::Through), factor(Unknown::Ratio));
        for layer in &mut table.board.layers {
            layer.through = layer.through * through;
            layer.along = layer.along * (through * ratio);
        }
        // Grooves spread the flow in the board's own material.
        table.plenum.contact = table.plenum.contact * (1.0 / (through * ratio.sqrt()));
        let rims = &mut table.board.rims;
        for (side, rim) in [
            (Side::XMin, &mut rims.x_min),
            (Side::XMax, &mut rims.x_max),
            (Side::YMin, &mut rims.y_min),
            (Side::YMax, &mut rims.y_max),
        ] {
            *rim = Rim::HalfSealed(seal(*rim) * (1.0 / factor(Unknown::Rim(side))));
        }
        for (place, seam) in table.board.seams.iter_mut().enumerate() {
            seam.conductance_m2 *= factor(Unknown::Seam(place));
        }
        table.manifold.bleed = least(table.manifold.bleed, TIGHT_HOSE) * factor(Unknown::Hose);
        for (zone, id) in table.plenum.zones.iter_mut().zip((0..).map(ZoneId)) {
            zone.leak = least(zone.leak, TIGHT_ZONE) * factor(Unknown::ZoneLeak(id));
            zone.valve = resisting(zone.valve, factor(Unknown::Valve(id)));
        }
        table
    }

    /// The film's resistance at these numbers.
    pub(super) fn film_at(&self, at: &[f64]) -> LayerResistance {
        let board = self.table.board.layers.iter().map(|layer| layer.thickness / layer.through);
        board.sum::<LayerResistance>() * (FACE_OVER_BOARD / self.logarithm(at, Unknown::Face).exp())
    }

    pub(super) fn guess(&self, at: &[f64]) -> Guess {
        let table = self.table_at(at);
        let (film, bare) = (self.condensed(at, &table, Cover::Film), self.condensed(at, &table, Cover::Bare));
        let hole = self.logarithm(at, Unknown::Hole);
        let offset = self.logarithm(at, Unknown::Offset);
        Guess { table, film, bare, hole, offset }
    }

    /// The board at these numbers: the closed form, moved by what the field differs from it.
    fn condensed(&self, at: &[f64], table: &Table, cover: Cover) -> ZoneMatrix {
        let closed = ClosedForm::condense(table, &self.load(at, cover));
        let anchor = self.anchor.as_ref();
        let apart = anchor.and_then(|anchor| match cover {
            Cover::Film => anchor.film.as_ref(),
            Cover::Bare => anchor.bare.as_ref(),
        });
        let more = anchor.map_or(1.0, |anchor| (self.logarithm(at, Unknown::Through) - anchor.through).exp());
        let count = table.plenum.zones.len();
        let mut zones = ZoneMatrix::zeros(count);
        let ids = || (0..count).map(|zone| ZoneId(u8::try_from(zone).unwrap_or(u8::MAX)));
        let uneven: Vec<f64> = ids().map(|zone| (0.5 * self.logarithm(at, Unknown::Uneven(zone))).exp()).collect();
        for (row, by_row) in ids().zip(&uneven) {
            for (column, by_column) in ids().zip(&uneven) {
                let apart = apart.map_or(0.0, |apart| apart.get(row, column) * more);
                zones.set(row, column, (closed.zones().get(row, column) + apart) * by_row * by_column);
            }
        }
        zones
    }

    fn load(&self, at: &[f64], cover: Cover) -> TableLoad {
        match cover {
            Cover::Bare => TableLoad::default(),
            Cover::Film => {
                let board = &self.table.board;
                let origin = Point { x: Length::ZERO, y: Length::ZERO };
                let rect = Rect { low: origin, high: Point { x: board.length, y: board.width } };
                let thickness = Length::from_millimetres(1.0);
                let through = Permeability::from_square_metres(thickness.metres() / self.film_at(at).per_metre());
                let film = Sheet { rect, gap: Length::ZERO, passes: Some((through, thickness)) };
                TableLoad { sheets: vec![film], ..TableLoad::default() }
            }
        }
    }

    /// For each parameter the slopes of what these trials would read, in pascals.
    pub(super) fn slopes_of(&self, at: &[f64], trials: &[(Trial, AbsolutePressure)]) -> Vec<Vec<f64>> {
        let here = self.guess(at);
        let base: Vec<f64> = trials.iter().map(|(trial, room)| here.reads(trial, *room).pascals()).collect();
        let column = |(place, parameter): (usize, &Parameter)| -> Vec<f64> {
            if parameter.unknown == Unknown::Offset {
                return trials.iter().map(|(trial, _)| offset_in(trial.place) * OFFSET.pascals()).collect();
            }
            let mut there = at.to_vec();
            there[place] += STEP;
            let guess = self.guess_near(&there, &here, parameter.unknown);
            let slope = |((trial, room), base): (&(Trial, AbsolutePressure), &f64)| {
                if !is_felt(parameter.unknown, trial) {
                    return 0.0;
                }
                (guess.reads(trial, *room).pascals() - base) / STEP
            };
            trials.iter().zip(&base).map(slope).collect()
        };
        self.parameters.iter().enumerate().map(column).collect()
    }

    /// The guess at numbers of which only one unknown differs from those of `here`.
    fn guess_near(&self, at: &[f64], here: &Guess, unknown: Unknown) -> Guess {
        let table = self.table_at(at);
        let (films, bares) = match unknown {
            Unknown::Through | Unknown::Ratio | Unknown::Uneven(_) => (true, true),
            Unknown::Face | Unknown::Rim(_) | Unknown::Seam(_) => (true, matches!(unknown, Unknown::Seam(_))),
            Unknown::Pump
            | Unknown::Depth
            | Unknown::Filter
            | Unknown::Hose
            | Unknown::Valve(_)
            | Unknown::ZoneLeak(_)
            | Unknown::Hole
            | Unknown::Offset => (false, false),
        };
        let film = if films { self.condensed(at, &table, Cover::Film) } else { here.film.clone() };
        let bare = if bares { self.condensed(at, &table, Cover::Bare) } else { here.bare.clone() };
        let hole = self.logarithm(at, Unknown::Hole);
        Guess { table, film, bare, hole, offset: here.offset }
    }

    fn trials(&self) -> Vec<(Trial, AbsolutePressure)> {
        self.readings.iter().map(|reading| (reading.trial, reading.room)).collect()
    }
}

/// The standard error of a reading, the model's share counted in.
pub(super) fn whole_spread(spread: Vacuum, level: Vacuum) -> f64 {
    spread.pascals().hypot(MODEL_SHARE * level.pascals())
}

impl Model for SurveyModel<'_> {
    /// The readings', then the beliefs'.
    fn residuals(&self, at: &[f64]) -> Vec<f64> {
        let guess = self.guess(at);
        let read = self.readings.iter().map(|reading| {
            let off = guess.reads(&reading.trial, reading.room).pascals() - reading.level.pascals();
            off / whole_spread(reading.spread, reading.level)
        });
        read.chain(self.parameters.iter().zip(at).map(|(parameter, x)| x / parameter.spread)).collect()
    }

    fn slopes(&self, at: &[f64]) -> Vec<Vec<f64>> {
        let read = self.slopes_of(at, &self.trials());
        let whole = |(place, slopes): (usize, Vec<f64>)| -> Vec<f64> {
            let scaled = slopes
                .iter()
                .zip(self.readings)
                .map(|(slope, reading)| slope / whole_spread(reading.spread, reading.level));
            let belief =
                (0..at.len()).map(|other| if other == place { 1.0 / self.parameters[place].spread } else { 0.0 });
            scaled.chain(belief).collect()
        };
        read.into_iter().enumerate().map(whole).collect()
    }

    fn trusted_to(&self, place: usize) -> f64 {
        if place < self.readings.len() { 2.0 } else { f64::INFINITY }
    }

    fn settled(&self) -> f64 {
        1e-6
    }
}

impl Anchor {
    /// The closed form as it is.
    pub(super) fn none() -> Self {
        Anchor { through: 0.0, film: None, bare: None }
    }

    /// The board solved at these numbers, under the covers that the readings have.
    pub(super) fn solved(model: &SurveyModel<'_>, at: &[f64], resolution: Resolution) -> Result<Self, NotSettled> {
        let table = model.table_at(at);
        let apart = |cover: Cover| -> Result<Option<ZoneMatrix>, NotSettled> {
            if !model.readings.iter().any(|reading| reading.trial.cover == cover && !reading.trial.open.is_empty()) {
                return Ok(None);
            }
            let load = model.load(at, cover);
            let field = Field::solve(&table, &load, resolution)?;
            let closed = ClosedForm::condense(&table, &load);
            let nothing = ZoneMatrix::zeros(table.plenum.zones.len());
            Ok(Some(nothing.with_share(1.0, field.zones(), closed.zones())))
        };
        Ok(Anchor {
            through: model.logarithm(at, Unknown::Through),
            film: apart(Cover::Film)?,
            bare: apart(Cover::Bare)?,
        })
    }
}

impl Guess {
    /// What the gauge would show.
    pub(super) fn reads(&self, trial: &Trial, room: AbsolutePressure) -> Vacuum {
        let balance = self.balance(trial, room);
        let level = match trial.place {
            Place::Manifold => balance.level(Tap::Manifold),
            Place::PumpInlet => balance.level(Tap::PumpInlet),
            Place::FilterDrop => balance.level(Tap::PumpInlet) - balance.level(Tap::Manifold),
        };
        level + OFFSET * (self.offset * offset_in(trial.place))
    }

    fn balance(&self, trial: &Trial, room: AbsolutePressure) -> OperatingPoint {
        let zones = match trial.cover {
            Cover::Film => &self.film,
            Cover::Bare => &self.bare,
        };
        let radius = trial.hole * 0.5;
        let area = Area::from_square_metres(std::f64::consts::PI * radius.metres().powi(2));
        let hole = area * (HOLE_COEFFICIENT * self.hole.exp());
        operating_point_with_hole(&in_room(&self.table, room), trial.open, zones, hole)
    }
}

/// The table on a day with another barometer: a pump keeps its compression ratio.
fn in_room(table: &Table, room: AbsolutePressure) -> Table {
    let ratio = room / table.air.room;
    let mut table = table.clone();
    table.air = Air { room, ..table.air };
    for (pressure, _) in &mut table.pump.curve {
        *pressure = *pressure * ratio;
    }
    table
}

/// A gauge's offset does not show in a difference.
fn offset_in(place: Place) -> f64 {
    match place {
        Place::Manifold | Place::PumpInlet => 1.0,
        Place::FilterDrop => 0.0,
    }
}

/// Whether a trial shows an unknown at all.
fn is_felt(unknown: Unknown, trial: &Trial) -> bool {
    match unknown {
        Unknown::Valve(zone) | Unknown::ZoneLeak(zone) => trial.open.contains(zone),
        Unknown::Hole => trial.hole > Length::ZERO,
        Unknown::Face | Unknown::Rim(_) => trial.cover == Cover::Film && !trial.open.is_empty(),
        Unknown::Through | Unknown::Ratio | Unknown::Seam(_) | Unknown::Uneven(_) => !trial.open.is_empty(),
        Unknown::Pump | Unknown::Depth | Unknown::Filter | Unknown::Hose | Unknown::Offset => true,
    }
}

pub(super) fn seal(rim: Rim) -> LayerResistance {
    match rim {
        Rim::Sealed => SEALED,
        Rim::Open => OPEN,
        Rim::HalfSealed(resistance) => resistance,
    }
}

fn least(leak: SquareConductance, tight: f64) -> SquareConductance {
    leak.max(SquareConductance::from_m3_per_s_pa(tight))
}

/// A valve whose resistance is so many times as much.
fn resisting(valve: ValveLaw, factor: f64) -> ValveLaw {
    match valve {
        ValveLaw::IsothermalPipe(resistance) => {
            let resistance = resistance.max(SquareResistance::from_s2_per_m6(1e-3));
            ValveLaw::IsothermalPipe(resistance * factor)
        }
        ValveLaw::Iso6358 { sonic_conductance, critical_ratio } => {
            ValveLaw::Iso6358 { sonic_conductance: sonic_conductance / factor.sqrt(), critical_ratio }
        }
    }
}
