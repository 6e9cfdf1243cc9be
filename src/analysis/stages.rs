//! How far each valve is driven, and how much of the distortion at the output each one makes.
//!
//! The share of a valve is exact, not a guess from its grid: the circuit is its linearised self with
//! sources beside the valves that carry what each valve's current has over its linearisation, so by
//! superposition each harmonic at the output is the sum over the valves of that excess at the
//! harmonic times the transfer impedance of the circuit at rest. Feedback and push-pull cancellation
//! are in the impedances and phases. It is the frequency-domain substitution that harmonic balance
//! rests on (K. Kundert, A. Sangiovanni-Vincentelli, "Simulation of nonlinear circuits in the
//! frequency domain", IEEE Trans. CAD 5(4), 1986).

use std::sync::Arc;

use nalgebra::Complex;
use serde::Serialize;

use super::tone::{Patience, Tone, ToneRun};
use crate::circuit::system::{DeviceLaw, MAX_PORTS, System};
use crate::circuit::{Circuit, CircuitError, GROUND, Kind, LinearCircuit, Node};
use crate::driven::{DrivenError, DrivenPlan, DrivenProcessor, Quality, ValveReport};

/// Samples that are run at a time.
const BLOCK: usize = 1024;

/// Where the signal leaves a valve.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Electrode {
    Plate,
    Cathode,
}

impl Electrode {
    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Self::Plate => "plate",
            Self::Cathode => "cathode",
        }
    }
}

/// A valve's part in the answer to a sine.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StageTone {
    /// Reference designator of the valve or diode.
    pub valve: String,
    /// Grid to cathode at rest (of a diode: anode to cathode).
    pub bias_volts: f64,
    /// Where its signal leaves: plate or cathode, whichever moves more.
    pub leaves_at: Electrode,
    /// THD there, in percent.
    pub thd_percent: f64,
    /// Share of the distortion at the output that this valve makes: the shares of all add up to 1,
    /// one that works against the others is negative. Of a push-pull pair each may have several
    /// times the whole, since what they make cancels for the most part.
    #[serde(rename = "share_of_distortion")]
    pub share: f64,
    /// The valves that work as one stage with this one, itself among them: `V3+V4`.
    pub stage: String,
    /// Share of the distortion that the stage makes.
    #[serde(rename = "stage_share_of_distortion")]
    pub stage_share: f64,
}

/// The answer to a sine, stage by stage.
#[derive(Clone, Debug, PartialEq)]
pub struct StageTones {
    /// At the output.
    pub output: Tone,
    pub stages: Vec<StageTone>,
    /// Harmonics 2 and up at the output, as complex peaks: as they are, and as the valves' shares
    /// make them up. What parts them is how exact the shares are.
    pub harmonics: Vec<(Complex<f64>, Complex<f64>)>,
}

impl StageTones {
    /// Stages with their shares of the distortion, the largest first.
    pub fn shares(&self) -> Vec<(&str, f64)> {
        shares(&self.stages)
    }
}

/// Stages with their shares of the distortion, the largest first.
pub fn shares(valves: &[StageTone]) -> Vec<(&str, f64)> {
    let mut found: Vec<(&str, f64)> = Vec::new();
    for valve in valves {
        if !found.iter().any(|(stage, _)| *stage == valve.stage) {
            found.push((&valve.stage, valve.stage_share));
        }
    }
    // Stable: of equals the one nearest to the input comes first.
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    found
}

/// How far a clip drove a valve.
#[derive(Clone, Debug, PartialEq)]
pub struct StageDrive {
    /// Bias, extremes of the grid, share of time in conduction.
    pub grid: ValveReport,
    /// Peak over RMS of the grid-cathode voltage, in dB, without its mean.
    pub crest_in_db: f64,
    /// The same where the signal leaves.
    pub crest_out_db: f64,
    pub leaves_at: Electrode,
}

/// A valve or diode with the places of its nodes among a plan's outputs.
#[derive(Clone, Debug)]
struct Probe {
    name: String,
    law: DeviceLaw,
    /// Upper and lower node of each port, as outputs; `None` is ground.
    ports: Vec<[Option<usize>; 2]>,
    pairs: Vec<[Node; 2]>,
    /// Which stage it belongs to: valves of one number work together.
    stage: usize,
}

impl Probe {
    fn is_valve(&self) -> bool {
        !matches!(self.law, DeviceLaw::Diode { .. })
    }

    /// Plate and cathode as outputs.
    fn ends(&self) -> [Option<usize>; 2] {
        self.ports.last().copied().unwrap_or([None, None])
    }

    /// Where the signal leaves, given how far each output moves.
    fn leaves_at(&self, moves: impl Fn(usize) -> f64) -> (Electrode, Option<usize>) {
        let [plate, cathode] = self.ends();
        let far = |end: Option<usize>| end.map_or(0.0, &moves);
        if far(plate) >= far(cathode) {
            (Electrode::Plate, plate)
        } else {
            (Electrode::Cathode, cathode)
        }
    }
}

