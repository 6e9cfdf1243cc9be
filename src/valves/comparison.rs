//! How far a law is from the rows of a data sheet: figures to report, not to pass.

use super::error::ValveError;
use super::file::{DataSheetPoint, ValveFile};
use super::library::Library;

/// One row of a data sheet beside what the law gives there. Currents in mA, conductance in
/// mA / V, resistance in kilo-ohms.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// Type number, with the law if it is not the default.
    pub valve: String,
    pub sheet: DataSheetPoint,
    pub plate_ma: f64,
    /// Zero for a triode.
    pub screen_ma: f64,
    pub gm_ms: f64,
    pub rp_kohm: f64,
}

impl Comparison {
    /// Deviation of the law's plate current from the sheet's, in percent of the sheet's.
    pub fn plate_percent(&self) -> f64 {
        100.0 * (self.plate_ma / self.sheet.plate_ma - 1.0)
    }

    /// Deviation of the mutual conductance in percent, where the sheet gives it.
    pub fn gm_percent(&self) -> Option<f64> {
        self.sheet.gm_ms.map(|gm| 100.0 * (self.gm_ms / gm - 1.0))
    }
}

/// Every data-sheet row of a type against one of its laws (`None`: the default law).
///
/// # Errors
/// As [`Library::triode`] and [`Library::pentode`].
pub fn compare(
    library: &Library,
    file: &ValveFile,
    law: Option<&str>,
) -> Result<Vec<Comparison>, ValveError> {
    if file.pentode.is_some() {
        let valve = library.pentode(&file.type_name)?;
        let row = |sheet: &DataSheetPoint| {
            let screen = sheet.screen_volts.unwrap_or(sheet.plate_volts);
            let c = valve.law.currents(sheet.grid_volts, screen, sheet.plate_volts);
            Comparison {
                valve: valve.name.clone(),
                sheet: sheet.clone(),
                plate_ma: 1e3 * c.current_a[2],
                screen_ma: 1e3 * c.current_a[1],
                gm_ms: 1e3 * c.by_voltage_s[2][0],
                rp_kohm: 1e-3 / c.by_voltage_s[2][2],
            }
        };
        return Ok(file.data_sheet.iter().map(row).collect());
    }
    let valve = match law {
        Some(law) => library.triode_with_law(&file.type_name, law)?,
        None => library.triode(&file.type_name)?,
    };
    let row = |sheet: &DataSheetPoint| {
        let c = valve.law.currents(sheet.grid_volts, sheet.plate_volts);
        Comparison {
            valve: valve.name.clone(),
            sheet: sheet.clone(),
            plate_ma: 1e3 * c.plate_a,
            screen_ma: 0.0,
            gm_ms: 1e3 * c.plate_by_grid_s,
            rp_kohm: 1e-3 / c.plate_by_plate_s,
        }
    };
    Ok(file.data_sheet.iter().map(row).collect())
}
