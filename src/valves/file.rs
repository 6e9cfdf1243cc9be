//! What a valve file holds, as serde reads it, and the checks on its numbers.

use indexmap::IndexMap;
use serde::Deserialize;

use super::dempwolf_zoelzer::DempwolfZoelzer;
use super::error::ValveError;
use super::grid::GridConduction;
use super::koren_pentode::KorenPentodeConstants;
use super::koren_triode::KorenTriodeConstants;
use crate::toml_tree::read_text;

/// Greatest values that the maker allows.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Maxima {
    /// DC plate voltage, V.
    pub plate_volts: f64,
    /// Plate dissipation of one section, W.
    pub plate_watts: f64,
    /// DC screen voltage, V.
    pub screen_volts: Option<f64>,
    /// Screen dissipation, W.
    pub screen_watts: Option<f64>,
    /// Cathode current, mA.
    pub cathode_ma: Option<f64>,
    /// Where the figures come from and how sure they are.
    pub source: String,
}

/// One row of a data sheet's table, to hold a law against.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DataSheetPoint {
    pub plate_volts: f64,
    pub screen_volts: Option<f64>,
    pub grid_volts: f64,
    pub plate_ma: f64,
    pub screen_ma: Option<f64>,
    /// Mutual conductance, mA / V.
    pub gm_ms: Option<f64>,
    /// Plate resistance, kilo-ohms.
    pub rp_kohm: Option<f64>,
    pub source: String,
}

/// The part of a file that describes a triode.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TriodeSection {
    /// The law used when a circuit names only the type.
    pub law: TriodeLawName,
    pub grid_cathode_pf: f64,
    pub grid_plate_pf: f64,
    pub plate_cathode_pf: f64,
    pub capacitances_source: String,
    /// Grid conduction for the laws that have none of their own.
    pub grid: Option<GridConduction>,
    pub koren: Option<KorenTriodeConstants>,
    #[serde(rename = "cohen-helie")]
    pub cohen_helie: Option<KorenTriodeConstants>,
    /// Parameter sets by the name of the measured specimen; the first is the default.
    #[serde(rename = "dempwolf-zoelzer", default)]
    pub dempwolf_zoelzer: IndexMap<String, DempwolfZoelzer>,
}

/// Laws that a triode can follow.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TriodeLawName {
    Koren,
    CohenHelie,
    DempwolfZoelzer,
}

impl TriodeLawName {
    /// As it is written in files.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Koren => "koren",
            Self::CohenHelie => "cohen-helie",
            Self::DempwolfZoelzer => "dempwolf-zoelzer",
        }
    }
}

/// The part of a file that describes a pentode or beam tetrode.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PentodeSection {
    pub grid_plate_pf: f64,
    pub grid_cathode_pf: f64,
    pub capacitances_source: String,
    pub grid: GridConduction,
    pub koren: KorenPentodeConstants,
}

/// One valve type.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ValveFile {
    /// Registered type number.
    #[serde(rename = "type")]
    pub type_name: String,
    /// Other registered numbers of the same valve.
    #[serde(default)]
    pub aliases: Vec<String>,
    /// Anything a reader of the numbers should know.
    #[serde(default)]
    pub note: String,
    pub maxima: Maxima,
    pub triode: Option<TriodeSection>,
    pub pentode: Option<PentodeSection>,
    #[serde(default)]
    pub data_sheet: Vec<DataSheetPoint>,
}

impl ValveFile {
    /// Reads and checks one file; `origin` names it in errors.
    ///
    /// # Errors
    /// [`ValveError::BadFile`] with the line and what would be right.
    pub fn from_toml(text: &str, origin: &str) -> Result<Self, ValveError> {
        let bad = |what: String| ValveError::BadFile { origin: origin.to_owned(), what };
        let file: Self = read_text(text).map_err(|e| bad(e.in_text(text)))?;
        file.check().map_err(bad)?;
        Ok(file)
    }

