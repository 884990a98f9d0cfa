//! A small generator of numbers that look random: the same seed gives the same faults on every machine and for ever.

/// SplitMix64: a 64-bit counter with step 0x9E3779B97F4A7C15, mixed by two multiplications. Good enough to scatter
/// faults over a roll, and nothing else: no secret may come from it.
///
/// Rule: Steele, Lea, Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014.
#[derive(Debug, Clone)]
pub struct Random {
    state: u64,
}

impl Random {
    /// Begins with a seed.
    pub const fn new(seed: u64) -> Self {
        Self { state: seed }
    }

    /// The next 64 bits.
    pub const fn next_u64(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.state;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// A number from `first` to `last`, both included; `first` where the range is empty.
    ///
    /// Takes the upper part of a product, whose bias over such small ranges is below one in a thousand million.
    pub fn between(&mut self, first: u32, last: u32) -> u32 {
        let width = u128::from(last.saturating_sub(first)) + 1;
        let scaled = (u128::from(self.next_u64()) * width) >> 64;
        // Below `width`, which is at most 2^32.
        first.saturating_add(u32::try_from(scaled).unwrap_or(0))
    }
}

#[cfg(test)]
mod tests {
    use super::Random;

    /// First outputs for seed 1234567, from memory of the published list of the reference implementation.
    #[test]
    fn known_answers() {
        let mut random = Random::new(1_234_567);
        let first = [(); 3].map(|()| random.next_u64());
        assert_eq!(first, [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423]);
    }

    #[test]
    fn a_range_is_filled_and_kept() {
        let mut random = Random::new(7);
        let mut seen = [0_u32; 6];
        for _ in 0..6_000 {
            seen[random.between(3, 8) as usize - 3] += 1;
        }
        assert!(seen.iter().all(|times| (800..1_200).contains(times)), "{seen:?}");
        assert_eq!(random.between(5, 5), 5);
        assert_eq!(random.between(5, 4), 5);
        assert!(random.between(0, u32::MAX) > 0);
    }
}
