//! Which of many numbers is the pressure on a table, and what it is worth.
//!
//! A pressure on a table is near zero, or near the room's, while the pump is off; it is no deeper than the pump can go; and it
//! moves when the pump is switched. Each way to read each number is scored by what of that it shows and by how usual it is. The
//! weights are judgement, no source: a rest at the room's pressure speaks loudest, since few numbers lie there by chance.

use std::collections::BTreeMap;

use super::{RegisterPlace, Sweep, TextLine};
use crate::gauge::{NumberKind, RegisterTable, WordOrder};
use crate::moment::Steady;
use crate::units::{AbsolutePressure, PressureConvention, PressureUnit, Vacuum};

/// Where a number stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Whereabouts {
    /// In registers.
    Register {
        /// The first.
        place: RegisterPlace,
        /// The kind of number.
        kind: NumberKind,
        /// The order of two registers.
        order: WordOrder,
    },
    /// In a line of text, counted from 0.
    Position(usize),
}

/// A number over time.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Where it stands.
    pub at: Whereabouts,
    /// What it was and when.
    pub values: Vec<(Steady, f64)>,
    /// The unit written beside it.
    pub unit: Option<PressureUnit>,
}

/// What is known of the table and the room.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plausible {
    /// The room's pressure.
    pub room: AbsolutePressure,
    /// How far from it the room may be.
    pub room_error: Vacuum,
    /// The level with everything open and bare.
    pub least: Vacuum,
    /// The deepest level that the pump reaches.
    pub deepest: Vacuum,
}

/// A time at which the pump was known to be on or off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Phase {
    /// Its start.
    pub from: Steady,
    /// Its end.
    pub to: Steady,
    /// Whether the pump was on.
    pub on: bool,
}

/// What was told of the number, and need not be guessed.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Told {
    /// The unit's address.
    pub unit_id: Option<u8>,
    /// Its table of registers.
    pub table: Option<RegisterTable>,
    /// The register.
    pub register: Option<u16>,
    /// The kind of number.
    pub kind: Option<NumberKind>,
    /// The order of two registers.
    pub order: Option<WordOrder>,
    /// The position in a line of text.
    pub position: Option<usize>,
    /// The unit of pressure.
    pub unit: Option<PressureUnit>,
    /// What one count is worth in it.
    pub scale: Option<f64>,
    /// What it counts from.
    pub counts: Option<PressureConvention>,
}

/// One way to read one number as the level.
#[derive(Clone, Debug, PartialEq)]
pub struct Proposal {
    /// Where it stands.
    pub at: Whereabouts,
    /// What one count is worth in `unit`.
    pub scale: f64,
    /// The unit of pressure.
    pub unit: PressureUnit,
    /// What it counts from.
    pub counts: PressureConvention,
    /// The shallowest level seen.
    pub rest: Vacuum,
    /// The deepest level seen.
    pub top: Vacuum,
    /// The raw numbers of both.
    pub raw: (f64, f64),
    /// Whether it moved as a pump that is switched moves it.
    pub moved: bool,
    /// Whether its zero, or the room's pressure, was seen.
    pub zero_seen: bool,
    /// How well it fits; only differences count.
    pub score: f64,
}

impl std::fmt::Display for Whereabouts {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Whereabouts::Register { place: RegisterPlace { unit, table, address }, kind, order } => {
                let table = match table {
                    RegisterTable::Input => "input",
                    RegisterTable::Holding => "holding",
                };
                let kind = match kind {
                    NumberKind::U16 => "u16",
                    NumberKind::I16 => "i16",
                    NumberKind::U32 => "u32",
                    NumberKind::I32 => "i32",
                    NumberKind::F32 => "f32",
                };
                let low_first = kind.ends_with("32") && *order == WordOrder::LowFirst;
                let order = if low_first { ", low word first" } else { "" };
                write!(f, "{table} register {address} of unit {unit} as {kind}{order}")
            }
            Whereabouts::Position(position) => write!(f, "number {} of a line", position + 1),
        }
    }
}

