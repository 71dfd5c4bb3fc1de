//! The gauge's own part: what it makes of the pressure, and how it says it.
//!
//! Sizes of errors are common practice, no source: zero and span within a quarter of a per cent of the range, a random
//! walk of 0.02 kPa per root hour, white noise of 0.1 kPa a sample, and the pump's ripple between 5 and 50 Hz, which a
//! slower sampling folds down to anything.

use super::chance::Chance;
use super::machine::Levels;
use crate::gauge::{GaugeSettings, NumberKind, WordOrder};
use crate::moment::{Span, Steady};
use crate::units::{AbsolutePressure, PressureConvention, Vacuum};

/// What a transducer adds to the truth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Blemish {
    /// Standard deviation of the white noise of one sample.
    pub noise: Vacuum,
    /// Amplitude of the pump's ripple.
    pub ripple: Vacuum,
    /// Standard deviation of the random walk over one hour.
    pub drift: Vacuum,
    /// Greatest error of zero and of span, as a share of the range.
    pub accuracy: f64,
    /// Bits of its converter over its range; 0 for one without steps.
    pub bits: u8,
}

impl Blemish {
    /// A perfect transducer.
    pub const NONE: Blemish =
        Blemish { noise: Vacuum::ZERO, ripple: Vacuum::ZERO, drift: Vacuum::ZERO, accuracy: 0.0, bits: 0 };

    /// A transducer as shops have them.
    pub const USUAL: Blemish = Blemish {
        noise: Vacuum::from_pascals(100.0),
        ripple: Vacuum::from_pascals(80.0),
        drift: Vacuum::from_pascals(20.0),
        accuracy: 0.0025,
        bits: 14,
    };
}

/// A transducer at work.
#[derive(Clone, Debug)]
pub(super) struct Transducer {
    settings: GaugeSettings,
    blemish: Blemish,
    zero: f64,
    span: f64,
    ripple_hz: f64,
    walk_pa: f64,
    last: Option<Steady>,
    chance: Chance,
}

impl Transducer {
    pub(super) fn new(settings: GaugeSettings, blemish: Blemish, seed: u64) -> Self {
        let mut chance = Chance::new(seed);
        let range = settings.range.1 - settings.range.0;
        let zero = chance.between(-blemish.accuracy, blemish.accuracy) * range;
        let span = 1.0 + chance.between(-blemish.accuracy, blemish.accuracy);
        let ripple_hz = chance.between(5.0, 50.0);
        Transducer { settings, blemish, zero, span, ripple_hz, walk_pa: 0.0, last: None, chance }
    }

    pub(super) fn settings(&self) -> &GaugeSettings {
        &self.settings
    }

    /// The raw number that it gives for what it feels at `at`.
    pub(super) fn sample(&mut self, levels: &Levels, at: Steady) -> f64 {
        let waited = self.last.map_or(Span::ZERO, |last| at.since(last));
        self.last = Some(at);
        self.walk_pa += self.blemish.drift.pascals() * (waited.secs_f64() / 3600.0).sqrt() * self.chance.normal();
        let phase = std::f64::consts::TAU * (self.ripple_hz * (at.nanos() as f64 / 1e9)).fract();
        let extra = self.walk_pa
            + self.blemish.noise.pascals() * self.chance.normal()
            + self.blemish.ripple.pascals() * levels.pump_speed * phase.sin();
        let felt = AbsolutePressure::from_pascals((levels.at(self.settings.place).pascals() + extra).max(0.0));
        let (low, high) = self.settings.range;
        let value = (self.zero + self.span * self.value(felt, levels.room)).clamp(low, high);
        (self.stepped(value) - self.settings.offset) / self.settings.scale
    }

    /// The number in the gauge's unit that stands for a pressure.
    fn value(&self, pressure: AbsolutePressure, room: AbsolutePressure) -> f64 {
        let unit = self.settings.unit.pascals();
        match self.settings.convention {
            PressureConvention::Absolute => pressure.pascals() / unit,
            PressureConvention::Gauge => -pressure.vacuum_below(room).pascals() / unit,
            PressureConvention::Vacuum => pressure.vacuum_below(room).pascals() / unit,
        }
    }

    fn stepped(&self, value: f64) -> f64 {
        if self.blemish.bits == 0 {
            return value;
        }
        let (low, high) = self.settings.range;
        let step = (high - low) / (2f64.powi(i32::from(self.blemish.bits)) - 1.0);
        low + ((value - low) / step).round() * step
    }
}

/// The registers that hold a raw number, held to what its kind can hold.
pub(super) fn registers(raw: f64, kind: NumberKind, order: WordOrder) -> Vec<u16> {
    let words = |bits: u32| match order {
        WordOrder::HighFirst => vec![(bits >> 16) as u16, bits as u16],
        WordOrder::LowFirst => vec![bits as u16, (bits >> 16) as u16],
    };
    match kind {
        NumberKind::U16 => vec![raw.round() as u16],
        NumberKind::I16 => vec![raw.round() as i16 as u16],
        NumberKind::U32 => words(raw.round() as u32),
        NumberKind::I32 => words(raw.round() as i32 as u32),
        NumberKind::F32 => words((raw as f32).to_bits()),
    }
}

