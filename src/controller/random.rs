//! Seeded random numbers for the simulation.
//!
//! Owns one small generator. It is written out here, so that a seed gives the same drive for as long as this file
//! stays as it is, whatever happens to any library. No good for secrets.
//!
//! Source: the splitmix64 step of Steele, Lea and Flood, "Fast splittable pseudorandom number generators" (2014),
//! constants from memory.

/// A stream of random numbers. Streams of one seed with different names have nothing to do with each other.
#[derive(Clone, Debug)]
pub(super) struct Random {
    state: u64,
}

impl Random {
    /// The stream `name` of `seed`.
    pub(super) fn new(seed: u64, name: u64) -> Self {
        Self { state: mix(seed).wrapping_add(mix(name ^ 0x5DEE_CE66_D1CE_4E5B)) }
    }

    /// 64 random bits.
    pub(super) fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        mix(self.state)
    }

    /// A number from 0 up to but not 1.
    pub(super) fn share(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// A number from `low` up to but not `high`.
    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.share()
    }

    /// A whole number below `limit`, which is above 0. The bias for small limits is far below anything seen here.
    pub(super) fn below(&mut self, limit: u64) -> u64 {
        self.bits() % limit
    }

    /// True in `share` of all cases.
    pub(super) fn chance(&mut self, share: f64) -> bool {
        self.share() < share
    }

    /// Noise around 0 with a standard deviation of 1: the sum of four even numbers, which never leaves ±3.5.
    pub(super) fn noise(&mut self) -> f64 {
        let bits = self.bits();
        let sum = (bits & 0xFFFF) + (bits >> 16 & 0xFFFF) + (bits >> 32 & 0xFFFF) + (bits >> 48);
        (sum as f64 - 131_070.0) / 37_837.0
    }
}

fn mix(value: u64) -> u64 {
    let value = (value ^ (value >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let value = (value ^ (value >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    value ^ (value >> 31)
}

#[cfg(test)]
mod tests {
    use super::Random;

    #[test]
    fn noise_has_mean_zero_and_deviation_one() {
        let mut random = Random::new(1, 2);
        let sample: Vec<f64> = (0..100_000).map(|_| random.noise()).collect();
        let mean = sample.iter().sum::<f64>() / 1e5;
        let square = sample.iter().map(|x| x * x).sum::<f64>() / 1e5;
        assert!(mean.abs() < 0.02, "{mean}");
        assert!((square - 1.0).abs() < 0.02, "{square}");
    }

    #[test]
    fn streams_of_one_seed_differ() {
        assert_ne!(Random::new(1, 2).bits(), Random::new(1, 3).bits());
        assert_ne!(Random::new(1, 2).bits(), Random::new(2, 2).bits());
    }
}
