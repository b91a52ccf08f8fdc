//! `tiltworth watch`: assesses series as they become complete, until it is ended.

use super::assess::stop_asked;
use super::facts::FactArgs;
use super::many::{self, DEFAULT_OUT, Many, ManyArgs};
use crate::many::watch::{Look, Watch};
use crate::many::{Ask, Done, Job, State, Told, find};
use crate::report::many::{Entry, Head};
use clap::Args;
use std::collections::HashMap;
use std::io::{self, Write};
use std::path::PathBuf;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

/// Options of `tiltworth watch`.
#[derive(Debug, Clone, Args)]
pub struct WatchArgs {
    /// Folders that hold series, or will
    // A table, a list or a name of one series would be that of all.
    #[arg(required = true, value_name = "FOLDER", conflicts_with_all = ["table", "angles", "series_id", "title"])]
    pub folders: Vec<PathBuf>,
    /// Folder for the results and the index [default: tiltworth-quality]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// A series is complete once its files have not changed for this long
    #[arg(long, value_name = "SECONDS", default_value_t = 120)]
    pub quiet: u64,
    /// Time from one sweep to the next
    #[arg(long, value_name = "SECONDS", default_value_t = 30)]
    pub every: u64,
    /// One sweep alone, for cron
    #[arg(long)]
    pub once: bool,
    /// Profile of limits: a built-in name or a file [default: by the kind of specimen]
    #[arg(long, value_name = "NAME|FILE")]
    pub profile: Option<String>,
    /// Folder whose templates replace the built-in ones
    #[arg(long, value_name = "DIR")]
    pub templates: Option<PathBuf>,
    /// Write records and their tables alone: no pages, no pictures
    #[arg(long, conflicts_with = "templates")]
    pub no_report: bool,
    /// The rows of the tables (or lists) stand in the order of acquisition
    #[arg(long)]
    pub rows_are_in_order: bool,
    /// Add the records to this ledger: sqlite:PATH, a path, or postgres://USER@HOST/DATABASE (password: PGPASSWORD)
    #[arg(long, value_name = "URL")]
    pub ledger: Option<String>,
    /// How many at once.
    #[command(flatten)]
    pub many: ManyArgs,
    /// Facts.
    #[command(flatten)]
    pub facts: FactArgs,
}

/// How often a sleeping watch looks whether it is to end.
const LOOK: Duration = Duration::from_millis(100);

/// Watches until it is asked to end, which is no failure; gives the exit status.
///
/// # Errors
/// Standard output cannot be written.
pub fn run(args: &WatchArgs) -> io::Result<u8> {
    let stop = stop_asked();
    let go_on = || !stop.load(Ordering::Relaxed);
    if let Some(error) = args.ledger.as_deref().and_then(|url| super::ledger::address(url).err()) {
        writeln!(io::stderr().lock(), "tiltworth: {error}")?;
        return Ok(1);
    }
    let mut sweeps = Sweeps { watch: Watch::default(), said: HashMap::new(), indexed: Vec::new() };
    loop {
        let status = sweeps.sweep(args, &go_on)?;
        if args.once && go_on() {
            return Ok(status);
        }
        let begun = Instant::now();
        while go_on() && begun.elapsed() < Duration::from_secs(args.every) {
            std::thread::sleep(LOOK);
        }
        if !go_on() {
            writeln!(io::stderr().lock(), "ended")?;
            return Ok(0);
        }
    }
}

/// What one sweep leaves for the next.
struct Sweeps {
    watch: Watch,
    /// What was told of each thing last: it is told again only when it is another.
    said: HashMap<String, String>,
    /// The index as it was written last.
    indexed: Vec<Entry>,
}

impl Sweeps {
    fn sweep(&mut self, args: &WatchArgs, go_on: &(dyn Fn() -> bool + Sync)) -> io::Result<u8> {
        let out = args.out.clone().unwrap_or_else(|| PathBuf::from(DEFAULT_OUT));
        let ask = Ask {
            facts: args.facts.sheet(),
            partial: false,
            rows_are_in_order: args.rows_are_in_order,
            profile: args.profile.clone(),
            no_report: args.no_report,
        };
        let search = find::series(&args.folders, &out);
        let mut sound = search.faults.is_empty();
        for (path, fault) in &search.faults {
            self.tell(&path.display().to_string(), fault)?;
        }
        let jobs = Job::below(&out, search.found);
        let quiet = Duration::from_secs(args.quiet);
        let looks: Vec<Look> = jobs.iter().map(|job| self.watch.look(job, &ask, quiet)).collect();
        for (job, look) in jobs.iter().zip(&looks) {
            if let Look::Waits(why) = look {
                self.tell(&job.name(), &format!("waits: {why}"))?;
            }
        }
        let ready = |(job, look): (&Job, &Look)| (*look == Look::Ready).then(|| job.clone());
        let run = Many {
            jobs: jobs.iter().zip(&looks).filter_map(ready).collect(),
            out: &out,
            ask: &ask,
            templates: args.templates.as_deref(),
            force: false,
            ledger: args.ledger.as_deref(),
            quiet: false,
            args: &args.many,
        };
        let ended = run.run(go_on)?;
        for one in ended.done.iter().filter(|one| one.state != State::Stopped) {
            // What is not in the ledger yet is tried again like what failed.
            self.watch.attempted(&one.job, one.told.clone().filter(|_| one.not_entered.is_none()));
        }
        sound &= ended.sound;
        let entries = entries(&out, &jobs, &looks, ended.done);
        if entries != self.indexed {
            let head = Head { from: many::shown(&args.folders), made_at: many::now(), notes: Vec::new() };
            sound &= run.index(&entries, &head)?;
            self.indexed = entries;
        }
        Ok(u8::from(!sound))
    }

    fn tell(&mut self, name: &str, what: &str) -> io::Result<()> {
        if self.said.get(name).is_none_or(|said| said != what) {
            self.said.insert(name.into(), what.into());
            writeln!(io::stderr().lock(), "{}: {}", many::plain(name), many::plain(what))?;
        }
        Ok(())
    }
}

/// All series for the index: those of this sweep, those that stand, those that wait.
fn entries(out: &std::path::Path, jobs: &[Job], looks: &[Look], done: Vec<Done>) -> Vec<Entry> {
    let mut of_run = done.into_iter();
    let kept = |job: &Job| -> Option<Told> {
        crate::record::reading::file(&job.folder.join("record.json")).ok().map(|record| Told::of(&record))
    };
    let all: Vec<Done> = jobs
        .iter()
        .zip(looks)
        .map(|(job, look)| {
            let one = |state, told| Done { job: job.clone(), state, told, not_entered: None };
            match look {
                Look::Ready => of_run.next().unwrap_or_else(|| one(State::Stopped, None)),
                Look::Settled(told) => one(State::Unchanged, Some(told.clone())),
                Look::Failed => one(State::Failed("see the log".into()), kept(job)),
                // An earlier result of a series that grows still has its report.
                Look::Waits(_) => one(State::Stopped, kept(job)),
            }
        })
        .collect();
    let mut entries = many::entries(out, &all);
    for (entry, look) in entries.iter_mut().zip(looks) {
        // The index tells how things stand, not which sweep did what.
        if entry.told.is_some() && entry.fault.is_none() {
            entry.state = "assessed".into();
        }
        if let Look::Waits(why) = look {
            (entry.state, entry.fault) = ("waits".into(), Some(why.clone()));
        }
    }
    entries
}
