//! `presolder values`: standard values that do what is wanted.

use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;

use super::ask::{Outlets, band, dialled, hertz, job, say, sayln, title, value};
use super::failure::Failure;
use super::input::open_subject;
use super::output::print;
use super::progress::bar;
use crate::amp::{
    AmpState, BuiltCircuit, Change, Drawer, GoalSection, INPUT_PART, Job, RangeSection, Scalar,
    SideSection, VersionSpec,
};
use crate::analysis::values::{
    Against, Answer, Answers, Choice, Edge, Goal, Method, Outcome, Search,
};
use crate::circuit::{Kind, Node};
use crate::plot::{self, Curve, Figure};
use crate::units::{Farads, Henries, Ohms, Quantity, Series};

/// Searches standard values of the parts that a job names under [values] for its goals.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  presolder demo --out demo\n  presolder values demo/job.toml\n\n\
                  The job says which parts and what they are to do:\n\n  \
                  [values]\n  series = \"E12\"\n\n  \
                  [values.parts]\n  C9 = { from = \"1n\", to = \"100n\" }\n\n  \
                  [[values.goals]]\n  at = \"30 Hz\"\n  down_at_least = \"12 dB\""
)]
pub struct ValuesArgs {
    /// The job file
    job: PathBuf,
    /// Version that is the start (that of the job's [values], or its last)
    #[arg(long)]
    version: Option<String>,
    /// Series of IEC 60063 to choose from: E3, E6, E12, E24, E48 or E96 (E12 if the job names none)
    #[arg(long)]
    series: Option<Series>,
    /// Number of answers
    #[arg(long, default_value_t = 5, value_parser = clap::value_parser!(u32).range(1..=1000))]
    answers: u32,
    #[command(flatten)]
    outlets: Outlets,
}

/// Points of the plot, and its range.
const PLOTTED: u32 = 300;
const PLOTTED_HZ: [f64; 2] = [10.0, 20_000.0];

/// One goal in words and in figures.
struct Said {
    goal: String,
    made: Goal,
}

#[derive(Serialize)]
struct ValuesJson<'a> {
    schema: &'static str,
    job: &'a str,
    version: &'a str,
    parts: &'a [String],
    goals: Vec<&'a str>,
    #[serde(flatten)]
    answers: &'a Answers,
    version_to_paste: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &ValuesArgs) -> Result<(), Failure> {
    args.outlets.check()?;
    let subject = open_subject(&args.job.display().to_string())?;
    let Some(job) = job(&subject) else {
        return Err(Failure::input(format!(
            "{}: this is an amp; the values wanted and the goals stand in a job, under [values]",
            args.job.display()
        )));
    };
    let name = args.version.clone().or(job.values.version.clone());
    let start = match &name {
        Some(name) => job.version(name)?,
        None => job
            .versions()
            .last()
            .ok_or_else(|| Failure::input(format!("{}: the job has no version", job.file)))?,
    };
    let folder = args.job.parent().unwrap_or(Path::new(""));
    let built = start.circuit()?;
    let parts: Vec<String> = job.values.parts.keys().cloned().collect();
    let choices = choices(args, job, start, &built, folder)?;
    let mut said = Vec::new();
    for goal in &job.values.goals {
        said.extend(goals(goal, job, start, &built)?);
    }
    let wanted: Vec<Goal> = said.iter().map(|s| s.made.clone()).collect();
    let wrong = |e: crate::analysis::values::SearchError| {
        Failure::input(format!("{}, [values]: {e}", job.file))
    };
    let search =
        Search::new(&built.circuit, INPUT_PART, built.output, &choices, wanted).map_err(wrong)?;
    let progress = bar(search.steps() as u64, "values");
    let found = search.run(args.answers as usize, &|| progress.inc(1)).map_err(wrong)?;
    progress.finish_and_clear();

    let best = found.answers.first();
    let paste = best.map(|a| version_of(start, &parts, a)).transpose()?;
    let mut text = String::new();
    if args.outlets.json {
        let json = ValuesJson {
            schema: "presolder-values/1",
            job: &job.file,
            version: start.version(),
            parts: &parts,
            goals: said.iter().map(|s| s.goal.as_str()).collect(),
            answers: &found,
            version_to_paste: paste,
        };
        text.push_str(&serde_json::to_string_pretty(&json).map_err(Failure::fault)?);
        text.push('\n');
    } else if args.outlets.csv {
        print_csv(&mut text, start, &parts, &said, &found);
    } else {
        print_table(&mut text, start, &parts, &said, &found, paste.as_deref());
    }
    print(&text)?;
    if let Some(best) = best {
        args.outlets.write(&figure(start, &parts, best)?)?;
    }
    Ok(())
}

