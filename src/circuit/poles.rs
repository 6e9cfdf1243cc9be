//! Poles and zeros, and what each part has to do with a pole.
//!
//! The pencil `(G + s C) x = 0` with `C = E F` is turned about a positive real point `sigma`:
//! the eigenvalues `mu` of the small matrix `M = F (G + sigma C)^-1 E` belong to the finite poles
//! `s = sigma - 1 / mu`, and poles at infinity (capacitor loops, ideal sources) to `mu = 0`. A
//! plain eigenproblem of the number of storage elements replaces the generalised one, and a
//! network of resistors and capacitors makes `M` symmetric.

use std::f64::consts::TAU;

use nalgebra::{Complex, DMatrix, DVector};

use super::error::CircuitError;
use super::operating::singular;
use super::part::Kind;
use super::response::{LinearCircuit, Transfer, dense};
use super::sparse::LANES;
use super::system::{Storage, pot_ohms, unknown};

/// The real point about which the pencil is turned, in rad/s: the middle of the audio band, so
/// that poles from a tenth of a hertz to many megahertz keep their digits.
const SIGMA: f64 = TAU * 500.0;
/// A lumped circuit says nothing above a gigahertz; what the search finds there is the trace of a
/// pole at infinity, moved by rounding.
const FASTEST_RAD_S: f64 = TAU * 1e9;

/// How a pole moves with one part: d ln |s| / d ln value.
#[derive(Clone, Debug, PartialEq)]
pub struct Sensitivity {
    /// Designator.
    pub part: String,
    /// Relative change of the pole's frequency over relative change of the part's value.
    pub per_value: f64,
    /// Whether the part stores energy (capacitor, inductor, windings).
    pub stores_energy: bool,
}

impl LinearCircuit {
    /// The poles of the circuit below 1 GHz in rad/s, by rising magnitude; complex ones in conjugate pairs.
    ///
    /// # Errors
    /// [`CircuitError::Singular`], [`CircuitError::NotFinite`].
    pub fn poles(&self) -> Result<Vec<Complex<f64>>, CircuitError> {
        match self.solved_at_sigma() {
            Some(solved) => self.of_solved(&solved),
            None => self.finite_eigenvalues(&self.static_part + &self.storage * SIGMA),
        }
    }

    /// `(G + sigma C)^-1 E` in the order of elimination that is at hand; `None` where it does not do.
    fn solved_at_sigma(&self) -> Option<DMatrix<f64>> {
        let states = &self.system.storage;
        let mut solved = DMatrix::zeros(self.system.size, states.len());
        let mut workspace = self.solver.workspace();
        let sigma = Complex::from(SIGMA);
        self.solver.factor(&mut workspace, &[sigma]);
        for (first, chunk) in (0..).step_by(LANES).zip(states.chunks(LANES)) {
            let right: Vec<_> = chunk.iter().map(|state| state.into.clone()).collect();
            let fine = self.solver.substitute_several(&mut workspace, &right, sigma);
            for lane in 0..chunk.len() {
                if !fine[lane] {
                    return None;
                }
                for row in 0..self.system.size {
                    solved[(row, first + lane)] = workspace.value(row, lane).re;
                }
            }
        }
        solved.iter().all(|v| v.is_finite()).then_some(solved)
    }

    /// Solves for the finite eigenvalues of a pencil whose matrix at sigma is `turned` (which may
    /// have rows and columns beyond the system's own).
    fn finite_eigenvalues(&self, turned: DMatrix<f64>) -> Result<Vec<Complex<f64>>, CircuitError> {
        let lu = turned.lu();
        let n = lu.u().nrows();
        let states = &self.system.storage;
        let mut e = DMatrix::zeros(n, states.len());
        for (k, s) in states.iter().enumerate() {
            for &(row, v) in &s.into {
                e[(row, k)] += v;
            }
        }
        let solved = lu
            .solve(&e)
            .filter(|m| m.iter().all(|v| v.is_finite()))
            .ok_or_else(|| singular(&self.circuit, &self.system, lu.u()))?;
        self.of_solved(&solved)
    }

    /// The finite eigenvalues where `(G + sigma C)^-1 E` is known.
    fn of_solved(&self, solved: &DMatrix<f64>) -> Result<Vec<Complex<f64>>, CircuitError> {
        let states = &self.system.storage;
        let m = DMatrix::from_fn(states.len(), states.len(), |r, c| {
            states[r].of.iter().map(|&(i, v)| v * solved[(i, c)]).sum()
        });
        let not_finite = || CircuitError::NotFinite { place: "the search for poles".to_owned() };
        let mu = super::eigen::eigenvalues(m).ok_or_else(not_finite)?;
        let mut s: Vec<Complex<f64>> = mu
            .iter()
            .filter(|m| m.norm() > 1.0 / FASTEST_RAD_S)
            .map(|m| Complex::from(SIGMA) - m.inv())
            .collect();
        // A real eigenvalue stays real, and a pair stays a pair: only the order is made here.
        s.sort_by(|a, b| {
            (a.norm(), a.im).partial_cmp(&(b.norm(), b.im)).unwrap_or(std::cmp::Ordering::Equal)
        });
        if s.iter().all(|v| v.re.is_finite() && v.im.is_finite()) {
            Ok(s)
        } else {
            Err(not_finite())
        }
    }

