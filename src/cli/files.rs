//! One file written whole or not at all.

use std::fs::File;
use std::io::{self, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use tempfile::NamedTempFile;

/// A file that takes its name only once it is complete.
pub struct WholeFile {
    file: NamedTempFile,
    path: PathBuf,
}

impl WholeFile {
    /// Begins a file.
    ///
    /// # Errors
    /// Its folder cannot be written.
    pub fn new(path: &Path) -> io::Result<Self> {
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let file = tempfile::Builder::new().prefix(".tiltworth-").tempfile_in(folder)?;
        Ok(Self { file, path: path.to_path_buf() })
    }

    /// Where to write.
    pub fn writer(&mut self) -> &mut File {
        self.file.as_file_mut()
    }

    /// Gives the file its name; `replace` lets it take the place of another.
    ///
    /// # Errors
    /// What the disk says; a file of this name, without `replace`.
    pub fn keep(self, replace: bool) -> io::Result<()> {
        self.file.as_file().sync_all()?;
        // A temporary file is private; this one is as readable as any file that the user makes.
        std::fs::set_permissions(self.file.path(), std::fs::Permissions::from_mode(0o644))?;
        let kept = if replace { self.file.persist(&self.path) } else { self.file.persist_noclobber(&self.path) };
        kept.map(|_| ()).map_err(|error| error.error)
    }
}

/// Writes a text.
///
/// # Errors
/// As [`WholeFile::keep`].
pub fn write(path: &Path, bytes: &[u8], replace: bool) -> io::Result<()> {
    let mut file = WholeFile::new(path)?;
    file.writer().write_all(bytes)?;
    file.keep(replace)
}