/// A circuit with a probe at every valve, ready to run.
#[derive(Clone, Debug)]
pub struct Stages {
    plan: Arc<DrivenPlan>,
    linear: LinearCircuit,
    output: Node,
    probes: Vec<Probe>,
}

impl Stages {
    /// Prepares a circuit.
    ///
    /// # Errors
    /// As [`DrivenPlan::new`].
    pub fn new(
        circuit: &Circuit,
        input: &str,
        output: Node,
        sample_rate_hz: f64,
        quality: Quality,
    ) -> Result<Self, DrivenError> {
        let system = System::new(circuit)?;
        let mut nodes = vec![output];
        let mut probes = Vec::new();
        for (device, stage) in system.devices.iter().zip(stages(circuit, &system)) {
            let mut place = |u: Option<usize>| {
                u.map(|u| {
                    let node = Node(u + 1);
                    nodes.iter().position(|n| *n == node).unwrap_or_else(|| {
                        nodes.push(node);
                        nodes.len() - 1
                    })
                })
            };
            probes.push(Probe {
                name: circuit.parts().nth(device.part).map_or_else(String::new, |p| p.name.clone()),
                law: device.law.clone(),
                ports: device.ports.iter().map(|p| p.map(&mut place)).collect(),
                pairs: device.ports.iter().map(|p| p.map(node)).collect(),
                stage,
            });
        }
        let plan = DrivenPlan::new(circuit, input, &nodes, sample_rate_hz, quality)?;
        Ok(Self { plan: Arc::new(plan), linear: LinearCircuit::of(circuit)?, output, probes })
    }

    /// The plan, whose first output is the one that is heard.
    pub fn plan(&self) -> &Arc<DrivenPlan> {
        &self.plan
    }

    /// The settled answer to a sine, and each valve's part in it.
    ///
    /// # Errors
    /// [`CircuitError::Singular`].
    pub fn tone(
        &self,
        frequency_hz: f64,
        peak_volts: f64,
        patience: Patience,
    ) -> Result<StageTones, CircuitError> {
        let mut run = ToneRun::new(&self.plan, frequency_hz);
        let tones = run.settle_all(peak_volts, patience);
        let output = tones[0].clone();
        let hz: Vec<f64> = (2..=output.harmonics.len()).map(|k| k as f64 * frequency_hz).collect();
        // Made up of the valves' shares, valve by valve.
        let mut made: Vec<Vec<Complex<f64>>> = Vec::new();
        for probe in &self.probes {
            let excess = self.excess(probe, &run);
            let impedances = self.linear.transfer_impedances(&probe.pairs, self.output, &hz)?;
            let mut parts = vec![Complex::from(0.0); hz.len()];
            for (excess, impedances) in excess.iter().zip(&impedances) {
                let harmonics = run.harmonics_of(excess);
                for (part, (i, z)) in parts.iter_mut().zip(harmonics.iter().skip(2).zip(impedances))
                {
                    *part += i * z;
                }
            }
            made.push(parts);
        }
        let heard = run.harmonics_of(run.last_stretch(0));
        let sum = |k: usize| made.iter().map(|parts| parts[k]).sum::<Complex<f64>>();
        let harmonics: Vec<_> = (0..hz.len()).map(|k| (heard[k + 2], sum(k))).collect();
        let power: f64 = harmonics.iter().map(|(_, whole)| whole.norm_sqr()).sum();
        let share = |parts: &[Complex<f64>]| {
            let along =
                parts.iter().zip(&harmonics).map(|(part, (_, whole))| (part * whole.conj()).re);
            along.sum::<f64>() / power.max(1e-300)
        };
        let valve_shares: Vec<f64> = made.iter().map(|parts| share(parts)).collect();
        let together = |stage: usize| {
            let all = self.probes.iter().zip(&valve_shares);
            all.filter(move |(p, _)| p.stage == stage)
        };
        let stages = self.probes.iter().zip(&valve_shares).map(|(probe, share)| {
            let names: Vec<&str> = together(probe.stage).map(|(p, _)| p.name.as_str()).collect();
            let (leaves_at, at) = probe.leaves_at(|k| tones[k].fundamental_volts());
            StageTone {
                valve: probe.name.clone(),
                bias_volts: self.port_volts(probe, |_| 0.0, true)[0],
                leaves_at,
                thd_percent: at.map_or(0.0, |k| tones[k].thd_percent()),
                share: *share,
                stage: names.join("+"),
                stage_share: together(probe.stage).map(|(_, share)| share).sum(),
            }
        });
        Ok(StageTones { output, stages: stages.collect(), harmonics })
    }

    /// Voltages of a valve's ports, given the deviation from rest of each output of the plan.
    fn port_volts(
        &self,
        probe: &Probe,
        deviation: impl Fn(usize) -> f64,
        with_rest: bool,
    ) -> [f64; MAX_PORTS] {
        let rest = self.plan.rest_output_volts();
        let at = |end: Option<usize>| {
            end.map_or(0.0, |k| deviation(k) + if with_rest { rest[k] } else { 0.0 })
        };
        let mut volts = [0.0; MAX_PORTS];
        for (v, port) in volts.iter_mut().zip(&probe.ports) {
            *v = at(port[0]) - at(port[1]);
        }
        volts
    }

