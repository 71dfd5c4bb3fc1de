//! What the watch is told beforehand.

use serde::{Deserialize, Serialize};

use crate::moment::Span;
use crate::units::Vacuum;

/// What the watch must know about gauge, plenum and wishes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct WatchSettings {
    /// The time between readings.
    pub interval: Span,
    /// The mean time between false alarms of a sudden loss, in cutting time.
    pub false_alarm_interval: Span,
    /// The time constant of the plenum, hoses and pump.
    pub lag: Span,
    /// The noise of one reading, until enough quiet readings are known.
    pub noise: Vacuum,
    /// The change of level below which nothing is called a loss: about the loss of one small part.
    pub least_loss: Vacuum,
    /// How wrong the computed effect of the kerf may be, as a share of it.
    pub kerf_error: f64,
}

impl Default for WatchSettings {
    /// Ten readings a second, one false alarm in 100 h of cutting, a lag of 0.5 s, noise of 150 Pa, 300 Pa for the least loss, 10 %.
    fn default() -> Self {
        WatchSettings {
            interval: Span::from_millis(100),
            false_alarm_interval: Span::from_secs(360_000),
            lag: Span::from_millis(500),
            noise: Vacuum::from_pascals(150.0),
            least_loss: Vacuum::from_pascals(300.0),
            kerf_error: 0.1,
        }
    }
}
