//! `presolder dials`: one knob's scale against another amp's.

mod page;
mod question;
mod words;

use std::path::PathBuf;

use clap::Args;
use serde::Serialize;

use super::ask::{Outlets, hertz, refuse_existing, say, sayln, title, value};
use super::failure::Failure;
use super::input::open_subject;
use super::listen;
use super::output::print;
use super::progress::bar;
use crate::amp::BuiltCircuit;
use crate::analysis::dials::{Dialled, Likeness, PartChanges, Row, Scale, single_changes};
use crate::circuit::Kind;
use crate::plot::{self, Band as Shade, Curve, Figure};
use crate::units::{Position, Series, Volts};

pub use page::dial_scales;
pub use question::Asked;
pub(super) use question::Question;
use question::{AsBuilt, Made, made, question};

/// Maps a control's positions onto another version's or another amp's: where do its knobs stand when
/// both respond alike?
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  presolder dials tamarack-85 larkspur-22 --control treble --free treble,bass"
)]
pub struct DialsArgs {
    /// A preset's name, an amp file or a job file; a job's [dials] gives what is not said here
    here: String,
    #[command(flatten)]
    asked: Asked,
    /// Number of positions
    #[arg(long, default_value_t = 21, value_parser = clap::value_parser!(u32).range(2..=1001))]
    positions: u32,
    /// Look for the single part there that, with another value of E12, helps most
    #[arg(long)]
    parts: bool,
    /// Write a clip that steps through matched positions, here and there in turn
    #[arg(long, value_name = "FILE")]
    listen: Option<PathBuf>,
    /// Dry recording for --listen (the job's first clip, or the one that comes with the program)
    #[arg(long, value_name = "FILE", requires = "listen")]
    clip: Option<PathBuf>,
    /// Volts at the amp's input that full scale of --clip stands for
    #[arg(long, value_name = "VOLTS", requires = "clip")]
    peak: Option<Volts>,
    #[command(flatten)]
    outlets: Outlets,
}

#[derive(Serialize)]
struct DialsJson<'a> {
    schema: &'static str,
    here: String,
    there: String,
    control: &'a str,
    free: &'a [String],
    band_hz: [f64; 2],
    level_offset_allowed: bool,
    same_db: f64,
    #[serde(flatten)]
    scale: &'a Scale,
    as_built: Option<&'a AsBuilt>,
    parts: Option<&'a PartChanges>,
    words: &'a [String],
}

/// Runs the command.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &DialsArgs) -> Result<(), Failure> {
    args.outlets.check()?;
    if let Some(path) = &args.listen {
        refuse_existing(path, args.outlets.force)?;
    }
    let question = question(&open_subject(&args.here)?, &args.asked)?;
    let rules = &question.rules;
    let progress = bar(u64::from(args.positions), "dials");
    let made = made(&question, args.positions, &|| progress.inc(1))?;
    progress.finish_and_clear();
    let Made { here, there, built, scale: found, as_built } = &made;
    let parts = if args.parts { Some(parts(&question, built, here, there)?) } else { None };
    let words = words::words(&question, found, as_built.as_ref(), parts.as_ref());
    let mut text = String::new();
    if args.outlets.json {
        let json = DialsJson {
            schema: "presolder-dials/1",
            here: title(&question.here),
            there: title(&question.there),
            control: &question.control,
            free: &question.free,
            band_hz: [rules.band.low_hz(), rules.band.high_hz()],
            level_offset_allowed: rules.offset_allowed,
            same_db: rules.same_db,
            scale: found,
            as_built: as_built.as_ref(),
            parts: parts.as_ref(),
            words: &words,
        };
        text.push_str(&serde_json::to_string_pretty(&json).map_err(Failure::fault)?);
        text.push('\n');
    } else if args.outlets.csv {
        print_csv(&mut text, found);
    } else {
        print_table(&mut text, &question, found, parts.as_ref(), there, &words);
    }
    print(&text)?;
    if let Some(path) = &args.listen {
        let take = listen::take(args.clip.as_deref(), args.peak, &args.here)?;
        let words = listen::write(path, &question, found, &take, args.outlets.force)?;
        // Figures for people go where they do not disturb JSON and CSV.
        if args.outlets.json || args.outlets.csv { eprint!("{words}") } else { print(&words)? }
    }
    args.outlets.write(&figure(&question, found, as_built.as_ref()))
}

fn parts(
    question: &Question,
    built: &BuiltCircuit,
    here: &Dialled,
    there: &Dialled,
) -> Result<PartChanges, Failure> {
    let target = here.levels_db(&here.present())?;
    let candidates = there.bench().circuit().parts().filter(|p| {
        matches!(
            p.kind,
            Kind::Resistor { .. }
                | Kind::Capacitor { .. }
                | Kind::Potentiometer { .. }
                | Kind::Rheostat { .. }
        )
    });
    let progress = bar(candidates.count() as u64, "parts");
    let model = Some(&built.circuit);
    let (series, rules) = (Series::E12, &question.rules);
    let mut found = single_changes(&target, there, model, series, rules, &|| progress.inc(1))?;
    // Inner parts of a loudspeaker have no value to exchange.
    found.changes.retain(|c| question.there.parts().contains_key(&c.part));
    found.left_out.retain(|part| question.there.parts().contains_key(part));
    progress.finish_and_clear();
    Ok(found)
}

