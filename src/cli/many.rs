//! Many series from the command line: what is told while they are assessed, the table at the end, the index page.

use super::assess::{STOPPED, verdict_status};
use super::{files, ledger, links};
use crate::ledger::{Address, Ledger, LedgerError};
use crate::many::run::{self, Enter};
use crate::many::{Ask, Done, How, Job, Search, State, Told};
use crate::record::reading;
use crate::report::many::{Entry, Head, page};
use clap::Args;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

/// Options of every run over many series.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Many series")]
pub struct ManyArgs {
    /// Series that are assessed at once [default: a quarter of the processors]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pub jobs: Option<u16>,
    /// Memory for all of them together, in MB [default: 0.9 of what is free]
    #[arg(long, value_name = "MB")]
    pub memory_mb: Option<u64>,
    /// Read stacks whole to find out whether they changed, whatever their sizes and times say
    #[arg(long)]
    pub rehash: bool,
}

/// The folder for the results where none is named.
pub const DEFAULT_OUT: &str = "tiltworth-quality";
/// The page that lists all series.
pub const INDEX: &str = "index.html";
/// Angles that the table names; the index has them all.
const ANGLES: usize = 4;

/// A run over many series.
pub struct Many<'a> {
    /// The series.
    pub jobs: Vec<Job>,
    /// Folder of the results and the index.
    pub out: &'a Path,
    /// What is asked of each.
    pub ask: &'a Ask,
    /// Folder whose templates replace the built-in ones.
    pub templates: Option<&'a Path>,
    /// Assess what has not changed, too.
    pub force: bool,
    /// The ledger's URL.
    pub ledger: Option<&'a str>,
    /// Say nothing but errors.
    pub quiet: bool,
    /// The rest.
    pub args: &'a ManyArgs,
}

/// How a run ended.
#[derive(Debug, Default)]
pub struct Ended {
    /// Every series of the run.
    pub done: Vec<Done>,
    /// Whether everything came out as it should.
    pub sound: bool,
    /// Whether the user stopped it.
    pub stopped: bool,
}

impl Ended {
    /// The exit status: 130 stopped, 1 where something failed, else by the gravest verdict where that is asked for.
    pub fn status(&self, exit_verdict: bool) -> u8 {
        if self.stopped {
            return STOPPED;
        }
        if !self.sound {
            return 1;
        }
        let told = self.done.iter().filter_map(|done| done.told.as_ref());
        if exit_verdict { told.map(|told| verdict_status(told.answer)).max().unwrap_or(0) } else { 0 }
    }
}

impl Many<'_> {
    /// Runs, and tells of each series as it is done.
    ///
    /// # Errors
    /// Standard output cannot be written.
    pub fn run(&self, go_on: &(dyn Fn() -> bool + Sync)) -> io::Result<Ended> {
        let workers = rayon::current_num_threads();
        let address = self.ledger.and_then(|url| ledger::address(url).ok());
        let into_ledger = |folder: &Path| address.as_ref().map_or(Ok(()), |address| enter(address, folder));
        let enter: Option<Enter<'_>> = address.as_ref().map(|_| &into_ledger as Enter<'_>);
        let how = How {
            ask: self.ask,
            templates: self.templates,
            force: self.force,
            rehash: self.args.rehash,
            jobs: self.args.jobs.map_or((workers / 4).max(1), usize::from),
            workers,
            memory: self.args.memory_mb.map(|mb| mb.saturating_mul(1_000_000)),
            enter,
        };
        let terminal = !self.quiet && io::stderr().is_terminal();
        let target = if terminal { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
        let bar = ProgressBar::with_draw_target(Some(self.jobs.len() as u64), target);
        if let Ok(style) = ProgressStyle::with_template("{bar:32}  {pos}/{len} series  {eta} left") {
            bar.set_style(style);
        }
        let tell = |done: &Done, number: usize| {
            bar.inc(1);
            bar.suspend(|| {
                if let Some(line) = line(done, number, self.jobs.len(), self.quiet) {
                    // A closed standard error must not end the run.
                    let _ = writeln!(io::stderr().lock(), "{line}");
                }
            });
        };
        let done = run::all(&self.jobs, &how, go_on, &tell);
        bar.finish_and_clear();
        for one in &done {
            if let Some(error) = &one.not_entered {
                let record = one.job.folder.join("record.json");
                let later = format!("later: tiltworth ledger add {} --ledger URL", record.display());
                writeln!(io::stderr().lock(), "tiltworth: {}: not in the ledger ({error}); {later}", one.job.name())?;
            }
        }
        let sound = !done.iter().any(|one| matches!(one.state, State::Failed(_)) || one.not_entered.is_some());
        let stopped = done.iter().any(|one| one.state == State::Stopped);
        Ok(Ended { done, sound, stopped })
    }

    /// Writes the index page; a failure is told, and makes the run unsound.
    ///
    /// # Errors
    /// Standard output cannot be written.
    pub fn index(&self, entries: &[Entry], head: &Head) -> io::Result<bool> {
        let index = self.out.join(INDEX);
        let made = page(entries, head, self.templates).map_err(|error| error.to_string()).and_then(|page| {
            let written = std::fs::create_dir_all(self.out).and_then(|()| files::write(&index, page.as_bytes(), true));
            written.map_err(|error| {
                format!("{}: it cannot be written ({error}); check the space and the permission", index.display())
            })
        });
        match &made {
            Ok(()) if !self.quiet => writeln!(io::stdout().lock(), "index: {}", index.display())?,
            Ok(()) => {}
            Err(error) => writeln!(io::stderr().lock(), "tiltworth: {error}")?,
        }
        Ok(made.is_ok())
    }
}

