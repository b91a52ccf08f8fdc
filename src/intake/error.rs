//! What goes wrong with what a site hands in: each error names the file, the place in it, the fault and the way out.

use std::fmt;
use std::path::{Path, PathBuf};

/// Bad or unsupported input.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct IntakeError {
    /// Whose fault it is.
    pub kind: IntakeErrorKind,
    /// The file.
    pub file: PathBuf,
    /// Where in the file: `row 14, column tilt_deg`, `page 3`, `header`; empty for the file as a whole.
    pub place: String,
    /// What is wrong, with the value found.
    pub fault: String,
    /// What to do about it.
    pub remedy: String,
}

/// Whose fault an [`IntakeError`] is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum IntakeErrorKind {
    /// The input contradicts itself, or is damaged or incomplete.
    Bad,
    /// The input may be sound, but tiltworth does not read its kind.
    Unsupported,
    /// The operating system could not read it.
    Unreadable,
}

impl IntakeError {
    /// Input that contradicts itself, or is damaged or incomplete.
    pub fn bad(file: &Path, place: impl Into<String>, fault: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self::new(IntakeErrorKind::Bad, file, place.into(), fault.into(), remedy.into())
    }

    /// Input of a kind that tiltworth does not read.
    pub fn unsupported(
        file: &Path,
        place: impl Into<String>,
        fault: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Self::new(IntakeErrorKind::Unsupported, file, place.into(), fault.into(), remedy.into())
    }

    /// The operating system could not open or read the file.
    pub fn unreadable(file: &Path, place: impl Into<String>, error: &std::io::Error) -> Self {
        let remedy = match error.kind() {
            std::io::ErrorKind::NotFound => "check the name and that its disk is mounted",
            std::io::ErrorKind::PermissionDenied => "ask for permission to read it",
            _ => "check the disk or the network share it lies on",
        };
        Self::new(IntakeErrorKind::Unreadable, file, place.into(), error.to_string(), remedy.into())
    }

    /// File and fault without the remedy, for a note.
    pub fn fault_told(&self) -> String {
        format!("{}: {}", self.file.display(), self.fault)
    }

    fn new(kind: IntakeErrorKind, file: &Path, place: String, fault: String, remedy: String) -> Self {
        Self { kind, file: file.to_path_buf(), place, fault, remedy }
    }
}

impl fmt::Display for IntakeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file.display())?;
        if !self.place.is_empty() {
            write!(f, ", {}", self.place)?;
        }
        write!(f, ": {}; {}", self.fault, self.remedy)
    }
}