/// The response as it is and with the best answer.
fn figure(start: &AmpState, parts: &[String], best: &Answer) -> Result<Figure, Failure> {
    let mut found = start.clone();
    for (part, &si) in parts.iter().zip(&best.values) {
        found = found.with_value(part, &value(start, part, si))?;
    }
    let last = f64::from(PLOTTED - 1);
    let [low, high] = PLOTTED_HZ;
    let frequencies_hz: Vec<f64> =
        (0..PLOTTED).map(|k| low * (high / low).powf(f64::from(k) / last)).collect();
    let curve = |state: &AmpState, name: String| -> Result<Curve, Failure> {
        let levels = dialled(state, &state.circuit()?, &[], &frequencies_hz)?.levels_db(&[])?;
        Ok(Curve::new(name, frequencies_hz.iter().copied().zip(levels).collect()))
    };
    let values: Vec<String> = parts
        .iter()
        .zip(&best.values)
        .map(|(p, v)| format!("{p} {}", value(start, p, *v)))
        .collect();
    let curves = vec![curve(start, "as it is".to_owned())?, curve(&found, values.join(", "))?];
    let guides = plot::Guides { strings: true, ..plot::Guides::default() };
    Ok(plot::response(format!("Values for {}", title(start)), curves, &guides))
}

/// The values that each part may take.
fn choices(
    args: &ValuesArgs,
    job: &Job,
    start: &AmpState,
    built: &BuiltCircuit,
    folder: &Path,
) -> Result<Vec<Choice>, Failure> {
    let drawer = match &job.values.drawer {
        Some(file) => Some(Drawer::read(&folder.join(file))?),
        None => None,
    };
    let mut all = Vec::new();
    for (part, range) in &job.values.parts {
        let wrong = |problem: String| {
            Failure::input(format!("{}, [values.parts], {part}: {problem}", job.file))
        };
        let series = range.series.or(args.series).or(job.values.series).unwrap_or(Series::E12);
        let kind = built.circuit.part(part).map(|p| &p.kind);
        let drawn = |pick: fn(&Drawer) -> Vec<f64>| drawer.as_ref().map(pick);
        let values = match kind {
            Some(Kind::Resistor { ohms, .. }) => {
                let own = drawn(|d| d.resistors.iter().map(|v| v.0).collect());
                values_of(Ohms(*ohms), range, series, own)
            }
            Some(Kind::Capacitor { farads, .. }) => {
                let own = drawn(|d| d.capacitors.iter().map(|v| v.0).collect());
                values_of(Farads(*farads), range, series, own)
            }
            Some(Kind::Inductor { henries, .. }) => {
                let own = drawn(|d| d.inductors.iter().map(|v| v.0).collect());
                values_of(Henries(*henries), range, series, own)
            }
            Some(Kind::Potentiometer { ohms, .. } | Kind::Rheostat { ohms, .. }) => {
                let own = drawn(|d| d.pots.iter().map(|v| v.0).collect());
                values_of(Ohms(*ohms), range, series, own)
            }
            _ => {
                let kind = start.part(part)?.kind_name().as_str();
                return Err(wrong(format!("it is a {kind}, which has no value to search")));
            }
        };
        let values = values.map_err(&wrong)?;
        if values.is_empty() {
            let from = if drawer.is_some() { "in the drawer" } else { "of the series" };
            return Err(wrong(format!("no value {from} lies in its range; widen from and to")));
        }
        all.push(Choice { part: part.clone(), values });
    }
    Ok(all)
}

/// A decade either way unless the range says otherwise; from the drawer if there is one.
fn values_of<Q: Quantity>(
    now: Q,
    range: &RangeSection,
    series: Series,
    drawer: Option<Vec<f64>>,
) -> Result<Vec<f64>, String> {
    let end = |given: &Option<Scalar>, usual: f64| match given {
        Some(text) => text.0.parse::<Q>().map(Q::si).map_err(|e| e.to_string()),
        None => Ok(usual),
    };
    let low = end(&range.from, now.si() / 10.0)?;
    let high = end(&range.to, now.si() * 10.0)?;
    if !(low > 0.0 && high >= low) {
        return Err("from must be above zero and not above to".to_owned());
    }
    let mut values = match drawer {
        Some(values) => values.into_iter().filter(|v| (low..=high).contains(v)).collect(),
        None => series.range(Q::from_si(low), Q::from_si(high)).map(Q::si).collect::<Vec<f64>>(),
    };
    values.sort_by(f64::total_cmp);
    values.dedup();
    Ok(values)
}

