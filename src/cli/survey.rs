//! `survey`: a table's numbers from readings on it, what they cannot tell, and the reading to take next.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context, Result, anyhow, bail};
use clap::Args;
use serde::Deserialize;
use serde_json::json;

use super::files;
use crate::board::sealing::{Bead, gains};
use crate::board::survey::{
    Assumed, Cover, Estimate, ForSetup, Friction, Place, Proposal, Pull, Reading, Side, Subject, Survey as Readings,
    SurveyFit, Trial, for_setup, friction,
};
use crate::setup::Setup;
use crate::table::field::Resolution;
use crate::table::{Point, Rect, Sheet, Table, TableLoad, ValveLaw, ZoneId, ZoneSet};
use crate::units::{AbsolutePressure, Area, Force, Length, Vacuum};

/// Fit a table's numbers to readings on it; say what they cannot tell, and which reading to take next.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  holdwatch survey --setup table.toml --guide > steps.txt\n  \
                  holdwatch survey --setup table.toml --readings readings.csv\n\n\
                  The readings are CSV with the header\n  cover,open,hole_mm,read,vacuum_kpa,spread_kpa,barometer_hpa\n\
                  cover: film or bare. open: all, none, or zones by name with spaces between. read: manifold, pump-inlet or\n\
                  filter-drop. hole_mm, read, spread_kpa and barometer_hpa may be left empty.\n\n\
                  The pulls of a dragging test are CSV with the header\n  pull_kg,length_mm,width_mm,vacuum_kpa\n\
                  pull_kg: what a luggage scale shows as the sheet begins to slide.\n\n\
                  Exit codes: 0 fitted, 1 failed, 2 wrong usage.")]
pub(super) struct Survey {
    /// The setup file.
    #[arg(long, value_name = "FILE")]
    setup: PathBuf,
    /// The readings, as CSV.
    #[arg(long, value_name = "FILE", required_unless_present_any = ["guide", "pulls"])]
    readings: Option<PathBuf>,
    /// The pulls of a dragging test, as CSV: the friction of sheets on the board.
    #[arg(long, value_name = "FILE")]
    pulls: Option<PathBuf>,
    /// Print the steps of a survey of this table, and a file of readings to fill in.
    #[arg(long)]
    guide: bool,
    /// The share to which capacity and permeability are wanted.
    #[arg(long, value_name = "SHARE", default_value_t = 0.1)]
    wanted: f64,
    /// Write the fit as JSON.
    #[arg(long)]
    json: bool,
}

/// The noise of a settled reading, if the file does not tell it.
const USUAL_SPREAD_KPA: f64 = 0.2;

/// A line of the file of readings.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    cover: Cover,
    open: String,
    #[serde(default)]
    hole_mm: Option<f64>,
    #[serde(default)]
    read: Option<Place>,
    vacuum_kpa: f64,
    #[serde(default)]
    spread_kpa: Option<f64>,
    #[serde(default)]
    barometer_hpa: Option<f64>,
}

/// A line of the file of pulls.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct PullRow {
    pull_kg: f64,
    length_mm: f64,
    width_mm: f64,
    vacuum_kpa: f64,
}

/// Newtons that a scale shows as a kilogram (CGPM 1901).
const STANDARD_GRAVITY: f64 = 9.806_65;

impl Survey {
    pub(super) fn run(self) -> Result<ExitCode> {
        let setup = files::setup(&self.setup)?;
        if self.guide {
            print!("{}", guide(&setup.table));
            return Ok(ExitCode::SUCCESS);
        }
        let dragged = self.pulls.as_deref().map(pulls).transpose()?.and_then(|pulls| friction(&pulls));
        let Some(path) = &self.readings else {
            match (&dragged, self.json) {
                (Some(found), true) => println!("{:#}", json!({ "friction": friction_json(found) })),
                (Some(found), false) => tell_friction(found),
                (None, _) => bail!("no readings and no pulls are given"),
            }
            return Ok(ExitCode::SUCCESS);
        };
        let readings = readings(path, &setup)?;
        let fit = Readings { table: &setup.table, readings: &readings }.fit(Resolution::Standard)?;
        if self.json {
            let mut told = as_json(&setup, &readings, &fit, self.wanted);
            told["friction"] = dragged.as_ref().map(friction_json).into();
            println!("{told:#}");
        } else {
            tell(&setup, &readings, &fit, self.wanted);
            dragged.iter().for_each(tell_friction);
        }
        Ok(ExitCode::SUCCESS)
    }
}

