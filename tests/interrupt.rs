//! What an interrupt leaves behind. In a program of its own, since it ends all writing in a process.

use std::fs;
use std::io::Write;

use presolder::audio::{AtomicFile, abandon_unfinished, write_whole};

#[test]
fn nothing_unfinished_stays() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let finished = folder.path().join("finished.csv");
    write_whole(&finished, b"all", false).expect("written");
    let mut dropped = AtomicFile::create(&folder.path().join("c.wav"), false).expect("created");
    dropped.write_all(b"gone").expect("written");
    drop(dropped);
    let mut half = AtomicFile::create(&folder.path().join("a.wav"), false).expect("created");
    half.write_all(&[0; 50_000]).expect("written");
    let untouched = AtomicFile::create(&folder.path().join("b.wav"), false).expect("created");
    assert_eq!(fs::read_dir(folder.path()).expect("listed").count(), 3);

    abandon_unfinished();
    let left: Vec<_> = fs::read_dir(folder.path()).expect("listed").flatten().collect();
    assert_eq!(left.len(), 1);
    assert_eq!(left[0].path(), finished);

    // Other threads may still be at it; nothing of theirs appears any more.
    half.write_all(&[0; 50_000]).ok();
    assert!(half.commit().is_err());
    assert!(untouched.commit().is_err());
    assert!(write_whole(&folder.path().join("new.csv"), b"late", false).is_err());
    assert_eq!(fs::read_dir(folder.path()).expect("listed").count(), 1);
}
