//! How the board stands and what it asks for: wear, causes, what sealing gives back, whether to skim now or in how many sheets and what
//! waiting costs, filter, pump hours and money, all from what is kept of it and the shop's own terms.
//!
//! The decision's damage index is the leak index above a fresh face in steps of 1/1.65 of a mean sheet's wear, so that a sheet
//! raises it by one, two or three. A board that wears so slowly that this would take more than 120 steps is decided upon once in
//! several sheets, so that the plan takes milliseconds beside a watch that must answer in tens of them. What a leak takes from the margin follows from the pump's curve at the level at which sheets seat.

use serde::Serialize;

use super::causes::{Causes, Part};
use super::pumps::{board_per_sheet, level_at};
use super::scars::Face;
use super::sealing::{Bead, given_back};
use super::{
    BoardLife, Book, Care, Cost, Deed, Figure, Jump, Prompt, Prospect, PumpClock, SkimDue, Terms, Trace, Upkeep,
    WearRate,
};
use crate::table::Table;
use crate::units::Vacuum;

/// How the board stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Outlook {
    /// The leak index of the latest sheets.
    pub leak_index: Option<f64>,
    /// The newest sheet's own, with its standard error.
    pub newest: Option<Trace>,
    /// Sheets since the last skim.
    pub sheets: u64,
    /// What a fresh face leaked.
    pub rim_index: Option<f64>,
    /// How the face is scarred.
    pub face: Face,
    /// How fast it wears.
    pub wear: Option<WearRate>,
    /// When the leak index meets its limit.
    pub skim_due: Option<SkimDue>,
    /// A jump to be asked about.
    pub jump: Option<Jump>,
    /// The slow causes.
    pub causes: Option<Causes>,
    /// What sealing gives back, the most first.
    pub sealing: Vec<SealGain>,
    /// The decision; none while the wear or the level is unknown.
    pub care: Option<CareAhead>,
    /// The pump's hours.
    pub pump: PumpClock,
    /// The pressure over the filter.
    pub filter_drop: Option<Vacuum>,
    /// What it costs.
    pub money: Money,
    /// What it asks for.
    pub asks: Vec<Ask>,
}

/// What sealing a side or seam gives back, with the ends of its 95 % interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct SealGain {
    /// Which; all where the zones cannot tell.
    pub of: Bead,
    /// How much deeper the level gets.
    pub level: Vacuum,
    /// The least and the most of that.
    pub interval: (Vacuum, Vacuum),
    /// By what every margin grows.
    pub margin: f64,
}

/// What is cheapest to do, and when.
#[derive(Clone, Debug, PartialEq)]
pub struct CareAhead {
    /// What to do before the next sheet.
    pub now: Care,
    /// Sheets to the next care, the soonest and the latest of nine times of ten; none if none ever pays.
    pub to_care: Option<(f64, f64)>,
    /// Sheets to the next new board.
    pub to_board: Option<(f64, f64)>,
    /// What a sheet cut after care is due costs more than care.
    pub waiting: Cost,
    /// What the plan costs per sheet in the long run.
    pub per_sheet: Cost,
    /// Skims left in this board.
    pub skims_left: usize,
    /// Working days within which the next board is to be ordered.
    pub order_in_days: Option<f64>,
    /// What it rests on.
    pub figures: Vec<Figure>,
}

/// What the board, its pump and its leaks cost; none where a price is not told or nothing was counted yet.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Money {
    /// The pump's energy for a sheet.
    pub energy_a_sheet: Option<Cost>,
    /// What the leak beyond expectation takes of it in a month of 21 working days.
    pub leak_a_month: Option<Cost>,
    /// The board and its skims for each sheet cut on it so far.
    pub board_a_sheet: Option<Cost>,
}

