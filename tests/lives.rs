//! Boards' lives played by a model that the trend knows nothing of: jobs that wear differently, sheets that seat differently.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by a panic")]

#[path = "support/chance.rs"]
mod chance;

use chance::Chance;
use holdwatch::board::{BoardLife, BoardSettings, Deed, Trace};
use holdwatch::moment::Steady;

/// A shop: how fast its jobs wear a board on the mean, how much they differ, and how much a sheet's reading scatters.
struct Shop {
    rate: f64,
    differ: f64,
    scatter: f64,
    /// Sheets left of the present job, and its wear.
    job: (u32, f64),
}

impl Shop {
    fn new(chance: &mut Chance) -> Self {
        let life = 60.0 + 340.0 * chance.uniform();
        Shop {
            rate: 1.0 / life,
            differ: 0.1 + 0.4 * chance.uniform(),
            scatter: 0.03 + 0.07 * chance.uniform(),
            job: (0, 0.0),
        }
    }

    /// By what the next sheet raises the leak index.
    fn wear(&mut self, chance: &mut Chance) -> f64 {
        if self.job.0 == 0 {
            let wear = self.rate * (self.differ * chance.normal() - 0.5 * self.differ * self.differ).exp();
            self.job = (3 + (chance.uniform() * 12.0) as u32, wear);
        }
        self.job.0 -= 1;
        self.job.1 * (0.5 + chance.uniform())
    }

    fn seen(&self, index: f64, chance: &mut Chance) -> Trace {
        let leak_index = index * (1.0 + self.scatter * chance.normal());
        Trace { at: Steady::from_nanos(0), leak_index, spread: self.scatter }
    }
}

/// Whether the interval for the next skim, asked somewhere in the middle of a life, holds the sheet at which the true leak index
/// meets the limit; none if the board does not say.
fn holds(seed: u64) -> Option<bool> {
    let mut chance = Chance::seeded(seed);
    let mut shop = Shop::new(&mut chance);
    let mut board = BoardLife::new(BoardSettings::default());
    for _ in 0..(chance.uniform() * 3.0) as u32 {
        let mut index = 1.0;
        while index < 2.0 {
            board.seated(shop.seen(index, &mut chance));
            index += shop.wear(&mut chance);
        }
        board.did(Deed::Skimmed);
    }
    let (mut index, asked_at) = (1.0, 1.3 + 0.5 * chance.uniform());
    while index < asked_at {
        board.seated(shop.seen(index, &mut chance));
        index += shop.wear(&mut chance);
    }
    let due = board.skim_due()?;
    let mut sheets = 0.0;
    while index < 2.0 {
        index += shop.wear(&mut chance);
        sheets += 1.0;
    }
    Some(due.interval.0 <= sheets && sheets <= due.interval.1)
}

#[test]
fn the_skim_comes_within_its_interval_as_often_as_it_says() {
    let told: Vec<bool> = (0..1000).filter_map(holds).collect();
    let share = told.iter().filter(|holds| **holds).count() as f64 / told.len() as f64;
    println!("{} of 1000 boards say when; {share:.3} of them hold", told.len());
    assert!(told.len() > 800, "{}", told.len());
    assert!((0.85..=0.97).contains(&share), "{share}");
}

/// How often a life without any jump is asked about one, and one with a skim that nobody entered.
#[test]
fn a_skim_that_nobody_entered_is_asked_about_and_wear_is_not() {
    let (mut asked, mut found) = (0, 0);
    for seed in 0..300 {
        let mut chance = Chance::seeded(seed);
        let mut shop = Shop::new(&mut chance);
        let mut board = BoardLife::new(BoardSettings::default());
        let mut index = 1.0;
        while index < 1.8 {
            board.seated(shop.seen(index, &mut chance));
            index += shop.wear(&mut chance);
        }
        asked += u32::from(board.jump().is_some());
        index = 1.0;
        for _ in 0..12 {
            board.seated(shop.seen(index, &mut chance));
            index += shop.wear(&mut chance);
        }
        found += u32::from(board.jump().is_some_and(|jump| jump.by < -0.3 && (8..=20).contains(&jump.sheets_ago)));
    }
    println!("of 300 lives {asked} are asked about without a cause, {found} skims are found");
    assert!(asked <= 30, "{asked}");
    assert!(found >= 285, "{found}");
}
