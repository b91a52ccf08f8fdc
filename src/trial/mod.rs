//! The trial of a profile: what planted faults it catches from which strength on, and how often it flags a sound series.
//!
//! [`sound`] makes sound series, [`kinds`] lists the faults and [`plant`] plants them, [`grid`] lays out the series of a
//! trial, [`run`] makes the pixels and has them assessed, [`outcome`] counts, and [`curve`] draws a curve through the
//! counts.

pub mod curve;
pub mod grid;
pub mod kinds;
pub mod outcome;
pub mod plant;
pub mod run;
pub mod sound;
pub mod words;

use crate::judge::Profile;
use rayon::prelude::*;

/// Tries a profile; `progress` is called with the number of series and once after each.
///
/// # Errors
/// A series cannot be written; the work was stopped.
pub fn try_profile(
    profile: &Profile,
    mode: grid::Mode,
    seed: u64,
    progress: &(dyn Fn(usize) + Sync),
    go_on: &(dyn Fn() -> bool + Sync),
) -> Result<outcome::Trial, run::TrialError> {
    let jobs = grid::jobs(grid::specimen(profile), mode, seed);
    try_jobs(profile, mode, seed, jobs, progress, go_on)
}

/// The same with some of the series only.
///
/// # Errors
/// As [`try_profile`].
pub fn try_jobs(
    profile: &Profile,
    mode: grid::Mode,
    seed: u64,
    jobs: Vec<grid::Job>,
    progress: &(dyn Fn(usize) + Sync),
    go_on: &(dyn Fn() -> bool + Sync),
) -> Result<outcome::Trial, run::TrialError> {
    let all = jobs.len();
    let tried: Result<Vec<(grid::Job, run::Tried)>, run::TrialError> = jobs
        .into_par_iter()
        .with_max_len(1)
        .map(|job| {
            let tried = run::try_series(&job.planted, profile, go_on)?;
            progress(all);
            Ok((job, tried))
        })
        .collect();
    Ok(outcome::gather(profile, grid::specimen(profile), mode, seed, &tried?))
}
