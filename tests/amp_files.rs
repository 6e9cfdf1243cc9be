//! Amp files and job files: what is read is what is meant, and it can be written again.

use std::path::Path;

use presolder::amp::{AmpFile, AmpState, Change, Job, PartKind, Scalar, VersionSpec, What};
use presolder::circuit::{Kind, LinearCircuit, OperatingPoint};
use presolder::units::{Farads, Hertz, Ohms, Percent, Position, Seconds, Volts};

/// Every kind of part and every key at least once.
const AMP: &str = r#"
title = "Bench"
notes = "Every kind of part, once."
input = "jack"
output = "LS1.pressure"

[supplies]
ht = "300 V"
bias = -20

[parts.R1]
kind = "resistor"
value = "1M"
between = ["jack", "ground"]
construction = "metal film"
rating = ["0.5 W", "350 V"]
purpose = "input grid leak"

[parts]
R2 = { kind = "resistor", value = 470, between = ["ht", "plate"], tolerance = "5 %" }
C1 = { kind = "capacitor", value = "22n", between = ["plate", "hot"], construction = "film", rating = "400 V" }
VR1 = { kind = "pot", value = "1M", hot = "hot", wiper = "grid2", cold = "0", end = 10 }
VR2 = { kind = "rheostat", value = "25k", between = ["k1", "0"], set = "40 %" }
V1 = { kind = "triode", type = "12AX7", plate = "plate", grid = "jack", cathode = "k1" }
V2 = { kind = "pentode", type = "6V6GT", plate = "p2", screen = "ht", grid = "grid2", cathode = "k2" }
L1 = { kind = "inductor", value = "10 mH", between = ["k2", "k2b"], resistance = "4R7" }
R3 = { kind = "resistor", value = "470R", between = ["k2b", "0"] }
D1 = { kind = "diode", anode = "0", cathode = "plate", saturation = "2 nA", emission = 1.8 }
B1 = { kind = "source", value = "-1.5 V", between = ["tilt", "0"] }
R4 = { kind = "resistor", value = "10M", between = ["tilt", "grid2"] }
R5 = { kind = "resistor", value = "1M", between = ["bias", "grid2"] }
T1 = { kind = "transformer", coupling = 0.999, windings = [
    { name = "primary", between = ["ht", "p2"], inductance = "5 H", resistance = "200" },
    { name = "secondary", between = ["tap8", "0"], inductance = "8 mH" },
] }
LS1 = { kind = "speaker", model = "open-one-twelve", between = ["tap8", "0"], purpose = "the speaker" }

[controls.volume]
label = "Volume"
pot = "VR1"
taper = "audio 15 %"
position = "12:00"
"#;

fn bench() -> AmpFile {
    AmpFile::parse(AMP, "bench.toml").unwrap_or_else(|e| panic!("{e}"))
}

fn job(versions: &str) -> Job {
    let text = format!("title = \"Work\"\namp = \"bench.toml\"\n{versions}");
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("bench.toml"), AMP).unwrap();
    Job::parse(&text, "work.toml", folder.path()).unwrap_or_else(|e| panic!("{e}"))
}

#[test]
fn every_kind_of_part_is_read() {
    let amp = bench();
    let parts = amp.state().parts();
    assert_eq!(parts.len(), 15);
    // The order is that of the file.
    assert_eq!(parts.keys().take(3).collect::<Vec<_>>(), ["R1", "R2", "C1"]);
    let r1 = &parts["R1"];
    assert!(matches!(&r1.kind, PartKind::Resistor { value: Ohms(1e6), .. }));
    assert_eq!(r1.rating.watts.map(|w| w.0), Some(0.5));
    assert_eq!(r1.rating.volts, Some(Volts(350.0)));
    assert_eq!(r1.tolerance, Percent(1.0), "usual for metal film");
    assert_eq!(r1.purpose, "input grid leak");
    assert_eq!(r1.line, Some(11));
    assert_eq!(parts["R2"].tolerance, Percent(5.0));
    assert_eq!(parts["R3"].tolerance, Percent(10.0), "usual for a resistor");
    assert_eq!(parts["VR1"].tolerance, Percent(20.0), "usual for a pot");
    assert!(matches!(parts["C1"].kind, PartKind::Capacitor { value: Farads(22e-9), .. }));
    let control = amp.state().control("volume").unwrap();
    assert_eq!((control.label.as_str(), control.position), ("Volume", Position::HALF));
}

