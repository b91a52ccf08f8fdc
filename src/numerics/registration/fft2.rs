//! Two-dimensional transforms of real images.
//!
//! Two rows are transformed as one: the real and the imaginary part of a complex line, told apart afterwards by the symmetry
//! of a real row's spectrum.

use crate::numerics::wide::wide;
use rustfft::num_complex::Complex32;
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

/// Pairs of rows that are turned into columns together: so many complex numbers make a line of the processor's cache.
const PAIRS: usize = 4;

/// Plans for images of one size.
///
/// A spectrum is the half plane of non-negative x frequencies, at index `x * rows + y`; y runs from 0 to rows - 1 with
/// the upper half standing for negative frequencies.
pub struct Fft2 {
    /// Rows of an image.
    pub rows: usize,
    /// Columns of an image.
    pub cols: usize,
    row_forward: Arc<dyn Fft<f32>>,
    row_inverse: Arc<dyn Fft<f32>>,
    column_forward: Arc<dyn Fft<f32>>,
    column_inverse: Arc<dyn Fft<f32>>,
}

impl Fft2 {
    /// Plans for images of `rows` × `cols`.
    pub fn new(rows: usize, cols: usize) -> Self {
        let mut planner = FftPlanner::<f32>::new();
        Self {
            rows,
            cols,
            row_forward: planner.plan_fft_forward(cols),
            row_inverse: planner.plan_fft_inverse(cols),
            column_forward: planner.plan_fft_forward(rows),
            column_inverse: planner.plan_fft_inverse(rows),
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

    /// Transforms an image (row by row).
    pub fn forward(&self, image: &[f32]) -> Vec<Complex32> {
        let (rows, cols) = (self.rows, self.cols);
        let mut spectrum = vec![Complex32::default(); self.half() * rows];
        let mut lines = vec![Complex32::default(); PAIRS * cols];
        let mut scratch = vec![Complex32::default(); self.row_forward.get_inplace_scratch_len()];
        for (at, some) in image.chunks(2 * PAIRS * cols).enumerate() {
            for (line, pair) in lines.chunks_exact_mut(cols).zip(some.chunks(2 * cols)) {
                let (one, other) = pair.split_at(cols);
                match other.is_empty() {
                    true => line.iter_mut().zip(one).for_each(|(value, re)| *value = Complex32::new(*re, 0.0)),
                    false => interleave(line, one, other),
                }
            }
            self.row_forward.process_with_scratch(&mut lines, &mut scratch);
            let count = some.len() / cols;
            for (x, column) in spectrum.chunks_exact_mut(rows).enumerate() {
                let mirror = (cols - x) % cols;
                let out = &mut column[2 * PAIRS * at..2 * PAIRS * at + count];
                for (out, line) in out.chunks_mut(2).zip(lines.chunks_exact(cols)) {
                    let (z, w) = (line[x], line[mirror]);
                    out[0] = Complex32::new(0.5 * (z.re + w.re), 0.5 * (z.im - w.im));
                    if let Some(other) = out.get_mut(1) {
                        *other = Complex32::new(0.5 * (z.im + w.im), 0.5 * (w.re - z.re));
                    }
                }
            }
        }
        self.column_forward.process(&mut spectrum);
        spectrum
    }

    /// The image of a spectrum (whose contents are lost), not divided by the number of pixels.
    pub fn inverse(&self, spectrum: &mut [Complex32]) -> Vec<f32> {
        self.inverse_lines(spectrum, &(0..self.rows).collect::<Vec<_>>())
    }

    /// Some rows of the image of a spectrum, one after another. What its last columns would hold may be left out where it is
    /// zero.
    pub fn inverse_lines(&self, spectrum: &mut [Complex32], wanted: &[usize]) -> Vec<f32> {
        let (rows, cols) = (self.rows, self.cols);
        self.column_inverse.process(spectrum);
        let mut image = vec![0.0; wanted.len() * cols];
        let mut lines = vec![Complex32::default(); PAIRS * cols];
        let mut scratch = vec![Complex32::default(); self.row_inverse.get_inplace_scratch_len()];
        for (some, wanted) in image.chunks_mut(2 * PAIRS * cols).zip(wanted.chunks(2 * PAIRS)) {
            lines.fill(Complex32::default());
            for (x, column) in spectrum.chunks_exact(rows).enumerate() {
                let mirror = (cols - x) % cols;
                for (line, pair) in lines.chunks_exact_mut(cols).zip(wanted.chunks(2)) {
                    let (a, b) = (column[pair[0]], pair.get(1).map_or(Complex32::default(), |&y| column[y]));
                    if mirror == x {
                        // Rounding leaves a trace of an imaginary part where a real image cannot have one.
                        line[x] = Complex32::new(a.re, b.re);
                    } else {
                        line[x] = Complex32::new(a.re - b.im, a.im + b.re);
                        line[mirror] = Complex32::new(a.re + b.im, b.re - a.im);
                    }
                }
            }
            self.row_inverse.process_with_scratch(&mut lines, &mut scratch);
            for (pair, line) in some.chunks_mut(2 * cols).zip(lines.chunks_exact(cols)) {
                let (one, other) = pair.split_at_mut(cols);
                one.iter_mut().zip(line).for_each(|(out, value)| *out = value.re);
                other.iter_mut().zip(line).for_each(|(out, value)| *out = value.im);
            }
        }
        image
    }
}

wide! {
    fn interleave<'a>(line: &'a mut [Complex32], re: &'a [f32], im: &'a [f32]) {
        for ((value, re), im) in line.iter_mut().zip(re).zip(im) {
            *value = Complex32::new(*re, *im);
        }
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

/// The largest size up to `most` that is transformed fastest: of factors 5 no more than one.
pub fn fast_size_within(most: usize) -> usize {
    (1..=most).rev().find(|&n| is_good(n) && !n.is_multiple_of(25)).unwrap_or(1)
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
    use rustfft::num_complex::Complex64;

    /// Σ image e^(-2πi (x fx + y fy)), for odd and even numbers of rows and columns.
    #[test]
    fn a_spectrum_is_the_sum_that_defines_it() {
        for (rows, cols) in [(6, 9), (5, 8), (19, 4)] {
            let fft = Fft2::new(rows, cols);
            let image: Vec<f32> = (0..rows * cols).map(|i| ((i * 37) % 11) as f32).collect();
            for (at, value) in fft.forward(&image).iter().enumerate() {
                let (fx, fy) = fft.frequency(at);
                let sum: Complex64 = (0..rows * cols)
                    .map(|i| {
                        let phase = -std::f64::consts::TAU * ((i % cols) as f64 * fx + (i / cols) as f64 * fy);
                        Complex64::from_polar(f64::from(image[i]), phase)
                    })
                    .sum();
                assert!(
                    (sum.re - f64::from(value.re)).hypot(sum.im - f64::from(value.im)) < 1e-3,
                    "{rows} {cols} {at}"
                );
            }
        }
    }

    #[test]
    fn an_image_comes_back() {
        let fft = Fft2::new(6, 9);
        let image: Vec<f32> = (0..54).map(|i| ((i * 37) % 11) as f32).collect();
        let mut spectrum = fft.forward(&image);
        let back = fft.inverse(&mut spectrum);
        assert!(image.iter().zip(&back).all(|(a, b)| (a - b / 54.0).abs() < 1e-4));
    }

    #[test]
    fn some_lines_are_those_of_the_whole() {
        let fft = Fft2::new(20, 15);
        let spectrum = fft.forward(&(0..300).map(|i| ((i * 37) % 11) as f32).collect::<Vec<f32>>());
        // Columns from 5 on are none.
        let mut ended = spectrum.clone();
        ended[5 * 20..].fill(Complex32::default());
        let whole = fft.inverse(&mut ended);
        let wanted = [18, 19, 0, 1, 2, 3, 4, 5, 6, 7];
        let some = fft.inverse_lines(&mut spectrum[..5 * 20].to_vec(), &wanted);
        for (line, y) in some.chunks_exact(15).zip(wanted) {
            assert!(line.iter().zip(&whole[y * 15..]).all(|(a, b)| (a - b).abs() < 1e-3), "{y}");
        }
    }

    #[test]
    fn good_sizes_have_small_factors() {
        assert_eq!((good_size(97), good_size(128), good_size_within(97), good_size_within(31)), (100, 128, 96, 30));
        assert_eq!((fast_size_within(205), fast_size_within(127), fast_size_within(45)), (192, 120, 45));
    }
}
