//! `tiltworth export --cif`: the facts of a record that a deposition asks for.

use crate::cli::files;
use crate::exchange::cif;
use crate::record::{reading, reading::RecordError};
use clap::Args;
use std::path::PathBuf;

/// Options of `tiltworth export`.
#[derive(Debug, Clone, Args)]
pub struct ExportArgs {
    /// A record.json
    #[arg(value_name = "RECORD")]
    pub record: PathBuf,
    /// As items of the public mmCIF dictionary (the only form so far)
    #[arg(long, required = true)]
    pub cif: bool,
    /// File to write [default: standard output]
    #[arg(long, value_name = "FILE.cif")]
    pub out: Option<PathBuf>,
    /// Replace an earlier file
    #[arg(long)]
    pub force: bool,
}

/// Facts that were not written.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "each variant passes another stage's message on")]
pub enum ExportFailure {
    #[error("{0}")]
    Record(#[from] RecordError),
    #[error("{}: it exists already; choose another file with --out, or replace it with --force", .0.display())]
    Exists(PathBuf),
    #[error("{}: it cannot be written ({error}); check the space on the disk and the permission", file.display())]
    Disk { file: PathBuf, error: std::io::Error },
}

/// Gives the text, or writes it and says where.
///
/// # Errors
/// The record cannot be read; the file is there already or cannot be written.
pub fn run(args: &ExportArgs) -> Result<String, ExportFailure> {
    let text = cif::text(&reading::file(&args.record)?);
    let Some(out) = &args.out else { return Ok(text) };
    if out.symlink_metadata().is_ok() && !args.force {
        return Err(ExportFailure::Exists(out.clone()));
    }
    files::write(out, text.as_bytes(), args.force).map_err(|error| ExportFailure::Disk { file: out.clone(), error })?;
    Ok(format!("facts: {}\n", out.display()))
}
