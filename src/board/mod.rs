//! The board's wear: what each seated sheet leaks over what it should, the trend of that since the last skim, and the care
//! that it asks for.
//!
//! A skim resets the face and a seal resets the rims, so no pair of sheets is ever compared across one; only the slope is taken
//! to be the same in every run between two. Sheets that lie far off the robust line of their run, a warped one say, have no
//! part in the trend. The end of the interval is Fieller's, and where the sheets do not say when, the answer is unknown.

pub mod advice;
mod book;
pub mod causes;
mod decision;
mod moisture;
mod outlook;
pub mod pumps;
mod range;
pub mod scars;
pub mod sealing;
pub mod skim;
pub mod survey;
mod terms;

pub use book::{Book, PumpClock, SheetEnd, thickness};
pub use decision::{Care, CarePlan, Cost, Prospect, Renewal, Upkeep, UpkeepFault};
pub use outlook::{Ask, CareAhead, Money, Outlook, SealGain, likely};
pub use range::OutOfRange;
pub use terms::{Figure, Terms};

use serde::{Deserialize, Serialize};

use crate::moment::Steady;
use crate::stats::{Drift, Line, kendall, median, robust_deviation};
use crate::units::{Length, Vacuum};

/// What one seated sheet says about the board.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trace {
    /// When it seated.
    pub at: Steady,
    /// What leaked over what was expected to, 1 as expected.
    pub leak_index: f64,
    /// The standard error of that.
    pub spread: f64,
}

/// Sheets until the leak index meets its limit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SkimDue {
    /// At the trend's own slope; none if it is overdue.
    pub sheets: f64,
    /// The soonest and the latest of the 90 % interval.
    pub interval: (f64, f64),
}

/// A step in the leak index that nobody has told the cause of: downwards a skim or a seal perhaps, upwards a fault.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Jump {
    /// Sheets since it.
    pub sheets_ago: u64,
    /// By what the leak index changed.
    pub by: f64,
}

/// Something done for the board or its pump, after which sheets are not compared with those before.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Deed {
    /// The face was skimmed.
    Skimmed,
    /// Rims and seams were sealed.
    Sealed,
    /// The filter was changed or cleaned.
    FilterChanged,
    /// Another board was fitted.
    BoardChanged,
    /// The pump was serviced.
    PumpServiced,
}

/// What somebody tells of the board.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Told {
    /// This was done, just now; of a skim, what it took off the face if that is known.
    Did(Deed, Option<Length>),
    /// The jump that was asked about came of this; of nothing that anybody did.
    JumpWas(Option<Deed>),
    /// The pressure over the filter was read.
    FilterDrop(Vacuum),
}

/// How fast the leak index rises.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct WearRate {
    /// By what each sheet raises it.
    pub per_sheet: f64,
    /// The standard error of that.
    pub error: f64,
}

/// Care that the board asks for, to be done at leisure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Prompt {
    /// Skim the face.
    Skim,
    /// Seal the rims and seams.
    Seal,
}

/// When the board asks for care.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BoardSettings {
    /// The leak index at which a skim is due.
    pub skim_at: f64,
    /// How many times as much as after the last sealing a freshly skimmed face may leak, before the rims are to be sealed.
    pub seal_at: f64,
}

impl Default for BoardSettings {
    /// A skim at twice the expected leak, sealing when a fresh face leaks half as much again as it did.
    fn default() -> Self {
        BoardSettings { skim_at: 2.0, seal_at: 1.5 }
    }
}

/// One board from its first sheet to its last.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BoardLife {
    settings: BoardSettings,
    runs: Vec<Run>,
    /// Sheets that ever seated.
    seen: u64,
    /// Sheets that had seated when the face was last skimmed.
    skimmed_at: u64,
    /// Whether a skim was asked for since the last one.
    asks_skim: bool,
    /// What a fresh face leaked after the last sealing.
    fresh_when_sealed: Option<f64>,
    /// Up to this sheet jumps were asked about, and nothing had been done.
    #[serde(default)]
    asked_up_to: f64,
}

/// The sheets between two resets.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Run {
    /// Whether it began with a fresh face, and so shows the rims.
    fresh_face: bool,
    /// The leak index of its first sheets.
    first: Vec<f64>,
    /// Number of the sheet and leak index; neighbours are merged when there are too many.
    points: Vec<(f64, f64)>,
}

