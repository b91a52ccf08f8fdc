//! `tiltworth pack`: a result as an archive for an electronic lab notebook.

use crate::cli::files::WholeFile;
use crate::exchange::eln::{self, PARTS, Part, Statement, safe_name};
use crate::record::{reading, reading::RecordError};
use clap::Args;
use std::io::BufWriter;
use std::path::PathBuf;

/// Options of `tiltworth pack`.
#[derive(Debug, Clone, Args)]
pub struct PackArgs {
    /// A record.json; report, tables and evidence beside it are packed with it
    #[arg(value_name = "RECORD")]
    pub record: PathBuf,
    /// The archive to write
    #[arg(long, value_name = "FILE.eln")]
    pub out: PathBuf,
    /// Who made the series
    #[arg(long, value_name = "NAME")]
    pub author: Option<String>,
    /// Licence of the data: its URL, or words
    #[arg(long, value_name = "URL|TEXT")]
    pub license: Option<String>,
    /// Replace an earlier archive
    #[arg(long)]
    pub force: bool,
}

/// An archive that was not written.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "each variant passes another stage's message on")]
pub enum PackFailure {
    #[error("{0}")]
    Record(#[from] RecordError),
    #[error("{}: it exists already; choose another file with --out, or replace it with --force", .0.display())]
    Exists(PathBuf),
    #[error("{}: it cannot be read ({error}); check the permission", file.display())]
    Part { file: PathBuf, error: std::io::Error },
    #[error("{}: it cannot be written ({fault}); check the space on the disk and the permission", file.display())]
    Disk { file: PathBuf, fault: String },
}

/// Writes the archive; gives what to tell.
///
/// # Errors
/// The record cannot be read; the archive is there already or cannot be written.
pub fn run(args: &PackArgs) -> Result<String, PackFailure> {
    if args.out.symlink_metadata().is_ok() && !args.force {
        return Err(PackFailure::Exists(args.out.clone()));
    }
    let record = reading::file(&args.record)?;
    let (mut parts, mut missing) = (Vec::new(), Vec::new());
    for (name, format, about) in PARTS {
        let file = if name == "record.json" { args.record.clone() } else { args.record.with_file_name(name) };
        match std::fs::read(&file) {
            Ok(bytes) => parts.push(Part { name, format, about, bytes }),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => missing.push(name),
            Err(error) => return Err(PackFailure::Part { file, error }),
        }
    }
    let top = args.out.file_stem().map_or("series".into(), |stem| safe_name(&stem.to_string_lossy()));
    let statement = Statement { author: args.author.clone(), license: args.license.clone() };
    let disk = |fault: String| PackFailure::Disk { file: args.out.clone(), fault };
    let mut whole = WholeFile::new(&args.out).map_err(|error| disk(error.to_string()))?;
    eln::write(&record, &parts, &statement, &top, BufWriter::new(whole.writer()))
        .map_err(|error| disk(error.to_string()))?;
    whole.keep(args.force).map_err(|error| disk(error.to_string()))?;
    let mut told = format!("archive: {}, {} files\n", args.out.display(), parts.len());
    if !missing.is_empty() {
        told += &format!("  not beside the record, and left out: {}\n", missing.join(", "));
    }
    Ok(told)
}
