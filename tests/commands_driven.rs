//! The commands that look at the driven path, run as a user runs them: `tone`, `breakup`, `level`,
//! `report` and `render` of a job whose knob moves.

#[path = "common/table.rs"]
#[allow(dead_code)]
mod table;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use presolder::amp::{AmpFile, INPUT_PART};
use presolder::analysis::stages::Stages;
use presolder::analysis::tone::Patience;
use presolder::driven::Quality;
use serde_json::Value;

fn fixture(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/driven").join(name);
    path.display().to_string()
}

fn presolder(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_presolder"))
        .current_dir(folder)
        .args(arguments)
        .output()
        .expect("the program starts")
}

fn printed(folder: &Path, arguments: &[&str]) -> String {
    let output = presolder(folder, arguments);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{arguments:?}: {errors}");
    String::from_utf8(output.stdout).expect("text")
}

fn json(folder: &Path, arguments: &[&str]) -> Value {
    serde_json::from_str(&printed(folder, arguments)).expect("JSON")
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

fn here() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn decibels(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// Writes mono samples at 48 kHz as 32 bit float.
fn write_clip(path: &Path, samples: impl Iterator<Item = f64>) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec).expect("a file");
    samples.for_each(|s| writer.write_sample(s as f32).expect("a sample"));
    writer.finalize().expect("a whole file");
}

fn read_clip(path: &Path) -> Vec<f64> {
    let mut reader = hound::WavReader::open(path).unwrap_or_else(|e| panic!("{path:?}: {e}"));
    reader.samples::<f32>().map(|s| f64::from(s.expect("a sample"))).collect()
}

fn sine(frequency_hz: f64, peak: f64, seconds: f64) -> impl Iterator<Item = f64> {
    (0..(48_000.0 * seconds) as usize)
        .map(move |n| peak * (std::f64::consts::TAU * frequency_hz * n as f64 / 48_000.0).sin())
}

/// The tables of ngspice 39 in `tests/reference/harmonics`: within 0.1 dB where a harmonic is above
/// -60 dB of the fundamental, 1 dB down to -80 dB; phases within 1 degree of the loud ones.
#[test]
fn tone_prints_the_harmonics_of_the_reference_tables() {
    for (amp, stem, hz, peak) in [
        ("gain-stage.toml", "gain-stage-1000hz-0.5v", "1000", "0.5"),
        ("gain-stage.toml", "gain-stage-1000hz-5v", "1000", "5"),
        ("two-stage.toml", "two-stage-middle-25k-220hz-0.02v", "220", "20 mV"),
        ("two-stage.toml", "two-stage-middle-25k-220hz-1v", "220", "1 V"),
    ] {
        let table_file = here().join(format!("tests/reference/harmonics/{stem}.csv"));
        let expected = table::read(&table_file, "harmonic,peak_v,phase_deg_re_cos");
        let amp = fixture(amp);
        let csv = printed(&here(), &["tone", &amp, "--frequency", hz, "--peak", peak, "--csv"]);
        let mut lines = csv.lines();
        assert_eq!(lines.next(), Some("harmonic,peak_v,phase_deg_re_cos"));
        let got: Vec<Vec<f64>> =
            lines.map(|l| l.split(',').map(|v| v.parse().expect("a number")).collect()).collect();
        let mut held = 0;
        for k in 1..=10 {
            let relative = decibels(expected[k][1] / expected[1][1]);
            if relative < -80.0 {
                continue;
            }
            let off = decibels(got[k][1] / expected[k][1]);
            let limit = if relative > -60.0 { 0.1 } else { 1.0 };
            assert!(off.abs() <= limit, "{stem}, harmonic {k} at {relative:.1} dB: {off:+.3} dB");
            if relative > -60.0 {
                let turn = (got[k][2] - expected[k][2] + 540.0).rem_euclid(360.0) - 180.0;
                assert!(turn.abs() < 1.0, "{stem}, harmonic {k}: {turn:+.2} degrees");
            }
            held += 1;
        }
        assert!(held >= 2, "{stem}: {held} harmonics");
    }
}

