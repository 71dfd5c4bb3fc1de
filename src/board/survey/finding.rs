//! What a survey came to as plain data: sent from the process that reckoned it, kept, and told.

use serde::{Deserialize, Serialize};

use super::{Estimate, Proposal, Residual, Subject, SurveyFit, Untold};
use crate::board::sealing::{Bead, Gain, gains};
use crate::table::{Layer, Point, Rect, Sheet, Table, TableLoad, Tap, ZoneMatrix, ZoneSet, leak_to_reach};
use crate::units::{Length, SquareConductance, Vacuum};

/// What a survey came to.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// As [`SurveyFit::level`].
    pub level: Vacuum,
    /// As [`SurveyFit::estimates`].
    pub estimates: Vec<Estimate>,
    /// As [`SurveyFit::correlation`].
    pub correlation: Vec<Vec<f64>>,
    /// As [`SurveyFit::untold`].
    pub untold: Vec<Untold>,
    /// As [`SurveyFit::residuals`].
    pub residuals: Vec<Residual>,
    /// As [`SurveyFit::widened`].
    pub widened: f64,
    /// As [`SurveyFit::alone`].
    pub alone: Vec<usize>,
    /// As [`SurveyFit::next`].
    pub next: Vec<Proposal>,
    /// Whether the accuracy that was wanted is reached.
    pub enough: bool,
    /// What sealing gives back at most under a whole sheet, of the sides and seams that the readings tell apart.
    pub sealing: Vec<Gain>,
    /// What may be written into the setup.
    pub setup: Vec<ForSetup>,
}

/// Lines of one section of the setup file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ForSetup {
    /// The section, such as `pump`.
    pub section: String,
    /// The lines.
    pub lines: Vec<String>,
    /// The keys of that section that they stand for, and that must go.
    pub instead_of: Vec<String>,
    /// What is assumed with them.
    pub assumes: Vec<Assumed>,
}

/// What is assumed with a line for the setup.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Assumed {
    /// Pump and filter were not told apart: the filter is as the setup has it, and the pump carries all that is missing.
    FilterAsSetUp,
    /// The pump gets as deep as the setup has it.
    DepthAsSetUp,
    /// How the board passes air along it was not told, and keeps its proportion to what passes through.
    AlongInProportion,
    /// Layers keep their proportions to each other.
    LayersInProportion,
    /// The board is as it lies today; a skim changes it.
    AsItLies,
}

impl Finding {
    /// The plain data of a fit to readings on `table`, where the accuracy `wanted` was asked for.
    pub fn of(table: &Table, fit: &SurveyFit, wanted: f64) -> Self {
        Finding {
            level: fit.level,
            estimates: fit.estimates.clone(),
            correlation: fit.correlation.clone(),
            untold: fit.untold.clone(),
            residuals: fit.residuals.clone(),
            widened: fit.widened,
            alone: fit.alone.clone(),
            next: fit.next.clone(),
            enough: fit.reaches(wanted) && fit.alone.is_empty(),
            sealing: told_gains(fit),
            setup: for_setup(table, fit),
        }
    }
}

/// What sealing would give back under a whole sheet, of the sides and seams that the readings tell apart.
fn told_gains(fit: &SurveyFit) -> Vec<Gain> {
    let board = &fit.table.board;
    let told = |of: Subject| fit.estimate(of).is_some_and(|estimate| estimate.told);
    let low = Point { x: Length::ZERO, y: Length::ZERO };
    let rect = Rect { low, high: Point { x: board.length, y: board.width } };
    let covered = TableLoad { sheets: vec![Sheet { rect, gap: Length::ZERO, passes: None }], ..TableLoad::default() };
    let mut found = gains(&fit.table, &covered, ZoneSet::first(fit.table.plenum.zones.len()));
    found.retain(|gain| match gain.of {
        Bead::Side(side) => told(Subject::Rim(side)),
        Bead::Seam(seam) => told(Subject::Seam(seam)),
        Bead::All => told(Subject::CoveredLeak),
    });
    found
}

