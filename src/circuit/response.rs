//! The exact response: the linearised circuit solved at each frequency.

use std::f64::consts::TAU;

use indexmap::IndexMap;
use nalgebra::{Complex, DMatrix, DVector};

use super::error::CircuitError;
use super::netlist::Circuit;
use super::operating::{OperatingPoint, singular};
use super::part::Node;
use super::sparse::{LANES, REFINEMENTS, SparseSolver};
use super::system::{System, unknown};

/// Frequency at which the order of elimination is chosen.
const REFERENCE_HZ: f64 = 700.0;

/// A circuit with its valves replaced by their conductances at the operating point.
#[derive(Clone, Debug)]
pub struct LinearCircuit {
    pub(super) circuit: Circuit,
    pub(super) system: System,
    /// `G` with the devices' conductances.
    pub(super) static_part: DMatrix<f64>,
    /// `C`.
    pub(super) storage: DMatrix<f64>,
    pub(super) solver: SparseSolver,
}

impl LinearCircuit {
    /// Linearises a circuit at an operating point.
    ///
    /// # Errors
    /// [`CircuitError::Singular`] and what [`System::new`] refuses.
    pub fn new(circuit: &Circuit, point: &OperatingPoint) -> Result<Self, CircuitError> {
        Self::build(circuit, System::new(circuit)?, &point.unknowns)
    }

    /// Linearises a circuit, finding its operating point first if it has valves or diodes.
    ///
    /// # Errors
    /// As [`OperatingPoint::solve`] and [`Self::new`].
    pub fn of(circuit: &Circuit) -> Result<Self, CircuitError> {
        let system = System::new(circuit)?;
        let at_rest = if system.devices.is_empty() {
            vec![0.0; system.size]
        } else {
            OperatingPoint::of_system(circuit, &system)?.unknowns
        };
        Self::build(circuit, system, &at_rest)
    }

    fn build(circuit: &Circuit, system: System, at_rest: &[f64]) -> Result<Self, CircuitError> {
        let static_part = system.linearised(at_rest);
        let storage = system.storage_matrix();
        let s = Complex::new(0.0, TAU * REFERENCE_HZ);
        let room = system.device_places();
        let solver = SparseSolver::new(&static_part, &storage, s, &room)
            .ok_or_else(|| singular(circuit, &system, dense(&static_part, &storage, s).lu().u()))?;
        Ok(Self { circuit: circuit.clone(), system, static_part, storage, solver })
    }

    /// The same list of parts with other values, linearised at its own state of rest (all unknowns
    /// of its system). Much faster than [`Self::new`] as the order of elimination is kept; where the
    /// list is not the same after all, that is what it does.
    ///
    /// # Errors
    /// As [`Self::new`].
    pub fn revalued(
        &self,
        circuit: &Circuit,
        system: System,
        at_rest: &[f64],
    ) -> Result<Self, CircuitError> {
        let static_part = system.linearised(at_rest);
        let storage = system.storage_matrix();
        let mut solver = self.solver.clone();
        if !solver.reload(&static_part, &storage) {
            return Self::build(circuit, system, at_rest);
        }
        Ok(Self { circuit: circuit.clone(), system, static_part, storage, solver })
    }

    /// The circuit that was linearised.
    pub fn circuit(&self) -> &Circuit {
        &self.circuit
    }

