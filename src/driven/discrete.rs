//! A block's equations by a damped trapezoidal rule, solved for everything but the valve currents.
//!
//! From `G x + E dz/dt + N i = b`, `z = F x` and a step h, with the share `t` that the end of a step counts
//! for ([`THETA`]; one half is the trapezoidal rule itself) and the history `s = z + (1 - t) h dz/dt`, the rule
//! gives
//!
//! ```text
//! x  = M (b + E s / (t h) - N i),   M = (G + E F / (t h))^-1
//! s' = F x / t - (1 - t) s / t
//! ```
//!
//! Everything here is a deviation from the operating point, so constant sources drop out and
//! silence stays exactly silent. The rule keeps the response of a linear circuit but for a known
//! warp of the frequency axis ([`seen_at`]), which the plan takes out again.

use std::f64::consts::TAU;

use nalgebra::{Complex, DMatrix, DVector};

use super::error::DrivenError;
use crate::circuit::Circuit;
use crate::circuit::system::{DeviceLaw, System};

/// Share of the end of a step in its mean. The trapezoidal rule, a half, lets what is faster than a step ring on
/// from step to step for ever: leakage inductances and stray capacitances, half of the modes of a power stage.
/// Newton's method then starts every step from a guess that is off by as much. This takes four hundredths of such
/// ringing away in each step; `hawthorn-50` under two tones of 2 V needs 1.4 Newton steps instead of 2.2. With
/// 0.53 it would be 1.3, but the shift of the poles, which no filter outside takes from high harmonics, three
/// times as large.
pub const THETA: f64 = 0.51;

/// The complex frequency (radians per second) at which the linear circuit has the answer that the discretised one
/// has at `frequency_hz`: `(z - 1) / (h (t z + 1 - t))` with `z = exp(j 2 pi f h)`.
pub fn seen_at(frequency_hz: f64, internal_rate_hz: f64) -> Complex<f64> {
    let z = Complex::from_polar(1.0, TAU * frequency_hz / internal_rate_hz);
    (z - 1.0) * internal_rate_hz / (z * THETA + (1.0 - THETA))
}

/// Matrices of one block. Ports: those of the devices in order, then one for each cut node below.
///
/// ```text
/// v  = C s + D u + K i        port voltages
/// s' = A s + B u + L i        history
/// j  = Cj s + Dj u + Kj i     current drawn from each cut node above
/// y  = Cy s + Dy u + Ky i     outputs
/// ```
#[derive(Clone, Debug)]
pub struct Discrete {
    pub a: DMatrix<f64>,
    pub b: DMatrix<f64>,
    pub l: DMatrix<f64>,
    pub c: DMatrix<f64>,
    pub d: DMatrix<f64>,
    pub k: DMatrix<f64>,
    pub cj: DMatrix<f64>,
    pub dj: DMatrix<f64>,
    pub kj: DMatrix<f64>,
    pub cy: DMatrix<f64>,
    pub dy: DMatrix<f64>,
    pub ky: DMatrix<f64>,
}

/// Where a block meets the rest.
#[derive(Clone, Debug, Default)]
pub struct Terminals {
    /// Rows of the sources that are inputs, in the order of `u`.
    pub input_rows: Vec<usize>,
    /// Those of them whose current the driving block supplies.
    pub tear_rows: Vec<usize>,
    /// Unknowns of the cut nodes that this block drives.
    pub driven: Vec<usize>,
    /// Unknowns that are outputs.
    pub outputs: Vec<usize>,
}

impl Discrete {
    /// Discretises a system with step `step_s`.
    ///
    /// # Errors
    /// [`DrivenError::Singular`] if the equations have no single answer.
    pub fn new(
        circuit: &Circuit,
        system: &System,
        terminals: &Terminals,
        step_s: f64,
    ) -> Result<Self, DrivenError> {
        let rate = 1.0 / (THETA * step_s);
        let per = 1.0 / THETA;
        let n = system.size;
        let ns = system.storage.len();
        let mut e = DMatrix::zeros(n, ns);
        let mut f = DMatrix::zeros(ns, n);
        for (k, s) in system.storage.iter().enumerate() {
            for &(row, v) in &s.into {
                e[(row, k)] += v;
            }
            for &(column, v) in &s.of {
                f[(k, column)] += v;
            }
        }
        let e = e * rate;
        let matrix = &system.static_part + &e * &f;

        let device_ports: Vec<[Option<usize>; 2]> =
            system.devices.iter().flat_map(|d| d.ports.iter().copied()).collect();
        let ports =
            device_ports.into_iter().chain(terminals.driven.iter().map(|&u| [Some(u), None]));
        let ports: Vec<[Option<usize>; 2]> = ports.collect();
        let mut p = DMatrix::zeros(ports.len(), n);
        for (row, port) in ports.iter().enumerate() {
            if let Some(u) = port[0] {
                p[(row, u)] += 1.0;
            }
            if let Some(u) = port[1] {
                p[(row, u)] -= 1.0;
            }
        }
        let unit = |rows: &[usize], sign: f64| {
            let mut m = DMatrix::zeros(rows.len(), n);
            for (k, &row) in rows.iter().enumerate() {
                m[(k, row)] = sign;
            }
            m
        };
        let inputs = unit(&terminals.input_rows, 1.0).transpose();
        // A source's unknown is the current into its plus end: what it gives is the negative.
        let tears = unit(&terminals.tear_rows, -1.0);
        let outputs = unit(&terminals.outputs, 1.0);

        let right = {
            let mut r = DMatrix::zeros(n, ns + inputs.ncols() + ports.len());
            r.columns_mut(0, ns).copy_from(&e);
            r.columns_mut(ns, inputs.ncols()).copy_from(&inputs);
            r.columns_mut(ns + inputs.ncols(), ports.len()).copy_from(&-p.transpose());
            r
        };
        let x = solve(&matrix, &right).ok_or_else(|| DrivenError::Singular {
            part: circuit.parts().next().map_or_else(String::new, |q| q.name.clone()),
        })?;
        let (xs, rest) = (x.columns(0, ns), ns + inputs.ncols());
        let (xu, xi) = (x.columns(ns, inputs.ncols()), x.columns(rest, ports.len()));
        Ok(Self {
            a: per * &f * xs - DMatrix::identity(ns, ns) * (per - 1.0),
            b: per * &f * xu,
            l: per * &f * xi,
            c: &p * xs,
            d: &p * xu,
            k: &p * xi,
            cj: &tears * xs,
            dj: &tears * xu,
            kj: &tears * xi,
            cy: &outputs * xs,
            dy: &outputs * xu,
            ky: &outputs * xi,
        })
    }
}

