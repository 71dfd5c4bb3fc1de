//! The slow causes of a leak, parted across sheets that used different zones and covers.
//!
//! What a sheet leaks beyond its expectation is taken as a sum: so much for each square metre of face that it covers, so much for
//! each metre of rim beside its open zones, and a share of everything, since a pump or filter that has grown weak makes the whole
//! table look leakier by one factor. Least squares with a weak belief that each lies within twice the expected leak; a sheet that lies
//! far off counts less (Huber). Sheets that all lie alike cannot part the three, and then no share is told. A second fit gives each side
//! and each seam a share of its own, which is told where the zones that were open part it from the others.

use serde::{Deserialize, Serialize};

use super::sealing::Bead;
use super::survey::Side;
use crate::stats::{Model, least_squares, robust_deviation, student_quantile};
use crate::table::{Board, Point, Rect, Seam, Table, ZoneSet};
use crate::units::{Area, FreeAirFlow, Length, SquareConductance, Vacuum};

/// Where a sheet lay: what it covered, and the rims and seams beside its open zones.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Lie {
    /// The board that it covers over its open zones.
    pub covered: Area,
    /// The rim of each side beside them, in the order of [`Side::ALL`].
    pub sides: [Length; 4],
    /// How much of each seam lies over them, in the setup's order.
    pub seams: Vec<Length>,
}

/// What one seated sheet leaked.
#[derive(Clone, Debug, PartialEq)]
pub struct SheetLeak {
    /// What it should leak, all told.
    pub expected: SquareConductance,
    /// What it leaked by the level and the pump's curve.
    pub measured: SquareConductance,
    /// The standard error of that.
    pub spread: SquareConductance,
    /// Where it lay.
    pub lie: Lie,
}

impl SheetLeak {
    /// A sheet's leak at its level, by what the pump was expected to move, and what leaked beyond that with its standard error; none
    /// without a level.
    pub fn by_flows(
        table: &Table,
        level: Vacuum,
        expected: FreeAirFlow,
        (extra, spread): (FreeAirFlow, FreeAirFlow),
        lie: Lie,
    ) -> Option<Self> {
        let room = table.air.room;
        let potential = level.below(room).potential_below(room).pascals_squared();
        let conductance =
            |flow: FreeAirFlow| SquareConductance::from_m3_per_s_pa(flow.m3_per_s() * room.pascals() / potential);
        let leak = SheetLeak {
            expected: conductance(expected),
            measured: conductance(expected + extra),
            spread: conductance(spread),
            lie,
        };
        (potential > 0.0).then_some(leak)
    }
}

/// One cause's part, as a share of what the mean sheet should leak.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// The most likely share.
    pub share: f64,
    /// Its 95 % interval.
    pub interval: (f64, f64),
    /// Whether the sheets carry it: its interval reaches no more than a quarter of the expected leak either way.
    pub told: bool,
}

impl Part {
    /// Whether it leaks more than it should for certain.
    pub fn leaks(&self) -> bool {
        self.told && self.interval.0 > 0.0
    }
}

/// The parts of the leak beyond expectation.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Causes {
    /// Sheets that they stand on.
    pub sheets: usize,
    /// The scarred face.
    pub face: Part,
    /// Rims and seams.
    pub rim: Part,
    /// A pump or filter that has grown weak.
    pub suction: Part,
    /// All three together, which is told even where they cannot be parted.
    pub together: Part,
    /// Each side and seam that any of the sheets lay beside.
    pub beads: Vec<(Bead, Part)>,
}

/// The fewest sheets that are looked at.
const FEWEST: usize = 6;
/// A belief's standard deviation, as a share of the expected leak.
const BELIEF: f64 = 2.0;
/// The interval's reach up to which a share is told.
const TOLD: f64 = 0.25;
/// The scatter is taken from the middle of the sheets, which knows it as well as so small a share of them would by their squares
/// (the efficiency of the median of absolute deviations; Huber, Robust Statistics, 1981, 5.1).
const EFFICIENCY: f64 = 0.37;
/// A zone nearer to a side than this is beside its rim.
const BESIDE: Length = Length::from_millimetres(100.0);

