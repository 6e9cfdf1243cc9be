//! Reading a speaker file (TOML).
//!
//! Every key, with an example, stands in `presets/speakers/`. Quantities with a unit of their own
//! are strings (`"6R5"`, `"50 uH"`, `"2.6 kHz"`); mechanical ones are numbers whose unit is in
//! the key.

use serde::Deserialize;

use crate::toml_tree::read_text;
use crate::units::{Henries, Hertz, Ohms};

use super::{
    AcousticSection, Cabinet, Driver, RangeOfUse, SemiInductance, Speaker, SpeakerError, Wiring,
};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SpeakerFile {
    title: String,
    source: String,
    #[serde(default)]
    notes: String,
    nominal_impedance: Ohms,
    driver: DriverFile,
    #[serde(default)]
    wiring: WiringFile,
    cabinet: CabinetFile,
    #[serde(default)]
    cone: ConeFile,
    range_of_use: RangeFile,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct DriverFile {
    coil_resistance: Ohms,
    coil_inductance: Option<Henries>,
    semi_inductance: Option<SemiInductanceFile>,
    force_factor_tesla_m: f64,
    moving_mass_g: f64,
    compliance_mm_per_n: f64,
    resistance_ns_per_m: f64,
    cone_area_cm2: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SemiInductanceFile {
    coefficient: f64,
    exponent: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WiringFile {
    series: u32,
    parallel: u32,
}

impl Default for WiringFile {
    fn default() -> Self {
        Self { series: 1, parallel: 1 }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "lowercase", tag = "back")]
enum CabinetFile {
    Open { path_m: f64 },
    Closed { volume_l: f64 },
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct ConeFile {
    #[serde(default)]
    resonances: Vec<ResonanceFile>,
    #[serde(default)]
    rolloffs: Vec<RolloffFile>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ResonanceFile {
    at: Hertz,
    q: f64,
    gain_db: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RolloffFile {
    at: Hertz,
    q: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RangeFile {
    below_midband_db: f64,
    lowest: Hertz,
    highest: Hertz,
    midband: [Hertz; 2],
}

/// How far the stated limits may be from the model's own: a twelfth of an octave, which nobody
/// hears as another limit.
const RANGE_RATIO: f64 = 1.06;

impl Speaker {
    /// Reads a speaker file's text; `file` names it in errors.
    ///
    /// # Errors
    /// [`SpeakerError::File`] if it is not the TOML of a speaker, [`SpeakerError::Value`] if a
    /// value is impossible, [`SpeakerError::Range`] if the stated range of use is not the model's.
    pub fn from_toml(file: &str, text: &str) -> Result<Self, SpeakerError> {
        let parsed: SpeakerFile = read_text(text).map_err(|error| SpeakerError::File {
            file: file.to_owned(),
            message: error.in_text(text),
        })?;
        let speaker = parsed.checked(&Checker { file })?;
        let range = &speaker.range_of_use;
        let model = speaker.model_range_hz(file)?;
        let stated = [("lowest", range.lowest_hz), ("highest", range.highest_hz)];
        for ((key, stated_hz), model_hz) in stated.into_iter().zip(model) {
            let ratio = (stated_hz / model_hz).max(model_hz / stated_hz);
            if ratio > RANGE_RATIO {
                return Err(SpeakerError::Range {
                    file: file.to_owned(),
                    key,
                    stated_hz,
                    model_hz,
                    below_midband_db: range.below_midband_db,
                });
            }
        }
        Ok(speaker)
    }
}

/// Checks values one by one, with the file's name for the message.
struct Checker<'a> {
    file: &'a str,
}

impl Checker<'_> {
    fn within(
        &self,
        key: &str,
        value: f64,
        low: f64,
        high: f64,
        must: &'static str,
    ) -> Result<f64, SpeakerError> {
        if value.is_finite() && (low..=high).contains(&value) {
            return Ok(value);
        }
        let (file, key) = (self.file.to_owned(), key.to_owned());
        Err(SpeakerError::Value { file, key, value, must })
    }
}

impl SpeakerFile {
    fn checked(self, check: &Checker) -> Result<Speaker, SpeakerError> {
        let driver = self.driver.checked(check)?;
        let count = "from 1 to 16";
        let WiringFile { series, parallel } = self.wiring;
        check.within("wiring.series", f64::from(series), 1.0, 16.0, count)?;
        check.within("wiring.parallel", f64::from(parallel), 1.0, 16.0, count)?;
        let cabinet = match self.cabinet {
            CabinetFile::Open { path_m } => Cabinet::Open {
                path_m: check.within(
                    "cabinet.path_m",
                    path_m,
                    0.05,
                    5.0,
                    "from 0.05 to 5 metres",
                )?,
            },
            CabinetFile::Closed { volume_l } => {
                let litres = "from 1 to 2000 litres";
                let volume_l = check.within("cabinet.volume_l", volume_l, 1.0, 2000.0, litres)?;
                Cabinet::Closed { volume_m3: volume_l * 1e-3 }
            }
        };
        Ok(Speaker {
            title: self.title,
            source: self.source,
            notes: self.notes,
            nominal_ohms: check.within(
                "nominal_impedance",
                self.nominal_impedance.0,
                1.0,
                32.0,
                "from 1 to 32 ohms",
            )?,
            driver,
            wiring: Wiring { series, parallel },
            cabinet,
            cone: self.cone.checked(check)?,
            range_of_use: self.range_of_use.checked(check)?,
        })
    }
}

impl DriverFile {
    fn checked(self, check: &Checker) -> Result<Driver, SpeakerError> {
        let semi_inductance = match self.semi_inductance {
            None => None,
            Some(SemiInductanceFile { coefficient, exponent }) => Some(SemiInductance {
                coefficient: check.within(
                    "driver.semi_inductance.coefficient",
                    coefficient,
                    1e-6,
                    10.0,
                    "from 1e-6 to 10 (ohms at 1 rad/s)",
                )?,
                exponent: check.within(
                    "driver.semi_inductance.exponent",
                    exponent,
                    0.3,
                    0.95,
                    "from 0.3 to 0.95 (measured coils lie between 0.5 and 0.9)",
                )?,
            }),
        };
        let within = |key, value, low, high, must| check.within(key, value, low, high, must);
        Ok(Driver {
            coil_ohms: within(
                "driver.coil_resistance",
                self.coil_resistance.0,
                0.5,
                100.0,
                "from 0.5 to 100 ohms",
            )?,
            coil_henries: within(
                "driver.coil_inductance",
                self.coil_inductance.map_or(0.0, |l| l.0),
                0.0,
                0.02,
                "from 0 to 20 mH",
            )?,
            semi_inductance,
            force_factor_tm: within(
                "driver.force_factor_tesla_m",
                self.force_factor_tesla_m,
                0.5,
                50.0,
                "from 0.5 to 50 tesla metres",
            )?,
            moving_mass_kg: within(
                "driver.moving_mass_g",
                self.moving_mass_g,
                0.5,
                500.0,
                "from 0.5 to 500 grams",
            )? * 1e-3,
            compliance_m_per_n: within(
                "driver.compliance_mm_per_n",
                self.compliance_mm_per_n,
                0.005,
                5.0,
                "from 0.005 to 5 mm/N",
            )? * 1e-3,
            resistance_ns_per_m: within(
                "driver.resistance_ns_per_m",
                self.resistance_ns_per_m,
                0.05,
                50.0,
                "from 0.05 to 50 N s/m",
            )?,
            cone_area_m2: within(
                "driver.cone_area_cm2",
                self.cone_area_cm2,
                10.0,
                3000.0,
                "from 10 to 3000 square centimetres",
            )? * 1e-4,
        })
    }
}

impl ConeFile {
    fn checked(self, check: &Checker) -> Result<Vec<AcousticSection>, SpeakerError> {
        let mut sections = Vec::new();
        let hertz = "from 100 Hz to 20 kHz";
        let quality = "from 0.2 to 20";
        for (k, r) in self.resonances.iter().enumerate() {
            let key = |what: &str| format!("cone.resonances[{k}].{what}");
            let at = check.within(&key("at"), r.at.0, 100.0, 20e3, hertz)?;
            let q = check.within(&key("q"), r.q, 0.2, 20.0, quality)?;
            let gain_db =
                check.within(&key("gain_db"), r.gain_db, -30.0, 20.0, "from -30 to 20 dB")?;
            sections.push(AcousticSection::resonance(at, q, gain_db));
        }
        for (k, r) in self.rolloffs.iter().enumerate() {
            let key = |what: &str| format!("cone.rolloffs[{k}].{what}");
            let at = check.within(&key("at"), r.at.0, 100.0, 20e3, hertz)?;
            let q = check.within(&key("q"), r.q, 0.2, 20.0, quality)?;
            sections.push(AcousticSection::rolloff(at, q));
        }
        Ok(sections)
    }
}

impl RangeFile {
    fn checked(self, check: &Checker) -> Result<RangeOfUse, SpeakerError> {
        let [from, to] = self.midband.map(|hz| hz.0);
        let below_midband_db = check.within(
            "range_of_use.below_midband_db",
            self.below_midband_db,
            1.0,
            40.0,
            "from 1 to 40 dB",
        )?;
        let from =
            check.within("range_of_use.midband[0]", from, 50.0, 5e3, "from 50 Hz to 5 kHz")?;
        let to = check.within(
            "range_of_use.midband[1]",
            to,
            from,
            10e3,
            "above the first and at most 10 kHz",
        )?;
        Ok(RangeOfUse {
            below_midband_db,
            lowest_hz: check.within(
                "range_of_use.lowest",
                self.lowest.0,
                5.0,
                from,
                "from 5 Hz to the start of the midband",
            )?,
            highest_hz: check.within(
                "range_of_use.highest",
                self.highest.0,
                to,
                40e3,
                "from the end of the midband to 40 kHz",
            )?,
            midband_hz: [from, to],
        })
    }
}
