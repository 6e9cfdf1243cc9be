//! `presolder new`: a job folder to edit.

use std::path::{Path, PathBuf};

use clap::Args;

use crate::amp::{AmpFile, Job, PartKind, amp_text};
use crate::audio::OutputFolder;

use super::failure::Failure;
use super::output::print;

const EXAMPLE: &str = "Example:\n  presolder new my-job --amp larkspur-22\n  presolder render my-job/job.toml --linear --out my-job/out";

/// Start a job folder that you can edit: a job file, a copy of an amp file, a clip to begin with.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
pub struct New {
    /// The folder, made if it is not there
    folder: PathBuf,
    /// The amp to start from: one that comes with the program, or the path of an amp file
    #[arg(long, default_value = "larkspur-22")]
    amp: String,
    /// Replace files that are there
    #[arg(long)]
    force: bool,
}

/// A clip that comes with the program: its file name and its bytes.
pub const SAMPLE_CLIP: (&str, &[u8]) =
    ("open-chords.wav", include_bytes!("../../sample-audio/open-chords.wav"));

pub(super) fn run(command: &New) -> Result<(), Failure> {
    let amp = AmpFile::open(&command.amp)?;
    let amp_file = match amp_text(&command.amp) {
        Some(text) => text.to_owned(),
        None => amp.state().to_toml()?,
    };
    let folder = &command.folder;
    let (clip, bytes) = SAMPLE_CLIP;
    let job_file = job_text(&amp, clip);
    // What is written must be right: read it before anything lands on disk.
    let files: [(&str, &[u8]); 3] =
        [("amp.toml", amp_file.as_bytes()), ("job.toml", job_file.as_bytes()), (clip, bytes)];
    if !command.force
        && let Some((name, _)) = files.iter().find(|(name, _)| folder.join(name).exists())
    {
        let path = folder.join(name);
        return Err(Failure::input(format!(
            "{} is there already; choose another folder, or replace it with --force",
            path.display()
        )));
    }
    let mut outputs = OutputFolder::create(folder, command.force)?;
    for (name, bytes) in files {
        outputs.put(name, bytes)?;
    }
    outputs.commit()?;
    let job = Job::read(&folder.join("job.toml"))?;
    print(&told(folder, &job))
}

fn told(folder: &Path, job: &Job) -> String {
    let at = folder.join("job.toml");
    let at = at.display();
    let names: Vec<&str> = job.version_names().collect();
    format!(
        "{at}: the job, with versions {}\n{}: the amp, yours to edit\n\nNext:\n  presolder render \
         {at} --out {}\n  presolder report {at}\n",
        names.join(" and "),
        folder.join("amp.toml").display(),
        folder.join("out").display(),
    )
}

/// A job with one change that can be heard, and a remark at each place to edit.
fn job_text(amp: &AmpFile, clip: &str) -> String {
    // The first coupling capacitor, halved: an example of a change that every amp has.
    let example = amp.state().parts().iter().find_map(|(name, part)| match &part.kind {
        PartKind::Capacitor { value, between }
            if (2e-9..1e-6).contains(&value.0)
                && between.iter().all(|n| n != "0" && n != "ground") =>
        {
            let half = crate::units::Series::E6.at_or_below(crate::units::Farads(value.0 / 2.0));
            let what = if part.purpose.is_empty() { "" } else { ": " };
            let purpose = &part.purpose;
            half.map(|half| format!("{name} = \"{half}\"    # was {value}{what}{purpose}"))
        }
        _ => None,
    });
    let values = match &example {
        Some(line) => values_text(line.split(' ').next().unwrap_or("C1")),
        None => String::new(),
    };
    let change = match example {
        Some(line) => format!("[versions.change]\n{line}\n"),
        None => "# [versions.change]\n# C1 = \"10n\"\n".to_owned(),
    };
    let positions: Vec<String> = amp
        .state()
        .positions()
        .iter()
        .map(|(name, p)| format!("{name} = {p}    # {}\n", p.clock()))
        .collect();
    let positions = if positions.is_empty() {
        String::new()
    } else {
        format!("\n[versions.positions]\n{}", positions.concat())
    };
    format!(
        "# Every key is described in docs/files.md.\n\
         title = \"A change to try\"\n\
         amp = \"amp.toml\"\n\
         owner = \"\"\n\
         notes = \"What the owner asked for, and what this is.\"\n\
         safety = \"\"                       # your own words of caution, added to the usual ones\n\
         \n\
         [[clips]]\n\
         file = \"{clip}\"\n\
         peak = \"2 V\"                      # volts at the jack that full scale stands for\n\
         \n\
         [[versions]]\n\
         name = \"as received\"\n\
         \n\
         [[versions]]\n\
         name = \"proposed\"\n\
         note = \"What this version is, in a sentence.\"\n\
         \n\
         {change}{positions}\n\
         # [trim]                            # where a low-end trim is wanted: what it has to do\n\
         # trimmed_by_at_least = \"6 dB\"      # less energy below 30 Hz\n\
         # low_e_changed_by_at_most = \"1 dB\" # and the guitar as it was\n\
         {values}"
    )
}

/// A search for a standard value of one capacitor.
fn values_text(part: &str) -> String {
    format!(
        "\n\
         [values]                          # for: presolder values\n\
         series = \"E12\"\n\
         \n\
         [values.parts]\n\
         {part} = {{}}                         # a decade either way; or from and to\n\
         \n\
         [[values.goals]]\n\
         at = \"30 Hz\"\n\
         than = \"as received\"\n\
         down_at_least = \"6 dB\"\n\
         \n\
         [[values.goals]]\n\
         at = \"82.41 Hz\"\n\
         than = \"as received\"\n\
         down_at_most = \"1 dB\"\n"
    )
}
