//! What commands print.

use std::io::{ErrorKind, Write};

use super::failure::Failure;

/// Prints to standard output. A reader that stops reading (`| head`) is no failure.
pub(super) fn print(text: &str) -> Result<(), Failure> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() != ErrorKind::BrokenPipe => {
            Err(Failure::fault(format!("cannot write to standard output: {e}")))
        }
        _ => Ok(()),
    }
}

/// Rows under a heading, columns as wide as they must be, two blanks between.
#[derive(Debug)]
pub(super) struct Table {
    rows: Vec<Vec<String>>,
}

impl Table {
    pub fn new(heading: &[&str]) -> Self {
        Self { rows: vec![heading.iter().map(|h| (*h).to_owned()).collect()] }
    }

    pub fn row(&mut self, cells: impl IntoIterator<Item = String>) {
        self.rows.push(cells.into_iter().collect());
    }

    pub fn is_empty(&self) -> bool {
        self.rows.len() < 2
    }

    /// The rows as text, indented by two blanks.
    pub fn text(&self) -> String {
        let columns = self.rows.iter().map(Vec::len).max().unwrap_or(0);
        let width = |column: usize| {
            let cells = self.rows.iter().filter_map(|row| row.get(column));
            cells.map(|c| c.chars().count()).max().unwrap_or(0)
        };
        let widths: Vec<usize> = (0..columns).map(width).collect();
        let mut text = String::new();
        for row in &self.rows {
            let cells = row.iter().zip(&widths).map(|(cell, width)| format!("{cell:width$}"));
            let line = cells.collect::<Vec<_>>().join("  ");
            text.push_str(&format!("  {}\n", line.trim_end()));
        }
        text
    }
}
