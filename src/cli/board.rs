//! `board`: a new board chosen, ordered and accepted; and when to skim or change the one that lies there.

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::{Context, Result, bail};
use clap::{Args, Subcommand, ValueEnum};
use serde_json::json;

use super::files;
use crate::board::advice::{Acceptance, Advice, Delivered, Holds, NewBoard, density};
use crate::board::{Care, CarePlan, Cost, Prospect, Terms, Upkeep};
use crate::table::{BoardClass, Faces};
use crate::units::{Density, Length, Mass, Vacuum};

/// A new board chosen, ordered and accepted; and when to skim or change the one that lies there.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  holdwatch board advise --setup table.toml --weight-kg 32 --thickness-mm 18 --layered"
)]
pub(super) struct Board {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// What this pump would make of a new board, and what to do with it before first use.
    Advise(Advise),
    /// Print an order slip for a panel merchant.
    Order(Order),
    /// Whether a delivered board is the one that was ordered, by its level bare.
    Accept(Accept),
    /// When to skim and when to change the board, by what it costs.
    When(When),
    /// Whether another pump would pay, by the sheets of the past.
    Pump(super::pump::Pump),
}

impl Board {
    pub(super) fn run(self) -> Result<ExitCode> {
        match self.what {
            What::Advise(advise) => advise.run(),
            What::Order(order) => order.run(),
            What::Accept(accept) => accept.run(),
            What::When(when) => when.run(),
            What::Pump(pump) => pump.run(),
        }
    }
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Grade {
    UltraLight,
    Light,
    Standard,
    HighDensity,
    Particle,
}

impl Grade {
    fn class(self) -> BoardClass {
        match self {
            Grade::UltraLight => BoardClass::UltraLight,
            Grade::Light => BoardClass::Light,
            Grade::Standard => BoardClass::Standard,
            Grade::HighDensity => BoardClass::HighDensity,
            Grade::Particle => BoardClass::Particle,
        }
    }
}

fn class_word(class: BoardClass) -> &'static str {
    match class {
        BoardClass::UltraLight => "ultra-light fibreboard (UL-MDF)",
        BoardClass::Light => "light fibreboard (L-MDF)",
        BoardClass::Standard => "medium-density fibreboard (MDF)",
        BoardClass::HighDensity => "high-density fibreboard (HDF)",
        BoardClass::Particle => "raw particleboard",
    }
}

/// Densities in kg/m³ by which a class is ordered; informal ranges of the trade.
fn class_density(class: BoardClass) -> (u32, u32) {
    match class {
        BoardClass::UltraLight => (450, 550),
        BoardClass::Light => (550, 650),
        BoardClass::Standard => (650, 800),
        BoardClass::HighDensity => (800, 1000),
        BoardClass::Particle => (600, 700),
    }
}

/// The board meant: its grade by name, by density or on a scale, and its size, that of the table if not told.
#[derive(Debug, Args)]
struct Meant {
    /// The setup file.
    #[arg(long, value_name = "FILE")]
    setup: PathBuf,
    /// The grade.
    #[arg(long, value_name = "GRADE")]
    class: Option<Grade>,
    /// The density of a fibreboard.
    #[arg(long, value_name = "KG/M3", conflicts_with = "class")]
    density_kg_m3: Option<f64>,
    /// The weight of the whole board, as a bathroom scale shows it.
    #[arg(long, value_name = "KG", conflicts_with_all = ["class", "density_kg_m3"])]
    weight_kg: Option<f64>,
    /// The length.
    #[arg(long, value_name = "MM")]
    length_mm: Option<f64>,
    /// The width.
    #[arg(long, value_name = "MM")]
    width_mm: Option<f64>,
    /// The thickness as delivered.
    #[arg(long, value_name = "MM", default_value_t = 18.0)]
    thickness_mm: f64,
    /// It has dense faces; a homogeneous board has not.
    #[arg(long)]
    layered: bool,
}

impl Meant {
    fn board(&self, table: &crate::table::Table) -> Result<NewBoard> {
        let mm = Length::from_millimetres;
        let length = self.length_mm.map_or(table.board.length, mm);
        let width = self.width_mm.map_or(table.board.width, mm);
        let thickness = mm(self.thickness_mm);
        let by_weight =
            self.weight_kg.map(|kg| density(Mass::from_kilograms(kg), length, width, thickness)).transpose()?;
        let by_density = by_weight.or(self.density_kg_m3.map(Density::from_kg_per_m3)).map(BoardClass::of_fibreboard);
        let Some(class) = by_density.or(self.class.map(Grade::class)) else {
            bail!("the grade is not told: give --class, --density-kg-m3 or --weight-kg");
        };
        Ok(NewBoard { class, length, width, thickness, layered: self.layered })
    }
}

