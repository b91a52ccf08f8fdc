//! How alike two tilts' pictures are: the highest correlation of the two made small, as they are, neither stretched.
//!
//! Nothing of the stated angles enters, so that they can be held against it. Seen from angles further apart a section looks
//! less alike: its picture shrinks across the axis, and what lies at different heights moves apart.

use crate::numerics::median::upper_median;
use crate::numerics::registration::fft2::good_size_within;
use crate::numerics::registration::image::Image;
use crate::numerics::registration::spectral::{Band, Bench};
use rayon::prelude::*;
use rustfft::num_complex::Complex32;

/// Pictures are binned until their shorter side is about this, in pixels.
const SIDE_PX: usize = 128;
/// Frequencies that count, in cycles a pixel of the small picture: finer than the illumination, coarser than the noise.
const BAND: Band = Band { high_pass: 0.04, low_pass: 0.17 };
/// Pictures fade over this share of each side.
const TAPER: f64 = 0.25;
/// The field may have moved by this share of the frame.
const REACH_SHARE: f64 = 0.2;

/// What is known of how alike tilts are.
pub struct Likeness {
    bench: Bench,
    spectra: Vec<Vec<Complex32>>,
    /// Correlations by pair, NaN where nobody looked.
    table: Vec<f64>,
    chances: Vec<f64>,
}

impl Likeness {
    /// Of pictures of one size; `None` where there is none.
    pub fn of(pictures: &[&Image]) -> Option<Self> {
        let first = pictures.first()?;
        let bin = (first.rows.min(first.cols) / SIDE_PX).max(1);
        let small: Vec<Image> = pictures.par_iter().map(|picture| picture.binned(bin)).collect();
        let (rows, cols) = (good_size_within(small[0].rows).max(2), good_size_within(small[0].cols).max(2));
        let bench = Bench::new(rows, cols, &[BAND], TAPER);
        let cut = |image: &Image| {
            let lines = image.values.chunks(image.cols).take(rows);
            lines.flat_map(|line| line[..cols].to_vec()).collect::<Vec<f32>>()
        };
        let spectra: Vec<Vec<Complex32>> = small.par_iter().map(|image| bench.spectrum(&cut(image))).collect();
        let table = vec![f64::NAN; pictures.len() * pictures.len()];
        Some(Self { bench, spectra, table, chances: Vec::new() })
    }

    /// How many pictures.
    pub fn count(&self) -> usize {
        self.spectra.len()
    }

    /// Looks at these pairs.
    pub fn look(&mut self, pairs: impl Iterator<Item = (usize, usize)>) {
        let n = self.count();
        let new: Vec<(usize, usize)> = pairs.filter(|&(a, b)| a != b && self.table[a * n + b].is_nan()).collect();
        let (rows, cols) = self.bench.size();
        let reach = [cols, rows].map(|px| ((REACH_SHARE * px as f64) as usize).max(2));
        let one = |&(a, b): &(usize, usize)| {
            let cross = self.bench.cross(&self.spectra[a], &self.spectra[b]);
            let peak = self.bench.peak(&cross, reach);
            ((a, b), peak.map_or(0.0, |peak| peak.correlation.clamp(0.0, 1.0)), cross.chance_sd())
        };
        let found: Vec<((usize, usize), f64, f64)> = new.par_iter().map(one).collect();
        for ((a, b), correlation, chance) in found {
            (self.table[a * n + b], self.table[b * n + a]) = (correlation, correlation);
            self.chances.push(chance);
        }
    }

    /// Correlation of a pair; none (0) where nobody looked.
    pub fn between(&self, a: usize, b: usize) -> f64 {
        let value = self.table[a * self.count() + b];
        if value.is_finite() { value } else { 0.0 }
    }

    /// What pictures that have nothing in common come to: one standard deviation.
    pub fn chance_sd(&self) -> f64 {
        upper_median(self.chances.iter().copied().filter(|chance| chance.is_finite())).unwrap_or(f64::INFINITY)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_picture_moved_is_alike_and_another_is_not() {
        let mut state = 7u64;
        let mut random = move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((state >> 40) as f32) / 16_777_216.0
        };
        let mut scene = |side: usize| {
            let blobs: Vec<[f32; 2]> = (0..150).map(|_| [random() * 1.4 - 0.2, random() * 1.4 - 0.2]).collect();
            move |shift: [f32; 2]| {
                let value = |at: usize| {
                    let (x, y) = ((at % side) as f32 - shift[0], (at / side) as f32 - shift[1]);
                    let of = |b: &[f32; 2]| (x - b[0] * side as f32).powi(2) + (y - b[1] * side as f32).powi(2);
                    blobs.iter().map(|b| (-0.5 * of(b) / 9.0).exp()).sum::<f32>()
                };
                Image { rows: side, cols: side, values: (0..side * side).map(value).collect() }
            }
        };
        let (one, other) = (scene(128), scene(128));
        let pictures = [one([0.0, 0.0]), one([9.0, -6.0]), other([0.0, 0.0])];
        let mut likeness = Likeness::of(&pictures.iter().collect::<Vec<&Image>>()).unwrap();
        likeness.look([(0, 1), (0, 2)].into_iter());
        assert!(likeness.between(1, 0) > 0.9, "{}", likeness.between(1, 0));
        assert!(likeness.between(0, 2) < 6.0 * likeness.chance_sd(), "{}", likeness.between(0, 2));
        assert_eq!(likeness.between(1, 2), 0.0, "nobody looked");
    }
}
