//! `tiltworth assess`: from a series to a report with a verdict.

use crate::assess::{AssessError, Assessed};
use crate::cli::pair::{self, PairError};
use crate::cli::paper::{self, Sheet};
use crate::cli::{
    self,
    facts::FactArgs,
    many,
    many::{Many, ManyArgs},
};
use crate::intake::Series;
use crate::judge::Profile;
use crate::ledger::LedgerError;
use crate::many::{Ask, Job, ask};
use crate::record::output::{self, OutputError};
use crate::record::{Answer, Record};
use crate::report::many::Head;
use crate::report::{self, ReportError};
use clap::Args;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Options of `tiltworth assess`.
#[derive(Debug, Clone, Args)]
pub struct AssessArgs {
    /// Folders with a series.toml, such files, or stacks; with --recursive, folders that hold series
    #[arg(required = true, value_name = "SERIES")]
    pub series: Vec<PathBuf>,
    /// Folder for the results [default: <series_id>-quality in the current folder]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Replace an earlier result
    #[arg(long)]
    pub force: bool,
    /// Profile of limits: a built-in name or a file [default: by the kind of specimen]
    #[arg(long, value_name = "NAME|FILE")]
    pub profile: Option<String>,
    /// Folder whose templates replace the built-in ones
    #[arg(long, value_name = "DIR")]
    pub templates: Option<PathBuf>,
    /// Write the record and its tables alone: no page, no pictures
    #[arg(long, conflicts_with_all = ["pair", "templates", "pdf"])]
    pub no_report: bool,
    /// Print the report as report.pdf too, where Chromium is installed
    #[arg(long, value_name = "SHEET", num_args = 0..=1, require_equals = true, default_missing_value = "a4")]
    pub pdf: Option<Sheet>,
    /// Assess what is there of a series that was broken off
    #[arg(long)]
    pub partial: bool,
    /// The rows of the table (or list) stand in the order of acquisition
    #[arg(long)]
    pub rows_are_in_order: bool,
    /// The two SERIES are one specimen about two axes: one page for both beside their reports
    #[arg(long)]
    pub pair: bool,
    /// Exit with 10 (reconstruct without some tilts), 11 (not as it stands) or 12 (undecided)
    #[arg(long)]
    pub exit_verdict: bool,
    /// Assess every series in the folders SERIES, skipping those that have not changed [--out: tiltworth-quality]
    #[arg(long, short, conflicts_with_all = ["pair", "pdf", "table", "angles", "series_id", "title"])]
    pub recursive: bool,
    /// Add the record to this ledger: sqlite:PATH, a path, or postgres://USER@HOST/DATABASE (password: PGPASSWORD)
    #[arg(long, value_name = "URL")]
    pub ledger: Option<String>,
    /// Say nothing but errors
    #[arg(long, short)]
    pub quiet: bool,
    /// How many series at once.
    #[command(flatten)]
    pub many: ManyArgs,
    /// Facts.
    #[command(flatten)]
    pub facts: FactArgs,
}

