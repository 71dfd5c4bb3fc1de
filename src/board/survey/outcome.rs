//! What a survey came to: numbers with their errors, what the readings could not say, and the reading to take next.

use nalgebra::{DMatrix, SymmetricEigen};
use serde::{Deserialize, Serialize};

use super::alone::{alone, only_zone};
use super::model::{Anchor, Guess, SurveyModel, Unknown, seal, whole_spread};
use super::{Cover, Place, Side, Trial};
use crate::stats::{Fit, normal_quantile};
use crate::table::{Relief, Rim, Table, Tap, ValveLaw, ZoneId, ZoneSet, leak_to_reach};
use crate::units::{AbsolutePressure, Length, SquareConductance, Vacuum};

/// What a number is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Subject {
    /// The free air in m³/h that pump and filter together draw at the manifold at [`SurveyFit::level`].
    SuctionCapacity,
    /// The free air in m³/h that leaks at that level with film over the board.
    CoveredLeak,
    /// What is left of the pump's flow, 1 as new.
    Pump,
    /// The level in Pa at which the pump moves nothing.
    Deepest,
    /// The filter's resistance in s²/m⁶.
    Filter,
    /// The board's permeability through it, in m², of its core if it has layers.
    Through,
    /// The same along it.
    Along,
    /// What leaks in through the covered face, as conductance per area in m.
    Face,
    /// A side's seal, as conductance per area in m.
    Rim(Side),
    /// A seam's conductance per metre, in m².
    Seam(usize),
    /// The leak of manifold and hoses, in m³/(s·Pa).
    Hose,
    /// A zone's valve and hose: its resistance in s²/m⁶, or its sonic conductance in m³/(s·Pa).
    Valve(ZoneId),
    /// The leak of a zone's own plenum, in m³/(s·Pa).
    ZoneLeak(ZoneId),
}

/// One number.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// Of what.
    pub of: Subject,
    /// The most likely value, in the subject's unit.
    pub value: f64,
    /// What the setup has it to be.
    pub assumed: f64,
    /// The 95 % interval.
    pub interval: (f64, f64),
    /// The standard error of its logarithm: 0.1 is about 10 %.
    pub error: f64,
    /// Whether the readings carry it; if not, value and interval are hardly more than what was believed before.
    pub told: bool,
}

/// Numbers that the readings do not tell: one alone, or several that only stand together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Untold {
    /// Of what.
    pub of: Vec<Subject>,
}

/// How a reading lies beside the fit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Residual {
    /// What the fit would have read.
    pub fitted: Vacuum,
    /// What was read less that, in standard errors.
    pub errors: f64,
    /// Its weight in the fit, 1 unless it lies far off.
    pub weight: f64,
}

/// A reading worth taking.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Proposal {
    /// What to do.
    pub trial: Trial,
    /// The sum of the logarithms by which it is expected to narrow the errors.
    pub gain: f64,
    /// What it narrows most.
    pub of: Subject,
}

/// What a survey came to.
#[derive(Clone, Debug, Serialize)]
pub struct SurveyFit {
    /// The level at which flows are told: the median of what was read over open zones.
    pub level: Vacuum,
    /// The numbers, first the two that stand for many.
    pub estimates: Vec<Estimate>,
    /// Correlations of the logarithms of the estimates after the first two, in their order.
    pub correlation: Vec<Vec<f64>>,
    /// What the readings could not say.
    pub untold: Vec<Untold>,
    /// The readings beside the fit, in their order.
    pub residuals: Vec<Residual>,
    /// By how much the intervals are widened because the readings scatter more than they should.
    pub widened: f64,
    /// Readings that should be taken once more: of one zone alone, taken once, and saying of its valve what no other zone says. What they
    /// say of it is not told.
    pub alone: Vec<usize>,
    /// The readings worth taking next, the best first.
    pub next: Vec<Proposal>,
    /// The table at the most likely numbers.
    #[serde(skip)]
    pub table: Table,
    #[serde(skip)]
    pub(super) anchor: Anchor,
    #[serde(skip)]
    pub(super) at: Vec<f64>,
}