#[derive(Debug, Args)]
struct Advise {
    #[command(flatten)]
    meant: Meant,
    /// The level that is wanted with half of the board covered.
    #[arg(long, value_name = "KPA", default_value_t = 20.0)]
    need_kpa: f64,
    /// The least thickness at which a board is used.
    #[arg(long, value_name = "MM", default_value_t = 9.0)]
    least_mm: f64,
    /// Write the advice as JSON.
    #[arg(long)]
    json: bool,
}

impl Advise {
    fn run(self) -> Result<ExitCode> {
        let setup = files::setup(&self.meant.setup)?;
        let board = self.meant.board(&setup.table)?;
        let need = Vacuum::from_pascals(self.need_kpa * 1e3);
        let advice = board.advice(&setup.table, need, Length::from_millimetres(self.least_mm))?;
        if self.json {
            println!("{:#}", advice_json(&board, &advice));
        } else {
            tell_advice(&board, &advice, self.need_kpa);
        }
        Ok(ExitCode::SUCCESS)
    }
}

fn faces_word(faces: Faces) -> &'static str {
    match faces {
        Faces::On => "as delivered",
        Faces::TopSkimmed => "top face off",
        Faces::Off => "no dense face",
    }
}

fn holds_word(holds: Holds) -> &'static str {
    match holds {
        Holds::Surely => "holds",
        Holds::Likely => "likely holds; the grade varies, try one",
        Holds::Hardly => "does not hold unless bare places are laid over or zones shut",
    }
}

fn tell_advice(board: &NewBoard, advice: &Advice, need_kpa: f64) {
    println!("{}, {:.1} mm", class_word(board.class), board.thickness.millimetres());
    println!(
        "levels in kPa and flows in m3/h of free air for the low, the typical and the high permeability of the grade:"
    );
    for outlook in &advice.outlooks {
        let kpa = |levels: [Vacuum; 3]| levels.map(|level| format!("{:.1}", level.pascals() / 1e3)).join(" ");
        println!(
            "  {:<14} bare {} ({}), half covered {}: {} at {need_kpa} kPa",
            faces_word(outlook.faces),
            kpa(outlook.bare),
            outlook.flow.map(|flow| format!("{:.0}", flow.m3_per_h())).join(" "),
            kpa(outlook.half_covered),
            holds_word(outlook.holds)
        );
    }
    if board.layered {
        println!(
            "skim both faces before first use: they carry {:.0} % of this board's resistance; one off opens it {:.1} times, both off {:.1} times",
            advice.faces.share * 100.0,
            advice.faces.one_off,
            advice.faces.both_off
        );
    }
    println!("{:.1} mm are left then, for {} skims of 0.25 mm", advice.thickness.millimetres(), advice.skims);
    println!(
        "seal the rims and seams with a bead or tape: open rims would draw {:.0} m3/h at {need_kpa} kPa",
        advice.open_rims.m3_per_h()
    );
    println!(
        "store it flat and let it come to the shop's moisture: 2 % between its faces lift its middle by {:.0} mm, which {:.1} kPa press flat",
        advice.sag.millimetres(),
        advice.flat_at.pascals() / 1e3
    );
    println!("all of this is assumed from the grade until a survey has measured the board");
}

fn advice_json(board: &NewBoard, advice: &Advice) -> serde_json::Value {
    let pascals = |levels: [Vacuum; 3]| levels.map(Vacuum::pascals);
    json!({
        "class": board.class,
        "faces": {
            "share": advice.faces.share, "one_off_times": advice.faces.one_off, "both_off_times": advice.faces.both_off,
        },
        "outlooks": advice.outlooks.iter().map(|outlook| json!({
            "faces": outlook.faces,
            "bare_vacuum_pa": pascals(outlook.bare),
            "flow_free_air_m3_h": outlook.flow.map(crate::units::FreeAirFlow::m3_per_h),
            "half_covered_vacuum_pa": pascals(outlook.half_covered),
            "holds": outlook.holds,
        })).collect::<Vec<_>>(),
        "thickness_mm": advice.thickness.millimetres(),
        "skims": advice.skims,
        "open_rims_m3_h": advice.open_rims.m3_per_h(),
        "sag_mm": advice.sag.millimetres(),
        "flat_at_pa": advice.flat_at.pascals(),
    })
}

#[derive(Debug, Args)]
struct Order {
    #[command(flatten)]
    meant: Meant,
    /// How many.
    #[arg(long, value_name = "COUNT", default_value_t = 1)]
    count: u32,
}

