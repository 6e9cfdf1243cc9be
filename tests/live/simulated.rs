//! A sound device in simulated time: two callbacks, two clocks, blocks of any size.

use std::sync::mpsc::Sender;
use std::sync::{Arc, Mutex};

use presolder::live::{Agreed, Backend, Clocks, Event, InputEnd, LiveError, OutputEnd};

/// What runs while it is not dropped.
pub struct Parts {
    pub output: OutputEnd,
    pub events: Sender<Event>,
}

pub type Shared = Arc<Mutex<Option<Parts>>>;

/// The device; `plugged` says whether it is there.
pub struct Simulated {
    pub agreed: Agreed,
    pub plugged: bool,
    pub parts: Shared,
}

impl Simulated {
    pub fn new(sample_rate_hz: u32, clocks: Clocks) -> Self {
        let agreed = Agreed {
            sample_rate_hz,
            clocks,
            input: Some("simulated input".to_owned()),
            output: "simulated output".to_owned(),
            buffer_frames: None,
        };
        Self { agreed, plugged: true, parts: Arc::default() }
    }
}

/// Takes the callbacks away when it is dropped, as a stream does.
pub struct Running(Shared);

impl Drop for Running {
    fn drop(&mut self) {
        self.0.lock().expect("the parts").take();
    }
}

impl Backend for Simulated {
    type Running = Running;

    fn agree(&mut self) -> Result<Agreed, LiveError> {
        if self.plugged {
            Ok(self.agreed.clone())
        } else {
            Err(LiveError::NoDevices { kind: "output", instead: "plug it in" })
        }
    }

    fn open(
        &mut self,
        _: &Agreed,
        _: Option<InputEnd>,
        output: OutputEnd,
        events: Sender<Event>,
    ) -> Result<Running, LiveError> {
        *self.parts.lock().expect("the parts") = Some(Parts { output, events });
        Ok(Running(self.parts.clone()))
    }
}

/// Runs both callbacks for a time: each comes when its clock has counted the frames of its block. The
/// input's clock runs fast by `ppm`; `signal` gives the input by its sample number.
pub struct World<S, I, O> {
    pub rate_hz: f64,
    pub ppm: f64,
    pub signal: S,
    pub sizes_in: I,
    pub sizes_out: O,
    now_in_s: f64,
    now_out_s: f64,
    sample: u64,
    block: Vec<f32>,
}

impl<S, I, O> World<S, I, O>
where
    S: FnMut(u64) -> f32,
    I: Iterator<Item = usize>,
    O: Iterator<Item = usize>,
{
    pub fn new(rate_hz: f64, ppm: f64, signal: S, sizes_in: I, sizes_out: O) -> Self {
        let (now_in_s, now_out_s) = (0.0, 0.0);
        let (sample, block) = (0, Vec::new());
        Self { rate_hz, ppm, signal, sizes_in, sizes_out, now_in_s, now_out_s, sample, block }
    }

    /// Runs until `until_s`; the output goes to `heard`.
    pub fn run(
        &mut self,
        input: &mut InputEnd,
        output: &mut OutputEnd,
        until_s: f64,
        mut heard: impl FnMut(&[f32]),
    ) {
        let in_rate_hz = self.rate_hz * (1.0 + self.ppm * 1e-6);
        let mut next_in = self.sizes_in.next().expect("a size");
        let mut next_out = self.sizes_out.next().expect("a size");
        loop {
            // A block of input is there when its last sample is.
            let in_at_s = self.now_in_s + next_in as f64 / in_rate_hz;
            if in_at_s.min(self.now_out_s) >= until_s {
                return;
            }
            if in_at_s <= self.now_out_s {
                self.block.clear();
                for _ in 0..next_in {
                    self.block.push((self.signal)(self.sample));
                    self.sample += 1;
                }
                input.take(&self.block, 1, in_at_s);
                self.now_in_s = in_at_s;
                next_in = self.sizes_in.next().expect("a size");
            } else {
                self.block.clear();
                self.block.resize(next_out, 0.0);
                output.fill(&mut self.block, 1, self.now_out_s);
                heard(&self.block);
                self.now_out_s += next_out as f64 / self.rate_hz;
                next_out = self.sizes_out.next().expect("a size");
            }
        }
    }
}
