//! What the table really is, where that differs from what its setup says.
//!
//! Sizes are common practice, no source: a board's permeability is uneven by some per cent, kerfs leak a little more or
//! less than reckoned (dust), hoses and rims seep, a pump in use has lost some per cent of its speed and loses up to five
//! more while it warms, and the plenum answers within half a second.

use super::chance::Chance;
use crate::moment::Span;
use crate::table::{Table, ZoneId, ZoneMatrix};
use crate::units::{AbsolutePressure, SquareConductance};

/// How the kerf round a part opens.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Opening {
    /// As the cutter goes round, an eighth of the outline after the other.
    #[default]
    Eighths,
    /// All round at once and at an even pace, as a skin that lets through more and more while it is cut thinner. With
    /// large parts the level is up to a kilopascal from where eighths have it.
    Outlines,
}

/// What is true of the table and not in its setup.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// For each zone, how much more the board lets through there than described.
    pub zones: Vec<f64>,
    /// How much more kerfs let through than reckoned.
    pub kerf: f64,
    /// How the kerf round a part opens.
    pub opening: Opening,
    /// What a hose that works loose lets through in the end, as a share of what the pump moves at half the room's pressure.
    pub loose_hose: f64,
    /// The share of the pump's described speed that it has when cold.
    pub pump: f64,
    /// The share of its cold speed that it loses while it warms.
    pub warming: f64,
    /// How much more the filter resists.
    pub filter: f64,
    /// A standing leak at the manifold, as a share of what the pump moves at the room's pressure.
    pub seep: f64,
    /// How much the room's pressure differs from what was told, in pascals.
    pub room_pa: f64,
    /// The plenum's time constant: how long 63 % of a change takes with the pump at full speed.
    pub lag: Span,
    /// How long a valve travels.
    pub valve_travel: Span,
    /// How long the pump takes to come up to speed.
    pub run_up: Span,
}

impl Truth {
    /// A table that is as described.
    pub fn as_described(table: &Table) -> Self {
        Truth {
            zones: vec![1.0; table.plenum.zones.len()],
            kerf: 1.0,
            opening: Opening::default(),
            loose_hose: 0.15,
            pump: 1.0,
            warming: 0.0,
            filter: 1.0,
            seep: 0.0,
            room_pa: 0.0,
            lag: Span::from_millis(400),
            valve_travel: Span::from_millis(200),
            run_up: Span::from_secs(2),
        }
    }

    /// A table as shops have them, the same for the same seed.
    pub fn drawn(table: &Table, seed: u64) -> Self {
        let mut chance = Chance::new(seed);
        Truth {
            zones: table.plenum.zones.iter().map(|_| chance.between(0.94, 1.06)).collect(),
            kerf: chance.between(0.95, 1.05),
            opening: Opening::default(),
            loose_hose: 0.15,
            pump: chance.between(0.96, 1.0),
            warming: chance.between(0.02, 0.03),
            filter: chance.between(1.0, 1.2),
            seep: chance.between(0.0, 0.005),
            room_pa: chance.between(-150.0, 150.0),
            lag: Span::from_secs_f64(chance.between(0.3, 0.5)),
            valve_travel: Span::from_secs_f64(chance.between(0.1, 0.3)),
            run_up: Span::from_secs_f64(chance.between(1.5, 2.5)),
        }
    }

    /// The table with everything that does not change while it runs put right.
    pub(super) fn applied(&self, described: &Table) -> Table {
        let mut table = described.clone();
        table.air.room = AbsolutePressure::from_pascals(table.air.room.pascals() + self.room_pa);
        table.pump.wear *= self.pump;
        table.filter = table.filter * self.filter;
        table.manifold.bleed = table.manifold.bleed + pump_share(&table, self.seep);
        table
    }

    /// A condensed board with its zones uneven: S_ij·√(f_i·f_j), which stays symmetric.
    pub(super) fn uneven(&self, even: &ZoneMatrix) -> ZoneMatrix {
        let factor = |zone: ZoneId| self.zones.get(usize::from(zone.0)).copied().unwrap_or(1.0);
        map_matrix(even, |row, column| even.get(row, column) * (factor(row) * factor(column)).sqrt())
    }

    /// The share of its cold speed that the pump has after running so long; warming settles within half an hour.
    pub(super) fn warmth(&self, running: Span) -> f64 {
        1.0 - self.warming * (1.0 - (-running.secs_f64() / 600.0).exp())
    }
}

/// The leak to the room that passes, at half the room's pressure, `share` of what all pumps move there.
pub(super) fn pump_share(table: &Table, share: f64) -> SquareConductance {
    let room = table.air.room.pascals();
    let half = AbsolutePressure::from_pascals(room / 2.0);
    let moved = table.pump.throughput(half).pa_m3_per_s();
    SquareConductance::from_m3_per_s_pa(share * moved / (0.75 * room * room))
}

/// A matrix of the same size, entry by entry.
pub(super) fn map_matrix(like: &ZoneMatrix, entry: impl Fn(ZoneId, ZoneId) -> f64) -> ZoneMatrix {
    let mut made = ZoneMatrix::zeros(like.count());
    let zones = || (0..like.count()).map(|zone| ZoneId(u8::try_from(zone).unwrap_or(u8::MAX)));
    for row in zones() {
        for column in zones() {
            made.set(row, column, entry(row, column));
        }
    }
    made
}
