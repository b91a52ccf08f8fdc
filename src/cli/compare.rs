//! `tiltworth compare`: sessions over weeks as control charts, one page and one table.

use crate::cli::ledger::{FilterArgs, LedgerArgs, moment, report_beside};
use crate::cli::{chosen, files, links};
use crate::compare::sessions::day;
use crate::compare::{Choice, compare, table};
use crate::judge::watch::Watch;
use crate::judge::{Profile, ProfileError};
use crate::ledger::{Ledger, LedgerError, Summary};
use crate::record::{Specimen, reading, reading::RecordError};
use crate::report::ReportError;
use crate::report::compare::{Told, page};
use clap::Args;
use std::path::{Path, PathBuf};

/// Options of `tiltworth compare`.
#[derive(Debug, Clone, Args)]
pub struct CompareArgs {
    /// record.json files, in place of a ledger
    #[arg(value_name = "RECORD", conflicts_with = "ledger")]
    pub records: Vec<PathBuf>,
    /// Which ledger.
    #[command(flatten)]
    pub at: LedgerArgs,
    /// Which series.
    #[command(flatten)]
    pub filter: FilterArgs,
    /// First day of the baseline [default: that of the first sessions]
    #[arg(long, value_name = "DATE")]
    pub baseline_since: Option<String>,
    /// Last day of the baseline
    #[arg(long, value_name = "DATE")]
    pub baseline_until: Option<String>,
    /// Profile whose table of watched figures applies: a built-in name or a file
    #[arg(long, value_name = "NAME|FILE")]
    pub profile: Option<String>,
    /// The page to write; the table stands beside it as .csv
    #[arg(long, value_name = "FILE.html", default_value = "comparison.html")]
    pub out: PathBuf,
    /// Replace an earlier page and table
    #[arg(long)]
    pub force: bool,
    /// Folder whose templates replace the built-in ones
    #[arg(long, value_name = "DIR")]
    pub templates: Option<PathBuf>,
}

/// A comparison that was not made.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "each variant passes another stage's message on")]
pub enum CompareFailure {
    #[error("{0}")]
    Ledger(#[from] LedgerError),
    #[error("{0}")]
    Record(#[from] RecordError),
    #[error("{0}")]
    Profile(#[from] ProfileError),
    #[error("{0}")]
    Report(#[from] ReportError),
    #[error("the table cannot be made ({0}): this is a fault of tiltworth's, please report it")]
    Table(#[from] crate::record::tables::csv_text::Error),
    #[error(
        "no series fits: see `tiltworth ledger list`, or choose more with --instrument, --since, --until, --specimen"
    )]
    Nothing,
    #[error("{}: it exists already; choose another file with --out, or replace it with --force", .0.display())]
    Exists(PathBuf),
    #[error("{}: it cannot be written ({error}); check the space on the disk and the permission", file.display())]
    Disk { file: PathBuf, error: std::io::Error },
}

/// Writes page and table; gives what to tell.
///
/// # Errors
/// Ledger or records cannot be read; nothing fits; a file is there already or cannot be written.
pub fn run(args: &CompareArgs) -> Result<String, CompareFailure> {
    let csv_path = args.out.with_extension("csv");
    let taken = [&args.out, &csv_path].into_iter().find(|path| path.symlink_metadata().is_ok());
    if let (Some(taken), false) = (taken, args.force) {
        return Err(CompareFailure::Exists(taken.clone()));
    }
    let watch = watch(args)?;
    let mut choice = Choice::default();
    if let Some(since) = &args.baseline_since {
        choice.baseline_from = day(&moment("--baseline-since", since, false)?);
    }
    if let Some(until) = &args.baseline_until {
        choice.baseline_until = day(&moment("--baseline-until", until, true)?);
    }
    let (summaries, source) = summaries(args)?;
    if summaries.is_empty() {
        return Err(CompareFailure::Nothing);
    }
    let comparison = compare(summaries, &watch, &choice);
    let folder = args.out.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let told = Told {
        source,
        chosen: chosen::words(args),
        links: links::to(folder, comparison.summaries.iter().map(|summary| summary.report_path.as_deref())),
        made_at: jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
    };
    let html = page(&comparison, &told, args.templates.as_deref())?;
    let csv = table::csv(&comparison)?;
    for (path, text) in [(&csv_path, &csv), (&args.out, &html)] {
        files::write(path, text.as_bytes(), args.force)
            .map_err(|error| CompareFailure::Disk { file: path.clone(), error })?;
    }
    let standing = comparison.charts.iter().filter(|chart| chart.signals.iter().any(|signal| signal.lasts)).count();
    let charted = comparison.charts.iter().filter(|chart| chart.centre.is_some()).count();
    Ok(format!(
        "{} sessions of {} series: {standing} of {charted} charts with limits stand out at their last session\n  page: {}\n  table: {}\n",
        comparison.sessions.len(),
        comparison.summaries.len(),
        args.out.display(),
        csv_path.display()
    ))
}

/// The profile's own table, else the built-in one.
fn watch(args: &CompareArgs) -> Result<Watch, CompareFailure> {
    let specimen =
        if args.filter.specimen.as_deref() == Some("vitrified") { Specimen::Vitrified } else { Specimen::Other };
    let own = Profile::find(args.profile.as_deref(), specimen)?.watch;
    match own.or(Profile::find(None, specimen)?.watch) {
        Some(watch) => Ok(watch),
        None => Err(ProfileError {
            origin: "the built-in profile".into(),
            fault: "it has no [watch] table".into(),
            remedy: "this is a fault of tiltworth's, please report it".into(),
        }
        .into()),
    }
}

fn summaries(args: &CompareArgs) -> Result<(Vec<Summary>, String), CompareFailure> {
    let filter = args.filter.filter()?;
    if args.records.is_empty() {
        let address = args.at.address()?;
        return Ok((Ledger::open(&address, false)?.list(&filter)?, chosen::ledger(&address)));
    }
    let mut found = Vec::new();
    for path in &args.records {
        let summary = Summary::of(&reading::file(path)?, report_beside(path));
        if filter.takes(&summary) {
            found.push(summary);
        }
    }
    Ok((last_of_each(found), chosen::files(args.records.len())))
}

/// Of several records of one series the one that was assessed last, as in a ledger.
fn last_of_each(mut summaries: Vec<Summary>) -> Vec<Summary> {
    summaries.sort_by(|a, b| {
        let identity = |summary: &Summary| (summary.stack_sha256.clone(), summary.series_id.clone());
        identity(a).cmp(&identity(b)).then(b.assessed_at.cmp(&a.assessed_at))
    });
    summaries.dedup_by(|a, b| a.stack_sha256 == b.stack_sha256 && a.series_id == b.series_id);
    summaries.sort_by(|a, b| a.time().cmp(b.time()).then(a.series_id.cmp(&b.series_id)));
    summaries
}
