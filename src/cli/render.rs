//! `tiltworth render`: the page again, from a record and the evidence beside it; or the verdict as it would be without
//! other tilts.

use crate::cli::paper::{self, PaperError, Sheet};
use crate::judge::Profile;
use crate::judge::profile::ProfileError;
use crate::judge::what_if::{self, WhatIfError};
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
    /// The page to write, or with --without also a record (a name that ends in .json) [default: report.html (pair.html) in
    /// the current folder; with --without nothing is written unless this is given]
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Replace an earlier page
    #[arg(long)]
    pub force: bool,
    /// Folder whose templates replace the built-in ones
    #[arg(long, value_name = "DIR")]
    pub templates: Option<PathBuf>,
    /// Print the page too, beside it as .pdf, where Chromium is installed
    #[arg(long, value_name = "SHEET", num_args = 0..=1, require_equals = true, default_missing_value = "a4")]
    pub pdf: Option<Sheet>,
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
    /// The record.
    #[error("{0}")]
    Record(#[from] RecordError),
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
    /// The page stands, its print does not.
    #[error("{0}")]
    Paper(#[from] PaperError),
}

/// Makes the page, or tells what were if other tilts were left out; gives what is to be said of it.
///
/// # Errors
/// The record or the evidence cannot be read; the page exists or cannot be written; a tilt that is not there.
pub fn run(args: &RenderArgs) -> Result<String, RenderError> {
    let text = reading::text(&args.record)?;
    let is_pair = serde_json::from_str::<serde_json::Value>(&text).is_ok_and(|json| json.get("pair_version").is_some());
    if is_pair && args.without.is_some() {
        let remedy = "name the record.json of one of the two series";
        return Err(wrong(&args.record, "--without speaks of one series, not of a pair", remedy));
    }
    let default = if is_pair { "pair.html" } else { "report.html" };
    let out = args.out.clone().or_else(|| args.without.is_none().then(|| PathBuf::from(default)));
    if let Some(out) = out.as_deref().filter(|out| out.symlink_metadata().is_ok() && !args.force) {
        return Err(wrong(out, "it exists already", "choose another file with --out, or replace it with --force"));
    }
    if is_pair {
        let out = out.unwrap_or_else(|| PathBuf::from(default));
        write(&out, &pair(args, &text)?)?;
        return Ok(format!("report: {}\n{}", out.display(), printed(args, &out)?));
    }
    let mut record = reading::parse(&text, &args.record.display().to_string())?;
    let mut told = String::new();
    if let Some(list) = &args.without {
        let profile = args.profile.as_deref().map(|name| Profile::find(Some(name), record.series.specimen));
        record = what_if::without(&record, list, profile.transpose()?.as_ref())?;
        told = summary(&record);
    }
    if let Some(out) = &out {
        write(out, &content(args, &record, out)?)?;
        told += &format!("report: {}\n{}", out.display(), printed(args, out)?);
    }
    Ok(told)
}

/// Prints the page where that is asked for, and says where.
fn printed(args: &RenderArgs, page: &Path) -> Result<String, RenderError> {
    let Some(sheet) = args.pdf else { return Ok(String::new()) };
    Ok(format!("printed: {}\n", paper::print(page, sheet)?.display()))
}

/// The page, or the record where that is what is asked for.
fn content(args: &RenderArgs, record: &Record, out: &Path) -> Result<String, RenderError> {
    if args.without.is_some() && out.extension().is_some_and(|extension| extension == "json") {
        let json = serde_json::to_string_pretty(record).map_err(|e| wrong(out, e, "please report this"))?;
        return Ok(json + "\n");
    }
    report::render(record, &evidence(&args.record)?, args.templates.as_deref())
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

fn wrong(file: &Path, fault: impl std::fmt::Display, remedy: &'static str) -> RenderError {
    RenderError::File { file: file.to_path_buf(), fault: fault.to_string(), remedy }
}

/// A record and the evidence beside it.
fn read(path: &Path) -> Result<(Record, Evidence), RenderError> {
    Ok((reading::file(path)?, evidence(path)?))
}

/// The evidence beside a record.
fn evidence(record: &Path) -> Result<Evidence, RenderError> {
    let beside = record.with_file_name("evidence.zip");
    archive::read(&beside).map_err(|e| wrong(&beside, e, "keep evidence.zip beside the record"))
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