/// At 1 mV the settled tone is the exact small-signal response, at the output and inside. The
/// coarsest quality turns the phase by up to half a degree there.
#[test]
fn a_tone_of_a_millivolt_is_the_response() {
    let cases = [
        ("larkspur-22", "LS1.pressure", "standard", 0.05),
        ("larkspur-22", "p1b", "draft", 0.5),
        ("sorrel-14", "LS1.pressure", "draft", 0.5),
    ];
    for (amp, node, quality, most_deg) in cases {
        let tone = json(
            &here(),
            &["tone", amp, "--peak", "0.001", "--quality", quality, "--json", "--at", node],
        );
        let csv =
            printed(&here(), &["response", amp, "--csv", "--frequencies", "220", "--at", node]);
        let row = csv.lines().nth(1).expect("a row").split(',');
        let row: Vec<f64> = row.map(|v| v.parse().expect("a number")).collect();
        let first = &tone["harmonics"][0];
        let gain_db = decibels(number(&first["peak_v"]) / 0.001);
        assert!((gain_db - row[1]).abs() < 0.02, "{amp}: {gain_db} against {} dB", row[1]);
        // The input is a sine: its phase against a cosine is -90 degrees.
        let phase = number(&first["phase_deg_re_cos"]) + 90.0;
        let turn = (phase - row[2] + 540.0).rem_euclid(360.0) - 180.0;
        assert!(turn.abs() < most_deg, "{amp}, {node}: {turn} degrees");
        assert_eq!(tone["steps_not_converged"], 0);
        assert_eq!(tone["settled"], true);
        assert_eq!(tone["schema"], "presolder-tone/1");
    }
}

/// A sine's RMS is its peak over the root of 2 (3.01 dB): of -20 dBFS peak, -23.01 dBFS RMS. Half of
/// a square wave at full scale is clipped for certain, and its crest is 0 dB while it lasts.
#[test]
fn level_measures_known_signals() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    write_clip(&at.join("sine.wav"), sine(1000.0, 0.1, 1.0));
    let level = json(at, &["level", "sine.wav", "--full-scale", "4 V", "--json"]);
    assert_eq!(level["schema"], "presolder-level/1");
    let root = std::f64::consts::SQRT_2;
    for (key, expected, within) in [
        ("seconds", 1.0, 1e-9),
        ("peak_dbfs", -20.0, 1e-3),
        ("peak_volts", 0.4, 1e-5),
        ("rms_volts", 0.4 / root, 1e-5),
        ("loudest_50_ms_rms_volts", 0.4 / root, 1e-4),
        ("crest_db", 10.0 * 2f64.log10(), 1e-3),
        ("samples_at_full_scale", 0.0, 0.0),
    ] {
        let got = number(&level[key]);
        assert!((got - expected).abs() <= within, "{key}: {got} instead of {expected}");
    }
    let square = (0..48_000).map(|n| match n {
        n if n >= 24_000 => 0.0,
        n if n / 50 % 2 == 0 => 1.0,
        _ => -1.0,
    });
    write_clip(&at.join("square.wav"), square);
    let level = json(at, &["level", "square.wav", "--json"]);
    assert_eq!(level["samples_at_full_scale"], 24_000);
    assert!((number(&level["crest_db"]) - 10.0 * 2f64.log10()).abs() < 1e-6);
    assert!((number(&level["loudest_50_ms_rms_volts"]) - 2.0).abs() < 1e-9);
    let said = printed(at, &["level", "square.wav"]);
    assert!(said.contains("24000 samples stand at full scale"), "{said}");
}

