//! Files that appear whole or not at all.

use std::collections::BTreeSet;
use std::fs;
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use tempfile::{NamedTempFile, TempPath};

use super::error::AudioError;

/// A file under way: written under a temporary name in the folder of its final place, and moved
/// there by [`commit`](AtomicFile::commit). Dropped without that, it leaves nothing behind.
///
/// On an interrupt, [`abandon_unfinished`] takes all of them away; a process that is killed outright
/// may leave the temporary file (`.presolder-….part`), but never a half file under the final name. The data is not forced to the disk before the move: that guards
/// against a killed program, not against a power cut.
#[derive(Debug)]
pub struct AtomicFile {
    /// `None` only after [`commit`](AtomicFile::commit) has taken it.
    writer: Option<BufWriter<NamedTempFile>>,
    path: PathBuf,
    force: bool,
}

/// Files under way in this process, so that an interrupt can take them away.
#[derive(Debug)]
struct Unfinished {
    temporary: BTreeSet<PathBuf>,
    /// Folders made for them, each after the one that it lies in.
    folders: Vec<PathBuf>,
    abandoned: bool,
}

static UNFINISHED: Mutex<Unfinished> =
    Mutex::new(Unfinished { temporary: BTreeSet::new(), folders: Vec::new(), abandoned: false });

fn unfinished() -> MutexGuard<'static, Unfinished> {
    // The set is whole at every moment, also if a thread that held it has panicked.
    UNFINISHED.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Takes away all files under way, in all threads, and lets none be started or finished any more.
///
/// For the handler of an interrupt, just before it ends the process.
pub fn abandon_unfinished() {
    let mut unfinished = unfinished();
    unfinished.abandoned = true;
    for path in std::mem::take(&mut unfinished.temporary) {
        // The process ends; there is nobody left to tell if one cannot be removed.
        let _ = fs::remove_file(path);
    }
    for folder in std::mem::take(&mut unfinished.folders).iter().rev() {
        // Only if it is empty: what somebody else put there stays.
        let _ = fs::remove_dir(folder);
    }
}

/// Makes a folder and those above it, and returns the ones that were not there before.
///
/// # Errors
/// If it cannot be made.
pub(super) fn make_folders(folder: &Path) -> Result<Vec<PathBuf>, AudioError> {
    let failed = |source| AudioError::Write { path: folder.to_owned(), source };
    let missing: Vec<&Path> =
        folder.ancestors().take_while(|f| !f.as_os_str().is_empty() && !f.exists()).collect();
    let mut unfinished = unfinished();
    if unfinished.abandoned {
        return Err(interrupted(folder));
    }
    let mut made = Vec::new();
    for missing in missing.into_iter().rev() {
        match fs::create_dir(missing) {
            Ok(()) => {
                unfinished.folders.push(missing.to_owned());
                made.push(missing.to_owned());
            }
            // Another process may have been there first.
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists && missing.is_dir() => {}
            Err(source) => return Err(failed(source)),
        }
    }
    if folder.as_os_str().is_empty() || folder.is_dir() {
        Ok(made)
    } else {
        Err(failed(io::ErrorKind::NotADirectory.into()))
    }
}

/// Forgets that folders were made for files under way; they stay.
pub(super) fn keep_folders(made: &[PathBuf]) {
    unfinished().folders.retain(|f| !made.contains(f));
}