/// Something to be done at leisure, or answered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Ask {
    /// Skim the face: its leak index has met its limit.
    Skim(Option<SkimDue>),
    /// Skim the face: it pays now.
    SkimPays {
        /// What a sheet more costs.
        waiting: Cost,
    },
    /// Change the board: it pays now.
    ChangeBoard {
        /// What a sheet more costs.
        waiting: Cost,
    },
    /// Order a board within so many working days.
    Order {
        /// The days.
        days: f64,
    },
    /// Seal this.
    Seal(Option<SealGain>),
    /// The pump or its filter has grown weak by this share.
    Suction(Part),
    /// The filter takes more than its limit.
    Filter {
        /// What it takes.
        drop: Vacuum,
        /// The limit.
        limit: Vacuum,
    },
    /// The pump is to be serviced.
    Service {
        /// Its hours since the last service.
        hours: f64,
    },
    /// The leak index jumped, and nobody said why.
    Jumped(Jump),
}

impl Ask {
    /// Whether something is to be done, rather than answered or ordered.
    pub fn is_care(&self) -> bool {
        match self {
            Ask::Skim(_)
            | Ask::SkimPays { .. }
            | Ask::ChangeBoard { .. }
            | Ask::Seal(_)
            | Ask::Suction(_)
            | Ask::Filter { .. }
            | Ask::Service { .. } => true,
            Ask::Order { .. } | Ask::Jumped(_) => false,
        }
    }
}

/// Steps of damage that a mean sheet makes, and how: half of the sheets one step, a third two, the rest three (an assumption: jobs
/// differ by a third in how they wear the board).
const STEPS: f64 = 1.65;
const WEAR: [(usize, f64); 3] = [(1, 0.5), (2, 0.35), (3, 0.15)];
/// Steps of damage that the hardest sheet makes.
const HARDEST: f64 = 3.0;
/// States of damage at most, and the least rise of the leak index that they span.
const MOST_STATES: f64 = 120.0;
const LEAST_SPAN: f64 = 3.0;
/// The margin's standard deviation as a share of it, and what a skim takes of it: assumptions.
const MARGIN_SPREAD: f64 = 0.08;
const SKIM_TAKES: f64 = 0.02;
/// The margin on a fresh face, parts and sheets a day where nothing was counted yet: assumptions.
const FRESH_MARGIN: f64 = 2.2;
const PARTS: f64 = 6.0;
const SHEETS_A_DAY: f64 = 20.0;
/// Working days of a month.
const MONTH: f64 = 21.0;
/// A board is to be ordered when no more working days are left than this.
const ORDER_SOON: f64 = 2.0;
/// Suction that has fallen by less than this share of the whole leak's worth is not spoken of.
const WEAK_SUCTION: f64 = 0.15;

impl Outlook {
    /// How the board stands by its life and its book, on this table and these terms.
    pub fn of(life: &BoardLife, book: &Book, terms: &Terms, table: &Table) -> Self {
        let causes = book.causes();
        let sealing = book.level().zip(causes.as_ref()).map(|(level, causes)| gains(table, level, causes));
        let sealing = sealing.unwrap_or_default();
        let (wear, skim_due, jump) = (life.wear(), life.skim_due(), life.jump());
        let care = wear.and_then(|wear| CareAhead::of(life, book, terms, table, wear));
        let mut outlook = Outlook {
            leak_index: life.leak_index(),
            newest: book.newest(),
            sheets: life.sheets(),
            rim_index: life.rim_index(),
            face: book.face(),
            wear,
            skim_due,
            jump,
            causes,
            sealing,
            care,
            pump: book.pump(),
            filter_drop: book.filter_drop(),
            money: Money::of(life, book, terms),
            asks: Vec::new(),
        };
        outlook.asks = outlook.asked(&life.prompts(), terms);
        outlook
    }

