//! `presolder dials`: one knob's scale against another amp's.

use std::path::PathBuf;

use clap::Args;
use serde::Serialize;

use super::ask::{
    Outlets, band, dialled, frequency, hertz, job, knob, other_amp, refuse_existing, say, sayln,
    title, value,
};
use super::failure::Failure;
use super::input::{Subject, open_subject};
use super::listen;
use super::output::print;
use super::progress::bar;
use crate::amp::{AmpState, BuiltCircuit, DialsSection};
use crate::analysis::dials::{
    Dialled, Likeness, MOST_FREE, Mark, PartChanges, Rules, Scale, place, scale, single_changes,
};
use crate::circuit::Kind;
use crate::plot::{self, Band as Shade, Curve, Figure};
use crate::units::{Decibels, Hertz, Position, Series, Volts};

/// Maps a control's positions onto another version's or another amp's: where do its knobs stand when
/// both respond alike?
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  presolder dials tamarack-85 larkspur-22 --control treble --free treble,bass"
)]
pub struct DialsArgs {
    /// A preset's name, an amp file or a job file; a job's [dials] gives what is not said here
    here: String,
    /// The other amp: a preset's name or an amp file (a version of the job if left out)
    there: Option<String>,
    /// Version of a job whose control is asked about (its last if left out)
    #[arg(long)]
    version: Option<String>,
    /// Version of the job that is to equal it (its first if left out)
    #[arg(long)]
    to_version: Option<String>,
    /// The control whose positions are asked about
    #[arg(long)]
    control: Option<String>,
    /// Free controls there, parted by commas, at most four (the one of the same name if left out)
    #[arg(long, value_delimiter = ',')]
    free: Vec<String>,
    /// Lowest frequency that counts, in hertz
    #[arg(long, value_parser = frequency)]
    low: Option<Hertz>,
    /// Highest frequency that counts, in hertz
    #[arg(long, value_parser = frequency)]
    high: Option<Hertz>,
    /// Hold the levels against each other, too, instead of making them equal first
    #[arg(long)]
    no_level_offset: bool,
    /// How far apart two responses may be and still count as the same, in dB (weighted RMS)
    #[arg(long, value_name = "DB")]
    same: Option<f64>,
    /// Number of positions
    #[arg(long, default_value_t = 21, value_parser = clap::value_parser!(u32).range(2..=1001))]
    positions: u32,
    /// A version without the control, to be found on its scale (in a job, the first that lacks it)
    #[arg(long, value_name = "VERSION")]
    as_built: Option<String>,
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

/// What is asked, with everything said.
pub(super) struct Question {
    pub here: AmpState,
    pub there: AmpState,
    pub control: String,
    pub free: Vec<String>,
    pub rules: Rules,
    as_built: Option<AmpState>,
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

#[derive(Serialize)]
struct AsBuilt {
    version: String,
    #[serde(flatten)]
    mark: Mark,
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
    let question = question(args)?;
    let rules = &question.rules;
    let frequencies_hz = rules.band.frequencies_hz().to_vec();
    let built = question.here.circuit()?;
    let own = knob(&question.here, &question.control)?;
    let here = dialled(&question.here, &built, std::slice::from_ref(&own), &frequencies_hz)?;
    let free =
        question.free.iter().map(|n| knob(&question.there, n)).collect::<Result<Vec<_>, _>>()?;
    let built_there = question.there.circuit()?;
    let there = dialled(&question.there, &built_there, &free, &frequencies_hz)?;

    let last = f64::from(args.positions - 1);
    let positions: Vec<Position> =
        (0..args.positions).map(|k| Position::from_turn(f64::from(k) / last)).collect();
    let progress = bar(positions.len() as u64, "dials");
    let found = scale(&here, &there, rules, &positions, &|| progress.inc(1))?;
    progress.finish_and_clear();

