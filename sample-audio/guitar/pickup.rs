//! The coil of a pickup, loaded by controls, cable and the amp's input.

use std::f64::consts::TAU;

use super::SAMPLE_RATE_HZ;

/// A single coil with volume and tone at full, 5 m of cable and an input of 1 M (values of ordinary
/// parts; common practice, no source).
#[derive(Clone, Copy, Debug)]
pub struct Load {
    pub henries: f64,
    pub coil_ohms: f64,
    /// Winding and cable.
    pub farads: f64,
    /// Volume, tone and input in parallel.
    pub load_ohms: f64,
}

impl Default for Load {
    fn default() -> Load {
        let parallel = 1.0 / (1.0 / 250e3 + 1.0 / 250e3 + 1.0 / 1e6);
        Load { henries: 2.4, coil_ohms: 6_200.0, farads: 590e-12, load_ohms: parallel }
    }
}

impl Load {
    /// The resonance of coil and capacitance: 4.2 kHz for the default.
    pub fn resonance_hz(&self) -> f64 {
        1.0 / (TAU * (self.henries * self.farads).sqrt())
    }

    /// The voltage at the end of the cable for the voltage that the strings induce:
    /// 1 / (1 + (R + sL)(1/R_load + sC)), by the bilinear transform, right at the resonance.
    pub fn run(&self, induced: &mut [f64]) {
        let Load { henries, coil_ohms, farads, load_ohms } = *self;
        let rate_hz = f64::from(SAMPLE_RATE_HZ);
        let omega = TAU * self.resonance_hz();
        let k = omega / (0.5 * omega / rate_hz).tan();
        // s = k (1 - z⁻¹)/(1 + z⁻¹) in c0 + c1 s + c2 s².
        let c0 = 1.0 + coil_ohms / load_ohms;
        let c1 = (henries / load_ohms + coil_ohms * farads) * k;
        let c2 = henries * farads * k * k;
        let lead = c0 + c1 + c2;
        let (a1, a2) = (2.0 * (c0 - c2) / lead, (c0 - c1 + c2) / lead);
        let b = 1.0 / lead;
        let (mut s1, mut s2) = (0.0, 0.0);
        for sample in induced {
            let x = b * *sample;
            let y = x + s1;
            s1 = 2.0 * x - a1 * y + s2;
            s2 = x - a2 * y;
            *sample = y;
        }
    }
}
