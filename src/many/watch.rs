//! What a watch knows from one sweep to the next: which series are complete, and which need not be looked at again. It is a
//! shortcut alone: started anew, it finds the same out again from the files and the records.

use super::ask::Failure;
use super::{Ask, Job, Told};
use crate::intake::stamps::{self, Stamp};
use std::collections::HashMap;
use std::path::PathBuf;
use std::time::{Duration, Instant, SystemTime};

/// A series that failed is tried again after this time, or once its files change: what failed may have been a disk.
const AGAIN: Duration = Duration::from_secs(600);

/// Memory of a watch.
#[derive(Debug, Default)]
pub struct Watch {
    series: HashMap<PathBuf, Seen>,
}

#[derive(Debug)]
struct Seen {
    /// The files when they were last looked at.
    stamps: Vec<Stamp>,
    /// Since when they have looked like that.
    since: Instant,
    /// How the last attempt ended, if there was one.
    attempt: Option<(Instant, Option<Told>)>,
}

/// What is to be done about a series.
#[derive(Debug, Clone, PartialEq)]
pub enum Look {
    /// It is complete: assess it, unless its result stands.
    Ready,
    /// Nothing: its result stands since an earlier sweep.
    Settled(Told),
    /// It failed a short while ago, and nothing has changed since.
    Failed,
    /// It is not complete: why.
    Waits(String),
}

impl Watch {
    /// Looks at a series: complete is what can be read as a whole, with as many pages as rows, and has not changed for
    /// `quiet` by the times of its files or since this watch first saw it so.
    pub fn look(&mut self, job: &Job, ask: &Ask, quiet: Duration) -> Look {
        let source = &job.found.source;
        if let Some(seen) = self.series.get(source)
            && let Some((when, told)) = &seen.attempt
            && stamps::changed(&seen.stamps).is_none()
        {
            match told {
                // A result that somebody removed is made again.
                Some(told) if job.folder.join("record.json").exists() => return Look::Settled(told.clone()),
                Some(_) => {}
                None if when.elapsed() < AGAIN => return Look::Failed,
                None => {}
            }
        }
        let beside = job.found.beside.as_ref().map(|(key, file)| (*key, file.as_path()));
        let series = match ask.load(source, beside) {
            Ok((series, _)) => series,
            Err(Failure::Intake(error)) => return Look::Waits(error.to_string()),
            // A profile that cannot be used is no matter of the series: the run tells.
            Err(_) => return Look::Ready,
        };
        let now = Instant::now();
        let old = self.series.get(source).filter(|seen| seen.stamps == series.stamps);
        let since = old.map_or(now, |seen| seen.since);
        let age = stamps::age(&series.stamps, SystemTime::now());
        self.series.insert(source.clone(), Seen { stamps: series.stamps, since, attempt: None });
        // The clock of a share may be wrong: what did not change while it was watched is quiet all the same.
        if age.is_some_and(|age| age >= quiet) || now.duration_since(since) >= quiet {
            return Look::Ready;
        }
        Look::Waits(format!("its files changed less than {} s ago", quiet.as_secs()))
    }

    /// Keeps how an attempt ended: with what its record tells, or failed.
    pub fn attempted(&mut self, job: &Job, told: Option<Told>) {
        if let Some(seen) = self.series.get_mut(&job.found.source) {
            seen.attempt = Some((Instant::now(), told));
        }
    }
}
