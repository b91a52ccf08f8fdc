//! What motions during the exposure leave of the power of a spectrum.

use super::{BAND_EDGES, BANDS, SECTORS};
use rayon::prelude::*;
use std::f64::consts::PI;

/// Motions that are tried.
const DIRECTION_STEP_DEG: f64 = 5.0;
const LENGTHS: usize = 24;

/// Their lengths.
pub(super) fn lengths_px() -> impl Iterator<Item = f64> {
    // From 0.7 px (a twentieth of the amplitude at half Nyquist) to 40 px, in equal ratios.
    (0..LENGTHS).map(|i| 0.7 * (40.0f64 / 0.7).powf(i as f64 / (LENGTHS - 1) as f64))
}

/// The motions that are tried, each with what it leaves of the power of every cell; made once.
pub struct Motions(pub(super) Vec<(f64, f64, Vec<f64>)>);

impl Motions {
    /// All lengths in all directions.
    pub fn new() -> Self {
        let directions = (180.0 / DIRECTION_STEP_DEG) as usize;
        let all: Vec<(f64, f64)> = lengths_px()
            .flat_map(|length| (0..directions).map(move |step| (length, step as f64 * DIRECTION_STEP_DEG)))
            .collect();
        let left = |&(length, direction): &(f64, f64)| {
            let left = (0..BANDS * SECTORS).map(|cell| power_left(cell, length, direction)).collect();
            (length, direction, left)
        };
        Self(all.par_iter().map(left).collect())
    }
}

impl Default for Motions {
    fn default() -> Self {
        Self::new()
    }
}

/// Share of the power of a cell that a motion leaves, averaged over the cell.
pub(super) fn power_left(cell: usize, length_px: f64, direction_deg: f64) -> f64 {
    const STEPS: usize = 4;
    let (band, sector) = (cell / SECTORS, cell % SECTORS);
    let (low, high) = (BAND_EDGES[band], BAND_EDGES[band + 1]);
    let mut sum = 0.0;
    for i in 0..STEPS {
        let frequency = low + (high - low) * (i as f64 + 0.5) / STEPS as f64;
        for j in 0..STEPS {
            let azimuth = (sector as f64 - 0.5 + (j as f64 + 0.5) / STEPS as f64) * PI / SECTORS as f64;
            sum += sinc(frequency * length_px * (azimuth - direction_deg.to_radians()).cos()).powi(2);
        }
    }
    sum / (STEPS * STEPS) as f64
}

fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-9 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

/// Amplitude that a motion by `length_px` takes at 1/4 cycle a pixel, along it.
pub fn loss_at_half_nyquist(length_px: f64) -> f64 {
    if length_px >= 4.0 { 1.0 } else { 1.0 - sinc(length_px / 4.0).abs() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_drift_of_2_and_3_px_takes_0_36_and_0_70_at_half_nyquist() {
        assert!((loss_at_half_nyquist(2.0) - 0.36).abs() < 0.005);
        assert!((loss_at_half_nyquist(3.0) - 0.70).abs() < 0.005);
        assert_eq!(loss_at_half_nyquist(14.0), 1.0);
    }
}
