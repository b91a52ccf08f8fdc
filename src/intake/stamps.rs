//! Whether a file changed while it was read: a stack that still grows, or that is being copied over.

use crate::intake::error::IntakeError;
use crate::intake::series::InputFiles;
use std::path::PathBuf;
use std::time::{Duration, SystemTime};

/// Length and time of change of a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stamp {
    path: PathBuf,
    /// `None` where the file could not be looked at.
    state: Option<(u64, Option<SystemTime>)>,
}

impl Stamp {
    fn of(path: PathBuf) -> Self {
        let state = std::fs::metadata(&path).ok().map(|meta| (meta.len(), meta.modified().ok()));
        Self { path, state }
    }
}

/// Looks at all files of the inputs.
pub fn take(inputs: &[InputFiles]) -> Vec<Stamp> {
    inputs.iter().flat_map(|input| input.paths.iter().cloned().map(Stamp::of)).collect()
}

/// How long ago the last of the files changed; zero where that lies in the future, `None` where it is not known.
pub fn age(stamps: &[Stamp], now: SystemTime) -> Option<Duration> {
    let changed = |stamp: &Stamp| stamp.state.and_then(|(_, changed)| changed);
    let times: Option<Vec<SystemTime>> = stamps.iter().map(changed).collect();
    times?.into_iter().max().map(|last| now.duration_since(last).unwrap_or_default())
}

/// The first file that is no longer what it was.
pub fn changed(stamps: &[Stamp]) -> Option<IntakeError> {
    let (was, is) = stamps.iter().map(|was| (was, Stamp::of(was.path.clone()))).find(|(was, is)| *was != is)?;
    let length = |stamp: &Stamp| stamp.state.map(|(length, _)| length);
    let fault = match (length(was), length(&is)) {
        (Some(was), Some(is)) if was != is => format!("it changed while it was read, from {was} to {is} bytes"),
        (_, None) => "it went away while it was read".into(),
        _ => "it changed while it was read".into(),
    };
    let remedy = "wait until it is complete (or give --partial for what is there), then assess it again";
    Some(IntakeError::bad(&was.path, "", fault, remedy))
}
