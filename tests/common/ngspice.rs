//! Runs ngspice (an outside, general-purpose circuit simulator) on a circuit.

use std::fs;
use std::path::Path;
use std::process::Command;

use nalgebra::Complex;
use presolder::circuit::{Circuit, Node};

use super::cards::{self, ValveCards};

/// Tolerances far below those of the comparison, so that the operating point of ngspice is not
/// what differs, and no conductance of its own across junctions and nodes.
const OPTIONS: &str = ".options reltol=1e-10 abstol=1e-16 vntol=1e-11 gmin=1e-18 itl1=2000";

/// Where ngspice is asked.
#[derive(Clone, Copy, Debug)]
pub enum Sweep<'a> {
    /// At each of these frequencies (it finds the operating point anew for each).
    List(&'a [f64]),
    /// So many for each decade, evenly spread over the logarithm.
    Decades { each: usize, from_hz: f64, to_hz: f64 },
}

/// What ngspice says about a circuit.
#[derive(Clone, Debug)]
pub struct Answer {
    /// The frequencies of the answer.
    pub frequencies_hz: Vec<f64>,
    /// `gains[output][frequency]` in volts per volt.
    pub gains: Vec<Vec<Complex<f64>>>,
    /// Volts at rest of the same outputs.
    pub rest_volts: Vec<f64>,
}

/// Gains from the source `input` to each output node at each frequency, and the operating point.
///
/// # Errors
/// What ngspice printed, if it gave no answer (no convergence, singular matrix).
///
/// # Panics
/// If ngspice can't be started: the test must not pass without it.
pub fn analyse(
    circuit: &Circuit,
    valves: &ValveCards,
    input: &str,
    outputs: &[Node],
    sweep: Sweep,
) -> Result<Answer, String> {
    let outputs: Vec<String> = outputs.iter().map(|&n| cards::node(n)).collect();
    analyse_cards(&cards::write(circuit, valves, input), &outputs, sweep)
}

/// The same for cards that are at hand, and nodes as these call them.
///
/// # Errors
/// # Panics
/// As [`analyse`].
pub fn analyse_cards(cards: &str, outputs: &[String], sweep: Sweep) -> Result<Answer, String> {
    let folder = tempfile::tempdir().expect("a scratch folder");
    let folder = folder.path();
    attempt(folder, cards, outputs, sweep).or_else(|said| {
        // From zero, Newton's method does not always reach tolerances as small as these: ngspice
        // then looks for a start with its own ones.
        run(folder, cards, "", "op\nwrnodev start\n");
        let start = fs::read_to_string(folder.join("start")).map_err(|_| said)?;
        let cards = format!("{cards}\n{}", start.replace(".ic ", ".nodeset "));
        attempt(folder, &cards, outputs, sweep)
    })
}

/// Runs ngspice in a folder; what it said, and the deck.
fn run(folder: &Path, cards: &str, options: &str, control: &str) -> String {
    // Without the last resort of `optran` (a simulated start), which may take for ever.
    let deck = format!(
        "* circuit under test\n{cards}\n{options}\n.control\nset numdgt=16\n\
         set wr_singlescale\noptran 1 1 1 0 0 0\n{control}quit 0\n.endc\n.end\n"
    );
    for old in ["rest", "gains", "start"] {
        let _ = fs::remove_file(folder.join(old));
    }
    fs::write(folder.join("deck.cir"), &deck).expect("writing the deck");
    let run = Command::new("ngspice")
        .args(["-n", "-b", "deck.cir"])
        .current_dir(folder)
        .output()
        .expect("ngspice runs (./scripts/test installs it)");
    let [out, err] = [&run.stdout, &run.stderr].map(|text| String::from_utf8_lossy(text));
    format!("{out}\n{err}\n{deck}")
}

fn attempt(folder: &Path, cards: &str, outputs: &[String], sweep: Sweep) -> Result<Answer, String> {
    let vectors: String = outputs.iter().map(|o| format!(" v({})", o.to_lowercase())).collect();
    let mut control = format!("op\nwrdata rest{vectors}\nset appendwrite\n");
    let analyses: Vec<String> = match sweep {
        Sweep::List(list) => list.iter().map(|f| format!("ac lin 1 {f:e} {f:e}")).collect(),
        Sweep::Decades { each, from_hz, to_hz } => {
            vec![format!("ac dec {each} {from_hz:e} {to_hz:e}")]
        }
    };
    for analysis in analyses {
        control.push_str(&format!("{analysis}\nwrdata gains{vectors}\ndestroy\n"));
    }
    let said = run(folder, cards, OPTIONS, &control);
    let read = |name: &str| -> Result<Vec<Vec<f64>>, String> {
        let text = fs::read_to_string(folder.join(name)).map_err(|_| said.clone())?;
        text.lines()
            .map(|l| l.split_whitespace().map(|v| v.parse().map_err(|_| said.clone())).collect())
            .collect()
    };
    let rest = read("rest")?;
    let gains = read("gains")?;
    // One line for each frequency: the scale, then each vector (as two numbers where complex).
    let frequencies_hz: Vec<f64> = gains.iter().filter_map(|row| row.first().copied()).collect();
    let asked = match sweep {
        Sweep::List(list) => {
            list.len() == frequencies_hz.len()
                && list.iter().zip(&frequencies_hz).all(|(a, b)| (a / b - 1.0).abs() < 1e-12)
        }
        Sweep::Decades { from_hz, to_hz, .. } => {
            frequencies_hz.first().is_some_and(|f| (f / from_hz - 1.0).abs() < 1e-12)
                && frequencies_hz.last().is_some_and(|f| (f / to_hz - 1.0).abs() < 1e-9)
        }
    };
    let fits = rest.len() == 1
        && rest[0].len() == 1 + outputs.len()
        && gains.iter().all(|row| row.len() == 1 + 2 * outputs.len());
    if !fits || !asked {
        return Err(said);
    }
    let gains = (0..outputs.len())
        .map(|o| gains.iter().map(|row| Complex::new(row[1 + 2 * o], row[2 + 2 * o])).collect())
        .collect();
    Ok(Answer { frequencies_hz, gains, rest_volts: rest[0][1..].to_vec() })
}
