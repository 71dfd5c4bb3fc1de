//! From a raw number to a level and how far it can be trusted.
//!
//! Status signals and their order by NAMUR NE 107 (by device manuals that quote it): failure, function check, out of
//! specification, maintenance required, good; the most severe of several is shown. The default of 25 equal numbers for a
//! stuck gauge: independent noise of one step or more gives so long a run with a probability below 1e-9 (computed); since a
//! coarse or quiet gauge rests longer by nature, the longest rest it came out of by itself counts too.

use serde::{Deserialize, Serialize};

use crate::gauge::current_loop::{CurrentLoop, LoopBand, Milliamperes};
use crate::gauge::steadiness::{Noise, Pace, Rest, Zero};
use crate::gauge::{GaugeSettings, Quality};
use crate::moment::{Span, Steady};
use crate::units::{AbsolutePressure, PressureConvention, Vacuum};

/// What a gauge's number is made from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Signal {
    /// The gauge computes it.
    #[default]
    Digital,
    /// A 4-20 mA loop, 4 mA at the low end of the gauge's range and 20 mA at the high end.
    CurrentLoop,
}

/// What the table is known to do, by which a gauge can be told from a dead one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Motion {
    /// The pump is off: the level should come to nought.
    PumpOff,
    /// The level ought to move: the pump pulsates, a zone was switched, a job is cut.
    OughtToMove,
    /// Nothing is known.
    Unknown,
}

/// When a gauge's numbers become doubtful.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct HealthLimits {
    /// What the number is made from.
    pub signal: Signal,
    /// So many equal numbers in a row, while the level ought to move, mean that the gauge is stuck.
    pub stuck_after: u32,
    /// The largest believable change of level in a second.
    pub per_second: Vacuum,
    /// The largest level that still counts as nought with the pump off; five times this is a zero that is lost.
    pub zero: Vacuum,
}

impl HealthLimits {
    /// Limits for a gauge that nothing more is known about.
    ///
    /// The zero may be off by 1 % of the range, at least 500 Pa, and by the weather's 3 kPa more for a gauge that counts
    /// from nothing: more than plain transducers promise, and less than what is still taken for a pump at rest; a level may change by 5 MPa in a second, some room's pressure in 20 ms (from memory).
    pub fn of(settings: &GaugeSettings) -> Self {
        let (low, high) = settings.range;
        let span = Vacuum::from_pascals((high - low).abs() * settings.unit.pascals());
        let weather = match settings.convention {
            PressureConvention::Absolute => Vacuum::from_pascals(3e3),
            PressureConvention::Gauge | PressureConvention::Vacuum => Vacuum::ZERO,
        };
        HealthLimits {
            signal: settings.signal,
            stuck_after: 25,
            per_second: Vacuum::from_pascals(5e6),
            zero: (span * 0.01).max(Vacuum::from_pascals(500.0)) + weather,
        }
    }
}

/// Why a reading is not simply good.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Doubt {
    /// NaN or infinite.
    NotANumber,
    /// Below nothing: a vacuum deeper than the room's pressure.
    BelowNothing,
    /// Outside the gauge's range by more than the range itself.
    FarOutOfRange,
    /// A current loop at or below 3.6 mA or at or above 21.0 mA.
    LoopFault,
    /// Bit-equal from before the level must have moved, for certain, until after it.
    Unmoved,
    /// Bit-equal for too long while the level ought to move.
    Stuck,
    /// A current loop between the measuring band and the fault bands for longer than it may be: driven to its end.
    LoopSuspect,
    /// Far quieter than it usually is while the level ought to move: a plugged port, a frozen average.
    NoiseCollapsed,
    /// Outside the gauge's range.
    OutOfRange,
    /// Faster than a level can change.
    TooFast,
    /// Far from nought with the pump off.
    ZeroLost,
    /// Not quite nought with the pump off.
    ZeroDrift,
}

impl Doubt {
    /// The status signal it stands for.
    pub fn quality(self) -> Quality {
        match self {
            Doubt::NotANumber | Doubt::BelowNothing | Doubt::FarOutOfRange | Doubt::LoopFault | Doubt::Unmoved => {
                Quality::Failure
            }
            Doubt::Stuck
            | Doubt::LoopSuspect
            | Doubt::NoiseCollapsed
            | Doubt::OutOfRange
            | Doubt::TooFast
            | Doubt::ZeroLost => Quality::OutOfSpecification,
            Doubt::ZeroDrift => Quality::MaintenanceRequired,
        }
    }
}

