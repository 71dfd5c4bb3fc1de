//! Chance that the same seed repeats: splitmix64 and what is drawn from it.
//!
//! Sources: G. L. Steele, D. Lea, C. H. Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014 (the
//! generator); G. E. P. Box, M. E. Muller, Annals of Mathematical Statistics 29 (1958) (the normal deviate).

/// A stream of chance.
#[derive(Clone, Debug)]
pub(super) struct Chance(u64);

impl Chance {
    /// The stream of a seed.
    pub(super) fn new(seed: u64) -> Self {
        Chance(seed)
    }

    /// The next 64 bits.
    pub(super) fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// A number in 0..1, 1 left out.
    pub(super) fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// A number between two others.
    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Whether something that happens with this probability does.
    pub(super) fn happens(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// A whole number below `count`; 0 for a count of 0.
    pub(super) fn below(&mut self, count: usize) -> usize {
        (self.unit() * count as f64) as usize
    }

    /// A normal deviate with mean 0 and standard deviation 1.
    pub(super) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.unit()).cos()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first five numbers of seed 1234567 as listed in public tables of test values for splitmix64 (from memory).
    #[test]
    fn the_generator_gives_its_published_numbers() {
        let mut chance = Chance::new(1_234_567);
        let drawn: Vec<u64> = (0..5).map(|_| chance.bits()).collect();
        assert_eq!(
            drawn,
            [
                6_457_827_717_110_365_317,
                3_203_168_211_198_807_973,
                9_817_491_932_198_370_423,
                4_593_380_528_125_082_431,
                16_408_922_859_458_223_821
            ]
        );
    }

    /// Tolerances are five standard errors of mean, variance and tail share of 40 000 normal deviates.
    #[test]
    fn normal_deviates_have_the_normal_moments_and_tail() {
        let mut chance = Chance::new(7);
        let drawn: Vec<f64> = (0..40_000).map(|_| chance.normal()).collect();
        let count = drawn.len() as f64;
        let mean = drawn.iter().sum::<f64>() / count;
        let variance = drawn.iter().map(|x| x * x).sum::<f64>() / count;
        let beyond_two = drawn.iter().filter(|x| x.abs() > 2.0).count() as f64 / count;
        assert!(mean.abs() < 0.025, "{mean}");
        assert!((variance - 1.0).abs() < 0.035, "{variance}");
        assert!((beyond_two - 0.0455).abs() < 0.0052, "{beyond_two}");
    }
}