/// Two proposals nearer than this in score are not told apart.
pub(super) const UNSURE: f64 = 1.5;

impl Proposal {
    /// Whether both mean the same level by the same number, or copies of it.
    pub fn agrees_with(&self, other: &Proposal) -> bool {
        let near = |a: Vacuum, b: Vacuum| (a - b).pascals().abs() <= 0.04 * a.pascals().abs().max(2_500.0);
        near(self.rest, other.rest) && near(self.top, other.top)
    }

    /// What a count is worth, such as `0.1 mbar`.
    pub fn worth(&self) -> String {
        format!("{} {}", self.scale, self.unit)
    }

    /// The proposals behind this one, the best of `all`, that fit about as well and mean another level.
    pub fn rivals<'a>(&'a self, all: &'a [Proposal]) -> impl Iterator<Item = &'a Proposal> {
        all.iter().filter(|other| self.score - other.score < UNSURE && !self.agrees_with(other))
    }
}

/// Every way to read registers as numbers.
pub fn register_series(sweeps: &[Sweep]) -> Vec<Series> {
    let mut places: Vec<RegisterPlace> = sweeps.iter().flat_map(|sweep| sweep.values.keys().copied()).collect();
    places.sort_unstable();
    places.dedup();
    let kinds = [NumberKind::U16, NumberKind::I16, NumberKind::U32, NumberKind::I32, NumberKind::F32];
    let forms: Vec<(NumberKind, WordOrder)> = kinds
        .into_iter()
        .flat_map(|kind| [(kind, WordOrder::HighFirst), (kind, WordOrder::LowFirst)])
        .filter(|(kind, order)| kind.registers() == 2 || *order == WordOrder::HighFirst)
        .collect();
    let all = places.into_iter().flat_map(|place| forms.iter().map(move |form| (place, *form)));
    all.filter_map(|(place, (kind, order))| {
        let values: Vec<(Steady, f64)> = sweeps
            .iter()
            .filter_map(|sweep| Some((sweep.at, kind.read(order, &words(&sweep.values, place, kind)?)?)))
            .collect();
        let series = Series { at: Whereabouts::Register { place, kind, order }, values, unit: None };
        (!series.values.is_empty() && is_worth_it(sweeps, place, kind, order, &series)).then_some(series)
    })
    .collect()
}

fn words(values: &BTreeMap<RegisterPlace, u16>, place: RegisterPlace, kind: NumberKind) -> Option<Vec<u16>> {
    (0..kind.registers())
        .map(|step| values.get(&RegisterPlace { address: place.address.checked_add(step)?, ..place }).copied())
        .collect()
}

/// Whether a reading of registers says anything that a plainer reading does not, and can be a measurement at all.
fn is_worth_it(sweeps: &[Sweep], place: RegisterPlace, kind: NumberKind, order: WordOrder, series: &Series) -> bool {
    let values = || series.values.iter().map(|(_, value)| *value);
    match kind {
        NumberKind::I16 => true,
        NumberKind::U16 => values().any(|value| value > 32_767.0),
        NumberKind::F32 => {
            let sensible = |value: f64| value == 0.0 || (1e-5..=2e5).contains(&value.abs());
            values().all(sensible) && values().any(|value| value != 0.0)
        }
        NumberKind::U32 | NumberKind::I32 => {
            let low = RegisterPlace { address: place.address + u16::from(order == WordOrder::HighFirst), ..place };
            let same = |plain: NumberKind| {
                sweeps.iter().all(|sweep| {
                    let word = words(&sweep.values, low, plain).and_then(|words| plain.read(order, &words));
                    let both = words(&sweep.values, place, kind).and_then(|words| kind.read(order, &words));
                    both.is_none() || word == both
                })
            };
            // Of a number the low word moves whenever the high one does.
            let word = |place: RegisterPlace| {
                let mut held = sweeps.iter().filter_map(move |sweep| sweep.values.get(&place).copied());
                let first = held.next();
                held.all(|word| Some(word) == first)
            };
            let high = RegisterPlace { address: place.address + u16::from(order == WordOrder::LowFirst), ..place };
            let whole = !word(low) || word(high);
            whole && !same(NumberKind::I16) && !same(NumberKind::U16) && values().all(|value| value.abs() < 2e7)
        }
    }
}

