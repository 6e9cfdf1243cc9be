//! Tables of reference values: CSV with `#` comments and one line of column names.

use std::fs;
use std::path::Path;

/// Rows of numbers below the line of column names.
pub fn read(path: &Path, columns: &str) -> Vec<Vec<f64>> {
    let text = fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let mut lines = text.lines().filter(|l| !l.starts_with('#'));
    assert_eq!(lines.next(), Some(columns), "columns of {}", path.display());
    let rows: Vec<Vec<f64>> = lines
        .map(|line| {
            line.split(',')
                .map(|v| v.parse().unwrap_or_else(|e| panic!("{}: {v:?}: {e}", path.display())))
                .collect()
        })
        .collect();
    assert!(!rows.is_empty(), "{} holds no rows", path.display());
    let width = columns.split(',').count();
    assert!(rows.iter().all(|r| r.len() == width), "a row of {} is short", path.display());
    rows
}

/// Files of a folder with that extension, by name.
pub fn files(folder: &Path, extension: &str) -> Vec<std::path::PathBuf> {
    let mut found: Vec<_> = fs::read_dir(folder)
        .unwrap_or_else(|e| panic!("{}: {e}", folder.display()))
        .map(|entry| entry.expect("an entry of the folder").path())
        .filter(|path| path.extension().is_some_and(|e| e == extension))
        .collect();
    found.sort();
    found
}