/// What may be written into the setup file, of the numbers that the readings carry.
pub fn for_setup(table: &Table, fit: &SurveyFit) -> Vec<ForSetup> {
    let told = |of: Subject| fit.estimate(of).filter(|estimate| estimate.told).map(|estimate| estimate.value);
    let section = |section: &str, lines: Vec<String>, instead_of: &[&str], assumes: Vec<Assumed>| ForSetup {
        section: section.to_owned(),
        lines,
        instead_of: instead_of.iter().map(|key| (*key).to_owned()).collect(),
        assumes,
    };
    let mut found = Vec::new();
    match (told(Subject::Pump), told(Subject::Filter), told(Subject::SuctionCapacity)) {
        (Some(wear), Some(_), _) => {
            found.push(section("pump", vec![format!("wear = {wear:.3}")], &[], vec![Assumed::DepthAsSetUp]));
        }
        (_, _, Some(capacity)) => {
            if let Some(wear) = wear_alone(table, fit.level, capacity) {
                let assumes = vec![Assumed::FilterAsSetUp, Assumed::DepthAsSetUp];
                found.push(section("pump", vec![format!("wear = {wear:.3}")], &[], assumes));
            }
        }
        (_, _, None) => {}
    }
    if let Some(resistance) = told(Subject::Filter) {
        let line = format!("r_s2_per_m6 = {resistance:.3}");
        found.push(section("filter", vec![line], &["drop_mbar", "at_m3_h"], vec![]));
    }
    if let Some(hose) = told(Subject::Hose) {
        let potential = fit.level.below(table.air.room).potential_below(table.air.room).pascals_squared();
        let leak = hose * potential / table.air.room.pascals() * 3600.0;
        let lines =
            vec![format!("leak_m3_h = {leak:.3}"), format!("leak_at_mbar = {:.0}", fit.level.pascals() / 100.0)];
        found.push(section("manifold", lines, &[], vec![]));
    }
    if let Some(through) = told(Subject::Through) {
        found.push(board_lines(table, fit, through, told(Subject::Along)));
    }
    found
}

fn board_lines(table: &Table, fit: &SurveyFit, through: f64, along: Option<f64>) -> ForSetup {
    // Where the flow along the board is not told, it keeps the proportion that the setup has.
    let assumed = |of| fit.estimate(of).map_or(f64::NAN, |estimate| estimate.assumed);
    let more = through / assumed(Subject::Through);
    let more_along = along.map_or(more, |along| along / assumed(Subject::Along));
    let lines = |layer: &Layer| {
        let (through, along) = (layer.through.square_metres() * more, layer.along.square_metres() * more_along);
        [format!("along_m2 = {along:.2e}"), format!("through_m2 = {through:.2e}")]
    };
    let mut assumes = vec![Assumed::AsItLies];
    if along.is_none() {
        assumes.push(Assumed::AlongInProportion);
    }
    let instead_of = ["class", "density_kg_m3", "faces"].map(str::to_owned);
    let layers = &table.board.layers;
    if let [only] = layers.as_slice() {
        let instead_of = instead_of.to_vec();
        return ForSetup { section: "board".to_owned(), lines: lines(only).to_vec(), instead_of, assumes };
    }
    assumes.push(Assumed::LayersInProportion);
    let each = layers.iter().flat_map(|layer| {
        let thickness = format!("thickness_mm = {:.2}", layer.thickness.millimetres());
        ["[[board.layer]]".to_owned(), thickness].into_iter().chain(lines(layer))
    });
    let instead_of = instead_of.into_iter().chain(["thickness_mm".to_owned()]).collect();
    ForSetup { section: "board".to_owned(), lines: each.collect(), instead_of, assumes }
}

/// What would be left of the pump if it alone, with the setup's filter and depth, made the capacity in m³/h that was found at a level.
fn wear_alone(table: &Table, level: Vacuum, capacity: f64) -> Option<f64> {
    let mut table = table.clone();
    table.manifold.bleed = SquareConductance::ZERO;
    table.manifold.relief = None;
    let nothing = ZoneMatrix::zeros(table.plenum.zones.len());
    let mut drawn = |wear: f64| {
        table.pump.wear = wear;
        leak_to_reach(&table, ZoneSet::EMPTY, &nothing, Tap::Manifold, level).m3_per_h()
    };
    // The limits that a setup has for it.
    let (mut low, mut high) = (0.1, 1.2);
    if drawn(low) > capacity || drawn(high) < capacity {
        return None;
    }
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if drawn(middle) < capacity {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(0.5 * (low + high))
}