fn print_csv(text: &mut String, scale: &Scale) {
    sayln!(
        text,
        "here,here_clock,control_there,there,there_clock,slack_low,slack_high,shape_db,level_db,whole_db,likeness"
    );
    for row in &scale.rows {
        for t in &row.there {
            sayln!(
                text,
                "{:.3},{},{},{:.3},{},{:.3},{:.3},{:.4},{:.4},{:.4},{}",
                row.here,
                row.clock,
                t.control,
                t.position,
                t.clock,
                t.slack[0],
                t.slack[1],
                row.distance.shape_db,
                row.distance.level_db,
                row.distance.whole_db,
                likeness(row.likeness)
            );
        }
    }
}

fn likeness(likeness: Likeness) -> &'static str {
    match likeness {
        Likeness::Same => "same",
        Likeness::ShapeOnly => "shape only",
        Likeness::Closest => "closest",
    }
}

fn print_table(
    text: &mut String,
    question: &Question,
    scale: &Scale,
    parts: Option<&PartChanges>,
    there: &Dialled,
    words: &[String],
) {
    let rules = &question.rules;
    sayln!(text, "{} of {}", question.control, title(&question.here));
    sayln!(text, "on the scale of {}\n", title(&question.there));
    say!(text, "  {:>13}", "here");
    for name in &question.free {
        say!(text, "  {name:>13} {:<13}", "");
    }
    sayln!(text, "  {:>8}  {:>8}", "shape", "level");
    for row in &scale.rows {
        say!(text, "  {:>6} {:>6.2}", row.clock, row.here);
        for t in &row.there {
            let slack = format!("({}-{})", t.slack[0].clock(), t.slack[1].clock());
            say!(text, "  {:>6} {:>6.2} {slack:<13}", t.clock, t.position);
        }
        sayln!(
            text,
            "  {:>5.2} dB  {:>+5.1} dB  {}",
            row.distance.shape_db,
            row.distance.level_db,
            likeness(row.likeness)
        );
    }
    text.push('\n');
    sayln!(
        text,
        "Distance: RMS over {} to {}, every octave alike; {}.",
        hertz(rules.band.low_hz()),
        hertz(rules.band.high_hz()),
        if rules.offset_allowed {
            "the shape is made closest, the level that is left is stated"
        } else {
            "shape and level together are made closest"
        }
    );
    sayln!(
        text,
        "In brackets: where the distance grows by at most 0.1 dB. Same: within {} dB.",
        rules.same_db
    );
    if there.moves_bias() {
        sayln!(
            text,
            "A free control carries direct current there, so every trial solved the whole amp."
        );
    }
    text.push('\n');
    for line in words {
        sayln!(text, "{line}");
    }
    let Some(found) = parts else { return };
    sayln!(text, "\n  {:<8} {:>8} {:>8}  whole difference", "part", "from", "to");
    for change in found.changes.iter().take(8) {
        sayln!(
            text,
            "  {:<8} {:>8} {:>8}  {:.2} dB",
            change.part,
            value(&question.there, &change.part, change.from),
            value(&question.there, &change.part, change.to),
            change.distance.whole_db
        );
    }
    if !found.left_out.is_empty() {
        sayln!(
            text,
            "Left out, as other values would move a valve's operating point: {}.",
            found.left_out.join(", ")
        );
    }
}

/// One scale against the other, the residual shaded.
fn figure(question: &Question, scale: &Scale, as_built: Option<&AsBuilt>) -> Figure {
    let mut curves = Vec::new();
    let mut shades = Vec::new();
    for (k, name) in question.free.iter().enumerate() {
        let at = |r: &Row| (r.here.number(), r.there[k].position.number());
        curves.push(Curve::new(format!("{name} there"), scale.rows.iter().map(at).collect()));
    }
    let offset_allowed = question.rules.offset_allowed;
    let residual = |r: &Row| (r.here.number(), 0.0, r.distance.goal_db(offset_allowed).min(10.0));
    shades.push(Shade {
        name: "difference that is left, in dB on the same axis".to_owned(),
        edges: scale.rows.iter().map(residual).collect(),
        of_curve: 0,
    });
    let mut figure = plot::lines(
        format!(
            "{} of {} on the scale of {}",
            question.control,
            title(&question.here),
            title(&question.there)
        ),
        format!("{} here", question.control),
        "Position there (0 to 10)",
        curves,
        shades,
    );
    let clock = |n: f64| (n, Position::from_turn(n / 10.0).clock());
    figure.x.range = Some((0.0, 10.0));
    figure.x.ticks = (0..=10).map(|n| clock(f64::from(n))).collect();
    figure.y.range = Some((0.0, 10.0));
    figure.marks = as_built
        .map(|b| plot::Mark { at: b.mark.position.number(), label: "as built".to_owned() })
        .into_iter()
        .collect();
    figure
}