/// A reading as judged.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Judged {
    /// The pressure above nothing; `None` if the number stands for no pressure at all.
    pub absolute: Option<AbsolutePressure>,
    /// The same below the room.
    pub vacuum: Option<Vacuum>,
    /// The most severe of the doubts; good without one.
    pub quality: Quality,
    /// Everything that is known against it.
    pub doubts: Vec<Doubt>,
}

impl Judged {
    fn refused(doubt: Doubt) -> Self {
        Judged { absolute: None, vacuum: None, quality: doubt.quality(), doubts: vec![doubt] }
    }
}

/// One gauge's state of health, fed with every number it sends.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Health {
    settings: GaugeSettings,
    limits: HealthLimits,
    current: CurrentLoop,
    pace: Pace,
    rest: Rest,
    noise: Noise,
    zero: Zero,
    /// When the level last must have moved.
    moved: Option<Steady>,
}

/// How long after its cause the level has moved for certain.
const MOVED_WITHIN: Span = Span::from_secs(5);

impl Health {
    /// A gauge of which nothing was heard yet.
    pub fn new(settings: GaugeSettings, limits: HealthLimits) -> Self {
        Health {
            settings,
            limits,
            current: CurrentLoop::default(),
            pace: Pace::default(),
            rest: Rest::default(),
            noise: Noise::default(),
            zero: Zero::default(),
            moved: None,
        }
    }

    /// The level must move because of something that happens at `at`: a number that stays the same to the bit beyond the next 5 s,
    /// and was so before, is none.
    pub fn level_must_move(&mut self, at: Steady) {
        self.moved = Some(at);
    }

    /// Judges one raw number in a room at `room`.
    pub fn judge(&mut self, at: Steady, raw: f64, room: AbsolutePressure, motion: Motion) -> Judged {
        let absolute = self.settings.pressure(raw, room);
        let band = self.loop_band(at, raw);
        if let Some(doubt) = self.impossible(raw, absolute, room, band) {
            self.rest.interrupt();
            return Judged::refused(doubt);
        }
        let vacuum = absolute.vacuum_below(room);
        let mut doubts = Vec::new();
        let same_since = self.rest.since(at, raw);
        if self.moved.is_some_and(|moved| same_since < moved && at.since(moved) > MOVED_WITHIN) {
            doubts.push(Doubt::Unmoved);
        }
        if self.rest.is_stuck(raw, motion, self.limits.stuck_after) {
            doubts.push(Doubt::Stuck);
        }
        if band == LoopBand::Suspect {
            doubts.push(Doubt::LoopSuspect);
        }
        if self.noise.has_collapsed(vacuum, motion) {
            doubts.push(Doubt::NoiseCollapsed);
        }
        if self.limits.signal == Signal::Digital && self.range_excess(raw) > 0.0 {
            doubts.push(Doubt::OutOfRange);
        }
        if self.pace.is_too_fast(at, vacuum, self.limits.per_second) {
            doubts.push(Doubt::TooFast);
        }
        self.zero.follow(at, vacuum, motion, self.limits.zero);
        doubts.extend(self.zero_doubt());
        let quality = doubts.iter().map(|doubt| doubt.quality()).max().unwrap_or(Quality::Good);
        Judged { absolute: Some(absolute), vacuum: Some(vacuum), quality, doubts }
    }

    /// What the gauge showed when the pump was last off and the level at rest: its zero error.
    pub fn zero_error(&self) -> Option<Vacuum> {
        self.zero.error()
    }

    /// Forgets everything that hangs on time, as after a restart or a stop of the computer; the zero error is kept.
    pub fn interrupt(&mut self) {
        self.current = CurrentLoop::default();
        self.pace = Pace::default();
        self.rest.interrupt();
        self.noise.interrupt();
        self.zero.interrupt();
        self.moved = None;
    }

    fn loop_band(&mut self, at: Steady, raw: f64) -> LoopBand {
        let (low, high) = self.settings.range;
        let value = raw * self.settings.scale + self.settings.offset;
        match self.limits.signal {
            Signal::Digital => LoopBand::Measuring,
            Signal::CurrentLoop => self.current.follow(at, Milliamperes::from_fraction((value - low) / (high - low))),
        }
    }

