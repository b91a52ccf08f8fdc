//! `tiltworth batch`: many series shared out among the machines of a cluster.

use super::assess::stop_asked;
use super::facts::FactArgs;
use super::files;
use super::many::{self, DEFAULT_OUT, Many, ManyArgs};
use crate::batch::{Manifest, ManifestError, Shard, ShardError, manifest::MANIFEST_VERSION, manifest::Planned};
use crate::many::{Ask, Done, State, Told, find};
use crate::record::{Tool, reading};
use crate::report::many::Head;
use clap::{Args, Subcommand};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

/// What to do with a batch.
#[derive(Debug, Clone, Subcommand)]
pub enum BatchCommand {
    /// Find the series in folders and write what is to be done, for `batch run` on many machines
    Plan(Box<PlanArgs>),
    /// Assess one share of a manifest; what is done already is skipped
    Run(RunArgs),
}

/// Options of `tiltworth batch plan`.
#[derive(Debug, Clone, Args)]
pub struct PlanArgs {
    /// Folders that hold series, named as every machine sees them
    // A table, a list or a name of one series would be that of all.
    #[arg(required = true, value_name = "FOLDER", conflicts_with_all = ["table", "angles", "series_id", "title"])]
    pub folders: Vec<PathBuf>,
    /// File to write
    #[arg(long, value_name = "FILE", default_value = "manifest.json")]
    pub manifest: PathBuf,
    /// Folder for the results, one that every machine can write [default: tiltworth-quality]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Replace an earlier manifest
    #[arg(long)]
    pub force: bool,
    /// Profile of limits: a built-in name or a file [default: by the kind of specimen]
    #[arg(long, value_name = "NAME|FILE")]
    pub profile: Option<String>,
    /// Write records and their tables alone: no pages, no pictures
    #[arg(long)]
    pub no_report: bool,
    /// Assess what is there of series that were broken off
    #[arg(long)]
    pub partial: bool,
    /// The rows of the tables (or lists) stand in the order of acquisition
    #[arg(long)]
    pub rows_are_in_order: bool,
    /// Facts.
    #[command(flatten)]
    pub facts: FactArgs,
}

/// Options of `tiltworth batch run`.
#[derive(Debug, Clone, Args)]
pub struct RunArgs {
    /// What `batch plan` wrote
    #[arg(value_name = "MANIFEST")]
    pub manifest: PathBuf,
    /// Which share, as 2/8 [default: by the task of a Slurm array, else all]
    #[arg(long, value_name = "I/N")]
    pub shard: Option<Shard>,
    /// Add the records to this ledger: postgres://USER@HOST/DATABASE (password: PGPASSWORD); a file only on one machine
    #[arg(long, value_name = "URL")]
    pub ledger: Option<String>,
    /// Folder whose templates replace the built-in ones
    #[arg(long, value_name = "DIR")]
    pub templates: Option<PathBuf>,
    /// Assess what has not changed, too
    #[arg(long)]
    pub force: bool,
    /// Exit with 10, 11 or 12 by the gravest verdict of the share
    #[arg(long)]
    pub exit_verdict: bool,
    /// Say nothing but errors
    #[arg(long, short)]
    pub quiet: bool,
    /// How many at once.
    #[command(flatten)]
    pub many: ManyArgs,
}

