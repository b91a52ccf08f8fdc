//! Masked, zero-mean normalised cross-correlation over a window of displacements (Padfield 2012, IEEE Trans. Image
//! Process. 21:2706): every sum runs over the pixels that both images hold at that displacement, so that neither
//! borders nor pixels left out pull the peak.

use crate::numerics::registration::fft2::{Fft2, good_size};
use crate::numerics::registration::image::Image;
use crate::numerics::wide::wide;
use rustfft::num_complex::Complex32;

/// How often the highest peak of unrelated images may be believed.
const CHANCE: f64 = 1e-3;

/// Displacements that are looked at, whole pixels, ends included.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// Lowest and highest along rows.
    pub x: [i64; 2],
    /// Lowest and highest towards later rows.
    pub y: [i64; 2],
}

/// The correlation at each displacement d with b(x) = a(x + d).
#[derive(Debug, Clone, PartialEq)]
pub struct Surface {
    window: Window,
    /// Row by row; NaN where too few pixels are shared.
    values: Vec<f64>,
    /// Pixels shared.
    shared: Vec<f64>,
    /// Pixels that make one independent piece of unrelated images with these spectra.
    cell_px: f64,
}

/// A peak of the surface.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// Displacement along rows, refined by a parabola.
    pub x: f64,
    /// Displacement towards later rows.
    pub y: f64,
    /// Normalised correlation.
    pub correlation: f64,
    /// Correlation over its standard deviation for unrelated images.
    pub significance: f64,
    /// What the highest of all independent displacements of the window passes by chance once in a thousand:
    /// √(2 ln(displacements / 0.001)).
    pub chance_significance: f64,
}

/// Correlates two images; displacements with fewer than `least_shared` shared pixels have no value.
pub fn correlate(a: &Image, b: &Image, window: Window, least_shared: f64) -> Surface {
    let size = |a: usize, b: usize, [low, high]: [i64; 2]| {
        good_size((b as i64 + high).max(a as i64 - low).max(a.max(b) as i64) as usize)
    };
    let fft = Fft2::new(size(a.rows, b.rows, window.y), size(a.cols, b.cols, window.x));
    let (a, b) = (standard(a), standard(b));
    let [spectrum_a, spectrum_b] = [&a, &b].map(|image| padded(&fft, image, |value| value));
    let product = Lines::of(&fft, &spectrum_a, &spectrum_b, window);
    let is_whole = [&a, &b].iter().all(|image| image.values.iter().all(|value| value.is_finite()));
    let sums = if is_whole { Sums::Whole([&a, &b].map(Integral::of)) } else { Sums::masked(&fft, [&a, &b], window) };
    let mut surface =
        Surface { window, values: Vec::new(), shared: Vec::new(), cell_px: cell_px(&fft, &spectrum_a, &spectrum_b) };
    for y in window.y[0]..=window.y[1] {
        for x in window.x[0]..=window.x[1] {
            let [count, sum_a, square_a, sum_b, square_b] = sums.at(x, y);
            let spread_a = square_a - sum_a.powi(2) / count;
            let spread_b = square_b - sum_b.powi(2) / count;
            let common = product.at(x, y) - sum_a * sum_b / count;
            let sound = count >= least_shared && spread_a > 1e-5 * count && spread_b > 1e-5 * count;
            surface.values.push(if sound { common / (spread_a * spread_b).sqrt() } else { f64::NAN });
            surface.shared.push(count);
        }
    }
    surface
}

/// The same image with mean 0 and standard deviation 1, so that single-precision sums keep their digits.
fn standard(image: &Image) -> Image {
    let level = image.values.iter().copied().find(|value| value.is_finite()).unwrap_or(0.0);
    let [n, sum, squares] = moments(&image.values, level);
    let n = n.max(1.0);
    let mean = f64::from(level) + sum / n;
    let sd = (squares / n - (sum / n).powi(2)).max(0.0).sqrt().max(1e-30);
    let mut values = image.values.clone();
    standardize(&mut values, mean as f32, (1.0 / sd) as f32);
    Image { values, ..*image }
}