/// The numbers of a talker's lines, by their position.
pub fn text_series(lines: &[TextLine]) -> Vec<Series> {
    let most = lines.iter().map(|line| line.numbers.len()).max().unwrap_or_default();
    (0..most)
        .map(|position| Series {
            at: Whereabouts::Position(position),
            values: lines.iter().filter_map(|line| Some((line.at, *line.numbers.get(position)?))).collect(),
            unit: lines.iter().find_map(|line| line.unit(position)),
        })
        .collect()
}

/// Every way to read the numbers as the level that can be, the likeliest first.
pub fn guess(series: &[Series], plausible: &Plausible, phases: &[Phase], told: &Told) -> Vec<Proposal> {
    let mut found: Vec<Proposal> = series
        .iter()
        .filter(|series| told.allows(series.at))
        .flat_map(|series| {
            worths(series, told).into_iter().flat_map(move |worth| {
                let all = [PressureConvention::Vacuum, PressureConvention::Gauge, PressureConvention::Absolute];
                let counts = all.into_iter().filter(|counts| told.counts.is_none_or(|told| told == *counts));
                counts.filter_map(move |counts| weighed(series, worth, counts, plausible, phases))
            })
        })
        .collect();
    found.sort_by(|a, b| b.score.total_cmp(&a.score));
    found
}

impl Told {
    fn allows(&self, at: Whereabouts) -> bool {
        fn is<T: PartialEq>(told: Option<T>, seen: T) -> bool {
            told.is_none_or(|told| told == seen)
        }
        match at {
            Whereabouts::Register { place, kind, order } => {
                is(self.unit_id, place.unit)
                    && is(self.table, place.table)
                    && is(self.register, place.address)
                    && is(self.kind, kind)
                    && (kind.registers() == 1 || is(self.order, order))
            }
            Whereabouts::Position(position) => is(self.position, position),
        }
    }
}

/// What a count is worth, and how usual that is.
#[derive(Clone, Copy)]
struct Worth {
    scale: f64,
    unit: PressureUnit,
    usual: f64,
}

/// What a count of a number may be worth; powers of ten of a pascal stand for themselves in whichever unit.
fn worths(series: &Series, told: &Told) -> Vec<Worth> {
    use PressureUnit::{Bar, InchOfMercury, Kilopascal, Millibar, MillimetreOfMercury, Pascal, Psi};
    let plain = |unit, usual| Worth { scale: 1.0, unit, usual };
    let is_whole = match series.at {
        Whereabouts::Register { kind, .. } => kind != NumberKind::F32,
        Whereabouts::Position(_) => false,
    };
    let is_wide = matches!(series.at, Whereabouts::Register { kind: NumberKind::U32 | NumberKind::I32, .. });
    let of = |scale, unit, usual| Worth { scale, unit, usual };
    let mut usual = if is_whole {
        vec![
            of(0.1, Millibar, 1.0),
            of(1.0, Millibar, 0.8),
            of(1.0, Pascal, 0.4),
            of(1.0, Kilopascal, -1.0),
            of(0.01, Psi, 0.0),
            of(0.001, Psi, 0.0),
            of(0.1, InchOfMercury, 0.0),
            of(0.01, InchOfMercury, 0.0),
            of(1.0, MillimetreOfMercury, 0.0),
            of(0.1, MillimetreOfMercury, 0.0),
        ]
    } else {
        vec![
            plain(Millibar, 0.8),
            plain(Kilopascal, 0.7),
            plain(Bar, 0.6),
            plain(Pascal, 0.4),
            plain(Psi, 0.2),
            plain(InchOfMercury, 0.2),
            plain(MillimetreOfMercury, 0.1),
        ]
    };
    if is_wide {
        usual.extend([of(0.1, Pascal, 0.2), of(0.01, Pascal, 0.1)]);
    }
    match (told.unit.or(series.unit), told.scale) {
        (None, None) => usual,
        (Some(unit), Some(scale)) => vec![of(scale, unit, 1.0)],
        (None, Some(scale)) => PressureUnit::ALL.into_iter().map(|unit| of(scale, unit, 0.5)).collect(),
        (Some(unit), None) if is_whole => [1.0, 0.1, 0.01, 0.001, 10.0].map(|scale| of(scale, unit, 1.0)).to_vec(),
        (Some(unit), None) => vec![plain(unit, 1.5)],
    }
}

