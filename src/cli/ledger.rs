//! `tiltworth ledger`: records into the lab's database, and out of it again.

use crate::ledger::summary::word;
use crate::ledger::{Added, Address, Filter, Ledger, LedgerError, SeriesName, Summary};
use crate::record::reading;
use clap::{Args, Subcommand};
use std::fmt::Write as _;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// The ledger where none is named.
pub const DEFAULT: &str = "tiltworth-ledger.sqlite";

/// What to do with a ledger.
#[derive(Debug, Clone, Subcommand)]
pub enum LedgerCommand {
    /// Add records; one that is there already adds nothing, another of the same series becomes its next revision
    Add {
        /// record.json files, or .jsonl files with a record a line
        #[arg(required = true, value_name = "RECORD")]
        records: Vec<PathBuf>,
        /// Which ledger.
        #[command(flatten)]
        at: LedgerArgs,
    },
    /// List the series, each by its last assessment
    List {
        /// Which series.
        #[command(flatten)]
        filter: FilterArgs,
        /// Earlier assessments too
        #[arg(long)]
        all_revisions: bool,
        /// Which ledger.
        #[command(flatten)]
        at: LedgerArgs,
    },
    /// Show one series with all its assessments
    Show {
        /// Its id, followed by @ and the beginning of its stack's SHA-256 where two stacks have one id
        #[arg(value_name = "SERIES")]
        series: String,
        /// Print the whole record of this revision instead
        #[arg(long, value_name = "N")]
        record: Option<i64>,
        /// Which ledger.
        #[command(flatten)]
        at: LedgerArgs,
    },
    /// Write whole records, one a line, to take elsewhere (`ledger add` reads them)
    Export {
        /// File to write [default: standard output]
        #[arg(long, value_name = "FILE.jsonl")]
        out: Option<PathBuf>,
        /// Which series.
        #[command(flatten)]
        filter: FilterArgs,
        /// Earlier assessments too
        #[arg(long)]
        all_revisions: bool,
        /// Which ledger.
        #[command(flatten)]
        at: LedgerArgs,
    },
    /// Take a series out, with all its assessments
    Forget {
        /// As for show
        #[arg(value_name = "SERIES")]
        series: String,
        /// Which ledger.
        #[command(flatten)]
        at: LedgerArgs,
    },
}

/// Which ledger.
#[derive(Debug, Clone, Args)]
pub struct LedgerArgs {
    /// sqlite:PATH, a path, or postgres://USER@HOST/DATABASE (password: PGPASSWORD) [default: tiltworth-ledger.sqlite]
    #[arg(long, value_name = "URL", default_value = DEFAULT, hide_default_value = true)]
    pub ledger: String,
}

impl LedgerArgs {
    /// Where it lies.
    ///
    /// # Errors
    /// A URL of another kind.
    pub fn address(&self) -> Result<Address, LedgerError> {
        address(&self.ledger)
    }

    fn open(&self, create: bool) -> Result<Ledger, LedgerError> {
        Ledger::open(&self.address()?, create)
    }
}

/// The address that a URL stands for, with the environment's password.
///
/// # Errors
/// A URL of another kind.
pub fn address(url: &str) -> Result<Address, LedgerError> {
    Address::parse(url, std::env::var("PGPASSWORD").ok())
}

/// Which series.
#[derive(Debug, Clone, Default, Args)]
pub struct FilterArgs {
    /// Of this microscope alone
    #[arg(long, value_name = "NAME")]
    pub instrument: Option<String>,
    /// From this day on (2031-02-03) or this time (RFC 3339)
    #[arg(long, value_name = "DATE")]
    pub since: Option<String>,
    /// Up to and with this day, or before this time
    #[arg(long, value_name = "DATE")]
    pub until: Option<String>,
    /// Of this kind of specimen alone
    #[arg(long, value_name = "KIND", value_parser = ["resin-section", "vitrified", "other"])]
    pub specimen: Option<String>,
}

impl FilterArgs {
    /// The filter.
    ///
    /// # Errors
    /// A day that is none.
    pub fn filter(&self) -> Result<Filter, LedgerError> {
        Ok(Filter {
            instrument: self.instrument.clone(),
            specimen: self.specimen.clone(),
            since: self.since.as_deref().map(|day| moment("--since", day, false)).transpose()?,
            until: self.until.as_deref().map(|day| moment("--until", day, true)).transpose()?,
            all_revisions: false,
        })
    }
}

/// A day or time as the ledger writes times; with `after`, the end of the day.
///
/// # Errors
/// Neither a day nor a time.
pub fn moment(option: &str, text: &str, after: bool) -> Result<String, LedgerError> {
    if let Some(time) = crate::ledger::summary::utc(text) {
        return Ok(time);
    }
    let day: Option<jiff::civil::Date> = text.parse().ok();
    let day = day.and_then(|day| if after { day.tomorrow().ok() } else { Some(day) });
    day.map(|day| format!("{day}T00:00:00Z")).ok_or_else(|| {
        LedgerError::new(&format!("{option} {text}"), "it is neither a day nor a time", "write 2031-02-03")
    })
}