impl Lie {
    /// How a sheet lay on `rect` with the zones of `open`.
    pub fn of(table: &Table, open: ZoneSet, rect: &Rect) -> Self {
        let zones = || open.iter().filter_map(|zone| table.plenum.zones.get(usize::from(zone.0)));
        let rects = || zones().flat_map(|zone| &zone.rects);
        Lie {
            covered: rects().map(|zone| common(zone, rect)).sum(),
            sides: Side::ALL.map(|side| rects().map(|rect| beside(rect, &table.board, side)).sum()),
            seams: table.board.seams.iter().map(|seam| rects().map(|rect| over(rect, seam)).sum()).collect(),
        }
    }

    /// Rims and seams together.
    pub fn rim(&self) -> Length {
        self.sides.iter().chain(&self.seams).copied().sum()
    }

    fn bead(&self, bead: Bead) -> Length {
        match bead {
            Bead::Side(side) => Side::ALL
                .iter()
                .zip(self.sides)
                .find(|(one, _)| **one == side)
                .map_or(Length::ZERO, |(_, length)| length),
            Bead::Seam(place) => self.seams.get(place).copied().unwrap_or(Length::ZERO),
            Bead::All => self.rim(),
        }
    }
}

fn common(a: &Rect, b: &Rect) -> Area {
    let along = a.high.x.min(b.high.x) - a.low.x.max(b.low.x);
    let across = a.high.y.min(b.high.y) - a.low.y.max(b.low.y);
    along.max(Length::ZERO) * across.max(Length::ZERO)
}

fn beside(rect: &Rect, board: &Board, side: Side) -> Length {
    let (distance, length) = match side {
        Side::XMin => (rect.low.x, rect.height()),
        Side::XMax => (board.length - rect.high.x, rect.height()),
        Side::YMin => (rect.low.y, rect.width()),
        Side::YMax => (board.width - rect.high.y, rect.width()),
    };
    if distance < BESIDE { length } else { Length::ZERO }
}

/// How much of a seam lies over a zone, the zone's reach beside it counted in.
fn over(rect: &Rect, seam: &Seam) -> Length {
    let low = |a: Length, b: Length| a.min(b) - BESIDE;
    let high = |a: Length, b: Length| a.max(b) + BESIDE;
    let lane = Rect {
        low: Point { x: low(seam.from.x, seam.to.x), y: low(seam.from.y, seam.to.y) },
        high: Point { x: high(seam.from.x, seam.to.x), y: high(seam.from.y, seam.to.y) },
    };
    Length::from_metres(common(rect, &lane).square_metres() / (2.0 * BESIDE.metres()))
}

impl Causes {
    /// The causes behind these sheets, all since the same care; `None` for fewer than six, or for numbers that cannot be.
    pub fn of(sheets: &[SheetLeak]) -> Option<Self> {
        let sound = |sheet: &SheetLeak| {
            let (expected, spread) = (sheet.expected.m3_per_s_pa(), sheet.spread.m3_per_s_pa());
            expected > 0.0 && spread > 0.0 && (expected + spread + sheet.measured.m3_per_s_pa()).is_finite()
        };
        if sheets.len() < FEWEST || !sheets.iter().all(sound) {
            return None;
        }
        let whole = Sum::of(sheets, &[Bead::All]);
        let [face, suction, rim, together] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0; 3]];
        let parts = whole.parts(&[&face, &suction, &rim, &together])?;
        Some(Causes {
            sheets: sheets.len(),
            face: parts[0],
            suction: parts[1],
            rim: parts[2],
            together: parts[3],
            beads: beads(sheets),
        })
    }

    /// The sides and seams that leak for certain, the worst first.
    pub fn leaking(&self) -> Vec<(Bead, Part)> {
        let mut leaking: Vec<(Bead, Part)> = self.beads.iter().filter(|(_, part)| part.leaks()).copied().collect();
        leaking.sort_by(|a, b| b.1.share.total_cmp(&a.1.share));
        leaking
    }
}

