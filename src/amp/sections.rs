//! The sections of a job that ask questions: `[dials]`, `[values]`, `[spread]`; and drawers of values.

use std::path::Path;

use indexmap::IndexMap;
use serde::Deserialize;

use crate::units::{Decibels, Farads, Henries, Hertz, Ohms, Percent, Series};

use super::error::AmpError;
use super::lines::{Scope, parse};
use super::source::read_text;
use super::spec::{OneOrMore, Scalar};
use super::state::AmpState;
use crate::names::nearest;

/// `[dials]`: which knob is mapped onto which.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DialsSection {
    /// The version whose control is asked about.
    pub version: Option<String>,
    pub control: Option<String>,
    /// The version, or another amp, whose controls are to equal it.
    pub to_version: Option<String>,
    pub to_amp: Option<String>,
    /// Its free controls; the one of the same name if left out.
    pub free: Vec<String>,
    /// Lowest and highest frequency that count.
    pub band: Option<[Hertz; 2]>,
    /// Weights at frequencies within the band.
    pub weights: Vec<(Hertz, f64)>,
    /// Whether levels may be made equal.
    pub level_offset: Option<bool>,
    /// How far apart two responses may be and still count as the same.
    pub same: Option<Decibels>,
    /// A version without the control, to be found on its scale.
    pub as_built: Option<String>,
}

/// `[values.parts]`: the range in which a part's value is searched.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct RangeSection {
    pub from: Option<Scalar>,
    pub to: Option<Scalar>,
    pub series: Option<Series>,
}

/// The low or the high side of a response.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SideSection {
    #[default]
    Low,
    High,
}

/// `[[values.goals]]`: what the values are to do; each has one of `corner`, `at`, `match` and
/// `ratings`.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct GoalSection {
    /// A corner at this frequency, of the whole amp or of one capacitor's section.
    pub corner: Option<Hertz>,
    pub of: Option<String>,
    pub side: SideSection,
    /// A level at this frequency, against the level at `reference` or that of another version.
    pub at: Option<Hertz>,
    pub down_at_least: Option<Decibels>,
    pub down_at_most: Option<Decibels>,
    pub reference: Option<Hertz>,
    pub than: Option<String>,
    /// Another version's response.
    #[serde(rename = "match")]
    pub like: Option<String>,
    pub band: Option<[Hertz; 2]>,
    pub level_offset: Option<bool>,
    /// Parts that are to stay within their ratings at rest; `all` for all that have one.
    pub ratings: Option<OneOrMore>,
}

/// `[values]`: a search for standard values.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ValuesSection {
    /// The version that is the start.
    pub version: Option<String>,
    pub series: Option<Series>,
    /// A file with the values that are at hand.
    pub drawer: Option<String>,
    pub parts: IndexMap<String, RangeSection>,
    pub goals: Vec<GoalSection>,
}

/// How values lie within their tolerance.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum LawSection {
    /// Anywhere within it alike.
    #[default]
    Uniform,
    /// Around the value, with the tolerance at two standard deviations, none beyond it.
    Normal,
}

/// `[spread]`: how tolerances are drawn.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SpreadSection {
    pub draws: Option<usize>,
    pub seed: Option<u64>,
    pub distribution: LawSection,
    /// Tolerances other than those of the amp file, by designator.
    pub tolerances: IndexMap<String, Percent>,
}

/// Values that are at hand, by kind of part.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Drawer {
    pub resistors: Vec<Ohms>,
    pub capacitors: Vec<Farads>,
    pub inductors: Vec<Henries>,
    pub pots: Vec<Ohms>,
}

