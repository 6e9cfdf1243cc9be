//! Runs ngspice in time.

use std::process::Command;
use std::time::{Duration, Instant};

/// A run that takes longer has lost itself in steps of no length.
const LONGEST: Duration = Duration::from_secs(150);

/// Voltages of nodes at every sample from 0 s on, the circuit being at rest before.
///
/// `least_steps` is how many of the simulator's steps a sample gets at least: each is as short as that
/// or shorter.
///
/// # Errors
/// What ngspice printed, if it did not get to the end.
///
/// # Panics
/// If ngspice can't be started: the test must not pass without it.
pub fn run(
    cards: &str,
    nodes: &[&str],
    seconds: f64,
    sample_rate_hz: f64,
    least_steps: usize,
) -> Result<Vec<Vec<f64>>, String> {
    // The steps are as even as asked for: its own watch over errors of truncation (`trtol`) sees one
    // at every corner of a law, and creeps.
    let folder = tempfile::tempdir().expect("a scratch folder");
    let vectors: String = nodes.iter().map(|n| format!(" v({n})")).collect();
    let (grid, most) = (1.0 / sample_rate_hz, 1.0 / (least_steps as f64 * sample_rate_hz));
    let all = format!(
        "* in time\n{cards}.options reltol=1e-6 abstol=1e-12 vntol=1e-8 chgtol=1e-12 trtol=1000\n\
         .control\nset numdgt=12\nset wr_singlescale\nsave{vectors}\n\
         tran {grid:.15e} {seconds:.9e} 0 {most:.15e}\nlinearize{vectors}\nwrdata answer{vectors}\n\
         quit 0\n.endc\n.end\n"
    );
    std::fs::write(folder.path().join("deck.cir"), all).expect("writing the deck");
    let said_in = |name: &str| std::fs::File::create(folder.path().join(name)).expect("a file");
    let mut run = Command::new("ngspice")
        .args(["-n", "-b", "deck.cir"])
        .current_dir(folder.path())
        .stdout(said_in("said"))
        .stderr(said_in("complained"))
        .spawn()
        .expect("ngspice runs (./scripts/test installs it)");
    let begun = Instant::now();
    while run.try_wait().expect("a child").is_none() {
        if begun.elapsed() > LONGEST {
            run.kill().expect("stopping ngspice");
            run.wait().expect("the end of ngspice");
            return Err(format!(
                "not done after {LONGEST:?}, its steps have become too short\n{cards}"
            ));
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    let said = || {
        let [out, complained] = ["said", "complained"].map(|name| {
            std::fs::read(folder.path().join(name))
                .map_or_else(|e| e.to_string(), |text| String::from_utf8_lossy(&text).into_owned())
        });
        format!("{out}\n{complained}\n{cards}")
    };
    // It writes zeros for what it did not get to.
    if said().contains("aborted") {
        return Err(said());
    }
    let answer = std::fs::read_to_string(folder.path().join("answer")).map_err(|_| said())?;
    let rows: Vec<Vec<f64>> = answer
        .lines()
        .map(|l| l.split_whitespace().map(|v| v.parse().expect("a number")).collect())
        .collect();
    if (rows.len() as f64) < 0.99 * seconds * sample_rate_hz {
        return Err(said());
    }
    for (n, row) in rows.iter().enumerate() {
        assert!((row[0] * sample_rate_hz - n as f64).abs() < 1e-3, "row {n} at {} s", row[0]);
    }
    Ok((1..=nodes.len()).map(|k| rows.iter().map(|r| r[k]).collect()).collect())
}