    fn impossible(
        &self,
        raw: f64,
        absolute: AbsolutePressure,
        room: AbsolutePressure,
        band: LoopBand,
    ) -> Option<Doubt> {
        if !absolute.pascals().is_finite() {
            Some(Doubt::NotANumber)
        } else if band == LoopBand::Fault {
            Some(Doubt::LoopFault)
        } else if self.range_excess(raw) > 1.0 {
            Some(Doubt::FarOutOfRange)
        } else if absolute.pascals() < -ROUNDING * room.pascals() {
            Some(Doubt::BelowNothing)
        } else {
            None
        }
    }

    fn zero_doubt(&self) -> Option<Doubt> {
        let error = self.zero.error()?.distance(Vacuum::ZERO);
        if error > self.limits.zero * 5.0 {
            Some(Doubt::ZeroLost)
        } else {
            (error > self.limits.zero).then_some(Doubt::ZeroDrift)
        }
    }

    /// How far outside the range, in ranges; zero inside.
    fn range_excess(&self, raw: f64) -> f64 {
        let (low, high) = self.settings.range;
        let value = raw * self.settings.scale + self.settings.offset;
        (low - value).max(value - high).max(0.0) / (high - low).abs()
    }
}

/// A pressure this far below nothing, in parts of the room's, comes from rounding.
const ROUNDING: f64 = 1e-9;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::gauge::{AsciiTalk, GaugeSettings, Place, Talk};
    use crate::line::LineId;
    use crate::moment::Span;
    use crate::units::PressureUnit;

    const ROOM: AbsolutePressure = AbsolutePressure::STANDARD_ATMOSPHERE;

    fn gauge(convention: PressureConvention, range: (f64, f64)) -> GaugeSettings {
        GaugeSettings {
            name: "manifold".into(),
            line: LineId(0),
            place: Place::Manifold,
            zone: None,
            signal: Signal::Digital,
            talk: Talk::Ascii(AsciiTalk { request: vec![], terminator: b'\n', position: 0 }),
            scale: 0.1,
            offset: 0.0,
            unit: PressureUnit::Millibar,
            convention,
            range,
            every: Span::from_millis(100),
        }
    }

    fn vacuum_gauge() -> Health {
        let settings = gauge(PressureConvention::Vacuum, (0.0, 1_000.0));
        Health::new(settings.clone(), HealthLimits::of(&settings))
    }

    fn tenth(n: u64) -> Steady {
        Steady::from_nanos(n * 100_000_000)
    }

    fn judge(health: &mut Health, n: u64, raw: f64, motion: Motion) -> Judged {
        health.judge(tenth(n), raw, ROOM, motion)
    }

    #[test]
    fn a_plain_number_is_a_good_level() {
        let judged = judge(&mut vacuum_gauge(), 0, 6_000.0, Motion::Unknown);
        assert_eq!(judged.quality, Quality::Good);
        assert!((judged.vacuum.unwrap().pascals() - 60_000.0).abs() < 1e-6);
        assert!((judged.absolute.unwrap().pascals() - 41_325.0).abs() < 1e-6);
    }

    #[test]
    fn what_is_no_pressure_is_refused_and_never_clipped() {
        for (raw, doubt) in [
            (f64::NAN, Doubt::NotANumber),
            (f64::INFINITY, Doubt::NotANumber),
            (f64::NEG_INFINITY, Doubt::NotANumber),
            (1e300, Doubt::FarOutOfRange),
            (20_001.0, Doubt::FarOutOfRange),
            (-10_001.0, Doubt::FarOutOfRange),
            (10_133.0, Doubt::BelowNothing),
        ] {
            let judged = judge(&mut vacuum_gauge(), 0, raw, Motion::Unknown);
            assert_eq!((judged.vacuum, judged.absolute), (None, None), "{raw}");
            assert_eq!((judged.quality, judged.doubts), (Quality::Failure, vec![doubt]), "{raw}");
        }
    }

    #[test]
    fn a_full_vacuum_is_still_a_pressure_whatever_the_rounding() {
        for raw in [10_132.5, 10_132.499_999_999_99] {
            assert!(judge(&mut vacuum_gauge(), 0, raw, Motion::Unknown).vacuum.is_some());
        }
    }

    #[test]
    fn outside_its_range_a_gauge_is_out_of_specification() {
        for (raw, quality) in [(0.0, Quality::Good), (-1.0, Quality::OutOfSpecification), (10_000.0, Quality::Good)] {
            assert_eq!(judge(&mut vacuum_gauge(), 0, raw, Motion::Unknown).quality, quality);
        }
        let over = judge(&mut vacuum_gauge(), 0, 10_001.0, Motion::Unknown);
        assert_eq!(over.doubts, [Doubt::OutOfRange]);
        assert!(over.vacuum.is_some());
    }

    #[test]
    fn a_number_that_rests_while_the_level_ought_to_move_is_stuck() {
        let mut health = vacuum_gauge();
        let stuck: Vec<u64> = (1..=40)
            .filter(|n| judge(&mut health, *n, 6_000.0, Motion::OughtToMove).doubts.contains(&Doubt::Stuck))
            .collect();
        assert_eq!(stuck, (25..=40).collect::<Vec<u64>>());
        // A pump that holds its level may give the same number for long: that is out of specification and no failure.
        let held = judge(&mut health, 41, 6_000.0, Motion::OughtToMove);
        assert_eq!((held.quality, held.vacuum.is_some()), (Quality::OutOfSpecification, true));
        assert_eq!(judge(&mut health, 42, 6_001.0, Motion::OughtToMove).quality, Quality::Good);
    }

    #[test]
    fn a_number_that_stays_the_same_where_the_level_must_have_moved_is_a_failure() {
        let mut health = vacuum_gauge();
        for n in 0..20 {
            judge(&mut health, n, 6_000.0, Motion::Unknown);
        }
        health.level_must_move(tenth(20));
        let failed: Vec<u64> = (20..100)
            .filter(|n| judge(&mut health, *n, 6_000.0, Motion::Unknown).quality == Quality::Failure)
            .collect();
        assert_eq!(failed, (71..100).collect::<Vec<u64>>(), "5 s are left to it");
        assert_eq!(judge(&mut health, 100, 6_010.0, Motion::Unknown).quality, Quality::Good);
        assert_eq!(judge(&mut health, 101, 6_010.0, Motion::Unknown).quality, Quality::Good);
        // Nor is one that moved in time, or of which nothing was heard before.
        health.level_must_move(tenth(102));
        assert!((103..200).all(|n| judge(&mut health, n, 5_000.0, Motion::Unknown).quality == Quality::Good));
        health.level_must_move(tenth(200));
        health.interrupt();
        assert!((201..300).all(|n| judge(&mut health, n, 5_000.0, Motion::Unknown).quality == Quality::Good));
    }

    #[test]
    fn a_number_may_rest_when_nothing_need_move() {
        let mut health = vacuum_gauge();
        for n in 0..200 {
            assert_eq!(judge(&mut health, n, 0.0, Motion::PumpOff).quality, Quality::Good);
            assert_eq!(judge(&mut health, n, 0.0, Motion::Unknown).quality, Quality::Good);
        }
    }

    #[test]
    fn a_coarse_gauge_that_rests_by_nature_is_not_called_stuck_again_and_again() {
        let mut health = vacuum_gauge();
        let mut stuck_rounds = 0;
        for round in 0..10_u32 {
            let raw = f64::from(6_000 + round % 2);
            let in_round =
                (0..40).filter(|_| judge(&mut health, 0, raw, Motion::OughtToMove).doubts.contains(&Doubt::Stuck));
            stuck_rounds += u32::from(in_round.count() > 0);
        }
        assert_eq!(stuck_rounds, 1);
        let later =
            (0..250).filter(|_| judge(&mut health, 0, 7_000.0, Motion::OughtToMove).doubts.contains(&Doubt::Stuck));
        assert!(later.count() > 0, "a gauge that is stuck in the end is still found");
    }

    #[test]
    fn a_jump_is_doubted_twice_and_then_believed() {
        let mut health = vacuum_gauge();
        health.limits.per_second = Vacuum::from_pascals(100_000.0);
        judge(&mut health, 0, 6_000.0, Motion::Unknown);
        let doubts: Vec<bool> =
            (1..5).map(|n| judge(&mut health, n, 500.0, Motion::Unknown).doubts.contains(&Doubt::TooFast)).collect();
        assert_eq!(doubts, [true, true, false, false]);
        judge(&mut health, 10, 6_000.0, Motion::Unknown);
        assert_eq!(judge(&mut health, 11, 5_950.0, Motion::Unknown).quality, Quality::Good);
    }

    #[test]
    fn a_single_spike_leaves_no_trace() {
        let mut health = vacuum_gauge();
        health.limits.per_second = Vacuum::from_pascals(50_000.0);
        judge(&mut health, 0, 6_000.0, Motion::Unknown);
        assert_eq!(judge(&mut health, 1, 100.0, Motion::Unknown).doubts, [Doubt::TooFast]);
        assert_eq!(judge(&mut health, 2, 6_010.0, Motion::Unknown).quality, Quality::Good);
    }

    #[test]
    fn a_zero_that_drifted_with_the_pump_off_asks_for_care_and_stays_on_record() {
        let mut health = vacuum_gauge();
        for n in 0..99 {
            assert_eq!(judge(&mut health, n, 300.0, Motion::PumpOff).quality, Quality::Good);
        }
        judge(&mut health, 99, 300.0, Motion::PumpOff);
        let found = judge(&mut health, 100, 300.0, Motion::PumpOff);
        assert_eq!((found.quality, found.doubts), (Quality::MaintenanceRequired, vec![Doubt::ZeroDrift]));
        assert_eq!(judge(&mut health, 101, 6_000.0, Motion::OughtToMove).quality, Quality::MaintenanceRequired);
        assert!((health.zero_error().unwrap().pascals() - 3_000.0).abs() < 1e-6);
        (200..310).for_each(|n| drop(judge(&mut health, n, 10.0, Motion::PumpOff)));
        assert_eq!(judge(&mut health, 310, 6_000.0, Motion::OughtToMove).quality, Quality::Good);
    }

    #[test]
    fn a_table_that_still_vents_is_no_zero_error() {
        let mut health = vacuum_gauge();
        for n in 0..300 {
            let raw = 6_000.0 - 10.0 * f64::from(u32::try_from(n).unwrap());
            assert_eq!(judge(&mut health, n, raw, Motion::PumpOff).quality, Quality::Good);
        }
        assert_eq!(health.zero_error(), None);
    }

    #[test]
    fn the_most_severe_of_several_doubts_is_shown() {
        let mut health = vacuum_gauge();
        (0..=100).for_each(|n| drop(judge(&mut health, n, 300.0, Motion::PumpOff)));
        let mut last = judge(&mut health, 101, 10_050.0, Motion::OughtToMove);
        assert_eq!(last.doubts, [Doubt::OutOfRange, Doubt::ZeroDrift]);
        assert_eq!(last.quality, Quality::OutOfSpecification);
        (102..130).for_each(|n| last = judge(&mut health, n, 10_050.0, Motion::OughtToMove));
        assert_eq!(last.doubts, [Doubt::Stuck, Doubt::OutOfRange, Doubt::ZeroDrift]);
        assert_eq!(last.quality, Quality::OutOfSpecification);
        health.level_must_move(tenth(130));
        (130..190).for_each(|n| last = judge(&mut health, n, 10_050.0, Motion::OughtToMove));
        assert_eq!(last.doubts, [Doubt::Unmoved, Doubt::Stuck, Doubt::OutOfRange, Doubt::ZeroDrift]);
        assert_eq!(last.quality, Quality::Failure);
    }

    /// 0 to 1000 mbar on 4-20 mA: 3.6 mA stands for -25 mbar, 3.8 for -12.5, 20.5 for 1031.25, 21.0 for 1062.5.
    #[test]
    fn a_current_loop_fails_at_its_fault_bands_and_measures_between() {
        let settings = gauge(PressureConvention::Absolute, (0.0, 1_000.0));
        let limits = HealthLimits { signal: Signal::CurrentLoop, ..HealthLimits::of(&settings) };
        let mut health = Health::new(settings, limits);
        for (raw, quality) in [
            (-250.0, Quality::Failure),
            (-1_000.0, Quality::Failure),
            (10_625.0, Quality::Failure),
            (10_312.5, Quality::Good),
            (5_000.0, Quality::Good),
            (10_500.0, Quality::Good),
        ] {
            assert_eq!(judge(&mut health, 0, raw, Motion::Unknown).quality, quality, "{raw}");
        }
        assert_eq!(judge(&mut health, 40, 10_500.0, Motion::Unknown).doubts, [Doubt::LoopSuspect]);
    }

    #[test]
    fn a_gauge_that_counts_from_nothing_is_given_the_weather_at_its_zero() {
        let settings = gauge(PressureConvention::Absolute, (0.0, 1_100.0));
        let mut health = Health::new(settings.clone(), HealthLimits::of(&settings));
        (0..=110).for_each(|n| drop(judge(&mut health, n, 9_832.5, Motion::PumpOff)));
        assert_eq!(judge(&mut health, 111, 9_832.5, Motion::PumpOff).quality, Quality::Good);
    }

    /// Noise of 3 mbar, as its own generator makes it, about a level that follows a slow ramp.
    fn noisy(chance: &mut u64, deviation: f64, n: u64) -> f64 {
        let mut uniform = || {
            *chance = chance.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (*chance >> 11) as f64 / (1_u64 << 53) as f64
        };
        let sum: f64 = (0..12).map(|_| uniform()).sum();
        (6_000.0 - 0.05 * n as f64 + deviation * (sum - 6.0)).round()
    }

    #[test]
    fn a_gauge_whose_noise_collapses_is_suspect_until_it_is_back() {
        let (mut health, mut chance) = (vacuum_gauge(), 7);
        let collapsed = |health: &mut Health, chance: &mut u64, deviation: f64, from: u64, to: u64| {
            (from..to)
                .filter(|n| {
                    let raw = noisy(chance, deviation, *n);
                    judge(health, *n, raw, Motion::OughtToMove).doubts.contains(&Doubt::NoiseCollapsed)
                })
                .count()
        };
        assert_eq!(collapsed(&mut health, &mut chance, 30.0, 0, 20_000), 0, "33 minutes of its usual noise");
        assert_eq!(collapsed(&mut health, &mut chance, 60.0, 20_000, 22_000), 0, "louder is no collapse");
        assert!(collapsed(&mut health, &mut chance, 4.0, 22_000, 22_400) > 50, "an eighth of it for 40 s");
        collapsed(&mut health, &mut chance, 30.0, 22_400, 22_600);
        assert_eq!(collapsed(&mut health, &mut chance, 30.0, 22_600, 24_000), 0, "and it is back");
    }

    #[test]
    fn of_a_gauge_coarser_than_its_noise_no_collapse_is_told() {
        let (mut health, mut chance) = (vacuum_gauge(), 11);
        for n in 0..20_000 {
            let raw = noisy(&mut chance, 30.0, n);
            let coarse = (raw / 100.0).round() * 100.0;
            assert!(!judge(&mut health, n, coarse, Motion::OughtToMove).doubts.contains(&Doubt::NoiseCollapsed));
        }
    }

    #[test]
    fn every_doubt_is_worse_than_good() {
        for doubt in
            [Doubt::NotANumber, Doubt::Stuck, Doubt::NoiseCollapsed, Doubt::TooFast, Doubt::ZeroLost, Doubt::ZeroDrift]
        {
            assert!(doubt.quality() > Quality::Good);
        }
        assert!(Quality::Failure > Quality::FunctionCheck);
        assert!(Quality::FunctionCheck > Quality::OutOfSpecification);
        assert!(Quality::OutOfSpecification > Quality::MaintenanceRequired);
    }

    proptest! {
        /// Whatever number comes: it is a pressure in the room or a failure, never something clipped.
        #[test]
        fn any_number_is_a_pressure_or_a_failure(raws in prop::collection::vec(prop_oneof![any::<f64>(), -20_001.0..20_001.0_f64], 1..60), off in any::<bool>()) {
            let mut health = vacuum_gauge();
            for (n, raw) in (0..).zip(raws) {
                let judged = judge(&mut health, n, raw, if off { Motion::PumpOff } else { Motion::OughtToMove });
                match judged.vacuum {
                    Some(vacuum) => {
                        prop_assert!((vacuum.pascals() - raw * 10.0).abs() <= 1e-9 * ROOM.pascals());
                        prop_assert!(vacuum.pascals() <= ROOM.pascals() * 1.000_001 && raw > -10_000.1);
                    }
                    None => prop_assert_eq!(judged.quality, Quality::Failure),
                }
            }
        }
    }
}
