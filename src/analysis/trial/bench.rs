//! A circuit on the bench: solved once, then solved again with other values at little cost.

use crate::circuit::system::System;
use crate::circuit::{
    Circuit, CircuitError, Kind, LinearCircuit, Multiport, NearbyRest, Node, OperatingPoint, Port,
    RestWorkspace,
};

use super::part::keeps_bias;

/// A circuit with one input and one output, its state of rest and what makes the next one cheap.
#[derive(Clone, Debug)]
pub struct Bench {
    source: String,
    output: Node,
    linear: LinearCircuit,
    point: Option<OperatingPoint>,
    near: Option<NearbyRest>,
}

impl Bench {
    /// Solves a circuit between a source and a node.
    ///
    /// # Errors
    /// As [`OperatingPoint::solve`], [`LinearCircuit::new`] and [`LinearCircuit::transfer`].
    pub fn new(circuit: &Circuit, source: &str, output: Node) -> Result<Self, CircuitError> {
        let has_devices = !System::new(circuit)?.devices.is_empty();
        let point = has_devices.then(|| OperatingPoint::solve(circuit)).transpose()?;
        let (linear, near) = match &point {
            Some(p) => (LinearCircuit::new(circuit, p)?, NearbyRest::new(circuit, p)?),
            None => (LinearCircuit::of(circuit)?, None),
        };
        linear.transfer(source, output)?;
        Ok(Self { source: source.to_owned(), output, linear, point, near })
    }

    /// The circuit as it was solved.
    pub fn circuit(&self) -> &Circuit {
        self.linear.circuit()
    }

    /// Name of the source.
    pub fn source(&self) -> &str {
        &self.source
    }

    /// The node that is read.
    pub fn output(&self) -> Node {
        self.output
    }

    /// The linearised circuit.
    pub fn linear(&self) -> &LinearCircuit {
        &self.linear
    }

    /// The state of rest; none for a circuit without valves and diodes.
    pub fn point(&self) -> Option<&OperatingPoint> {
        self.point.as_ref()
    }

    /// Whether a part of this circuit can take other values while the operating point stays.
    pub fn keeps_bias(&self, part: &str) -> bool {
        self.circuit().part(part).is_some_and(|p| keeps_bias(&p.kind, self.point.as_ref()))
    }

    /// The circuit as it is seen from some places.
    ///
    /// # Errors
    /// As [`Multiport::at_frequencies`].
    pub fn seen_from(
        &self,
        ports: &[Port],
        frequencies_hz: &[f64],
    ) -> Result<Multiport, CircuitError> {
        let outputs = [self.output];
        Multiport::at_frequencies(&self.linear, &self.source, &outputs, ports, frequencies_hz)
    }

    /// Memory for [`Self::solved_again`].
    pub fn workspace(&self) -> Option<RestWorkspace> {
        self.near.as_ref().map(NearbyRest::workspace)
    }

    /// The circuit with other values of some parts, its operating point found again.
    ///
    /// # Errors
    /// As [`Self::new`], and [`CircuitError::UnknownPart`].
    pub fn with_values(
        &self,
        values: &[(String, Kind)],
        workspace: &mut Option<RestWorkspace>,
    ) -> Result<LinearCircuit, CircuitError> {
        let mut circuit = self.circuit().clone();
        for (name, kind) in values {
            circuit.replace(name, kind.clone())?;
        }
        self.solved_again(&circuit, workspace)
    }

    /// The same for a circuit with the same parts in the same places and any values.
    ///
    /// # Errors
    /// As [`Self::new`].
    pub fn solved_again(
        &self,
        circuit: &Circuit,
        workspace: &mut Option<RestWorkspace>,
    ) -> Result<LinearCircuit, CircuitError> {
        let system = System::new(circuit)?;
        let at_rest = match (&self.near, workspace) {
            (Some(near), Some(w)) => near.solve(circuit, &system, w)?,
            _ if system.devices.is_empty() => vec![0.0; system.size],
            _ => OperatingPoint::of_system(circuit, &system)?.unknowns,
        };
        self.linear.revalued(circuit, system, &at_rest)
    }
}
