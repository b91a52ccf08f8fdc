//! `tiltworth render`: the page again, from a record and the evidence beside it; or the verdict as it would be without
//! other tilts.

use crate::judge::Profile;
use crate::judge::profile::ProfileError;
use crate::judge::what_if::{self, WhatIfError};
use crate::record::{Record, archive};
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
    /// The page to write, or with --without also a record (a name that ends in .json) [default: report.html in the current
    /// folder; with --without nothing is written unless this is given]
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Replace an earlier page
    #[arg(long)]
    pub force: bool,
    /// Folder whose templates replace the built-in ones
    #[arg(long, value_name = "DIR")]
    pub templates: Option<PathBuf>,
    /// What if these tilts alone were left out: angles (12,-60), sections (s17), or auto, what the verdict leaves out
    #[arg(long, value_name = "LIST", allow_hyphen_values = true)]
    pub without: Option<String>,
    /// With --without: judge by this profile instead of the record's own
    #[arg(long, value_name = "NAME|FILE", requires = "without")]
    pub profile: Option<String>,
}

/// A page that was not made: file, fault and remedy.
#[derive(Debug, thiserror::Error)]
pub enum RenderError {
    /// A file.
    #[error("{}: {fault}; {remedy}", file.display())]
    File {
        /// Which.
        file: PathBuf,
        /// What is wrong with it.
        fault: String,
        /// What to do.
        remedy: &'static str,
    },
    /// A list of tilts that cannot be left out.
    #[error("{0}")]
    WhatIf(#[from] WhatIfError),
    /// A profile.
    #[error("{0}")]
    Profile(#[from] ProfileError),
}

fn wrong(file: &Path, fault: impl ToString, remedy: &'static str) -> RenderError {
    RenderError::File { file: file.to_path_buf(), fault: fault.to_string(), remedy }
}

/// Makes the page, or answers what was asked; gives what is to be printed.
///
/// # Errors
/// The record or the evidence cannot be read; the page exists or cannot be written; a tilt that is not there.
pub fn run(args: &RenderArgs) -> Result<String, RenderError> {
    let again = "name the record.json of a result folder";
    let out = args.out.clone().or_else(|| args.without.is_none().then(|| PathBuf::from("report.html")));
    if let Some(out) = out.as_deref().filter(|out| out.symlink_metadata().is_ok() && !args.force) {
        return Err(wrong(out, "it exists already", "choose another file with --out, or replace it with --force"));
    }
    let text = std::fs::read_to_string(&args.record).map_err(|e| wrong(&args.record, e, again))?;
    let mut record: Record = serde_json::from_str(&text).map_err(|e| wrong(&args.record, e, again))?;
    let mut told = String::new();
    if let Some(list) = &args.without {
        let profile = args.profile.as_deref().map(|name| Profile::find(Some(name), record.series.specimen));
        record = what_if::without(&record, list, profile.transpose()?.as_ref())?;
        told = summary(&record);
    }
    if let Some(out) = &out {
        write(out, &content(args, &record, out)?)?;
        told += &format!("report: {}\n", out.display());
    }
    Ok(told)
}

/// The page, or the record where that is what is asked for.
fn content(args: &RenderArgs, record: &Record, out: &Path) -> Result<String, RenderError> {
    if args.without.is_some() && out.extension().is_some_and(|extension| extension == "json") {
        let json = serde_json::to_string_pretty(record).map_err(|e| wrong(out, e, "please report this"))?;
        return Ok(json + "\n");
    }
    let evidence_path = args.record.with_file_name("evidence.zip");
    let beside = "keep evidence.zip beside the record";
    let evidence = archive::read(&evidence_path).map_err(|e| wrong(&evidence_path, e, beside))?;
    report::render(record, &evidence, args.templates.as_deref())
        .map_err(|e| wrong(&args.record, e, "check the templates"))
}

fn write(out: &Path, text: &str) -> Result<(), RenderError> {
    let folder = out.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let disk = "check the space on the disk and the permission";
    let written = tempfile::NamedTempFile::new_in(folder).and_then(|mut file| {
        file.write_all(text.as_bytes())?;
        file.as_file().sync_all()?;
        file.persist(out).map_err(|error| error.error)
    });
    written.map(|_| ()).map_err(|error| wrong(out, error, disk))
}

/// The answer to a what-if, for the terminal.
fn summary(record: &Record) -> String {
    let verdict = &record.verdict;
    let asked = verdict.what_if.as_ref().map_or("", |what_if| what_if.asked.as_str());
    let mut told = format!("{}: what if without {asked}? {}\n", record.series.series_id, verdict.headline);
    for reason in &verdict.reasons {
        told += &format!("  - {reason}\n");
    }
    for cost in &verdict.costs {
        told += &format!(
            "  {:+.1}° ({}): {}, gap {} → {}°\n",
            cost.tilt_deg,
            cost.cause,
            cost.decision,
            cost.gap_with_deg.map_or("–".into(), |gap| format!("{gap:.1}")),
            cost.gap_without_deg.map_or("–".into(), |gap| format!("{gap:.1}"))
        );
    }
    if let Some(what_if) = &verdict.what_if {
        told += &format!("  the verdict on record stays: {}\n", what_if.instead_of);
    }
    told
}