/// Solves with row and column scaling and one step of refinement: the entries span fifteen decades.
fn solve(matrix: &DMatrix<f64>, right: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let inverse_root = |largest: f64| {
        // Powers of two scale without rounding.
        if largest > 0.0 { (-(largest.log2() / 2.0).round()).exp2() } else { 1.0 }
    };
    let n = matrix.nrows();
    let mut scaled = matrix.clone();
    let (mut row_scale, mut column_scale) = (DVector::repeat(n, 1.0), DVector::repeat(n, 1.0));
    for _ in 0..3 {
        let rows = DVector::from_iterator(n, scaled.row_iter().map(|r| inverse_root(r.amax())));
        let columns =
            DVector::from_iterator(n, scaled.column_iter().map(|c| inverse_root(c.amax())));
        for i in 0..n {
            for j in 0..n {
                scaled[(i, j)] *= rows[i] * columns[j];
            }
        }
        row_scale.component_mul_assign(&rows);
        column_scale.component_mul_assign(&columns);
    }
    let lu = scaled.full_piv_lu();
    let pivots = lu.u().diagonal();
    if pivots.iter().any(|p| !p.is_finite() || p.abs() < 1e-15 * pivots.amax()) {
        return None;
    }
    let apply = |r: &DMatrix<f64>| {
        let mut r = r.clone();
        for (i, mut row) in r.row_iter_mut().enumerate() {
            row *= row_scale[i];
        }
        let mut y = lu.solve(&r)?;
        for (i, mut row) in y.row_iter_mut().enumerate() {
            row *= column_scale[i];
        }
        Some(y)
    };
    let mut x = apply(right)?;
    for _ in 0..2 {
        let residual = right - matrix * &x;
        x += apply(&residual)?;
    }
    x.iter().all(|v| v.is_finite()).then_some(x)
}

/// Number of ports of all devices.
pub fn device_ports(system: &System) -> usize {
    system.devices.iter().map(|d| DeviceLaw::ports(&d.law)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::circuit::{Kind, Node};

    /// The step's answer by its own matrices at `z = exp(j w h)`, against the closed form of a resistor, a coil, and
    /// a capacitor with a resistor across it, at the complex frequency that is said to be seen; and that at zero
    /// and at low frequencies it is the one that was put in.
    #[test]
    fn the_answer_is_the_circuits_at_the_frequency_that_it_sees() {
        const RATE_HZ: f64 = 96_000.0;
        let (r, l, c, load) = (1e3, 10e-3, 4.7e-9, 22e3);
        let mut circuit = Circuit::new();
        let nodes: Vec<Node> = ["in", "middle", "out"].map(|n| circuit.node(n)).into();
        let parts = [
            ("Vin", Kind::Source { plus: nodes[0], minus: Node(0), volts: 0.0 }),
            ("R1", Kind::Resistor { between: [nodes[0], nodes[1]], ohms: r }),
            ("L1", Kind::Inductor { between: [nodes[1], nodes[2]], henries: l }),
            ("C1", Kind::Capacitor { between: [nodes[2], Node(0)], farads: c }),
            ("R2", Kind::Resistor { between: [nodes[2], Node(0)], ohms: load }),
        ];
        for (name, kind) in parts {
            circuit.add(name, kind).expect(name);
        }
        let system = System::new(&circuit).expect("a system");
        let terminals = Terminals {
            input_rows: vec![system.sources["Vin"].row],
            outputs: vec![nodes[2].0 - 1],
            ..Terminals::default()
        };
        let m = Discrete::new(&circuit, &system, &terminals, 1.0 / RATE_HZ).expect("matrices");
        let complex = |m: &DMatrix<f64>| m.map(|v| Complex::new(v, 0.0));
        let states = m.a.nrows();
        for frequency_hz in [0.0, 50.0, 1_000.0, 16_000.0, 23_000.0, 40_000.0] {
            let back = Complex::from_polar(1.0, -TAU * frequency_hz / RATE_HZ);
            let ones = DMatrix::<Complex<f64>>::identity(states, states);
            let history = (ones - complex(&m.a) * back).lu().solve(&complex(&m.b));
            let history = history.expect("no pole on the circle");
            let stepped = (complex(&m.cy) * history * back + complex(&m.dy))[(0, 0)];
            let s = seen_at(frequency_hz, RATE_HZ);
            let across = (s * c + 1.0 / load).inv();
            let closed = across / (s * l + r + across);
            assert!((stepped - closed).norm() < 1e-10, "{frequency_hz} Hz: {stepped} {closed}");
            let off = (s - Complex::new(0.0, TAU * frequency_hz)).norm();
            if frequency_hz <= 1_000.0 {
                assert!(off <= 1e-3 * TAU * frequency_hz, "{frequency_hz} Hz: {off}");
            }
        }
    }
}