/// The standard error up to which a number is told.
const TOLD: f64 = 0.35;
/// The share of the error believed before that the readings must take away.
const LEARNED: f64 = 0.5;
/// The share in an unseen direction by which two numbers count as standing together.
const TOGETHER: f64 = 0.15;
/// Proposals given.
const PROPOSALS: usize = 3;
/// The spread of a reading that is to be taken.
const USUAL_SPREAD: Vacuum = Vacuum::from_pascals(200.0);

impl SurveyFit {
    pub(super) fn of(model: &SurveyModel<'_>, fit: &Fit) -> Self {
        let readings = model.readings.len();
        let residuals = residuals(model, fit);
        let scatter: f64 = residuals.iter().map(|residual| residual.weight * residual.errors.powi(2)).sum();
        let widened = (scatter / readings as f64).sqrt().max(1.0);
        let covariance = scaled(fit.covariance(), widened * widened);
        let level = usual_level(model);
        let here = Standing { model, at: &fit.values, covariance: &covariance, level };
        let shown: Vec<usize> = (0..model.parameters.len()).filter(|place| here.subject(*place).is_some()).collect();
        let mut estimates = vec![here.capacity(), here.covered_leak()];
        estimates.extend(shown.iter().filter_map(|place| here.estimate(*place)));
        let alone = alone(model, &fit.values);
        let mut untold = here.untold(fit, &shown);
        for zone in alone.iter().filter_map(|place| only_zone(&model.readings[*place].trial)) {
            disown(zone, &mut estimates, &mut untold);
        }
        let correlation = |row: &usize| -> Vec<f64> {
            let of = |column: &usize| {
                covariance[*row][*column] / (covariance[*row][*row] * covariance[*column][*column]).sqrt()
            };
            shown.iter().map(of).collect()
        };
        SurveyFit {
            level,
            correlation: shown.iter().map(correlation).collect(),
            untold,
            residuals,
            widened,
            alone,
            next: here.proposals(&shown),
            table: model.table_at(&fit.values),
            anchor: model.anchor.clone().unwrap_or_else(Anchor::none),
            at: fit.values.clone(),
            estimates,
        }
    }

    /// The estimate of a subject.
    pub fn estimate(&self, of: Subject) -> Option<&Estimate> {
        self.estimates.iter().find(|estimate| estimate.of == of)
    }

    /// Whether suction capacity and permeability through the board are known to this share, and what leaks under film to
    /// twice of it.
    pub fn reaches(&self, wanted: f64) -> bool {
        [(Subject::SuctionCapacity, wanted), (Subject::Through, wanted), (Subject::CoveredLeak, 2.0 * wanted)]
            .into_iter()
            .all(|(of, wanted)| self.estimate(of).is_some_and(|estimate| estimate.told && estimate.error <= wanted))
    }
}

/// Takes back what is told of one zone's valve and leak.
fn disown(zone: ZoneId, estimates: &mut [Estimate], untold: &mut Vec<Untold>) {
    let own = [Subject::Valve(zone), Subject::ZoneLeak(zone)];
    for estimate in estimates.iter_mut().filter(|estimate| estimate.told && own.contains(&estimate.of)) {
        estimate.told = false;
        untold.push(Untold { of: vec![estimate.of] });
    }
}

fn residuals(model: &SurveyModel<'_>, fit: &Fit) -> Vec<Residual> {
    let each = model.readings.iter().zip(&fit.residuals).zip(&fit.weights);
    each.map(|((reading, off), weight)| Residual {
        fitted: reading.level + Vacuum::from_pascals(off * whole_spread(reading.spread, reading.level)),
        errors: -off,
        weight: *weight,
    })
    .collect()
}

fn scaled(mut covariance: Vec<Vec<f64>>, factor: f64) -> Vec<Vec<f64>> {
    covariance.iter_mut().flatten().for_each(|entry| *entry *= factor);
    covariance
}

