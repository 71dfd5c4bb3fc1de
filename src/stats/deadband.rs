//! A limit that does not chatter.

use serde::{Deserialize, Serialize};

/// On which side of its limit a number is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Side {
    /// Below it.
    Low,
    /// Above it.
    High,
}

/// A limit with a deadband: crossed at the limit, and left again only beyond the band.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Deadband {
    side: Side,
    crossed: bool,
}

impl Deadband {
    /// A limit that is not crossed.
    pub fn new(side: Side) -> Self {
        Deadband { side, crossed: false }
    }

    /// Whether `value` is beyond `limit`, or was and has not come back by more than `band`; a NaN changes nothing.
    pub fn crosses(&mut self, value: f64, limit: f64, band: f64) -> bool {
        let beyond = match self.side {
            Side::Low => limit - value,
            Side::High => value - limit,
        };
        if beyond > 0.0 {
            self.crossed = true;
        } else if beyond < -band {
            self.crossed = false;
        }
        self.crossed
    }

    /// Whether it is crossed.
    pub fn is_crossed(&self) -> bool {
        self.crossed
    }

    /// Forgets that it was crossed.
    pub fn clear(&mut self) {
        self.crossed = false;
    }
}
