//! Averaged periodogram of an image (Welch 1967, IEEE Trans. Audio Electroacoust. 15:70, in two dimensions).
//!
//! Square patches lie side by side, the last row and column shifted inward, so that each pixel is transformed
//! about once. Each patch loses its best plane, is weighted by a periodic Hann window w and transformed;
//! `P = |FFT(x·w)|² / Σw²`, so that white noise of variance σ² gives the level σ² at every frequency.

use realfft::{RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex32;
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

/// Patches are this large where the image allows.
const LARGEST_PATCH: usize = 512;
/// Under this size a spectrum has too few frequencies to speak of.
const SMALLEST_PATCH: usize = 32;
/// Rows that are transformed before they are written to the columns, 16 × 8 bytes being two cache lines.
const BLOCK: usize = 16;

/// An averaged power spectrum: the half plane of non-negative fx.
#[derive(Debug, Clone, PartialEq)]
pub struct PowerSpectrum {
    /// Side of the patches in pixels.
    pub size: usize,
    /// Power at `(fx, fy) = (x, y) / size` cycles a pixel at index `x * size + y`; x from 0 to size/2, y from 0 to
    /// size - 1 with the upper half standing for negative fy.
    pub power: Vec<f32>,
    /// Patches that were averaged.
    pub patches: usize,
}

/// The largest patch for an image: even, with no prime factor over 5, at most 512; `None` for images under 32 px.
pub fn patch_size(width: usize, height: usize) -> Option<usize> {
    let most = width.min(height).min(LARGEST_PATCH);
    (SMALLEST_PATCH..=most).rev().find(|&n| n.is_multiple_of(2) && without_factors(n, &[2, 3, 5]) == 1)
}

fn without_factors(mut n: usize, factors: &[usize]) -> usize {
    for &factor in factors {
        while n.is_multiple_of(factor) {
            n /= factor;
        }
    }
    n
}

/// First pixels of the patches along a side.
pub fn patch_starts(length: usize, size: usize) -> Vec<usize> {
    let mut starts: Vec<usize> = (0..length / size).map(|i| i * size).collect();
    if !length.is_multiple_of(size) {
        starts.push(length - size);
    }
    starts
}

/// Plans and buffers for one patch size; one a worker.
pub struct Periodogram {
    size: usize,
    window: Vec<f32>,
    window_square_sum: f64,
    rows: Arc<dyn RealToComplex<f32>>,
    columns: Arc<dyn Fft<f32>>,
    patch: Vec<f32>,
    column_sums: Vec<f32>,
    row_spectra: Vec<Complex32>,
    spectrum: Vec<Complex32>,
    scratch: Vec<Complex32>,
}

impl Periodogram {
    /// Plans for patches of `size` pixels (from [`patch_size`]).
    pub fn new(size: usize) -> Self {
        let rows = RealFftPlanner::<f32>::new().plan_fft_forward(size);
        let columns = FftPlanner::<f32>::new().plan_fft_forward(size);
        let half = size / 2 + 1;
        let scratch = rows.get_scratch_len().max(columns.get_inplace_scratch_len());
        let window: Vec<f32> =
            (0..size).map(|i| (0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / size as f64).cos()) as f32).collect();
        let line: f64 = window.iter().map(|&w| f64::from(w).powi(2)).sum();
        Self {
            size,
            window,
            window_square_sum: line * line,
            rows,
            columns,
            patch: vec![0.0; size * size],
            column_sums: vec![0.0; size],
            row_spectra: vec![Complex32::default(); BLOCK * half],
            spectrum: vec![Complex32::default(); half * size],
            scratch: vec![Complex32::default(); scratch],
        }
    }

    /// Σw² of the window.
    pub fn window_square_sum(&self) -> f64 {
        self.window_square_sum
    }

    /// Averages over the patches of an image for which `use_patch(first row, first column)` holds; `None` where
    /// there is none. `copy_row(row, column, out)` fills `out` with pixels of a row from a column on, so that an
    /// image need not exist as f32 as a whole.
    pub fn average(
        &mut self,
        (width, height): (usize, usize),
        copy_row: impl Fn(usize, usize, &mut [f32]),
        use_patch: impl Fn(usize, usize) -> bool,
    ) -> Option<PowerSpectrum> {
        self.average_and_show((width, height), copy_row, use_patch, |_, _, _| ())
    }

    /// [`Periodogram::average`] that shows each patch on the way: `show(first row, first column, spectrum)` gets the
    /// transform, laid out like [`PowerSpectrum::power`], whose square over [`Periodogram::window_square_sum`] is the
    /// patch's own power.
    pub fn average_and_show(
        &mut self,
        (width, height): (usize, usize),
        copy_row: impl Fn(usize, usize, &mut [f32]),
        use_patch: impl Fn(usize, usize) -> bool,
        mut show: impl FnMut(usize, usize, &[Complex32]),
    ) -> Option<PowerSpectrum> {
        if height < self.size || width < self.size {
            return None;
        }
        // f32 sums of at most a few thousand patches keep six digits; counting noise leaves three at best.
        let mut power = vec![0.0f32; self.spectrum.len()];
        let mut patches = 0;
        for row in patch_starts(height, self.size) {
            for column in patch_starts(width, self.size) {
                if use_patch(row, column) && self.transform(&copy_row, row, column) {
                    for (sum, value) in power.iter_mut().zip(&self.spectrum) {
                        *sum += value.norm_sqr();
                    }
                    show(row, column, &self.spectrum);
                    patches += 1;
                }
            }
        }
        if patches == 0 {
            return None;
        }
        let norm = (1.0 / (self.window_square_sum * patches as f64)) as f32;
        power.iter_mut().for_each(|value| *value *= norm);
        Some(PowerSpectrum { size: self.size, power, patches })
    }

    /// Transforms one patch into `self.spectrum`; false if a transform refused its buffers.
    fn transform(&mut self, copy_row: &impl Fn(usize, usize, &mut [f32]), row0: usize, column0: usize) -> bool {
        let n = self.size;
        let half = n / 2 + 1;
        let plane = self.copy_patch(copy_row, row0, column0);
        for block in 0..n.div_ceil(BLOCK) {
            let first = block * BLOCK;
            let rows = BLOCK.min(n - first);
            for row in 0..rows {
                let line = &mut self.patch[(first + row) * n..(first + row + 1) * n];
                plane.take_off(line, first + row, &self.window);
                let spectrum = &mut self.row_spectra[row * half..(row + 1) * half];
                if self.rows.process_with_scratch(line, spectrum, &mut self.scratch).is_err() {
                    return false;
                }
            }
            for x in 0..half {
                let column = &mut self.spectrum[x * n + first..x * n + first + rows];
                for (row, value) in column.iter_mut().enumerate() {
                    *value = self.row_spectra[row * half + x];
                }
            }
        }
        self.columns.process_with_scratch(&mut self.spectrum, &mut self.scratch);
        true
    }

    /// Copies a patch and finds its best plane.
    fn copy_patch(&mut self, copy_row: &impl Fn(usize, usize, &mut [f32]), row0: usize, column0: usize) -> Plane {
        let n = self.size;
        let middle = (n as f64 - 1.0) / 2.0;
        let (mut sum, mut along_y) = (0.0f64, 0.0f64);
        self.column_sums.fill(0.0);
        for y in 0..n {
            let line = &mut self.patch[y * n..(y + 1) * n];
            copy_row(row0 + y, column0, line);
            self.column_sums.iter_mut().zip(line.iter()).for_each(|(sum, value)| *sum += value);
            let row_sum = line_sum(line);
            sum += row_sum;
            along_y += (y as f64 - middle) * row_sum;
        }
        let columns = self.column_sums.iter().enumerate();
        let along_x: f64 = columns.map(|(x, &sum)| (x as f64 - middle) * f64::from(sum)).sum();
        // Σ(x - x̄)² over a patch of n × n.
        let spread = (n * n) as f64 * ((n * n) as f64 - 1.0) / 12.0;
        Plane {
            mean: (sum / (n * n) as f64) as f32,
            x: (along_x / spread) as f32,
            y: (along_y / spread) as f32,
            middle: middle as f32,
        }
    }
}

