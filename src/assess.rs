//! The one streaming pass: sections are read tilt by tilt, each page once, each by one worker; all single-image
//! measures are made while it is in memory, and little is kept. SHA-256 of the inputs runs beside it in a thread
//! of its own.

use crate::intake::Series;
use crate::judge::Profile;
use crate::measure::focus::{self, TiltFocus};
use crate::measure::tracking::kept::Kept;
use crate::record::Record;
use crate::record::evidence::Evidence;
use crate::record::hashes;

mod ahead;
mod finish;
pub mod need;
mod pass;
mod tilts;
mod whole;

use finish::finish;
use pass::{Pass, TiltSeen};

/// Something went wrong with the assessment as a whole.
#[derive(Debug, thiserror::Error)]
pub enum AssessError {
    /// Nothing could be read.
    #[error("{0}")]
    Unreadable(crate::intake::IntakeError),
    /// The user stopped it.
    #[error("stopped: nothing was written")]
    Stopped,
    /// The series does not fit into the memory that there is for it.
    #[error("it needs about {} MB of memory, and {} MB are free for it; free some, or state more with --memory-mb", needed / 1_000_000, free / 1_000_000)]
    Memory {
        /// Bytes with one worker.
        needed: u64,
        /// Bytes that there are.
        free: u64,
    },
    /// The system gives no threads.
    #[error("no threads can be had to work with ({0}); try it again, or with fewer --jobs")]
    Workers(String),
    /// A thread of ours ended early.
    #[error("the thread that hashes the inputs ended early: this is a fault of tiltworth's, please report it")]
    Thread,
}

/// An assessment, with what only another assessment has a use for.
pub struct Assessed {
    /// What was found.
    pub record: Record,
    /// What the page is drawn from.
    pub evidence: Evidence,
    /// The picture nearest zero tilt; `None` where no tilt shows one.
    pub zero: Option<Zero>,
}

/// The small picture of the tilt nearest zero.
pub struct Zero {
    /// Index of the tilt in the record.
    pub tilt: usize,
    /// The picture.
    pub picture: Kept,
    /// Pixels of the assembled picture in one of its pixels.
    pub pixel_px: f64,
}

/// Assesses a series; `progress` is called once a section, `go_on` often: once it says no, the work ends.
///
/// # Errors
/// No section can be read; the work was stopped.
pub fn assess(
    series: &Series,
    profile: &Profile,
    progress: &(dyn Fn() + Sync),
    go_on: &(dyn Fn() -> bool + Sync),
) -> Result<(Record, Evidence), AssessError> {
    assess_whole(series, profile, progress, go_on).map(|assessed| (assessed.record, assessed.evidence))
}

/// [`assess`], with the picture nearest zero tilt beside it.
///
/// # Errors
/// As [`assess`].
pub fn assess_whole(
    series: &Series,
    profile: &Profile,
    progress: &(dyn Fn() + Sync),
    go_on: &(dyn Fn() -> bool + Sync),
) -> Result<Assessed, AssessError> {
    std::thread::scope(|scope| {
        let hashing = scope.spawn(|| hashes::inputs(&series.inputs, go_on));
        let pass = Pass::new(series);
        let observed = pass.run(progress, go_on).map(|mut observed| {
            if let Ok(plan) = &pass.focus {
                look_again_at_focus(series, plan, &mut observed);
            }
            observed
        });
        let hashed = hashing.join().map_err(|_| AssessError::Thread)?;
        let (Some(observed), Some((inputs, notes))) = (observed, hashed) else { return Err(AssessError::Stopped) };
        let first_error = observed.iter().flat_map(|tilt| &tilt.tiles).find_map(|tile| tile.as_ref().err().cloned());
        let any = observed.iter().flat_map(|tilt| &tilt.tiles).any(Result::is_ok);
        if let Some(error) = first_error.filter(|_| !any) {
            return Err(AssessError::Unreadable(error));
        }
        let mut assessed = finish(series, profile, observed, inputs);
        assessed.record.notes.extend(notes);
        Ok(assessed)
    })
}

/// Tilts whose rings are too weak by themselves, seen with the rest of the series.
fn look_again_at_focus(series: &Series, plan: &focus::Plan, observed: &mut [TiltSeen]) {
    let none = |tilt: &mut TiltSeen| std::mem::replace(&mut tilt.focus, TiltFocus::none("", 0));
    let mut all: Vec<TiltFocus> = observed.iter_mut().map(none).collect();
    focus::series::look_again(series, plan, &mut all);
    observed.iter_mut().zip(all).for_each(|(tilt, focus)| tilt.focus = focus);
}
