//! `presolder spread`: what the parts' tolerances do to an amp, and to a change of it.

use clap::Args;
use serde::Serialize;

use super::ask::{Outlets, hertz, job, say, sayln, title};
use super::failure::Failure;
use super::input::open_subject;
use super::output::print;
use super::progress::bar;
use crate::amp::{AmpState, BuiltCircuit, INPUT_PART, Job, LawSection, SpreadSection};
use crate::analysis::corners;
use crate::analysis::spread::{
    CornerPlan, Distribution, Plan, Side, SideSpread, Spread, Tolerance, TrimPlan, off_by,
    sentence, spread,
};
use crate::analysis::values::Edge;
use crate::analysis::{GUITAR_STRINGS, Spectrum};
use crate::audio::{ChannelChoice, read_wav};
use crate::circuit::LinearCircuit;
use crate::plot::{self, Band as Shade, Curve, Figure};

/// Draws many amps with every part off by as much as its tolerance allows: how far do they lie
/// apart, and does a change stand out from that?
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  presolder spread larkspur-22 --draws 200")]
pub struct SpreadArgs {
    /// A preset's name, an amp file or a job file (then its two compared versions are drawn)
    amp_or_job: String,
    /// The version before the change (the job's own comparison if left out)
    #[arg(long)]
    before: Option<String>,
    /// The version after the change
    #[arg(long)]
    after: Option<String>,
    /// Number of amps drawn
    #[arg(long)]
    draws: Option<usize>,
    /// Another seed draws other amps; the same gives the same
    #[arg(long)]
    seed: Option<u64>,
    /// Number of frequencies from 1 Hz to 20 kHz
    #[arg(long, default_value_t = 200, value_parser = clap::value_parser!(u32).range(10..=5000))]
    points: u32,
    #[command(flatten)]
    outlets: Outlets,
}

#[derive(Serialize)]
struct SpreadJson<'a> {
    schema: &'static str,
    amp: &'a str,
    #[serde(flatten)]
    spread: &'a Spread,
    sentence: Option<String>,
}

const RANGE_HZ: [f64; 2] = [1.0, 20_000.0];
const DRAWS: usize = 1000;

/// Runs the command.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &SpreadArgs) -> Result<(), Failure> {
    args.outlets.check()?;
    let subject = open_subject(&args.amp_or_job)?;
    let own = job(&subject);
    let (before, after) = match own {
        None => (subject.state(args.before.as_deref())?, None),
        Some(job) => {
            let name =
                |given: &Option<String>, usual: &String| given.as_ref().unwrap_or(usual).clone();
            let before = name(&args.before, &job.compare.before);
            let after = name(&args.after, &job.compare.after);
            let second = if before == after { None } else { Some(job.version(&after)?.clone()) };
            (job.version(&before)?.clone(), second)
        }
    };
    let none = SpreadSection::default();
    let section = own.map_or(&none, |j| &j.spread);
    let last = f64::from(args.points - 1);
    let [low, high] = RANGE_HZ;
    let frequencies_hz: Vec<f64> =
        (0..args.points).map(|k| low * (high / low).powf(f64::from(k) / last)).collect();
    let trim = match (own, &after) {
        (Some(job), Some(_)) => Some(trim_plan(job, &frequencies_hz)?),
        _ => None,
    };
    let plan = Plan {
        before: side(&before, None, section)?,
        after: after.as_ref().map(|a| side(a, Some(&before), section)).transpose()?,
        frequencies_hz,
        draws: args.draws.or(section.draws).unwrap_or(DRAWS),
        seed: args.seed.or(section.seed).unwrap_or(1),
        distribution: match section.distribution {
            LawSection::Uniform => Distribution::Uniform,
            LawSection::Normal => Distribution::Normal,
        },
        trim,
    };
    let progress = bar(plan.draws as u64, "spread");
    let found = spread(&plan, &|| progress.inc(1))
        .map_err(|e| Failure::input(format!("{}: {e}", args.amp_or_job)))?;
    progress.finish_and_clear();
    let said = found.change.as_ref().map(|c| sentence(&found.frequencies_hz, c));
    let mut text = String::new();
    if args.outlets.json {
        let json = SpreadJson {
            schema: "presolder-spread/1",
            amp: before.title(),
            spread: &found,
            sentence: said,
        };
        text.push_str(&serde_json::to_string_pretty(&json).map_err(Failure::fault)?);
        text.push('\n');
    } else if args.outlets.csv {
        print_csv(&mut text, &found);
    } else {
        print_table(&mut text, &before, &plan, &found, said.as_deref());
    }
    print(&text)?;
    args.outlets.write(&figure(&before, &found))
}

