//! What the model is wrong by, followed.
//!
//! The expected level is never exact. Two filters follow its error, each a Kalman filter of two states. The slow one is of the
//! model: an offset, which walks at random, and a share of the kerf's effect, from the kerf's error as told. The quick one is of
//! whatever the slow one leaves: an offset with a slope, so that all that comes on little by little is followed, whatever its cause.
//! A second-order filter of the time constant M is behind a ramp of r pascals a second by at most 0.46·r·M, soon after its beginning
//! (a critically damped one by r·M/e; text-book results), and then no longer.

use serde::{Deserialize, Serialize};

/// Offset and share, or offset and slope, of expected less live level.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Baseline {
    model: Model,
    /// Pascals, and a share or pascals a second.
    state: [f64; 2],
    /// Covariances 00, 01 and 11.
    covariance: [f64; 3],
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
enum Model {
    /// The kerf's effect is counted from this expected level.
    Kerf {
        from: f64,
    },
    Trend,
}

/// How fast and by how much a baseline may move.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pace {
    /// Seconds since the last reading.
    pub(super) elapsed: f64,
    /// The filter's time constant in seconds.
    pub(super) memory: f64,
    /// The standard deviation of one reading, were readings independent: its noise at zero frequency.
    pub(super) deviation: f64,
}

/// How unsure a slope is at first, in pascals a second.
const SLOPE_UNCERTAIN: f64 = 50.0;

impl Baseline {
    /// The slow one, from one residual with this uncertainty at this expected level; with the share that the kerf's effect may be wrong
    /// by, nought if the expected level does not follow the kerf.
    pub(super) fn of_kerf(error: f64, expected: f64, residual: f64, uncertain: f64) -> Self {
        let model = Model::Kerf { from: expected };
        Baseline { model, state: [residual, 0.0], covariance: [uncertain * uncertain, 0.0, error * error] }
    }

    /// The quick one, from one residual with this uncertainty.
    pub(super) fn of_trend(residual: f64, uncertain: f64) -> Self {
        let covariance = [uncertain * uncertain, 0.0, SLOPE_UNCERTAIN * SLOPE_UNCERTAIN];
        Baseline { model: Model::Trend, state: [residual, 0.0], covariance }
    }

    /// The residual to expect at this expected level, and its standard error.
    pub(super) fn foretell(&self, expected: f64) -> (f64, f64) {
        let [_, kerf] = self.design(expected);
        let [p00, p01, p11] = self.covariance;
        let variance = p00 + 2.0 * kerf * p01 + kerf * kerf * p11;
        (self.state[0] + kerf * self.state[1], variance.max(0.0).sqrt())
    }

    /// Lets time pass.
    pub(super) fn advance(&mut self, pace: Pace) {
        let Pace { elapsed, memory, deviation } = pace;
        let [p00, p01, p11] = self.covariance;
        match self.model {
            Model::Kerf { .. } => self.covariance[0] += (deviation * elapsed / memory).powi(2),
            Model::Trend => {
                self.state[0] += elapsed * self.state[1];
                let jitter = (deviation * elapsed / (memory * memory)).powi(2);
                self.covariance = [p00 + elapsed * (2.0 * p01 + elapsed * p11), p01 + elapsed * p11, p11 + jitter];
            }
        }
    }

    /// Learns from one residual; one that is far out is held to `limit` standard errors.
    pub(super) fn learn(&mut self, expected: f64, residual: f64, pace: Pace, limit: f64) {
        let [one, kerf] = self.design(expected);
        let [p00, p01, p11] = self.covariance;
        let (foretold, error) = self.foretell(expected);
        let noise = pace.deviation * pace.deviation;
        let bound = limit * (error * error + noise).sqrt();
        let surprise = (residual - foretold).clamp(-bound, bound);
        let across = [p00 * one + p01 * kerf, p01 * one + p11 * kerf];
        let total = one * across[0] + kerf * across[1] + noise;
        let gain = [across[0] / total, across[1] / total];
        self.state = [self.state[0] + gain[0] * surprise, self.state[1] + gain[1] * surprise];
        self.covariance = [p00 - gain[0] * across[0], p01 - gain[0] * across[1], p11 - gain[1] * across[1]];
    }

    /// The expected level jumped for a reason that is no kerf.
    pub(super) fn jump(&mut self, by: f64, uncertain: f64) {
        if let Model::Kerf { from } = &mut self.model {
            *from += by;
        }
        self.covariance[0] += uncertain * uncertain;
    }

    /// What the kerf takes by the model, in pascals; zero for a trend.
    pub(super) fn kerf(&self, expected: f64) -> f64 {
        match self.model {
            Model::Kerf { from } => from - expected,
            Model::Trend => 0.0,
        }
    }

    /// The share of the kerf's effect that is added to it and the error of that share, or the slope in pascals a second and its error.
    pub(super) fn second(&self) -> (f64, f64) {
        (self.state[1], self.covariance[2].max(0.0).sqrt())
    }

    fn design(&self, expected: f64) -> [f64; 2] {
        match self.model {
            Model::Kerf { from } => [1.0, from - expected],
            Model::Trend => [1.0, 0.0],
        }
    }
}
