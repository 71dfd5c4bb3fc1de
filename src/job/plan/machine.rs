//! How long a machine takes for moves.
//!
//! Each move speeds up and slows down evenly (s = v²/2a, school mechanics). Through a corner the machine goes so fast that, on an arc
//! which leaves the corner by no more than the tolerance δ, the sideways acceleration is its own: v² = a·δ·sin(θ/2)/(1 − sin(θ/2)) for
//! the angle θ between the two moves (common practice, no source); round an arc v² = a·r.
//!
//! What a controller makes of such settings is seldom known, so a machine has a slow and a fast bound. The slow one has less
//! acceleration, reaches it only after a while (limited jerk), and takes δ as how far before the corner the arc begins: v² = a·δ·tan(θ/2).
//! The fast one has more acceleration and four times the tolerance.

use serde::{Deserialize, Serialize};

use crate::moment::Span;
use crate::units::{Length, Speed};

/// What a machine can do; the time of a program is as good as these.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Machine {
    /// The fastest along x and y.
    pub rapid: Speed,
    /// The fastest along z.
    pub rapid_z: Speed,
    /// How fast it speeds up, in m/s².
    pub acceleration_m_s2: f64,
    /// How far from a corner its path may be.
    pub corner: Length,
    /// How long a change of the tool takes.
    pub tool_change: Span,
    /// How long the spindle takes to its speed.
    pub spin_up: Span,
    /// By what share of itself the acceleration, and the time of a tool change or of the spindle's start, may be wrong.
    pub error: f64,
}

/// By what factor a corner may be left farther than the tolerance (common practice, no source).
const CORNER_FACTOR: f64 = 4.0;

/// In how many seconds at most a machine reaches its acceleration (common practice, no source).
const SOFTEST_S: f64 = 0.05;

/// A machine as its controller may drive it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Drive {
    pub(super) machine: Machine,
    /// Whether the tolerance is how far before a corner its rounding begins.
    before_corners: bool,
    /// The seconds in which it reaches its acceleration.
    softness: f64,
}

impl Default for Machine {
    /// A router of the middle sort (common practice, no source).
    fn default() -> Self {
        Machine {
            rapid: Speed::from_metres_per_second(0.6),
            rapid_z: Speed::from_metres_per_second(0.2),
            acceleration_m_s2: 2.0,
            corner: Length::from_millimetres(0.05),
            tool_change: Span::from_secs(12),
            spin_up: Span::from_secs(4),
            error: 0.5,
        }
    }
}

/// A move as the machine sees it: lengths in mm, speeds in mm/s.
#[derive(Clone, Copy, Debug)]
pub(super) struct Leg {
    pub(super) length: f64,
    /// Directions at its beginning and end, of length one.
    pub(super) sets_out: [f64; 3],
    pub(super) arrives: [f64; 3],
    /// As fast as it is ordered.
    pub(super) ordered: f64,
    /// The radius of an arc.
    pub(super) radius: Option<f64>,
    pub(super) exact_stop: bool,
}

impl Machine {
    /// As it is told.
    pub(super) fn likely(&self) -> Drive {
        Drive { machine: *self, before_corners: false, softness: 0.0 }
    }

    /// As fast, and as slow, as it may be by its error.
    pub(super) fn bounds(&self) -> [Drive; 2] {
        let bound = |factor: f64| Machine {
            acceleration_m_s2: self.acceleration_m_s2 * factor,
            tool_change: self.tool_change.times(2.0 - factor),
            spin_up: self.spin_up.times(2.0 - factor),
            ..*self
        };
        let fast = Machine { corner: self.corner * CORNER_FACTOR, ..bound(1.0 + self.error) };
        let slow = bound((1.0 - self.error).max(0.01));
        [fast.likely(), Drive { machine: slow, before_corners: true, softness: SOFTEST_S }]
    }
}

impl Drive {
    fn acceleration(&self) -> f64 {
        self.machine.acceleration_m_s2 * 1000.0
    }

