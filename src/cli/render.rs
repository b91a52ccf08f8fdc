//! `tiltworth render`: the page again, from a record and the evidence beside it.

use crate::record::archive;
use crate::record::evidence::Evidence;
use crate::record::pair::PairRecord;
use crate::record::{Record, reading, reading::RecordError};
use crate::report::{self, pair::Side};
use clap::Args;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Options of `tiltworth render`.
#[derive(Debug, Clone, Args)]
pub struct RenderArgs {
    /// A record.json with its evidence.zip beside it, or a pair.json with the folders of its series
    #[arg(value_name = "RECORD")]
    pub record: PathBuf,
    /// The page to write [default: report.html (pair.html) in the current folder]
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
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
    let text = reading::text(&args.record)?;
    let is_pair = serde_json::from_str::<serde_json::Value>(&text).is_ok_and(|json| json.get("pair_version").is_some());
    let default = if is_pair { "pair.html" } else { "report.html" };
    let out = &args.out.clone().unwrap_or_else(|| PathBuf::from(default));
    if out.symlink_metadata().is_ok() && !args.force {
        return Err(wrong(
            out,
            "it exists already".into(),
            "choose another file with --out, or replace it with --force",
        ));
    }
    let page = if is_pair { pair(args, &text)? } else { series(args, &args.record)? };
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

fn wrong(file: &Path, fault: String, remedy: &'static str) -> RenderError {
    RenderError::File { file: file.to_path_buf(), fault, remedy }
}

/// A record and the evidence beside it.
fn read(path: &Path) -> Result<(Record, Evidence), RenderError> {
    let record = reading::file(path)?;
    let beside = path.with_file_name("evidence.zip");
    let evidence =
        archive::read(&beside).map_err(|e| wrong(&beside, e.to_string(), "keep evidence.zip beside the record"))?;
    Ok((record, evidence))
}

fn series(args: &RenderArgs, path: &Path) -> Result<String, RenderError> {
    let (record, evidence) = read(path)?;
    report::render(&record, &evidence, args.templates.as_deref())
        .map_err(|e| wrong(path, e.to_string(), "check the templates"))
}

/// The page of a pair, from its record and the folders of its series beside that.
fn pair(args: &RenderArgs, text: &str) -> Result<String, RenderError> {
    let path = &args.record;
    let pair: PairRecord =
        serde_json::from_str(text).map_err(|e| wrong(path, e.to_string(), "name the pair.json of a result folder"))?;
    // An id is a plain name, whatever the file says: nothing outside of the folder is read.
    let home = |id: &str| path.with_file_name(Path::new(id).file_name().unwrap_or_default()).join("record.json");
    let (a, b) = (read(&home(&pair.a.series_id))?, read(&home(&pair.b.series_id))?);
    let sides = [Side { record: &a.0, evidence: &a.1 }, Side { record: &b.0, evidence: &b.1 }];
    report::render_pair(&pair, [&sides[0], &sides[1]], args.templates.as_deref())
        .map_err(|e| wrong(path, e.to_string(), "check the templates"))
}