/// Each level that `breakup` names, given to `tone`, has the distortion that it is named for; the
/// curve rises from the small-signal gain; and the valve that is said to give way is the one whose
/// grid gets there in these two stages, where the second sees far more signal than the first.
#[test]
fn breakup_names_levels_where_tone_finds_that_distortion() {
    let amp = fixture("two-stage.toml");
    let found = json(&here(), &["breakup", &amp, "--quality", "draft", "--json"]);
    assert_eq!(found["schema"], "presolder-breakup/2");
    let case = &found["cases"][0];
    assert_eq!(case["steps_not_converged"], 0);
    for (k, percent) in [1.0, 3.0, 10.0].into_iter().enumerate() {
        let volts = number(&case["onset_volts"][k]);
        let peak = format!("{volts:.8}");
        let arguments = ["tone", &amp, "--peak", &peak, "--quality", "draft", "--json"];
        let thd = number(&json(&here(), &arguments)["thd_percent"]);
        assert!((thd / percent - 1.0).abs() < 0.01, "{thd} % instead of {percent} % at {volts} V");
        let stages = case["onsets"][k]["stages"].as_array().expect("stages");
        let share = |s: &Value| number(&s["share_of_distortion"]);
        let sum: f64 = stages.iter().map(share).sum();
        assert!((sum - 1.0).abs() < 1e-9, "shares add up to {sum}");
    }
    assert_eq!(case["first_stage"], "V2");
    let first = &case["levels"][0];
    let gain_db = decibels(number(&first["output_peak"]) / number(&first["input_peak_volts"]));
    assert!((gain_db - number(&case["small_signal_gain_db"])).abs() < 0.01, "{gain_db} dB");
}

/// Three stages one after the other distort by 1 % below the first level of the usual curve: the search goes
/// down for it, and `tone` finds that distortion there.
#[test]
fn breakup_below_a_millivolt_is_found_there() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut amp = "title = \"Three stages\"\ninput = \"g1\"\noutput = \"g4\"\n[supplies]\nht = \"300 V\"\n[parts]\n\
                   R1 = { kind = \"resistor\", value = \"1M\", between = [\"g1\", \"0\"] }\n"
        .to_owned();
    for k in 1..=3 {
        let next = k + 1;
        amp += &format!(
            "V{k} = {{ kind = \"triode\", type = \"12AX7\", plate = \"p{k}\", grid = \"g{k}\", cathode = \"k{k}\" }}\n\
             R{k}1 = {{ kind = \"resistor\", value = \"100k\", between = [\"ht\", \"p{k}\"] }}\n\
             R{k}2 = {{ kind = \"resistor\", value = \"1k5\", between = [\"k{k}\", \"0\"] }}\n\
             C{k}1 = {{ kind = \"capacitor\", value = \"22u\", between = [\"k{k}\", \"0\"] }}\n\
             C{k}2 = {{ kind = \"capacitor\", value = \"22n\", between = [\"p{k}\", \"g{next}\"] }}\n\
             R{k}3 = {{ kind = \"resistor\", value = \"1M\", between = [\"g{next}\", \"0\"] }}\n"
        );
    }
    std::fs::write(folder.path().join("three.toml"), amp).expect("written");
    let found = json(folder.path(), &["breakup", "three.toml", "--quality", "draft", "--json"]);
    let volts = number(&found["cases"][0]["onset_volts"][0]);
    assert!((1.1e-5..0.9e-3).contains(&volts), "{volts} V");
    let peak = format!("{volts:.10}");
    let arguments = ["tone", "three.toml", "--peak", &peak, "--quality", "draft", "--json"];
    let thd = number(&json(folder.path(), &arguments)["thd_percent"]);
    assert!((thd - 1.0).abs() < 0.01, "{thd} % at {volts} V");
}

