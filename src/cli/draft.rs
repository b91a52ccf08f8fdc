//! `tiltworth draft`: a first series sheet, to be read and filled in.

use crate::intake::IntakeError;
use crate::intake::draft::{DraftRequest, draft};
use clap::Args;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Options of `tiltworth draft`.
#[derive(Debug, Clone, Args)]
pub struct DraftArgs {
    /// Stack, or folder of one-image files
    #[arg(value_name = "STACK")]
    pub stack: PathBuf,
    /// Table of sections, CSV or TSV
    #[arg(long, value_name = "FILE")]
    pub table: Option<PathBuf>,
    /// List of angles, one in degrees a line, in stack order
    #[arg(long, value_name = "FILE", conflicts_with = "table")]
    pub angles: Option<PathBuf>,
    /// Sheet to write
    #[arg(long, value_name = "FILE", default_value = "series.toml")]
    pub out: PathBuf,
    /// Replace an earlier sheet
    #[arg(long)]
    pub force: bool,
}

/// A draft that was not written.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "each variant passes another stage's message on")]
pub enum DraftFailure {
    #[error("{0}")]
    Intake(#[from] IntakeError),
    #[error("{}: it exists already; choose another file with --out, or replace it with --force", .0.display())]
    Exists(PathBuf),
    #[error("{}: it cannot be written ({error}); check the space on the disk and the permission", file.display())]
    Disk { file: PathBuf, error: io::Error },
}

/// Writes a draft; gives what to tell.
///
/// # Errors
/// The inputs cannot be read; the sheet exists or cannot be written.
pub fn run(args: &DraftArgs) -> Result<String, DraftFailure> {
    if !args.force && args.out.symlink_metadata().is_ok() {
        return Err(DraftFailure::Exists(args.out.clone()));
    }
    let home = match args.out.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_path_buf(),
        _ => PathBuf::from("."),
    };
    let draft = draft(&DraftRequest {
        stack: args.stack.clone(),
        table: args.table.clone(),
        angles: args.angles.clone(),
        home: home.clone(),
    })?;
    write(&home, &args.out, &draft.text, args.force)
        .map_err(|error| DraftFailure::Disk { file: args.out.clone(), error })?;
    let mut told: String = draft.told.iter().map(|line| format!("  - {line}\n")).collect();
    let out = args.out.display();
    told.push_str(&format!(
        "next: read {out} and fill it in; then\n  tiltworth inspect {out}\n  tiltworth assess {out}\n"
    ));
    Ok(format!("{out}: a draft\n{told}"))
}

/// Whole or not at all.
fn write(home: &Path, out: &Path, text: &str, force: bool) -> io::Result<()> {
    let mut file = tempfile::Builder::new().prefix(".tiltworth-").tempfile_in(home)?;
    file.write_all(text.as_bytes())?;
    file.as_file().sync_all()?;
    set_readable(file.path())?;
    let kept = if force { file.persist(out) } else { file.persist_noclobber(out) };
    kept.map(|_| ()).map_err(|error| error.error)
}

/// A temporary file is private; a sheet is as readable as any file the user makes.
fn set_readable(path: &Path) -> io::Result<()> {
    use std::os::unix::fs::PermissionsExt;
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o644))
}
