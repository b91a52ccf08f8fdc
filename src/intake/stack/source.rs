//! A file that many workers read at once, each at its own place.

use crate::intake::error::IntakeError;
use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

/// An open file with its length at the time of opening.
#[derive(Debug)]
pub struct Source {
    pub path: PathBuf,
    pub file: File,
    pub len: u64,
}

impl Source {
    pub fn open(path: &Path) -> Result<Self, IntakeError> {
        let unreadable = |error: io::Error| IntakeError::unreadable(path, "", &error);
        let meta = std::fs::metadata(path).map_err(unreadable)?;
        if !meta.is_file() {
            return Err(IntakeError::bad(path, "", "this is no regular file", "name the stack file"));
        }
        let file = File::open(path).map_err(unreadable)?;
        Ok(Self { path: path.to_path_buf(), file, len: meta.len() })
    }

    /// Reads `bytes` bytes at `offset`; the caller has checked that they lie inside the file.
    pub fn read_at(&self, offset: u64, bytes: usize) -> io::Result<Vec<u8>> {
        let mut buffer = vec![0; bytes];
        self.read_into(offset, &mut buffer)?;
        Ok(buffer)
    }

    /// Fills `buffer` with the bytes at `offset`.
    pub fn read_into(&self, offset: u64, buffer: &mut [u8]) -> io::Result<()> {
        self.file.read_exact_at(buffer, offset)
    }

    /// Reads `bytes` bytes at `offset` through a buffer and drops them; gives how many there were.
    pub fn fetch(&self, offset: u64, bytes: u64, buffer: &mut [u8]) -> u64 {
        let mut done = 0;
        while done < bytes {
            let piece = usize::try_from(bytes - done).unwrap_or(usize::MAX).min(buffer.len());
            match self.file.read_at(&mut buffer[..piece], offset.saturating_add(done)) {
                Ok(read) if read > 0 => done += read as u64,
                _ => break,
            }
        }
        done
    }

    /// Whether `bytes` bytes at `offset` lie inside the file.
    pub fn holds(&self, offset: u64, bytes: u64) -> bool {
        offset.checked_add(bytes).is_some_and(|end| end <= self.len)
    }

    /// TIFF or BigTIFF in either byte order.
    pub fn is_tiff(&self) -> bool {
        let magic = self.read_at(0, 4).unwrap_or_default();
        matches!(magic.as_slice(), [b'I', b'I', 42 | 43, 0] | [b'M', b'M', 0, 42 | 43])
    }
}