/// Σv of a line, summed over eight lanes so that the compiler can use vector instructions.
fn line_sum(line: &[f32]) -> f64 {
    let (eights, rest) = line.as_chunks::<8>();
    let mut lanes = [0.0f32; 8];
    for eight in eights {
        lanes.iter_mut().zip(eight).for_each(|(lane, value)| *lane += value);
    }
    lanes.iter().chain(rest).map(|&value| f64::from(value)).sum()
}

/// The best plane of a patch.
struct Plane {
    mean: f32,
    x: f32,
    y: f32,
    middle: f32,
}

impl Plane {
    /// Takes the plane off a line of the patch and weights it by the window.
    fn take_off(&self, line: &mut [f32], row: usize, window: &[f32]) {
        let level = self.mean + self.y * (row as f32 - self.middle) - self.x * self.middle;
        let weight = window[row];
        for (column, (value, w)) in line.iter_mut().zip(window).enumerate() {
            *value = (*value - level - self.x * column as f32) * w * weight;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    fn average(size: usize, image: &Array2<f32>, use_patch: impl Fn(usize, usize) -> bool) -> Option<PowerSpectrum> {
        let copy = |y: usize, x: usize, out: &mut [f32]| {
            out.iter_mut().enumerate().for_each(|(i, out)| *out = image[(y, x + i)]);
        };
        Periodogram::new(size).average((image.ncols(), image.nrows()), copy, use_patch)
    }

    #[test]
    fn patches_cover_an_image_about_once() {
        assert_eq!(patch_starts(1024, 512), [0, 512]);
        assert_eq!(patch_starts(960, 512), [0, 448]);
        assert_eq!(
            (patch_size(4096, 2048), patch_size(400, 300), patch_size(97, 200)),
            (Some(512), Some(300), Some(96))
        );
        assert_eq!(patch_size(31, 500), None);
    }

    #[test]
    fn a_plane_has_no_power() {
        let image = Array2::from_shape_fn((64, 64), |(r, c)| 1000.0 + 3.0 * r as f32 - 2.0 * c as f32);
        let spectrum = average(64, &image, |_, _| true).unwrap();
        assert!(spectrum.power.iter().all(|&p| p < 1e-4));
    }

    #[test]
    fn a_sinusoid_on_a_bin_has_the_power_of_its_window() {
        // |A/2 · Σw|² / Σw² with the Hann window: A² N² / 4 / 2.25; the neighbour along an axis a quarter of it.
        let (n, amplitude) = (128usize, 2.5f64);
        let image = Array2::from_shape_fn((n, n), |(r, c)| {
            (amplitude * (std::f64::consts::TAU * (20.0 * c as f64 - 7.0 * r as f64) / n as f64).cos()) as f32
        });
        let spectrum = average(n, &image, |_, _| true).unwrap();
        let peak = amplitude.powi(2) * (n * n) as f64 / 4.0 / 2.25;
        let at = |x: usize, y: usize| f64::from(spectrum.power[x * n + y]);
        assert!((at(20, n - 7) / peak - 1.0).abs() < 1e-4);
        assert!((at(21, n - 7) / peak - 0.25).abs() < 1e-4);
        assert!(at(20, 7) < 1e-6 * peak);
    }

    #[test]
    fn left_out_patches_do_not_count() {
        let mut image = Array2::from_shape_fn((64, 128), |(r, c)| ((r * 31 + c * 17) % 11) as f32);
        let alone = average(64, &image.slice(ndarray::s![.., 64..]).to_owned(), |_, _| true);
        image.slice_mut(ndarray::s![.., ..64]).fill(9e9);
        assert_eq!(average(64, &image, |_, column| column == 64), alone);
        assert_eq!(average(64, &image, |_, _| false), None);
    }
}
