//! The driver: electrical, mechanical and acoustical constants, and what follows from them.

use std::f64::consts::{PI, TAU};

use nalgebra::Complex;

use super::coil::SemiInductance;

/// Air density, in kg/m^3 (about 25 degrees Celsius).
pub const AIR_DENSITY_KG_PER_M3: f64 = 1.18;
/// Speed of sound in air, in m/s (about 23 degrees Celsius).
pub const SOUND_SPEED_M_PER_S: f64 = 345.0;

/// One driver, for small signals.
///
/// The names of the derived constants and the identities are those of R. H. Small,
/// "Closed-Box Loudspeaker Systems", J. Audio Eng. Soc., December 1972.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Driver {
    /// Re: the coil's resistance at DC.
    pub coil_ohms: f64,
    /// Le: the lossless part of the coil's inductance; zero if all of it is lossy.
    pub coil_henries: f64,
    /// The lossy part.
    pub semi_inductance: Option<SemiInductance>,
    /// Bl: newtons per ampere, or volts per metre per second.
    pub force_factor_tm: f64,
    /// Mms: the moving mass with its air load.
    pub moving_mass_kg: f64,
    /// Cms: the compliance of surround and spider.
    pub compliance_m_per_n: f64,
    /// Rms: mechanical losses.
    pub resistance_ns_per_m: f64,
    /// Sd: the cone's effective area.
    pub cone_area_m2: f64,
}

/// How many equal drivers there are and how they are connected.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wiring {
    /// Drivers in series in each branch.
    pub series: u32,
    /// Branches in parallel.
    pub parallel: u32,
}

impl Wiring {
    /// Number of drivers.
    pub fn count(&self) -> f64 {
        f64::from(self.series) * f64::from(self.parallel)
    }

    /// Impedance of all drivers as a multiple of that of one.
    pub fn impedance_factor(&self) -> f64 {
        f64::from(self.series) / f64::from(self.parallel)
    }
}

impl Driver {
    /// fs: resonance in free air, hertz.
    pub fn resonance_hz(&self) -> f64 {
        1.0 / (TAU * (self.moving_mass_kg * self.compliance_m_per_n).sqrt())
    }

    /// Qms: mechanical quality factor at resonance.
    pub fn mechanical_q(&self) -> f64 {
        (self.moving_mass_kg / self.compliance_m_per_n).sqrt() / self.resistance_ns_per_m
    }

    /// Qes: electrical quality factor at resonance, for a source of no resistance.
    pub fn electrical_q(&self) -> f64 {
        (self.moving_mass_kg / self.compliance_m_per_n).sqrt() * self.coil_ohms
            / self.force_factor_tm.powi(2)
    }

    /// Qts: both together.
    pub fn total_q(&self) -> f64 {
        let (m, e) = (self.mechanical_q(), self.electrical_q());
        m * e / (m + e)
    }

    /// Res: what the mechanical losses look like from the coil, in ohms.
    pub fn motional_ohms(&self) -> f64 {
        self.force_factor_tm.powi(2) / self.resistance_ns_per_m
    }

    /// Lces: what the compliance looks like from the coil, in henries.
    pub fn motional_henries(&self) -> f64 {
        self.compliance_m_per_n * self.force_factor_tm.powi(2)
    }

    /// Cmes: what the moving mass looks like from the coil, in farads.
    pub fn motional_farads(&self) -> f64 {
        self.moving_mass_kg / self.force_factor_tm.powi(2)
    }

    /// Vas: the volume of air as compliant as the suspension, in cubic metres.
    pub fn equivalent_volume_m3(&self) -> f64 {
        AIR_DENSITY_KG_PER_M3
            * SOUND_SPEED_M_PER_S.powi(2)
            * self.cone_area_m2.powi(2)
            * self.compliance_m_per_n
    }

    /// eta0: acoustic power in half space over electrical power into Re, in the piston range.
    pub fn reference_efficiency(&self) -> f64 {
        4.0 * PI * PI / SOUND_SPEED_M_PER_S.powi(3)
            * self.resonance_hz().powi(3)
            * self.equivalent_volume_m3()
            / self.electrical_q()
    }

    /// The same driver with the air of a closed box behind it: the box's compliance and the
    /// suspension's push together. `volume_m3` is the box's share of this driver.
    pub fn in_closed_box(&self, volume_m3: f64) -> Driver {
        let alpha = self.equivalent_volume_m3() / volume_m3;
        Driver { compliance_m_per_n: self.compliance_m_per_n / (1.0 + alpha), ..*self }
    }

    /// Impedance of the blocked coil: Re, Le and the exact K (j w)^n, in ohms.
    pub fn blocked_impedance(&self, hz: f64) -> Complex<f64> {
        let lossy = self.semi_inductance.map_or(Complex::new(0.0, 0.0), |s| s.impedance(hz));
        Complex::new(self.coil_ohms, TAU * hz * self.coil_henries) + lossy
    }

    /// Impedance of the moving parts as seen from the coil, in ohms:
    /// Res / (1 + j Qms (f/fs - fs/f)).
    pub fn motional_impedance(&self, hz: f64) -> Complex<f64> {
        let fs = self.resonance_hz();
        self.motional_ohms() / Complex::new(1.0, self.mechanical_q() * (hz / fs - fs / hz))
    }

    /// Impedance at the terminals, in ohms.
    pub fn impedance(&self, hz: f64) -> Complex<f64> {
        self.blocked_impedance(hz) + self.motional_impedance(hz)
    }

    /// Acceleration of the cone per volt at the terminals, in m/s^2.
    pub fn acceleration_per_volt(&self, hz: f64) -> Complex<f64> {
        let velocity = self.motional_impedance(hz) / self.impedance(hz) / self.force_factor_tm;
        velocity * Complex::new(0.0, TAU * hz)
    }
}
