//! `dials`, `values` and `spread` as they are typed, on the amps that come with the program.

use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;

fn presolder(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_presolder"))
        .args(arguments)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("the program runs")
}

fn answer(arguments: &[&str]) -> String {
    let output = presolder(arguments);
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{arguments:?}: {complaint}");
    String::from_utf8(output.stdout).expect("UTF-8")
}

fn json(arguments: &[&str]) -> Value {
    serde_json::from_str(&answer(&[arguments, &["--json"]].concat())).expect("JSON")
}

fn refused(arguments: &[&str]) -> String {
    let output = presolder(arguments);
    assert_eq!(output.status.code(), Some(2), "{arguments:?}");
    String::from_utf8(output.stderr).expect("UTF-8")
}

const DEMO: &str = "presets/jobs/demo.toml";

// common practice, no source: about 10:00 of an added 25k linear pot is a fixed 6k8 leg as built.
// By the ratio of the resistances it is 2.72 of 10, 9:43.
#[test]
fn the_fixed_leg_of_the_small_amp_sits_on_the_added_knob() {
    let found = json(&["dials", DEMO, "--positions", "3"]);
    let mark = found["as_built"]["position"].as_f64().expect("a number");
    assert!((mark - 2.72).abs() < 0.01, "{mark}");
    assert_eq!(found["as_built"]["clock"], "9:43");
    assert_eq!(found["as_built"]["likeness"], "same");
}

// common practice, no source: 12:00 of the added 25k is about the full 10k middle of the
// three-control amp, and a little under 9:00 about its middle at half; here on whole amps, whose
// treble and bass are free.
#[test]
fn the_added_knob_maps_onto_the_larger_amp() {
    let found = json(&[
        "dials",
        "tamarack-85",
        "--control",
        "middle",
        "--positions",
        "3",
        "larkspur-22",
        "--free",
        "treble,bass",
    ]);
    let rows = found["rows"].as_array().expect("rows");
    assert_eq!(rows.len(), 3);
    for row in rows {
        for key in ["shape_db", "level_db", "whole_db"] {
            assert!(row[key].as_f64().expect("a number").is_finite());
        }
        let whole = row["whole_db"].as_f64().expect("a number");
        let parts = row["shape_db"]
            .as_f64()
            .expect("a number")
            .hypot(row["level_db"].as_f64().expect("a number"));
        assert!((whole - parts).abs() < 1e-9);
    }
}

#[test]
fn an_amp_equals_itself() {
    let found =
        json(&["dials", "larkspur-22", "larkspur-22", "--control", "treble", "--positions", "5"]);
    for row in found["rows"].as_array().expect("rows") {
        let (here, there) = (row["here"].as_f64(), row["there"][0]["position"].as_f64());
        assert!((here.expect("a number") - there.expect("a number")).abs() < 1e-3, "{row}");
        assert_eq!(row["likeness"], "same");
    }
    assert!(found["ends"].as_array().expect("a list").is_empty());
}

/// A stack alone, by its parts: the source that feeds it, the two lower capacitors, and the rest.
fn stack(source: &str, middle: &str, rest: &str, knobs: &str) -> String {
    format!(
        "title = \"A stack\"\ninput = \"jack\"\noutput = \"out\"\n\n[parts]\n\
         R1 = {{ kind = \"resistor\", value = \"{source}\", between = [\"jack\", \"p\"] }}\n\
         R4 = {{ kind = \"resistor\", value = \"1M\", between = [\"out\", \"ground\"] }}\n\
         C4 = {{ kind = \"capacitor\", value = \"100p\", between = [\"out\", \"ground\"] }}\n\
         C2 = {{ kind = \"capacitor\", value = \"22n\", between = [\"s\", \"b\"] }}\n\
         C3 = {{ kind = \"capacitor\", value = \"22n\", between = [\"s\", \"{middle}\"] }}\n\
         VR1 = {{ kind = \"pot\", value = \"250k\", hot = \"t\", wiper = \"out\", cold = \"b\" }}\n\
         {rest}\n[controls]\ntreble = {{ pot = \"VR1\", taper = \"linear\" }}\n\
         bass = {{ pot = \"VR2\", taper = \"linear\" }}\n{knobs}"
    )
}

