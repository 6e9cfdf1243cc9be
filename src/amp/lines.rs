//! Which key stands in which line, and what the TOML reader's complaints mean.

use std::ops::Range;

use indexmap::IndexMap;
use serde::de::DeserializeOwned;
use toml::de::{DeTable, DeValue};

use super::error::AmpError;
use crate::toml_tree::{Complaint, line_of, read};

/// A key of the file.
#[derive(Clone, Debug)]
struct Entry {
    /// Counted from 1.
    line: usize,
    /// The key as people read it: `versions["proposed"].change.C7`.
    shown: String,
    key_span: Range<usize>,
    value_span: Range<usize>,
}

/// The keys of a file and their lines.
#[derive(Clone, Debug, Default)]
pub(super) struct Lines {
    /// By path, as in `versions[1].change.C7`.
    entries: IndexMap<String, Entry>,
}

impl Lines {
    fn of(table: &DeTable<'_>, text: &str) -> Self {
        let mut lines = Self::default();
        lines.add_table("", "", table, text);
        lines
    }

    fn add_table(&mut self, path: &str, shown: &str, table: &DeTable<'_>, text: &str) {
        for (key, value) in table {
            let name = key.get_ref();
            let (path, shown) = (join(path, name), join(shown, name));
            self.add(path, shown, key.span(), value, text);
        }
    }

    fn add(
        &mut self,
        path: String,
        shown: String,
        key_span: Range<usize>,
        value: &toml::Spanned<DeValue<'_>>,
        text: &str,
    ) {
        let value_span = value.span();
        let line = line_of(text, key_span.start);
        let entry = Entry { line, shown: shown.clone(), key_span, value_span };
        self.entries.insert(path.clone(), entry);
        match value.get_ref() {
            DeValue::Table(table) => self.add_table(&path, &shown, table, text),
            DeValue::Array(array) => {
                for (i, element) in array.iter().enumerate() {
                    let index = match name_of(element.get_ref()) {
                        Some(name) => format!("[\"{name}\"]"),
                        None => format!("[{}]", i + 1),
                    };
                    let (path, shown) = (format!("{path}[{i}]"), format!("{shown}{index}"));
                    self.add(path, shown, element.span(), element, text);
                }
            }
            _ => {}
        }
    }

    /// Line and shown form of a path; of the nearest key above it if it is not in the file.
    pub fn find(&self, path: &str) -> (Option<usize>, String) {
        if let Some(entry) = self.entries.get(path) {
            return (Some(entry.line), entry.shown.clone());
        }
        match path.rfind(['.', '[']) {
            Some(at) => {
                let (line, above) = self.find(&path[..at]);
                (line, format!("{above}{}", &path[at..]))
            }
            None => (None, path.to_owned()),
        }
    }

    /// The innermost key at a place in the text.
    fn at(&self, place: usize) -> Option<&Entry> {
        let inside = |s: &Range<usize>| s.contains(&place);
        // Inner keys come after outer ones, and win among equals.
        let found = self.entries.values().rev();
        found.filter(|e| inside(&e.key_span) || inside(&e.value_span)).min_by_key(|e| {
            let length = |s: &Range<usize>| if inside(s) { s.len() } else { usize::MAX };
            length(&e.key_span).min(length(&e.value_span))
        })
    }
}

/// A key under a path, quoted where it is no bare key of TOML.
fn join(path: &str, key: &str) -> String {
    let bare = key.chars().all(|c| c.is_ascii_alphanumeric() || c == '_' || c == '-');
    let key = if bare && !key.is_empty() { key.to_owned() } else { format!("\"{key}\"") };
    if path.is_empty() { key } else { format!("{path}.{key}") }
}

/// The name by which an element of a list is known.
fn name_of(value: &DeValue<'_>) -> Option<String> {
    let DeValue::Table(table) = value else { return None };
    let (_, name) = table.iter().find(|(k, _)| k.get_ref() == "name")?;
    match name.get_ref() {
        DeValue::String(s) if s.chars().count() <= 40 => Some(s.to_string()),
        _ => None,
    }
}

/// A place in a file: for messages.
#[derive(Clone, Debug)]
pub(super) struct Scope<'a> {
    file: &'a str,
    lines: &'a Lines,
    path: String,
}

impl<'a> Scope<'a> {
    /// The file as a whole.
    pub fn file(file: &'a str, lines: &'a Lines) -> Self {
        Self { file, lines, path: String::new() }
    }

    /// A key under this one.
    pub fn at(&self, key: &str) -> Self {
        Self { path: join(&self.path, key), ..self.clone() }
    }

    /// An element of this list, counted from 0.
    pub fn nth(&self, index: usize) -> Self {
        Self { path: format!("{}[{index}]", self.path), ..self.clone() }
    }

    /// Whether the file has this key.
    pub fn is_there(&self) -> bool {
        self.lines.entries.contains_key(&self.path)
    }

    /// The line, counted from 1.
    pub fn line(&self) -> Option<usize> {
        self.lines.find(&self.path).0
    }

    /// The error that something is wrong here.
    pub fn wrong(&self, problem: impl Into<String>) -> AmpError {
        let (line, key) = self.lines.find(&self.path);
        AmpError::Wrong { file: self.file.to_owned(), line, key, problem: problem.into() }
    }
}

/// Reads a file's text, and which key stands in which line.
///
/// # Errors
/// [`AmpError::Wrong`] with the line and the key.
pub(super) fn parse<T: DeserializeOwned>(file: &str, text: &str) -> Result<(T, Lines), AmpError> {
    let table =
        DeTable::parse(text).map_err(|e| explain(file, text, &Lines::default(), &e.into()))?;
    let lines = Lines::of(table.get_ref(), text);
    match read(&table) {
        Ok(value) => Ok((value, lines)),
        Err(complaint) => Err(explain(file, text, &lines, &complaint)),
    }
}

/// The reader's complaint, with the key.
fn explain(file: &str, text: &str, lines: &Lines, complaint: &Complaint) -> AmpError {
    let span = complaint.span.clone().filter(|_| !complaint.is_of_the_whole());
    let entry = span.as_ref().and_then(|s| lines.at(s.start));
    AmpError::Wrong {
        file: file.to_owned(),
        line: span.map(|s| line_of(text, s.start)),
        key: entry.map_or_else(String::new, |e| e.shown.clone()),
        problem: complaint.in_words(text, "such key"),
    }
}