/// Does what is asked; gives what to tell.
///
/// # Errors
/// A record that cannot be read; what the database or the disk says.
pub fn run(command: &LedgerCommand) -> Result<String, LedgerError> {
    match command {
        LedgerCommand::Add { records, at } => add(records, at),
        LedgerCommand::List { filter, all_revisions, at } => {
            let filter = Filter { all_revisions: *all_revisions, ..filter.filter()? };
            Ok(listed(&at.open(false)?.list(&filter)?))
        }
        LedgerCommand::Show { series, record, at } => {
            let revisions = at.open(false)?.show(&SeriesName::parse(series))?;
            match record {
                None => Ok(shown(&revisions.into_iter().map(|(summary, _)| summary).collect::<Vec<_>>())),
                Some(wanted) => {
                    let found = revisions.into_iter().find(|(summary, _)| summary.revision == *wanted);
                    found.map(|(_, text)| text + "\n").ok_or_else(|| {
                        let fault = format!("it has no revision {wanted}");
                        LedgerError::new(series, &fault, "`tiltworth ledger show` lists them")
                    })
                }
            }
        }
        LedgerCommand::Export { out, filter, all_revisions, at } => {
            let filter = Filter { all_revisions: *all_revisions, ..filter.filter()? };
            export(&mut at.open(false)?, &filter, out.as_deref())
        }
        LedgerCommand::Forget { series, at } => {
            let revisions = at.open(false)?.forget(&SeriesName::parse(series))?;
            Ok(format!("{}: forgotten, {revisions} assessment{}\n", plain(series), plural(revisions as usize)))
        }
    }
}

/// Adds each record in a transaction of its own; the first that fails ends the run, those before it stay.
fn add(records: &[PathBuf], at: &LedgerArgs) -> Result<String, LedgerError> {
    let mut ledger = at.open(true)?;
    let mut counts = [0usize; 3];
    for path in records {
        let text = reading::text(path).map_err(|error| LedgerError::passed(&error))?;
        let origin = path.display().to_string();
        let is_lines = path.extension().is_some_and(|extension| extension == "jsonl");
        let texts: Vec<&str> =
            if is_lines { text.lines().filter(|line| !line.trim().is_empty()).collect() } else { vec![&text] };
        let report = if is_lines { None } else { report_beside(path) };
        for (line, text) in texts.into_iter().enumerate() {
            let origin = if is_lines { format!("{origin}, line {}", line + 1) } else { origin.clone() };
            counts[match ledger.add(text, &origin, report.clone())? {
                Added::New => 0,
                Added::Revision(_) => 1,
                Added::Known(_) => 2,
            }] += 1;
        }
    }
    let [new, revised, known] = counts;
    Ok(format!(
        "{}: {new} new series, {revised} new revision{}, {known} there already\n",
        at.address()?,
        plural(revised)
    ))
}

fn plural(number: usize) -> &'static str {
    if number == 1 { "" } else { "s" }
}

/// Where the report of a record lies, if it lies beside it.
pub fn report_beside(record: &Path) -> Option<String> {
    let report = record.with_file_name("report.html").canonicalize().ok()?;
    report.to_str().map(str::to_owned)
}

fn export(ledger: &mut Ledger, filter: &Filter, out: Option<&Path>) -> Result<String, LedgerError> {
    let name = out.map_or("standard output".into(), |path| path.display().to_string());
    let disk = |error: io::Error| LedgerError::new(&name, &error.to_string(), "check the space and the permission");
    let mut number = 0;
    let mut to = |writer: &mut dyn Write, ledger: &mut Ledger| {
        ledger.records(filter, &mut |record| {
            number += 1;
            writeln!(writer, "{record}").map_err(disk)
        })
    };
    match out {
        None => {
            let mut writer = io::BufWriter::new(io::stdout().lock());
            to(&mut writer, ledger)?;
            writer.flush().map_err(disk)?;
            Ok(String::new())
        }
        Some(path) => {
            let mut whole = crate::cli::files::WholeFile::new(path).map_err(disk)?;
            to(&mut io::BufWriter::new(whole.writer()), ledger)?;
            whole.keep(true).map_err(disk)?;
            Ok(format!("{name}: {number} record{}\n", plural(number)))
        }
    }
}

/// Text out of files without what would command a terminal.
fn plain(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect()
}

fn listed(summaries: &[Summary]) -> String {
    let mut out = String::new();
    for summary in summaries {
        let day: String = summary.time().chars().take(10).collect();
        let instrument = plain(summary.instrument.as_deref().unwrap_or("–"));
        let _ = writeln!(
            out,
            "{day}  {instrument:<16}  {:<28}  r{:<3} {:<20}  {}",
            plain(&summary.series_id),
            summary.revision,
            word(&summary.answer),
            plain(summary.title.as_deref().unwrap_or_default())
        );
    }
    let _ = writeln!(out, "{} assessment{}", summaries.len(), plural(summaries.len()));
    out
}

fn shown(revisions: &[Summary]) -> String {
    let mut out = String::new();
    let Some(last) = revisions.last() else { return out };
    let mut line = |name: &str, value: &str| {
        let _ = writeln!(out, "{name:<12}{}", plain(value));
    };
    line("series", &last.series_id);
    line("stack", &last.stack_sha256);
    line("title", last.title.as_deref().unwrap_or("–"));
    line("microscope", last.instrument.as_deref().unwrap_or("–"));
    line("started", last.started_at.as_deref().unwrap_or("–"));
    for revision in revisions {
        let report = revision.report_path.as_deref().unwrap_or("no report beside it");
        let text = format!(
            "assessed {} by {}: {}; {} of {} tilts left out; {report}",
            revision.assessed_at, revision.tool_version, revision.headline, revision.excluded_tilts, revision.tilts
        );
        line(&format!("revision {}", revision.revision), &text);
    }
    out
}
