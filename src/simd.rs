//! Loops compiled for the widest vectors that the processor has.
//!
//! The program must start on any 64-bit processor, so it is compiled for the least of them, and its
//! loops run on vectors of two numbers. Nearly all processors in use have vectors of four. [`widest`]
//! runs a piece of work in a copy compiled for these where the processor says that it has them.
//!
//! Measured need: the linear path is 1.27 times as fast and passes twice the speed of a general-purpose
//! filter only so, the driven path 1.2 to 1.3 times (`docs/speed.md`), and they are what a user waits for.
//! Both copies do the same operations in the
//! same order, without fused multiplication, so a result does not depend on the processor.

/// A piece of work. Everything it calls that is to profit must be `#[inline(always)]`, as must be
/// [`Work::run`] itself.
pub trait Work {
    /// What it gives.
    type Output;
    /// Does it.
    fn run(self) -> Self::Output;
}

/// Does a piece of work on the widest vectors there are.
#[inline]
pub fn widest<W: Work>(work: W) -> W::Output {
    #[cfg(target_arch = "x86_64")]
    if std::is_x86_feature_detected!("avx2") {
        // The one unsafe line of the crate.
        // SAFETY: the processor has what the copy is compiled for.
        #[allow(unsafe_code)]
        return unsafe { on_four(work) };
    }
    work.run()
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn on_four<W: Work>(work: W) -> W::Output {
    work.run()
}

/// Numbers that go side by side.
pub const QUAD: usize = 4;

/// Four numbers: of a column, of sections, of frames.
#[derive(Clone, Copy, Debug, PartialEq)]
#[repr(align(32))]
pub struct Quad(pub [f64; QUAD]);

impl Quad {
    /// No derived default: its code would be a call.
    pub const ZERO: Self = Self([0.0; QUAD]);

    /// `self += m x`.
    #[inline(always)]
    pub fn add(&mut self, m: &Self, x: f64) {
        for k in 0..QUAD {
            self.0[k] += m.0[k] * x;
        }
    }

    /// All four times a number.
    #[inline(always)]
    pub fn by(&self, x: f64) -> Self {
        let mut new = *self;
        for k in 0..QUAD {
            new.0[k] *= x;
        }
        new
    }

    /// The sum of the four.
    #[inline(always)]
    pub fn total(&self) -> f64 {
        (self.0[0] + self.0[1]) + (self.0[2] + self.0[3])
    }

    /// Sum, place by place.
    #[inline(always)]
    pub fn plus(&self, other: &Self) -> Self {
        let mut new = *self;
        for k in 0..QUAD {
            new.0[k] += other.0[k];
        }
        new
    }

    /// Difference.
    #[inline(always)]
    pub fn less(&self, other: &Self) -> Self {
        let mut new = *self;
        for k in 0..QUAD {
            new.0[k] -= other.0[k];
        }
        new
    }

    /// Product, place by place.
    #[inline(always)]
    pub fn times(&self, other: &Self) -> Self {
        let mut new = *self;
        for k in 0..QUAD {
            new.0[k] *= other.0[k];
        }
        new
    }

    /// In each place the larger one of what is here and the other's absolute value; not for NaN.
    #[inline(always)]
    pub fn larger_size(&self, other: &Self) -> Self {
        let mut new = *self;
        for k in 0..QUAD {
            new.0[k] = larger(other.0[k].abs(), new.0[k]);
        }
        new
    }

    /// The largest of the four; not for NaN.
    #[inline(always)]
    pub fn largest(&self) -> f64 {
        larger(larger(self.0[0], self.0[1]), larger(self.0[2], self.0[3]))
    }
}

/// The larger one of two numbers, without the care for NaN that `f64::max` takes.
#[inline(always)]
pub fn larger(a: f64, b: f64) -> f64 {
    if a > b { a } else { b }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Sum<'a>(&'a [f64]);

    impl Work for Sum<'_> {
        type Output = f64;
        #[inline(always)]
        fn run(self) -> f64 {
            let mut sums = [0.0; 4];
            for four in self.0.chunks_exact(4) {
                for k in 0..4 {
                    sums[k] += four[k] * 1.1;
                }
            }
            sums.iter().sum()
        }
    }

    /// To the last bit.
    #[test]
    fn the_result_does_not_depend_on_the_width() {
        let list: Vec<f64> = (0..400).map(|k| 1.0 / f64::from(k + 3)).collect();
        assert_eq!(widest(Sum(&list)), Sum(&list).run());
    }
}
