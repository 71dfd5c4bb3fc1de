//! `forecast`: level and margins along the cut of a job, before it is cut.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::{Result, bail};
use clap::Args;

use super::{files, plan};
use crate::daemon::Brief;
use crate::event::Request;
use crate::expectation::{Course, Expected, Forecast, zones_under};
use crate::job::Card;
use crate::setup::Setup;
use crate::table::field::Resolution;
use crate::table::{ZoneId, ZoneSet};

/// Compute level and margins along the cut of a job, before it is cut.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  holdwatch forecast --setup table.toml --job cards/drawers.toml")]
pub(super) struct Show {
    /// The setup file.
    #[arg(long, value_name = "FILE")]
    setup: PathBuf,
    /// The job card.
    #[arg(long, value_name = "FILE")]
    job: PathBuf,
    /// Write the forecast as JSON.
    #[arg(long)]
    json: bool,
    /// Draw the sheet, its parts, tabs and skins, as SVG.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

/// How many lines of the course are shown.
const LINES: usize = 11;

impl Show {
    pub(super) fn run(self) -> Result<ExitCode> {
        let setup = files::setup(&self.setup)?;
        let (card, planned) = files::planned_card(&self.job, &setup)?;
        if let (Some(plan), Some(file)) = (&planned, &self.svg) {
            plan::draw(&card, plan, file)?;
        } else if self.svg.is_some() {
            bail!("the card names no program, so there is nothing to draw; add program = \"FILE\" to it");
        }
        let open = open_zones(&setup, &card)?;
        let brief = Brief::new(
            &setup,
            Request { card: Some(Box::new(card.clone())), beside: vec![], open: vec![open], room: None },
            Resolution::Standard,
        );
        let forecast = brief.answer(&brief.condense()?)?;
        if self.json {
            let mut told = serde_json::to_value(&forecast)?;
            if let Some(plan) = &planned {
                told["program"] = plan::as_json(plan)?;
                told["program"]["zero"] = plan::zero(&card, &setup, &self.setup).into();
            }
            println!("{}", serde_json::to_string_pretty(&told)?);
        } else if let Some(course) = forecast.courses.first() {
            planned.iter().for_each(plan::tell);
            plan::tell_zero(&card, &setup, &self.setup);
            tell(&setup, &card, &forecast, course);
        }
        Ok(ExitCode::SUCCESS)
    }
}

pub(super) fn open_zones(setup: &Setup, card: &Card) -> Result<ZoneSet> {
    if card.zones.is_empty() {
        return Ok(zones_under(&setup.table, &card.sheet.rect));
    }
    let zones = setup.table.plenum.zones.iter().zip(0..);
    let open: ZoneSet = zones.filter(|(zone, _)| card.zones.contains(&zone.name)).map(|(_, id)| ZoneId(id)).collect();
    if open.is_empty() {
        bail!("none of the card's zones {:?} is one of the table's", card.zones);
    }
    Ok(open)
}

fn tell(setup: &Setup, card: &Card, forecast: &Forecast, course: &Course) {
    let names: Vec<&str> = course
        .open
        .iter()
        .filter_map(|zone| setup.table.plenum.zones.get(usize::from(zone.0)))
        .map(|zone| zone.name.as_str())
        .collect();
    println!("{}: zones open {}", card.name, names.join(", "));
    println!("covered and uncut {:.1} kPa, bare {:.1} kPa", course.sealed.pascals() / 1e3, course.bare.pascals() / 1e3);
    println!(
        "{:>6}  {:>17}  {:>10}  weakest part (required {:.1})",
        "cut", "vacuum kPa", "leak m3/h", card.required_margin
    );
    for (fraction, expected) in spread(&course.points) {
        let weakest = expected.weakest.map_or_else(String::new, |weakest| {
            let name = forecast.parts.get(weakest.part.0 as usize).map_or("", String::as_str);
            format!("{:.1} {name}", weakest.margin)
        });
        println!(
            "{:>5.0}%  {:>5.1} ({:>4.1}-{:>4.1})  {:>10.1}  {weakest}",
            fraction * 100.0,
            expected.mid.pascals() / 1e3,
            expected.low.pascals() / 1e3,
            expected.high.pascals() / 1e3,
            expected.smallest_visible_leak.m3_per_h(),
        );
    }
    if !forecast.unseen.is_empty() {
        println!(
            "{} part(s) are too small for their loss to show on the gauge; only their margin protects them",
            forecast.unseen.len()
        );
    }
}

/// Points of a course at even steps, the first and the last among them, and the one at which a part is held least firmly.
fn spread(points: &[(f64, Expected)]) -> Vec<&(f64, Expected)> {
    let last = points.len().saturating_sub(1);
    let mut shown: BTreeSet<usize> = (0..LINES).map(|line| (line * last + LINES / 2) / (LINES - 1)).collect();
    let margins = points.iter().map(|(_, expected)| expected.weakest.map(|weakest| weakest.margin));
    let margins = margins.enumerate().filter_map(|(place, margin)| Some((place, margin?)));
    shown.extend(margins.min_by(|one, other| one.1.total_cmp(&other.1)).map(|(place, _)| place));
    shown.into_iter().filter_map(|place| points.get(place)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::expectation::Weakest;
    use crate::table::PartId;
    use crate::units::{Force, FreeAirFlow, Vacuum};

    fn held_by(margin: f64) -> Expected {
        let weakest = Weakest { part: PartId(0), margin, force: Force::ZERO, margin_per_pascal: 0.0 };
        let (low, mid, high) = (Vacuum::ZERO, Vacuum::ZERO, Vacuum::ZERO);
        let (smallest_visible_leak, flow) = (FreeAirFlow::ZERO, FreeAirFlow::ZERO);
        Expected { low, mid, high, weakest: Some(weakest), smallest_visible_leak, flow }
    }

    #[test]
    fn the_table_ends_where_the_cut_does_and_has_the_weakest_point() {
        for count in [1, 2, 11, 12, 65, 200] {
            let points: Vec<(f64, Expected)> = (0..count)
                .map(|place| (f64::from(place), held_by(if place == count / 3 { 0.5 } else { 9.0 })))
                .collect();
            let shown: Vec<f64> = spread(&points).iter().map(|(fraction, _)| *fraction).collect();
            let has = |place: i32| shown.iter().any(|shown| (shown - f64::from(place)).abs() < 1e-9);
            assert!(has(0) && has(count - 1) && has(count / 3), "{count}: {shown:?}");
            assert!(shown.is_sorted() && shown.len() <= LINES + 1, "{count}: {shown:?}");
        }
        assert!(spread(&[]).is_empty());
    }
}