fn interrupted(path: &Path) -> AudioError {
    let source = io::Error::new(io::ErrorKind::Interrupted, "interrupted");
    AudioError::Write { path: path.to_owned(), source }
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
        // Under the lock, so that an interrupt either sees the file or comes before it.
        let mut unfinished = unfinished();
        if unfinished.abandoned {
            return Err(interrupted(path));
        }
        let file = builder
            .tempfile_in(folder)
            .map_err(|source| AudioError::Write { path: path.to_owned(), source })?;
        unfinished.temporary.insert(file.path().to_owned());
        let writer = Some(BufWriter::new(file));
        Ok(AtomicFile { writer, path: path.to_owned(), force })
    }

    /// The name that the file will have.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes over the first bytes of the file, whose length stays, and goes on at the end: for a head
    /// that tells how long the rest became.
    ///
    /// # Errors
    /// If the file cannot be written.
    pub fn write_over_start(&mut self, bytes: &[u8]) -> io::Result<()> {
        let Some(writer) = &mut self.writer else {
            return Err(io::ErrorKind::Interrupted.into());
        };
        // Seeking writes what is buffered first.
        writer.seek(SeekFrom::Start(0))?;
        writer.write_all(bytes)?;
        writer.seek(SeekFrom::End(0))?;
        Ok(())
    }

    /// The bytes that have reached the file: after an error, what was written before it.
    ///
    /// # Errors
    /// If the file cannot be asked.
    pub fn length(&self) -> io::Result<u64> {
        let Some(writer) = &self.writer else {
            return Err(io::ErrorKind::Interrupted.into());
        };
        Ok(writer.get_ref().as_file().metadata()?.len())
    }

    /// Cuts the file to a length that it has reached, and forgets what is buffered.
    ///
    /// # Errors
    /// If the file cannot be cut.
    pub fn cut_to(&mut self, bytes: u64) -> io::Result<()> {
        let Some(writer) = self.writer.take() else {
            return Err(io::ErrorKind::Interrupted.into());
        };
        let (file, _) = writer.into_parts();
        let cut = file.as_file().set_len(bytes);
        let mut writer = BufWriter::new(file);
        let there = writer.seek(SeekFrom::End(0));
        self.writer = Some(writer);
        cut.and(there.map(|_| ()))
    }

    /// Writes what is buffered and moves the file to its final name.
    ///
    /// # Errors
    /// If the disk is full, or, without `force`, if the name has been taken meanwhile. Then
    /// nothing is left of the new file, and whatever has the name stays as it is.
    pub fn commit(self) -> Result<(), AudioError> {
        self.complete()?.commit()
    }

    /// Writes what is buffered and closes the file, which keeps its temporary name.
    ///
    /// # Errors
    /// If the disk is full. Then nothing is left of the file.
    pub fn complete(mut self) -> Result<CompleteFile, AudioError> {
        let path = self.path.clone();
        // If this fails, dropping the file takes it away.
        self.flush().map_err(|source| AudioError::Write { path: path.clone(), source })?;
        match self.writer.take().map(BufWriter::into_parts) {
            Some((file, _)) => {
                Ok(CompleteFile { temporary: Some(file.into_temp_path()), path, force: self.force })
            }
            None => Err(interrupted(&path)),
        }
    }
}

impl Drop for AtomicFile {
    fn drop(&mut self) {
        if let Some(writer) = &self.writer {
            unfinished().temporary.remove(writer.get_ref().path());
        }
    }
}

/// A file that is complete, but not yet under its name. Dropped without
/// [`commit`](CompleteFile::commit), it leaves nothing behind.
#[derive(Debug)]
pub struct CompleteFile {
    /// `None` only after it has been moved.
    temporary: Option<TempPath>,
    path: PathBuf,
    force: bool,
}

impl CompleteFile {
    /// Moves the file to its name.
    ///
    /// # Errors
    /// If, without `force`, the name has been taken meanwhile, or the folder can no longer be
    /// written to.
    pub fn commit(mut self) -> Result<(), AudioError> {
        let path = self.path.clone();
        let mut unfinished = unfinished();
        let temporary = match self.temporary.take() {
            Some(temporary) if !unfinished.abandoned => temporary,
            _ => return Err(interrupted(&path)),
        };
        unfinished.temporary.remove(&*temporary);
        let moved =
            if self.force { temporary.persist(&path) } else { temporary.persist_noclobber(&path) };
        match moved {
            Ok(()) => Ok(()),
            Err(error) if error.error.kind() == io::ErrorKind::AlreadyExists => {
                Err(AudioError::Exists { path })
            }
            Err(error) => Err(AudioError::Write { path, source: error.error }),
        }
    }
}

impl Drop for CompleteFile {
    fn drop(&mut self) {
        if let Some(temporary) = &self.temporary {
            unfinished().temporary.remove(&**temporary);
        }
    }
}

impl Write for AtomicFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut self.writer {
            Some(writer) => writer.write(bytes),
            None => Err(io::ErrorKind::Interrupted.into()),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        self.writer.as_mut().map_or(Ok(()), BufWriter::flush)
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
