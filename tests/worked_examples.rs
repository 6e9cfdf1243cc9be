//! The worked examples in `docs/` do what they say: every command is run as typed, and what it
//! prints and plots is what the page shows.
//!
//! `REGENERATE_DOCS=1 cargo test --test worked_examples` writes the program's answers into the
//! pages instead; look at the difference before you keep it.
//!
//! - A block that opens with ```` ```console ````: lines that start with `$ ` are commands, the lines below them
//!   their output (standard output only). Its numbers may be off by 0.02 or 1 %, whichever is more: the last
//!   digits of a measurement move with the measuring. A block that opens with ```` ```text ```` is not looked at.
//! - A block that opens with ```` ```toml FOLDER/FILE ````: that file is written for the commands that follow.
//! - `<!-- from FOLDER/FILE -->` behind an image: the file that it is a copy of.
#![cfg(unix)]

use std::fmt::Write;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

fn docs() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("docs")
}

/// Runs a command line in `folder` with the program in the path, and returns what it printed.
fn run(line: &str, folder: &Path) -> String {
    let program = Path::new(env!("CARGO_BIN_EXE_presolder"));
    let mut path = program.parent().expect("the program's folder").as_os_str().to_owned();
    if let Some(rest) = std::env::var_os("PATH") {
        path.push(":");
        path.push(rest);
    }
    let ran = Command::new("sh")
        .args(["-c", line])
        .current_dir(folder)
        .env("PATH", path)
        .env("NO_COLOR", "1")
        .output()
        .expect("a shell");
    let errors = String::from_utf8_lossy(&ran.stderr);
    assert!(ran.status.success(), "{line}: {}\n{errors}", ran.status);
    String::from_utf8(ran.stdout).expect("text")
}

/// The page with every answer and image as the program gives it now.
fn with_true_answers(page: &str, folder: &Path) -> (String, Vec<(PathBuf, Vec<u8>)>) {
    let mut answer = String::new();
    let mut images = Vec::new();
    let mut lines = page.lines();
    while let Some(line) = lines.next() {
        writeln!(answer, "{line}").expect("a string grows");
        if line == "```console" {
            for line in lines.by_ref() {
                if line == "```" {
                    writeln!(answer, "{line}").expect("a string grows");
                    break;
                }
                if let Some(command) = line.strip_prefix("$ ") {
                    writeln!(answer, "{line}").expect("a string grows");
                    let printed = run(command, folder);
                    for line in printed.lines() {
                        writeln!(answer, "{}", line.trim_end()).expect("a string grows");
                    }
                }
            }
        } else if let Some(file) = line.strip_prefix("```toml ") {
            let mut text = String::new();
            for line in lines.by_ref() {
                writeln!(answer, "{line}").expect("a string grows");
                if line == "```" {
                    break;
                }
                writeln!(text, "{line}").expect("a string grows");
            }
            fs::write(folder.join(file), text).expect("a folder for the file");
        } else if let Some((image, source)) = line.split_once(" <!-- from ") {
            let image = image.split_once("](").expect("an image").1.trim_end_matches(')');
            let source = source.trim_end_matches(" -->");
            let bytes = fs::read(folder.join(source)).expect("the plot");
            images.push((docs().join(image), bytes));
        }
    }
    (answer, images)
}

/// Whether two lines have the same words and nearly the same numbers.
fn are_alike(shown: &str, now: &str) -> bool {
    let numbers = |line: &str| -> Vec<Option<f64>> {
        line.split([' ', ',']).filter(|w| !w.is_empty()).map(|w| w.parse().ok()).collect()
    };
    let texts = |line: &str| -> Vec<String> {
        line.split([' ', ','])
            .filter(|w| !w.is_empty() && w.parse::<f64>().is_err())
            .map(str::to_owned)
            .collect()
    };
    let (a, b) = (numbers(shown), numbers(now));
    texts(shown) == texts(now)
        && a.len() == b.len()
        && a.iter().zip(&b).all(|(a, b)| match (a, b) {
            (Some(a), Some(b)) => (a - b).abs() <= f64::max(0.02, 0.01 * a.abs()),
            (a, b) => a.is_none() == b.is_none(),
        })
}

/// The texts of an SVG plot.
fn words(svg: &str) -> Vec<&str> {
    svg.split('>')
        .filter_map(|piece| piece.split_once("</text").map(|(text, _)| text.trim()))
        .collect()
}

fn check(name: &str) {
    let file = docs().join(name);
    let page = fs::read_to_string(&file).expect("the page");
    let folder = tempfile::tempdir().expect("a folder");
    let (answer, images) = with_true_answers(&page, folder.path());
    if std::env::var_os("REGENERATE_DOCS").is_some() {
        fs::write(&file, answer).expect("the page");
        for (image, bytes) in images {
            fs::create_dir_all(image.parent().expect("a folder")).expect("a folder");
            fs::write(image, bytes).expect("the image");
        }
        return;
    }
    let hint = "REGENERATE_DOCS=1 cargo test --test worked_examples writes it anew";
    for (number, (shown, now)) in page.lines().zip(answer.lines()).enumerate() {
        assert!(
            are_alike(shown, now),
            "{name}, line {}: {hint}\n shown: {shown}\n   now: {now}",
            number + 1
        );
    }
    assert_eq!(page.lines().count(), answer.lines().count(), "{name}: {hint}");
    for (image, bytes) in images {
        let shown = fs::read(&image).unwrap_or_default();
        let [shown, now] = [&shown, &bytes].map(|b| String::from_utf8_lossy(b).into_owned());
        // Curves move in their last digits, too; titles, labels and legend must be the same.
        assert_eq!(words(&shown), words(&now), "{name}: {}; {hint}", image.display());
    }
}

#[test]
fn audition() {
    check("audition.md");
}

#[test]
fn low_end_trim() {
    check("low-end-trim.md");
}

#[test]
fn values_and_spread() {
    check("values-and-spread.md");
}

#[test]
fn knob_range() {
    check("knob-range.md");
}

#[test]
fn earlier_break_up() {
    check("earlier-break-up.md");
}
