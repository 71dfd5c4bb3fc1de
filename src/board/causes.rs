//! The slow causes of a leak, parted across sheets that used different zones and covers.
//!
//! What a sheet leaks beyond its expectation is taken as a sum: so much for each square metre of face that it covers, so much for
//! each metre of rim beside its open zones, and a share of everything, since a pump or filter that has grown weak makes the whole
//! table look leakier by one factor. Least squares with a weak belief that each lies within twice the expected leak; a sheet that lies
//! far off counts less (Huber). Sheets that all lie alike cannot part the three, and then no share is told.

use serde::Serialize;

use crate::stats::{Model, least_squares, normal_quantile, robust_deviation};
use crate::units::{Area, Length, SquareConductance};

/// What one seated sheet leaked.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SheetLeak {
    /// What it should leak, all told.
    pub expected: SquareConductance,
    /// What it leaked by the level and the pump's curve.
    pub measured: SquareConductance,
    /// The standard error of that.
    pub spread: SquareConductance,
    /// The board that it covers over its open zones.
    pub covered: Area,
    /// The rims and seams beside its open zones.
    pub rim: Length,
}

/// One cause's part, as a share of what the mean sheet should leak.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Part {
    /// The most likely share.
    pub share: f64,
    /// Its 95 % interval.
    pub interval: (f64, f64),
    /// Whether the sheets carry it: its interval reaches no more than a quarter of the expected leak either way.
    pub told: bool,
}

/// The parts of the leak beyond expectation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Causes {
    /// The scarred face.
    pub face: Part,
    /// Rims and seams.
    pub rim: Part,
    /// A pump or filter that has grown weak.
    pub suction: Part,
    /// All three together, which is told even where they cannot be parted.
    pub together: Part,
}

/// The fewest sheets that are looked at.
const FEWEST: usize = 6;
/// A belief's standard deviation, as a share of the expected leak.
const BELIEF: f64 = 2.0;
/// The interval's reach up to which a share is told.
const TOLD: f64 = 0.25;

impl Causes {
    /// The causes behind these sheets, all since the same skim and seal; `None` for fewer than six, or for numbers that cannot be.
    pub fn of(sheets: &[SheetLeak]) -> Option<Self> {
        let sound = |sheet: &SheetLeak| {
            let (expected, spread) = (sheet.expected.m3_per_s_pa(), sheet.spread.m3_per_s_pa());
            expected > 0.0 && spread > 0.0 && (expected + spread + sheet.measured.m3_per_s_pa()).is_finite()
        };
        if sheets.len() < FEWEST || !sheets.iter().all(sound) {
            return None;
        }
        let sum = Sum::of(sheets);
        let fit = least_squares(&sum, &[0.0; 3], &[(-20.0, 20.0); 3]);
        // The scatter as robust as the fit; three numbers were fitted to it.
        let off = robust_deviation(&fit.residuals[..sheets.len()])?;
        let count = sheets.len() as f64;
        let scatter = off * off * count / (count - 3.0);
        let covariance = fit.covariance();
        let part = |weights: [f64; 3]| {
            let share: f64 = weights.iter().zip(&fit.values).map(|(by, value)| by * value).sum();
            let pairs = (0..3).flat_map(|row| (0..3).map(move |column| (row, column)));
            let variance: f64 = pairs.map(|(r, c)| weights[r] * weights[c] * covariance[r][c]).sum();
            let reach = normal_quantile(0.975) * (variance * scatter.max(1.0)).sqrt();
            Part { share, interval: (share - reach, share + reach), told: reach <= TOLD }
        };
        Some(Causes {
            face: part([1.0, 0.0, 0.0]),
            rim: part([0.0, 1.0, 0.0]),
            suction: part([0.0, 0.0, 1.0]),
            together: part([1.0, 1.0, 1.0]),
        })
    }
}

/// Each sheet's excess in standard errors, and what a unit of each share would make it.
struct Sum {
    excess: Vec<f64>,
    by: Vec<[f64; 3]>,
}

impl Sum {
    fn of(sheets: &[SheetLeak]) -> Self {
        let mean = |of: &dyn Fn(&SheetLeak) -> f64| sheets.iter().map(of).sum::<f64>() / sheets.len() as f64;
        let expected = mean(&|sheet| sheet.expected.m3_per_s_pa());
        let (covered, rim) = (mean(&|sheet| sheet.covered.square_metres()), mean(&|sheet| sheet.rim.metres()));
        let over = |part: f64, whole: f64| if whole > 0.0 { part / whole * expected } else { 0.0 };
        let excess = |sheet: &SheetLeak| {
            (sheet.measured.m3_per_s_pa() - sheet.expected.m3_per_s_pa()) / sheet.spread.m3_per_s_pa()
        };
        let by = |sheet: &SheetLeak| {
            let each = [
                over(sheet.covered.square_metres(), covered),
                over(sheet.rim.metres(), rim),
                sheet.expected.m3_per_s_pa(),
            ];
            each.map(|leak| leak / sheet.spread.m3_per_s_pa())
        };
        Sum { excess: sheets.iter().map(excess).collect(), by: sheets.iter().map(by).collect() }
    }
}

impl Model for Sum {
    fn residuals(&self, at: &[f64]) -> Vec<f64> {
        let sheets = self
            .excess
            .iter()
            .zip(&self.by)
            .map(|(excess, by)| by.iter().zip(at).map(|(by, share)| by * share).sum::<f64>() - excess);
        sheets.chain(at.iter().map(|share| share / BELIEF)).collect()
    }

    fn slopes(&self, at: &[f64]) -> Vec<Vec<f64>> {
        let belief = |place: usize| (0..at.len()).map(move |other| if other == place { 1.0 / BELIEF } else { 0.0 });
        (0..at.len()).map(|place| self.by.iter().map(|by| by[place]).chain(belief(place)).collect()).collect()
    }

    fn trusted_to(&self, place: usize) -> f64 {
        if place < self.excess.len() { 1.5 } else { f64::INFINITY }
    }
}
