//! The run over many series: each is compared with its earlier result, and assessed where that does not stand.

use super::ask::Failure;
use super::memory::Purse;
use super::standing::{self, Compared, Standing};
use super::{Ask, Found, Told};
use crate::assess::{AssessError, need};
use crate::intake::Series;
use crate::judge::Profile;
use crate::ledger::LedgerError;
use crate::record::Record;
use crate::record::evidence::Evidence;
use crate::record::output::{self, OutputError};
use crate::report;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

/// One series of a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Job {
    /// Where it was found.
    pub found: Found,
    /// Its result folder.
    pub folder: PathBuf,
}

impl Job {
    /// The series that were found, each with a result folder below `out`.
    pub fn below(out: &Path, found: Vec<Found>) -> Vec<Self> {
        found.into_iter().map(|found| Self { folder: out.join(&found.place), found }).collect()
    }

    /// Its name in lists.
    pub fn name(&self) -> String {
        self.found.place.display().to_string()
    }
}

/// Enters the record of a result folder in a ledger.
pub type Enter<'a> = &'a (dyn Fn(&Path) -> Result<(), LedgerError> + Sync);

/// How to run.
pub struct How<'a> {
    /// What is asked of every series.
    pub ask: &'a Ask,
    /// Folder whose templates replace the built-in ones.
    pub templates: Option<&'a Path>,
    /// Assess what has not changed, too.
    pub force: bool,
    /// Read stacks whole to find out whether they changed.
    pub rehash: bool,
    /// Series at once.
    pub jobs: usize,
    /// Workers of all of them together.
    pub workers: usize,
    /// Bytes for all of them together; `None`: what is free.
    pub memory: Option<u64>,
    /// Where records go beside their folders.
    pub enter: Option<Enter<'a>>,
}

/// What became of a series.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum State {
    /// It was assessed.
    Assessed,
    /// Its result stands for what lies in the files now.
    Unchanged,
    /// It could not be assessed: why.
    Failed(String),
    /// The user stopped the run before it was done.
    Stopped,
}

/// A series with what became of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Done {
    /// The series.
    pub job: Job,
    /// What became of it.
    pub state: State,
    /// What its record tells, where it has one.
    pub told: Option<Told>,
    /// Why its record is not in the ledger, where it should be.
    pub not_entered: Option<String>,
}

/// Before each further attempt to enter what the ledger did not take at first.
const PAUSES: [Duration; 3] = [Duration::ZERO, Duration::from_secs(2), Duration::from_secs(8)];

/// Runs over all series, `how.jobs` at once; `tell` is called with each as it is done and how many are.
pub fn all(
    jobs: &[Job],
    how: &How<'_>,
    go_on: &(dyn Fn() -> bool + Sync),
    tell: &(dyn Fn(&Done, usize) + Sync),
) -> Vec<Done> {
    let purse = Purse::new(how.memory);
    let next = AtomicUsize::new(0);
    let slots: Vec<Mutex<Option<Done>>> = jobs.iter().map(|_| Mutex::new(None)).collect();
    let told = Mutex::new(0);
    std::thread::scope(|scope| {
        for _ in 0..how.jobs.clamp(1, jobs.len().max(1)) {
            scope.spawn(|| {
                while let Some((job, slot)) = take(&next, jobs, &slots) {
                    let done = guarded(job, how, &purse, go_on);
                    // One after another, so that lines do not mix.
                    if let Ok(mut told) = told.lock() {
                        *told += 1;
                        tell(&done, *told);
                    }
                    if let Ok(mut slot) = slot.lock() {
                        *slot = Some(done);
                    }
                }
            });
        }
    });
    let gone = |job: &Job| Done { job: job.clone(), state: State::Stopped, told: None, not_entered: None };
    let taken = |slot: Mutex<Option<Done>>| slot.into_inner().ok().flatten();
    let mut done: Vec<Done> =
        slots.into_iter().zip(jobs).map(|(slot, job)| taken(slot).unwrap_or_else(|| gone(job))).collect();
    // A ledger that was away for a while may be back, or come back soon.
    for pause in PAUSES {
        if done.iter().all(|one| one.not_entered.is_none()) || !go_on() {
            break;
        }
        std::thread::sleep(pause);
        for one in done.iter_mut().filter(|one| one.not_entered.is_some()) {
            one.not_entered = entered(how, &one.job.folder);
        }
    }
    done
}