wide! {
    /// How many values are numbers, their sum less a level, and that of their squares.
    fn moments<'a>(values: &'a [f32], level: f32) -> [f64; 3] {
        // One after the other: of several sums at once the compiler makes no wide loop.
        [
            sum(values, |value| if value.is_finite() { 1.0 } else { 0.0 }),
            sum(values, |value| if value.is_finite() { value - level } else { 0.0 }),
            sum(values, |value| if value.is_finite() { (value - level) * (value - level) } else { 0.0 }),
        ]
    }

    fn standardize<'a>(values: &'a mut [f32], mean: f32, scale: f32) {
        values.iter_mut().for_each(|value| *value = if value.is_finite() { (*value - mean) * scale } else { f32::NAN });
    }
}

#[inline(always)]
fn sum(values: &[f32], of: impl Fn(f32) -> f32) -> f64 {
    const LANES: usize = 8;
    let mut sums = [0.0f64; LANES];
    let (many, rest) = values.as_chunks::<LANES>();
    for values in many {
        for lane in 0..LANES {
            sums[lane] += f64::from(of(values[lane]));
        }
    }
    sums.iter().sum::<f64>() + rest.iter().map(|&value| f64::from(of(value))).sum::<f64>()
}

/// The spectrum of what is a number, zeros beyond the image.
fn padded(fft: &Fft2, image: &Image, of: impl Fn(f32) -> f32) -> Vec<Complex32> {
    let mut out = vec![0.0f32; fft.rows * fft.cols];
    for (out, line) in out.chunks_exact_mut(fft.cols).zip(image.values.chunks_exact(image.cols)) {
        for (out, value) in out.iter_mut().zip(line).filter(|(_, value)| value.is_finite()) {
            *out = of(*value);
        }
    }
    fft.forward(&out)
}

/// Σ p(x + d) q(x) over a window of displacements d.
struct Lines {
    window: Window,
    cols: usize,
    values: Vec<f32>,
    scale: f64,
}

impl Lines {
    fn of(fft: &Fft2, p: &[Complex32], q: &[Complex32], window: Window) -> Self {
        let mut product: Vec<Complex32> = p.iter().zip(q).map(|(p, q)| p * q.conj()).collect();
        let lines: Vec<usize> = (window.y[0]..=window.y[1]).map(|y| y.rem_euclid(fft.rows as i64) as usize).collect();
        let values = fft.inverse_lines(&mut product, &lines);
        Self { window, cols: fft.cols, values, scale: 1.0 / (fft.rows * fft.cols) as f64 }
    }

    fn at(&self, x: i64, y: i64) -> f64 {
        let at = (y - self.window.y[0]) as usize * self.cols + x.rem_euclid(self.cols as i64) as usize;
        f64::from(self.values[at]) * self.scale
    }
}

/// What both images hold at a displacement.
enum Sums {
    /// No pixel is left out: rectangles.
    Whole([Integral; 2]),
    /// Pixels shared, sum and sum of squares of the one, then of the other.
    Masked(Box<[Lines; 5]>),
}

impl Sums {
    fn masked(fft: &Fft2, [a, b]: [&Image; 2], window: Window) -> Self {
        let spectra =
            |image: &Image| [padded(fft, image, |_| 1.0), padded(fft, image, |v| v), padded(fft, image, |v| v * v)];
        let ([mask_a, value_a, square_a], [mask_b, value_b, square_b]) = (spectra(a), spectra(b));
        let pairs =
            [(&mask_a, &mask_b), (&value_a, &mask_b), (&square_a, &mask_b), (&mask_a, &value_b), (&mask_a, &square_b)];
        Self::Masked(Box::new(pairs.map(|(p, q)| Lines::of(fft, p, q, window))))
    }