/// A goal of the job; a list of ratings is one goal for each part.
fn goals(
    goal: &GoalSection,
    job: &Job,
    start: &AmpState,
    built: &BuiltCircuit,
) -> Result<Vec<Said>, Failure> {
    let edge = match goal.side {
        SideSection::Low => Edge::Low,
        SideSection::High => Edge::High,
    };
    if let Some(at) = goal.corner {
        let (from, to) = match &goal.of {
            None => (None, built.output),
            Some(part) => section(part, built)?,
        };
        let whose = goal.of.as_ref().map_or("the whole amp".to_owned(), |p| p.clone());
        let side = if edge == Edge::Low { "low" } else { "high" };
        let words = format!("{side} corner of {whose} at {}", hertz(at.0));
        return Ok(vec![Said { goal: words, made: Goal::Corner { hz: at.0, edge, from, to } }]);
    }
    if let Some(at) = goal.at {
        let (against, than) = match &goal.than {
            Some(version) => {
                let other = job.version(version)?;
                let levels = dialled(other, &other.circuit()?, &[], &[at.0])?.levels_db(&[])?;
                (Against::Level { db: levels[0] }, format!("against \"{version}\""))
            }
            None => {
                let hz = goal.reference.map_or(1000.0, |f| f.0);
                (Against::Reference { hz }, format!("against {}", hertz(hz)))
            }
        };
        let (at_least_db, at_most_db) =
            (goal.down_at_least.map(|d| d.0), goal.down_at_most.map(|d| d.0));
        let least = at_least_db.map(|d| format!("at least {d} dB"));
        let most = at_most_db.map(|d| format!("at most {d} dB"));
        let limits: Vec<String> = least.into_iter().chain(most).collect();
        let words = format!("{} down {} {than}", hertz(at.0), limits.join(" and "));
        let made = Goal::Down { hz: at.0, against, at_least_db, at_most_db };
        return Ok(vec![Said { goal: words, made }]);
    }
    if let Some(version) = &goal.like {
        let band = band(goal.band)?;
        let other = job.version(version)?;
        let levels_db =
            dialled(other, &other.circuit()?, &[], band.frequencies_hz())?.levels_db(&[])?;
        let offset_allowed = goal.level_offset.unwrap_or(false);
        let words = format!(
            "respond like \"{version}\" from {} to {}{}",
            hertz(band.low_hz()),
            hertz(band.high_hz()),
            if offset_allowed { ", level aside" } else { "" }
        );
        return Ok(vec![Said {
            goal: words,
            made: Goal::Match { band, levels_db, offset_allowed },
        }]);
    }
    let named = goal.ratings.iter().flat_map(|r| &r.0);
    let everything = named.clone().any(|n| n == "all");
    let parts: Vec<&String> = if everything {
        let rated = |p: &&String| {
            let rating = start.parts()[p.as_str()].rating;
            rating.watts.is_some() || rating.volts.is_some()
        };
        start.parts().keys().filter(rated).collect()
    } else {
        named.collect()
    };
    parts
        .into_iter()
        .map(|part| {
            let rating = start.part(part)?.rating;
            let (watts, volts) = (rating.watts.map(|w| w.0), rating.volts.map(|v| v.0));
            if watts.is_none() && volts.is_none() {
                return Err(Failure::input(format!(
                    "{}, [values]: {part} has no rating to stay within; give it one in the amp file",
                    job.file
                )));
            }
            let limits: Vec<String> = rating
                .watts
                .map(|w| w.to_string())
                .into_iter()
                .chain(rating.volts.map(|v| v.to_string()))
                .collect();
            let made = Goal::Rating { part: part.clone(), watts, volts };
            Ok(Said { goal: format!("{part} within {} at rest", limits.join(" and ")), made })
        })
        .collect()
}

/// The two nodes whose ratio a capacitor's corner is about: from the driven side to the other for a
/// coupling capacitor; for one to ground, the node itself.
fn section(part: &str, built: &BuiltCircuit) -> Result<(Option<Node>, Node), Failure> {
    use crate::circuit::{GROUND, LinearCircuit};
    let Some(Kind::Capacitor { between: [a, b], .. }) = built.circuit.part(part).map(|p| &p.kind)
    else {
        return Err(Failure::input(format!("{part} is no capacitor; a corner is of a capacitor")));
    };
    match (*a, *b) {
        (GROUND, node) | (node, GROUND) => Ok((None, node)),
        (a, b) => {
            // The driven side carries more at a frequency far below.
            let linear = LinearCircuit::of(&built.circuit)?;
            let gains = linear.gains(INPUT_PART, &[a, b], &[0.1])?;
            let a_drives = gains[0][0].norm() >= gains[1][0].norm();
            Ok(if a_drives { (Some(a), b) } else { (Some(b), a) })
        }
    }
}

