//! When to skim and when to change the board: the cheapest plan, exactly.
//!
//! Before each sheet the board has a damage index, which rises by chance with every cut, and a number of skims left in it. A
//! worn face leaks, a thin board leaks more through itself, and both take from the margin; a part whose margin falls below
//! one by chance is lost. The plan that costs least per sheet in the long run is found by policy iteration (Howard, Dynamic
//! Programming and Markov Processes, 1960) over the cycle from one new board to the next: within a cycle damage only rises and skims
//! only fall, so one plan's cost and number of sheets follow from a single sweep. Rounds end when the plan no longer changes, which
//! they do because every round's plan costs less.

mod prospect;

pub use prospect::Prospect;

use serde::{Deserialize, Serialize};

use crate::stats::normal_cdf;

/// An amount of the shop's money.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
pub struct Cost(f64);

impl Cost {
    /// From the shop's unit of money.
    pub const fn from_money(amount: f64) -> Self {
        Cost(amount)
    }

    /// In the shop's unit of money.
    pub const fn money(self) -> f64 {
        self.0
    }
}

/// What wear does, and what everything costs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Upkeep {
    /// The worst damage index reckoned with; at least 1.
    pub worst_damage: usize,
    /// Skims in a new board.
    pub skims: usize,
    /// By how much one sheet raises the damage index, at least 1, and how likely; the shares sum to 1.
    pub wear: Vec<(usize, f64)>,
    /// The margin on a new board with a fresh face.
    pub fresh_margin: f64,
    /// How much of the margin one step of damage takes, in the form 1/(1 + a·damage).
    pub damage_takes: f64,
    /// The share of the margin that each skim takes.
    pub skim_takes: f64,
    /// The standard deviation of the margin.
    pub margin_spread: f64,
    /// Parts on a sheet.
    pub parts: f64,
    /// What a lost part costs.
    pub part: Cost,
    /// What the pump's energy costs for a sheet on a fresh face.
    pub energy: Cost,
    /// The share by which one step of damage raises that.
    pub damage_costs: f64,
    /// What a skim costs: the minutes and the slice.
    pub skim: Cost,
    /// What a new board costs, fitted and faced.
    pub board: Cost,
}

/// What is wrong with an [`Upkeep`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum UpkeepFault {
    /// No damage to reckon with.
    #[error("the worst damage index is 0; it must be at least 1")]
    NoDamage,
    /// Wear that does not wear, or is no distribution.
    #[error("wear must rise by at least 1 with each sheet, with shares from 0 to 1 that sum to 1")]
    Wear,
    /// A spread or a cost that is negative or no number.
    #[error(
        "costs, parts, shares and the margin's spread must be finite numbers that are not negative, and the spread above 0"
    )]
    Amount,
}

/// What to do before a sheet.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Care {
    /// Cut it as the board is.
    Cut,
    /// Skim the board first.
    Skim,
    /// Change the board first.
    Replace,
}

/// The cheapest plan.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CarePlan {
    /// What it costs per sheet in the long run.
    pub per_sheet: Cost,
    /// What to do by skims left and damage.
    care: Vec<Vec<Care>>,
}

impl CarePlan {
    /// What to do at this damage, held to the worst reckoned with, and so many skims left, held to those of a new board.
    pub fn at(&self, damage: usize, skims_left: usize) -> Care {
        let row = &self.care[skims_left.min(self.care.len() - 1)];
        row[damage.min(row.len() - 1)]
    }

    /// The least damage at which something is done before the sheet is cut, and what; `None` if nothing ever is.
    pub fn acts_at(&self, skims_left: usize) -> Option<(usize, Care)> {
        let row = &self.care[skims_left.min(self.care.len() - 1)];
        row.iter().position(|care| *care != Care::Cut).map(|damage| (damage, row[damage]))
    }
}

impl Upkeep {
    /// The margin of the weakest part on average.
    pub fn margin(&self, damage: usize, skims_left: usize) -> f64 {
        let skimmed = self.skims.saturating_sub(skims_left) as f64;
        self.fresh_margin / (1.0 + self.damage_takes * damage as f64) * (1.0 - self.skim_takes * skimmed)
    }