    fn cruise(&self, leg: &Leg) -> f64 {
        let axis = |reach: f64, fastest: Speed| fastest.metres_per_second() * 1000.0 / reach.max(1e-9);
        let [x, y, z] = leg.sets_out.map(f64::abs);
        let limit = axis(x, self.machine.rapid).min(axis(y, self.machine.rapid)).min(axis(z, self.machine.rapid_z));
        let round = leg.radius.map_or(f64::INFINITY, |radius| (self.acceleration() * radius).sqrt());
        leg.ordered.min(limit).min(round)
    }

    fn through_corner(&self, from: &Leg, into: &Leg) -> f64 {
        if from.exact_stop {
            return 0.0;
        }
        let cosine: f64 = from.arrives.iter().zip(&into.sets_out).map(|(one, other)| one * other).sum();
        // Half of the angle between the two moves: straight on has a right angle's sine of one.
        let sine = (0.5 * (1.0 + cosine)).clamp(0.0, 1.0).sqrt();
        if sine > 1.0 - 1e-9 {
            return f64::INFINITY;
        }
        let squared = self.acceleration() * self.machine.corner.millimetres();
        if self.before_corners {
            let tangent = sine / (1.0 - sine * sine).sqrt();
            return (squared * tangent).sqrt();
        }
        (squared * sine / (1.0 - sine)).sqrt()
    }

    /// How many seconds each leg takes, from standstill to standstill. Legs of no length are passed over.
    pub(super) fn durations(&self, legs: &[Leg]) -> Vec<f64> {
        let (places, moving): (Vec<usize>, Vec<Leg>) =
            legs.iter().copied().enumerate().filter(|(_, leg)| leg.length > 0.0).unzip();
        let mut durations = vec![0.0; legs.len()];
        for (place, seconds) in places.into_iter().zip(self.moving(&moving)) {
            durations[place] = seconds;
        }
        durations
    }

    fn moving(&self, legs: &[Leg]) -> Vec<f64> {
        let twice = 2.0 * self.acceleration();
        let cruise: Vec<f64> = legs.iter().map(|leg| self.cruise(leg)).collect();
        let mut joints = vec![0.0_f64; legs.len() + 1];
        for joint in 1..legs.len() {
            let corner = self.through_corner(&legs[joint - 1], &legs[joint]);
            joints[joint] = corner.min(cruise[joint - 1]).min(cruise[joint]);
        }
        for joint in (0..legs.len()).rev() {
            let reachable = (joints[joint + 1].powi(2) + twice * legs[joint].length).sqrt();
            joints[joint] = joints[joint].min(reachable);
        }
        for joint in 1..joints.len() {
            let reachable = (joints[joint - 1].powi(2) + twice * legs[joint - 1].length).sqrt();
            joints[joint] = joints[joint].min(reachable);
        }
        let leg = |place: usize| self.leg_time(legs[place].length, cruise[place], joints[place], joints[place + 1]);
        (0..legs.len()).map(leg).collect()
    }

    fn leg_time(&self, length: f64, cruise: f64, enters: f64, leaves: f64) -> f64 {
        let acceleration = self.acceleration();
        if length <= 0.0 || cruise <= 0.0 {
            return 0.0;
        }
        let peak = (acceleration * length + 0.5 * (enters * enters + leaves * leaves)).sqrt().min(cruise);
        let ramps = (2.0 * peak * peak - enters * enters - leaves * leaves) / (2.0 * acceleration);
        let even = (length - ramps).max(0.0) / peak;
        let soft = self.softening(peak - enters) + self.softening(peak - leaves);
        let ramped = (2.0 * peak - enters - leaves).max(0.0) / acceleration + even + soft;
        // A soft machine does not speed up for a short move between slow corners.
        let slower = enters.min(leaves);
        let steady = length / slower.max(1e-9) + self.softening((enters - leaves).abs());
        if self.softness > 0.0 { ramped.min(steady) } else { ramped }
    }

