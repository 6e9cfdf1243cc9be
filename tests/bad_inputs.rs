//! What a user who slips is told: the exact message, from a table of slips.
//!
//! `tests/bad-inputs/cases.toml` lists them: each replaces one piece of a good file.

use std::path::{Path, PathBuf};

use presolder::amp::{AmpFile, Job};
use serde::Deserialize;

#[derive(Deserialize)]
struct Cases {
    case: Vec<Case>,
}

#[derive(Deserialize)]
struct Case {
    /// `amp.toml` or `job.toml`.
    file: String,
    replace: String,
    with: String,
    message: String,
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bad-inputs")
}

/// What reading a text as that file says.
fn complaint(file: &str, text: &str) -> Option<String> {
    let error = match file {
        "amp.toml" => AmpFile::parse(text, file).err(),
        _ => Job::parse(text, file, &folder()).err(),
    };
    let here = format!("{}/", folder().display());
    error.map(|e| e.to_string().replace(&here, ""))
}

#[test]
fn each_slip_gets_its_message() {
    let read = |name: &str| std::fs::read_to_string(folder().join(name)).unwrap();
    let cases: Cases = toml::from_str(&read("cases.toml")).unwrap();
    assert!(cases.case.len() >= 30);
    for good in ["amp.toml", "job.toml"] {
        assert_eq!(complaint(good, &read(good)), None, "the good file");
    }
    let mut wrong = String::new();
    for case in &cases.case {
        let good = read(&case.file);
        assert!(good.contains(&case.replace), "{} is not in {}", case.replace, case.file);
        let bad = good.replacen(&case.replace, &case.with, 1);
        let said = complaint(&case.file, &bad).unwrap_or_else(|| "nothing".to_owned());
        if said != case.message {
            wrong.push_str(&format!("{}\n  said   {said}\n  wanted {}\n", case.with, case.message));
        }
    }
    assert!(wrong.is_empty(), "\n{wrong}");
}

#[test]
fn files_that_cannot_be_read_say_why() {
    let folder = tempfile::tempdir().unwrap();
    let said = |name: &str, bytes: Option<&[u8]>| {
        let path = folder.path().join(name);
        if let Some(bytes) = bytes {
            std::fs::write(&path, bytes).unwrap();
        }
        let message = AmpFile::read(&path).unwrap_err().to_string();
        message.replace(&format!("{}/", folder.path().display()), "")
    };
    assert_eq!(said("none.toml", None), "none.toml: there is no such file");
    assert_eq!(
        said("latin.toml", Some(b"title = \"\xe9\"")),
        "latin.toml: the file is no text in UTF-8; save it as UTF-8"
    );
    assert_eq!(
        said("long.toml", Some(&vec![b'#'; 1 << 21])),
        "long.toml: the file is longer than 1 MiB, too long for a description"
    );
    assert_eq!(said("empty.toml", Some(b"")), "empty.toml: the key title is missing");
    std::fs::create_dir(folder.path().join("folder.toml")).unwrap();
    assert_eq!(said("folder.toml", None), "folder.toml: this is a folder, not a file");
}

#[test]
fn an_unknown_amp_is_named_with_what_there_is() {
    let message = AmpFile::open("no such amp").unwrap_err().to_string();
    assert!(message.starts_with("no amp \"no such amp\" comes with the program"), "{message}");
    let message = AmpFile::open("no-such.toml").unwrap_err().to_string();
    assert_eq!(message, "no-such.toml: there is no such file");
}

proptest::proptest! {
    /// Whatever is cut out, doubled or garbled: an answer, never a panic.
    #[test]
    fn garbled_files_never_panic(at in 0usize..3000, length in 0usize..60, junk in "[\\[\\]{}=\"'.,a-z0-9\n -]{0,8}", job: bool) {
        let name = if job { "job.toml" } else { "amp.toml" };
        let good = std::fs::read_to_string(folder().join(name)).unwrap();
        let start = at % good.len();
        let end = (start + length).min(good.len());
        let (Some(head), Some(tail)) = (good.get(..start), good.get(end..)) else { return Ok(()) };
        let text = format!("{head}{junk}{tail}");
        let _ = complaint(name, &text);
    }
}
