// What is fuzzed: functions that take any bytes and panic where the program would fail its user.
// Shared by the `cargo fuzz` targets beside it and by `tests/any_input.rs`, which runs a bounded
// number of cases on stable Rust.

use std::fmt::{Debug, Display, Write as _};
use std::path::Path;
use std::str::FromStr;
use std::sync::Arc;

use presolder::amp::{AmpFile, BuiltCircuit, INPUT_PART, Job};
use presolder::audio::{ChannelChoice, Clip};
use presolder::circuit::LinearCircuit;
use presolder::driven::{DrivenPlan, Quality};
use presolder::linear::LinearPlan;
use presolder::units::{Amperes, Farads, Henries, Hertz, Ohms, Percent, Position, Volts, Watts};

const RATE_HZ: f64 = 48_000.0;

/// A value with its unit, as it stands in a file: what is read prints, and reads the same again.
pub fn notation(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    reads_back::<Ohms>(text);
    reads_back::<Farads>(text);
    reads_back::<Henries>(text);
    reads_back::<Volts>(text);
    reads_back::<Amperes>(text);
    reads_back::<Watts>(text);
    reads_back::<Hertz>(text);
    let _ = text.parse::<Percent>();
    let _ = text.parse::<Position>();
}

fn reads_back<T: FromStr + Display + PartialEq + Debug>(text: &str)
where
    T::Err: Debug + Display,
{
    match text.parse::<T>() {
        Ok(value) => {
            let again = value.to_string().parse::<T>();
            assert!(again.is_ok(), "{text:?} printed as {value} does not read");
            // What was printed is exact: printing it again changes nothing.
            let printed = again.map(|v| v.to_string()).unwrap_or_default();
            assert_eq!(printed, value.to_string(), "{text:?}");
        }
        Err(error) => assert!(!error.to_string().is_empty(), "an error says something"),
    }
}

/// An amp file, and the circuit that it describes.
pub fn amp_file(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    match AmpFile::parse(text, "amp.toml") {
        Ok(amp) => {
            if let Ok(built) = amp.state().circuit() {
                renders(&built);
            }
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
}

/// A job file with versions.
pub fn job_file(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    match Job::parse(text, "job.toml", Path::new("no-such-folder")) {
        Ok(job) => {
            for version in job.versions() {
                let _ = version.circuit();
            }
            let _ = job.digest();
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
}

/// A WAV file: what is read is finite and as long as the head says.
pub fn wav(bytes: &[u8]) {
    let choice = match bytes.last() {
        Some(n) if n % 4 == 0 => ChannelChoice::One(u16::from(*n) / 4 + 1),
        _ => ChannelChoice::Mix,
    };
    match Clip::from_wav_bytes(bytes, Path::new("clip.wav"), choice) {
        Ok(clip) => {
            assert!(clip.samples.iter().all(|s| s.is_finite()));
            assert!(clip.samples.len() <= bytes.len());
        }
        Err(error) => assert!(error.to_string().contains("clip.wav"), "{error}"),
    }
}

/// A small circuit made from the bytes, through both paths.
pub fn circuit(bytes: &[u8]) {
    let text = amp_text(bytes);
    let Ok(amp) = AmpFile::parse(&text, "amp.toml") else { return };
    if let Ok(built) = amp.state().circuit() {
        renders(&built);
    }
}

/// Both paths end, and give numbers.
fn renders(built: &BuiltCircuit) {
    if built.circuit.parts().count() > 40 {
        return;
    }
    let input: Vec<f64> = (0..96).map(|n| if n / 12 % 2 == 0 { 1.0 } else { -1.0 }).collect();
    let mut output = vec![0.0; input.len()];
    if let Ok(linear) = LinearCircuit::of(&built.circuit)
        && let Ok(transfer) = linear.transfer(INPUT_PART, built.output)
        && let Ok(plan) = LinearPlan::fit(&transfer, RATE_HZ)
    {
        plan.processor().process_into(&input, &mut output);
        assert!(output.iter().all(|s| s.is_finite()), "the linear path gave {output:?}");
    }
    let quality = Quality::ALL[0];
    if let Ok(plan) = DrivenPlan::new(&built.circuit, INPUT_PART, &[built.output], RATE_HZ, quality)
    {
        Arc::new(plan).processor().process_into(&input, &mut output);
        assert!(output.iter().all(|s| s.is_finite()), "the driven path gave {output:?}");
    }
}

/// An amp file whose parts are chosen by the bytes: sound in form, often senseless as a circuit.
pub fn amp_text(bytes: &[u8]) -> String {
    let mut bytes = bytes.iter().copied();
    let mut next = || bytes.next().unwrap_or(0);
    const NODES: [&str; 7] = ["in", "ground", "a", "b", "c", "d", "out"];
    let mut text =
        "title = \"any\"\ninput = \"in\"\noutput = \"out\"\n[supplies]\nd = \"250V\"\n".to_owned();
    let count = 3 + usize::from(next()) % 14;
    // Most often every node has a leak, so that something is there and nothing floats.
    for (k, node) in NODES.iter().enumerate().filter(|(_, n)| **n != "ground") {
        if next() > 8 {
            let _ = writeln!(
                text,
                "[parts.R{}]\nkind = \"resistor\"\nvalue = \"{}\"\nbetween = [\"{node}\", \"ground\"]",
                90 + k,
                ["1M", "47k", "470", "220k"][usize::from(next()) % 4]
            );
        }
    }
    for k in 0..count {
        let kind = next() % 8;
        let at = usize::from(next()) % NODES.len();
        // The other end is seldom the same node: that is refused.
        let apart = usize::from(next()) % (4 * NODES.len() - 1);
        let other =
            if apart == 4 * NODES.len() - 2 { at } else { at + 1 + apart % (NODES.len() - 1) };
        let (p, q) = (NODES[at], NODES[other % NODES.len()]);
        let r = NODES[usize::from(next()) % NODES.len()];
        let (digits, power) = (f64::from(next()) + 1.0, i32::from(next() % 9));
        // Writing to a String cannot fail.
        let _ = match kind {
            0..=2 => writeln!(
                text,
                "[parts.R{k}]\nkind = \"resistor\"\nvalue = \"{} ohm\"\nbetween = [\"{p}\", \"{q}\"]",
                digits * 10f64.powi(power - 2)
            ),
            3..=4 => writeln!(
                text,
                "[parts.C{k}]\nkind = \"capacitor\"\nvalue = \"{} pF\"\nbetween = [\"{p}\", \"{q}\"]",
                digits * 10f64.powi(power - 1)
            ),
            5 => writeln!(
                text,
                "[parts.L{k}]\nkind = \"inductor\"\nvalue = \"{} mH\"\nbetween = [\"{p}\", \"{q}\"]",
                digits * 10f64.powi(power - 4)
            ),
            _ => writeln!(
                text,
                "[parts.V{k}]\nkind = \"triode\"\ntype = \"12AX7\"\nplate = \"{p}\"\n\
                 grid = \"{q}\"\ncathode = \"{r}\""
            ),
        };
    }
    text
}