fn weighed(
    series: &Series,
    worth: Worth,
    counts: PressureConvention,
    plausible: &Plausible,
    phases: &[Phase],
) -> Option<Proposal> {
    let level = |raw: f64| {
        counts.absolute(raw * worth.scale, worth.unit, plausible.room).vacuum_below(plausible.room).pascals()
    };
    let mut levels: Vec<(f64, f64)> = series.values.iter().map(|(_, raw)| (level(*raw), *raw)).collect();
    levels.sort_by(|a, b| a.0.total_cmp(&b.0));
    let aside = levels.len() / 50;
    let ((rest, raw_rest), (top, raw_top)) = (*levels.get(aside)?, *levels.get(levels.len() - 1 - aside)?);
    let (least, deepest) = (plausible.least.pascals(), plausible.deepest.pascals());
    let tolerance = match counts {
        PressureConvention::Absolute => plausible.room_error.pascals() + 500.0,
        PressureConvention::Gauge | PressureConvention::Vacuum => 1_000.0_f64.max(0.02 * deepest),
    };
    if is_counter(&series.values)
        || !(rest.is_finite() && top.is_finite())
        || rest < -tolerance
        || top > deepest * 1.05 + tolerance
    {
        return None;
    }
    let step = 1_000.0_f64.max(0.05 * deepest);
    let moved = top - rest >= step;
    let zero_seen = rest.abs() <= tolerance;
    let trembles = (raw_top - raw_rest).abs() > 0.0;
    let mut score = worth.usual + of_kind(series, trembles);
    score += match counts {
        PressureConvention::Vacuum | PressureConvention::Gauge => 0.3,
        PressureConvention::Absolute => 0.2,
    };
    score += match (moved, zero_seen, counts) {
        (true, true, PressureConvention::Absolute) => 6.0 + 5.0,
        (true, true, _) => 6.0 + 3.0,
        (true, false, _) => 6.0 - 1.0,
        (false, true, PressureConvention::Absolute) => 4.0,
        (false, true, _) if trembles => 2.0,
        (false, true, _) => -2.0,
        (false, false, PressureConvention::Absolute) => 0.5,
        (false, false, _) => 1.0,
    };
    // A level is where a pump holds a table, or it is at rest.
    if moved || !zero_seen {
        score += if top >= least {
            1.0
        } else if top >= 0.5 * least {
            0.0
        } else {
            -2.0
        };
    }
    score += if top > deepest { -1.5 } else { 0.0 };
    score += if trembles { 1.0 } else { 0.0 };
    score += if is_coarse(series.at, raw_rest, raw_top) { -1.0 } else { 0.0 };
    score += follows(series, phases, &level, step);
    Some(Proposal {
        at: series.at,
        scale: worth.scale,
        unit: worth.unit,
        counts,
        rest: Vacuum::from_pascals(rest),
        top: Vacuum::from_pascals(top),
        raw: (raw_rest, raw_top),
        moved,
        zero_seen,
        score,
    })
}