    /// Pixels shared, sum and sum of squares of the one, then of the other.
    fn at(&self, x: i64, y: i64) -> [f64; 5] {
        match self {
            Self::Masked(lines) => {
                let [count, sum_a, square_a, sum_b, square_b] = lines.each_ref().map(|lines| lines.at(x, y));
                [count.round(), sum_a, square_a, sum_b, square_b]
            }
            Self::Whole([a, b]) => {
                let shared = |d: i64, a: usize, b: usize| d.max(0)..(a as i64).min(b as i64 + d).max(d.max(0));
                let (xs, ys) = (shared(x, a.cols, b.cols), shared(y, a.rows, b.rows));
                let count = ((xs.end - xs.start) * (ys.end - ys.start)) as f64;
                let [sum_a, square_a] = a.within([xs.start, xs.end], [ys.start, ys.end]);
                let [sum_b, square_b] = b.within([xs.start - x, xs.end - x], [ys.start - y, ys.end - y]);
                [count, sum_a, square_a, sum_b, square_b]
            }
        }
    }
}

/// Sums of values and of their squares over all pixels before a row and a column.
struct Integral {
    rows: usize,
    cols: usize,
    sums: Vec<[f64; 2]>,
}

impl Integral {
    fn of(image: &Image) -> Self {
        let (rows, cols) = (image.rows, image.cols);
        let mut sums = vec![[0.0; 2]; (rows + 1) * (cols + 1)];
        for y in 0..rows {
            let mut line = [0.0; 2];
            for x in 0..cols {
                let value = f64::from(image.values[y * cols + x]);
                line = [line[0] + value, line[1] + value * value];
                let above = sums[y * (cols + 1) + x + 1];
                sums[(y + 1) * (cols + 1) + x + 1] = [above[0] + line[0], above[1] + line[1]];
            }
        }
        Self { rows, cols, sums }
    }

    /// Over columns and rows from the first to before the second.
    fn within(&self, xs: [i64; 2], ys: [i64; 2]) -> [f64; 2] {
        let at = |x: i64, y: i64| {
            let (x, y) = (x.clamp(0, self.cols as i64) as usize, y.clamp(0, self.rows as i64) as usize);
            self.sums[y * (self.cols + 1) + x]
        };
        let corners = [at(xs[0], ys[0]), at(xs[1], ys[0]), at(xs[0], ys[1]), at(xs[1], ys[1])];
        [0, 1].map(|k| corners[3][k] - corners[1][k] - corners[2][k] + corners[0][k])
    }
}

/// N Σ Pa Pb / (Σ Pa Σ Pb): 1 for white images, larger the coarser they are.
fn cell_px(fft: &Fft2, a: &[Complex32], b: &[Complex32]) -> f64 {
    let (mut both, mut sum_a, mut sum_b) = (0.0, 0.0, 0.0);
    for (at, (a, b)) in a.iter().zip(b).enumerate() {
        let times = f64::from(fft.multiplicity(at / fft.rows));
        let (a, b) = (f64::from(a.norm_sqr()), f64::from(b.norm_sqr()));
        both += times * a * b;
        sum_a += times * a;
        sum_b += times * b;
    }
    let all = sum_a * sum_b;
    if all > 0.0 { (fft.rows * fft.cols) as f64 * both / all } else { f64::INFINITY }
}

impl Surface {
    fn at(&self, x: i64, y: i64) -> f64 {
        let [x0, x1] = self.window.x;
        let [y0, y1] = self.window.y;
        if x < x0 || x > x1 || y < y0 || y > y1 {
            return f64::NAN;
        }
        self.values[((y - y0) * (x1 - x0 + 1) + x - x0) as usize]
    }