    /// What each port's current has over its linearisation at rest, over the last stretch of a run.
    fn excess(&self, probe: &Probe, run: &ToneRun) -> Vec<Vec<f64>> {
        let at_rest = probe.law.currents(&self.port_volts(probe, |_| 0.0, true));
        let length = run.last_stretch(0).len();
        let mut excess = vec![vec![0.0; length]; probe.ports.len()];
        for n in 0..length {
            let now = |k: usize| run.last_stretch(k)[n];
            let deviation = self.port_volts(probe, now, false);
            let whole = self.port_volts(probe, now, true);
            let currents = probe.law.currents(&whole);
            for (port, excess) in excess.iter_mut().enumerate() {
                let slopes = at_rest.by_voltage_s[port];
                let linear: f64 = slopes.iter().zip(&deviation).map(|(g, v)| g * v).sum();
                excess[n] = currents.current_a[port] - at_rest.current_a[port] - linear;
            }
        }
        excess
    }

    /// How far a signal in volts drives each valve, from rest.
    pub fn drive(&self, volts: &[f64]) -> Vec<StageDrive> {
        let mut processor: DrivenProcessor = self.plan.processor();
        let count = self.plan.outputs();
        let mut block = vec![vec![0.0; BLOCK]; count];
        let mut extents = vec![Extent::default(); count];
        let mut grids = vec![Extent::default(); self.probes.len()];
        for input in volts.chunks(BLOCK) {
            let mut outputs: Vec<&mut [f64]> = block.iter_mut().map(Vec::as_mut_slice).collect();
            processor.process_all_into(input, &mut outputs);
            for (extent, samples) in extents.iter_mut().zip(&block) {
                samples[..input.len()].iter().for_each(|v| extent.add(*v));
            }
            for (extent, probe) in grids.iter_mut().zip(&self.probes) {
                let at = |end: Option<usize>, n: usize| end.map_or(0.0, |k| block[k][n]);
                let [grid, cathode] = probe.ports[0];
                (0..input.len()).for_each(|n| extent.add(at(grid, n) - at(cathode, n)));
            }
        }
        let report = processor.report();
        let valves = self.probes.iter().zip(&grids).filter(|(probe, _)| probe.is_valve());
        valves
            .filter_map(|(probe, grid)| {
                let (leaves_at, at) = probe.leaves_at(|k| extents[k].rms());
                Some(StageDrive {
                    grid: report.valves.iter().find(|v| v.name == probe.name)?.clone(),
                    crest_in_db: grid.crest_db(),
                    crest_out_db: at.map_or(0.0, |k| extents[k].crest_db()),
                    leaves_at,
                })
            })
            .collect()
    }
}

fn node(unknown: Option<usize>) -> Node {
    unknown.map_or(GROUND, |u| Node(u + 1))
}

/// Which devices work as one stage: those that share a cathode node (a long-tailed pair) and those
/// whose plates are at windings of one transformer (push-pull). One number for each device.
fn stages(circuit: &Circuit, system: &System) -> Vec<usize> {
    let ends = |k: usize| system.devices[k].ports.last().map_or([GROUND; 2], |p| p.map(node));
    let transformer = |plate: Node| {
        circuit.parts().position(|part| {
            matches!(part.kind, Kind::Windings { .. }) && part.kind.nodes().contains(&plate)
        })
    };
    let mut stages: Vec<usize> = Vec::new();
    for k in 0..system.devices.len() {
        let [plate, cathode] = ends(k);
        let mate = (0..k).find(|&other| {
            let [its_plate, its_cathode] = ends(other);
            let push_pull = transformer(plate).is_some_and(|t| transformer(its_plate) == Some(t));
            push_pull || (cathode != GROUND && cathode == its_cathode)
        });
        stages.push(mate.map_or(k, |other| stages[other]));
    }
    stages
}

/// Extremes and energy of a signal.
#[derive(Clone, Copy, Debug, Default)]
struct Extent {
    low: f64,
    high: f64,
    sum: f64,
    squares: f64,
    count: usize,
}

impl Extent {
    fn add(&mut self, v: f64) {
        self.low = self.low.min(v);
        self.high = self.high.max(v);
        self.sum += v;
        self.squares += v * v;
        self.count += 1;
    }

    fn mean(&self) -> f64 {
        self.sum / self.count.max(1) as f64
    }

    fn rms(&self) -> f64 {
        (self.squares / self.count.max(1) as f64 - self.mean().powi(2)).max(0.0).sqrt()
    }

    /// Peak over RMS without the mean; 0 for silence.
    fn crest_db(&self) -> f64 {
        let peak = (self.high - self.mean()).max(self.mean() - self.low);
        if self.rms() > 0.0 { 20.0 * (peak / self.rms()).log10() } else { 0.0 }
    }
}
