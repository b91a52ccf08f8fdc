//! `tiltworth profile trial`: what a profile catches, found out on simulated series.

use crate::judge::{Profile, ProfileError};
use crate::record::Specimen;
use crate::report;
use crate::trial::grid::Mode;
use crate::trial::{run::TrialError, try_profile, words};
use clap::Args;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Options of `tiltworth profile trial`.
#[derive(Debug, Clone, Args)]
pub struct TrialArgs {
    /// A profile file, or a built-in name
    #[arg(value_name = "FILE")]
    pub profile: String,
    /// One series a strength; this is the default
    #[arg(long, conflicts_with = "full")]
    pub quick: bool,
    /// Eight series for every strength, sixty sound ones
    #[arg(long)]
    pub full: bool,
    /// Folder for trial.html and trial.json [default: nothing is written]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Folder whose templates replace the built-in ones
    #[arg(long, value_name = "DIR", requires = "out")]
    pub templates: Option<PathBuf>,
    /// Print JSON instead of a table
    #[arg(long)]
    pub json: bool,
    /// Seed of the first series
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Threads [default: one a core]
    #[arg(long, value_name = "N")]
    pub jobs: Option<usize>,
}

/// A trial that was not made.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "each variant passes another stage's message on")]
pub enum Failure {
    #[error("{0}")]
    Profile(#[from] ProfileError),
    #[error("{0}")]
    Trial(#[from] TrialError),
    #[error("{0}")]
    Page(#[from] report::ReportError),
    #[error("{}: {fault}; check the folder and the space on the disk", file.display())]
    Disk { file: PathBuf, fault: String },
    #[error("--jobs {0}: so many threads cannot be started ({1})")]
    Threads(usize, String),
}

/// Tries a profile; gives what is to be printed.
///
/// # Errors
/// A profile that cannot be read, a disk that is full, Ctrl-C.
pub fn run(args: &TrialArgs) -> Result<String, Failure> {
    let profile = Profile::find(Some(&args.profile), Specimen::Other)?;
    let mode = if args.full { Mode::Full } else { Mode::Quick };
    let stop = Arc::new(AtomicBool::new(false));
    let asked = Arc::clone(&stop);
    // Without a handler the system ends the program at once, which leaves nothing half-written either.
    let _ = ctrlc::set_handler(move || asked.store(true, Ordering::Relaxed));
    let bar = bar();
    let progress = |all: usize| {
        bar.set_length(all as u64);
        bar.inc(1);
    };
    let go_on = || !stop.load(Ordering::Relaxed);
    let work = || try_profile(&profile, mode, args.seed, &progress, &go_on);
    let trial = match args.jobs {
        Some(jobs) => {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(jobs.max(1)).build();
            pool.map_err(|error| Failure::Threads(jobs, error.to_string()))?.install(work)
        }
        None => work(),
    };
    bar.finish_and_clear();
    let trial = trial?;
    let json = serde_json::to_string_pretty(&trial).map_err(|error| wrong(Path::new("trial.json"), &error))? + "\n";
    let mut told = if args.json { json.clone() } else { words::table(&trial) };
    if let Some(folder) = &args.out {
        std::fs::create_dir_all(folder).map_err(|error| wrong(folder, &error))?;
        for (name, text) in
            [("trial.html", report::trial_page(&trial, args.templates.as_deref())?), ("trial.json", json)]
        {
            let file = folder.join(name);
            std::fs::write(&file, text).map_err(|error| wrong(&file, &error))?;
        }
        if !args.json {
            told += &format!("\nreport: {}\n", folder.join("trial.html").display());
        }
    }
    Ok(told)
}

fn wrong(file: &Path, fault: &dyn std::fmt::Display) -> Failure {
    Failure::Disk { file: file.to_path_buf(), fault: fault.to_string() }
}

fn bar() -> ProgressBar {
    let terminal = std::io::stderr().is_terminal();
    let target = if terminal { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
    let bar = ProgressBar::with_draw_target(None, target);
    if let Ok(style) = ProgressStyle::with_template("{bar:32}  {pos}/{len} series  {eta} left") {
        bar.set_style(style);
    }
    bar
}