/// The best answer as a version of the job.
fn version_of(start: &AmpState, parts: &[String], answer: &Answer) -> Result<String, Failure> {
    let mut spec = VersionSpec {
        name: "values found".to_owned(),
        note: "Found by a search over standard values.".to_owned(),
        based_on: Some(start.version().to_owned()),
        ..VersionSpec::default()
    };
    for (part, &si) in parts.iter().zip(&answer.values) {
        spec.change.insert(part.clone(), Change::Value(Scalar(value(start, part, si))));
    }
    spec.to_toml().map_err(Failure::fault)
}

fn print_csv(
    text: &mut String,
    start: &AmpState,
    parts: &[String],
    said: &[Said],
    found: &Answers,
) {
    let goals: Vec<String> = (1..=said.len()).map(|k| format!("goal_{k}")).collect();
    sayln!(text, "{},miss_db,{}", parts.join(","), goals.join(","));
    for answer in std::iter::once(&found.now).chain(&found.answers) {
        let values: Vec<String> =
            parts.iter().zip(&answer.values).map(|(p, v)| value(start, p, *v)).collect();
        let outcomes: Vec<String> = answer.outcomes.iter().map(outcome).collect();
        sayln!(text, "{},{:.4},{}", values.join(","), answer.miss_db, outcomes.join(","));
    }
}

fn outcome(outcome: &Outcome) -> String {
    match outcome {
        Outcome::Corner { hz: Some(hz), .. } => hertz(*hz),
        Outcome::Corner { hz: None, .. } => "no corner".to_owned(),
        Outcome::Down { db, .. } if *db < 0.0 => format!("{:.2} dB up", -db),
        Outcome::Down { db, .. } => format!("{db:.2} dB down"),
        Outcome::Match { distance, .. } => {
            format!(
                "{:.2} dB off ({:.2} dB in shape; level {:+.1} dB)",
                distance.whole_db, distance.shape_db, distance.level_db
            )
        }
        Outcome::Rating { watts, volts, .. } => format!("{watts:.3} W and {volts:.0} V"),
    }
}

fn print_table(
    text: &mut String,
    start: &AmpState,
    parts: &[String],
    said: &[Said],
    found: &Answers,
    paste: Option<&str>,
) {
    sayln!(text, "Values for {}\n", title(start));
    for (k, said) in said.iter().enumerate() {
        sayln!(text, "  goal {}: {}", k + 1, said.goal);
    }
    text.push('\n');
    match found.method {
        Method::Exhaustive { combinations } => {
            sayln!(
                text,
                "All {combinations} combinations were tried: there is no better one among them."
            );
        }
        Method::Coordinates { combinations, starts, tried } => sayln!(
            text,
            "{tried} of {combinations} combinations were tried, one part after the other from {starts} starts: a \
             better one may exist."
        ),
    }
    sayln!(
        text,
        "Miss: 0 where all goals are met, else the root of the sum of squares of what is short, in dB"
    );
    sayln!(
        text,
        "(a corner an octave off counts 6 dB). Of equal answers, the one that changes least comes first.\n"
    );
    say!(text, "  {:>8}", "");
    for part in parts {
        say!(text, " {part:>8}");
    }
    sayln!(text, "  {:>8}", "miss");
    for (k, answer) in std::iter::once(&found.now).chain(&found.answers).enumerate() {
        let rank = if k == 0 { "now".to_owned() } else { k.to_string() };
        say!(text, "  {rank:>8}");
        for (part, v) in parts.iter().zip(&answer.values) {
            say!(text, " {:>8}", value(start, part, *v));
        }
        sayln!(text, "  {:>5.2} dB", answer.miss_db);
        for (said, o) in said.iter().zip(&answer.outcomes) {
            let met = if o.miss_db() == 0.0 { "met" } else { "" };
            sayln!(text, "  {:>8}   {}: {} {met}", "", said.goal, outcome(o));
        }
    }
    if let Some(paste) = paste {
        sayln!(text, "\nThe best, ready for the job file:\n\n{}", paste.trim_end());
    }
    sayln!(
        text,
        "\nRatings are computed at rest, without signal: aids, not certificates. Valve amplifiers hold\n\
         lethal voltages, also when switched off: qualified technicians only, mains off, filter\n\
         capacitors discharged and measured, local electrical codes first."
    );
}
