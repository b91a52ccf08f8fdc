//! Averaged periodogram of an image (Welch 1967, IEEE Trans. Audio Electroacoust. 15:70, in two dimensions).
//!
//! Square patches lie side by side, the last row and column shifted inward, so that each pixel is transformed
//! about once. Each patch loses its best plane, is weighted by a periodic Hann window w and transformed;
//! `P = |FFT(x·w)|² / Σw²`, so that white noise of variance σ² gives the level σ² at every frequency.

use crate::numerics::tapers::Tapers;
use crate::numerics::wide::wide;
use realfft::{RealFftPlanner, RealToComplex};
use rustfft::num_complex::{Complex32, Complex64};
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
    /// Transform of (x - middle) · window along a line, and of (x - middle).
    ramp: Vec<Complex32>,
    bare_ramp: Vec<Complex32>,
    tapers: Tapers,
    four: Vec<f32>,
    rows: Arc<dyn RealToComplex<f32>>,
    columns: Arc<dyn Fft<f32>>,
    line: Vec<f32>,
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
        let window: Vec<f64> =
            (0..size).map(|i| 0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / size as f64).cos()).collect();
        let line: f64 = window.iter().map(|w| w.powi(2)).sum();
        Self {
            size,
            window_square_sum: line * line,
            ramp: windowed_ramp(&window),
            bare_ramp: windowed_ramp(&vec![1.0; size]),
            tapers: Tapers::new(size),
            four: Vec::new(),
            window: window.into_iter().map(|w| w as f32).collect(),
            rows,
            columns,
            line: vec![0.0; size],
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
        self.over_patches((width, height), use_patch, |own, row, column, power| {
            own.add_patch(&copy_row, row, column, power)
        })
    }

    /// [`Periodogram::average`] that shows each patch on the way by its four-taper spectrum (see
    /// [`crate::numerics::tapers`]): `show(first row, first column, power)` gets it laid out like
    /// [`PowerSpectrum::power`]; white noise of variance σ² has the level σ². The columns fx = 0 and ½ are left at 0.
    pub fn average_and_show(
        &mut self,
        (width, height): (usize, usize),
        copy_row: impl Fn(usize, usize, &mut [f32]),
        use_patch: impl Fn(usize, usize) -> bool,
        mut show: impl FnMut(usize, usize, &[f32]),
    ) -> Option<PowerSpectrum> {
        self.four.resize(self.spectrum.len(), 0.0);
        self.over_patches((width, height), use_patch, |own, row, column, power| {
            let added = own.add_patch_bare(&copy_row, row, column, power);
            if added {
                show(row, column, &own.four);
            }
            added
        })
    }

    fn over_patches(
        &mut self,
        (width, height): (usize, usize),
        use_patch: impl Fn(usize, usize) -> bool,
        mut add: impl FnMut(&mut Self, usize, usize, &mut [f32]) -> bool,
    ) -> Option<PowerSpectrum> {
        if height < self.size || width < self.size {
            return None;
        }
        // f32 sums of at most a few thousand patches keep six digits; counting noise leaves three at best.
        let mut power = vec![0.0f32; self.spectrum.len()];
        let mut patches = 0;
        for row in patch_starts(height, self.size) {
            for column in patch_starts(width, self.size) {
                patches += usize::from(use_patch(row, column) && add(self, row, column, &mut power));
            }
        }
        if patches == 0 {
            return None;
        }
        let norm = (1.0 / (self.window_square_sum * patches as f64)) as f32;
        power.iter_mut().for_each(|value| *value *= norm);
        Some(PowerSpectrum { size: self.size, power, patches })
    }

    /// Adds |FFT|² of one patch to `power`; false if a transform refused its buffers.
    fn add_patch(
        &mut self,
        copy_row: &impl Fn(usize, usize, &mut [f32]),
        row0: usize,
        column0: usize,
        power: &mut [f32],
    ) -> bool {
        let n = self.size;
        let Some(plane) = self.along_rows(copy_row, row0, column0, true) else { return false };
        for (x, (column, sums)) in self.spectrum.chunks_exact_mut(n).zip(power.chunks_exact_mut(n)).enumerate() {
            self.columns.process_with_scratch(column, &mut self.scratch);
            plane.take_off(column, x, &self.ramp);
            add_power(sums, &*column);
        }
        true
    }

    /// The same without a window before the transform: windows follow as combinations of its frequencies.
    fn add_patch_bare(
        &mut self,
        copy_row: &impl Fn(usize, usize, &mut [f32]),
        row0: usize,
        column0: usize,
        power: &mut [f32],
    ) -> bool {
        let n = self.size;
        let Some(mut plane) = self.along_rows(copy_row, row0, column0, false) else { return false };
        plane.window = [n as f32, 0.0];
        for (x, column) in self.spectrum.chunks_exact_mut(n).enumerate() {
            self.columns.process_with_scratch(column, &mut self.scratch);
            plane.take_off(column, x, &self.bare_ramp);
        }
        let last = n / 2;
        // A real picture: beyond the borders of the half plane lie the mirrored columns.
        let (left, right) = (self.mirrored(1), self.mirrored(last - 1));
        let column = |x: usize| &self.spectrum[x * n..(x + 1) * n];
        let sums = power.chunks_exact_mut(n).zip(self.four.chunks_exact_mut(n));
        for (x, (power, four)) in sums.enumerate() {
            let before = if x == 0 { left.as_slice() } else { column(x - 1) };
            let after = if x == last { right.as_slice() } else { column(x + 1) };
            self.tapers.column([before, column(x), after], power, four);
            if x == 0 || x == last {
                four.fill(0.0);
            }
        }
        true
    }

    /// The column at -fx, from that at fx = `x`.
    fn mirrored(&self, x: usize) -> Vec<Complex32> {
        let column = &self.spectrum[x * self.size..(x + 1) * self.size];
        (0..self.size).map(|y| column[(self.size - y) % self.size].conj()).collect()
    }

    /// Windows a patch if asked to, and transforms its rows into the columns of `spectrum`; gives the patch's best plane, which
    /// is taken off once the columns are transformed too, so that the pixels are gone through once.
    fn along_rows(
        &mut self,
        copy_row: &impl Fn(usize, usize, &mut [f32]),
        row0: usize,
        column0: usize,
        windowed: bool,
    ) -> Option<Plane> {
        let n = self.size;
        let half = n / 2 + 1;
        let mut sums = PlaneSums::new(n);
        self.column_sums.fill(0.0);
        let mut level = None;
        for first in (0..n).step_by(BLOCK) {
            let rows = BLOCK.min(n - first);
            for (row, spectrum) in self.row_spectra.chunks_exact_mut(half).take(rows).enumerate() {
                copy_row(row0 + first + row, column0, &mut self.line);
                // A level near the mean keeps f32 rounding at that of the picture's contrast.
                let level = *level.get_or_insert_with(|| (line_sum(&self.line) / n as f64) as f32);
                let weight = windowed.then(|| self.window[first + row]);
                let Self { line, column_sums, window, .. } = self;
                sums.add(first + row, level_and_weigh(line, level, column_sums, weight.map(|w| (w, &window[..]))));
                self.rows.process_with_scratch(&mut self.line, spectrum, &mut self.scratch).ok()?;
            }
            for x in 0..half {
                let column = &mut self.spectrum[x * n + first..x * n + first + rows];
                for (row, value) in column.iter_mut().enumerate() {
                    *value = self.row_spectra[row * half + x];
                }
            }
        }
        Some(sums.plane(&self.column_sums))
    }
}