#[test]
fn the_circuit_has_the_parts_of_the_file() {
    let amp = bench();
    let built = amp.state().circuit().unwrap();
    let circuit = &built.circuit;
    let Some(Kind::Source { plus, volts: 0.0, .. }) = circuit.part("IN").map(|p| &p.kind) else {
        panic!("no input");
    };
    assert_eq!((circuit.node_name(*plus), *plus), ("jack", built.input_node));
    assert_eq!(circuit.node_name(built.output), "LS1.pressure");
    let Some(Kind::Source { volts: -20.0, .. }) = circuit.part("supply bias").map(|p| &p.kind)
    else {
        panic!("no bias");
    };
    // Audio taper, 15 % at half travel.
    let Some(Kind::Potentiometer { fraction, end_ohms: 10.0, .. }) =
        circuit.part("VR1").map(|p| &p.kind)
    else {
        panic!("no pot");
    };
    assert!((fraction - 0.15).abs() < 1e-12);
    assert!(matches!(circuit.part("VR2").unwrap().kind, Kind::Rheostat { fraction: 0.4, .. }));
    // A coil with resistance is two parts, both of them L1.
    assert!(matches!(circuit.part("L1.R").unwrap().kind, Kind::Resistor { ohms: 4.7, .. }));
    for inner in ["L1", "L1.R", "LS1.Re", "T1"] {
        let (owner, _) = built.owner(inner).unwrap();
        assert_eq!(owner, inner.split('.').next().unwrap());
    }
    assert!(built.owner("IN").is_none());
    assert_eq!(built.speakers[0].designator, "LS1");
    assert!(built.speakers[0].range_of_use.lowest_hz > 30.0);
    OperatingPoint::solve(circuit).unwrap();
    assert_eq!(
        built.node("plat").unwrap_err().to_string(),
        "bench.toml: there is no node plat; did you mean plate?"
    );
}

#[test]
fn a_turned_knob_is_the_same_as_a_circuit_built_with_it() {
    let amp = bench();
    let mut turned = amp.state().circuit().unwrap();
    for (at, fraction) in [("7:00", 0.0), ("10:00", 0.058_866), ("5:00", 1.0)] {
        let position: Position = at.parse().unwrap();
        turned.turn("volume", position).unwrap();
        let built = amp.state().with_position("volume", position).unwrap().circuit().unwrap();
        let kinds = [&turned, &built].map(|b| format!("{:?}", b.circuit.part("VR1").unwrap().kind));
        assert_eq!(kinds[0], kinds[1]);
        let Kind::Potentiometer { fraction: f, .. } = turned.circuit.part("VR1").unwrap().kind
        else {
            panic!("no pot");
        };
        // (b^x - 1)/(b - 1) with b = (1/0.15 - 1)^2 = 32.1111, x = 3/10 at 10:00.
        assert!((f - fraction).abs() < 1e-6, "{f} {fraction}");
    }
    assert!(turned.turn("volum", Position::MIN).is_err());
}

#[test]
fn reading_what_was_written_gives_the_same_amp() {
    let amp = bench();
    let text = amp.state().to_toml().unwrap();
    let again = AmpFile::parse(&text, "bench.toml").unwrap_or_else(|e| panic!("{e}\n{text}"));
    assert_eq!(again.state().to_toml().unwrap(), text);
    assert_eq!(amp.state().differences_to(again.state()), []);
    let circuits = [&amp, &again].map(|a| format!("{:?}", a.state().circuit().unwrap().circuit));
    assert_eq!(circuits[0], circuits[1]);
}

const VERSIONS: &str = r#"
[[clips]]
file = "clips/strum.wav"
peak = "0.5 V"

[[versions]]
name = "as received"

[[versions]]
name = "proposed"
note = "less below the speaker's range, and a middle control"
remove = ["VR2", "D1"]

[versions.change]
C1 = "4n7"
R1 = { value = "2M2", rating = "1 W" }
V1 = "12AY7"
LS1 = "open-one-ten"
R3 = { between = ["k2b", "tap8"] }

[versions.add]
R9 = { kind = "resistor", value = "1k5", between = ["k1", "0"], purpose = "cathode bias" }
VR3 = { kind = "pot", value = "25k", hot = "plate", wiper = "sweep", cold = "0" }
R10 = { kind = "resistor", value = "1M", between = ["sweep", "grid2"] }

[versions.supplies]
ht = "280 V"

[versions.controls.sweep]
pot = "VR3"
taper = "linear"

[versions.positions]
volume = "2:00"

[versions.moves]
sweep = [[0, 2], ["1.5 s", "1:00"]]

[[versions]]
name = "bolder"
based_on = "proposed"
change = { C1 = "2n2" }
positions = { sweep = 7 }