fn readings(path: &Path, setup: &Setup) -> Result<Vec<Reading>> {
    let text = files::text(path)?;
    let mut rows = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(text.as_bytes());
    let mut found = Vec::new();
    for row in rows.deserialize::<Row>() {
        let row = row.with_context(|| format!("{} cannot be read", path.display()))?;
        let line = found.len() + 1;
        found.push(reading(&row, setup).with_context(|| format!("{}: reading {line}", path.display()))?);
    }
    Ok(found)
}

/// The pulls of a dragging test.
fn pulls(path: &Path) -> Result<Vec<Pull>> {
    let text = files::text(path)?;
    let mut rows = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(text.as_bytes());
    let mut found = Vec::new();
    for row in rows.deserialize::<PullRow>() {
        let row = row.with_context(|| format!("{} cannot be read", path.display()))?;
        let place = || format!("{}: pull {}", path.display(), found.len() + 1);
        let kilograms = within("pull_kg", row.pull_kg, 0.1, 200.0).with_context(place)?;
        let length = within("length_mm", row.length_mm, 10.0, 5000.0).with_context(place)?;
        let width = within("width_mm", row.width_mm, 10.0, 5000.0).with_context(place)?;
        let level = within("vacuum_kpa", row.vacuum_kpa, 1.0, 100.0).with_context(place)?;
        found.push(Pull {
            pull: Force::from_newtons(kilograms * STANDARD_GRAVITY),
            area: Area::from_square_metres(length * width * 1e-6),
            level: Vacuum::from_pascals(level * 1e3),
        });
    }
    Ok(found)
}

fn within(name: &str, value: f64, least: f64, most: f64) -> Result<f64> {
    if (least..=most).contains(&value) {
        return Ok(value);
    }
    bail!("{name} = {value} is out of range; limit: {least} to {most}; write a number within it")
}

fn tell_friction(found: &Friction) {
    let Friction { value, interval: (low, high), pulls } = found;
    println!("\nfriction of sheets on the board: {value:.2} ({low:.2} to {high:.2}, {pulls} pulls)");
    println!("  for the setup file:  [board] friction = {value:.2}");
}

fn friction_json(found: &Friction) -> serde_json::Value {
    json!({ "value": found.value, "interval": found.interval, "pulls": found.pulls })
}

fn reading(row: &Row, setup: &Setup) -> Result<Reading> {
    let table = &setup.table;
    Ok(Reading {
        trial: Trial {
            cover: row.cover,
            open: open(&row.open, table)?,
            hole: Length::from_millimetres(row.hole_mm.unwrap_or(0.0)),
            place: row.read.unwrap_or(Place::Manifold),
        },
        level: Vacuum::from_pascals(row.vacuum_kpa * 1e3),
        spread: Vacuum::from_pascals(row.spread_kpa.unwrap_or(USUAL_SPREAD_KPA) * 1e3),
        room: row.barometer_hpa.map_or(table.air.room, |hpa| AbsolutePressure::from_pascals(hpa * 100.0)),
    })
}

/// Zones by name: `all`, `none`, or names with spaces between; a name with spaces of its own stands alone.
fn open(text: &str, table: &Table) -> Result<ZoneSet> {
    let zones = &table.plenum.zones;
    let of = |name: &str| zones.iter().zip((0..).map(ZoneId)).find(|(zone, _)| zone.name == name).map(|(_, id)| id);
    match text {
        "all" => return Ok(ZoneSet::first(zones.len())),
        "none" | "" => return Ok(ZoneSet::EMPTY),
        _ => {}
    }
    if let Some(zone) = of(text) {
        return Ok(ZoneSet::EMPTY.with(zone));
    }
    let known = || zones.iter().map(|zone| zone.name.as_str()).collect::<Vec<_>>().join(", ");
    text.split_whitespace()
        .map(|name| of(name).ok_or_else(|| anyhow!("zone {name:?} is not known; the zones are {}", known())))
        .collect()
}

fn named(open: ZoneSet, table: &Table) -> String {
    if open.is_empty() {
        return "none".to_owned();
    }
    if open == ZoneSet::first(table.plenum.zones.len()) {
        return "all".to_owned();
    }
    let name = |zone: ZoneId| table.plenum.zones.get(usize::from(zone.0)).map_or("?", |zone| zone.name.as_str());
    open.iter().map(name).collect::<Vec<_>>().join(" ")
}