    fn asked(&self, prompts: &[Prompt], terms: &Terms) -> Vec<Ask> {
        let mut asks: Vec<Ask> = Vec::new();
        if prompts.contains(&Prompt::Skim) {
            asks.push(Ask::Skim(self.skim_due));
        }
        if let Some(care) = &self.care {
            match care.now {
                Care::Skim if asks.is_empty() => asks.push(Ask::SkimPays { waiting: care.waiting }),
                Care::Replace => asks.push(Ask::ChangeBoard { waiting: care.waiting }),
                Care::Skim | Care::Cut => {}
            }
            asks.extend(care.order_in_days.filter(|days| *days <= ORDER_SOON).map(|days| Ask::Order { days }));
        }
        if let Some(causes) = &self.causes {
            let over = terms.settings().seal_at - 1.0;
            if prompts.contains(&Prompt::Seal) || (causes.rim.leaks() && causes.rim.share >= over) {
                asks.push(Ask::Seal(self.sealing.first().copied()));
            }
            if causes.suction.leaks() && causes.suction.share >= WEAK_SUCTION {
                asks.push(Ask::Suction(causes.suction));
            }
        } else if prompts.contains(&Prompt::Seal) {
            asks.push(Ask::Seal(None));
        }
        let over = self.filter_drop.zip(terms.filter_drop).filter(|(drop, limit)| drop >= limit);
        asks.extend(over.map(|(drop, limit)| Ask::Filter { drop, limit }));
        let hours = self.pump.since_service.secs_f64() / 3600.0;
        asks.extend(terms.service_hours.filter(|limit| hours >= *limit).map(|_| Ask::Service { hours }));
        asks.extend(self.jump.map(Ask::Jumped));
        asks
    }
}

/// What sealing each leaking side and seam gives back, or all of them together where the zones cannot tell them apart.
fn gains(table: &Table, level: Vacuum, causes: &Causes) -> Vec<SealGain> {
    let leaking = causes.leaking();
    let whole = [(Bead::All, causes.rim)];
    let parts: &[(Bead, Part)] = match (leaking.is_empty(), causes.rim.leaks()) {
        (false, _) => &leaking,
        (true, true) => &whole,
        (true, false) => &[],
    };
    let all = 1.0 + causes.together.share;
    let back = |share: f64| given_back(table, level, if all > 0.0 { share / all } else { 0.0 });
    let gain = |(of, part): &(Bead, Part)| {
        let (level, margin) = back(part.share);
        SealGain { of: *of, level, interval: (back(part.interval.0).0, back(part.interval.1).0), margin }
    };
    parts.iter().map(gain).collect()
}

