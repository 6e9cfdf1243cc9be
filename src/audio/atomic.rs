//! Files that appear whole or not at all.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use super::error::AudioError;

/// A file under way: written under a temporary name in the folder of its final place, and moved
/// there by [`commit`](AtomicFile::commit). Dropped without that, it leaves nothing behind.
///
/// A process that is killed may leave the temporary file (`.presolder-….part`), but never a half
/// file under the final name. The data is not forced to the disk before the move: that guards
/// against a killed program, not against a power cut.
#[derive(Debug)]
pub struct AtomicFile {
    writer: BufWriter<NamedTempFile>,
    path: PathBuf,
    force: bool,
}

impl AtomicFile {
    /// Starts a file that is to become `path`.
    ///
    /// # Errors
    /// If `path` exists and `force` is not set, is a folder, or its folder is missing or cannot be
    /// written to. Checked now, so that a long computation is not begun in vain, and again at the
    /// end.
    pub fn create(path: &Path, force: bool) -> Result<AtomicFile, AudioError> {
        if path.is_dir() {
            return Err(AudioError::Folder { path: path.to_owned() });
        }
        // A dangling symbolic link counts as existing: it is somebody's, too.
        if !force && path.symlink_metadata().is_ok() {
            return Err(AudioError::Exists { path: path.to_owned() });
        }
        let folder = match path.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => parent,
            _ => Path::new("."),
        };
        if !folder.is_dir() {
            let folder = folder.to_owned();
            return Err(AudioError::NoFolder { path: path.to_owned(), folder });
        }
        let mut builder = tempfile::Builder::new();
        builder.prefix(".presolder-").suffix(".part");
        // A temporary file is private by default; the finished one is to be like any other.
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            builder.permissions(std::fs::Permissions::from_mode(0o666));
        }
        let file = builder
            .tempfile_in(folder)
            .map_err(|source| AudioError::Write { path: path.to_owned(), source })?;
        Ok(AtomicFile { writer: BufWriter::new(file), path: path.to_owned(), force })
    }

    /// The name that the file will have.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes what is buffered and moves the file to its final name.
    ///
    /// # Errors
    /// If the disk is full, or, without `force`, if the name has been taken meanwhile. Then
    /// nothing is left of the new file, and whatever has the name stays as it is.
    pub fn commit(self) -> Result<(), AudioError> {
        let AtomicFile { writer, path, force } = self;
        let file = match writer.into_inner() {
            Ok(file) => file,
            Err(error) => return Err(AudioError::Write { path, source: error.into_error() }),
        };
        let moved: Result<File, _> =
            if force { file.persist(&path) } else { file.persist_noclobber(&path) };
        match moved {
            Ok(_) => Ok(()),
            Err(error) if error.error.kind() == io::ErrorKind::AlreadyExists => {
                Err(AudioError::Exists { path })
            }
            Err(error) => Err(AudioError::Write { path, source: error.error }),
        }
    }
}

impl Write for AtomicFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.writer.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.writer.flush()
    }
}

/// Writes `bytes` to `path` whole or not at all; an existing file is replaced only with `force`.
///
/// # Errors
/// As [`AtomicFile::create`] and [`AtomicFile::commit`].
pub fn write_whole(path: &Path, bytes: &[u8], force: bool) -> Result<(), AudioError> {
    let mut file = AtomicFile::create(path, force)?;
    file.write_all(bytes).map_err(|source| AudioError::Write { path: path.to_owned(), source })?;
    file.commit()
}
