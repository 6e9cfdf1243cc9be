//! Valve types by name: those that come with the program and those from a user's files.

use std::sync::Arc;

use indexmap::IndexMap;

use super::error::ValveError;
use super::file::{TriodeLawName, TriodeSection, ValveFile};
use super::koren_pentode::KorenPentode;
use super::koren_triode::{KorenTriode, KorenTriodeConstants};
use super::{
    PentodeCapacitances, PentodeLaw, PentodeType, TriodeCapacitances, TriodeLaw, TriodeType,
};

macro_rules! embedded {
    ($($name:literal),* $(,)?) => {
        [$((concat!("presets/valves/", $name, ".toml"),
            include_str!(concat!("../../presets/valves/", $name, ".toml")))),*]
    };
}

/// The valve files that come with the program.
const EMBEDDED: [(&str, &str); 11] = embedded![
    "12AX7", "12AT7", "12AY7", "12AU7", "6DJ8", "6V6GT", "6L6GC", "EL84", "EL34", "6550", "KT88",
];

const PF: f64 = 1e-12;

/// Valve types, found by registered number or alias.
#[derive(Clone, Debug, Default)]
pub struct Library {
    files: IndexMap<String, ValveFile>,
}

impl Library {
    /// An empty library.
    pub fn new() -> Self {
        Self::default()
    }

    /// The types that come with the program.
    ///
    /// # Errors
    /// [`ValveError::BadFile`] if an embedded file is wrong, which a test rules out.
    pub fn embedded() -> Result<Self, ValveError> {
        let mut library = Self::new();
        for (origin, text) in EMBEDDED {
            library.add_toml(text, origin)?;
        }
        Ok(library)
    }

    /// Adds the type of one file; it replaces a type of the same name.
    ///
    /// # Errors
    /// [`ValveError::BadFile`] if the file cannot be read or a number cannot be right.
    pub fn add_toml(&mut self, text: &str, origin: &str) -> Result<(), ValveError> {
        let file = ValveFile::from_toml(text, origin)?;
        self.files.insert(file.type_name.clone(), file);
        Ok(())
    }

    /// All types, in the order in which they were added.
    pub fn files(&self) -> impl ExactSizeIterator<Item = &ValveFile> {
        self.files.values()
    }

    /// The file of a type, by its number or an alias, whatever the case.
    pub fn file(&self, name: &str) -> Option<&ValveFile> {
        let same = |other: &str| other.eq_ignore_ascii_case(name.trim());
        self.files.values().find(|f| same(&f.type_name) || f.aliases.iter().any(|a| same(a)))
    }

    /// A triode with its default law, or, as in `12AX7 RSD-1`, with a named law or
    /// parameter set after the type number.
    ///
    /// # Errors
    /// An unknown name (with the nearest right one), a pentode's name, or an unknown law.
    pub fn triode(&self, name: &str) -> Result<TriodeType, ValveError> {
        let (file, law) = self.split(name, "triode")?;
        self.triode_of(file, law)
    }

    /// A triode with the law or parameter set `law`: `koren`, `cohen-helie`,
    /// `dempwolf-zoelzer`, or the name of a specimen such as `RSD-1`.
    ///
    /// # Errors
    /// An unknown name (with the nearest right one), a pentode's name, or an unknown law.
    pub fn triode_with_law(&self, name: &str, law: &str) -> Result<TriodeType, ValveError> {
        let (file, _) = self.split(name, "triode")?;
        self.triode_of(file, Some(law))
    }

    /// A pentode with its law.
    ///
    /// # Errors
    /// An unknown name (with the nearest right one), a triode's name, or an unknown law.
    pub fn pentode(&self, name: &str) -> Result<PentodeType, ValveError> {
        let (file, law) = self.split(name, "pentode")?;
        let Some(section) = &file.pentode else {
            return Err(wrong_kind(file, "triode", "pentode"));
        };
        if let Some(law) = law.filter(|l| !l.eq_ignore_ascii_case("koren")) {
            return Err(unknown_law(file, law, "koren".to_owned()));
        }
        let law: Arc<dyn PentodeLaw> =
            Arc::new(KorenPentode { constants: section.koren.clone(), grid: section.grid.clone() });
        Ok(PentodeType {
            name: file.type_name.clone(),
            law,
            capacitances: PentodeCapacitances {
                grid_plate_f: section.grid_plate_pf * PF,
                grid_cathode_f: section.grid_cathode_pf * PF,
            },
        })
    }

