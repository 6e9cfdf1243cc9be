//! Values that go from one to the next in a straight line.

/// A gain that reaches its target in a given number of frames, and then is it to the last digit.
#[derive(Clone, Copy, Debug)]
pub struct Glide {
    value: f64,
    target: f64,
    step: f64,
    frames_left: usize,
}

impl Glide {
    /// Stands still at a value.
    pub fn at(value: f64) -> Self {
        Self { value, target: value, step: 0.0, frames_left: 0 }
    }

    /// Sets out for a target.
    pub fn go_to(&mut self, target: f64, frames: usize) {
        self.target = target;
        self.frames_left = frames;
        self.step = (target - self.value) / frames.max(1) as f64;
        if frames == 0 {
            self.value = target;
        }
    }

    /// The value of this frame; moves on to the next.
    #[inline(always)]
    pub fn next_value(&mut self) -> f64 {
        let now = self.value;
        if self.frames_left > 0 {
            self.frames_left -= 1;
            self.value = if self.frames_left == 0 { self.target } else { self.value + self.step };
        }
        now
    }
}

#[cfg(test)]
mod tests {
    use super::Glide;

    #[test]
    fn arrives_exactly() {
        let mut glide = Glide::at(0.3);
        glide.go_to(1.0, 7);
        let values: Vec<f64> = (0..9).map(|_| glide.next_value()).collect();
        assert_eq!((values[0], values[7], values[8]), (0.3, 1.0, 1.0));
        assert!(values.windows(2).all(|w| w[1] - w[0] < 0.1 + 1e-12));
    }
}
