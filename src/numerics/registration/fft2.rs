//! Two-dimensional transforms of real images.

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex32;
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

/// Plans for images of one size.
///
/// A spectrum is the half plane of non-negative x frequencies, at index `x * rows + y`; y runs from 0 to rows - 1 with
/// the upper half standing for negative frequencies.
pub struct Fft2 {
    /// Rows of an image.
    pub rows: usize,
    /// Columns of an image.
    pub cols: usize,
    row_forward: Arc<dyn RealToComplex<f32>>,
    row_inverse: Arc<dyn ComplexToReal<f32>>,
    column_forward: Arc<dyn Fft<f32>>,
    column_inverse: Arc<dyn Fft<f32>>,
}

impl Fft2 {
    /// Plans for images of `rows` × `cols`.
    pub fn new(rows: usize, cols: usize) -> Self {
        let (mut real, mut complex) = (RealFftPlanner::<f32>::new(), FftPlanner::<f32>::new());
        Self {
            rows,
            cols,
            row_forward: real.plan_fft_forward(cols),
            row_inverse: real.plan_fft_inverse(cols),
            column_forward: complex.plan_fft_forward(rows),
            column_inverse: complex.plan_fft_inverse(rows),
        }
    }

    /// Columns of the half plane.
    pub fn half(&self) -> usize {
        self.cols / 2 + 1
    }

    /// Signed frequencies in cycles a pixel of an index of the spectrum: (x, y).
    pub fn frequency(&self, at: usize) -> (f64, f64) {
        let (x, y) = (at / self.rows, at % self.rows);
        let y = if 2 * y > self.rows { y as f64 - self.rows as f64 } else { y as f64 };
        (x as f64 / self.cols as f64, y / self.rows as f64)
    }

    /// How often a column of the half plane stands in the whole plane.
    pub fn multiplicity(&self, x: usize) -> f32 {
        if x == 0 || 2 * x == self.cols { 1.0 } else { 2.0 }
    }

    /// Transforms an image (row by row; its contents are lost).
    pub fn forward(&self, image: &mut [f32]) -> Vec<Complex32> {
        let half = self.half();
        let mut spectrum = vec![Complex32::default(); half * self.rows];
        let mut line = vec![Complex32::default(); half];
        let mut scratch = vec![Complex32::default(); self.row_forward.get_scratch_len()];
        for (y, row) in image.chunks_exact_mut(self.cols).enumerate() {
            // The buffers fit by construction; a refusal would leave the row at zero.
            if self.row_forward.process_with_scratch(row, &mut line, &mut scratch).is_ok() {
                for (x, value) in line.iter().enumerate() {
                    spectrum[x * self.rows + y] = *value;
                }
            }
        }
        self.column_forward.process(&mut spectrum);
        spectrum
    }

    /// The image of a spectrum (whose contents are lost), not divided by the number of pixels.
    pub fn inverse(&self, spectrum: &mut [Complex32]) -> Vec<f32> {
        let half = self.half();
        self.column_inverse.process(spectrum);
        let mut image = vec![0.0; self.rows * self.cols];
        let mut line = vec![Complex32::default(); half];
        let mut scratch = vec![Complex32::default(); self.row_inverse.get_scratch_len()];
        for (y, row) in image.chunks_exact_mut(self.cols).enumerate() {
            for (x, value) in line.iter_mut().enumerate() {
                *value = spectrum[x * self.rows + y];
            }
            // Rounding leaves a trace of an imaginary part where a real image cannot have one.
            line[0].im = 0.0;
            if self.cols.is_multiple_of(2) {
                line[half - 1].im = 0.0;
            }
            if self.row_inverse.process_with_scratch(&mut line, row, &mut scratch).is_err() {
                row.fill(0.0);
            }
        }
        image
    }
}

/// The smallest size from `least` on without a prime factor over 5.
pub fn good_size(least: usize) -> usize {
    (least.max(1)..).find(|&n| is_good(n)).unwrap_or(least)
}

/// The largest size up to `most` without a prime factor over 5.
pub fn good_size_within(most: usize) -> usize {
    (1..=most).rev().find(|&n| is_good(n)).unwrap_or(1)
}

fn is_good(mut n: usize) -> bool {
    for factor in [2, 3, 5] {
        while n.is_multiple_of(factor) {
            n /= factor;
        }
    }
    n == 1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_image_comes_back() {
        let fft = Fft2::new(6, 9);
        let image: Vec<f32> = (0..54).map(|i| ((i * 37) % 11) as f32).collect();
        let mut spectrum = fft.forward(&mut image.clone());
        let back = fft.inverse(&mut spectrum);
        assert!(image.iter().zip(&back).all(|(a, b)| (a - b / 54.0).abs() < 1e-4));
    }

    #[test]
    fn good_sizes_have_small_factors() {
        assert_eq!((good_size(97), good_size(128), good_size_within(97), good_size_within(31)), (100, 128, 96, 30));
    }
}
