//! A linear circuit as it is seen from a few places: how the gain changes when parts there change.
//!
//! With `A(s) = G + s C` and a change `A + sum d_k p_k p_k^T`, one `p_k` for each changed place,
//! everything that the answer needs is the small bordered matrix
//!
//! ```text
//! T = [ c^T A^-1 b   c^T A^-1 P ]      rows: outputs, then ports
//!     [ P^T A^-1 b   P^T A^-1 P ]      columns: the source, then ports
//! ```
//!
//! and each change is one step of elimination, `T_ij -= T_ik d_k / (1 + d_k T_kk) T_kj`
//! (J. Sherman, W. Morrison, "Adjustment of an inverse matrix corresponding to a change in one
//! element of a given matrix", Ann. Math. Stat. 21(1), 1950). That is exact, not an approximation;
//! the circuit is solved once, and each trial costs a few products a frequency.

use std::f64::consts::TAU;

use nalgebra::Complex;

use super::error::CircuitError;
use super::part::Node;
use super::response::LinearCircuit;
use super::sparse::LANES;
use super::system::{Sparse, unknown};

/// A place where a part can change.
#[derive(Clone, Debug, PartialEq)]
pub enum Port {
    /// Between two nodes: a resistor, a capacitor, one side of a pot.
    Between([Node; 2]),
    /// In the branch of an inductor of that name: what is added there is a series impedance, with
    /// the sign turned.
    Branch(String),
}

/// What is added at a port: `siemens + s farads` between two nodes; in an inductor's branch
/// `-(ohms + s henries)`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Admittance {
    pub constant: f64,
    pub by_s: f64,
}

/// The bordered matrix at a list of complex frequencies, one plane of numbers for each of its places.
#[derive(Clone, Debug, Default)]
pub struct Multiport {
    outputs: usize,
    ports: usize,
    s: Vec<Complex<f64>>,
    re: Vec<f64>,
    im: Vec<f64>,
}

impl Multiport {
    /// Solves the circuit once for the source and for each port, at points on the imaginary axis.
    ///
    /// # Errors
    /// [`CircuitError::UnknownPart`] for a source or a branch that is not there,
    /// [`CircuitError::Singular`].
    pub fn at_frequencies(
        linear: &LinearCircuit,
        source: &str,
        outputs: &[Node],
        ports: &[Port],
        frequencies_hz: &[f64],
    ) -> Result<Self, CircuitError> {
        let s: Vec<Complex<f64>> =
            frequencies_hz.iter().map(|f| Complex::new(0.0, TAU * f)).collect();
        Self::at(linear, source, outputs, ports, &s)
    }

    /// The same at any complex frequencies (rad/s).
    ///
    /// # Errors
    /// As [`Self::at_frequencies`].
    pub fn at(
        linear: &LinearCircuit,
        source: &str,
        outputs: &[Node],
        ports: &[Port],
        s: &[Complex<f64>],
    ) -> Result<Self, CircuitError> {
        let source_row = linear.transfer(source, super::part::GROUND)?.source_row;
        let vectors: Vec<Sparse> =
            ports.iter().map(|p| vector(linear, p)).collect::<Result<_, _>>()?;
        let read: Vec<Sparse> = outputs
            .iter()
            .map(|&n| unknown(n).map(|u| (u, 1.0)).into_iter().collect())
            .chain(vectors.iter().cloned())
            .collect();
        let drive: Vec<Sparse> = std::iter::once(vec![(source_row, 1.0)]).chain(vectors).collect();
        let places = read.len() * drive.len() * s.len();
        let mut made = Self {
            outputs: outputs.len(),
            ports: ports.len(),
            s: s.to_vec(),
            re: vec![0.0; places],
            im: vec![0.0; places],
        };
        let mut workspace = linear.solver.workspace();
        for (chunk_index, chunk) in s.chunks(LANES).enumerate() {
            linear.solver.factor(&mut workspace, chunk);
            for (column, right) in drive.iter().enumerate() {
                let fine = linear.solver.substitute(&mut workspace, right, chunk);
                for (lane, &s) in chunk.iter().enumerate() {
                    let dense =
                        if fine[lane] { None } else { Some(linear.dense_substitute(right, s)?) };
                    let value = |u: usize| match &dense {
                        Some(x) => x[u],
                        None => workspace.value(u, lane),
                    };
                    for (row, of) in read.iter().enumerate() {
                        let sum: Complex<f64> = of.iter().map(|&(u, c)| value(u) * c).sum();
                        let at = made.place(row, column) + chunk_index * LANES + lane;
                        (made.re[at], made.im[at]) = (sum.re, sum.im);
                    }
                }
            }
        }
        Ok(made)
    }