/// Each side and seam that a sheet lay beside, with its part; none where there are too few sheets for so many.
fn beads(sheets: &[SheetLeak]) -> Vec<(Bead, Part)> {
    let seams = sheets.iter().map(|sheet| sheet.lie.seams.len()).max().unwrap_or(0);
    let beads = Side::ALL.map(Bead::Side).into_iter().chain((0..seams).map(Bead::Seam));
    let met = |bead: &Bead| sheets.iter().any(|sheet| sheet.lie.bead(*bead) > Length::ZERO);
    let beads: Vec<Bead> = beads.filter(met).collect();
    if sheets.len() < FEWEST + beads.len() {
        return Vec::new();
    }
    let weights: Vec<Vec<f64>> = (0..beads.len())
        .map(|bead| (0..beads.len() + 2).map(|place| if place == bead + 2 { 1.0 } else { 0.0 }).collect())
        .collect();
    let parts = Sum::of(sheets, &beads).parts(&weights.iter().map(Vec::as_slice).collect::<Vec<_>>());
    beads.into_iter().zip(parts.unwrap_or_default()).collect()
}

/// Each sheet's excess in standard errors, and what a unit of each share would make it: the face's, the suction's, then the beads'.
struct Sum {
    excess: Vec<f64>,
    by: Vec<Vec<f64>>,
}

impl Sum {
    fn of(sheets: &[SheetLeak], beads: &[Bead]) -> Self {
        let mean = |of: &dyn Fn(&SheetLeak) -> f64| sheets.iter().map(of).sum::<f64>() / sheets.len() as f64;
        let expected = mean(&|sheet| sheet.expected.m3_per_s_pa());
        let covered = mean(&|sheet| sheet.lie.covered.square_metres());
        let lengths: Vec<f64> = beads.iter().map(|bead| mean(&|sheet| sheet.lie.bead(*bead).metres())).collect();
        let over = |part: f64, whole: f64| if whole > 0.0 { part / whole * expected } else { 0.0 };
        let excess = |sheet: &SheetLeak| {
            (sheet.measured.m3_per_s_pa() - sheet.expected.m3_per_s_pa()) / sheet.spread.m3_per_s_pa()
        };
        let by = |sheet: &SheetLeak| {
            let beads = beads.iter().zip(&lengths).map(|(bead, mean)| over(sheet.lie.bead(*bead).metres(), *mean));
            let first = [over(sheet.lie.covered.square_metres(), covered), sheet.expected.m3_per_s_pa()];
            first.into_iter().chain(beads).map(|leak| leak / sheet.spread.m3_per_s_pa()).collect()
        };
        Sum { excess: sheets.iter().map(excess).collect(), by: sheets.iter().map(by).collect() }
    }

    /// Sums of the shares by these weights, with their intervals; `None` if the sheets' scatter is not known.
    fn parts(&self, weights: &[&[f64]]) -> Option<Vec<Part>> {
        let (sheets, shares) = (self.excess.len(), self.by.first()?.len());
        let fit = least_squares(self, &vec![0.0; shares], &vec![(-20.0, 20.0); shares]);
        let freedom = sheets.checked_sub(shares).filter(|freedom| *freedom > 0)? as f64;
        // The scatter as robust as the fit; so many numbers were fitted to it.
        let off = robust_deviation(&fit.residuals[..sheets])?;
        let scatter = (off * off * sheets as f64 / freedom).max(1.0);
        let t = student_quantile(0.975, (EFFICIENCY * freedom).max(1.0));
        let covariance = fit.covariance();
        let part = |weights: &&[f64]| {
            let share: f64 = weights.iter().zip(&fit.values).map(|(by, value)| by * value).sum();
            let pairs = (0..shares).flat_map(|row| (0..shares).map(move |column| (row, column)));
            let variance: f64 = pairs.map(|(r, c)| weights[r] * weights[c] * covariance[r][c]).sum();
            let reach = t * (variance * scatter).sqrt();
            Part { share, interval: (share - reach, share + reach), told: reach <= TOLD }
        };
        Some(weights.iter().map(part).collect())
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
