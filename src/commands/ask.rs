//! What the commands that ask about amps share: which version is meant, its knobs and its circuit,
//! and where answers go.

use std::path::PathBuf;

use clap::Args;

use super::failure::Failure;
use super::input::Subject;
use crate::amp::{AmpFile, AmpState, BuiltCircuit, INPUT_PART, Job, PartKind, amp_names};
use crate::analysis::dials::{Band, Dialled, Knob};
use crate::audio::write_whole;
use crate::plot::Figure;
use crate::units::{Farads, Henries, Hertz, Ohms};

/// Adds to a text.
macro_rules! say {
    ($text:expr, $($words:tt)*) => { $text.push_str(&format!($($words)*)) };
}

/// Adds a line to a text.
macro_rules! sayln {
    ($text:expr, $($words:tt)*) => {{
        $text.push_str(&format!($($words)*));
        $text.push('\n');
    }};
}

pub(super) use {say, sayln};

/// Where an answer goes beside the terminal.
#[derive(Debug, Args)]
pub struct Outlets {
    /// Print JSON instead of a table
    #[arg(long, conflicts_with = "csv")]
    pub json: bool,
    /// Print comma-separated values instead of a table
    #[arg(long)]
    pub csv: bool,
    /// Write a plot as SVG
    #[arg(long, value_name = "FILE")]
    pub svg: Option<PathBuf>,
    /// Write a plot as PNG
    #[arg(long, value_name = "FILE")]
    pub png: Option<PathBuf>,
    /// Overwrite files that are there
    #[arg(long)]
    pub force: bool,
}

impl Outlets {
    /// Refuses files that are there before any long work.
    ///
    /// # Errors
    /// [`Failure::Input`].
    pub fn check(&self) -> Result<(), Failure> {
        for path in [&self.svg, &self.png].into_iter().flatten() {
            refuse_existing(path, self.force)?;
        }
        Ok(())
    }

    /// Writes the plots that are asked for.
    ///
    /// # Errors
    /// [`Failure`].
    pub fn write(&self, figure: &Figure) -> Result<(), Failure> {
        if let Some(path) = &self.svg {
            let svg = figure.to_svg().map_err(Failure::fault)?;
            write_whole(path, svg.as_bytes(), self.force)?;
        }
        if let Some(path) = &self.png {
            write_whole(path, &figure.to_png().map_err(Failure::fault)?, self.force)?;
        }
        Ok(())
    }
}

/// Refuses a file that is there.
///
/// # Errors
/// [`Failure::Input`].
pub fn refuse_existing(path: &std::path::Path, force: bool) -> Result<(), Failure> {
    if path.exists() && !force {
        return Err(Failure::input(format!(
            "{}: is there already; name another file, or overwrite with --force",
            path.display()
        )));
    }
    Ok(())
}

/// An amp named beside a job: a preset, or a path relative to the working folder.
///
/// # Errors
/// [`Failure::Input`].
pub fn other_amp(name: &str) -> Result<AmpState, Failure> {
    if amp_names().any(|n| n == name) {
        return Ok(AmpFile::preset(name)?.state().clone());
    }
    Ok(AmpFile::open(name)?.state().clone())
}

/// The job of a subject, if it is one.
pub fn job(subject: &Subject) -> Option<&Job> {
    match subject {
        Subject::Amp(_) => None,
        Subject::Job(job) => Some(job),
    }
}

/// How a version is called in answers: `"low-end trim" of Larkspur 22`.
pub fn title(state: &AmpState) -> String {
    if state.version().is_empty() {
        state.title().to_owned()
    } else {
        format!("\"{}\" of {}", state.version(), state.title())
    }
}

/// A control of a version as a knob.
///
/// # Errors
/// [`Failure::Input`] with the nearest right name.
pub fn knob(state: &AmpState, name: &str) -> Result<Knob, Failure> {
    let control = state.control(name)?;
    Ok(Knob {
        name: name.to_owned(),
        pots: control.pots.clone(),
        taper: control.taper.clone(),
        reversed: control.reversed,
        position: state.positions().get(name).copied().unwrap_or(control.position),
    })
}

/// A version's circuit with some knobs free.
///
/// # Errors
/// [`Failure`].
pub fn dialled(
    state: &AmpState,
    built: &BuiltCircuit,
    knobs: &[Knob],
    frequencies_hz: &[f64],
) -> Result<Dialled, Failure> {
    Dialled::new(&built.circuit, INPUT_PART, built.output, knobs, frequencies_hz)
        .map_err(|e| Failure::input(format!("{}: {e}", title(state))))
}

/// A band from a job's key.
///
/// # Errors
/// [`Failure::Input`].
pub fn band(edges: Option<[Hertz; 2]>) -> Result<Band, Failure> {
    match edges {
        Some([low, high]) => Band::new(low.0, high.0).map_err(Failure::input),
        None => Ok(Band::default()),
    }
}

/// Reads a frequency of the command line.
pub fn frequency(text: &str) -> Result<Hertz, String> {
    let bare = text.trim().parse::<f64>().ok().map(Hertz);
    match bare.or_else(|| text.parse::<Hertz>().ok()) {
        Some(hz) if hz.0.is_finite() && hz.0 > 0.0 => Ok(hz),
        _ => Err(format!("{text:?} is no frequency; give hertz above zero, such as 82.41")),
    }
}

/// A part's value in its own notation, to the three digits that standard values have at most.
pub fn value(state: &AmpState, part: &str, si: f64) -> String {
    match state.parts().get(part).map(|p| &p.kind) {
        Some(PartKind::Capacitor { .. }) => format!("{:.3}", Farads(si)),
        Some(PartKind::Inductor { .. }) => format!("{:.3}", Henries(si)),
        _ => format!("{:.3}", Ohms(si)),
    }
}

/// A frequency in a table.
pub fn hertz(hz: f64) -> String {
    match hz {
        hz if hz < 99.95 => format!("{hz:.1} Hz"),
        hz if hz < 999.5 => format!("{hz:.0} Hz"),
        hz => format!("{:.2} kHz", hz / 1000.0),
    }
}