/// What to do for a reading, in one sentence.
fn sentence(trial: &Trial, table: &Table) -> String {
    let cover = match trial.cover {
        Cover::Film => "film over the whole board, its edges taped",
        Cover::Bare => "the board bare",
    };
    let zones = named(trial.open, table);
    let zones = match zones.as_str() {
        "none" => "every zone's valve shut (30 s at most: a blower without air overheats)".to_owned(),
        "all" => format!("{cover}, every zone open"),
        one => format!("{cover}, only zone {one} open"),
    };
    let hole = trial.hole.millimetres();
    let hole =
        if hole > 0.0 { format!(", a drilled hole of {hole:.0} mm open at the manifold") } else { String::new() };
    let read = match trial.place {
        Place::Manifold => "read the manifold",
        Place::PumpInlet => "read the pump's inlet",
        Place::FilterDrop => "read the difference over the filter",
    };
    format!("{zones}{hole}; {read}")
}

/// The same in a few words.
fn short(trial: &Trial, table: &Table) -> String {
    let hole = trial.hole.millimetres();
    let hole = if hole > 0.0 { format!(", hole {hole:.0} mm") } else { String::new() };
    format!("{}, open {}{hole}, {}", cover_word(trial.cover), named(trial.open, table), place_word(trial.place))
}

/// The steps of a whole survey, and the file to fill in.
fn guide(table: &Table) -> String {
    let zones = table.plenum.zones.len();
    let all = ZoneSet::first(zones);
    let plain = |cover, open| Trial { cover, open, hole: Length::ZERO, place: Place::Manifold };
    let alone = |zone: usize| ZoneSet::EMPTY.with(ZoneId(u8::try_from(zone).unwrap_or(u8::MAX)));
    let hole = |mm: f64| Trial { hole: Length::from_millimetres(mm), ..plain(Cover::Film, ZoneSet::EMPTY) };
    let mut trials = vec![plain(Cover::Film, ZoneSet::EMPTY), hole(6.0), hole(12.0), hole(20.0)];
    trials.push(plain(Cover::Film, all));
    trials.extend((0..zones).map(|zone| plain(Cover::Film, alone(zone))));
    trials.push(plain(Cover::Bare, all));
    trials.push(Trial { place: Place::FilterDrop, ..plain(Cover::Bare, all) });
    trials.extend((0..zones).map(|zone| plain(Cover::Bare, alone(zone))));
    let mut text = String::from(
        "A survey takes about half an hour. The spindle stands still and is locked out. Keep hands and sleeves from open hoses,\n\
         and wear ear protection beside a blower. Let the pump run warm for ten minutes first. Read each step when the level\n\
         stands still within 0.1 kPa for five seconds, and write down the barometer if it moves by more than 3 hPa.\n\
         A hole is drilled cleanly through a thin plate, with sharp edges. Any step may be left out.\n\n",
    );
    for (step, trial) in trials.iter().enumerate() {
        text.push_str(&format!("{:>3}. {}\n", step + 1, sentence(trial, table)));
    }
    text.push_str(
        "\nOptional: pull a sheet of known size with a luggage scale until it slides; --pulls reckons its friction from that.\n\n\
         Fill in the levels and give the lines below to --readings:\n\n\
         cover,open,hole_mm,read,vacuum_kpa,spread_kpa,barometer_hpa\n",
    );
    for trial in &trials {
        let hole = trial.hole.millimetres();
        let hole = if hole > 0.0 { format!("{hole:.0}") } else { String::new() };
        let cells = [cover_word(trial.cover), &named(trial.open, table), &hole, place_word(trial.place), "", "", ""];
        text.push_str(&cells.join(","));
        text.push('\n');
    }
    text
}

fn cover_word(cover: Cover) -> &'static str {
    match cover {
        Cover::Film => "film",
        Cover::Bare => "bare",
    }
}

fn place_word(place: Place) -> &'static str {
    match place {
        Place::Manifold => "manifold",
        Place::PumpInlet => "pump-inlet",
        Place::FilterDrop => "filter-drop",
    }
}

fn subject(of: Subject, table: &Table) -> String {
    let zone = |zone: ZoneId| named(ZoneSet::EMPTY.with(zone), table);
    match of {
        Subject::SuctionCapacity => "suction capacity (pump and filter)".to_owned(),
        Subject::CoveredLeak => "leak under film, all together".to_owned(),
        Subject::Pump => "pump, left of its flow".to_owned(),
        Subject::Deepest => "pump, deepest level".to_owned(),
        Subject::Filter => "filter".to_owned(),
        Subject::Through => "board through".to_owned(),
        Subject::Along => "board along".to_owned(),
        Subject::Face => "face leak".to_owned(),
        Subject::Rim(side) => format!("rim {}", side_word(side)),
        Subject::Seam(seam) => format!("seam {}", seam + 1),
        Subject::Hose => "manifold and hoses".to_owned(),
        Subject::Valve(id) => format!("valve of zone {}", zone(id)),
        Subject::ZoneLeak(id) => format!("leak of zone {}", zone(id)),
    }
}

