//! `tiltworth render`: the page again, from a record and the evidence beside it.

use crate::record::archive;
use crate::record::{reading, reading::RecordError};
use crate::report;
use clap::Args;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Options of `tiltworth render`.
#[derive(Debug, Clone, Args)]
pub struct RenderArgs {
    /// A record.json with its evidence.zip beside it
    #[arg(value_name = "RECORD")]
    pub record: PathBuf,
    /// The page to write [default: report.html in the current folder]
    #[arg(long, value_name = "FILE", default_value = "report.html", hide_default_value = true)]
    pub out: PathBuf,
    /// Replace an earlier page
    #[arg(long)]
    pub force: bool,
    /// Folder whose templates replace the built-in ones
    #[arg(long, value_name = "DIR")]
    pub templates: Option<PathBuf>,
}

/// A page that was not made: file, fault and remedy.
#[derive(Debug, thiserror::Error)]
pub enum RenderError {
    /// The record.
    #[error("{0}")]
    Record(#[from] RecordError),
    /// Anything else.
    #[error("{}: {fault}; {remedy}", file.display())]
    File {
        /// The file.
        file: PathBuf,
        /// What is wrong.
        fault: String,
        /// What to do.
        remedy: &'static str,
    },
}

/// Makes the page; gives its path.
///
/// # Errors
/// The record or the evidence cannot be read; the page exists or cannot be written.
pub fn run(args: &RenderArgs) -> Result<PathBuf, RenderError> {
    let wrong = |file: &Path, fault: String, remedy| RenderError::File { file: file.to_path_buf(), fault, remedy };
    let out = &args.out;
    if out.symlink_metadata().is_ok() && !args.force {
        return Err(wrong(
            out,
            "it exists already".into(),
            "choose another file with --out, or replace it with --force",
        ));
    }
    let record = reading::file(&args.record)?;
    let evidence_path = args.record.with_file_name("evidence.zip");
    let beside = "keep evidence.zip beside the record";
    let evidence = archive::read(&evidence_path).map_err(|e| wrong(&evidence_path, e.to_string(), beside))?;
    let page = report::render(&record, &evidence, args.templates.as_deref())
        .map_err(|e| wrong(&args.record, e.to_string(), "check the templates"))?;
    let folder = out.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let disk = "check the space on the disk and the permission";
    let written = tempfile::NamedTempFile::new_in(folder).and_then(|mut file| {
        file.write_all(page.as_bytes())?;
        file.as_file().sync_all()?;
        file.persist(out).map_err(|error| error.error)
    });
    written.map_err(|error| wrong(out, error.to_string(), disk))?;
    Ok(out.clone())
}