    let as_built = match &question.as_built {
        None => None,
        Some(state) => {
            let fixed: BuiltCircuit = state.circuit()?;
            let levels = dialled(state, &fixed, &[], &frequencies_hz)?.levels_db(&[])?;
            let mark = place(&levels, &here, rules)?;
            Some(AsBuilt { version: state.version().to_owned(), mark })
        }
    };
    let parts = if args.parts { Some(parts(&question, &built, &here, &there)?) } else { None };
    let words = words(&question, &found, as_built.as_ref(), parts.as_ref());
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
            scale: &found,
            as_built: as_built.as_ref(),
            parts: parts.as_ref(),
            words: &words,
        };
        text.push_str(&serde_json::to_string_pretty(&json).map_err(Failure::fault)?);
        text.push('\n');
    } else if args.outlets.csv {
        print_csv(&mut text, &found);
    } else {
        print_table(&mut text, &question, &found, parts.as_ref(), &there, &words);
    }
    print(&text)?;
    if let Some(path) = &args.listen {
        let take = listen::take(args.clip.as_deref(), args.peak, &args.here)?;
        let words = listen::write(path, &question, &found, &take, args.outlets.force)?;
        // Figures for people go where they do not disturb JSON and CSV.
        if args.outlets.json || args.outlets.csv { eprint!("{words}") } else { print(&words)? }
    }
    args.outlets.write(&figure(&question, &found, as_built.as_ref()))
}

/// Puts together what the command line and the job say.
fn question(args: &DialsArgs) -> Result<Question, Failure> {
    let subject = open_subject(&args.here)?;
    let own = job(&subject);
    let none = DialsSection::default();
    let section = own.map_or(&none, |j| &j.dials);
    let version = args.version.clone().or(section.version.clone());
    let here = match (own, version) {
        (Some(job), None) => job
            .versions()
            .last()
            .cloned()
            .ok_or_else(|| Failure::input(format!("{}: the job has no version", job.file)))?,
        (_, version) => subject.state(version.as_deref())?,
    };
    let control = match args.control.clone().or(section.control.clone()) {
        Some(control) => control,
        None => {
            let known: Vec<&str> = here.controls().keys().map(String::as_str).collect();
            return Err(Failure::input(format!(
                "which control? name one of {} with --control: {}",
                title(&here),
                known.join(", ")
            )));
        }
    };
    here.control(&control)?;
    let there = there(args, section, &subject)?;
    let mut free = if args.free.is_empty() { section.free.clone() } else { args.free.clone() };
    if free.is_empty() {
        if !there.controls().contains_key(&control) {
            let known: Vec<&str> = there.controls().keys().map(String::as_str).collect();
            return Err(Failure::input(format!(
                "{} has no control {control}; name its free controls with --free: {}",
                title(&there),
                known.join(", ")
            )));
        }
        free.push(control.clone());
    }
    if free.len() > MOST_FREE {
        return Err(Failure::input(format!(
            "{} free controls; at most {MOST_FREE} can be searched together",
            free.len()
        )));
    }
    for (k, name) in free.iter().enumerate() {
        there.control(name)?;
        if free[..k].contains(name) {
            return Err(Failure::input(format!("the control {name} is free twice")));
        }
    }
    let usual = band(section.band)?;
    let low = args.low.unwrap_or(Hertz(usual.low_hz()));
    let high = args.high.unwrap_or(Hertz(usual.high_hz()));
    let mut chosen = band(Some([low, high]))?;
    if !section.weights.is_empty() {
        let weights: Vec<(f64, f64)> = section.weights.iter().map(|(f, w)| (f.0, *w)).collect();
        chosen = chosen.weighted(&weights).map_err(Failure::input)?;
    }
    let same_db = args.same.or(section.same.map(|d: Decibels| d.0)).unwrap_or(0.5);
    if !(same_db > 0.0 && same_db <= 60.0) {
        return Err(Failure::input(format!("{same_db} dB is not above 0 dB and at most 60 dB")));
    }
    let rules = Rules {
        band: chosen,
        offset_allowed: !args.no_level_offset && section.level_offset.unwrap_or(true),
        same_db,
    };
    let as_built = match (own, args.as_built.clone().or(section.as_built.clone())) {
        (_, Some(name)) => Some(subject.state(Some(&name))?),
        (Some(job), None) => job.versions().find(|v| !v.controls().contains_key(&control)).cloned(),
        (None, None) => None,
    };
    Ok(Question { here, there, control, free, rules, as_built })
}

