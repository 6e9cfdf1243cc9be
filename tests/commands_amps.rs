//! `presolder amps` and `presolder new`, as a user runs them.

use std::path::Path;
use std::process::{Command, Output};

use presolder::amp::{AmpFile, Job, amp_names};
use presolder::circuit::OperatingPoint;

fn run(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_presolder"))
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

#[test]
fn amps_are_listed_and_shown() {
    let folder = tempfile::tempdir().unwrap();
    let list = run(folder.path(), &["amps"]);
    assert!(list.status.success());
    let list = text(&list.stdout);
    assert_eq!(list.lines().count(), 1 + amp_names().count(), "{list}");
    for name in amp_names() {
        let amp = AmpFile::preset(name).unwrap();
        assert!(list.contains(name) && list.contains(amp.title()), "{list}");
        let shown = run(folder.path(), &["amps", name]);
        assert!(shown.status.success(), "{}", text(&shown.stderr));
        let shown = text(&shown.stdout);
        for (part, _) in amp.state().parts() {
            let mut words = shown.lines().filter_map(|l| l.split_whitespace().next());
            assert!(words.any(|w| w == part), "{part}\n{shown}");
        }
        for control in amp.state().controls().values() {
            assert!(shown.contains(&control.label));
        }
        assert!(shown.contains("lethal voltages"));
    }
}

/// The figures shown are those of the operating point.
#[test]
fn the_valves_shown_stand_where_the_circuit_says() {
    let name = amp_names().next().unwrap();
    let amp = AmpFile::preset(name).unwrap();
    let built = amp.state().circuit().unwrap();
    let point = OperatingPoint::solve(&built.circuit).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let shown = text(&run(folder.path(), &["amps", name]).stdout);
    let chapter = shown.split("Supplies and valves at rest").nth(1).unwrap();
    let row = chapter.lines().find(|l| l.trim_start().starts_with("V1A")).unwrap();
    let watts = point.part("V1A").unwrap().watts;
    let said = format!("{:.3}", presolder::units::Watts(watts));
    assert!(row.contains(&said), "{row}: {said}");
}

/// A part whose file gives no rating is not said to keep within it, and a valve that is too hot is said to be.
#[test]
fn ratings_are_told_of_parts_that_have_them() {
    let folder = tempfile::tempdir().unwrap();
    let shown = |ratings: [&str; 2]| {
        let [of_r2, of_c1] = ratings;
        // 300 V across 68 ohms and a conducting valve; the grid at its cathode.
        let amp = format!(
            "title = \"Hot\"\ninput = \"in\"\noutput = \"p\"\n[supplies]\nsupply = \"300 V\"\n[parts]\n\
             R1 = {{ kind = \"resistor\", value = \"1M\", between = [\"in\", \"0\"] }}\n\
             R2 = {{ kind = \"resistor\", value = \"68\", between = [\"supply\", \"p\"]{of_r2} }}\n\
             C1 = {{ kind = \"capacitor\", value = \"1u\", between = [\"p\", \"0\"]{of_c1} }}\n\
             V1 = {{ kind = \"pentode\", type = \"6V6GT\", plate = \"p\", screen = \"supply\", \
             grid = \"in\", cathode = \"0\" }}\n"
        );
        std::fs::write(folder.path().join("hot.toml"), amp).unwrap();
        let output = run(folder.path(), &["amps", "hot.toml"]);
        assert!(output.status.success(), "{}", text(&output.stderr));
        text(&output.stdout)
    };
    let none = shown(["", ""]);
    // 12 W and 315 V on the plate, 2 W and 285 V on the screen.
    let above = |electrode, unit| {
        none.lines().any(|l| {
            l.starts_with(&format!("  above its limit: V1, {electrode} at ")) && l.ends_with(unit)
        })
    };
    assert!(above("plate", " of at most 12 W") && above("screen", " of at most 285 V"), "{none}");
    assert!(none.contains("  no part has a rating in the file\n"), "{none}");
    let some = shown([", rating = \"50 W\"", ""]);
    assert!(some.contains("  every part with a rating bears less than half of it\n"), "{some}");
    assert!(some.contains("  not looked at, for want of a rating: R1, C1\n"), "{some}");
    let hot = shown([", rating = \"0.25 W\"", ", rating = \"100 V\""]);
    assert_eq!(hot.matches("above its rating").count(), 2, "{hot}");
    assert!(hot.contains("  not looked at, for want of a rating: R1\n"), "{hot}");
}

#[test]
fn a_new_folder_holds_a_job_that_reads() {
    let folder = tempfile::tempdir().unwrap();
    for amp in amp_names() {
        let made = run(folder.path(), &["new", amp, "--amp", amp]);
        assert!(made.status.success(), "{}", text(&made.stderr));
        let job = Job::read(&folder.path().join(amp).join("job.toml")).unwrap();
        assert_eq!(job.version_names().collect::<Vec<_>>(), ["as received", "proposed"]);
        let [before, after] = ["as received", "proposed"].map(|v| job.version(v).unwrap());
        assert_eq!(before.differences_to(after).len(), 1, "one change to hear");
        assert!(job.clips[0].path.exists());
        let preset = AmpFile::preset(amp).unwrap();
        assert_eq!(job.amp.state().to_toml().unwrap(), preset.state().to_toml().unwrap());
    }
    // An amp of one's own is copied too.
    let name = amp_names().next().unwrap();
    let own = format!("{name}/amp.toml");
    let made = run(folder.path(), &["new", "again", "--amp", &own]);
    assert!(made.status.success(), "{}", text(&made.stderr));
}

#[test]
fn nothing_is_overwritten_unless_asked() {
    let folder = tempfile::tempdir().unwrap();
    assert!(run(folder.path(), &["new", "job"]).status.success());
    let path = folder.path().join("job/job.toml");
    std::fs::write(&path, "mine").unwrap();
    let again = run(folder.path(), &["new", "job"]);
    assert_eq!(again.status.code(), Some(2));
    assert_eq!(
        text(&again.stderr),
        "presolder: job/amp.toml is there already; choose another folder, or replace it with --force\n"
    );
    assert_eq!(std::fs::read_to_string(&path).unwrap(), "mine");
    assert!(run(folder.path(), &["new", "job", "--force"]).status.success());
    assert_ne!(std::fs::read_to_string(&path).unwrap(), "mine");
}

#[test]
fn what_is_wrong_is_said_and_ends_with_status_2() {
    let folder = tempfile::tempdir().unwrap();
    let output = run(folder.path(), &["amps", "larkspur-2"]);
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(
        text(&output.stderr),
        "presolder: no amp \"larkspur-2\" comes with the program (the path of an amp file ends in \
         .toml); did you mean larkspur-22?\n"
    );
    // A circuit that is read but has no answer: nothing holds the node between two capacitors' far
    // ends but a source in parallel with another.
    std::fs::write(
        folder.path().join("loop.toml"),
        "title = \"Loop\"\ninput = \"in\"\noutput = \"in\"\n[parts]\n\
         B1 = { kind = \"source\", value = \"1 V\", between = [\"in\", \"0\"] }\n\
         R1 = { kind = \"resistor\", value = \"1k\", between = [\"in\", \"0\"] }\n",
    )
    .unwrap();
    let output = run(folder.path(), &["amps", "loop.toml"]);
    assert_eq!(output.status.code(), Some(2), "{}", text(&output.stdout));
    let said = text(&output.stderr);
    assert!(said.starts_with("presolder: loop.toml"), "{said}");
}