fn side_word(side: Side) -> &'static str {
    match side {
        Side::XMin => "x_min",
        Side::XMax => "x_max",
        Side::YMin => "y_min",
        Side::YMax => "y_max",
    }
}

fn unit(of: Subject, table: &Table) -> &'static str {
    match of {
        Subject::SuctionCapacity | Subject::CoveredLeak => "m3/h free air",
        Subject::Pump => "",
        Subject::Deepest => "Pa",
        Subject::Filter => "s2/m6",
        Subject::Through | Subject::Along | Subject::Seam(_) => "m2",
        Subject::Face | Subject::Rim(_) => "m",
        Subject::Hose | Subject::ZoneLeak(_) => "m3/(s Pa)",
        Subject::Valve(zone) => match table.plenum.zones.get(usize::from(zone.0)).map(|zone| zone.valve) {
            Some(ValveLaw::Iso6358 { .. }) => "m3/(s Pa)",
            Some(ValveLaw::IsothermalPipe(_)) | None => "s2/m6",
        },
    }
}

fn tell(setup: &Setup, readings: &[Reading], fit: &SurveyFit, wanted: f64) {
    let table = &setup.table;
    println!("flows at {:.1} kPa; intervals hold the truth 95 times of 100", fit.level.pascals() / 1e3);
    for estimate in fit.estimates.iter().filter(|estimate| estimate.told) {
        tell_estimate(estimate, table);
    }
    if !fit.untold.is_empty() {
        println!("\nnot told by these readings:");
    }
    let names = |of: &[Subject]| of.iter().map(|of| subject(*of, table)).collect::<Vec<_>>().join(", ");
    let (alone, together): (Vec<_>, Vec<_>) = fit.untold.iter().partition(|untold| untold.of.len() == 1);
    for untold in together {
        println!("  only together, not apart: {}", names(&untold.of));
    }
    let alone: Vec<Subject> = alone.iter().flat_map(|untold| untold.of.iter().copied()).collect();
    if !alone.is_empty() {
        println!("  no number for: {}", names(&alone));
    }
    tell_setup(setup, fit);
    tell_sealing(fit, table);
    println!("\nreadings beside the fit (errors are standard errors):");
    for (place, (reading, residual)) in readings.iter().zip(&fit.residuals).enumerate() {
        let far = match (fit.alone.contains(&place), residual.weight < 0.7) {
            (true, _) => "  STANDS ALONE: read it again, and give both readings",
            (false, true) => "  FAR OFF: read it again",
            (false, false) => "",
        };
        println!(
            "  {:>6.2} kPa, fitted {:>6.2}, {:>+5.1}  {}{far}",
            reading.level.pascals() / 1e3,
            residual.fitted.pascals() / 1e3,
            residual.errors,
            short(&reading.trial, table)
        );
    }
    if fit.widened > 1.05 {
        println!(
            "the readings scatter {:.1} times as much as they should; the intervals are widened by that",
            fit.widened
        );
    }
    tell_next(fit, table, wanted);
}

/// What of it goes into the setup.
fn tell_setup(setup: &Setup, fit: &SurveyFit) {
    let found = for_setup(&setup.table, fit);
    if !found.is_empty() {
        println!("\nfor the setup file:");
    }
    for ForSetup { section, lines, instead_of, assumes } in &found {
        let gone = if instead_of.is_empty() {
            String::new()
        } else {
            format!("  (in the place of {})", instead_of.join(", "))
        };
        println!("  [{section}] {}{gone}", lines.join(", "));
        assumes.iter().for_each(|assumed| println!("    {}", assumption(*assumed)));
    }
}

fn assumption(assumed: Assumed) -> &'static str {
    match assumed {
        Assumed::FilterAsSetUp => {
            "assumed: the filter is as the setup has it, and the pump carries what is missing; they were not told apart"
        }
        Assumed::DepthAsSetUp => "assumed: the pump gets as deep as the setup has it",
        Assumed::AlongInProportion => "assumed: flow along the board keeps the setup's proportion to flow through it",
        Assumed::LayersInProportion => "assumed: layers keep the setup's proportions to each other",
        Assumed::AsItLies => "the board as it lies today; after a skim, survey it again",
    }
}

