//! Readings that nobody else speaks for: of one zone open alone, taken once, and saying of that zone what no other zone says.
//!
//! Such a reading is either a valve that is half shut or a hose that is off, or simply wrong: a valve forgotten, a film that slipped. The
//! fit cannot tell, for each zone's valve has a number of its own. It is to be taken a second time before it is believed.

use super::model::{SurveyModel, Unknown, whole_spread};
use super::{Cover, Trial};
use crate::stats::{median, robust_deviation};
use crate::table::ZoneId;
use crate::units::Length;

/// How far off a reading must lie to be asked for again: in robust deviations of the other zones', in its own standard errors, in what
/// the board's usual unevenness over a zone makes, and in pascals. A choice of ours.
const FAR: (f64, f64, f64, f64) = (3.0, 4.0, 1.5, 1000.0);

/// A reading of one zone open alone.
struct Single {
    place: usize,
    zone: ZoneId,
    /// What was read less what it would be if this zone's valve, leak and board were like the other zones'.
    off: f64,
    /// What it would change if the board over this zone were opener by as much as boards usually are uneven.
    uneven: f64,
}

/// The places of such readings.
pub(super) fn alone(model: &SurveyModel<'_>, at: &[f64]) -> Vec<usize> {
    let mut found: Vec<usize> =
        [Cover::Film, Cover::Bare].into_iter().flat_map(|cover| under(model, at, cover)).collect();
    found.sort_unstable();
    found
}

fn under(model: &SurveyModel<'_>, at: &[f64], cover: Cover) -> Vec<usize> {
    let readings = model.readings.iter().enumerate();
    let each: Vec<(usize, ZoneId)> = readings
        .filter(|(_, reading)| reading.trial.cover == cover)
        .filter_map(|(place, reading)| Some((place, only_zone(&reading.trial)?)))
        .collect();
    let singles: Vec<Single> = each
        .iter()
        .map(|(place, zone)| {
            let others = || each.iter().map(|(_, other)| *other).filter(|other| other != zone);
            let reading = &model.readings[*place];
            let usual = model.guess(&like_the_others(model, at, *zone, &others().collect::<Vec<_>>()));
            let expected = usual.reads(&reading.trial, reading.room);
            let opener =
                model.guess(&opener(model, &like_the_others(model, at, *zone, &others().collect::<Vec<_>>()), *zone));
            let uneven = expected.distance(opener.reads(&reading.trial, reading.room)).pascals();
            Single { place: *place, zone: *zone, off: (reading.level - expected).pascals(), uneven }
        })
        .collect();
    singles
        .iter()
        .filter(|single| is_alone(model, single) && is_far(model, single, &singles))
        .map(|s| s.place)
        .collect()
}

/// The zone that a reading is of alone.
pub(super) fn only_zone(trial: &Trial) -> Option<ZoneId> {
    let mut open = trial.open.iter();
    let zone = open.next()?;
    (open.next().is_none() && trial.hole == Length::ZERO).then_some(zone)
}

/// The numbers with one zone's valve, leak and board as they are in the middle of the others.
fn like_the_others(model: &SurveyModel<'_>, at: &[f64], zone: ZoneId, others: &[ZoneId]) -> Vec<f64> {
    let middle = |of: &dyn Fn(ZoneId) -> Unknown| {
        let logarithms: Vec<f64> = others.iter().map(|other| model.logarithm(at, of(*other))).collect();
        median(&logarithms).unwrap_or(0.0)
    };
    let (valve, leak) = (middle(&Unknown::Valve), middle(&Unknown::ZoneLeak));
    let uneven = middle(&Unknown::Uneven);
    let each = model.parameters.iter().zip(at);
    each.map(|(parameter, x)| match parameter.unknown {
        Unknown::Valve(of) if of == zone => valve,
        Unknown::ZoneLeak(of) if of == zone => leak,
        Unknown::Uneven(of) if of == zone => uneven,
        _ => *x,
    })
    .collect()
}

/// The numbers with the board over one zone opener by one standard deviation of what is believed.
fn opener(model: &SurveyModel<'_>, at: &[f64], zone: ZoneId) -> Vec<f64> {
    let each = model.parameters.iter().zip(at);
    each.map(|(parameter, x)| if parameter.unknown == Unknown::Uneven(zone) { x + parameter.spread } else { *x })
        .collect()
}

fn is_alone(model: &SurveyModel<'_>, single: &Single) -> bool {
    let trial = &model.readings[single.place].trial;
    model.readings.iter().filter(|reading| reading.trial == *trial).count() == 1
}

/// With fewer than two other zones there is nothing to compare with.
fn is_far(model: &SurveyModel<'_>, single: &Single, singles: &[Single]) -> bool {
    let others: Vec<f64> = singles.iter().filter(|other| other.zone != single.zone).map(|other| other.off).collect();
    let (Some(middle), Some(scatter), true) = (median(&others), robust_deviation(&others), others.len() > 1) else {
        return false;
    };
    let reading = &model.readings[single.place];
    let own = whole_spread(reading.spread, reading.level);
    (single.off - middle).abs() > (FAR.0 * scatter).max(FAR.1 * own).max(FAR.2 * single.uneven).max(FAR.3)
}
