//! Valve laws: currents of a triode or pentode and their analytic derivatives.

use std::fmt::Debug;
use std::sync::Arc;

mod comparison;
mod dempwolf_zoelzer;
mod error;
mod file;
mod grid;
mod koren_pentode;
mod koren_triode;
mod library;
mod numeric;
mod scaled;

pub use comparison::{Comparison, compare};
pub use dempwolf_zoelzer::DempwolfZoelzer;
pub use error::ValveError;
pub use file::{DataSheetPoint, Maxima, PentodeSection, TriodeLawName, TriodeSection, ValveFile};
pub use grid::GridConduction;
pub use koren_pentode::{KorenPentode, KorenPentodeConstants};
pub use koren_triode::{KorenTriode, KorenTriodeConstants};
pub use library::Library;

/// What a triode's law gives at one pair of voltages.
///
/// Voltages are relative to the cathode, currents in amperes flow into the
/// named electrode, conductances in siemens.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TriodeCurrents {
    /// Plate current.
    pub plate_a: f64,
    /// Grid current.
    pub grid_a: f64,
    /// d plate current / d grid voltage: the mutual conductance gm.
    pub plate_by_grid_s: f64,
    /// d plate current / d plate voltage: 1 / rp.
    pub plate_by_plate_s: f64,
    /// d grid current / d grid voltage.
    pub grid_by_grid_s: f64,
    /// d grid current / d plate voltage.
    pub grid_by_plate_s: f64,
}

/// A triode: plate and grid current as functions of the voltages to the cathode.
pub trait TriodeLaw: Debug + Send + Sync {
    /// Currents and derivatives at grid voltage `vgk` and plate voltage `vpk` (volts).
    /// Finite for every finite input.
    fn currents(&self, vgk: f64, vpk: f64) -> TriodeCurrents;

    /// The law as constants, for evaluators that have a faster form of it.
    fn form(&self) -> TriodeForm {
        TriodeForm::Other
    }
}

/// The published form that a triode's law has.
#[derive(Clone, Debug, PartialEq)]
pub enum TriodeForm {
    /// Koren's plate current (with the terms of Cohen and Helie) and a grid that conducts.
    Koren(KorenTriodeConstants, GridConduction),
    /// Dempwolf and Zoelzer's shared cathode current.
    DempwolfZoelzer(DempwolfZoelzer),
    /// A law of its own.
    Other,
}

/// What a pentode's law gives: index 0 grid, 1 screen, 2 plate.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PentodeCurrents {
    /// Currents into grid, screen, plate, in amperes.
    pub current_a: [f64; 3],
    /// `by_voltage_s[i][j]`: d current i / d voltage j, in siemens.
    pub by_voltage_s: [[f64; 3]; 3],
}

/// A pentode (or beam tetrode): three currents of three voltages to the cathode.
pub trait PentodeLaw: Debug + Send + Sync {
    /// Currents and derivatives at grid, screen and plate voltage (volts, to the cathode).
    /// Finite for every finite input.
    fn currents(&self, vg1k: f64, vg2k: f64, vpk: f64) -> PentodeCurrents;

    /// The law as constants, for evaluators that have a faster form of it.
    fn form(&self) -> PentodeForm {
        PentodeForm::Other
    }
}

/// The published form that a pentode's law has.
#[derive(Clone, Debug, PartialEq)]
pub enum PentodeForm {
    /// Koren's plate and screen currents and a grid that conducts.
    Koren(KorenPentodeConstants, GridConduction),
    /// A law of its own.
    Other,
}

/// The three capacitances of a triode, in farads.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TriodeCapacitances {
    pub grid_cathode_f: f64,
    pub grid_plate_f: f64,
    pub plate_cathode_f: f64,
}

/// The two capacitances of a pentode that matter here, in farads.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PentodeCapacitances {
    pub grid_plate_f: f64,
    pub grid_cathode_f: f64,
}

/// A triode type: its law and its capacitances.
#[derive(Clone, Debug)]
pub struct TriodeType {
    pub name: String,
    pub law: Arc<dyn TriodeLaw>,
    pub capacitances: TriodeCapacitances,
}

/// A pentode type: its law and its capacitances.
#[derive(Clone, Debug)]
pub struct PentodeType {
    pub name: String,
    pub law: Arc<dyn PentodeLaw>,
    pub capacitances: PentodeCapacitances,
}