/// Runs that are remembered.
const MOST_RUNS: usize = 6;
/// Points that are remembered of a run.
const MOST_POINTS: usize = 128;
/// Sheets that the present leak index, and that of a fresh face, are taken from.
const SMOOTHED_OVER: usize = 5;
/// The fewest of them that ask for care: two in five may have been badly seated.
const FEWEST: usize = 5;
/// Sheets further off the robust line than so many robust deviations have no part in the trend.
const FAR_OFF: f64 = 3.5;
/// Jobs of ten sheets that differ by a third in how they wear the board: an assumption, until the sheets show more.
const UNEVEN: f64 = 1.1;
/// The fewest sheets on either side of a jump.
const BESIDE_JUMP: usize = 5;
/// By how many variances times the logarithm of the number of sheets two lines must be better than one (least-squares split;
/// two to three is usual, twice that keeps from asking for nothing).
const JUMP_PENALTY: f64 = 6.0;
/// A rise of fewer standard errors than this is none.
const WEARS: f64 = 2.0;
/// The confidence of the interval.
const CONFIDENCE: f64 = 0.9;

impl BoardLife {
    /// A board that nothing is known of.
    pub fn new(settings: BoardSettings) -> Self {
        BoardLife {
            settings,
            runs: vec![Run::new(true)],
            seen: 0,
            skimmed_at: 0,
            asks_skim: false,
            fresh_when_sealed: None,
            asked_up_to: 0.0,
        }
    }

    /// Other limits from now on.
    pub fn set_limits(&mut self, settings: BoardSettings) {
        if self.settings != settings {
            self.settings = settings;
            self.asks_skim = self.is_worn();
        }
    }

    /// Something was done just now.
    pub fn did(&mut self, deed: Deed) {
        self.did_before(deed, 0);
    }

    /// Something was done before the last so many sheets seated, which begin a run of their own.
    pub fn did_before(&mut self, deed: Deed, sheets: u64) {
        let border = self.seen.saturating_sub(sheets);
        let later = self.runs.last_mut().map(|run| run.split_off(border as f64)).unwrap_or_default();
        match deed {
            Deed::Skimmed => (self.skimmed_at, self.asks_skim) = (border, false),
            Deed::Sealed => self.fresh_when_sealed = None,
            Deed::FilterChanged | Deed::PumpServiced => self.asks_skim = false,
            Deed::BoardChanged => {
                self.runs.clear();
                (self.skimmed_at, self.asks_skim, self.fresh_when_sealed) = (border, false, None);
            }
        }
        self.begin(Run::new(matches!(deed, Deed::Skimmed | Deed::BoardChanged)));
        for (sheet, index) in later {
            self.compare(sheet, index);
        }
    }

    /// The jump that was asked about came of nothing that anybody did: it is not asked about again.
    pub fn jump_was_nothing(&mut self) {
        self.asked_up_to = self.seen as f64;
    }

    /// A sheet seated; one without a finite leak index counts as a sheet only.
    pub fn seated(&mut self, trace: Trace) {
        self.seen += 1;
        if !trace.leak_index.is_finite() {
            return;
        }
        self.compare(self.seen as f64, trace.leak_index);
    }

    fn compare(&mut self, sheet: f64, leak_index: f64) {
        if let Some(run) = self.runs.last_mut() {
            run.push(sheet, leak_index);
        }
        self.asks_skim |= self.is_worn();
        if self.fresh_when_sealed.is_none() {
            self.fresh_when_sealed =
                self.runs.last().filter(|run| run.first.len() == SMOOTHED_OVER).and_then(Run::fresh);
        }
    }

    fn is_worn(&self) -> bool {
        let enough = self.runs.last().is_some_and(|run| run.points.len() >= FEWEST);
        enough && self.leak_index().is_some_and(|index| index >= self.settings.skim_at)
    }

    /// Sheets that ever seated.
    pub fn seen(&self) -> u64 {
        self.seen
    }

    /// Sheets seated since the last skim.
    pub fn sheets(&self) -> u64 {
        self.seen - self.skimmed_at
    }

    /// The newest leak index, the median of the last five sheets since a reset; `None` before the first.
    pub fn leak_index(&self) -> Option<f64> {
        let points = &self.runs.last()?.points;
        let newest: Vec<f64> = points.iter().rev().take(SMOOTHED_OVER).map(|point| point.1).collect();
        if newest.len() < FEWEST { newest.first().copied() } else { median(&newest) }
    }

    /// What a freshly skimmed face leaks over what was expected to: the rims' and seams' share; `None` for unknown.
    pub fn rim_index(&self) -> Option<f64> {
        self.runs.last()?.fresh()
    }

    fn drift(&self) -> Option<Drift> {
        let runs: Vec<&[(f64, f64)]> = self.runs.iter().map(|run| run.points.as_slice()).collect();
        let slope = kendall(&runs)?.slope;
        let kept: Vec<Vec<(f64, f64)>> = near_the_line(&runs, slope);
        Drift::fit(&kept.iter().map(Vec::as_slice).collect::<Vec<_>>(), UNEVEN).filter(|drift| drift.slope > 0.0)
    }

    /// How fast the leak index rises; `None` for unknown, where the sheets do not say that it rises at all.
    pub fn wear(&self) -> Option<WearRate> {
        let drift = self.drift()?;
        let (per_sheet, error) = (drift.slope, drift.slope_error());
        (per_sheet > WEARS * error).then_some(WearRate { per_sheet, error })
    }

