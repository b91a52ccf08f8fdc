//! The camera: electrons to counts.
//!
//! counts = offset + gain × Poisson(electrons) + readout noise, rounded, and clipped to 0 … full scale. The camera's
//! own transfer is flat: no blur from pixel to pixel.

use crate::simulate::random::{Stream, Use};
use crate::simulate::recipe::Camera;
use std::f64::consts::SQRT_2;

/// Expected counts for a mean number of electrons.
pub fn expected_counts(camera: &Camera, electrons: f64) -> f64 {
    camera.offset_counts + camera.counts_per_electron * electrons
}

/// Gain of each pixel over the mean gain, the same at every section; `None` for a camera without a pattern.
pub fn gains(camera: &Camera, seed: u64) -> Option<Vec<f64>> {
    if camera.gain_sd <= 0.0 && camera.stripe_sd <= 0.0 {
        return None;
    }
    let mut pixels = Stream::new(seed, Use::Gain, 0);
    let mut columns = Stream::new(seed, Use::Gain, 1);
    let stripes: Vec<f64> = (0..camera.width_px).map(|_| camera.stripe_sd * columns.normal()).collect();
    let gain = |at: usize| (1.0 + stripes[at % camera.width_px] + camera.gain_sd * pixels.normal()).max(0.0);
    Some((0..camera.width_px * camera.height_px).map(gain).collect())
}

/// Counts of one section from the mean electrons of each pixel.
pub fn expose(camera: &Camera, electrons: &[f64], gains: Option<&[f64]>, stream: &mut Stream) -> Vec<u16> {
    let counts = |(at, &mean): (usize, &f64)| {
        let gain = gains.map_or(1.0, |gains| gains[at]);
        let counted = gain * camera.counts_per_electron * stream.poisson(mean);
        let read = if camera.readout_noise_counts > 0.0 { camera.readout_noise_counts * stream.normal() } else { 0.0 };
        // In range after the clamp: full scale fits the pixel's bits.
        (camera.offset_counts + counted + read).round().clamp(0.0, camera.full_scale_counts) as u16
    };
    electrons.iter().enumerate().map(counts).collect()
}

/// How much brighter the beam must be for a share of the pixels to clip, from the mean electrons of each pixel.
pub fn brightness_for(camera: &Camera, electrons: &[Vec<f64>], share: f64) -> f64 {
    // Every seventh pixel of each tile tells the share to a fraction of its counting error.
    let sample: Vec<f64> = electrons.iter().flat_map(|tile| tile.iter().copied().step_by(7)).collect();
    let (mut low, mut high) = (1e-3, 1e3);
    for _ in 0..60 {
        let middle = f64::sqrt(low * high);
        if expected_clipped(camera, &sample, middle) < share { low = middle } else { high = middle }
    }
    (low * high).sqrt()
}

/// Expected share of pixels at full scale, with counting noise taken for normal.
fn expected_clipped(camera: &Camera, electrons: &[f64], brightness: f64) -> f64 {
    let gain = camera.counts_per_electron;
    let clips = |&mean: &f64| {
        let mean = mean * brightness;
        let variance = gain * gain * mean + camera.readout_noise_counts * camera.readout_noise_counts;
        let missing = camera.full_scale_counts - 0.5 - expected_counts(camera, mean);
        0.5 * libm::erfc(missing / (SQRT_2 * variance.max(1e-12).sqrt()))
    };
    electrons.iter().map(clips).sum::<f64>() / electrons.len().max(1) as f64
}

/// Share of pixels at full scale.
pub fn clipped(camera: &Camera, counts: &[u16]) -> f64 {
    let at_full_scale = counts.iter().filter(|&&value| f64::from(value) >= camera.full_scale_counts.floor()).count();
    at_full_scale as f64 / counts.len().max(1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::recipe::Packing;

    fn camera() -> Camera {
        Camera {
            width_px: 1,
            height_px: 1,
            pixel_nm: 1.0,
            bits: 16,
            full_scale_counts: 16383.0,
            counts_per_electron: 40.0,
            offset_counts: 100.0,
            readout_noise_counts: 15.0,
            gain_sd: 0.0,
            stripe_sd: 0.0,
            compression: Packing::None,
        }
    }

    #[test]
    fn counts_have_the_mean_and_the_variance_of_their_electrons() {
        let counts = expose(&camera(), &vec![155.0; 100_000], None, &mut Stream::new(3, Use::Counting, 0));
        let mean = counts.iter().map(|&v| f64::from(v)).sum::<f64>() / 1e5;
        let variance = counts.iter().map(|&v| (f64::from(v) - mean).powi(2)).sum::<f64>() / 1e5;
        // Mean 100 + 40 × 155 = 6300, standard error 1.6; variance 1600 × 155 + 225 = 248 225, error 0.45 %.
        assert!((mean - 6300.0).abs() < 6.5, "{mean}");
        assert!((variance / 248_225.0 - 1.0).abs() < 0.02, "{variance}");
    }

    #[test]
    fn the_brightness_found_clips_the_share_asked_for() {
        let electrons = vec![vec![155.0; 200_000]];
        let brightness = brightness_for(&camera(), &electrons, 0.05);
        let bright: Vec<f64> = electrons[0].iter().map(|e| e * brightness).collect();
        let share = clipped(&camera(), &expose(&camera(), &bright, None, &mut Stream::new(3, Use::Counting, 1)));
        assert!((share - 0.05).abs() < 0.003, "{share}");
    }
}