    /// The probability that a part is lost.
    pub fn loss(&self, damage: usize, skims_left: usize) -> f64 {
        normal_cdf((1.0 - self.margin(damage, skims_left)) / self.margin_spread)
    }

    /// What cutting one sheet costs, lost parts counted in.
    pub fn sheet(&self, damage: usize, skims_left: usize) -> Cost {
        let lost = self.parts * self.loss(damage, skims_left) * self.part.0;
        Cost(lost + self.energy.0 * (1.0 + self.damage_costs * damage as f64))
    }

    /// The plan that costs least per sheet; where two cost the same, the one that cuts on.
    ///
    /// # Errors
    /// [`UpkeepFault`] for numbers that make no sense.
    pub fn cheapest(&self) -> Result<CarePlan, UpkeepFault> {
        self.check()?;
        Ok(self.renewal().cheapest())
    }

    /// What the plan that acts at one damage, whatever skims are left, costs per sheet: it skims as long as it can, then changes the
    /// board.
    ///
    /// # Errors
    /// [`UpkeepFault`] for numbers that make no sense.
    pub fn with_one_threshold(&self, acts_at: usize) -> Result<Cost, UpkeepFault> {
        self.check()?;
        let swept = self.renewal().sweep(|damage, _, options| match (damage >= acts_at, options.skim) {
            (true, Some(_)) => Care::Skim,
            (true, None) => Care::Replace,
            (false, _) => Care::Cut,
        });
        Ok(Cost(swept.per_sheet))
    }

    /// The same as a problem of renewal.
    fn renewal(&self) -> Renewal {
        let row = |left| (0..=self.worst_damage).map(|damage| self.sheet(damage, left)).collect();
        Renewal {
            wear: self.wear.clone(),
            sheet: (0..=self.skims).map(row).collect(),
            ends: vec![0.0; self.worst_damage + 1],
            broken: Cost(0.0),
            skim: self.skim,
            board: self.board,
        }
    }

    fn check(&self) -> Result<(), UpkeepFault> {
        if self.worst_damage == 0 {
            return Err(UpkeepFault::NoDamage);
        }
        let sum: f64 = self.wear.iter().map(|(_, share)| share).sum();
        let wears = self.wear.iter().all(|(step, share)| *step > 0 && (0.0..=1.0).contains(share));
        if !wears || (sum - 1.0).abs() > 1e-9 {
            return Err(UpkeepFault::Wear);
        }
        let [part, energy, skim, board] = [self.part, self.energy, self.skim, self.board].map(Cost::money);
        let shares = [self.fresh_margin, self.damage_takes, self.skim_takes, self.damage_costs];
        let amounts = [part, energy, skim, board, self.parts, self.margin_spread];
        let sound = amounts.iter().chain(&shares).all(|amount| amount.is_finite() && *amount >= 0.0);
        if sound && self.margin_spread > 0.0 { Ok(()) } else { Err(UpkeepFault::Amount) }
    }
}

/// Renewal by condition in numbers alone, as text-books pose it: what a sheet costs at each damage, how it wears, and what renews.
#[derive(Clone, Debug, PartialEq)]
pub struct Renewal {
    /// By how much one sheet raises the damage, at least 1, and how likely.
    pub wear: Vec<(usize, f64)>,
    /// What a sheet costs by skims left and damage; every row as long as the first, and of at least two.
    pub sheet: Vec<Vec<Cost>>,
    /// The probability that a sheet at this damage ends the board, so that it must be changed; 0 where it only wears.
    pub ends: Vec<f64>,
    /// What that costs beyond a new board.
    pub broken: Cost,
    /// What a skim costs.
    pub skim: Cost,
    /// What a new board costs.
    pub board: Cost,
}

impl Renewal {
    fn worst(&self) -> usize {
        self.ends.len().saturating_sub(1)
    }

    /// The plan that costs least per sheet; where two cost the same, the one that cuts on.
    pub fn cheapest(&self) -> CarePlan {
        let Swept { mut care, mut per_sheet, .. } = self.sweep(|_, _, options| options.cheapest(f64::INFINITY));
        loop {
            let better = self.sweep(|_, _, options| options.cheapest(per_sheet));
            per_sheet = better.per_sheet;
            if better.care == care {
                break;
            }
            care = better.care;
        }
        // A board that only wears can be cut on for ever at its worst.
        let lasts = self.ends.iter().all(|ends| *ends <= 0.0);
        let worn_out = self.sheet.last().and_then(|row| row.last()).map_or(f64::INFINITY, |cost| cost.0);
        if lasts && worn_out < per_sheet {
            care.iter_mut().flatten().for_each(|care| *care = Care::Cut);
            per_sheet = worn_out;
        }
        CarePlan { per_sheet: Cost(per_sheet), care }
    }

