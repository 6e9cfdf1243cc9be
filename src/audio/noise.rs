//! Repeatable noise, so that the same input always makes the same bytes.

/// A small generator of repeatable noise: SplitMix64 (Steele, Lea, Flood, "Fast splittable
/// pseudorandom number generators", OOPSLA 2014). Not for secrets.
#[derive(Clone, Debug)]
pub struct Noise {
    state: u64,
}

impl Noise {
    /// The same seed always gives the same sequence.
    pub fn new(seed: u64) -> Noise {
        Noise { state: seed }
    }

    fn next_u64(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Evenly spread from 0 up to, not including, 1.
    pub fn uniform(&mut self) -> f64 {
        // 53 bits are all that an f64 of this size can hold.
        (self.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Triangular from -1 to 1 with variance 1/6: the sum of two uniform values, as dither
    /// without noise modulation needs it (Lipshitz, Wannamaker, Vanderkooy, "Quantization and
    /// dither: a theoretical survey", JAES 40(5), 1992).
    pub fn triangular(&mut self) -> f64 {
        self.uniform() - self.uniform()
    }
}

#[cfg(test)]
mod tests {
    use super::Noise;

    /// First outputs for seed 1234567, as published with the reference C code of SplitMix64
    /// (values from memory).
    #[test]
    fn known_sequence() {
        let mut noise = Noise::new(1_234_567);
        let got: Vec<u64> = (0..5).map(|_| noise.next_u64()).collect();
        let published = [
            6_457_827_717_110_365_317,
            3_203_168_211_198_807_973,
            9_817_491_932_198_370_423,
            4_593_380_528_125_082_431,
            16_408_922_859_458_223_821,
        ];
        assert_eq!(got, published);
    }

    #[test]
    fn triangular_moments() {
        let mut noise = Noise::new(7);
        let count = 200_000;
        let values: Vec<f64> = (0..count).map(|_| noise.triangular()).collect();
        let mean = values.iter().sum::<f64>() / count as f64;
        let variance = values.iter().map(|v| v * v).sum::<f64>() / count as f64;
        assert!(mean.abs() < 5e-3, "mean {mean}");
        assert!((variance - 1.0 / 6.0).abs() < 2e-3, "variance {variance}");
        assert!(values.iter().all(|v| v.abs() < 1.0));
    }
}