    /// By how much longer a change of speed takes for want of a sudden acceleration: a/j, or 2·√(Δv/j) − Δv/a for a small one.
    fn softening(&self, change: f64) -> f64 {
        let (acceleration, change) = (self.acceleration(), change.max(0.0));
        if change >= acceleration * self.softness {
            return if change > 0.0 { self.softness } else { 0.0 };
        }
        2.0 * (change * self.softness / acceleration).sqrt() - change / acceleration
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn leg(to: [f64; 3], ordered: f64) -> Leg {
        let length = to.iter().map(|step| step * step).sum::<f64>().sqrt();
        let along = to.map(|step| step / length);
        Leg { length, sets_out: along, arrives: along, ordered, radius: None, exact_stop: false }
    }

    fn machine() -> Drive {
        Machine { acceleration_m_s2: 1.0, ..Machine::default() }.likely()
    }

    #[test]
    fn a_straight_move_takes_its_ramps_and_its_even_part() {
        // By hand: 1000 mm at 100 mm/s and 1000 mm/s²: two ramps of 0.1 s and 5 mm, 990 mm evenly.
        let found = machine().durations(&[leg([1000.0, 0.0, 0.0], 100.0)]);
        assert!((found[0] - (0.2 + 9.9)).abs() < 1e-9, "{found:?}");
        // A short move never gets to its speed: 2·√(s/a).
        let found = machine().durations(&[leg([1.0, 0.0, 0.0], 1e6)]);
        assert!((found[0] - 2.0 * (1.0_f64 / 1000.0).sqrt()).abs() < 1e-9);
    }

    #[test]
    fn a_straight_line_in_many_pieces_takes_as_long_as_in_one() {
        let whole = machine().durations(&[leg([500.0, 0.0, 0.0], 80.0)])[0];
        let pieces: f64 = machine().durations(&[leg([5.0, 0.0, 0.0], 80.0); 100]).iter().sum();
        assert!((whole - pieces).abs() < 1e-9);
    }

    #[test]
    fn a_corner_is_passed_more_slowly_the_sharper_it_is() {
        let total = |next: [f64; 3]| -> f64 {
            machine().durations(&[leg([100.0, 0.0, 0.0], 100.0), leg(next, 100.0)]).iter().sum()
        };
        let (straight, slight) = (total([100.0, 0.0, 0.0]), total([99.0, 14.107, 0.0]));
        let (right, back) = (total([0.0, 100.0, 0.0]), total([-100.0, 0.0, 0.0]));
        assert!(straight <= slight && slight < right && right < back, "{straight} {slight} {right} {back}");
        // Back along the way it came: two moves from rest to rest.
        assert!((back - 2.0 * total_alone()).abs() < 1e-9);
    }

    fn total_alone() -> f64 {
        machine().durations(&[leg([100.0, 0.0, 0.0], 100.0)])[0]
    }

    #[test]
    fn no_axis_goes_faster_than_it_can() {
        let found = machine().durations(&[leg([0.0, 0.0, 100.0], 1e9)])[0];
        // 200 mm/s at 1000 mm/s²: ramps of 0.2 s over 20 mm each, 60 mm evenly.
        assert!((found - (0.4 + 0.3)).abs() < 1e-9, "{found}");
    }

    #[test]
    fn the_slow_bound_is_slower_and_the_fast_one_faster() {
        let legs = [leg([100.0, 0.0, 0.0], 100.0), leg([0.0, 100.0, 0.0], 100.0)];
        let machine = Machine { acceleration_m_s2: 1.0, error: 0.5, ..Machine::default() };
        let total = |drive: Drive| drive.durations(&legs).iter().sum::<f64>();
        let [fast, slow] = machine.bounds().map(total);
        assert!(fast < total(machine.likely()) && total(machine.likely()) < slow, "{fast} {slow}");
        // By hand, one move from rest to rest: 100 mm at 100 mm/s and 500 mm/s², each ramp 0.2 s and 10 mm, and 0.05 s for its softness.
        let alone = machine.bounds()[1].durations(&[leg([100.0, 0.0, 0.0], 100.0)])[0];
        assert!((alone - (0.4 + 0.8 + 0.1)).abs() < 1e-9, "{alone}");
    }
}