    fn check(&self) -> Result<(), String> {
        if self.type_name.trim().is_empty() {
            return Err("`type` is empty; it must be the registered type number".to_owned());
        }
        positive("maxima.plate_volts", self.maxima.plate_volts)?;
        positive("maxima.plate_watts", self.maxima.plate_watts)?;
        match (&self.triode, &self.pentode) {
            (Some(t), None) => t.check(),
            (None, Some(p)) => p.check(),
            _ => Err("a valve needs either a [triode] or a [pentode] table".to_owned()),
        }
    }
}

impl TriodeSection {
    fn check(&self) -> Result<(), String> {
        for (key, pf) in [
            ("grid_cathode_pf", self.grid_cathode_pf),
            ("grid_plate_pf", self.grid_plate_pf),
            ("plate_cathode_pf", self.plate_cathode_pf),
        ] {
            not_negative(&format!("triode.{key}"), pf)?;
        }
        if let Some(grid) = &self.grid {
            check_grid("triode.grid", grid)?;
        }
        for (law, constants) in [("koren", &self.koren), ("cohen-helie", &self.cohen_helie)] {
            let Some(k) = constants else { continue };
            let at = |key: &str| format!("triode.{law}.{key}");
            positive(&at("mu"), k.mu)?;
            above_one(&at("ex"), k.ex)?;
            positive(&at("kg1"), k.kg1)?;
            positive(&at("kp"), k.kp)?;
            positive(&at("kvb"), k.kvb)?;
            not_negative(&at("kvb2"), k.kvb2)?;
            finite(&at("contact_volts"), k.contact_volts)?;
            if self.grid.is_none() {
                return Err(format!("[triode.{law}] needs a [triode.grid] table beside it"));
            }
        }
        for (set, d) in &self.dempwolf_zoelzer {
            let at = |key: &str| format!("triode.dempwolf-zoelzer.{set}.{key}");
            positive(&at("g"), d.g)?;
            positive(&at("mu"), d.mu)?;
            above_one(&at("gamma"), d.gamma)?;
            positive(&at("c"), d.c)?;
            not_negative(&at("ig0"), d.ig0)?;
            check_grid(&at("grid"), &d.grid)?;
        }
        let has_default = match self.law {
            TriodeLawName::Koren => self.koren.is_some(),
            TriodeLawName::CohenHelie => self.cohen_helie.is_some(),
            TriodeLawName::DempwolfZoelzer => !self.dempwolf_zoelzer.is_empty(),
        };
        if has_default {
            Ok(())
        } else {
            let law = self.law.as_str();
            Err(format!("triode.law is {law}, but there is no [triode.{law}] table"))
        }
    }
}

impl PentodeSection {
    fn check(&self) -> Result<(), String> {
        not_negative("pentode.grid_plate_pf", self.grid_plate_pf)?;
        not_negative("pentode.grid_cathode_pf", self.grid_cathode_pf)?;
        check_grid("pentode.grid", &self.grid)?;
        let k = &self.koren;
        positive("pentode.koren.mu", k.mu)?;
        above_one("pentode.koren.ex", k.ex)?;
        positive("pentode.koren.kg1", k.kg1)?;
        positive("pentode.koren.kg2", k.kg2)?;
        positive("pentode.koren.kp", k.kp)?;
        positive("pentode.koren.kvb", k.kvb)
    }
}

fn check_grid(at: &str, grid: &GridConduction) -> Result<(), String> {
    not_negative(&format!("{at}.gg"), grid.gg)?;
    positive(&format!("{at}.cg"), grid.cg)?;
    above_one(&format!("{at}.xi"), grid.xi)
}

fn check(key: &str, value: f64, right: bool, must: &str) -> Result<(), String> {
    if right { Ok(()) } else { Err(format!("{key} is {value}; it must be {must}")) }
}

fn finite(key: &str, value: f64) -> Result<(), String> {
    check(key, value, value.is_finite(), "a finite number")
}

fn positive(key: &str, value: f64) -> Result<(), String> {
    check(key, value, value.is_finite() && value > 0.0, "above zero")
}

fn not_negative(key: &str, value: f64) -> Result<(), String> {
    check(key, value, value.is_finite() && value >= 0.0, "zero or above")
}

fn above_one(key: &str, value: f64) -> Result<(), String> {
    check(key, value, value > 1.0 && value <= 4.0, "above 1 and at most 4")
}
