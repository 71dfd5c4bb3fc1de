//! What lies ahead of a board that is kept by a plan: when care is due, when a new board, and what waiting costs.
//!
//! The state's distribution is carried forward sheet by sheet, so that the times are exact for the wear that is given. That wear is
//! measured; its error enters as a factor on the rate, five values of it by Gauss and Hermite.

use serde::Serialize;

use super::{Care, CarePlan, Cost, Swept, Upkeep};

/// What lies ahead.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Prospect {
    /// Sheets to the next care, the soonest and the latest of the 90 % interval; 0 if it is due, none if it never is.
    pub to_care: Option<(f64, f64)>,
    /// Sheets to the next new board; none if it never comes.
    pub to_board: Option<(f64, f64)>,
    /// What one sheet cut after care is due costs more than care; that sheet's state is the present one if care is due now, else the
    /// first in which it is.
    pub waiting: Cost,
}

/// Nodes and weights of Gauss and Hermite's rule for a standard normal number, five points (Abramowitz and Stegun, 25.4.46).
const NODES: [(f64, f64); 5] = [
    (-2.856_970_013_872_806, 0.011_257_411_327_720_69),
    (-1.355_626_179_974_266, 0.222_075_922_005_612_6),
    (0.0, 0.533_333_333_333_333_3),
    (1.355_626_179_974_266, 0.222_075_922_005_612_6),
    (2.856_970_013_872_806, 0.011_257_411_327_720_69),
];

/// Sheets after which care counts as never due.
const NEVER: usize = 20_000;
/// What may be left undone at the end.
const LEFT: f64 = 1e-6;

impl CarePlan {
    /// What lies ahead of a board of this damage and with so many skims left, worn at a rate whose logarithm has the standard error
    /// `wear_error`.
    ///
    /// `upkeep` is what the plan was made of.
    pub fn prospect(&self, upkeep: &Upkeep, damage: usize, skims_left: usize, wear_error: f64) -> Prospect {
        let damage = damage.min(upkeep.worst_damage);
        let skims_left = skims_left.min(upkeep.skims);
        Prospect {
            to_care: self.times(upkeep, (damage, skims_left), true).and_then(|times| interval(&times, wear_error)),
            to_board: self.times(upkeep, (damage, skims_left), false).and_then(|times| interval(&times, wear_error)),
            waiting: self.waiting(upkeep, damage, skims_left),
        }
    }

    /// The probability that care, or else a new board, has come before each sheet; none if it does not come.
    fn times(&self, upkeep: &Upkeep, from: (usize, usize), any_care: bool) -> Option<Vec<f64>> {
        let mut at = vec![vec![0.0; upkeep.worst_damage + 1]; upkeep.skims + 1];
        at[from.1][from.0] = 1.0;
        let (mut done, mut times) = (0.0, Vec::new());
        while times.len() < NEVER {
            let mut next = vec![vec![0.0; upkeep.worst_damage + 1]; upkeep.skims + 1];
            for (left, row) in at.iter().enumerate() {
                for (damage, share) in row.iter().enumerate().filter(|(_, share)| **share > 0.0) {
                    let (damage, left) = match self.at(damage, left) {
                        Care::Cut => (damage, left),
                        Care::Skim if !any_care && left > 0 => (0, left - 1),
                        Care::Skim | Care::Replace => {
                            done += share;
                            continue;
                        }
                    };
                    for (step, chance) in &upkeep.wear {
                        next[left][(damage + step).min(upkeep.worst_damage)] += share * chance;
                    }
                }
            }
            times.push(done);
            if done >= 1.0 - LEFT {
                return Some(times);
            }
            // A board that is cut on at its worst is cut on for ever.
            let stuck = at.iter().enumerate().filter(|(left, _)| self.at(upkeep.worst_damage, *left) == Care::Cut);
            if stuck.map(|(_, row)| row[upkeep.worst_damage]).sum::<f64>() > LEFT {
                return None;
            }
            at = next;
        }
        None
    }

    fn waiting(&self, upkeep: &Upkeep, damage: usize, skims_left: usize) -> Cost {
        let due = (damage..=upkeep.worst_damage).find(|damage| self.at(*damage, skims_left) != Care::Cut);
        let Some(due) = due else { return Cost(0.0) };
        let renewal = upkeep.renewal();
        let Swept { ahead, .. } = renewal.sweep(|damage, left, _| self.at(damage, left));
        let worth = |ahead: super::Ahead| ahead.cost - self.per_sheet.0 * ahead.sheets;
        let cut = renewal.cut(due, skims_left, &ahead[skims_left]);
        Cost((worth(cut) - worth(ahead[skims_left][due])).max(0.0))
    }
}

/// The 5 % and the 95 % point of the time, over the rates that the wear may have.
fn interval(times: &[f64], wear_error: f64) -> Option<(f64, f64)> {
    let done_by = |sheet: f64| -> f64 {
        let at = |rate: f64| {
            let place = sheet * rate;
            if place < 0.0 { 0.0 } else { times.get(place as usize).copied().unwrap_or(1.0) }
        };
        NODES.iter().map(|(node, weight)| weight * at((node * wear_error).exp())).sum()
    };
    let point = |share: f64| (0..4 * NEVER).map(|sheet| sheet as f64).find(|sheet| done_by(*sheet) >= share);
    Some((point(0.05)?, point(0.95)?))
}