/// What sealing would give back, of the sides and seams that the readings tell apart.
fn tell_sealing(fit: &SurveyFit, table: &Table) {
    let told = |of: Bead| match of {
        Bead::Side(side) => fit.estimate(Subject::Rim(side)).is_some_and(|estimate| estimate.told),
        Bead::Seam(seam) => fit.estimate(Subject::Seam(seam)).is_some_and(|estimate| estimate.told),
        Bead::All => fit.estimate(Subject::CoveredLeak).is_some_and(|estimate| estimate.told),
    };
    let (low, board) = (Point { x: Length::ZERO, y: Length::ZERO }, &table.board);
    let rect = Rect { low, high: Point { x: board.length, y: board.width } };
    let covered = TableLoad { sheets: vec![Sheet { rect, gap: Length::ZERO, passes: None }], ..TableLoad::default() };
    let all = ZoneSet::first(table.plenum.zones.len());
    for gain in gains(&fit.table, &covered, all).into_iter().filter(|gain| told(gain.of)) {
        let what = match gain.of {
            Bead::Side(side) => format!("rim {}", side_word(side)),
            Bead::Seam(seam) => format!("seam {}", seam + 1),
            Bead::All => "rims and seams, all of them".to_owned(),
        };
        println!(
            "sealing {what}: at most {:.2} kPa deeper under a whole sheet, margins times {:.2}",
            gain.level.pascals() / 1e3,
            gain.margin
        );
    }
}

fn tell_estimate(estimate: &Estimate, table: &Table) {
    println!(
        "  {:<36} {:>8} ({} to {}) {}; the setup has {}",
        subject(estimate.of, table),
        digits(estimate.value),
        digits(estimate.interval.0),
        digits(estimate.interval.1),
        unit(estimate.of, table),
        digits(estimate.assumed)
    );
}

/// Three digits, with a power of ten only where there is no other way.
fn digits(value: f64) -> String {
    if !(1e-2..1e5).contains(&value.abs()) {
        return format!("{value:.2e}");
    }
    let after_point = (2.0 - value.abs().log10().floor()).max(0.0) as usize;
    format!("{value:.after_point$}")
}

fn tell_next(fit: &SurveyFit, table: &Table, wanted: f64) {
    if fit.reaches(wanted) {
        println!("\ncapacity and permeability are known to {:.0} %; that is enough", wanted * 100.0);
        return;
    }
    println!("\nnext, the most telling first:");
    for Proposal { trial, gain, of } in &fit.next {
        println!("  {} (narrows {} most; gain {gain:.2})", sentence(trial, table), subject(*of, table));
    }
}

fn as_json(setup: &Setup, readings: &[Reading], fit: &SurveyFit, wanted: f64) -> serde_json::Value {
    let table = &setup.table;
    let trial = |trial: &Trial| {
        json!({
            "cover": trial.cover,
            "open": named(trial.open, table),
            "hole_mm": trial.hole.millimetres(),
            "read": trial.place,
        })
    };
    let estimate = |estimate: &Estimate| {
        json!({
            "of": subject(estimate.of, table),
            "unit": unit(estimate.of, table),
            "value": estimate.told.then_some(estimate.value),
            "interval": estimate.told.then_some(estimate.interval),
            "error_of_log": estimate.error,
            "assumed": estimate.assumed,
            "told": estimate.told,
        })
    };
    let names = |of: &[Subject]| of.iter().map(|of| subject(*of, table)).collect::<Vec<_>>();
    json!({
        "level_pa": fit.level.pascals(),
        "estimates": fit.estimates.iter().map(estimate).collect::<Vec<_>>(),
        "correlation": fit.correlation,
        "untold": fit.untold.iter().map(|untold| names(&untold.of)).collect::<Vec<_>>(),
        "readings": readings.iter().zip(&fit.residuals).enumerate().map(|(place, (reading, residual))| json!({
            "trial": trial(&reading.trial),
            "vacuum_pa": reading.level.pascals(),
            "fitted_pa": residual.fitted.pascals(),
            "errors": residual.errors,
            "weight": residual.weight,
            "stands_alone": fit.alone.contains(&place),
        })).collect::<Vec<_>>(),
        "widened": fit.widened,
        "enough": fit.reaches(wanted),
        "next": fit.next.iter().map(|next| json!({
            "trial": trial(&next.trial), "gain": next.gain, "narrows": subject(next.of, table),
        })).collect::<Vec<_>>(),
    })
}