    /// When a skim is due by the trend since the last one; `None` for unknown.
    pub fn skim_due(&self) -> Option<SkimDue> {
        let crossing = self.drift()?.meets(self.settings.skim_at, CONFIDENCE)?;
        let left = |sheet: f64| (sheet - self.seen as f64).max(0.0);
        let (soonest, latest) = crossing.interval;
        Some(SkimDue { sheets: left(crossing.x), interval: (left(soonest), left(latest)) })
    }

    /// The clearest jump since the last skim or seal, to be asked about; never taken as one by itself.
    pub fn jump(&self) -> Option<Jump> {
        let points = &self.runs.last()?.points;
        let whole = Line::fit(&[points])?;
        let about = |line: &Line| line.deviation.powi(2) * line.freedom as f64;
        let places = BESIDE_JUMP..(points.len() + 1).saturating_sub(BESIDE_JUMP);
        let splits = places.filter_map(|place| {
            let (before, after) = points.split_at(place);
            Some((place, Line::fit(&[before, after])?))
        });
        let (place, two) = splits.min_by(|(_, a), (_, b)| about(a).total_cmp(&about(b)))?;
        let needed = JUMP_PENALTY * two.deviation.powi(2) * (points.len() as f64).ln();
        if about(&whole) - about(&two) <= needed {
            return None;
        }
        let mean = |points: &[(f64, f64)], of: fn(&(f64, f64)) -> f64| {
            points.iter().map(of).sum::<f64>() / points.len() as f64
        };
        let (before, after) = points.split_at(place);
        let worn = two.slope * (mean(after, |point| point.0) - mean(before, |point| point.0));
        let by = mean(after, |point| point.1) - mean(before, |point| point.1) - worn;
        let last_before = points[place - 1].0;
        let sheets_ago = (self.seen as f64 - last_before).max(0.0) as u64;
        (last_before >= self.asked_up_to).then_some(Jump { sheets_ago, by })
    }

    /// What the board asks for now.
    pub fn prompts(&self) -> Vec<Prompt> {
        let leaky = self
            .rim_index()
            .is_some_and(|fresh| fresh >= self.settings.seal_at * self.fresh_when_sealed.unwrap_or(1.0).max(1.0));
        let asked = [(self.asks_skim, Prompt::Skim), (leaky, Prompt::Seal)];
        asked.into_iter().filter(|(asked, _)| *asked).map(|(_, prompt)| prompt).collect()
    }

    fn begin(&mut self, run: Run) {
        self.runs.retain(|run| !run.points.is_empty());
        if self.runs.len() >= MOST_RUNS {
            self.runs.remove(0);
        }
        self.runs.push(run);
    }
}

impl Run {
    fn new(fresh_face: bool) -> Self {
        Run { fresh_face, first: Vec::new(), points: Vec::new() }
    }

    fn push(&mut self, sheet: f64, leak_index: f64) {
        if self.first.len() < SMOOTHED_OVER {
            self.first.push(leak_index);
        }
        self.points.push((sheet, leak_index));
        if self.points.len() > MOST_POINTS {
            let middle = |pair: &[(f64, f64)]| {
                let count = pair.len() as f64;
                (pair.iter().map(|p| p.0).sum::<f64>() / count, pair.iter().map(|p| p.1).sum::<f64>() / count)
            };
            self.points = self.points.chunks(2).map(middle).collect();
        }
    }

    /// Takes away the points after a sheet.
    fn split_off(&mut self, sheet: f64) -> Vec<(f64, f64)> {
        let kept = self.points.partition_point(|point| point.0 <= sheet);
        self.first.truncate(kept);
        self.points.split_off(kept)
    }

    /// The leak index of its fresh face, if it began with one and enough sheets are known.
    fn fresh(&self) -> Option<f64> {
        if self.fresh_face && self.first.len() >= FEWEST { median(&self.first) } else { None }
    }
}

/// Each run without the points that are far off a line of this slope through its middle.
fn near_the_line(runs: &[&[(f64, f64)]], slope: f64) -> Vec<Vec<(f64, f64)>> {
    let above = |run: &[(f64, f64)]| -> Vec<f64> {
        let heights: Vec<f64> = run.iter().map(|(x, y)| y - slope * x).collect();
        let middle = median(&heights).unwrap_or(0.0);
        heights.into_iter().map(|height| height - middle).collect()
    };
    let off: Vec<Vec<f64>> = runs.iter().map(|run| above(run)).collect();
    let far = FAR_OFF * robust_deviation(&off.concat()).unwrap_or(0.0);
    let near = |(run, off): (&&[(f64, f64)], &Vec<f64>)| -> Vec<(f64, f64)> {
        run.iter().zip(off).filter(|(_, off)| off.abs() <= far).map(|(point, _)| *point).collect()
    };
    runs.iter().zip(&off).map(near).collect()
}