/// A batch that could not be planned or begun.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "each variant passes another stage's message on")]
pub enum BatchFailure {
    #[error("{0}")]
    Manifest(#[from] ManifestError),
    #[error("{0}")]
    Shard(#[from] ShardError),
    #[error("{0}")]
    Ledger(#[from] crate::ledger::LedgerError),
    #[error("{0}")]
    Io(#[from] io::Error),
    #[error("{}: it exists already; choose another file with --manifest, or replace it with --force", .0.display())]
    Exists(PathBuf),
    #[error("{}: it cannot be written ({error}); check the space on the disk and the permission", file.display())]
    Disk { file: PathBuf, error: io::Error },
}

/// Plans or runs; gives the exit status.
///
/// # Errors
/// What is wrong with folders, manifest, share or ledger's URL.
pub fn run(command: &BatchCommand) -> Result<u8, BatchFailure> {
    match command {
        BatchCommand::Plan(args) => plan(args),
        BatchCommand::Run(args) => share(args),
    }
}

fn plan(args: &PlanArgs) -> Result<u8, BatchFailure> {
    if args.manifest.symlink_metadata().is_ok() && !args.force {
        return Err(BatchFailure::Exists(args.manifest.clone()));
    }
    let out = std::path::absolute(args.out.clone().unwrap_or_else(|| PathBuf::from(DEFAULT_OUT)))?;
    let search = find::series(&args.folders, &out);
    many::search_told(&search, false)?;
    let series = search.found.iter().map(Planned::of).collect::<Result<Vec<_>, _>>()?;
    if series.is_empty() {
        return Err(ManifestError::new(
            many::shown(&args.folders).join(", "),
            "no series was found",
            "one is a folder with a series.toml, or a stack with a table or list of its name",
        )
        .into());
    }
    let text = |path: &Path| {
        let no_text = || ManifestError::new(path.display().to_string(), "its name is no text in UTF-8", "rename it");
        path.to_str().map(str::to_owned).ok_or_else(no_text)
    };
    let manifest = Manifest {
        manifest_version: MANIFEST_VERSION,
        tool: Tool { name: env!("CARGO_PKG_NAME").into(), version: env!("CARGO_PKG_VERSION").into() },
        made_at: many::now(),
        searched: args
            .folders
            .iter()
            .map(|folder| text(&std::path::absolute(folder)?).map_err(Into::into))
            .collect::<Result<_, BatchFailure>>()?,
        out: text(&out)?,
        ask: Ask {
            facts: args.facts.sheet(),
            partial: args.partial,
            rows_are_in_order: args.rows_are_in_order,
            profile: args.profile.as_deref().map(profile),
            no_report: args.no_report,
        },
        series,
    };
    let json = serde_json::to_string_pretty(&manifest)
        .map_err(|error| ManifestError::new("the manifest", error.to_string(), "this is a fault of tiltworth's"))?;
    let disk = |error| BatchFailure::Disk { file: args.manifest.clone(), error };
    files::write(&args.manifest, (json + "\n").as_bytes(), args.force).map_err(disk)?;
    let bytes: u64 = manifest.series.iter().map(|series| series.bytes).sum();
    let (number, gb) = (manifest.series.len(), bytes as f64 / 1e9);
    writeln!(io::stdout().lock(), "{number} series, {gb:.1} GB: {}", args.manifest.display())?;
    Ok(u8::from(!search.faults.is_empty()))
}

/// A profile's file by a path that holds on every machine; a built-in name stays.
fn profile(given: &str) -> String {
    let path = Path::new(given);
    match path.exists().then(|| std::path::absolute(path).ok()).flatten() {
        Some(path) => path.to_string_lossy().into_owned(),
        None => given.to_owned(),
    }
}

fn share(args: &RunArgs) -> Result<u8, BatchFailure> {
    let stop = stop_asked();
    if let Some(url) = &args.ledger {
        super::ledger::address(url)?;
    }
    let manifest = Manifest::read(&args.manifest)?;
    let shard = match args.shard {
        Some(shard) => Some(shard),
        None => Shard::of_slurm(&|name| std::env::var(name).ok())?,
    };
    let all = manifest.jobs();
    let mine = shard.map_or_else(|| (0..all.len()).collect(), |shard| shard.of(&manifest.series));
    if !args.quiet {
        let share = shard.map_or_else(|| "all".into(), |shard| format!("share {shard}"));
        writeln!(io::stderr().lock(), "{share}: {} of {} series", mine.len(), all.len())?;
    }
    let out = PathBuf::from(&manifest.out);
    let run = Many {
        jobs: mine.iter().map(|&at| all[at].clone()).collect(),
        out: &out,
        ask: &manifest.ask,
        templates: args.templates.as_deref(),
        force: args.force,
        ledger: args.ledger.as_deref(),
        quiet: args.quiet,
        args: &args.many,
    };
    let mut ended = run.run(&|| !stop.load(Ordering::Relaxed))?;
    if !args.quiet {
        let entries = many::entries(&out, &ended.done);
        write!(io::stdout().lock(), "{}", many::table(&entries, &ended.done))?;
    }
    // The index has all series of the manifest, as far as they are done by now: the share that ends last makes it whole.
    let mut of_mine = ended.done.iter().cloned();
    let done: Vec<Done> = all
        .into_iter()
        .enumerate()
        .map(|(at, job)| match mine.binary_search(&at) {
            Ok(_) => of_mine.next().unwrap_or(Done { job, state: State::Stopped, told: None, not_entered: None }),
            Err(_) => {
                let told = reading::file(&job.folder.join("record.json")).ok().map(|record| Told::of(&record));
                let state = if told.is_some() { State::Unchanged } else { State::Stopped };
                Done { job, state, told, not_entered: None }
            }
        })
        .collect();
    let mut entries = many::entries(&out, &done);
    for (at, entry) in entries.iter_mut().enumerate().filter(|(at, _)| mine.binary_search(at).is_err()) {
        entry.state = if done[at].told.is_some() { "of another share" } else { "not yet" }.into();
    }
    let head = Head { from: vec![args.manifest.display().to_string()], made_at: many::now(), notes: Vec::new() };
    ended.sound &= run.index(&entries, &head)?;
    Ok(ended.status(args.exit_verdict))
}
