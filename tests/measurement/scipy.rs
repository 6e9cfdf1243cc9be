//! The same questions put to scipy.

use std::fmt::Write as _;
use std::process::{Command, Stdio};

use presolder::analysis::{Spectrum, SweepPlan, measure};
use presolder::audio::Noise;

use super::{Section, decibels, log_grid, run_all};

/// Runs a script with scipy, gives it numbers line by line, and returns those that it prints.
fn ask_scipy(script: &str, numbers: &[f64]) -> Vec<f64> {
    use std::io::Write;
    let python = std::env::var("PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let mut child = Command::new(python)
        .args(["-c", script])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("Python starts");
    let mut text = String::new();
    for number in numbers {
        writeln!(text, "{number:e}").expect("formatted");
    }
    child.stdin.take().expect("a pipe").write_all(text.as_bytes()).expect("written");
    let output = child.wait_with_output().expect("Python ends");
    assert!(output.status.success(), "Python with numpy and scipy is needed");
    let text = String::from_utf8(output.stdout).expect("text");
    text.lines().map(|line| line.parse().expect("a number")).collect()
}

/// The sweep through our sections against `scipy.signal.sosfreqz` of the same sections.
#[test]
#[ignore = "needs scipy; ./scripts/test runs it"]
fn sweep_against_sosfreqz() {
    let rate_hz = 44_100.0;
    let sections = [
        Section::high_pass(15.0, rate_hz),
        Section::resonance(110.0, 4.0, rate_hz),
        Section::resonance(3_500.0, 2.0, rate_hz),
    ];
    let frequencies = log_grid(20.0, 19_999.0, 200);
    let mut numbers = vec![rate_hz];
    for section in &sections {
        numbers.extend_from_slice(&section.b);
        numbers.push(1.0);
        numbers.extend_from_slice(&section.a);
    }
    numbers.extend_from_slice(&frequencies);
    let expected = ask_scipy(
        "import sys, numpy as np, scipy.signal as s\n\
         v = np.array([float(x) for x in sys.stdin])\n\
         sos = v[1:19].reshape(3, 6)\n\
         h = s.sosfreqz(sos, worN=v[19:], fs=v[0])[1]\n\
         for x in 20*np.log10(abs(h)): print(repr(float(x)))\n",
        &numbers,
    );
    let plan = SweepPlan::new(rate_hz, 20.0, 20_000.0).expect("a plan");
    let measured = measure(&plan, &mut |input| run_all(&sections, input)).expect("measured");
    assert_eq!(expected.len(), frequencies.len());
    for (hz, want) in frequencies.iter().zip(&expected) {
        let got = decibels(measured.at(*hz).expect("within the band"));
        assert!((got - want).abs() < 1e-6, "{hz} Hz: {got} dB, scipy {want}");
    }
}

/// Our spectrum against `scipy.signal.welch` of the same segments: the clip with silence around it.
#[test]
#[ignore = "needs scipy; ./scripts/test runs it"]
fn spectrum_against_welch() {
    let mut noise = Noise::new(11);
    let samples: Vec<f64> =
        (0..20_000).map(|n| noise.triangular() * (n as f64 * 1e-3).sin()).collect();
    let spectrum = Spectrum::measure(&samples, 48_000.0, 30.0).expect("measured");
    let expected = ask_scipy(
        "import sys, numpy as np, scipy.signal as s\n\
         x = np.array([float(v) for v in sys.stdin])\n\
         n, hop = 2048, 512\n\
         padded = np.concatenate([np.zeros(n - hop), x, np.zeros(n)])\n\
         count = -(-(len(x) + n - hop) // hop)\n\
         padded = padded[:n + (count - 1) * hop]\n\
         p = s.welch(padded, 48000, 'hann', n, n - hop, detrend=False, scaling='density')[1]\n\
         for v in p * count: print(repr(float(v)))\n",
        &samples,
    );
    // Welch's mean over the segments, times their number, is the energy that they see; each sample
    // is in four of them.
    assert_eq!(expected.len(), spectrum.energy.len());
    let top = expected.iter().fold(0.0f64, |top, v| top.max(*v));
    let scale = 48_000.0 / 2048.0 * 2048.0 / 4.0;
    for (k, (got, want)) in spectrum.energy.iter().zip(&expected).enumerate() {
        assert!(
            (got - want * scale).abs() < 1e-9 * top * scale,
            "bin {k}: {got}, {}",
            want * scale
        );
    }
}