/// Transform of (x - middle) · window.
fn windowed_ramp(window: &[f64]) -> Vec<Complex32> {
    let middle = (window.len() as f64 - 1.0) / 2.0;
    let mut line: Vec<Complex64> =
        window.iter().enumerate().map(|(x, w)| Complex64::from((x as f64 - middle) * w)).collect();
    FftPlanner::<f64>::new().plan_fft_forward(line.len()).process(&mut line);
    line.into_iter().map(|value| Complex32::new(value.re as f32, value.im as f32)).collect()
}

wide! {
    /// Adds the power of a column.
    fn add_power<'a>(sums: &'a mut [f32], column: &'a [Complex32]) {
        sums.iter_mut().zip(column).for_each(|(sum, value)| *sum += value.re * value.re + value.im * value.im);
    }
}

wide! {
    /// Takes a level off a line, adds it to the sums of its columns, and weighs it; gives its sum before that.
    fn level_and_weigh<'a>(
        line: &'a mut [f32],
        level: f32,
        columns: &'a mut [f32],
        window: Option<(f32, &'a [f32])>,
    ) -> f64 {
        line.iter_mut().for_each(|value| *value -= level);
        columns.iter_mut().zip(line.iter()).for_each(|(sum, value)| *sum += value);
        let sum = line_sum(line);
        if let Some((weight, window)) = window {
            line.iter_mut().zip(window).for_each(|(value, w)| *value *= w * weight);
        }
        sum
    }
}

