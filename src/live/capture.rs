//! Listening without an amp: for measuring what the interface gives.

use rtrb::{Consumer, Producer, RingBuffer};

use super::engine::Process;

/// Plays a signal once (or nothing) and hands on what comes in.
#[derive(Debug)]
pub struct Capture {
    play: Vec<f64>,
    at: usize,
    heard: Producer<f64>,
}

impl Capture {
    /// Plays `play` and hands on up to `frames` of input, which is then to be read from the ring.
    pub fn new(play: Vec<f64>, frames: usize) -> (Self, Consumer<f64>) {
        let (heard, ring) = RingBuffer::new(frames);
        (Self { play, at: 0, heard }, ring)
    }
}

impl Process for Capture {
    fn process(&mut self, input_volts: &[f64], output: &mut [f64]) {
        for (x, y) in input_volts.iter().zip(output) {
            // What finds no room is not wanted any more.
            let _ = self.heard.push(*x);
            *y = self.play.get(self.at).copied().unwrap_or(0.0);
            self.at += 1;
        }
    }
}