impl Drawer {
    /// Reads a drawer file.
    ///
    /// # Errors
    /// [`AmpError`] with the line.
    pub fn read(path: &Path) -> Result<Self, AmpError> {
        let name = path.display().to_string();
        let (drawer, lines): (Self, _) = parse(&name, &read_text(path)?)?;
        let scope = Scope::file(&name, &lines);
        let above_zero = |key: &str, values: &mut dyn Iterator<Item = f64>| {
            for (i, value) in values.enumerate() {
                if !(value.is_finite() && value > 0.0) {
                    return Err(scope.at(key).nth(i).wrong("the value must be above zero"));
                }
            }
            Ok(())
        };
        above_zero("resistors", &mut drawer.resistors.iter().map(|v| v.0))?;
        above_zero("capacitors", &mut drawer.capacitors.iter().map(|v| v.0))?;
        above_zero("inductors", &mut drawer.inductors.iter().map(|v| v.0))?;
        above_zero("pots", &mut drawer.pots.iter().map(|v| v.0))?;
        Ok(drawer)
    }
}

/// Most controls that `[dials]` can leave free: what is searched for them together grows with its power.
const MOST_FREE: usize = 4;

/// The versions of a job while it is read.
pub(super) struct Known<'a> {
    pub versions: Vec<&'a AmpState>,
}