impl Order {
    fn run(self) -> Result<ExitCode> {
        let setup = files::setup(&self.meant.setup)?;
        let board = self.meant.board(&setup.table)?;
        let (low, high) = class_density(board.class);
        println!("ORDER");
        println!("{} of {}", self.count, class_word(board.class));
        println!("density        {low} to {high} kg/m3 at delivery, please state the batch's");
        println!(
            "size           {:.0} x {:.0} mm, {:.0} mm thick, +-0.3 mm from panel to panel",
            board.length.millimetres(),
            board.width.millimetres(),
            board.thickness.millimetres()
        );
        println!("faces          raw, sanded, no melamine, foil, primer or sealer on either side");
        if board.layered {
            println!("               the same make as before if it can be had: its dense faces are skimmed off here");
        } else {
            println!("               homogeneous density profile, without dense faces");
        }
        println!("moisture       8 +-3 %, packed flat and dry");
        println!("use            sacrificial board of a vacuum table: air must pass through it");
        Ok(ExitCode::SUCCESS)
    }
}

#[derive(Debug, Args)]
struct Accept {
    #[command(flatten)]
    meant: Meant,
    /// The level over the bare board, sealed at its rims, with every zone open.
    #[arg(long, value_name = "KPA")]
    bare_kpa: f64,
    /// The same over another board, to compare two.
    #[arg(long, value_name = "KPA")]
    other_kpa: Option<f64>,
    /// The share to which the table's suction is known: 0.05 after a survey, 0.2 by the pump's plate.
    #[arg(long, value_name = "SHARE", default_value_t = 0.2)]
    suction: f64,
}

impl Accept {
    fn run(self) -> Result<ExitCode> {
        let setup = files::setup(&self.meant.setup)?;
        let ordered = self.meant.board(&setup.table)?;
        let faces = if ordered.layered { Faces::On } else { Faces::Off };
        let mut table = setup.table;
        table.board.layers = ordered.class.layers(ordered.thickness, faces);
        let spread = Vacuum::from_pascals(200.0);
        let delivered =
            |kpa: f64| Delivered::by_bare_level(&table, Vacuum::from_pascals(kpa * 1e3), spread, self.suction);
        let one = delivered(self.bare_kpa).context("the board is not judged")?;
        let range = ordered.class.permeability();
        println!(
            "its core passes like {:.1e} m2 (error {:.0} %); {} is expected from {:.0e} to {:.0e}",
            one.through.square_metres(),
            one.error * 100.0,
            class_word(ordered.class),
            range.low.square_metres(),
            range.high.square_metres()
        );
        println!(
            "{}",
            match one.against(range) {
                Acceptance::AsOrdered => "as ordered",
                Acceptance::Tighter => "TIGHTER than ordered: a denser board, or dense faces still on it",
                Acceptance::Opener => "OPENER than ordered: a lighter board, or rims, seams or zones that leak",
                Acceptance::Unclear => "not clear from this reading: survey the table first",
            }
        );
        if let Some(kpa) = self.other_kpa {
            // What both readings share, the suction above all, does not tell them apart.
            let bare = |kpa| Delivered::by_bare_level(&table, Vacuum::from_pascals(kpa * 1e3), spread, 0.0);
            let (ratio, (low, high)) = bare(self.bare_kpa)?.over(&bare(kpa)?);
            println!("it is {ratio:.2} times as open as the other one ({low:.2} to {high:.2})");
        }
        Ok(ExitCode::SUCCESS)
    }
}

/// Sheets a day and skims in a board where neither the command line nor a setup tells them.
const SHEETS_A_DAY: f64 = 20.0;
const SKIMS: usize = 8;

/// Skims and new boards by cost; every number can be argued with.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  holdwatch board when --damage 12 --skims-left 5 --sheets-a-day 20 --part-price 35")]
struct When {
    /// The setup file, whose [prices] and [care] stand in for what is not told here.
    #[arg(long, value_name = "FILE")]
    setup: Option<PathBuf>,
    /// The damage index now, 0 on a fresh face.
    #[arg(long, value_name = "STEPS")]
    damage: usize,
    /// Skims left in the board that lies there.
    #[arg(long, value_name = "COUNT")]
    skims_left: usize,
    /// Skims in a new board.
    #[arg(long, value_name = "COUNT")]
    skims: Option<usize>,
    /// Shares of sheets that raise the damage by 1, 2, 3 … steps.
    #[arg(long, value_name = "SHARE", num_args = 1.., default_values_t = [0.5, 0.35, 0.15])]
    wear: Vec<f64>,
    /// The standard error of the wear rate, as a share.
    #[arg(long, value_name = "SHARE", default_value_t = 0.1)]
    wear_error: f64,
    /// The margin of the weakest part on a new board with a fresh face.
    #[arg(long, value_name = "MARGIN", default_value_t = 2.2)]
    fresh_margin: f64,
    /// What one step of damage takes from it, a in 1/(1 + a·damage).
    #[arg(long, value_name = "SHARE", default_value_t = 0.03)]
    damage_takes: f64,
    /// The share that each skim takes from it.
    #[arg(long, value_name = "SHARE", default_value_t = 0.02)]
    skim_takes: f64,
    /// The margin's standard deviation.
    #[arg(long, value_name = "MARGIN", default_value_t = 0.18)]
    spread: f64,
    /// Parts on a sheet.
    #[arg(long, value_name = "COUNT", default_value_t = 6.0)]
    parts: f64,
    /// What a lost part costs.
    #[arg(long, value_name = "MONEY")]
    part_price: Option<f64>,
    /// The pump's energy for a sheet.
    #[arg(long, value_name = "MONEY", default_value_t = 0.9)]
    energy: f64,
    /// A skim, minutes and slice together.
    #[arg(long, value_name = "MONEY")]
    skim_price: Option<f64>,
    /// A new board, fitted and faced.
    #[arg(long, value_name = "MONEY")]
    board_price: Option<f64>,
    /// Sheets cut in a day.
    #[arg(long, value_name = "COUNT")]
    sheets_a_day: Option<f64>,
    /// Days from ordering a board to having it.
    #[arg(long, value_name = "DAYS")]
    lead_days: Option<f64>,
    /// Write the plan as JSON.
    #[arg(long)]
    json: bool,
}