    /// The file a name means, and what follows the type number.
    fn split<'a>(
        &self,
        name: &'a str,
        kind: &'static str,
    ) -> Result<(&ValveFile, Option<&'a str>), ValveError> {
        if let Some(file) = self.file(name) {
            return Ok((file, None));
        }
        if let Some((first, rest)) = name.trim().split_once(char::is_whitespace)
            && let Some(file) = self.file(first)
        {
            return Ok((file, Some(rest.trim())));
        }
        Err(ValveError::Unknown { kind, name: name.to_owned(), hint: self.hint(name) })
    }

    fn hint(&self, name: &str) -> String {
        let wanted = name.to_ascii_uppercase();
        let nearest = self
            .files
            .values()
            .flat_map(|f| std::iter::once(&f.type_name).chain(&f.aliases))
            .map(|known| (strsim::jaro_winkler(&wanted, &known.to_ascii_uppercase()), known))
            .max_by(|a, b| a.0.total_cmp(&b.0));
        match nearest {
            Some((likeness, known)) if likeness > 0.75 => format!("did you mean {known}?"),
            _ => {
                let all: Vec<&str> = self.files.values().map(|f| f.type_name.as_str()).collect();
                format!("the types known are {}", all.join(", "))
            }
        }
    }

    fn triode_of(&self, file: &ValveFile, law: Option<&str>) -> Result<TriodeType, ValveError> {
        let Some(section) = &file.triode else {
            return Err(wrong_kind(file, "pentode", "triode"));
        };
        let wanted = law.unwrap_or(section.law.as_str());
        let Some(found) = triode_law(section, wanted) else {
            return Err(unknown_law(file, wanted, laws_of(section).join(", ")));
        };
        let name = match law {
            Some(law) => format!("{} {law}", file.type_name),
            None => file.type_name.clone(),
        };
        Ok(TriodeType {
            name,
            law: found,
            capacitances: TriodeCapacitances {
                grid_cathode_f: section.grid_cathode_pf * PF,
                grid_plate_f: section.grid_plate_pf * PF,
                plate_cathode_f: section.plate_cathode_pf * PF,
            },
        })
    }
}

fn wrong_kind(file: &ValveFile, is: &'static str, wanted: &'static str) -> ValveError {
    ValveError::WrongKind { name: file.type_name.clone(), is, wanted }
}

fn unknown_law(file: &ValveFile, law: &str, has: String) -> ValveError {
    ValveError::UnknownLaw { name: file.type_name.clone(), law: law.to_owned(), has }
}

fn triode_law(section: &TriodeSection, wanted: &str) -> Option<Arc<dyn TriodeLaw>> {
    let koren = |plate: &Option<KorenTriodeConstants>| -> Option<Arc<dyn TriodeLaw>> {
        let (plate, grid) = (plate.clone()?, section.grid.clone()?);
        Some(Arc::new(KorenTriode { plate, grid }))
    };
    if wanted.eq_ignore_ascii_case(TriodeLawName::Koren.as_str()) {
        return koren(&section.koren);
    }
    if wanted.eq_ignore_ascii_case(TriodeLawName::CohenHelie.as_str()) {
        return koren(&section.cohen_helie);
    }
    let sets = &section.dempwolf_zoelzer;
    let set = if wanted.eq_ignore_ascii_case(TriodeLawName::DempwolfZoelzer.as_str()) {
        sets.values().next()
    } else {
        sets.iter().find(|(name, _)| name.eq_ignore_ascii_case(wanted)).map(|(_, set)| set)
    };
    set.map(|s| Arc::new(s.clone()) as Arc<dyn TriodeLaw>)
}

fn laws_of(section: &TriodeSection) -> Vec<&str> {
    let mut laws = Vec::new();
    if section.koren.is_some() {
        laws.push(TriodeLawName::Koren.as_str());
    }
    if section.cohen_helie.is_some() {
        laws.push(TriodeLawName::CohenHelie.as_str());
    }
    if !section.dempwolf_zoelzer.is_empty() {
        laws.push(TriodeLawName::DempwolfZoelzer.as_str());
        laws.extend(section.dempwolf_zoelzer.keys().map(String::as_str));
    }
    laws
}