impl<'a> Known<'a> {
    fn version(
        &self,
        name: Option<&String>,
        scope: &Scope<'_>,
    ) -> Result<Option<&'a AmpState>, AmpError> {
        let Some(name) = name else { return Ok(None) };
        match self.versions.iter().find(|v| v.version() == name) {
            Some(found) => Ok(Some(found)),
            None => {
                let hint = nearest(name, self.versions.iter().map(|v| v.version()));
                Err(scope.wrong(format!("there is no version \"{name}\"; {hint}")))
            }
        }
    }

    fn last(&self) -> Option<&'a AmpState> {
        self.versions.last().copied()
    }

    /// Everything in `[dials]` that names something of the job, or of the amp that `to_amp` names.
    pub fn check_dials(
        &self,
        dials: &DialsSection,
        to_amp: Option<&AmpState>,
        scope: &Scope<'_>,
    ) -> Result<(), AmpError> {
        let here = self.version(dials.version.as_ref(), &scope.at("version"))?.or(self.last());
        let first = self.versions.first().copied();
        let to_version =
            self.version(dials.to_version.as_ref(), &scope.at("to_version"))?.or(first);
        self.version(dials.as_built.as_ref(), &scope.at("as_built"))?;
        if dials.to_version.is_some() && dials.to_amp.is_some() {
            let problem = "to_version and to_amp cannot both be given";
            return Err(scope.at("to_amp").wrong(problem));
        }
        if let (Some(control), Some(here)) = (&dials.control, here) {
            has_control(here, control, &scope.at("control"))?;
        }
        let Some(there) = to_amp.or(to_version) else { return Ok(()) };
        for (k, control) in dials.free.iter().enumerate() {
            has_control(there, control, &scope.at("free").nth(k))?;
            if dials.free[..k].contains(control) {
                return Err(scope.at("free").nth(k).wrong(format!("{control} is free twice")));
            }
        }
        if let (true, Some(control)) = (dials.free.is_empty(), &dials.control)
            && !there.controls().contains_key(control)
        {
            let known: Vec<&str> = there.controls().keys().map(String::as_str).collect();
            return Err(scope.at("control").wrong(format!(
                "{} has no control {control} of its own; name those of its controls that are to \
                 equal it under free: {}",
                there.title(),
                known.join(", ")
            )));
        }
        if dials.free.len() > MOST_FREE {
            let problem =
                format!("{} controls; at most {MOST_FREE} can be free together", dials.free.len());
            return Err(scope.at("free").wrong(problem));
        }
        let weight_fits = |weight: f64| weight.is_finite() && weight >= 0.0;
        if !dials.weights.windows(2).all(|pair| pair[0].0.0 < pair[1].0.0)
            || !dials.weights.iter().all(|(hertz, weight)| hertz.0 > 0.0 && weight_fits(*weight))
        {
            let problem = "weights rise in frequency, and each is zero or above";
            return Err(scope.at("weights").wrong(problem));
        }
        if dials.same.is_some_and(|same| !(same.0 > 0.0 && same.0 <= 60.0)) {
            return Err(scope.at("same").wrong("it is not above 0 dB and at most 60 dB"));
        }
        check_band(dials.band, &scope.at("band"))
    }

    /// Everything in `[values]` that names something of the job.
    pub fn check_values(&self, values: &ValuesSection, scope: &Scope<'_>) -> Result<(), AmpError> {
        let start = self.version(values.version.as_ref(), &scope.at("version"))?.or(self.last());
        let Some(start) = start else { return Ok(()) };
        let known = |part: &String, scope: &Scope<'_>| match start.parts().contains_key(part) {
            true => Ok(()),
            false => {
                let hint = nearest(part, start.parts().keys().map(String::as_str));
                Err(scope.wrong(format!("there is no part {part}; {hint}")))
            }
        };
        for part in values.parts.keys() {
            known(part, &scope.at("parts").at(part))?;
        }
        for (i, goal) in values.goals.iter().enumerate() {
            let scope = scope.at("goals").nth(i);
            let kinds = [
                goal.corner.is_some(),
                goal.at.is_some(),
                goal.like.is_some(),
                goal.ratings.is_some(),
            ];
            if kinds.iter().filter(|k| **k).count() != 1 {
                return Err(scope.wrong("a goal has one of the keys corner, at, match and ratings"));
            }
            if goal.at.is_some() && goal.down_at_least.is_none() && goal.down_at_most.is_none() {
                return Err(scope.wrong("with at goes down_at_least or down_at_most or both"));
            }
            if let Some(of) = &goal.of {
                known(of, &scope.at("of"))?;
            }
            for (k, part) in goal.ratings.iter().flat_map(|r| &r.0).enumerate() {
                if part != "all" {
                    known(part, &scope.at("ratings").nth(k))?;
                }
            }
            for (key, hertz) in
                [("corner", goal.corner), ("at", goal.at), ("reference", goal.reference)]
            {
                if hertz.is_some_and(|f| !(0.1..=200_000.0).contains(&f.0)) {
                    return Err(scope.at(key).wrong("it is not from 0.1 Hz to 200 kHz"));
                }
            }
            self.version(goal.than.as_ref(), &scope.at("than"))?;
            self.version(goal.like.as_ref(), &scope.at("match"))?;
            check_band(goal.band, &scope.at("band"))?;
        }
        Ok(())
    }

    /// Everything in `[spread]` that names something of the job.
    pub fn check_spread(&self, spread: &SpreadSection, scope: &Scope<'_>) -> Result<(), AmpError> {
        for (part, tolerance) in &spread.tolerances {
            let scope = scope.at("tolerances").at(part);
            if !self.versions.iter().any(|v| v.parts().contains_key(part)) {
                let all = self.versions.iter().flat_map(|v| v.parts().keys().map(String::as_str));
                let hint = nearest(part, all.collect::<indexmap::IndexSet<_>>());
                return Err(scope.wrong(format!("no version has a part {part}; {hint}")));
            }
            if !(0.0..100.0).contains(&tolerance.0) {
                return Err(scope.wrong(format!("{tolerance} is not from 0 % to below 100 %")));
            }
        }
        Ok(())
    }
}

fn has_control(state: &AmpState, control: &str, scope: &Scope<'_>) -> Result<(), AmpError> {
    if state.controls().contains_key(control) {
        return Ok(());
    }
    let hint = nearest(control, state.controls().keys().map(String::as_str));
    let whose = match state.version() {
        "" => state.title().to_owned(),
        version => format!("\"{version}\""),
    };
    Err(scope.wrong(format!("{whose} has no control {control}; {hint}")))
}

fn check_band(band: Option<[Hertz; 2]>, scope: &Scope<'_>) -> Result<(), AmpError> {
    match band {
        Some([low, high]) if !(low.0 >= 0.1 && high.0 > low.0 && high.0 <= 200_000.0) => {
            Err(scope.wrong("a band has two rising frequencies from 0.1 Hz to 200 kHz"))
        }
        _ => Ok(()),
    }
}