/// Enters the record of a result folder in a ledger.
pub fn enter(address: &Address, folder: &Path) -> Result<(), LedgerError> {
    let file = folder.join("record.json");
    let text = reading::text(&file).map_err(|error| LedgerError::passed(&error))?;
    let mut open = Ledger::open(address, true)?;
    open.add(&text, &file.display().to_string(), ledger::report_beside(&file)).map(|_| ())
}

/// What is told of a series at once; nothing but failures where nothing else is wanted.
fn line(done: &Done, number: usize, of: usize, quiet: bool) -> Option<String> {
    let name = plain(&done.job.name());
    let said = match (&done.state, &done.told) {
        (State::Failed(why), _) => return Some(format!("tiltworth: {name}: {why}")),
        (State::Stopped, _) => return None,
        (State::Unchanged, _) => "unchanged, skipped".to_owned(),
        (State::Assessed, told) => told.as_ref().map(|told| told.headline.clone()).unwrap_or_default(),
    };
    (!quiet).then(|| format!("[{number}/{of}] {name}: {said}"))
}

/// What became of each series, for the index.
pub fn entries(out: &Path, done: &[Done]) -> Vec<Entry> {
    let reports: Vec<Option<String>> = done.iter().map(|one| report(&one.job.folder)).collect();
    let links = links::to(out, reports.iter().map(Option::as_deref));
    let entry = |(one, link): (&Done, Option<String>)| Entry {
        name: one.job.name(),
        told: one.told.clone(),
        state: state(&one.state).to_owned(),
        fault: match &one.state {
            State::Failed(why) => Some(why.clone()),
            _ => one.not_entered.as_ref().map(|error| format!("not in the ledger ({error})")),
        },
        link,
    };
    done.iter().zip(links).map(entry).collect()
}

fn report(folder: &Path) -> Option<String> {
    folder.join("report.html").canonicalize().ok()?.to_str().map(str::to_owned)
}

/// A state in a word or two.
pub fn state(state: &State) -> &'static str {
    match state {
        State::Assessed => "assessed",
        State::Unchanged => "unchanged, skipped",
        State::Failed(_) => "failed",
        State::Stopped => "not reached",
    }
}

/// The verdict in lower-case words, as the table on the terminal shows it.
fn verdict(told: Option<&Told>) -> &'static str {
    use crate::record::Answer;
    match told.map(|told| told.answer) {
        Some(Answer::Reconstruct) => "reconstruct",
        Some(Answer::ReconstructWithout) => "reconstruct without",
        Some(Answer::DoNotReconstruct) => "not as it stands",
        Some(Answer::Undecided) => "undecided",
        None => "–",
    }
}

/// The table at the end: name, what became of it, verdict, what to leave out, where the report is.
pub fn table(entries: &[Entry], done: &[Done]) -> String {
    let mut rows = vec![["series", "this run", "verdict", "leave out", "report"].map(str::to_owned)];
    for (entry, one) in entries.iter().zip(done) {
        let page =
            ["report.html", "record.json"].iter().map(|name| one.job.folder.join(name)).find(|page| page.exists());
        rows.push([
            plain(&entry.name),
            entry.state.clone(),
            verdict(entry.told.as_ref()).into(),
            entry.told.as_ref().map_or_else(|| "–".into(), |told| angles(&told.exclude_tilts_deg)),
            page.map_or_else(|| "–".into(), |page| plain(&page.display().to_string())),
        ]);
    }
    let width = |column: usize| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0);
    let widths = [width(0), width(1), width(2), width(3)];
    let line = |row: &[String; 5]| {
        let cells: String = row.iter().zip(widths).map(|(cell, width)| format!("{cell:<width$}  ")).collect();
        format!("{cells}{}\n", row[4])
    };
    rows.iter().map(line).collect()
}

fn angles(angles: &[f64]) -> String {
    if angles.is_empty() {
        return "nothing".into();
    }
    let shown = angles.iter().take(ANGLES).map(|deg| format!("{deg:+.1}°")).collect::<Vec<_>>().join(", ");
    match angles.len().saturating_sub(ANGLES) {
        0 => shown,
        more => format!("{shown} and {more} more"),
    }
}

/// Text out of files without what would command a terminal.
pub fn plain(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect()
}

/// Tells what a search could not take for a series; gives notes for the index.
///
/// # Errors
/// Standard error cannot be written.
pub fn search_told(search: &Search, quiet: bool) -> io::Result<Vec<String>> {
    let mut notes = Vec::new();
    for (path, fault) in &search.faults {
        notes.push(format!("{}: {fault}", path.display()));
        writeln!(io::stderr().lock(), "tiltworth: {}: {}", plain(&path.display().to_string()), plain(fault))?;
    }
    if let Some(first) = search.alone.first() {
        let what = "neither a series.toml nor a table or list of its name beside it, and was passed over";
        let note = match search.alone.len() {
            1 => format!("a stack has {what}: {}", first.display()),
            more => format!("each of {more} stacks has {what} (one is {})", first.display()),
        };
        if !quiet {
            writeln!(io::stderr().lock(), "{}", plain(&note))?;
        }
        notes.push(note);
    }
    Ok(notes)
}

/// The time as pages state it.
pub fn now() -> String {
    jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
}

/// Folders as they are told.
pub fn shown(folders: &[PathBuf]) -> Vec<String> {
    folders.iter().map(|folder| folder.display().to_string()).collect()
}
