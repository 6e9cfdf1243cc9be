//! A speaker as parts of a circuit.

use crate::circuit::{Circuit, CircuitError, GROUND, Kind, Node};

use super::Speaker;

/// The nodes of an expanded speaker that others ask for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpeakerNodes {
    /// Sound pressure at 1 m, one volt for one pascal.
    pub pressure: Node,
    /// Across this node and the speaker's second terminal stands Bl times the cone's velocity.
    pub motion: Node,
}

impl Speaker {
    /// Adds the speaker to a circuit between `terminals`, under the designator `name`.
    ///
    /// All drivers together become one: for `s` in series and `p` branches in parallel every
    /// impedance is s/p times that of one. Parts, with `LS1` as the name:
    /// - `LS1.Re`, `LS1.Le`, `LS1.Rk` and `LS1.Lk` (k = 1, 2, ...: the lossy ladder): the coil;
    /// - `LS1.Res`, `LS1.Lces`, `LS1.Cmes` in parallel: losses, compliance and mass of the cone,
    ///   seen through the motor (a gyrator of Bl);
    /// - `LS1.cone`: the pressure from the cone's acceleration, which is the current through
    ///   `LS1.Cmes`: a = Bl i / Mms in each driver;
    /// - `LS1.sound1`, ...: open back, cone resonances, rolloff.
    ///
    /// Nodes: `LS1.e`, `LS1.m1`, ..., `LS1.motion`, `LS1.p1`, ..., `LS1.pressure`.
    ///
    /// # Errors
    /// [`CircuitError`] if a designator is taken or a value is out of its range.
    pub fn expand(
        &self,
        circuit: &mut Circuit,
        name: &str,
        terminals: [Node; 2],
    ) -> Result<SpeakerNodes, CircuitError> {
        let driver = self.mounted_driver();
        let scale = self.wiring.impedance_factor();
        let part = |suffix: &str| format!("{name}.{suffix}");
        let motion = circuit.node(&part("motion"));

        // The coil: a chain from the first terminal to `motion`.
        let ladder = driver.semi_inductance.map(|s| s.ladder().sections).unwrap_or_default();
        let mut at = terminals[0];
        let mut left = 1 + usize::from(driver.coil_henries > 0.0) + ladder.len();
        let mut next = |circuit: &mut Circuit, label: &str| {
            left -= 1;
            let from = at;
            at = if left == 0 { motion } else { circuit.node(&part(label)) };
            [from, at]
        };
        let between = next(circuit, "e");
        circuit.add(&part("Re"), Kind::Resistor { between, ohms: driver.coil_ohms * scale })?;
        if driver.coil_henries > 0.0 {
            let between = next(circuit, "l");
            let henries = driver.coil_henries * scale;
            circuit.add(&part("Le"), Kind::Inductor { between, henries })?;
        }
        for (k, section) in ladder.iter().enumerate() {
            let between = next(circuit, &format!("m{}", k + 1));
            let (ohms, henries) = (section.ohms * scale, section.henries * scale);
            circuit.add(&part(&format!("R{}", k + 1)), Kind::Resistor { between, ohms })?;
            circuit.add(&part(&format!("L{}", k + 1)), Kind::Inductor { between, henries })?;
        }

        // The moving parts.
        let between = [motion, terminals[1]];
        circuit
            .add(&part("Res"), Kind::Resistor { between, ohms: driver.motional_ohms() * scale })?;
        let henries = driver.motional_henries() * scale;
        circuit.add(&part("Lces"), Kind::Inductor { between, henries })?;
        let farads = driver.motional_farads() / scale;
        circuit.add(&part("Cmes"), Kind::Capacitor { between, farads })?;

        // The sound. One driver carries 1/p of the current of them all.
        let pascals_per_ampere = self.pressure_per_acceleration() * driver.force_factor_tm
            / driver.moving_mass_kg
            / f64::from(self.wiring.parallel);
        let sections = self.acoustic_sections();
        let pressure = circuit.node(&part("pressure"));
        let node_after = |circuit: &mut Circuit, k: usize| {
            if k == sections.len() { pressure } else { circuit.node(&part(&format!("p{}", k + 1))) }
        };
        let mut from = node_after(circuit, 0);
        circuit.add(
            &part("cone"),
            Kind::CurrentControlledSource {
                plus: from,
                minus: GROUND,
                sensed: part("Cmes"),
                ohms: pascals_per_ampere,
            },
        )?;
        for (k, section) in sections.iter().enumerate() {
            let output = node_after(circuit, k + 1);
            circuit.add(
                &part(&format!("sound{}", k + 1)),
                Kind::Section {
                    input: from,
                    output,
                    numerator: section.numerator,
                    denominator: section.denominator,
                },
            )?;
            from = output;
        }
        Ok(SpeakerNodes { pressure, motion })
    }
}
