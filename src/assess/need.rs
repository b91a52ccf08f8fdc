//! How much memory an assessment takes, known before it begins.

use super::AssessError;
use crate::intake::Series;

/// What does not hang on the series.
const BASE_BYTES: u64 = 150_000_000;
/// Sections, widened to f32, that a worker holds at most.
const SECTIONS_A_WORKER: u64 = 3;
/// What is kept of a tilt.
const TILT_BYTES: u64 = 500_000;

/// Bytes that an assessment takes at most with so many workers (`tests/memory.rs` holds the program to it).
pub fn bytes(series: &Series, workers: usize) -> u64 {
    let (width, height) = series.size_px;
    let whole = |number: usize| u64::try_from(number).unwrap_or(u64::MAX);
    let section = whole(width).saturating_mul(whole(height)).saturating_mul(4);
    let sections = whole(workers).saturating_mul(SECTIONS_A_WORKER).saturating_mul(section);
    let tilts = whole(series.tilts.len()).saturating_mul(TILT_BYTES);
    BASE_BYTES.saturating_add(sections).saturating_add(tilts)
}

/// Most workers, up to `workers`, with which the series stays within `total` bytes, and what it takes with them.
///
/// # Errors
/// Not even one worker does.
pub fn affordable(series: &Series, workers: usize, total: u64) -> Result<(usize, u64), AssessError> {
    let fits = (1..=workers.max(1)).rev().map(|workers| (workers, bytes(series, workers)));
    let least = bytes(series, 1);
    fits.into_iter().find(|(_, bytes)| *bytes <= total).ok_or(AssessError::Memory { needed: least, free: total })
}
