//! Would another pump pay: sheets of the past on another curve or count, and what energy, leaks and boards cost a sheet.
//!
//! What leaked into a sheet's manifold follows from its level and the pump that made it: C = Q/(p_atm² − p²). The same C under
//! another pump gives the level that it would have had. A margin goes with the level that presses the part down.

use serde::Serialize;

use super::Cost;
use crate::moment::Span;
use crate::table::{Table, Tap, ZoneMatrix, ZoneSet, leak_to_reach};
use crate::units::{FreeAirFlow, Power, SquareConductance, Vacuum};

/// A sheet of the past, at its least level or where it had settled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PastSheet {
    /// The level at the manifold.
    pub level: Vacuum,
    /// The least margin of a part; none if it had no card.
    pub margin: Option<f64>,
}

/// Sheets of the past on another pump.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Replayed {
    /// The level that each would have had, in the sheets' order.
    pub levels: Vec<Vacuum>,
    /// Sheets with a margin.
    pub known: usize,
    /// Of these, the ones that had the required margin.
    pub held: usize,
    /// The ones that would have had it.
    pub would_hold: usize,
    /// Sheets whose level would lie beyond the gauge's range.
    pub beyond_gauge: usize,
}

/// The sheets on the pump and filter of `other` instead of those of `table`, with `required` margin and a gauge that reads as deep as
/// `gauge`.
pub fn replayed(table: &Table, other: &Table, sheets: &[PastSheet], required: f64, gauge: Vacuum) -> Replayed {
    let levels: Vec<Vacuum> = sheets.iter().map(|sheet| level_on(table, other, sheet.level)).collect();
    let margins = || sheets.iter().zip(&levels).filter_map(|(sheet, level)| Some((sheet.margin?, sheet.level, *level)));
    Replayed {
        known: margins().count(),
        held: margins().filter(|(margin, ..)| *margin >= required).count(),
        would_hold: margins().filter(|(margin, was, level)| margin * (*level / *was) >= required).count(),
        beyond_gauge: levels.iter().filter(|level| **level > gauge).count(),
        levels,
    }
}

/// The level of so many times the leak on the same pump.
pub fn level_at(table: &Table, level: Vacuum, times: f64) -> Vacuum {
    level_of(table, table, level, times)
}

/// The level of the same leak on another pump.
fn level_on(table: &Table, other: &Table, level: Vacuum) -> Vacuum {
    level_of(table, other, level, 1.0)
}

fn level_of(table: &Table, other: &Table, level: Vacuum, times: f64) -> Vacuum {
    let room = table.air.room;
    let potential = |level: Vacuum| level.below(room).potential_below(room).pascals_squared();
    if potential(level) <= 0.0 {
        return level;
    }
    let leak = times * drawn(table, level).m3_per_s() / potential(level);
    let (mut low, mut high) = (Vacuum::ZERO, Vacuum::from_pascals(room.pascals()));
    for _ in 0..60 {
        let middle = (low + high) * 0.5;
        if drawn(other, middle).m3_per_s() >= leak * potential(middle) { low = middle } else { high = middle }
    }
    low
}

/// What pump and filter draw at the manifold at this level.
fn drawn(table: &Table, level: Vacuum) -> FreeAirFlow {
    let mut alone = table.clone();
    alone.manifold.bleed = SquareConductance::ZERO;
    alone.manifold.relief = None;
    leak_to_reach(&alone, ZoneSet::EMPTY, &ZoneMatrix::zeros(alone.plenum.zones.len()), Tap::Manifold, level)
}

/// What the pump's energy costs for a time at a price of a kilowatt hour.
pub fn energy(power: Power, time: Span, kilowatt_hour: Cost) -> Cost {
    Cost::from_money(power.watts() / 1e3 * time.secs_f64() / 3600.0 * kilowatt_hour.money())
}

/// What a leak costs of `energy`: its share of all that the pump moves, which a pump that is slowed down to the need would save.
pub fn leak_costs(leak: FreeAirFlow, moved: FreeAirFlow, energy: Cost) -> Cost {
    let share = if moved > FreeAirFlow::ZERO { (leak / moved).clamp(0.0, 1.0) } else { 0.0 };
    Cost::from_money(share * energy.money())
}

/// What a board costs each of the sheets that were cut on it, its skims counted in; none before the first sheet.
pub fn board_per_sheet(board: Cost, skim: Cost, skims: u32, sheets: u64) -> Option<Cost> {
    (sheets > 0).then(|| Cost::from_money((board.money() + f64::from(skims) * skim.money()) / sheets as f64))
}