    /// The highest peak inside the window; of peaks at least `as_high` times it, the nearest to `(x, y)`.
    pub fn peak(&self, near: [f64; 2], as_high: f64) -> Option<Candidate> {
        let width = self.window.x[1] - self.window.x[0] + 1;
        let place = |at: usize| (self.window.x[0] + at as i64 % width, self.window.y[0] + at as i64 / width);
        let maximum = |&at: &usize| {
            let (x, y) = place(at);
            let value = self.values[at];
            // A maximum on the window's edge is a slope that leads out of it.
            value > 0.0 && [(1, 0), (-1, 0), (0, 1), (0, -1)].iter().all(|(dx, dy)| self.at(x + dx, y + dy) <= value)
        };
        let peaks: Vec<usize> = (0..self.values.len()).filter(maximum).collect();
        let best = peaks.iter().map(|&at| self.values[at]).reduce(f64::max)?;
        let distance = |at: usize| {
            let (x, y) = place(at);
            (x as f64 - near[0]).powi(2) + (y as f64 - near[1]).powi(2)
        };
        let high = peaks.into_iter().filter(|&at| self.values[at] >= as_high * best);
        let at = high.min_by(|&a, &b| distance(a).total_cmp(&distance(b)))?;
        let (x, y) = place(at);
        let correlation = self.values[at];
        let sd = (self.cell_px / self.shared[at].max(1.0)).sqrt();
        let trials = (self.values.len() as f64 / self.cell_px).max(1.0);
        let top = |before: f64, after: f64| {
            let bend = before - 2.0 * correlation + after;
            if bend < 0.0 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 }
        };
        Some(Candidate {
            x: x as f64 + top(self.at(x - 1, y), self.at(x + 1, y)),
            y: y as f64 + top(self.at(x, y - 1), self.at(x, y + 1)),
            correlation,
            significance: correlation / sd,
            chance_significance: (2.0 * (trials / CHANCE).ln()).sqrt(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scene(x: i64, y: i64) -> f32 {
        let mut bits = (x as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ (y as u64).wrapping_mul(0xc2b2_ae3d_27d4_eb4f);
        bits ^= bits >> 29;
        bits = bits.wrapping_mul(0xbf58_476d_1ce4_e5b9);
        (bits >> 44) as f32
    }

    fn image(rows: usize, cols: usize, from: [i64; 2]) -> Image {
        let values = (0..rows * cols).map(|at| scene(from[0] + (at % cols) as i64, from[1] + (at / cols) as i64));
        Image { rows, cols, values: values.collect() }
    }

    #[test]
    fn sums_over_rectangles_are_those_by_masks() {
        let [a, b] = [standard(&image(14, 20, [0, 0])), standard(&image(11, 26, [3, 2]))];
        let window = Window { x: [-24, 18], y: [-9, 12] };
        let fft = Fft2::new(48, 60);
        let (masked, whole) = (Sums::masked(&fft, [&a, &b], window), Sums::Whole([&a, &b].map(Integral::of)));
        for (x, y) in (-9..=12).flat_map(|y| (-24..=18).map(move |x| (x, y))) {
            for (one, other) in masked.at(x, y).iter().zip(whole.at(x, y)) {
                assert!((one - other).abs() < 1e-3, "{x} {y}: {one} {other}");
            }
        }
    }

    #[test]
    fn strips_that_overlap_in_part_are_placed() {
        // b's pixel (0,0) is a's pixel (-3, 5).
        let (a, b) = (image(20, 60, [0, 0]), image(20, 60, [-3, 5]));
        let window = Window { x: [-9, 9], y: [-2, 12] };
        let found = correlate(&a, &b, window, 100.0).peak([0.0, 0.0], 0.95).unwrap();
        assert!((found.x + 3.0).abs() < 0.05 && (found.y - 5.0).abs() < 0.05, "{found:?}");
        assert!(found.correlation > 0.999 && found.significance > 20.0);
    }

    #[test]
    fn pixels_left_out_do_not_pull() {
        let (mut a, mut b) = (image(24, 40, [0, 0]), image(24, 40, [4, 2]));
        // A bright stripe of the camera at the same pixels of both, left out.
        for at in (0..24 * 40).filter(|at| at % 40 < 6) {
            a.values[at] = f32::NAN;
            b.values[at] = f32::NAN;
        }
        let window = Window { x: [-8, 8], y: [-8, 8] };
        let found = correlate(&a, &b, window, 50.0).peak([0.0, 0.0], 0.95).unwrap();
        assert!((found.x - 4.0).abs() < 0.05 && (found.y - 2.0).abs() < 0.05 && found.correlation > 0.999, "{found:?}");
    }

    #[test]
    fn flat_images_have_no_peak() {
        let flat = Image { rows: 8, cols: 8, values: vec![3.0; 64] };
        assert_eq!(correlate(&flat, &flat, Window { x: [-2, 2], y: [-2, 2] }, 1.0).peak([0.0, 0.0], 0.9), None);
    }
}
