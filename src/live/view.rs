//! What is shown while playing, as plain data: read from meters and board, drawn elsewhere.

use super::session::{Backend, Delay, Session};

/// One control.
#[derive(Clone, Debug, PartialEq)]
pub struct Knob {
    pub name: String,
    pub label: String,
    /// 0 to 10.
    pub number: f64,
    pub clock: String,
}

/// A valve's grid.
#[derive(Clone, Debug, PartialEq)]
pub struct Grid {
    pub valve: String,
    /// Share of the time with current in it.
    pub conducting: f64,
}

/// Everything at one moment.
#[derive(Clone, Debug, PartialEq)]
pub struct View {
    pub title: String,
    pub path: String,
    pub sample_rate_hz: u32,
    pub input: String,
    pub output: String,
    pub running: bool,
    pub versions: Vec<String>,
    pub on: usize,
    pub knobs: Vec<Knob>,
    pub matched: bool,
    pub muted: bool,
    pub limiter: bool,
    pub together: bool,
    pub volume_db: f64,
    /// Largest since the last look.
    pub input_volts: f64,
    pub full_scale_volts: f64,
    pub input_clipped: u64,
    /// Before the limiter, as a share of full scale.
    pub output_peak: f64,
    pub output_over: u64,
    pub limiter_db: f64,
    pub grids: Vec<Grid>,
    /// Shares of its time that the callback took: the middle one, and what 99.9 % stay within.
    pub load_median: Option<f64>,
    pub load_most: Option<f64>,
    pub late: u64,
    /// Gaps told by the device, and times that input was missing.
    pub gaps: u64,
    pub input_gaps: u64,
    pub troubles: u64,
    pub delay: Delay,
    /// `None` if both sides run by one clock.
    pub drift_ppm: Option<f64>,
    pub recorded_s: Option<f64>,
    pub unrecorded_frames: u64,
}

impl View {
    /// Reads everything; peaks start anew.
    pub fn of<B: Backend>(session: &Session<B>, title: &str, path: &str) -> Self {
        let (meters, agreed) = (&session.meters, session.agreed());
        let settings = session.board.settings();
        let on = session.board.on();
        let rate_hz = f64::from(agreed.sample_rate_hz);
        let two_clocks =
            session.plan().clip.is_none() && agreed.clocks == super::input::Clocks::Two;
        let knobs = on.into_iter().flat_map(|version| {
            let state = version.state();
            state.controls().iter().map(|(name, control)| {
                let at = state.positions().get(name).copied().unwrap_or(control.position);
                Knob {
                    name: name.clone(),
                    label: control.label.clone(),
                    number: at.number(),
                    clock: at.clock(),
                }
            })
        });
        let valves = on.map(|version| version.plan().valves()).unwrap_or_default();
        Self {
            title: title.to_owned(),
            path: path.to_owned(),
            sample_rate_hz: agreed.sample_rate_hz,
            input: match (&session.plan().clip, &agreed.input) {
                (Some(_), _) => "a clip".to_owned(),
                (None, Some(name)) => name.clone(),
                (None, None) => "none".to_owned(),
            },
            output: agreed.output.clone(),
            running: session.is_running(),
            versions: session
                .board
                .versions()
                .iter()
                .map(|v| match v.state().version() {
                    "" => v.state().title().to_owned(),
                    name => name.to_owned(),
                })
                .collect(),
            on: settings.version,
            knobs: knobs.collect(),
            matched: settings.matched,
            muted: settings.muted,
            limiter: settings.limiter,
            together: settings.together,
            volume_db: settings.volume_db,
            input_volts: meters.input_volts.take(),
            full_scale_volts: session.plan().full_scale_volts,
            input_clipped: meters.input_clipped.get(),
            output_peak: meters.output.take(),
            output_over: meters.output_over.get(),
            limiter_db: 20.0 * meters.limiter_gain.get().max(1e-6).log10(),
            grids: valves
                .into_iter()
                .zip(&meters.conducting)
                .map(|(valve, share)| Grid { valve, conducting: share.get() })
                .collect(),
            load_median: meters.loads.quantile(0.5),
            load_most: meters.loads.quantile(0.999),
            late: meters.late.get(),
            gaps: meters.device_gaps.get(),
            input_gaps: meters.input_gaps.get(),
            troubles: meters.troubles.get(),
            delay: session.delay(),
            drift_ppm: two_clocks.then(|| meters.drift_ppm.get()),
            recorded_s: session.recorded_frames().map(|f| f as f64 / rate_hz),
            unrecorded_frames: meters.unrecorded_frames.get(),
        }
    }

    /// Input that reached full scale or was cut off, output above it, grids that conduct: words.
    pub fn line(&self) -> String {
        let decibels = |x: f64| 20.0 * x.max(1e-6).log10();
        let percent = |share: Option<f64>| share.map_or(0.0, |s| 100.0 * s);
        let mut line = format!(
            "{}{} | in {:.3} V{} | out {:.1} dB{} | load {:.0} %, at most {:.0} % | gaps {}",
            self.versions.get(self.on).map_or("", String::as_str),
            if self.muted { " (muted)" } else { "" },
            self.input_volts,
            if self.input_clipped > 0 { " CLIPPED" } else { "" },
            decibels(self.output_peak),
            if self.limiter_db < -0.1 { " limited" } else { "" },
            percent(self.load_median),
            percent(self.load_most),
            self.gaps + self.input_gaps,
        );
        if let Some(ppm) = self.drift_ppm {
            line.push_str(&format!(" | clocks {ppm:+.1} ppm"));
        }
        let conducting: Vec<&str> =
            self.grids.iter().filter(|g| g.conducting > 0.0).map(|g| g.valve.as_str()).collect();
        if !conducting.is_empty() {
            line.push_str(&format!(" | grid current in {}", conducting.join(", ")));
        }
        line
    }

    /// The delay in words.
    pub fn delay_line(&self) -> String {
        let ms = |frames: f64| 1e3 * frames / f64::from(self.sample_rate_hz);
        let d = &self.delay;
        format!(
            "delay {:.1} ms + converters: waiting {:.1}, resampler {:.1}, amp {:.1}, block {:.1}",
            ms(d.total_frames()),
            ms(d.waiting_frames),
            ms(d.resampler_frames as f64),
            ms(d.amp_frames as f64),
            ms(d.output_frames as f64)
        )
    }
}