/// How much a kind of number says for itself by being readable as one.
///
/// Two words of which only the lower one moves are most often two numbers: the level, and one that stands still beside it. They may also be
/// a number of 32 bits, in pascals say, that has not crossed a multiple of 65,536 meanwhile. So they say nothing for themselves: one word
/// that makes sense alone comes before them, by less than [`UNSURE`], so that they stay its rivals; and once the pump is switched the
/// level at rest decides, since hardly any other pair has the room's pressure there.
fn of_kind(series: &Series, trembles: bool) -> f64 {
    match series.at {
        // Few pairs of words are a float of a sensible size by chance.
        Whereabouts::Register { kind: NumberKind::F32, .. } => 3.0,
        // Only numbers that one word does not hold are looked at as two; two words that stand still are two numbers as well.
        Whereabouts::Register { kind: NumberKind::U32 | NumberKind::I32, .. }
            if trembles && has_one_high_word(series) =>
        {
            0.0
        }
        Whereabouts::Register { kind: NumberKind::U32 | NumberKind::I32, .. } if trembles => 2.0,
        Whereabouts::Register { kind: NumberKind::U32 | NumberKind::I32, .. } => -1.0,
        Whereabouts::Register { kind: NumberKind::I16, .. } => 0.5,
        Whereabouts::Register { kind: NumberKind::U16, .. } | Whereabouts::Position(_) => 0.0,
    }
}

/// Whether the higher word of a number of two words never moved.
fn has_one_high_word(series: &Series) -> bool {
    let mut high = series.values.iter().map(|(_, value)| (value / 65_536.0).floor());
    let first = high.next();
    high.all(|word| Some(word) == first)
}

/// Whether a number only ever rises, and evenly: a clock or a counter.
fn is_counter(values: &[(Steady, f64)]) -> bool {
    let steps: Vec<f64> = values.windows(2).map(|pair| pair[1].1 - pair[0].1).collect();
    let (first, last) = match (values.first(), values.last()) {
        (Some(first), Some(last)) if values.len() >= 6 && last.1 > first.1 => (*first, *last),
        _ => return false,
    };
    let seconds = |at: Steady| at.since(first.0).secs_f64();
    let (span, rise) = (seconds(last.0), last.1 - first.1);
    let biggest = steps.iter().copied().fold(0.0, f64::max);
    let on_line = |(at, value): &(Steady, f64)| {
        (value - first.1 - rise * seconds(*at) / span.max(1e-9)).abs() <= 0.02 * rise + 1.5 * biggest.min(0.1 * rise)
    };
    steps.iter().all(|step| *step >= 0.0) && biggest <= 0.3 * rise && values.iter().all(on_line)
}

/// Whether a whole number has so few counts that no gauge would be made so.
fn is_coarse(at: Whereabouts, rest: f64, top: f64) -> bool {
    match at {
        Whereabouts::Register { kind: NumberKind::F32, .. } | Whereabouts::Position(_) => false,
        Whereabouts::Register { .. } => rest.abs().max(top.abs()) < 50.0,
    }
}

/// How well it follows the pump, where that is known.
fn follows(series: &Series, phases: &[Phase], level: &impl Fn(f64) -> f64, step: f64) -> f64 {
    let middle = |on: bool| {
        let within = |at: Steady| phases.iter().any(|phase| phase.on == on && phase.from <= at && at <= phase.to);
        let levels: Vec<f64> = series.values.iter().filter(|(at, _)| within(*at)).map(|(_, raw)| level(*raw)).collect();
        crate::stats::median(&levels)
    };
    match (middle(false), middle(true)) {
        (Some(off), Some(on)) if on - off >= step => 5.0,
        (Some(_), Some(_)) => -5.0,
        (None, _) | (_, None) => 0.0,
    }
}

#[cfg(test)]
mod tests;