[compare]
after = "proposed"

[trim]
trimmed_by_at_least = "10 dB"
"#;

#[test]
fn versions_change_add_and_remove() {
    let job = job(VERSIONS);
    assert_eq!(job.version_names().collect::<Vec<_>>(), ["as received", "proposed", "bolder"]);
    assert_eq!(
        (job.compare.before.as_str(), job.compare.after.as_str()),
        ("as received", "proposed")
    );
    assert_eq!((job.trim.trimmed_by_at_least.0, job.trim.below), (10.0, Hertz(30.0)));
    assert_eq!((job.clips[0].name.as_str(), job.clips[0].peak), ("strum", Volts(0.5)));
    assert!(job.clips[0].path.ends_with("clips/strum.wav"));

    let before = job.version("as received").unwrap();
    let after = job.version("proposed").unwrap();
    let words: Vec<String> = before.differences_to(after).iter().map(ToString::to_string).collect();
    assert_eq!(
        words,
        [
            "R1: 1M -> 2M2",
            "R1: 0.5 W, 350 V, metal film, tolerance 1 % -> 1 W, metal film, tolerance 1 %",
            "C1: 22n -> 4n7",
            "VR2: removed, was 25k rheostat",
            "V1: 12AX7 -> 12AY7",
            "R3: connected k2b - 0 -> k2b - tap8",
            "D1: removed, was diode 2 nA",
            "LS1: open-one-twelve -> open-one-ten",
            "R9: added, 1k5 resistor",
            "VR3: added, 25k pot",
            "R10: added, 1M resistor",
            "supply ht: 300 V -> 280 V",
            "Volume: 5.0 (12:00) -> 7.0 (2:00)",
            "sweep: added, linear on VR3, at 5.0 (12:00)",
            "sweep while a clip plays: 2.0 (9:00) from 0 s, 6.0 (1:00) from 1.5 s",
        ]
    );
    assert_eq!(
        after.moves()["sweep"],
        [(Seconds(0.0), "2".parse().unwrap()), (Seconds(1.5), "6".parse().unwrap())]
    );
    let bolder = job.version("bolder").unwrap();
    let words: Vec<String> = after.differences_to(bolder).iter().map(ToString::to_string).collect();
    assert_eq!(words, ["C1: 4n7 -> 2n2", "sweep: 5.0 (12:00) -> 7.0 (2:00)"]);
    assert_eq!(bolder.note(), "", "a note belongs to its version alone");
    assert_eq!(
        job.version("propsed").unwrap_err().to_string(),
        "work.toml: versions: there is no version \"propsed\"; did you mean proposed?"
    );
}

#[test]
fn a_version_can_be_pasted_back() {
    let read = job(VERSIONS);
    for name in ["as received", "proposed"] {
        let text = read.version_spec(name).unwrap().to_toml().unwrap();
        let again = job(&text);
        let states: [&AmpState; 2] = [read.version(name).unwrap(), again.version(name).unwrap()];
        assert_eq!(again.version_spec(name).unwrap(), read.version_spec(name).unwrap());
        assert_eq!(states[0].to_toml().unwrap(), states[1].to_toml().unwrap());
    }
    // A version that a program makes.
    let mut found = VersionSpec { name: "found".to_owned(), ..VersionSpec::default() };
    found.change.insert("C1".to_owned(), Change::Value(Scalar(Farads(10e-9).to_string())));
    assert_eq!(
        found.to_toml().unwrap(),
        "[[versions]]\nname = \"found\"\n\n[versions.change]\nC1 = \"10n\"\n"
    );
    assert_eq!(
        job(&found.to_toml().unwrap()).version("found").unwrap().parts()["C1"].kind.to_string(),
        "10n"
    );
}

#[test]
fn the_digest_follows_the_sound() {
    let digest = |text: &str| job(text).digest().unwrap();
    let one = digest(VERSIONS);
    assert_eq!(one, digest(VERSIONS));
    assert_eq!(one.len(), 19);
    // Words do not matter, values do.
    assert_eq!(one, digest(&VERSIONS.replace("less below", "nothing below")));
    for (from, to) in
        [("4n7", "3n3"), ("0.5 V", "0.6 V"), ("\"2:00\"", "\"2:30\""), ("\"1:00\"", "\"1:30\"")]
    {
        assert_ne!(one, digest(&VERSIONS.replace(from, to)), "{from}");
    }
}