impl When {
    fn run(self) -> Result<ExitCode> {
        let terms = self.setup.as_deref().map(files::setup).transpose()?.map(|setup| setup.terms).unwrap_or_default();
        let upkeep = self.upkeep(&terms);
        let plan = upkeep.cheapest()?;
        let ahead = plan.prospect(&upkeep, self.damage, self.skims_left, self.wear_error);
        let a_day = self.sheets_a_day.or(terms.sheets_a_day).unwrap_or(SHEETS_A_DAY);
        let lead = self.lead_days.unwrap_or(terms.lead_days());
        let order = ahead.to_board.map(|(soonest, _)| (soonest / a_day - lead).max(0.0));
        if self.json {
            let care = plan.at(self.damage, self.skims_left);
            println!(
                "{:#}",
                json!({
                    "now": care, "per_sheet": plan.per_sheet.money(), "sheets": ahead.to_care,
                    "waiting_costs": ahead.waiting.money(), "to_new_board_sheets": ahead.to_board,
                    "order_in_days": order, "assumed": upkeep,
                })
            );
            return Ok(ExitCode::SUCCESS);
        }
        self.tell(&upkeep, &plan, &ahead, order);
        Ok(ExitCode::SUCCESS)
    }

    fn upkeep(&self, terms: &Terms) -> Upkeep {
        let money = |told: Option<f64>, own: Cost| told.map_or(own, Cost::from_money);
        Upkeep {
            worst_damage: 40.max(2 * self.damage),
            skims: self
                .skims
                .unwrap_or(if self.setup.is_some() { terms.skims_in_new() } else { SKIMS })
                .max(self.skims_left),
            wear: self.wear.iter().enumerate().map(|(place, share)| (place + 1, *share)).collect(),
            fresh_margin: self.fresh_margin,
            damage_takes: self.damage_takes,
            skim_takes: self.skim_takes,
            margin_spread: self.spread,
            parts: self.parts,
            part: money(self.part_price, terms.part()),
            energy: Cost::from_money(self.energy),
            damage_costs: 0.02,
            skim: money(self.skim_price, terms.skim()),
            board: money(self.board_price, terms.board()),
        }
    }

    fn tell(&self, upkeep: &Upkeep, plan: &CarePlan, ahead: &Prospect, order: Option<f64>) {
        match (plan.at(self.damage, self.skims_left), ahead.to_care) {
            (Care::Skim, _) => println!("skim now"),
            (Care::Replace, _) => println!("change the board now"),
            (Care::Cut, Some((soonest, latest))) => {
                println!("cut on: the next care is due in {soonest:.0} to {latest:.0} sheets (90 %)");
            }
            (Care::Cut, None) => println!("cut on: no care pays at these prices"),
        }
        println!("waiting one sheet longer than the plan costs {:.2}", ahead.waiting.money());
        println!(
            "the plan costs {:.2} a sheet in the long run; {} skims left",
            plan.per_sheet.money(),
            self.skims_left
        );
        if let (Some((soonest, latest)), Some(days)) = (ahead.to_board, order) {
            println!(
                "a new board is due in {soonest:.0} to {latest:.0} sheets; order it within {days:.0} working days"
            );
        }
        println!("\nfrom, to be argued with:");
        println!(
            "  a lost part costs {}, a skim {}, a board {}",
            upkeep.part.money(),
            upkeep.skim.money(),
            upkeep.board.money()
        );
        println!("  margin {} on a fresh face, spread {}", self.fresh_margin, self.spread);
        println!("  {} parts and {} of energy a sheet; wear by {:?}", self.parts, self.energy, self.wear);
    }
}
