//! The operating point of a circuit whose values lie near those of one that is solved already.

use nalgebra::{Complex, DMatrix};

use super::error::CircuitError;
use super::netlist::Circuit;
use super::operating::{
    LARGEST_MOVE_V, LEAK_SIEMENS, OperatingPoint, RELATIVE_RESIDUAL, RESIDUAL_LIMIT_A, STEP_LIMIT,
    entries,
};
use super::sparse::{SparseSolver, Workspace};
use super::system::{System, stamp_conductances, unknown};
use super::topology::islands_without_dc_path;

/// Newton from a near start takes three or four steps, some more where a supply moves far; one that
/// has not settled after this many is left to the full search.
const MOST_ITERATIONS: usize = 24;

/// Newton with the order of elimination of one solved circuit, for all that have the same parts in
/// the same places. It either settles to the very limits of [`OperatingPoint::solve`] or hands over to it.
#[derive(Clone, Debug)]
pub struct NearbyRest {
    order: SparseSolver,
    leaks: Vec<usize>,
    start: Vec<f64>,
    no_storage: DMatrix<f64>,
}

/// Reusable memory of a search.
#[derive(Clone, Debug)]
pub struct RestWorkspace {
    order: SparseSolver,
    memory: Workspace,
}

impl NearbyRest {
    /// Prepares the search around a solved circuit. `None` where the fixed order does not work for it.
    ///
    /// # Errors
    /// What [`System::new`] refuses.
    pub fn new(circuit: &Circuit, point: &OperatingPoint) -> Result<Option<Self>, CircuitError> {
        let system = System::new(circuit)?;
        let leaks: Vec<usize> =
            islands_without_dc_path(circuit).into_iter().filter_map(unknown).collect();
        let g = with_leaks(system.linearised(&point.unknowns), &leaks);
        let no_storage = DMatrix::zeros(system.size, system.size);
        let room = system.device_places();
        let order = SparseSolver::new(&g, &no_storage, Complex::new(0.0, 0.0), &room);
        Ok(order.map(|order| Self { order, leaks, start: point.unknowns.clone(), no_storage }))
    }

    /// Memory for [`Self::solve`].
    pub fn workspace(&self) -> RestWorkspace {
        RestWorkspace { order: self.order.clone(), memory: self.order.workspace() }
    }

    /// All unknowns at rest of a circuit with the same parts and other values.
    ///
    /// # Errors
    /// As [`OperatingPoint::solve`].
    pub fn solve(
        &self,
        circuit: &Circuit,
        system: &System,
        workspace: &mut RestWorkspace,
    ) -> Result<Vec<f64>, CircuitError> {
        if system.devices.is_empty() {
            return Ok(vec![0.0; system.size]);
        }
        match self.newton(system, workspace) {
            Some(x) => Ok(x),
            None => Ok(OperatingPoint::of_system(circuit, system)?.unknowns),
        }
    }

    fn newton(&self, system: &System, w: &mut RestWorkspace) -> Option<Vec<f64>> {
        if system.size != self.start.len() {
            return None;
        }
        let linear = with_leaks(system.static_part.clone(), &self.leaks);
        let entries = entries(&linear);
        let sources = system.constant_sources();
        let mut x = self.start.clone();
        let zero = [Complex::new(0.0, 0.0)];
        let mut settled = false;
        for _ in 0..MOST_ITERATIONS {
            let mut residual: Vec<f64> = sources.iter().map(|v| -v).collect();
            let mut scale: Vec<f64> = sources.iter().map(|v| v.abs()).collect();
            for &(r, c, v) in &entries {
                residual[r] += v * x[c];
                scale[r] += (v * x[c]).abs();
            }
            let mut jacobian = linear.clone();
            for device in &system.devices {
                let currents = device.law.currents(&device.port_volts(&x));
                for (port, i) in device.ports.iter().zip(currents.current_a) {
                    for (row, sign) in [(port[0], 1.0), (port[1], -1.0)] {
                        if let Some(r) = row {
                            residual[r] += sign * i;
                            scale[r] += i.abs();
                        }
                    }
                }
                stamp_conductances(&mut jacobian, device, &currents);
            }
            let solved = residual
                .iter()
                .zip(&scale)
                .all(|(v, s)| v.abs() <= RESIDUAL_LIMIT_A + RELATIVE_RESIDUAL * s);
            if settled && solved {
                return Some(x);
            }
            let right: Vec<(usize, f64)> =
                residual.iter().copied().enumerate().filter(|(_, v)| *v != 0.0).collect();
            if !w.order.reload(&jacobian, &self.no_storage) {
                return None;
            }
            w.order.factor(&mut w.memory, &zero);
            // Whether the step is exact to rounding does not matter: the residual decides, and with what
            // hangs on capacitors alone few are.
            w.order.substitute(&mut w.memory, &right, &zero);
            let step: Vec<f64> = (0..x.len()).map(|u| w.memory.value(u, 0).re).collect();
            if step.iter().any(|v| !v.is_finite()) {
                return None;
            }
            let moves = system.devices.iter().flat_map(|d| d.port_volts(&step));
            let farthest = moves.fold(0.0f64, |most, v| most.max(v.abs()));
            let share = if farthest > LARGEST_MOVE_V { LARGEST_MOVE_V / farthest } else { 1.0 };
            settled = share == 1.0;
            for (x, step) in x.iter_mut().zip(&step) {
                *x -= share * step;
                settled &= step.abs() < STEP_LIMIT * x.abs().max(1.0);
            }
        }
        None
    }
}

fn with_leaks(mut g: DMatrix<f64>, leaks: &[usize]) -> DMatrix<f64> {
    for &i in leaks {
        g[(i, i)] += LEAK_SIEMENS;
    }
    g
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::amp::AmpFile;
    use crate::circuit::Kind;

    /// Falling back on the full search is right and five times as slow, so it would go unnoticed.
    #[test]
    fn a_whole_amp_off_in_its_resistors_is_found_from_near() {
        for name in ["larkspur-22", "tamarack-85"] {
            let built = AmpFile::preset(name).unwrap().state().circuit().unwrap();
            let point = OperatingPoint::solve(&built.circuit).unwrap();
            let near = NearbyRest::new(&built.circuit, &point).unwrap().unwrap();
            let mut workspace = near.workspace();
            for factors in [[0.9, 1.1], [1.1, 0.9], [1.1, 1.1]] {
                let mut circuit = built.circuit.clone();
                let names: Vec<String> = circuit.parts().map(|part| part.name.clone()).collect();
                for (k, name) in names.iter().enumerate() {
                    let mut kind = circuit.part(name).unwrap().kind.clone();
                    if let Kind::Resistor { ohms, .. } = &mut kind {
                        *ohms *= factors[k % 2];
                        circuit.replace(name, kind).unwrap();
                    }
                }
                let system = System::new(&circuit).unwrap();
                let found = near.newton(&system, &mut workspace).expect("found from near");
                let whole = OperatingPoint::solve(&circuit).unwrap().unknowns;
                for (found, whole) in found.iter().zip(&whole) {
                    assert!((found - whole).abs() < 1e-6 * whole.abs().max(1.0), "{name}");
                }
            }
        }
    }
}