    /// Number of ports left.
    pub fn ports(&self) -> usize {
        self.ports
    }

    /// Number of points.
    pub fn points(&self) -> usize {
        self.s.len()
    }

    fn place(&self, row: usize, column: usize) -> usize {
        (row * (self.ports + 1) + column) * self.s.len()
    }

    /// Gain from the source to an output, at a point.
    pub fn gain(&self, output: usize, point: usize) -> Complex<f64> {
        let at = self.place(output, 0) + point;
        Complex::new(self.re[at], self.im[at])
    }

    /// Gains from the source to an output, at every point.
    pub fn gains(&self, output: usize) -> Vec<Complex<f64>> {
        (0..self.s.len()).map(|k| self.gain(output, k)).collect()
    }

    /// Squared magnitudes of the gains to an output: what a level in dB needs.
    pub fn squares_into(&self, output: usize, squares: &mut [f64]) {
        let at = self.place(output, 0);
        let planes = self.re[at..].iter().zip(&self.im[at..]);
        for (square, (re, im)) in squares.iter_mut().zip(planes) {
            *square = re * re + im * im;
        }
    }

    /// `1 + d z` at the last port, at a point: the factor by which the determinant of the circuit
    /// changes when `added` is put there.
    pub fn determinant_factor(&self, added: Admittance, point: usize) -> Complex<f64> {
        let at = self.place(self.outputs + self.ports - 1, self.ports) + point;
        let delta = self.s[point] * added.by_s + added.constant;
        delta * Complex::new(self.re[at], self.im[at]) + 1.0
    }

    /// Puts a change at the last port for good and drops that port; the answer goes to `target`,
    /// whose memory is used again.
    pub fn absorb_into(&self, added: Admittance, target: &mut Self) {
        let Some(last) = self.ports.checked_sub(1) else {
            target.clone_from(self);
            return;
        };
        let n = self.s.len();
        target.outputs = self.outputs;
        target.ports = last;
        target.s.clone_from(&self.s);
        let places = (self.outputs + last) * (last + 1) * n;
        target.re.resize(places, 0.0);
        target.im.resize(places, 0.0);
        // The factor d / (1 + d z) for each point, kept behind the answer's planes.
        let mut factor = vec![(0.0, 0.0); n];
        let pivot = self.place(self.outputs + last, last + 1);
        for (k, f) in factor.iter_mut().enumerate() {
            let delta = self.s[k] * added.by_s + added.constant;
            let z = Complex::new(self.re[pivot + k], self.im[pivot + k]);
            let v = delta / (delta * z + 1.0);
            *f = (v.re, v.im);
        }
        for row in 0..self.outputs + last {
            let left = self.place(row, last + 1);
            for column in 0..=last {
                let (from, up) = (self.place(row, column), self.place(self.outputs + last, column));
                let to = target.place(row, column);
                let (lr, li) = (&self.re[left..left + n], &self.im[left..left + n]);
                let (ur, ui) = (&self.re[up..up + n], &self.im[up..up + n]);
                let (fr, fi) = (&self.re[from..from + n], &self.im[from..from + n]);
                let tr = &mut target.re[to..to + n];
                let ti = &mut target.im[to..to + n];
                for k in 0..n {
                    let (a, b) = factor[k];
                    let (pr, pi) = (lr[k] * a - li[k] * b, lr[k] * b + li[k] * a);
                    tr[k] = fr[k] - (pr * ur[k] - pi * ui[k]);
                    ti[k] = fi[k] - (pr * ui[k] + pi * ur[k]);
                }
            }
        }
    }

    /// Puts changes at all ports, in their order.
    pub fn with(&self, added: &[Admittance]) -> Self {
        let mut now = self.clone();
        let mut next = Self::default();
        for &a in added.iter().take(self.ports).rev() {
            now.absorb_into(a, &mut next);
            std::mem::swap(&mut now, &mut next);
        }
        now
    }
}

fn vector(linear: &LinearCircuit, port: &Port) -> Result<Sparse, CircuitError> {
    match port {
        Port::Between([a, b]) if a == b => Ok(Vec::new()),
        Port::Between([a, b]) => Ok([(*a, 1.0), (*b, -1.0)]
            .into_iter()
            .filter_map(|(n, v)| unknown(n).map(|u| (u, v)))
            .collect()),
        Port::Branch(part) => {
            let index = linear.circuit.parts().position(|p| p.name == *part);
            let branch = index.and_then(|i| linear.system.branches.get(&i));
            match branch {
                Some(&b) => Ok(vec![(b, 1.0)]),
                None => Err(CircuitError::UnknownPart { part: part.clone() }),
            }
        }
    }
}