impl CareAhead {
    fn of(life: &BoardLife, book: &Book, terms: &Terms, table: &Table, wear: WearRate) -> Option<Self> {
        let (index, level) = (life.leak_index()?, book.level()?);
        if level <= Vacuum::ZERO || index <= 0.0 {
            return None;
        }
        let fresh = life.rim_index().unwrap_or(1.0).min(index);
        let span = LEAST_SPAN.max(2.0 * (index - fresh));
        // Sheets between two decisions, and the step of the leak index.
        let sheets = (span / MOST_STATES * STEPS / wear.per_sheet).ceil().max(1.0);
        let step = sheets * wear.per_sheet / STEPS;
        let at = |index_then: f64| level_at(table, level, index_then / index);
        let takes = (at(fresh) / at(fresh + 1.0) - 1.0).max(0.0);
        let margin = book.margin().map(|margin| margin * (1.0 + takes * (index - fresh)));
        let parts = book.parts();
        let energy = terms.pump_hour().zip(book.pump_a_sheet());
        let energy = energy.map_or(0.0, |(hour, span)| hour.money() * span.secs_f64() / 3600.0);
        let thickness = book.thickness();
        let skims_left = terms.skims_in(thickness);
        let skims = terms.skims_in_new().max(skims_left);
        // What was measured is of a board that has been skimmed; the plan counts from a new one.
        let skimmed = 1.0 - SKIM_TAKES * (skims - skims_left) as f64;
        let fresh_margin = margin.map_or(FRESH_MARGIN, |margin| margin / skimmed.max(SKIM_TAKES));
        let upkeep = Upkeep {
            worst_damage: ((span / step).ceil() as usize).max(2),
            skims,
            wear: WEAR.to_vec(),
            fresh_margin,
            damage_takes: takes * step,
            skim_takes: SKIM_TAKES,
            margin_spread: MARGIN_SPREAD * fresh_margin,
            parts: parts.unwrap_or(PARTS) * sheets,
            part: terms.part(),
            energy: Cost::from_money(energy * sheets),
            damage_costs: 0.0,
            skim: terms.skim(),
            board: terms.board(),
        };
        let plan = upkeep.cheapest().ok()?;
        let damage = ((index - fresh) / step).round() as usize;
        let ahead: Prospect = plan.prospect(&upkeep, damage, skims_left, wear.error / wear.per_sheet);
        let in_sheets = |(soonest, latest): (f64, f64)| (soonest * sheets, latest * sheets);
        let counted = terms.sheets_a_day.or(book.sheets_a_day());
        let sheets_a_day = counted.unwrap_or(SHEETS_A_DAY);
        let to_board = ahead.to_board.map(in_sheets);
        let mut figures = terms.figures();
        let figure = |key, value, assumed| Figure { key, value, assumed };
        figures.extend([
            figure("sheets_a_day", sheets_a_day, counted.is_none()),
            figure("wear_per_sheet", wear.per_sheet, false),
            figure("wear_error", wear.error, false),
            figure("fresh_margin", fresh_margin, margin.is_none()),
            figure("margin_spread", upkeep.margin_spread, true),
            figure("margin_lost_by_leak_of_one", takes, false),
            figure("margin_lost_by_a_skim", SKIM_TAKES, true),
            figure("hardest_sheet_in_mean_sheets", HARDEST / STEPS, true),
            figure("parts_a_sheet", parts.unwrap_or(PARTS), parts.is_none()),
            figure("energy_a_sheet", energy, terms.pump_hour().is_none()),
            figure("board_mm_left", thickness.millimetres(), false),
        ]);
        Some(CareAhead {
            now: plan.at(damage, skims_left),
            to_care: ahead.to_care.map(in_sheets),
            to_board,
            waiting: Cost::from_money(ahead.waiting.money() / sheets),
            per_sheet: Cost::from_money(plan.per_sheet.money() / sheets),
            skims_left,
            order_in_days: to_board.map(|(soonest, _)| (soonest / sheets_a_day - terms.lead_days()).max(0.0)),
            figures,
        })
    }
}

impl Money {
    fn of(life: &BoardLife, book: &Book, terms: &Terms) -> Self {
        let hours = book.pump_a_sheet().map(|span| span.secs_f64() / 3600.0);
        let energy = terms.pump_hour().zip(hours).map(|(hour, hours)| hour.money() * hours);
        let sheets_a_day = terms.sheets_a_day.or(book.sheets_a_day());
        let extra = life.leak_index().map(|index| (1.0 - 1.0 / index.max(1.0)).clamp(0.0, 1.0));
        let month = energy.zip(sheets_a_day).zip(extra);
        Money {
            energy_a_sheet: energy.map(Cost::from_money),
            leak_a_month: month.map(|((each, a_day), share)| Cost::from_money(each * a_day * MONTH * share)),
            board_a_sheet: board_per_sheet(terms.board(), terms.skim(), book.skims(), book.sheets().0),
        }
    }
}

/// What a jump may have come of: upwards something that came loose or clogged, downwards care that nobody entered.
pub fn likely(jump: &Jump) -> &'static [Deed] {
    const DOWN: &[Deed] = &[Deed::Skimmed, Deed::Sealed, Deed::FilterChanged, Deed::BoardChanged, Deed::PumpServiced];
    const UP: &[Deed] = &[Deed::BoardChanged, Deed::FilterChanged, Deed::PumpServiced];
    if jump.by < 0.0 { DOWN } else { UP }
}