    /// The transfer from the source of that name (1 V in place of its signal, every other source at
    /// rest) to the voltage of a node.
    ///
    /// # Errors
    /// [`CircuitError::UnknownPart`] if there is no such source.
    pub fn transfer(&self, source: &str, output: Node) -> Result<Transfer<'_>, CircuitError> {
        let row = self
            .system
            .sources
            .get(source)
            .ok_or_else(|| CircuitError::UnknownPart { part: source.to_owned() })?
            .row;
        Ok(Transfer { linear: self, source_row: row, output: unknown(output) })
    }

    /// Gains from one source to several nodes: `answer[node][frequency]`.
    ///
    /// # Errors
    /// As [`Self::transfer`] and [`Transfer::gains`].
    pub fn gains(
        &self,
        source: &str,
        outputs: &[Node],
        frequencies_hz: &[f64],
    ) -> Result<Vec<Vec<Complex<f64>>>, CircuitError> {
        let row = self.transfer(source, super::part::GROUND)?.source_row;
        let unknowns: Vec<Option<usize>> = outputs.iter().map(|&n| unknown(n)).collect();
        let mut answer = vec![Vec::with_capacity(frequencies_hz.len()); outputs.len()];
        let mut workspace = self.solver.workspace();
        for chunk in frequencies_hz.chunks(LANES) {
            let mut s = [Complex::new(0.0, 0.0); LANES];
            for (s, f) in s.iter_mut().zip(chunk) {
                s.im = TAU * f;
            }
            let fine = self.solver.solve(&mut workspace, row, &s[..chunk.len()]);
            for lane in 0..chunk.len() {
                if fine[lane] {
                    for (answer, u) in answer.iter_mut().zip(&unknowns) {
                        answer.push(u.map_or(Complex::new(0.0, 0.0), |u| workspace.value(u, lane)));
                    }
                } else {
                    let x = self.dense_solve(row, s[lane])?;
                    for (answer, u) in answer.iter_mut().zip(&unknowns) {
                        answer.push(u.map_or(Complex::new(0.0, 0.0), |u| x[u]));
                    }
                }
            }
        }
        Ok(answer)
    }

    /// How the level at a node moves with each part that stores energy: d level in dB for a part
    /// value greater by 1 %, at each frequency; for a [`Kind::Section`](super::part::Kind::Section), of the
    /// sound of a loudspeaker, for all its poles and zeros lower by 1 %. By the adjoint of the equations (S. Director,
    /// R. Rohrer, "The generalized adjoint network and network sensitivities", IEEE Trans. Circuit
    /// Theory 16(3), 1969): dH/dv = - y^T (dA/dv) x with A^T y = the output's unit vector.
    ///
    /// # Errors
    /// As [`Self::transfer`] and [`Transfer::gains`].
    pub fn level_sensitivities(
        &self,
        source: &str,
        output: Node,
        frequencies_hz: &[f64],
    ) -> Result<Vec<(String, Vec<f64>)>, CircuitError> {
        let transfer = self.transfer(source, output)?;
        let Some(out) = transfer.output else { return Ok(Vec::new()) };
        let mut found: Vec<(String, Vec<f64>)> = Vec::new();
        for hz in frequencies_hz {
            let s = Complex::new(0.0, TAU * hz);
            let x = self.dense_solve(transfer.source_row, s)?;
            let y = self.adjoint(output, s)?;
            let mut by_part: IndexMap<usize, Complex<f64>> = IndexMap::new();
            for state in &self.system.storage {
                let into: Complex<f64> = state.into.iter().map(|&(i, v)| y[i] * v).sum();
                let of: Complex<f64> = state.of.iter().map(|&(i, v)| x[i] * v).sum();
                *by_part.entry(state.part).or_default() -= into * of * s;
            }
            for (index, part) in self.circuit.parts().enumerate() {
                use super::part::Kind;
                let stores = matches!(
                    part.kind,
                    Kind::Capacitor { .. }
                        | Kind::Inductor { .. }
                        | Kind::Windings { .. }
                        | Kind::Section { .. }
                );
                if let (true, Some(change)) = (stores, by_part.get(&index)) {
                    let per_cent_db = 0.01 * 20.0 / std::f64::consts::LN_10 * (change / x[out]).re;
                    match found.iter_mut().find(|(name, _)| *name == part.name) {
                        Some((_, list)) => list.push(per_cent_db),
                        None => found.push((part.name.clone(), vec![per_cent_db])),
                    }
                }
            }
        }
        Ok(found)
    }

    /// Volts at a node for 1 A that an outside source drives from the first node of a pair to the
    /// second, through the circuit at rest: `answer[pair][frequency]`. By the adjoint of the
    /// equations, so that one solution at each frequency serves all pairs.
    ///
    /// # Errors
    /// [`CircuitError::Singular`].
    pub fn transfer_impedances(
        &self,
        pairs: &[[Node; 2]],
        output: Node,
        frequencies_hz: &[f64],
    ) -> Result<Vec<Vec<Complex<f64>>>, CircuitError> {
        let mut answer = vec![Vec::with_capacity(frequencies_hz.len()); pairs.len()];
        for hz in frequencies_hz {
            let y = self.adjoint(output, Complex::new(0.0, TAU * hz))?;
            let at = |node: Node| unknown(node).map_or(Complex::from(0.0), |u| y[u]);
            for (answer, [from, to]) in answer.iter_mut().zip(pairs) {
                answer.push(at(*to) - at(*from));
            }
        }
        Ok(answer)
    }

    /// Solution y of A^T y = the unit vector of a node.
    fn adjoint(
        &self,
        output: Node,
        s: Complex<f64>,
    ) -> Result<DVector<Complex<f64>>, CircuitError> {
        let transposed = dense(&self.static_part, &self.storage, s).transpose().lu();
        let mut unit = DVector::zeros(self.system.size);
        if let Some(out) = unknown(output) {
            unit[out] = Complex::from(1.0);
        }
        transposed.solve(&unit).ok_or_else(|| singular(&self.circuit, &self.system, transposed.u()))
    }

    /// The same by dense LU with partial pivoting: slower, and needs no fixed order.
    pub(super) fn dense_solve(
        &self,
        source_row: usize,
        s: Complex<f64>,
    ) -> Result<DVector<Complex<f64>>, CircuitError> {
        self.dense_substitute(&[(source_row, 1.0)], s)
    }

    /// The same for any right side, given as (row, value).
    pub(super) fn dense_substitute(
        &self,
        right: &[(usize, f64)],
        s: Complex<f64>,
    ) -> Result<DVector<Complex<f64>>, CircuitError> {
        let matrix = dense(&self.static_part, &self.storage, s);
        let lu = matrix.clone().lu();
        let mut b = DVector::zeros(self.system.size);
        for &(row, value) in right {
            b[row] += Complex::from(value);
        }
        let mut answer = lu.solve(&b);
        for _ in 0..REFINEMENTS {
            answer = answer.and_then(|x| Some(&x + lu.solve(&(&b - &matrix * &x))?));
        }
        answer
            .filter(|x| x.iter().all(|v| v.re.is_finite() && v.im.is_finite()))
            .ok_or_else(|| singular(&self.circuit, &self.system, lu.u()))
    }
}

