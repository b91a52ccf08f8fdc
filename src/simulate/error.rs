//! What goes wrong with a recipe or while a series is written.

use std::path::{Path, PathBuf};

/// Why no series was made.
#[derive(Debug, thiserror::Error)]
pub enum SimulateError {
    /// The recipe is no recipe, or asks for what cannot be.
    #[error("{}, {key}: {fault}; {remedy}", .file.display())]
    Recipe {
        /// The recipe.
        file: PathBuf,
        /// The key, or the line, at fault.
        key: String,
        /// What is wrong, with the value found.
        fault: String,
        /// What to do about it.
        remedy: String,
    },
    /// The folder to be written is there already.
    #[error("{}: there already; choose another --out, or give --force to replace it", .0.display())]
    Exists(PathBuf),
    /// The operating system refused.
    #[error("{}: {error}; check the name, the permissions and the space on the disk", .path.display())]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What the operating system says.
        error: std::io::Error,
    },
    /// A file format cannot hold what was to be written.
    #[error("{}: {fault}; a smaller series, or a report of this fault, would help", .path.display())]
    Encode {
        /// The file.
        path: PathBuf,
        /// What the encoder says.
        fault: String,
    },
}

impl SimulateError {
    /// The operating system refused `path`.
    pub fn io(path: &Path, error: std::io::Error) -> Self {
        Self::Io { path: path.to_path_buf(), error }
    }

    /// The encoder of `path` refused.
    pub fn encode(path: &Path, fault: impl std::fmt::Display) -> Self {
        Self::Encode { path: path.to_path_buf(), fault: fault.to_string() }
    }
}