/// Σv of a line, summed over eight lanes so that the compiler can use vector instructions.
#[inline(always)]
fn line_sum(line: &[f32]) -> f64 {
    let (eights, rest) = line.as_chunks::<8>();
    let mut lanes = [0.0f32; 8];
    for eight in eights {
        lanes.iter_mut().zip(eight).for_each(|(lane, value)| *lane += value);
    }
    lanes.iter().chain(rest).map(|&value| f64::from(value)).sum()
}

/// What the best plane of a patch is computed from, row by row.
struct PlaneSums {
    size: usize,
    sum: f64,
    along_y: f64,
}

impl PlaneSums {
    fn new(size: usize) -> Self {
        Self { size, sum: 0.0, along_y: 0.0 }
    }

    fn middle(&self) -> f64 {
        (self.size as f64 - 1.0) / 2.0
    }

    fn add(&mut self, row: usize, row_sum: f64) {
        self.sum += row_sum;
        self.along_y += (row as f64 - self.middle()) * row_sum;
    }

    fn plane(&self, column_sums: &[f32]) -> Plane {
        let columns = column_sums.iter().enumerate();
        let along_x: f64 = columns.map(|(x, &sum)| (x as f64 - self.middle()) * f64::from(sum)).sum();
        let pixels = (self.size * self.size) as f64;
        // Σ(x - x̄)² over a patch of n × n.
        let spread = pixels * (pixels - 1.0) / 12.0;
        Plane {
            mean: (self.sum / pixels) as f32,
            x: (along_x / spread) as f32,
            y: (self.along_y / spread) as f32,
            window: [self.size as f32 / 2.0, -(self.size as f32) / 4.0],
        }
    }
}

/// The best plane of a patch, mean + x · (column - middle) + y · (row - middle).
struct Plane {
    mean: f32,
    x: f32,
    y: f32,
    /// Transform of the periodic Hann window, or of none, at frequency 0 and ±1; it is 0 at all others.
    window: [f32; 2],
}

impl Plane {
    /// Takes the transform of the windowed plane off column fx = `x` of the spectrum.
    fn take_off(&self, column: &mut [Complex32], x: usize, ramp: &[Complex32]) {
        let along_x = self.window.get(x).copied().unwrap_or(0.0);
        let level = Complex32::from(self.mean * along_x) + ramp[x] * self.x;
        let last = column.len() - 1;
        for (y, window) in [(0, self.window[0]), (1, self.window[1]), (last, self.window[1])] {
            column[y] -= level * window;
        }
        if along_x != 0.0 {
            column.iter_mut().zip(ramp).for_each(|(value, ramp)| *value -= ramp * (self.y * along_x));
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
    fn windows_made_of_neighbouring_frequencies_are_those_of_the_pixels() {
        let (n, mut seed) = (64usize, 5u32);
        let image = Array2::from_shape_fn((n, 2 * n), |(r, c)| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 22) as f32 + 3.0 * r as f32 - 7.0 * c as f32
        });
        let plain = average(n, &image, |_, _| true).unwrap();
        let copy = |y: usize, x: usize, out: &mut [f32]| {
            out.iter_mut().enumerate().for_each(|(i, out)| *out = image[(y, x + i)]);
        };
        let (mut level, mut shown) = (0.0, 0);
        let combined = Periodogram::new(n).average_and_show(
            (2 * n, n),
            copy,
            |_, _| true,
            |_, _, four| {
                level += four[2 * n..(n / 2 - 1) * n].iter().map(|p| f64::from(*p)).sum::<f64>();
                shown += (n / 2 - 3) * n;
            },
        );
        let mean = plain.power.iter().sum::<f32>() / plain.power.len() as f32;
        for (a, b) in combined.unwrap().power.iter().zip(&plain.power) {
            assert!((a - b).abs() < 1e-4 * b + 1e-4 * mean, "{a} is not {b}");
        }
        // Uniform whole numbers from 0 to 1023: 1023 · 1025 / 12.
        assert!((level / f64::from(shown as u32) / 87_381.0 - 1.0).abs() < 0.05);
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