// common practice, no source: two capacitors do not make a plate-fed stack a follower-fed one. The
// figures come from an independent search (another program, other points in the same band).
#[test]
fn two_capacitors_are_not_called_a_match() {
    let folder = tempfile::tempdir().expect("a folder");
    let plate = stack(
        "38k",
        "m",
        "C1 = { kind = \"capacitor\", value = \"250p\", between = [\"p\", \"t\"] }\n\
         R2 = { kind = \"resistor\", value = \"100k\", between = [\"p\", \"s\"] }\n\
         R3 = { kind = \"resistor\", value = \"6k8\", between = [\"m\", \"ground\"] }\n\
         VR2 = { kind = \"rheostat\", value = \"250k\", between = [\"b\", \"m\"] }\n",
        "",
    );
    let follower = stack(
        "600R",
        "w",
        "C1 = { kind = \"capacitor\", value = \"470p\", between = [\"p\", \"t\"] }\n\
         R2 = { kind = \"resistor\", value = \"33k\", between = [\"p\", \"s\"] }\n\
         VR2 = { kind = \"rheostat\", value = \"1M\", between = [\"b\", \"m\"] }\n\
         VR3 = { kind = \"pot\", value = \"25k\", hot = \"m\", wiper = \"w\", cold = \"ground\" }\n",
        "middle = { pot = \"VR3\", taper = \"linear\" }\n",
    );
    let [here, there] = [("follower.toml", follower), ("plate.toml", plate)].map(|(name, text)| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).expect("an amp file");
        path.to_str().expect("UTF-8").to_owned()
    });
    let typed = [
        "dials",
        &here,
        &there,
        "--control",
        "middle",
        "--free",
        "treble,bass",
        "--positions",
        "3",
        "--parts",
    ];
    let found = json(&typed);
    let row = &found["rows"][1];
    let figure = |key: &str| row[key].as_f64().expect("a number");
    assert!((figure("shape_db") - 0.84).abs() < 0.03, "{row}");
    assert!((figure("level_db") + 11.0).abs() < 0.2, "{row}");
    assert_ne!(row["likeness"], "same");
    let words = found["words"].as_array().expect("words");
    let said: Vec<&str> = words.iter().map(|w| w.as_str().expect("text")).collect();
    assert!(
        said.iter().any(|w| w.starts_with("No match") || w.starts_with("Nothing there")),
        "{said:?}"
    );
    assert!(said.iter().any(|w| w.contains("dB lower")), "{said:?}");
    let part = said.iter().find(|w| w.contains("The single part there that helps most is"));
    let part = part.expect("the part");
    assert!(part.contains("brings the whole difference from"), "{part}");
    // Without a level offset nothing fits at all.
    let strict = json(&[&typed[..], &["--no-level-offset"]].concat());
    let row = &strict["rows"][1];
    assert!(row["whole_db"].as_f64().expect("a number") > 8.0, "{row}");
    assert_eq!(row["likeness"], "closest");
}

#[test]
fn plots_and_clips_are_written_and_not_overwritten() {
    let folder = tempfile::tempdir().expect("a folder");
    let (svg, wav) = (folder.path().join("a.svg"), folder.path().join("a.wav"));
    let [svg, wav] = [&svg, &wav].map(|p: &std::path::PathBuf| p.to_str().expect("UTF-8"));
    let typed = [
        "dials",
        "larkspur-22",
        "larkspur-22",
        "--control",
        "bass",
        "--positions",
        "3",
        "--svg",
        svg,
        "--listen",
        wav,
    ];
    let told = answer(&typed);
    // The same amp at the same place: nothing is left of loudness.
    assert!(
        told.contains("loudness left +0.00 LU") || told.contains("loudness left -0.00 LU"),
        "{told}"
    );
    assert!(std::fs::read_to_string(svg).expect("a plot").contains("<svg"));
    let clip = presolder::audio::read_wav(Path::new(wav), presolder::audio::ChannelChoice::Mix)
        .expect("a clip");
    // Three pairs of 2.4 s with 0.4 s of rest.
    assert!((clip.duration_s() - 3.0 * (2.0 * 2.4 + 0.4)).abs() < 0.01, "{}", clip.duration_s());
    let told = refused(&typed);
    assert!(told.contains("is there already"), "{told}");
}

#[test]
fn values_are_found_and_can_be_pasted() {
    let found = json(&["values", DEMO]);
    assert_eq!(found["method"], "exhaustive");
    let best = &found["answers"][0];
    assert_eq!(best["miss_db"].as_f64(), Some(0.0), "{best}");
    // What is pasted is a version of the job.
    let job =
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(DEMO)).expect("a job");
    let at = job.find("[compare]").expect("a section");
    let pasted = format!(
        "{}{}\n{}",
        &job[..at],
        found["version_to_paste"].as_str().expect("a version"),
        &job[at..]
    );
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("presets/jobs");
    let job = presolder::amp::Job::parse(&pasted, "pasted", &folder).expect("a job that reads");
    let state = job.version("values found").expect("the version");
    let parts = found["parts"].as_array().expect("names");
    for (part, value) in parts.iter().zip(best["values"].as_array().expect("values")) {
        let presolder::amp::PartKind::Capacitor { value: farads, .. } =
            state.parts()[part.as_str().expect("a name")].kind
        else {
            panic!("{part}")
        };
        assert!((farads.0 / value.as_f64().expect("a number") - 1.0).abs() < 1e-9);
    }
}