/// The line of text that holds a raw number at its place, other numbers before it, without its terminator.
pub(super) fn line_of_text(raw: f64, position: usize, symbol: &str) -> String {
    let before: String = (0..position).map(|index| format!("{index} ")).collect();
    format!("{before}{raw:.3} {symbol}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gauge::{AsciiTalk, Place, Signal, Talk};
    use crate::line::LineId;
    use crate::units::PressureUnit;

    fn settings(convention: PressureConvention, range: (f64, f64)) -> GaugeSettings {
        GaugeSettings {
            name: "manifold".into(),
            line: LineId(0),
            place: Place::Manifold,
            zone: None,
            signal: Signal::Digital,
            talk: Talk::Ascii(AsciiTalk { request: vec![], terminator: b'\r', position: 0 }),
            scale: 0.1,
            offset: -5.0,
            unit: PressureUnit::Millibar,
            convention,
            range,
            every: Span::from_millis(100),
        }
    }

    const ROOM: AbsolutePressure = AbsolutePressure::STANDARD_ATMOSPHERE;

    fn felt(manifold: AbsolutePressure) -> Levels {
        Levels { room: ROOM, manifold, pump_inlet: ROOM, pump_speed: 1.0 }
    }

    #[test]
    fn a_perfect_transducer_says_what_its_settings_read_back() {
        for (convention, range) in [
            (PressureConvention::Absolute, (0.0, 1100.0)),
            (PressureConvention::Gauge, (-1100.0, 100.0)),
            (PressureConvention::Vacuum, (-100.0, 1100.0)),
        ] {
            let told = settings(convention, range);
            let mut transducer = Transducer::new(told.clone(), Blemish::NONE, 1);
            let truth = AbsolutePressure::from_pascals(31_400.0);
            let raw = transducer.sample(&felt(truth), Steady::from_nanos(5));
            let read = told.pressure(raw, ROOM);
            assert!((read.pascals() - truth.pascals()).abs() < 1e-6, "{convention:?}: {read:?}");
        }
    }

    /// 5 standard errors of 4000 samples; the sine of amplitude a adds a²/2 to the variance (definition).
    #[test]
    fn noise_and_ripple_have_the_size_that_was_asked_for() {
        let told = settings(PressureConvention::Absolute, (0.0, 1100.0));
        let blemish = Blemish { drift: Vacuum::ZERO, accuracy: 0.0, ..Blemish::USUAL };
        let mut transducer = Transducer::new(told.clone(), blemish, 3);
        let truth = AbsolutePressure::from_pascals(40_000.0);
        let errors: Vec<f64> = (0..4000u64)
            .map(|n| transducer.sample(&felt(truth), Steady::from_nanos(n * 100_000_000)))
            .map(|raw| told.pressure(raw, ROOM).pascals() - truth.pascals())
            .collect();
        let mean = errors.iter().sum::<f64>() / 4000.0;
        let variance = errors.iter().map(|e| (e - mean) * (e - mean)).sum::<f64>() / 3999.0;
        let expected = 100.0 * 100.0 + 80.0 * 80.0 / 2.0;
        assert!((variance / expected - 1.0).abs() < 5.0 * (2.0f64 / 4000.0).sqrt(), "{variance} against {expected}");
    }

    /// IEEE 754: 0.15625 is 0x3E20_0000 (from memory, the usual textbook example).
    #[test]
    fn registers_hold_the_number_in_the_order_that_was_told() {
        assert_eq!(registers(0.15625, NumberKind::F32, WordOrder::HighFirst), [0x3E20, 0x0000]);
        assert_eq!(registers(0.15625, NumberKind::F32, WordOrder::LowFirst), [0x0000, 0x3E20]);
        assert_eq!(registers(-2.0, NumberKind::I16, WordOrder::HighFirst), [0xFFFE]);
        assert_eq!(registers(-2.0, NumberKind::I32, WordOrder::HighFirst), [0xFFFF, 0xFFFE]);
        assert_eq!(registers(70_000.4, NumberKind::U32, WordOrder::LowFirst), [0x1170, 0x0001]);
        assert_eq!(registers(70_000.0, NumberKind::U16, WordOrder::HighFirst), [0xFFFF]);
        assert_eq!(registers(f64::NAN, NumberKind::U16, WordOrder::HighFirst), [0]);
    }

    #[test]
    fn the_reading_stands_at_its_place_in_the_line() {
        assert_eq!(line_of_text(-512.25, 0, "mbar"), "-512.250 mbar");
        assert_eq!(line_of_text(61.5, 2, "kPa"), "0 1 61.500 kPa");
    }
}