/// The median level over open zones at the manifold, or half the room's pressure.
fn usual_level(model: &SurveyModel<'_>) -> Vacuum {
    let open = model.readings.iter().filter(|reading| !reading.trial.open.is_empty());
    let levels: Vec<f64> =
        open.filter(|reading| reading.trial.place == Place::Manifold).map(|reading| reading.level.pascals()).collect();
    let half = 0.5 * model.table.air.room.pascals();
    Vacuum::from_pascals(crate::stats::median(&levels).unwrap_or(half))
}

/// A fit's numbers with their errors.
struct Standing<'m> {
    model: &'m SurveyModel<'m>,
    at: &'m [f64],
    covariance: &'m [Vec<f64>],
    level: Vacuum,
}

impl Standing<'_> {
    fn subject(&self, place: usize) -> Option<Subject> {
        match self.model.parameters[place].unknown {
            Unknown::Pump => Some(Subject::Pump),
            Unknown::Depth => Some(Subject::Deepest),
            Unknown::Filter => Some(Subject::Filter),
            Unknown::Through => Some(Subject::Through),
            Unknown::Ratio => Some(Subject::Along),
            Unknown::Face => Some(Subject::Face),
            Unknown::Rim(side) => Some(Subject::Rim(side)),
            Unknown::Seam(seam) => Some(Subject::Seam(seam)),
            Unknown::Hose => Some(Subject::Hose),
            Unknown::Valve(zone) => Some(Subject::Valve(zone)),
            Unknown::ZoneLeak(zone) => Some(Subject::ZoneLeak(zone)),
            Unknown::Uneven(_) | Unknown::Hole | Unknown::Offset => None,
        }
    }

    /// The variance of a sum of logarithms.
    fn variance(&self, weights: &[(usize, f64)]) -> f64 {
        let row = |(row, by): &(usize, f64)| -> f64 {
            weights.iter().map(|(column, other)| by * other * self.covariance[*row][*column]).sum()
        };
        weights.iter().map(row).sum::<f64>().max(0.0)
    }

    fn estimate(&self, place: usize) -> Option<Estimate> {
        let of = self.subject(place)?;
        let parameter = self.model.parameters[place];
        let (mut weights, mut before) = (vec![(place, 1.0)], parameter.spread);
        // Along the board is the ratio times what is through it.
        if of == Subject::Along {
            let through = self.place(Unknown::Through)?;
            weights.push((through, 1.0));
            before = before.hypot(self.model.parameters[through].spread);
        }
        let error = self.variance(&weights).sqrt();
        let value = measured(of, &self.model.table_at(self.at), self.film(self.at))?;
        let nothing = vec![0.0; self.at.len()];
        let assumed = measured(of, &self.model.table_at(&nothing), self.film(&nothing))?;
        Some(told(of, value, assumed, error, before))
    }

    fn film(&self, at: &[f64]) -> f64 {
        1.0 / self.model.film_at(at).per_metre()
    }

    fn place(&self, unknown: Unknown) -> Option<usize> {
        self.model.parameters.iter().position(|parameter| parameter.unknown == unknown)
    }

    /// A flow that follows from several numbers: its error by its slopes.
    fn flow(&self, of: Subject, flow: impl Fn(&Guess) -> f64, unknowns: &[Unknown]) -> Estimate {
        let value = flow(&self.model.guess(self.at));
        let assumed = flow(&self.model.guess(&vec![0.0; self.at.len()]));
        let weights: Vec<(usize, f64)> = unknowns
            .iter()
            .filter_map(|unknown| self.place(*unknown))
            .map(|place| {
                let mut there = self.at.to_vec();
                there[place] += 0.01;
                (place, (flow(&self.model.guess(&there)) / value).ln() / 0.01)
            })
            .collect();
        let before: f64 = weights.iter().map(|(place, by)| (by * self.model.parameters[*place].spread).powi(2)).sum();
        told(of, value, assumed, self.variance(&weights).sqrt(), before.sqrt())
    }

    fn capacity(&self) -> Estimate {
        let drawn = |guess: &Guess| {
            let mut table = guess.table.clone();
            table.manifold.bleed = SquareConductance::ZERO;
            table.manifold.relief = None::<Relief>;
            leak_to_reach(&table, ZoneSet::EMPTY, &guess.film, Tap::Manifold, self.level).m3_per_h()
        };
        self.flow(Subject::SuctionCapacity, drawn, &[Unknown::Pump, Unknown::Depth, Unknown::Filter])
    }

    fn covered_leak(&self) -> Estimate {
        let zones = self.model.table.plenum.zones.len();
        let v = self.level.below(self.model.table.air.room).potential_below(self.model.table.air.room);
        let leaks = |guess: &Guess| {
            let ids = || (0..zones).map(|zone| ZoneId(u8::try_from(zone).unwrap_or(u8::MAX)));
            let board: f64 =
                ids().flat_map(|row| ids().map(move |column| (row, column))).map(|(r, c)| guess.film.get(r, c)).sum();
            let board = board / (2.0 * guess.table.air.viscosity.pascal_seconds());
            let own: f64 = guess.table.plenum.zones.iter().map(|zone| zone.leak.m3_per_s_pa()).sum();
            let all = board + own + guess.table.manifold.bleed.m3_per_s_pa();
            all * v.pascals_squared() / guess.table.air.room.pascals() * 3600.0
        };
        let unknowns: Vec<Unknown> = self.model.parameters.iter().map(|parameter| parameter.unknown).collect();
        self.flow(Subject::CoveredLeak, leaks, &unknowns)
    }

    /// The directions that the readings feel less than what was believed before, as shares of each pair of numbers.
    fn unseen(&self, fit: &Fit) -> DMatrix<f64> {
        let (readings, count) = (self.model.readings.len(), self.at.len());
        let felt = DMatrix::from_fn(readings, count, |row, column| {
            fit.slopes[column][row] * self.model.parameters[column].spread * fit.weights[row].sqrt()
        });
        let parts = SymmetricEigen::new(felt.tr_mul(&felt));
        let mut unseen = DMatrix::zeros(count, count);
        for (value, direction) in parts.eigenvalues.iter().zip(parts.eigenvectors.column_iter()) {
            if *value < 1.0 / (LEARNED * LEARNED) - 1.0 {
                unseen += direction * direction.transpose();
            }
        }
        unseen
    }

    fn untold(&self, fit: &Fit, shown: &[usize]) -> Vec<Untold> {
        let unseen = self.unseen(fit);
        let open: Vec<usize> = shown
            .iter()
            .copied()
            .filter(|place| self.estimate(*place).is_some_and(|estimate| !estimate.told))
            .collect();
        let mut groups: Vec<Vec<usize>> = Vec::new();
        for place in open {
            let joined = |group: &Vec<usize>| group.iter().any(|other| unseen[(place, *other)].abs() > TOGETHER);
            let (mut with, without): (Vec<_>, Vec<_>) = groups.into_iter().partition(joined);
            groups = without;
            let mut group: Vec<usize> = with.drain(..).flatten().collect();
            group.push(place);
            group.sort_unstable();
            groups.push(group);
        }
        groups.sort();
        let named = |group: &Vec<usize>| group.iter().filter_map(|place| self.subject(*place)).collect();
        groups.iter().map(|group| Untold { of: named(group) }).collect()
    }

    fn proposals(&self, shown: &[usize]) -> Vec<Proposal> {
        let trials = candidates(self.model.table);
        let room = self.model.table.air.room;
        let asked: Vec<(Trial, AbsolutePressure)> = trials.iter().map(|trial| (*trial, room)).collect();
        let slopes = self.model.slopes_of(self.at, &asked);
        let guess = self.model.guess(self.at);
        let mut proposals: Vec<Proposal> = trials
            .iter()
            .enumerate()
            .filter_map(|(place, trial)| {
                let slope: Vec<f64> = slopes.iter().map(|column| column[place]).collect();
                self.worth(trial, &slope, whole_spread(USUAL_SPREAD, guess.reads(trial, room)), shown)
            })
            .collect();
        proposals.sort_by(|a, b| b.gain.total_cmp(&a.gain));
        proposals.truncate(PROPOSALS);
        proposals
    }

    /// What one more reading would narrow.
    fn worth(&self, trial: &Trial, slope: &[f64], spread: f64, shown: &[usize]) -> Option<Proposal> {
        let along: Vec<f64> =
            self.covariance.iter().map(|row| row.iter().zip(slope).map(|(entry, slope)| entry * slope).sum()).collect();
        let whole = spread * spread + slope.iter().zip(&along).map(|(slope, along)| slope * along).sum::<f64>();
        let fall =
            |place: &usize| -0.5 * (1.0 - along[*place].powi(2) / (whole * self.covariance[*place][*place])).ln();
        let gain = shown.iter().map(fall).sum();
        let most = shown.iter().max_by(|a, b| fall(a).total_cmp(&fall(b)))?;
        Some(Proposal { trial: *trial, gain, of: self.subject(*most)? })
    }
}