#[test]
fn the_same_seed_gives_the_same_spread() {
    let run = |seed: &str| {
        answer(&[
            "spread",
            "larkspur-22",
            "--draws",
            "20",
            "--points",
            "20",
            "--csv",
            "--seed",
            seed,
        ])
    };
    let one = run("4");
    assert_eq!(one, run("4"));
    assert_ne!(one, run("5"));
    assert_eq!(one.lines().count(), 21);
}

#[test]
fn a_job_is_drawn_before_and_after() {
    let found = json(&["spread", DEMO, "--draws", "20", "--points", "40"]);
    let sentence = found["sentence"].as_str().expect("a sentence");
    assert!(sentence.contains("the parts' own spread"), "{sentence}");
    let trim = &found["change"]["trim"];
    assert!(trim["lost_db"].as_f64().expect("a number") > 6.0, "{trim}");
    let shares = found["change"]["exceeds"].as_array().expect("shares");
    assert!(shares.iter().all(|s| (0.0..=1.0).contains(&s.as_f64().expect("a number"))));
}

#[test]
fn what_cannot_be_asked_is_refused() {
    for (typed, told) in [
        (vec!["dials", "larkspur-22", "tamarack-85"], "which control?"),
        (
            vec!["dials", "larkspur-22", "tamarack-85", "--control", "trebel"],
            "did you mean treble?",
        ),
        (
            vec!["dials", "tamarack-85", "larkspur-22", "--control", "middle"],
            "has no control middle",
        ),
        (
            vec!["dials", "tamarack-85", "larkspur-22", "--control", "treble", "--low", "9000"],
            "two rising frequencies",
        ),
        (vec!["dials", "nowhere", "larkspur-22", "--control", "treble"], "nowhere"),
        (vec!["values", "larkspur-22"], "this is an amp"),
        (vec!["spread", "larkspur-22", "--draws", "2"], "give 20 to"),
    ] {
        let complaint = refused(&typed);
        assert!(complaint.contains(told), "{typed:?}: {complaint}");
    }
}

/// A job with a slip in one of the sections: the line and the right name are told.
#[test]
fn slips_in_the_sections_are_told_with_their_line() {
    let job = |section: &str| {
        let text = format!(
            "title = \"t\"\namp = \"larkspur-22\"\n\n[[versions]]\nname = \"as received\"\n\n{section}"
        );
        presolder::amp::Job::parse(&text, "job.toml", Path::new(".")).unwrap_err().to_string()
    };
    for (section, told) in [
        ("[dials]\ncontrl = \"treble\"", "did you mean control?"),
        ("[dials]\ncontrol = \"trebel\"", "did you mean treble?"),
        ("[dials]\nversion = \"as recieved\"", "did you mean as received?"),
        ("[dials]\nband = [\"6 kHz\", \"70 Hz\"]", "two rising frequencies"),
        ("[dials]\nweights = [[\"6 kHz\", 1], [\"70 Hz\", 1]]", "weights rise in frequency"),
        ("[dials]\nsame = \"0 dB\"", "above 0 dB"),
        ("[dials]\nfree = [\"trebel\"]", "did you mean treble?"),
        ("[values.parts]\nC77 = {}", "there is no part C77"),
        ("[[values.goals]]\nat = \"30 Hz\"", "down_at_least or down_at_most"),
        ("[[values.goals]]\ncorner = \"30 Hz\"\nat = \"30 Hz\"", "one of the keys"),
        (
            "[[values.goals]]\nat = \"30 Hz\"\nthan = \"x\"\ndown_at_most = \"1 dB\"",
            "no version \"x\"",
        ),
        ("[spread]\ndistribution = \"normall\"", "did you mean normal?"),
        ("[spread.tolerances]\nC77 = \"5 %\"", "has a part C77"),
        ("[spread.tolerances]\nC7 = \"100 %\"", "below 100 %"),
    ] {
        let complaint = job(section);
        assert!(complaint.contains(told), "{section}: {complaint}");
        assert!(complaint.starts_with("job.toml:"), "{complaint}");
    }
}