/// What the valves' currents have over their linearisation, through the linear circuit, makes up the
/// harmonics at the output: two ways to the same figures, one by running the circuit in time, one by
/// the transfer impedances of the circuit at rest.
#[test]
fn the_shares_of_the_valves_make_up_the_distortion() {
    let mut cases = vec![];
    for (name, peak) in
        [("gain-stage.toml", 0.3), ("two-stage.toml", 0.02), ("two-stage.toml", 0.1)]
    {
        cases.push((AmpFile::read(Path::new(&fixture(name))).expect(name), peak));
    }
    cases.push((AmpFile::preset("larkspur-22").expect("a preset"), 0.04));
    for (amp, peak) in cases {
        let built = amp.state().circuit().expect("a circuit");
        let stages =
            Stages::new(&built.circuit, INPUT_PART, built.output, 48_000.0, Quality::Draft)
                .expect("a plan");
        let tones = stages.tone(220.0, peak, Patience::default()).expect("tones");
        let fundamental = tones.output.fundamental_volts();
        let mut held = 0;
        for (k, (heard, made)) in tones.harmonics.iter().enumerate() {
            if heard.norm() < 1e-4 * fundamental {
                continue;
            }
            let off = (heard - made).norm() / heard.norm();
            let name = amp.title();
            println!("{name}, {peak} V, harmonic {}: {off:.4}", k + 2);
            assert!(off < 0.03, "{name}, {peak} V, harmonic {}: {heard} heard, {made} made", k + 2);
            held += 1;
        }
        assert!(held > 0, "{}: no harmonic", amp.title());
        let sum: f64 = tones.shares().iter().map(|(_, share)| share).sum();
        assert!((sum - 1.0).abs() < 1e-9, "the stages' shares add up to {sum}");
        if amp.title() == "Larkspur 22" {
            let mut names: Vec<&str> = tones.shares().iter().map(|(stage, _)| *stage).collect();
            names.sort_unstable();
            assert_eq!(names, ["V1A", "V1B", "V2A+V2B", "V3+V4"]);
        }
        if let [only] = &tones.stages[..] {
            assert!((only.share - 1.0).abs() < 1e-9, "{only:?}");
            assert_eq!(only.stage, only.valve);
            assert!((only.thd_percent / tones.output.thd_percent() - 1.0).abs() < 0.05, "{only:?}");
        }
    }
}

/// A knob that moves in steps while a clip runs: the driven path and the linear one are aligned and
/// say the same of a small signal, and no step clicks.
#[test]
fn a_moving_knob_is_heard_on_both_paths_without_a_click() {
    const HZ: f64 = 220.0;
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    write_clip(&at.join("tone.wav"), sine(HZ, 1.0, 1.2));
    let amp = fixture("two-stage.toml");
    let job = format!(
        "title = \"Sweep\"\namp = {amp:?}\n\
         [[clips]]\nname = \"tone\"\nfile = \"tone.wav\"\npeak = \"1 mV\"\n\
         [[versions]]\nname = \"still\"\n\
         [[versions]]\nname = \"sweep\"\n\
         [versions.moves]\nmiddle = [[0, 0], [\"0.5 s\", 5], [\"0.8 s\", 10]]\n"
    );
    std::fs::write(at.join("job.toml"), job).expect("written");
    let clip = |out: &str, way: &[&str]| {
        let made = presolder(at, &[&["render", "job.toml", "--out", out], way].concat());
        let errors = String::from_utf8_lossy(&made.stderr);
        assert!(made.status.success(), "{errors}");
        let samples = read_clip(&at.join(out).join("as-loud-as-the-amp").join("tone--sweep.wav"));
        assert!(samples.len() > 57_600);
        samples
    };
    let driven = clip("driven", &["--quality", "draft"]);
    let linear = clip("linear", &["--linear"]);
    let peak = |x: &[f64]| x.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    // While the knob stands still both are the same: within a thousandth of the whole scale.
    for (from_s, to_s) in [(0.2, 0.5), (0.6, 0.8), (0.9, 1.2)] {
        let part = |x: &[f64]| x[(48e3 * from_s) as usize..(48e3 * to_s) as usize].to_vec();
        let (d, l) = (part(&driven), part(&linear));
        let apart: Vec<f64> = d.iter().zip(&l).map(|(d, l)| d - l).collect();
        assert!(peak(&apart) < 2e-3 * peak(&l), "{from_s} s: {} of {}", peak(&apart), peak(&l));
    }
    // The middle control's way is heard, and is louder the further it goes.
    let level = |s: f64| peak(&driven[(48e3 * s) as usize..(48e3 * (s + 0.05)) as usize]);
    assert!(level(0.45) < level(0.75) && level(0.75) < level(1.1), "the knob moves");
    // A click is a jump: twice differenced it stands out above the sine's own curvature, peak times
    // the square of 2 pi f / rate. (The last frames before the clip breaks off are left out.)
    let steady = level(1.1) * (std::f64::consts::TAU * HZ / 48e3).powi(2);
    for (name, samples) in [("driven", &driven), ("linear", &linear)] {
        let bent = samples[9600..57_500].windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).abs());
        let most = bent.fold(0.0, f64::max);
        assert!(most < 1.05 * steady, "{name}: {most} where the sine alone has {steady}");
    }
}

