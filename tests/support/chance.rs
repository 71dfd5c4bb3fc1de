//! Numbers by chance, the same for the same seed.

/// SplitMix64 (Steele, Lea and Flood 2014); normal numbers by Box and Muller 1958.
pub(crate) struct Chance(u64);

impl Chance {
    pub(crate) fn seeded(seed: u64) -> Self {
        Chance(seed)
    }

    /// From 0 to 1, 1 not included.
    pub(crate) fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// With the mean 0 and the deviation 1.
    pub(crate) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}