/// A version with the tolerances of its parts; a part that is not as in `before` is a fresh one.
fn side(
    state: &AmpState,
    before: Option<&AmpState>,
    section: &SpreadSection,
) -> Result<Side, Failure> {
    let built = state.circuit()?;
    let mut tolerances = Vec::new();
    for part in built.circuit.parts() {
        let Some((name, owner)) = built.owner(&part.name) else { continue };
        if off_by(&part.kind, 1.0).is_none() {
            continue;
        }
        let share = section.tolerances.get(name).unwrap_or(&owner.tolerance).ratio();
        let as_before = |b: &AmpState| {
            b.parts().get(name).is_some_and(|p| p.kind.to_string() == owner.kind.to_string())
        };
        let fresh = before.is_some_and(|b| !as_before(b));
        if share > 0.0 {
            tolerances.push(Tolerance { part: part.name.clone(), share, fresh });
        }
    }
    let whole = |name: &str, edge| CornerPlan {
        name: name.to_owned(),
        from: None,
        to: built.output,
        edge,
        whole: true,
    };
    let mut corners = vec![whole("low corner", Edge::Low), whole("high corner", Edge::High)];
    let linear = LinearCircuit::of(&built.circuit)?;
    for section in corners::sections(&linear, INPUT_PART)? {
        corners.push(CornerPlan {
            name: section.part,
            from: Some(section.from),
            to: section.to,
            edge: match section.side {
                corners::Side::Low => Edge::Low,
                corners::Side::High => Edge::High,
            },
            whole: false,
        });
    }
    let BuiltCircuit { circuit, output, .. } = built;
    let name = if state.version().is_empty() { state.title() } else { state.version() }.to_owned();
    Ok(Side { name, circuit, source: INPUT_PART.to_owned(), output, tolerances, corners })
}

/// The job's limits, and the power of its clips where it has some; even noise otherwise.
fn trim_plan(job: &Job, frequencies_hz: &[f64]) -> Result<TrimPlan, Failure> {
    let mut clip_power = vec![0.0; frequencies_hz.len()];
    for clip in &job.clips {
        // A number beyond what a file can hold is refused by the reader as any other.
        let one = |c: usize| ChannelChoice::One(u16::try_from(c).unwrap_or(u16::MAX));
        let choice = clip.channel.map_or(ChannelChoice::Mix, one);
        let audio = read_wav(&clip.path, choice)?;
        let rate_hz = f64::from(audio.sample_rate_hz);
        let volts: Vec<f64> = audio.samples.iter().map(|s| s * clip.peak.0).collect();
        let spectrum = Spectrum::measure(&volts, rate_hz, 1.0)
            .map_err(|e| Failure::input(format!("{}: {e}", clip.path.display())))?;
        let n = frequencies_hz.len();
        for (k, power) in clip_power.iter_mut().enumerate() {
            // From half way to the neighbour below to half way to the one above.
            let edge = |a: usize, b: usize| (frequencies_hz[a] * frequencies_hz[b]).sqrt();
            let (low, high) = (edge(k.saturating_sub(1), k), edge(k, (k + 1).min(n - 1)));
            if high < 0.5 * rate_hz && high > low {
                *power += spectrum.band_energy(low, high) / (high - low);
            }
        }
    }
    if job.clips.is_empty() {
        clip_power.fill(1.0);
    }
    let low_e = GUITAR_STRINGS.iter().map(|p| p.hz()).fold(f64::INFINITY, f64::min);
    Ok(TrimPlan {
        clip_power,
        below_hz: job.trim.below.0,
        at_least_db: job.trim.trimmed_by_at_least.0,
        string_hz: low_e,
        at_most_db: job.trim.low_e_changed_by_at_most.0,
    })
}

fn print_csv(text: &mut String, found: &Spread) {
    let side = "p5_db,p50_db,p95_db,nominal_db,lowest_db,highest_db";
    let named = |prefix: &str| {
        side.split(',').map(|c| format!("{prefix}_{c}")).collect::<Vec<_>>().join(",")
    };
    say!(text, "frequency_hz,{}", named("before"));
    if found.change.is_some() {
        say!(
            text,
            ",{},change_p5_db,change_p50_db,change_p95_db,own_spread_db,exceeds",
            named("after")
        );
    }
    text.push('\n');
    let row = |s: &SideSpread, k: usize| {
        let (b, w) = (s.bands_db[k], s.worst_db[k]);
        format!(
            "{:.4},{:.4},{:.4},{:.4},{:.4},{:.4}",
            b.p5, b.p50, b.p95, s.nominal_db[k], w[0], w[1]
        )
    };
    for (k, hz) in found.frequencies_hz.iter().enumerate() {
        say!(text, "{hz:.4},{}", row(&found.before, k));
        if let (Some(after), Some(change)) = (&found.after, &found.change) {
            let b = change.bands_db[k];
            say!(
                text,
                ",{},{:.4},{:.4},{:.4},{:.4},{:.4}",
                row(after, k),
                b.p5,
                b.p50,
                b.p95,
                change.own_spread_db[k],
                change.exceeds[k]
            );
        }
        text.push('\n');
    }
}

