//! Numbers that look random and can be asked for in any order: a counter, well mixed.
//!
//! Each draw is a function of the seed, its number and a name, so that the answer does not
//! depend on how the work is shared out among threads, nor on what other parts there are.
//! The mixing is that of G. Steele, D. Lea, C. Flood, "Fast splittable pseudorandom number
//! generators", OOPSLA 2014 (SplitMix64).

/// The odd number nearest to 2^64 divided by the golden ratio.
const GOLDEN: u64 = 0x9e37_79b9_7f4a_7c15;

fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// A place in the stream of a seed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Counter(u64);

impl Counter {
    /// The draw of that number.
    pub fn new(seed: u64, draw: u64) -> Self {
        Self(mix(mix(seed.wrapping_add(GOLDEN)).wrapping_add(draw.wrapping_mul(GOLDEN))))
    }

    /// What belongs to a name within the draw.
    pub fn named(self, name: &str) -> Self {
        // FNV-1a over the name's bytes.
        let fold = |h: u64, b: u8| (h ^ u64::from(b)).wrapping_mul(0x0000_0100_0000_01b3);
        let hash = name.bytes().fold(0xcbf2_9ce4_8422_2325, fold);
        Self(mix(self.0 ^ mix(hash)))
    }

    /// The next one of the same name.
    pub fn next(self) -> Self {
        Self(mix(self.0.wrapping_add(GOLDEN)))
    }
}

/// From 0 to below 1, evenly.
pub fn unit(counter: Counter) -> f64 {
    // 53 bits: every one of them is a double.
    (mix(counter.0) >> 11) as f64 / (1u64 << 53) as f64
}