fn there(args: &DialsArgs, section: &DialsSection, subject: &Subject) -> Result<AmpState, Failure> {
    if let Some(name) = &args.there {
        return other_amp(name);
    }
    if let Some(version) = &args.to_version {
        return subject.state(Some(version));
    }
    match (&section.to_amp, &section.to_version) {
        (Some(amp), _) => other_amp(amp),
        (None, version) => subject.state(version.as_deref()),
    }
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

/// The answer in plain words.
fn words(
    question: &Question,
    scale: &Scale,
    as_built: Option<&AsBuilt>,
    parts: Option<&PartChanges>,
) -> Vec<String> {
    let rules = &question.rules;
    let mut words = Vec::new();
    let count = |l: Likeness| scale.rows.iter().filter(|r| r.likeness == l).count();
    let (same, shape, all) = (count(Likeness::Same), count(Likeness::ShapeOnly), scale.rows.len());
    let best = scale.rows.iter().min_by(|a, b| {
        let goal = |r: &crate::analysis::dials::Row| r.distance.goal_db(rules.offset_allowed);
        goal(a).total_cmp(&goal(b))
    });
    let Some(best) = best else { return words };
    let level =
        |db: f64| format!("{:.1} dB {}", db.abs(), if db < 0.0 { "lower" } else { "higher" });
    if same == all {
        words.push("Every position has its equal there.".to_owned());
    } else if same > 0 {
        words.push(format!("{same} of {all} positions have their equal there."));
    } else if shape > 0 {
        words.push(format!(
            "No match. The shape alone comes within {:.2} dB (at {}), but the level there is {}: these \
             do not sound the same until that gain is made up elsewhere.",
            best.distance.shape_db,
            best.clock,
            level(best.distance.level_db)
        ));
    } else {
        words.push(format!(
            "Nothing there equals this: at best (at {}) the shape is {:.2} dB off and the level {}.",
            best.clock,
            best.distance.shape_db,
            level(best.distance.level_db)
        ));
    }
    for end in &scale.ends {
        let beyond = if end.above { "Beyond" } else { "Below" };
        // Where nothing is the same anyway, an end says only how far the other knob goes.
        words.push(match same + shape {
            0 => format!("{beyond} {} the knobs there go no further along.", end.clock),
            _ => format!("{beyond} {} nothing there equals this.", end.clock),
        });
    }
    if let Some(AsBuilt { version, mark }) = as_built {
        let far = match mark.likeness {
            Likeness::Same => String::new(),
            _ => format!(
                ", which is the closest and not the same ({:.2} dB in shape, {})",
                mark.distance.shape_db,
                level(mark.distance.level_db)
            ),
        };
        words.push(format!("As built (\"{version}\"): {}{far}.", mark.clock));
    }
    for effect in &scale.effects {
        if effect.is_none() {
            words.push(format!(
                "The control {} has no effect between {} and {}.",
                effect.control,
                hertz(rules.band.low_hz()),
                hertz(rules.band.high_hz())
            ));
            continue;
        }
        for [low, high] in &effect.dead {
            words.push(format!(
                "The control {} does nothing from {} to {}.",
                effect.control,
                low.clock(),
                high.clock()
            ));
        }
    }
    if let Some(found) = parts
        && let Some(change) = found.changes.first()
    {
        words.push(format!(
            "The single part there that helps most is {}: {} to {} brings the whole difference from \
             {:.1} dB to {:.1} dB, with the free controls set anew and no level made up.",
            change.part,
            value(&question.there, &change.part, change.from),
            value(&question.there, &change.part, change.to),
            found.now.whole_db,
            change.distance.whole_db
        ));
    }
    words
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
        let at = |r: &crate::analysis::dials::Row| (r.here.number(), r.there[k].position.number());
        curves.push(Curve::new(format!("{name} there"), scale.rows.iter().map(at).collect()));
    }
    let offset_allowed = question.rules.offset_allowed;
    let residual = |r: &crate::analysis::dials::Row| {
        (r.here.number(), 0.0, r.distance.goal_db(offset_allowed).min(10.0))
    };
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