/// Frequencies of the table on the terminal.
const SHOWN_HZ: [f64; 9] = [20.0, 40.0, 82.41, 160.0, 400.0, 1000.0, 2500.0, 5000.0, 10_000.0];

fn print_table(
    text: &mut String,
    state: &AmpState,
    plan: &Plan,
    found: &Spread,
    said: Option<&str>,
) {
    sayln!(
        text,
        "{}: {} amps drawn (seed {}), {} parts off by up to their tolerance\n",
        title(state),
        found.draws,
        found.seed,
        plan.before.tolerances.len()
    );
    let nearest = |hz: f64| {
        let away = |k: &usize| (found.frequencies_hz[*k] / hz).ln().abs();
        (0..found.frequencies_hz.len()).min_by(|a, b| away(a).total_cmp(&away(b))).unwrap_or(0)
    };
    say!(text, "  {:>10}  {:>24} {:>18}", "", "level, 5 to 95 % (dB)", "corner case (dB)");
    match found.change {
        Some(_) => {
            sayln!(text, "  {:>22} {:>10} {:>8}", "change, 5 to 95 % (dB)", "parts' own", "exceeds")
        }
        None => text.push('\n'),
    }
    for hz in SHOWN_HZ {
        let k = nearest(hz);
        let (b, w) = (found.before.bands_db[k], found.before.worst_db[k]);
        say!(
            text,
            "  {:>10}  {:>7.1} {:>7.1} {:>7.1}   {:>7.1} {:>7.1}   ",
            hertz(found.frequencies_hz[k]),
            b.p5,
            b.p50,
            b.p95,
            w[0],
            w[1]
        );
        if let Some(change) = &found.change {
            let c = change.bands_db[k];
            say!(
                text,
                "  {:>+6.1} {:>+6.1} {:>+6.1}   \u{b1}{:>5.1} dB  {:>5.0} %",
                c.p5,
                c.p50,
                c.p95,
                change.own_spread_db[k],
                100.0 * change.exceeds[k]
            );
        }
        text.push('\n');
    }
    text.push('\n');
    for side in std::iter::once(&found.before).chain(&found.after) {
        for corner in &side.corners {
            let Some(hz) = corner.hz else { continue };
            sayln!(
                text,
                "  {}, {}: {} to {}, middle {}{}",
                side.name,
                corner.name,
                hertz(hz.p5),
                hertz(hz.p95),
                hertz(hz.p50),
                if corner.found < 1.0 {
                    format!(" (in {:.0} % of the amps)", 100.0 * corner.found)
                } else {
                    String::new()
                }
            );
        }
    }
    let Some(change) = &found.change else { return };
    if let Some(trim) = &change.trim {
        sayln!(
            text,
            "\n  Trim: the energy below {} changes by {:+.1} dB ({:+.1} to {:+.1} dB), {} by {:+.2} dB \
             ({:+.2} to {:+.2} dB). Both limits are kept in {:.0} % of the amps.",
            hertz(trim.below_hz),
            -trim.lost_db,
            -trim.lost_bands_db.p95,
            -trim.lost_bands_db.p5,
            hertz(trim.string_hz),
            trim.string_db,
            trim.string_bands_db.p5,
            trim.string_bands_db.p95,
            100.0 * trim.holds
        );
    }
    sayln!(
        text,
        "\nParts' own: half of the width from 5 to 95 % before the change. Exceeds: share of amps in"
    );
    sayln!(
        text,
        "which the change is larger than that. Parts that stay keep their luck; new ones have their own."
    );
    if let Some(said) = said {
        sayln!(text, "\n{said}");
    }
}

fn figure(state: &AmpState, found: &Spread) -> Figure {
    let sides: Vec<&SideSpread> = std::iter::once(&found.before).chain(&found.after).collect();
    let curve = |s: &SideSpread| {
        let points = found.frequencies_hz.iter().zip(&s.nominal_db).map(|(f, l)| (*f, *l));
        Curve::new(s.name.clone(), points.collect())
    };
    let guides = plot::Guides { strings: true, ..plot::Guides::default() };
    let title = format!("{}: spread of {} amps", state.title(), found.draws);
    let mut figure = plot::response(title, sides.iter().map(|s| curve(s)).collect(), &guides);
    figure.bands = sides
        .iter()
        .enumerate()
        .map(|(k, s)| Shade {
            name: format!("{}, nine of ten amps", s.name),
            edges: found
                .frequencies_hz
                .iter()
                .zip(&s.bands_db)
                .map(|(f, b)| (*f, b.p5, b.p95))
                .collect(),
            of_curve: k,
        })
        .collect();
    figure
}