/// What a user can mend ends with status 2, one message that says what and where, and nothing written.
#[test]
fn bad_input_is_refused_with_one_message() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    let job = |clips: &str| {
        format!(
            "title = \"Work\"\namp = \"larkspur-22\"\n{clips}[[versions]]\nname = \"as received\"\n"
        )
    };
    std::fs::write(at.join("no-clips.toml"), job("")).expect("written");
    let negative = "[[clips]]\nfile = \"a.wav\"\npeak = \"-2 V\"\n\n";
    std::fs::write(at.join("negative.toml"), job(negative)).expect("written");
    std::fs::write(at.join("there.svg"), "old").expect("written");
    std::fs::write(at.join("text.wav"), "no sound").expect("written");
    let cases: [(&[&str], &[&str]); 20] = [
        (&["tone", "larkspur-22", "--frequency", "0"], &["\"0\" is no frequency", "10 to 10000"]),
        (&["tone", "larkspur-22", "--frequency", "30000"], &["30000", "10 to 10000"]),
        (&["tone", "larkspur-22", "--frequency", "nan"], &["nan"]),
        (&["tone", "larkspur-22", "--peak=-1"], &["\"-1\" is no level", "volts above 0"]),
        (&["tone", "larkspur-22", "--peak", "2 nF"], &["2 nF"]),
        (&["tone", "larkspur-22", "--at", "p1c"], &["p1c", "p1a"]),
        (&["tone", "larkspur-22", "--version", "proposed"], &["no versions", "proposed"]),
        (&["tone", "larkspur-22", "--quality", "finest"], &["finest", "standard"]),
        (&["tone", "no-clips.toml", "--version", "as recieved"], &["as received"]),
        (&["breakup", "larkspur-22", "--control", "midle"], &["midle"]),
        (&["breakup", "larkspur-22", "--control", "treble", "--step", "0"], &["\"0\" is no step"]),
        (&["breakup", "larkspur-22", "--step", "2"], &["--control"]),
        (&["breakup", "larkspur-22", "--frequency=-5"], &["-5"]),
        (&["breakup", "larkspur-22", "--svg", "there.svg"], &["there.svg", "--force"]),
        (&["breakup", "larkspur-22", "--distortion-svg", "there.svg"], &["there.svg", "--force"]),
        (&["level", "text.wav"], &["text.wav"]),
        (&["level", "text.wav", "--full-scale", "0"], &["\"0\" is no level"]),
        (&["render", "no-clips.toml", "--out", "out"], &["no clip to render", "[[clips]]"]),
        (&["render", "negative.toml", "--out", "out"], &["negative.toml", "peak"]),
        (
            &["render", "no-clips.toml", "--out", "out", "--linear", "--quality", "fair"],
            &["--linear"],
        ),
    ];
    for (arguments, named) in cases {
        let output = presolder(at, arguments);
        let message = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {message}");
        for word in named {
            assert!(message.contains(word), "{arguments:?}: {message}");
        }
        assert!(!message.contains("panicked"), "{message}");
        assert!(output.stdout.is_empty(), "{arguments:?} printed something");
    }
    assert_eq!(std::fs::read_to_string(at.join("there.svg")).expect("there"), "old");
    assert!(!at.join("out").exists());
}
