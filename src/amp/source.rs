//! Where files come from, and what the shelf holds: valve types and speakers.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::speaker::{self, Speaker};
use crate::valves::Library;

use super::error::AmpError;
use crate::names::nearest;

/// Longest amp, job, valve or speaker file that is read.
const MOST_BYTES: u64 = 1 << 20;

/// The file that a part, a version or a job stands in.
#[derive(Clone, Debug)]
pub(super) struct Origin {
    /// As it is named in messages.
    pub file: Arc<str>,
    /// The folder that paths in it are relative to; none for what comes with the program.
    pub folder: Option<PathBuf>,
}

impl Origin {
    /// A text that comes with the program.
    pub fn embedded(name: &str) -> Self {
        Self { file: name.into(), folder: None }
    }

    /// A file on disk.
    pub fn of_path(path: &Path) -> Self {
        let folder = path.parent().map(Path::to_path_buf).unwrap_or_default();
        Self { file: path.display().to_string().into(), folder: Some(folder) }
    }

    /// A path written in this file.
    pub fn resolve(&self, path: &str) -> PathBuf {
        match &self.folder {
            Some(folder) => folder.join(path),
            None => PathBuf::from(path),
        }
    }
}

/// Reads a text file whole.
///
/// # Errors
/// [`AmpError::Unreadable`] with the reason.
pub(super) fn read_text(path: &Path) -> Result<String, AmpError> {
    let name = path.display().to_string();
    let unreadable = |problem: String| AmpError::Unreadable { file: name.clone(), problem };
    let mut bytes = Vec::new();
    let file = File::open(path).map_err(|e| unreadable(why(&e)))?;
    file.take(MOST_BYTES + 1).read_to_end(&mut bytes).map_err(|e| unreadable(why(&e)))?;
    if bytes.len() as u64 > MOST_BYTES {
        return Err(unreadable("the file is longer than 1 MiB, too long for a description".into()));
    }
    String::from_utf8(bytes)
        .map_err(|_| unreadable("the file is no text in UTF-8; save it as UTF-8".to_owned()))
}

fn why(error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::NotFound => "there is no such file".to_owned(),
        std::io::ErrorKind::PermissionDenied => "the file may not be read".to_owned(),
        std::io::ErrorKind::IsADirectory => "this is a folder, not a file".to_owned(),
        _ => format!("cannot be read: {error}"),
    }
}

/// Whether a name is the path of a file rather than the name of a preset.
pub(super) fn is_path(name: &str) -> bool {
    Path::new(name).extension().is_some_and(|e| e.eq_ignore_ascii_case("toml"))
}

/// The valve types and speakers that parts can name.
#[derive(Clone, Debug)]
pub(super) struct Shelf {
    pub valves: Arc<Library>,
}

impl Shelf {
    /// What comes with the program.
    ///
    /// # Errors
    /// [`AmpError::Unreadable`] if that is damaged, which the tests rule out.
    pub fn embedded() -> Result<Self, AmpError> {
        let valves = Library::embedded().map_err(|e| AmpError::Unreadable {
            file: "presets/valves".to_owned(),
            problem: e.to_string(),
        })?;
        Ok(Self { valves: Arc::new(valves) })
    }

    /// Adds valve files that a file lists; `wrong` makes the error for the one at an index.
    ///
    /// # Errors
    /// What `wrong` makes of the reason.
    pub fn add_valves(
        &mut self,
        paths: &[String],
        origin: &Origin,
        wrong: impl Fn(usize, String) -> AmpError,
    ) -> Result<(), AmpError> {
        if paths.is_empty() {
            return Ok(());
        }
        let mut valves = (*self.valves).clone();
        for (i, path) in paths.iter().enumerate() {
            let text = read_text(&origin.resolve(path)).map_err(|e| wrong(i, e.to_string()))?;
            valves.add_toml(&text, path).map_err(|e| wrong(i, e.to_string()))?;
        }
        self.valves = Arc::new(valves);
        Ok(())
    }

    /// A speaker that comes with the program, or one from a file.
    pub fn speaker(&self, model: &str, origin: &Origin) -> Result<Arc<Speaker>, String> {
        let made = if is_path(model) {
            let path = origin.resolve(model);
            let text = read_text(&path).map_err(|e| e.to_string())?;
            Some(Speaker::from_toml(&path.display().to_string(), &text))
        } else {
            speaker::preset(model)
        };
        match made {
            Some(speaker) => speaker.map(Arc::new).map_err(|e| e.to_string()),
            None => Err(format!(
                "no speaker \"{model}\" comes with the program (the path of a speaker file ends in \
                 .toml); {}",
                nearest(model, speaker::preset_names())
            )),
        }
    }
}