/// An assessment that was not made, or not kept where it was asked for.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "each variant passes another stage's message on")]
pub enum Failure {
    #[error("{0}")]
    Series(#[from] ask::Failure),
    #[error("{0}")]
    Pair(#[from] PairError),
    #[error("the report stands in {}, but its record is not in the ledger ({error}); later: tiltworth ledger add {} --ledger URL", folder.display(), folder.join("record.json").display())]
    Ledger { folder: PathBuf, error: LedgerError },
}

impl Failure {
    fn stopped(&self) -> bool {
        matches!(self, Self::Series(failure) if failure.stopped())
    }
}

/// A stage's own error is one of the series.
macro_rules! of_the_series {
    ($($error:ty),*) => {$(
        impl From<$error> for Failure {
            fn from(error: $error) -> Self {
                Self::Series(error.into())
            }
        }
    )*};
}

of_the_series!(AssessError, ReportError, OutputError);

/// What clap gives for a command line that cannot be.
const WRONG_COMMAND: u8 = 2;
/// What a shell gives for a command that Ctrl-C ended.
pub const STOPPED: u8 = 130;

impl AssessArgs {
    /// What is asked of every series.
    pub fn ask(&self) -> Ask {
        Ask {
            facts: self.facts.sheet(),
            partial: self.partial,
            rows_are_in_order: self.rows_are_in_order,
            profile: self.profile.clone(),
            no_report: self.no_report,
        }
    }
}

/// Assesses all series; gives the exit status. One that fails does not keep the others from being assessed. Ctrl-C (and
/// a request to end) stops the work before anything is written.
///
/// # Errors
/// Standard output cannot be written.
pub fn run(args: &AssessArgs) -> io::Result<u8> {
    let stop = stop_asked();
    // A URL that can never be right is told before hours of work.
    if let Some(error) = args.ledger.as_deref().and_then(|url| cli::ledger::address(url).err()) {
        writeln!(io::stderr().lock(), "tiltworth: {error}")?;
        return Ok(1);
    }
    if args.pair {
        return run_pair(args, &|| !stop.load(Ordering::Relaxed));
    }
    if args.recursive {
        return run_recursive(args, &|| !stop.load(Ordering::Relaxed));
    }
    let mut status = 0;
    let mut failed = false;
    for path in &args.series {
        match one(args, path, &|| !stop.load(Ordering::Relaxed)) {
            Ok((record, folder)) => {
                status = status.max(if args.exit_verdict { verdict_status(record.verdict.answer) } else { 0 });
                if !args.quiet {
                    summary(&mut io::stdout().lock(), &record, &folder)?;
                }
                printed(args, &folder.join("report.html"))?;
                failed |= !entered(args, folder)?;
            }
            Err(failure) => {
                failed = true;
                writeln!(io::stderr().lock(), "tiltworth: {failure}")?;
                if failure.stopped() {
                    return Ok(STOPPED);
                }
            }
        }
    }
    Ok(if failed { 1 } else { status })
}

/// A flag that Ctrl-C, or a request to end, sets.
pub fn stop_asked() -> Arc<AtomicBool> {
    let stop = Arc::new(AtomicBool::new(false));
    let asked = Arc::clone(&stop);
    // Without a handler the system ends the program at once, which leaves nothing half-written either.
    let _ = ctrlc::set_handler(move || asked.store(true, Ordering::Relaxed));
    stop
}

/// Every series in the folders; gives the exit status.
fn run_recursive(args: &AssessArgs, go_on: &(dyn Fn() -> bool + Sync)) -> io::Result<u8> {
    let out = args.out.clone().unwrap_or_else(|| PathBuf::from(many::DEFAULT_OUT));
    let search = crate::many::find::series(&args.series, &out);
    let notes = many::search_told(&search, args.quiet)?;
    if search.found.is_empty() {
        let what =
            "no series was found: one is a folder with a series.toml, or a stack with a table or list of its name";
        writeln!(io::stderr().lock(), "tiltworth: {what}")?;
        return Ok(1);
    }
    let sound_search = search.faults.is_empty();
    let ask = args.ask();
    let run = Many {
        jobs: Job::below(&out, search.found),
        out: &out,
        ask: &ask,
        templates: args.templates.as_deref(),
        force: args.force,
        ledger: args.ledger.as_deref(),
        quiet: args.quiet,
        args: &args.many,
    };
    let mut ended = run.run(go_on)?;
    let entries = many::entries(&out, &ended.done);
    if !args.quiet {
        write!(io::stdout().lock(), "{}", many::table(&entries, &ended.done))?;
    }
    let head = Head { from: many::shown(&args.series), made_at: many::now(), notes };
    let indexed = run.index(&entries, &head)?;
    ended.sound &= sound_search && indexed;
    Ok(ended.status(args.exit_verdict))
}

/// Enters the record of a folder in the ledger, where one is named; false if that failed, which is told: the result
/// stands, whatever becomes of its entry.
fn entered(args: &AssessArgs, folder: PathBuf) -> io::Result<bool> {
    let Some(error) = args
        .ledger
        .as_deref()
        .and_then(|url| cli::ledger::address(url).and_then(|address| many::enter(&address, &folder)).err())
    else {
        return Ok(true);
    };
    writeln!(io::stderr().lock(), "tiltworth: {}", Failure::Ledger { folder, error })?;
    Ok(false)
}

/// Prints a page where that is asked for. The result stands, whatever becomes of its print: a failure is told, and no more.
fn printed(args: &AssessArgs, page: &Path) -> io::Result<()> {
    match args.pdf.map(|sheet| paper::print(page, sheet)) {
        Some(Ok(pdf)) if !args.quiet => writeln!(io::stdout().lock(), "  printed: {}", pdf.display()),
        Some(Err(error)) => writeln!(io::stderr().lock(), "tiltworth: {error}"),
        _ => Ok(()),
    }
}

/// Two series as a pair; gives the exit status.
fn run_pair(args: &AssessArgs, go_on: &(dyn Fn() -> bool + Sync)) -> io::Result<u8> {
    let [first, second] = args.series.as_slice() else {
        let given = args.series.len();
        writeln!(io::stderr().lock(), "tiltworth: --pair takes two SERIES, not {given}; name the two of one specimen")?;
        return Ok(WRONG_COMMAND);
    };
    match pair::run(args, [first, second], go_on) {
        Ok(paired) => {
            if !args.quiet {
                let mut out = io::stdout().lock();
                for record in &paired.records {
                    summary(&mut out, record, &paired.folder.join(&record.series.series_id))?;
                }
                pair::summary(&mut out, &paired)?;
            }
            printed(args, &paired.folder.join("pair.html"))?;
            for record in &paired.records {
                printed(args, &paired.folder.join(&record.series.series_id).join("report.html"))?;
            }
            let mut failed = false;
            for record in paired.records.iter().filter(|_| args.ledger.is_some()) {
                failed |= !entered(args, paired.folder.join(&record.series.series_id))?;
            }
            if failed {
                return Ok(1);
            }
            let worst = pair::answers(&paired).into_iter().map(verdict_status).max().unwrap_or(0);
            Ok(if args.exit_verdict { worst } else { 0 })
        }
        Err(failure) => {
            writeln!(io::stderr().lock(), "tiltworth: {failure}")?;
            Ok(if failure.stopped() { STOPPED } else { 1 })
        }
    }
}

/// What `--exit-verdict` gives for an answer.
pub fn verdict_status(answer: Answer) -> u8 {
    match answer {
        Answer::Reconstruct => 0,
        Answer::ReconstructWithout => 10,
        Answer::DoNotReconstruct => 11,
        Answer::Undecided => 12,
    }
}

fn one(args: &AssessArgs, path: &Path, go_on: &(dyn Fn() -> bool + Sync)) -> Result<(Record, PathBuf), Failure> {
    let (series, profile) = loaded(args, path)?;
    let folder = folder(args, &series);
    output::check(&folder, args.force)?;
    let Assessed { record, evidence, .. } = assessed(args, &series, &profile, go_on)?;
    let page = match args.no_report {
        true => None,
        false => Some(report::render(&record, &evidence, args.templates.as_deref())?),
    };
    if !go_on() {
        return Err(AssessError::Stopped.into());
    }
    output::write(&folder, &record, &evidence, page.as_deref(), args.force)?;
    Ok((record, folder))
}

/// A series as it is understood, with the profile that it is held up to.
///
/// # Errors
/// What is wrong with the input or the profile.
pub fn loaded(args: &AssessArgs, path: &Path) -> Result<(Series, Profile), Failure> {
    Ok(args.ask().load(path, None)?)
}

/// A series measured and judged, with its progress shown.
///
/// # Errors
/// Nothing can be read, a file changed meanwhile, or the work was stopped.
pub fn assessed(
    args: &AssessArgs,
    series: &Series,
    profile: &Profile,
    go_on: &(dyn Fn() -> bool + Sync),
) -> Result<Assessed, Failure> {
    let progress = Progress::new(series, args.quiet);
    let assessed = args.ask().assess(series, profile, &|| progress.step(), go_on);
    progress.end();
    Ok(assessed?)
}

fn folder(args: &AssessArgs, series: &Series) -> PathBuf {
    match &args.out {
        Some(out) if args.series.len() > 1 => out.join(&series.series_id),
        Some(out) => out.clone(),
        None => PathBuf::from(format!("{}-quality", series.series_id)),
    }
}

/// A bar on a terminal, one plain line elsewhere.
struct Progress(ProgressBar);

impl Progress {
    fn new(series: &Series, quiet: bool) -> Self {
        let sections = series.sections.len() as u64;
        let terminal = io::stderr().is_terminal();
        let target = if quiet || !terminal { ProgressDrawTarget::hidden() } else { ProgressDrawTarget::stderr() };
        if !quiet && !terminal {
            let (id, tilts) = (&series.series_id, series.tilts.len());
            // A closed standard error must not end an assessment.
            let _ = writeln!(io::stderr().lock(), "{id}: measuring {sections} sections of {tilts} tilts");
        }
        let bar = ProgressBar::with_draw_target(Some(sections), target);
        if let Ok(style) = ProgressStyle::with_template("{prefix}  {bar:32}  {pos}/{len} sections  {eta} left") {
            bar.set_style(style);
        }
        bar.set_prefix(series.series_id.clone());
        Self(bar)
    }

    fn step(&self) {
        self.0.inc(1);
    }

    fn end(&self) {
        self.0.finish_and_clear();
    }
}

/// Reasons told at the end; the report has them all.
const REASONS: usize = 4;

fn summary(out: &mut impl Write, record: &Record, folder: &Path) -> io::Result<()> {
    let verdict = &record.verdict;
    writeln!(out, "{}: {}", record.series.series_id, verdict.headline)?;
    for reason in verdict.reasons.iter().take(REASONS) {
        writeln!(out, "  - {reason}")?;
    }
    if verdict.reasons.len() > REASONS {
        writeln!(out, "  - and {} more in the report", verdict.reasons.len() - REASONS)?;
    }
    if !verdict.exclude_tilts_deg.is_empty() {
        writeln!(out, "  leave out: {}", degrees(&verdict.exclude_tilts_deg))?;
    }
    if !verdict.low_weight_tilts_deg.is_empty() {
        writeln!(out, "  keep with a low weight: {}", degrees(&verdict.low_weight_tilts_deg))?;
    }
    for other in verdict.alternatives.iter().filter(|other| !other.chosen) {
        writeln!(out, "  or {}", other.sentence)?;
    }
    writeln!(out, "  {} of {} checks could be made", verdict.checks_made, verdict.checks_in_profile)?;
    match folder.join("report.html") {
        report if report.exists() => writeln!(out, "  report: {}", report.display()),
        _ => writeln!(out, "  record: {}", folder.join("record.json").display()),
    }
}

fn degrees(angles: &[f64]) -> String {
    angles.iter().map(|deg| format!("{deg:+.1}°")).collect::<Vec<_>>().join(", ")
}