pub(super) fn dense(g: &DMatrix<f64>, c: &DMatrix<f64>, s: Complex<f64>) -> DMatrix<Complex<f64>> {
    DMatrix::from_fn(g.nrows(), g.ncols(), |i, j| Complex::from(g[(i, j)]) + s * c[(i, j)])
}

/// The transfer function from one source to one node.
#[derive(Clone, Copy, Debug)]
pub struct Transfer<'a> {
    pub(super) linear: &'a LinearCircuit,
    pub(super) source_row: usize,
    pub(super) output: Option<usize>,
}

impl Transfer<'_> {
    /// Complex gain (volts per volt) at each frequency.
    ///
    /// # Errors
    /// [`CircuitError::Singular`] if the equations have no answer at a frequency.
    pub fn gains(&self, frequencies_hz: &[f64]) -> Result<Vec<Complex<f64>>, CircuitError> {
        self.gains_at(frequencies_hz.len(), |k| Complex::new(0.0, TAU * frequencies_hz[k]))
    }

    /// The same at so many complex frequencies, in radians per second.
    ///
    /// # Errors
    /// As [`Self::gains`].
    pub fn gains_at(
        &self,
        count: usize,
        at: impl Fn(usize) -> Complex<f64>,
    ) -> Result<Vec<Complex<f64>>, CircuitError> {
        let solver = &self.linear.solver;
        let Some(output) = self.output else {
            return Ok(vec![Complex::new(0.0, 0.0); count]);
        };
        let mut workspace = solver.workspace();
        let mut answer = Vec::with_capacity(count);
        for first in (0..count).step_by(LANES) {
            let lanes = LANES.min(count - first);
            let mut s = [Complex::new(0.0, 0.0); LANES];
            for (lane, s) in s.iter_mut().enumerate().take(lanes) {
                *s = at(first + lane);
            }
            let fine = solver.solve(&mut workspace, self.source_row, &s[..lanes]);
            for (lane, s) in s.iter().enumerate().take(lanes) {
                answer.push(if fine[lane] {
                    workspace.value(output, lane)
                } else {
                    self.linear.dense_solve(self.source_row, *s)?[output]
                });
            }
        }
        Ok(answer)
    }

    /// Complex gain at one frequency.
    ///
    /// # Errors
    /// As [`Self::gains`].
    pub fn gain(&self, frequency_hz: f64) -> Result<Complex<f64>, CircuitError> {
        Ok(self.gains(&[frequency_hz])?[0])
    }
}
