//! The survey: a few readings of a table with known covers, zones and holes become its numbers, with what they do not say.
//!
//! Every number is a factor on what the setup assumes, fitted in its logarithm together with a weak belief that it lies within
//! a factor of ten either way (narrower where physics or a plate says more). Where the readings add nothing to that
//! belief, no number is told. Board unevenness, the hole's coefficient and the gauge's offset are fitted along, so that
//! they widen the other intervals as they should. One gauge at the manifold cannot part a weak pump from a loaded filter: both
//! together are the suction capacity.
//!
//! The flow field is solved where the fit stands, and the closed form carries it from there to near values (space mapping,
//! Bandler and others, 1994); the two are made to agree again until the fit no longer moves.
//!
//! The expected gain of a reading is the fall of the logarithms of the standard errors that it would bring (Lindley, 1956; for a
//! normal posterior independent of what will be read).

mod alone;
mod drag;
mod finding;
mod model;
mod outcome;

use serde::{Deserialize, Serialize};

pub use drag::{Friction, Pull, friction};
pub use finding::{Assumed, Finding, ForSetup, for_setup};
pub use outcome::{Estimate, Proposal, Residual, Subject, SurveyFit, Untold};

use crate::stats::least_squares;
use crate::table::field::{NotSettled, Resolution};
use crate::table::{Table, ZoneId, ZoneSet};
use crate::units::{AbsolutePressure, Length, Vacuum};
use model::{Anchor, SurveyModel};

/// What lies on the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cover {
    /// Film over all of it.
    Film,
    /// Nothing.
    Bare,
}

/// What is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// The level at the manifold.
    Manifold,
    /// The level at the pump's inlet, behind the filter.
    PumpInlet,
    /// The difference over the filter.
    FilterDrop,
}

/// What is done to the table for a reading.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trial {
    /// What lies on the board.
    pub cover: Cover,
    /// The open zones; none for the pump alone.
    pub open: ZoneSet,
    /// The diameter of a sharp-edged hole to the room at the manifold; zero for none.
    pub hole: Length,
    /// What is read.
    pub place: Place,
}

/// One settled reading.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// What was done.
    pub trial: Trial,
    /// What was read.
    pub level: Vacuum,
    /// Its standard error, model error not counted.
    pub spread: Vacuum,
    /// The barometer then.
    pub room: AbsolutePressure,
}

/// A side of the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// At x = 0.
    XMin,
    /// At x = length.
    XMax,
    /// At y = 0.
    YMin,
    /// At y = width.
    YMax,
}

impl Side {
    /// All four.
    pub const ALL: [Side; 4] = [Side::XMin, Side::XMax, Side::YMin, Side::YMax];
}

/// Why a survey cannot be fitted.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum SurveyFault {
    /// Nothing to fit.
    #[error("there is no reading; take at least one, `survey --guide` says how")]
    NoReading,
    /// A reading that cannot be.
    #[error(
        "reading {0} cannot be: its level must lie from 0 to the barometer, its spread above 0, its barometer from 500 to 1100 hPa and its hole from 0 to 100 mm"
    )]
    Reading(usize),
    /// A zone that is not there.
    #[error("reading {0} names a zone that the table does not have")]
    Zone(usize),
    /// The board could not be solved.
    #[error(transparent)]
    Field(#[from] NotSettled),
}

/// A table and what was read on it.
#[derive(Clone, Debug)]
pub struct Survey<'a> {
    /// The table as the setup has it.
    pub table: &'a Table,
    /// The readings.
    pub readings: &'a [Reading],
}

/// Rounds of solving the field where the fit stands.
const MOST_ROUNDS: usize = 4;
/// The change of any logarithm, in units of its standard error, below which the field need not be solved again.
const STANDS: f64 = 0.1;

impl Survey<'_> {
    /// The fit, with the board solved at `resolution`.
    ///
    /// # Errors
    /// [`SurveyFault`] for readings that cannot be.
    pub fn fit(&self, resolution: Resolution) -> Result<SurveyFit, SurveyFault> {
        self.check()?;
        let mut model = SurveyModel::new(self.table, self.readings);
        let (mut at, bounds) = (vec![0.0; model.parameters.len()], model.bounds());
        for round in 0..MOST_ROUNDS {
            // The first round only finds where about the fit stands.
            let rough = round == 0 && resolution != Resolution::Preview;
            let resolution = if rough { Resolution::Preview } else { resolution };
            model.anchor = Some(Anchor::solved(&model, &at, resolution)?);
            let fit = least_squares(&model, &at, &bounds);
            let errors = fit.covariance();
            let moved = fit.values.iter().zip(&at).enumerate();
            let most =
                moved.map(|(place, (to, from))| (to - from).abs() / errors[place][place].sqrt()).fold(0.0, f64::max);
            at = fit.values;
            if most < STANDS && !rough {
                break;
            }
        }
        Ok(self.settled_near(&model, &at))
    }

    /// A refit of more readings on the board that an earlier fit solved: quick, and right near it.
    ///
    /// # Errors
    /// As [`Survey::fit`].
    pub fn refit(&self, earlier: &SurveyFit) -> Result<SurveyFit, SurveyFault> {
        self.check()?;
        let mut model = SurveyModel::new(self.table, self.readings);
        model.anchor = Some(earlier.anchor.clone());
        Ok(self.settled_near(&model, &earlier.at))
    }

    fn settled_near(&self, model: &SurveyModel<'_>, at: &[f64]) -> SurveyFit {
        let fit = least_squares(model, at, &model.bounds());
        SurveyFit::of(model, &fit)
    }

    fn check(&self) -> Result<(), SurveyFault> {
        if self.readings.is_empty() {
            return Err(SurveyFault::NoReading);
        }
        let zones = ZoneSet::first(self.table.plenum.zones.len());
        for (place, reading) in self.readings.iter().enumerate() {
            let (level, room) = (reading.level.pascals(), reading.room.pascals());
            let sound = (5e4..=1.1e5).contains(&room)
                && (0.0..room).contains(&level)
                && reading.spread.pascals() > 0.0
                && reading.spread.pascals().is_finite()
                && (0.0..=100.0).contains(&reading.trial.hole.millimetres());
            if !sound {
                return Err(SurveyFault::Reading(place + 1));
            }
            if reading.trial.open.iter().any(|zone: ZoneId| !zones.contains(zone)) {
                return Err(SurveyFault::Zone(place + 1));
            }
        }
        Ok(())
    }
}
