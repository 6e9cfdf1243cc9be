use std::fs;
use std::io::Write;

use presolder::audio::{AtomicFile, AudioError, write_whole};
use tempfile::tempdir;

#[test]
fn appears_only_when_committed() {
    let folder = tempdir().expect("a temporary folder");
    let path = folder.path().join("curve.csv");
    let mut file = AtomicFile::create(&path, false).expect("created");
    file.write_all(b"frequency_hz\n").expect("written");
    assert!(!path.exists());
    file.commit().expect("committed");
    assert_eq!(fs::read(&path).expect("read"), b"frequency_hz\n");
    assert_eq!(fs::read_dir(folder.path()).expect("listed").count(), 1);
}

#[test]
fn leaves_nothing_when_dropped() {
    let folder = tempdir().expect("a temporary folder");
    let mut file = AtomicFile::create(&folder.path().join("a.wav"), false).expect("created");
    file.write_all(&[0; 100_000]).expect("written");
    drop(file);
    assert_eq!(fs::read_dir(folder.path()).expect("listed").count(), 0);
}

#[test]
fn replaces_only_with_force() {
    let folder = tempdir().expect("a temporary folder");
    let path = folder.path().join("report.json");
    write_whole(&path, b"old", false).expect("the name is free");
    let error = write_whole(&path, b"new", false).expect_err("it exists");
    assert!(matches!(error, AudioError::Exists { .. }), "{error}");
    assert!(error.to_string().contains("--force"), "{error}");
    assert_eq!(fs::read(&path).expect("read"), b"old");
    write_whole(&path, b"new", true).expect("forced");
    assert_eq!(fs::read(&path).expect("read"), b"new");
}

/// Two programs that both found the name free: the second one must not win.
#[test]
fn name_taken_meanwhile() {
    let folder = tempdir().expect("a temporary folder");
    let path = folder.path().join("a.txt");
    let mut ours = AtomicFile::create(&path, false).expect("the name is free");
    ours.write_all(b"ours").expect("written");
    write_whole(&path, b"theirs", false).expect("the name is still free");
    let error = ours.commit().expect_err("the name is taken");
    assert!(matches!(error, AudioError::Exists { .. }), "{error}");
    assert_eq!(fs::read(&path).expect("read"), b"theirs");
    assert_eq!(fs::read_dir(folder.path()).expect("listed").count(), 1);
}

#[test]
fn places_that_cannot_be_written() {
    let folder = tempdir().expect("a temporary folder");
    let error =
        write_whole(&folder.path().join("no/such/a.txt"), b"", false).expect_err("no folder");
    assert!(matches!(error, AudioError::NoFolder { .. }), "{error}");
    let error = write_whole(folder.path(), b"", true).expect_err("a folder");
    assert!(matches!(error, AudioError::Folder { .. }), "{error}");
    assert!(error.is_users());
}

#[cfg(unix)]
#[test]
fn finished_files_are_as_readable_as_others() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempdir().expect("a temporary folder");
    let (ours, plain) = (folder.path().join("ours"), folder.path().join("plain"));
    write_whole(&ours, b"", false).expect("written");
    fs::write(&plain, b"").expect("written");
    let mode = |path| fs::metadata(path).expect("there").permissions().mode();
    assert_eq!(mode(&ours), mode(&plain));
}