    /// A pole made sharper by inverse iteration, with its right and left null vectors.
    fn refine(&self, pole: Complex<f64>) -> Option<Refined> {
        let n = self.system.size;
        let seed = |k: usize| Complex::new(1.0 + 0.37 * ((k * 7919 % 101) as f64 / 101.0), 0.0);
        let mut x = DVector::from_fn(n, |k, _| seed(k));
        let mut y = DVector::from_fn(n, |k, _| seed(k + 17));
        let mut s = pole;
        // Off the pole by a hair, so that the matrix can be factored.
        let mut shift = pole * (1.0 + 1e-9) + Complex::new(1e-9, 0.0);
        for _ in 0..3 {
            let a = dense(&self.static_part, &self.storage, shift);
            let c = self.storage.map(Complex::from);
            let (lu, lut) = (a.clone().lu(), a.transpose().lu());
            for _ in 0..2 {
                x = lu.solve(&(&c * &x))?;
                y = lut.solve(&(c.transpose() * &y))?;
                x.unscale_mut(x.norm());
                y.unscale_mut(y.norm());
            }
            let denominator = y.dot(&(&c * &x));
            let step = y.dot(&(&a * &x)) / denominator;
            if !step.re.is_finite() || !step.im.is_finite() {
                break;
            }
            s = shift - step;
            if (s - pole).norm() > 1e-3 * pole.norm() {
                s = pole;
                break;
            }
            shift = s * (1.0 + 1e-10) + Complex::new(1e-12, 0.0);
        }
        let weight = y.dot(&(self.storage.map(Complex::from) * &x));
        (weight.norm() > 0.0).then_some(Refined { s, x, y, weight })
    }

    /// How a pole moves with every part, the largest first.
    /// From the null vectors: ds/dv = - y^T (dG/dv + s dC/dv) x / (y^T C x).
    ///
    /// Empty if the pole is no simple pole of this circuit.
    pub fn sensitivities(&self, pole: Complex<f64>) -> Vec<Sensitivity> {
        let Some(r) = self.refine(pole) else { return Vec::new() };
        let mut found: Vec<Sensitivity> = Vec::new();
        for (index, part) in self.circuit.parts().enumerate() {
            if let Some(per_value) = r.sensitivity(self, index, &part.kind) {
                let stores_energy = matches!(
                    part.kind,
                    Kind::Capacitor { .. } | Kind::Inductor { .. } | Kind::Windings { .. }
                );
                found.push(Sensitivity { part: part.name.clone(), per_value, stores_energy });
            }
        }
        found.sort_by(|a, b| b.per_value.abs().total_cmp(&a.per_value.abs()));
        found
    }
}

struct Refined {
    s: Complex<f64>,
    x: DVector<Complex<f64>>,
    y: DVector<Complex<f64>>,
    weight: Complex<f64>,
}

impl Refined {
    fn across(v: &DVector<Complex<f64>>, a: Option<usize>, b: Option<usize>) -> Complex<f64> {
        let at = |u: Option<usize>| u.map_or(Complex::new(0.0, 0.0), |i| v[i]);
        at(a) - at(b)
    }

    /// y^T (value * dA/dvalue) x of a conductance between two nodes, for a relative change of it.
    fn conductance(&self, between: [super::part::Node; 2], siemens: f64) -> Complex<f64> {
        let [a, b] = between.map(unknown);
        Self::across(&self.y, a, b) * Self::across(&self.x, a, b) * siemens
    }

    fn storage<'a>(&self, states: impl Iterator<Item = &'a Storage>) -> Complex<f64> {
        states
            .map(|state| {
                let into: Complex<f64> = state.into.iter().map(|&(i, v)| self.y[i] * v).sum();
                let of: Complex<f64> = state.of.iter().map(|&(i, v)| self.x[i] * v).sum();
                into * of * self.s
            })
            .sum()
    }

    fn sensitivity(&self, linear: &LinearCircuit, index: usize, kind: &Kind) -> Option<f64> {
        let states = || linear.system.storage.iter().filter(move |s| s.part == index);
        let term = match kind {
            Kind::Resistor { between, ohms } => -self.conductance(*between, 1.0 / ohms),
            Kind::Rheostat { between, ohms, fraction, end_ohms } => {
                -self.conductance(*between, 1.0 / pot_ohms(*ohms, *fraction, *end_ohms).1)
            }
            Kind::Potentiometer { hot, wiper, cold, ohms, fraction, end_ohms } => {
                let (upper, lower) = pot_ohms(*ohms, *fraction, *end_ohms);
                -self.conductance([*hot, *wiper], 1.0 / upper)
                    - self.conductance([*wiper, *cold], 1.0 / lower)
            }
            Kind::Capacitor { .. } | Kind::Inductor { .. } | Kind::Windings { .. } => {
                self.storage(states())
            }
            _ => return None,
        };
        let value = (-term / self.weight / self.s).re;
        value.is_finite().then_some(value)
    }
}

impl Transfer<'_> {
    /// The finite poles of the circuit: [`LinearCircuit::poles`].
    ///
    /// # Errors
    /// As there.
    pub fn poles(&self) -> Result<Vec<Complex<f64>>, CircuitError> {
        self.linear.poles()
    }

    /// The finite zeros of this transfer in rad/s, by rising magnitude: the eigenvalues of the
    /// pencil bordered by the source's column and the output's row.
    ///
    /// # Errors
    /// As [`LinearCircuit::poles`]; [`CircuitError::Singular`] also where the transfer is zero throughout.
    pub fn zeros(&self) -> Result<Vec<Complex<f64>>, CircuitError> {
        let linear = self.linear;
        let n = linear.system.size;
        let mut turned = DMatrix::zeros(n + 1, n + 1);
        turned.view_mut((0, 0), (n, n)).copy_from(&(&linear.static_part + &linear.storage * SIGMA));
        turned[(self.source_row, n)] = -1.0;
        if let Some(output) = self.output {
            turned[(n, output)] = 1.0;
        }
        linear.finite_eigenvalues(turned)
    }
}