    /// One sweep from the most worn state to the new board: what `choose` does at each damage with so many skims left, and what that
    /// costs. At the worst damage there is no cutting on, which would have no end.
    fn sweep(&self, choose: impl Fn(usize, usize, &Options) -> Care) -> Swept {
        let (mut care, mut ahead) = (Vec::new(), Vec::new());
        let mut on_fresh_face: Option<Ahead> = None;
        let worst = self.worst();
        for skims_left in 0..self.sheet.len() {
            let skim = on_fresh_face.map(|ahead| ahead.after(self.skim));
            let mut row = vec![Ahead::default(); worst + 1];
            let mut deeds = vec![Care::Cut; worst + 1];
            for damage in (0..=worst).rev() {
                let cut = (damage < worst).then(|| self.cut(damage, skims_left, &row));
                let options = Options { cut, skim, replace: Ahead::default().after(self.board) };
                (deeds[damage], row[damage]) = options.take(choose(damage, skims_left, &options));
            }
            on_fresh_face = Some(self.cut(0, skims_left, &row));
            care.push(deeds);
            ahead.push(row);
        }
        let cycle = on_fresh_face.unwrap_or_default();
        Swept { care, ahead, per_sheet: cycle.cost / cycle.sheets }
    }

    /// What lies ahead if this sheet is cut, given what lies ahead at each greater damage.
    fn cut(&self, damage: usize, skims_left: usize, row: &[Ahead]) -> Ahead {
        let (worst, ends) = (self.worst(), self.ends[damage]);
        let mut ahead = Ahead { cost: self.sheet[skims_left][damage].0, sheets: 1.0 };
        ahead.cost += ends * (self.broken.0 + self.board.0);
        for (step, share) in &self.wear {
            let (next, share) = (row[(damage + step).min(worst)], share * (1.0 - ends));
            ahead.cost += share * next.cost;
            ahead.sheets += share * next.sheets;
        }
        ahead
    }
}

/// What one sweep found, by skims left and damage.
struct Swept {
    care: Vec<Vec<Care>>,
    /// What lies ahead before anything is done.
    ahead: Vec<Vec<Ahead>>,
    per_sheet: f64,
}

/// Cost and sheets from a state to the next new board.
#[derive(Clone, Copy, Debug, Default)]
struct Ahead {
    cost: f64,
    sheets: f64,
}

impl Ahead {
    /// With a sum paid first.
    fn after(self, cost: Cost) -> Self {
        Ahead { cost: self.cost + cost.0, ..self }
    }
}

/// What can be done in a state; what cannot is `None`.
struct Options {
    cut: Option<Ahead>,
    skim: Option<Ahead>,
    replace: Ahead,
}

impl Options {
    /// The deed that is cheapest when each sheet cut before the next new board is worth `per_sheet`; of equal ones the first of cutting,
    /// skimming and changing. At an infinite worth, the one with the most sheets.
    fn cheapest(&self, per_sheet: f64) -> Care {
        let worth = |ahead: Ahead| {
            if per_sheet.is_finite() { ahead.cost - per_sheet * ahead.sheets } else { -ahead.sheets }
        };
        let mut best = (Care::Replace, worth(self.replace));
        for (care, ahead) in [(Care::Skim, self.skim), (Care::Cut, self.cut)] {
            let Some(ahead) = ahead else { continue };
            if worth(ahead) <= best.1 + 1e-12 * best.1.abs() {
                best = (care, worth(ahead));
            }
        }
        best.0
    }

    /// The deed if it can be done, else changing the board.
    fn take(&self, care: Care) -> (Care, Ahead) {
        let ahead = match care {
            Care::Cut => self.cut,
            Care::Skim => self.skim,
            Care::Replace => Some(self.replace),
        };
        ahead.map_or((Care::Replace, self.replace), |ahead| (care, ahead))
    }
}
