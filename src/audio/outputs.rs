//! A folder of files that appear together.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use super::atomic::{AtomicFile, CompleteFile, keep_folders, make_folders};
use super::error::AudioError;

/// A folder whose files are all written under temporary names, and get their own only when all are
/// complete. Dropped before [`commit`](OutputFolder::commit), it leaves neither files nor the
/// folders that it made.
#[derive(Debug)]
pub struct OutputFolder {
    root: PathBuf,
    force: bool,
    /// In the order in which they were completed.
    files: Vec<CompleteFile>,
    made: Vec<PathBuf>,
    committed: bool,
}

impl OutputFolder {
    /// Makes the folder if it is not there.
    ///
    /// # Errors
    /// If it cannot be made.
    pub fn create(root: &Path, force: bool) -> Result<OutputFolder, AudioError> {
        let made = make_folders(root)?;
        Ok(OutputFolder { root: root.to_owned(), force, files: Vec::new(), made, committed: false })
    }

    /// The folder.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// Whether files that are there are replaced.
    pub fn force(&self) -> bool {
        self.force
    }

    /// The path of a file of this folder, whose own folder is made if it is not there. `name` may
    /// lead through further folders.
    ///
    /// # Errors
    /// If the folder cannot be made.
    pub fn path(&mut self, name: &str) -> Result<PathBuf, AudioError> {
        let path = self.root.join(name);
        if let Some(folder) = path.parent() {
            self.made.extend(make_folders(folder)?);
        }
        Ok(path)
    }

    /// Writes a file.
    ///
    /// # Errors
    /// As [`AtomicFile::create`], or if the disk is full.
    pub fn put(&mut self, name: &str, bytes: &[u8]) -> Result<(), AudioError> {
        let path = self.path(name)?;
        let mut file = AtomicFile::create(&path, self.force)?;
        file.write_all(bytes).map_err(|source| AudioError::Write { path, source })?;
        self.keep(file.complete()?);
        Ok(())
    }

    /// Takes a file that was written by other means.
    pub fn keep(&mut self, file: CompleteFile) {
        self.files.push(file);
    }

    /// Gives all files their names, in the order in which they were completed.
    ///
    /// # Errors
    /// If, without `force`, a name was taken meanwhile. The files before it have theirs then, so
    /// complete that one first by which others shall see that the folder is in use.
    pub fn commit(mut self) -> Result<(), AudioError> {
        for file in std::mem::take(&mut self.files) {
            file.commit()?;
            self.committed = true;
        }
        self.committed = true;
        Ok(())
    }
}

impl Drop for OutputFolder {
    fn drop(&mut self) {
        // Files first: a folder goes only when it is empty.
        self.files.clear();
        if !self.committed {
            for folder in self.made.iter().rev() {
                let _ = fs::remove_dir(folder);
            }
        }
        keep_folders(&self.made);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entries(folder: &Path) -> usize {
        fs::read_dir(folder).expect("listed").count()
    }

    #[test]
    fn all_files_or_none_and_no_empty_folder() {
        let temporary = tempfile::tempdir().expect("a temporary folder");
        let root = temporary.path().join("deep/er");
        let mut outputs = OutputFolder::create(&root, false).expect("made");
        outputs.put("a.txt", b"a").expect("written");
        outputs.put("sub/b.txt", b"b").expect("written");
        assert!(!root.join("a.txt").exists());
        drop(outputs);
        assert_eq!(entries(temporary.path()), 0);

        let mut outputs = OutputFolder::create(&root, false).expect("made");
        outputs.put("a.txt", b"a").expect("written");
        outputs.put("sub/b.txt", b"b").expect("written");
        let mut second = OutputFolder::create(&root, false).expect("there");
        second.put("a.txt", b"other").expect("not taken yet");
        second.put("c.txt", b"c").expect("written");
        outputs.commit().expect("moved");
        assert_eq!(fs::read(root.join("sub/b.txt")).expect("read"), b"b");
        // The second comes too late, and adds nothing to the first.
        assert!(matches!(second.commit(), Err(AudioError::Exists { .. })));
        assert_eq!(fs::read(root.join("a.txt")).expect("read"), b"a");
        assert_eq!(entries(&root), 2);
    }
}