fn take<'a, T>(next: &AtomicUsize, jobs: &'a [Job], slots: &'a [T]) -> Option<(&'a Job, &'a T)> {
    let at = next.fetch_add(1, Ordering::Relaxed);
    jobs.get(at).zip(slots.get(at))
}

/// A fault of ours in one series must not take the others along.
fn guarded(job: &Job, how: &How<'_>, purse: &Purse, go_on: &(dyn Fn() -> bool + Sync)) -> Done {
    let failed = |why: String| (State::Failed(why), None);
    let made = catch_unwind(AssertUnwindSafe(|| one(job, how, purse, go_on)));
    let (state, told) = match made {
        Ok(Ok((state, record))) => (state, Some(Told::of(&record))),
        Ok(Err(failure)) if failure.stopped() => (State::Stopped, None),
        Ok(Err(failure)) => failed(failure.to_string()),
        Err(_) => failed("a fault of tiltworth's ended its assessment: please report what stands above".into()),
    };
    let not_entered = told.as_ref().and_then(|_| entered(how, &job.folder));
    Done { job: job.clone(), state, told, not_entered }
}

/// Enters a record, whoever made it: one that is there already changes nothing.
fn entered(how: &How<'_>, folder: &Path) -> Option<String> {
    how.enter?(folder).err().map(|error| error.to_string())
}

fn one(job: &Job, how: &How<'_>, purse: &Purse, go_on: &(dyn Fn() -> bool + Sync)) -> Result<(State, Record), Failure> {
    if !go_on() {
        return Err(AssessError::Stopped.into());
    }
    let beside = job.found.beside.as_ref().map(|(key, file)| (*key, file.as_path()));
    let (series, profile) = how.ask.load(&job.found.source, beside)?;
    let compared = Compared { series: &series, profile: &profile, ask: how.ask, rehash: how.rehash };
    if !how.force
        && let Some(record) = stands(&compared, &job.folder, go_on)?
    {
        return Ok((State::Unchanged, record));
    }
    output::check(&job.folder, true)?;
    let replace = how.force || job.folder.exists();
    let workers = (how.workers / how.jobs.max(1)).max(1);
    let (workers, bytes) = need::affordable(&series, workers, purse.total())?;
    let held = purse.take(bytes, go_on).ok_or(AssessError::Stopped)?;
    let pool = rayon::ThreadPoolBuilder::new().num_threads(workers).build();
    let pool = pool.map_err(|error| AssessError::Workers(error.to_string()))?;
    let (record, evidence, page) = pool.install(|| made(how, &series, &profile, go_on))?;
    drop(held);
    if !go_on() {
        return Err(AssessError::Stopped.into());
    }
    // Another run into the same folder may have been quicker: then its result counts, and only one record comes of it.
    if !how.force
        && let Some(record) = stands(&compared, &job.folder, go_on)?
    {
        return Ok((State::Unchanged, record));
    }
    let write = |replace| output::write(&job.folder, &record, &evidence, page.as_deref(), replace);
    match write(replace) {
        Err(OutputError::Exists(_)) => {
            if let Some(record) = stands(&compared, &job.folder, go_on)? {
                return Ok((State::Unchanged, record));
            }
            write(true)?;
        }
        written => written?,
    }
    Ok((State::Assessed, record))
}

/// The record in a folder, if it stands for what lies in the files now.
fn stands(
    compared: &Compared<'_>,
    folder: &Path,
    go_on: &(dyn Fn() -> bool + Sync),
) -> Result<Option<Record>, AssessError> {
    match standing::of(compared, folder, go_on) {
        Standing::Unchanged(record) => Ok(Some(*record)),
        Standing::Stopped => Err(AssessError::Stopped),
        Standing::None | Standing::Changed(_) => Ok(None),
    }
}

type Made = (Record, Evidence, Option<String>);

fn made(how: &How<'_>, series: &Series, profile: &Profile, go_on: &(dyn Fn() -> bool + Sync)) -> Result<Made, Failure> {
    let assessed = how.ask.assess(series, profile, &|| (), go_on)?;
    let (record, evidence) = (assessed.record, assessed.evidence);
    let page = match how.ask.no_report {
        true => None,
        false => Some(report::render(&record, &evidence, how.templates)?),
    };
    Ok((record, evidence, page))
}