#[test]
fn versions_of_another_amp() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("bench.toml"), AMP).unwrap();
    std::fs::write(folder.path().join("other.toml"), AMP.replace("Bench", "Other")).unwrap();
    let text = "title = \"T\"\namp = \"bench.toml\"\n[[versions]]\nname = \"here\"\n\
                [[versions]]\nname = \"there\"\namp = \"other.toml\"\nchange = { C1 = \"1n\" }\n";
    let job = Job::parse(text, "work.toml", folder.path()).unwrap();
    let differences = job.version("here").unwrap().differences_to(job.version("there").unwrap());
    assert_eq!(differences.len(), 1);
    assert_eq!(differences[0].what, What::Amp);
    assert_eq!(differences[0].to_string(), "amp: Bench -> Other");
}

#[test]
fn files_of_valves_and_speakers_stand_beside_the_amp() {
    let folder = tempfile::tempdir().unwrap();
    let presets = Path::new(env!("CARGO_MANIFEST_DIR")).join("presets");
    let valve = std::fs::read_to_string(presets.join("valves/12AX7.toml")).unwrap();
    let valve = valve.replacen("type = \"12AX7\"", "type = \"own\"", 1).replacen(
        "aliases = [\"ECC83\", \"7025\"]",
        "aliases = []",
        1,
    );
    std::fs::write(folder.path().join("own.toml"), valve).unwrap();
    std::fs::copy(presets.join("speakers/open-one-ten.toml"), folder.path().join("cab.toml"))
        .unwrap();
    let text = AMP
        .replace("input = \"jack\"", "input = \"jack\"\nvalve_files = [\"own.toml\"]")
        .replace("\"12AX7\"", "\"own\"")
        .replace("\"open-one-twelve\"", "\"cab.toml\"");
    let path = folder.path().join("amp.toml");
    std::fs::write(&path, text).unwrap();
    let amp = AmpFile::read(&path).unwrap();
    assert_eq!(amp.state().parts()["V1"].kind.to_string(), "own");
    assert_eq!(amp.state().circuit().unwrap().speakers.len(), 1);
}

/// A pot's gain is its share of the track: the whole way from file to response.
#[test]
fn a_divider_from_a_file_divides() {
    let text = "title = \"Divider\"\ninput = \"in\"\noutput = \"out\"\n[parts]\n\
                VR1 = { kind = \"pot\", value = \"10k\", hot = \"in\", wiper = \"out\", cold = \"0\" }\n\
                [controls]\nlevel = { pot = \"VR1\", taper = \"reverse audio 10 %\", position = \"50 %\" }\n";
    let amp = AmpFile::parse(text, "divider.toml").unwrap();
    let built = amp.state().circuit().unwrap();
    let linear = LinearCircuit::of(&built.circuit).unwrap();
    let gain = linear.transfer("IN", built.output).unwrap().gain(1000.0).unwrap();
    assert!((gain.re - 0.9).abs() < 1e-9 && gain.im.abs() < 1e-9, "{gain}");
}

fn documentation() -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/files.md");
    std::fs::read_to_string(path).unwrap()
}

/// The examples of the documentation are files that read.
#[test]
fn the_documented_examples_read() {
    let text = documentation();
    let examples: Vec<&str> = text
        .split("```toml\n")
        .skip(1)
        .map(|rest| rest.split("```").next().unwrap())
        .filter(|example| example.contains("title ="))
        .collect();
    let [amp, job] = examples[..] else { panic!("{} examples", examples.len()) };
    AmpFile::parse(amp, "files.md").unwrap_or_else(|e| panic!("{e}"));
    let job = Job::parse(job, "files.md", Path::new(".")).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(job.version_names().count(), 2);
}

/// Every key that is read is described.
#[test]
fn every_key_is_documented() {
    use presolder::amp::{ControlSpec, PartSpec, WindingSpec};
    use serde::de::DeserializeOwned;
    fn keys<T: DeserializeOwned>() -> Vec<String> {
        // A key that nothing has: the complaint lists those that there are.
        let complaint = toml::from_str::<T>("zzz = 1").err().map(|e| e.message().to_owned());
        let complaint = complaint.unwrap_or_default();
        complaint.split('`').skip(3).step_by(2).map(ToOwned::to_owned).collect()
    }
    let text = documentation();
    let all =
        [keys::<PartSpec>(), keys::<ControlSpec>(), keys::<VersionSpec>(), keys::<WindingSpec>()];
    assert!(all.iter().all(|keys| keys.len() >= 4));
    for key in all.iter().flatten() {
        assert!(
            text.contains(&format!("`{key}`"))
                || text.contains(&format!("{key} ="))
                || text.contains(&format!("{key},")),
            "{key}"
        );
    }
}
