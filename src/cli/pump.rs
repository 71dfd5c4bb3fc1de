//! `board pump`: the sheets of the past on another pump, and what its energy costs.

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::{Result, bail};
use clap::Args;
use serde_json::json;

use super::export::time;
use super::files;
use super::report::Story;
use crate::board::Cost;
use crate::board::pumps::{PastSheet, Replayed, energy, replayed};
use crate::journal::{Where, Window};
use crate::moment::Span;
use crate::setup::Setup;
use crate::stats::median;
use crate::units::{Power, Vacuum};

/// Would another pump pay: the sheets of the past on the pump and filter of another setup.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  holdwatch board pump holdwatch.db --setup table.toml --other two-pumps.toml \
                  --from 2026-02-01T00:00:00Z --power-kw 5.5 11 --kwh-price 0.30\n\n\
                  The other setup is a copy of the first with another [pump], [filter] or gauge range.")]
pub(super) struct Pump {
    /// The journal: an SQLite file, or `postgres://…`.
    #[arg(value_name = "FILE")]
    journal: String,
    /// The setup under which the sheets were cut.
    #[arg(long, value_name = "FILE")]
    setup: PathBuf,
    /// The setup with the other pump.
    #[arg(long, value_name = "FILE")]
    other: PathBuf,
    /// The first time looked at, RFC 3339.
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// The first time not looked at any more, RFC 3339.
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// The power of the pumps as they are and as they would be.
    #[arg(long, value_name = "KW", num_args = 2, requires = "kwh_price")]
    power_kw: Option<Vec<f64>>,
    /// The price of a kilowatt hour.
    #[arg(long, value_name = "MONEY")]
    kwh_price: Option<f64>,
    /// How long the pumps run for a sheet.
    #[arg(long, value_name = "MINUTES", default_value_t = 15.0)]
    minutes_a_sheet: f64,
    /// Write the result as JSON.
    #[arg(long)]
    json: bool,
}

impl Pump {
    pub(super) fn run(self) -> Result<ExitCode> {
        let (setup, other) = (files::setup(&self.setup)?, files::setup(&self.other)?);
        let window = Window { from: time(self.from.as_deref(), i64::MIN)?, to: time(self.to.as_deref(), i64::MAX)? };
        let story = Story::read(&Where::from_text(&self.journal), window, None)?;
        let sheets: Vec<PastSheet> = story
            .sheets
            .iter()
            .filter_map(|sheet| Some((Vacuum::from_pascals(sheet.level_pa?), sheet.least_margin)))
            .map(|(level, margin)| PastSheet { level, margin })
            .collect();
        if sheets.is_empty() {
            bail!("the journal has no sheet that seated in this time");
        }
        let required = setup.watch.required_margin;
        let found = replayed(&setup.table, &other.table, &sheets, required, deepest(&other));
        let costs = self.costs();
        let middle = |levels: Vec<f64>| median(&levels).unwrap_or(f64::NAN);
        let was = middle(sheets.iter().map(|sheet| sheet.level.pascals()).collect());
        let would = middle(found.levels.iter().map(|level| level.pascals()).collect());
        if self.json {
            println!("{:#}", as_json(&found, required, (was, would), costs));
        } else {
            tell(&found, required, (was, would), costs);
        }
        Ok(ExitCode::SUCCESS)
    }

    /// The energy for a sheet as it is and as it would be.
    fn costs(&self) -> Option<(f64, f64)> {
        let (power, price) = (self.power_kw.as_ref()?, Cost::from_money(self.kwh_price?));
        let time = Span::from_secs_f64(60.0 * self.minutes_a_sheet);
        let each = |place: usize| energy(Power::from_watts(power[place] * 1e3), time, price).money();
        Some((each(0), each(1)))
    }
}

/// The deepest level that one of the gauges can show.
fn deepest(setup: &Setup) -> Vacuum {
    let room = setup.table.air.room;
    let ends = setup.gauges.iter().flat_map(|gauge| {
        let level = |end| gauge.convention.absolute(end, gauge.unit, room).vacuum_below(room);
        [level(gauge.range.0), level(gauge.range.1)]
    });
    ends.fold(Vacuum::ZERO, Vacuum::max)
}

fn as_json(found: &Replayed, required: f64, levels: (f64, f64), costs: Option<(f64, f64)>) -> serde_json::Value {
    json!({
        "sheets": found.levels.len(),
        "with_margin": found.known,
        "required_margin": required,
        "held": found.held,
        "would_hold": found.would_hold,
        "beyond_gauge": found.beyond_gauge,
        "median_vacuum_pa": levels.0,
        "median_would_be_pa": levels.1,
        "energy_a_sheet": costs.map(|(was, would)| [was, would]),
    })
}

fn tell(found: &Replayed, required: f64, levels: (f64, f64), costs: Option<(f64, f64)>) {
    let sheets = found.levels.len();
    println!("{sheets} sheets: {:.1} kPa in the middle of them, would be {:.1}", levels.0 / 1e3, levels.1 / 1e3);
    println!(
        "of {} with a margin, {} had the {required:.1} that is required; {} would have it",
        found.known, found.held, found.would_hold
    );
    if found.beyond_gauge > 0 {
        println!("{} would lie beyond the gauge's range: choose a gauge of a wider one", found.beyond_gauge);
    }
    if let Some((was, would)) = costs {
        println!(
            "energy {was:.2} a sheet, would be {would:.2}: {:+.2} for these sheets",
            (would - was) * sheets as f64
        );
    }
}