/// Every reading that may be proposed.
fn candidates(table: &Table) -> Vec<Trial> {
    let zones = table.plenum.zones.len();
    let all = ZoneSet::first(zones);
    let alone = || (0..zones).map(|zone| ZoneSet::EMPTY.with(ZoneId(u8::try_from(zone).unwrap_or(u8::MAX))));
    let plain = |cover, open| Trial { cover, open, hole: Length::ZERO, place: Place::Manifold };
    let hole = |open, millimetres| Trial { hole: Length::from_millimetres(millimetres), ..plain(Cover::Film, open) };
    let mut trials = vec![plain(Cover::Film, ZoneSet::EMPTY), plain(Cover::Film, all), plain(Cover::Bare, all)];
    trials.extend([6.0, 12.0, 20.0].map(|millimetres| hole(ZoneSet::EMPTY, millimetres)));
    trials.push(Trial { place: Place::FilterDrop, ..plain(Cover::Bare, all) });
    if zones > 1 {
        trials.extend(
            [Cover::Film, Cover::Bare].into_iter().flat_map(|cover| alone().map(move |open| plain(cover, open))),
        );
    }
    trials
}

/// A number of the table in its subject's unit; `film` is the covered face's conductance per area.
fn measured(of: Subject, table: &Table, film: f64) -> Option<f64> {
    let layer = table.board.layers.iter().max_by(|a, b| a.thickness.metres().total_cmp(&b.thickness.metres()))?;
    let rims = &table.board.rims;
    let conductance = |rim: Rim| 1.0 / seal(rim).per_metre();
    Some(match of {
        Subject::Pump => table.pump.wear,
        Subject::Deepest => table.pump.ultimate().vacuum_below(table.air.room).pascals(),
        Subject::Filter => table.filter.s2_per_m6(),
        Subject::Through => layer.through.square_metres(),
        Subject::Along => layer.along.square_metres(),
        Subject::Face => film,
        Subject::Rim(Side::XMin) => conductance(rims.x_min),
        Subject::Rim(Side::XMax) => conductance(rims.x_max),
        Subject::Rim(Side::YMin) => conductance(rims.y_min),
        Subject::Rim(Side::YMax) => conductance(rims.y_max),
        Subject::Seam(seam) => table.board.seams.get(seam)?.conductance_m2,
        Subject::Hose => table.manifold.bleed.m3_per_s_pa(),
        Subject::ZoneLeak(zone) => table.plenum.zones.get(usize::from(zone.0))?.leak.m3_per_s_pa(),
        Subject::Valve(zone) => match table.plenum.zones.get(usize::from(zone.0))?.valve {
            ValveLaw::IsothermalPipe(resistance) => resistance.s2_per_m6(),
            ValveLaw::Iso6358 { sonic_conductance, .. } => sonic_conductance,
        },
        Subject::SuctionCapacity | Subject::CoveredLeak => return None,
    })
}

fn told(of: Subject, value: f64, assumed: f64, error: f64, before: f64) -> Estimate {
    let reach = (normal_quantile(0.975) * error).exp();
    Estimate {
        of,
        value,
        assumed,
        interval: (value / reach, value * reach),
        error,
        told: error <= TOLD && error <= LEARNED * before,
    }
}
