//! Registration of two images of one size: tapered, band-passed cross-correlation with an up-sampled peak.
//!
//! The correlation of tapered images is that of the scene times how much of the taper is left at each displacement;
//! that factor is divided out, so that the taper pulls no peak towards zero. The peak is refined by transforming the
//! cross-spectrum at displacements closer than a pixel (matrix DFT: Guizar-Sicairos, Thurman & Fienup 2008, Opt. Lett.
//! 33:156). How high a peak would be by chance follows from the two spectra: two unrelated images have a normalised
//! correlation of standard deviation √(Σ Pa Pb / (Σ Pa Σ Pb)).

use crate::numerics::registration::coherence::{Best, Rings, Shifted};
use crate::numerics::registration::fft2::Fft2;
use crate::numerics::registration::level::{Levelled, Part, levelled};
use crate::numerics::registration::taper::Taper;
use crate::numerics::registration::upsample::{self, passed, signed, turn};
use crate::numerics::registration::window::Window;
use crate::numerics::wide::wide;
use rustfft::num_complex::Complex32;
use std::sync::OnceLock;

/// Spacings of the grids on which a peak is up-sampled, in pixels, each around the best point of the one before; the
/// first lies around the top of the parabola through whole pixels.
const GRID_STEPS_PX: [f64; 1] = [0.15];
/// A peak that lies at the edge of the grid is followed so many times.
const FOLLOWED: usize = 4;
/// Where less than this is left of the taper, no more is divided out.
const LEAST_LEFT: f64 = 0.05;
/// Of a correlation's square no more than all but this counts: pixels are no better than that.
const LEAST_REST: f64 = 0.01;

/// Which frequencies count: an amplitude factor `(1 - exp(-(f/high_pass)²)) · exp(-(f/low_pass)²)`, f in cycles a pixel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Frequencies below are taken off; 0: none.
    pub high_pass: f64,
    /// Frequencies above are taken off.
    pub low_pass: f64,
}

/// Beyond the root of this many widths of a high pass all of a single-precision number passes.
pub const ALL_PASSES: f64 = 20.0;

impl Band {
    /// Square of the amplitude factor at each index of a half plane's spectrum.
    fn squares(&self, fft: &Fft2) -> Vec<f32> {
        // The low pass is a factor of x by one of y.
        let low = |f: f64| (-2.0 * (f / self.low_pass).powi(2)).exp();
        let side = |f: f64| (f * f, low(f));
        let along_y: Vec<(f64, f64)> = (0..fft.rows).map(|k| side(signed(k, fft.rows))).collect();
        let mut squares = Vec::with_capacity(fft.half() * fft.rows);
        for (x2, low_x) in (0..fft.half()).map(|k| side(k as f64 / fft.cols as f64)) {
            squares.extend(along_y.iter().map(|(y2, low_y)| {
                let over = (x2 + y2) / self.high_pass.powi(2);
                let high = if over < ALL_PASSES { (1.0 - (-over).exp()).powi(2) } else { 1.0 };
                (high * low_x * low_y) as f32
            }));
        }
        squares[0] = 0.0;
        squares
    }
}

/// Plans, tapers and weights for images of one size.
pub struct Bench {
    fft: Fft2,
    rows: Taper,
    cols: Taper,
    /// Of each band: square of its factor at each index, and the indices beyond which it passes next to nothing (from 0 in x,
    /// to either side of 0 in y).
    bands: Vec<(Vec<f32>, [usize; 2])>,
    rings: OnceLock<Rings>,
}

/// An image as its spectrum.
pub struct Seen {
    /// Mean and plane removed, tapered.
    pub spectrum: Vec<Complex32>,
    /// Mean of the numbers among its values.
    pub mean: f32,
    /// Share of its values that are numbers.
    pub known: f64,
}

/// A band ends where this share of the power is left.
const NEXT_TO_NOTHING: f64 = 1e-4;

/// What two images (or several pairs of one size) have in common.
#[derive(Debug, Clone, Default)]
pub struct Cross {
    /// A · conj(B), band-passed.
    spectrum: Vec<Complex32>,
    ends: [usize; 2],
    energy_a: f64,
    energy_b: f64,
    chance: f64,
}

impl Cross {
    /// Adds another pair of the same size.
    pub fn add(&mut self, other: &Self) {
        if self.spectrum.is_empty() {
            *self = other.clone();
            return;
        }
        self.spectrum.iter_mut().zip(&other.spectrum).for_each(|(sum, value)| *sum += value);
        self.energy_a += other.energy_a;
        self.energy_b += other.energy_b;
        self.chance += other.chance;
    }

    /// Standard deviation of the normalised correlation of unrelated images with these spectra.
    pub fn chance_sd(&self) -> f64 {
        let energy = (self.energy_a * self.energy_b).sqrt();
        if energy > 0.0 { self.chance.sqrt() / energy } else { f64::INFINITY }
    }
}

/// A displacement d with b(x) = a(x + d), and how sure it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Along rows.
    pub x: f64,
    /// Towards later rows.
    pub y: f64,
    /// Normalised correlation there.
    pub correlation: f64,
    /// Correlation over what chance gives.
    pub significance: f64,
    /// One standard deviation of x and y, for noise alone: √(1 - ρ²)/ρ × chance / √K, K the mean square angular
    /// frequency of what is common, read off the peak's curvature.
    pub sd: [f64; 2],
    /// Inverse covariance (xx, xy, yy) for noise alone: texture that runs one way tells little along itself.
    pub information: [f64; 3],
    /// A peak at the edge of the search is none.
    pub inside: bool,
}

impl Bench {
    /// For images of `rows` × `cols`, each side fading over `taper` of it.
    pub fn new(rows: usize, cols: usize, bands: &[Band], taper: f64) -> Self {
        Self::with_tapers(rows, cols, bands, [taper; 2])
    }

    /// The same, the first and last rows fading over the one share of their number, columns over the other.
    pub fn with_tapers(rows: usize, cols: usize, bands: &[Band], tapers: [f64; 2]) -> Self {
        let fft = Fft2::new(rows, cols);
        let weights = |band: &Band| {
            // exp(-2 (f/low_pass)²) of the power passes.
            let end = band.low_pass * (-0.5 * NEXT_TO_NOTHING.ln()).sqrt();
            let ends = [cols, rows].map(|n| ((end * n as f64).ceil() as usize).min(n / 2));
            (band.squares(&fft), ends)
        };
        let bands = bands.iter().map(weights).collect();
        let [rows, cols] = [Taper::new(rows, tapers[0]), Taper::new(cols, tapers[1])];
        Self { fft, rows, cols, bands, rings: OnceLock::new() }
    }

    /// Rows and columns of the images.
    pub fn size(&self) -> (usize, usize) {
        (self.fft.rows, self.fft.cols)
    }

    /// Spectrum of an image (row by row), mean and plane removed, tapered. What is no number counts as the plane.
    pub fn spectrum(&self, image: &[f32]) -> Vec<Complex32> {
        self.seen(Part { values: image, stride: self.fft.cols }).spectrum
    }

    /// The same of a part of an image, with its mean and how much of it is known.
    pub fn seen(&self, part: Part<'_>) -> Seen {
        let Levelled { image, mean, known } = levelled(part, [&self.rows, &self.cols]);
        Seen { spectrum: self.fft.forward(&image), mean, known }
    }

    /// The spectrum of b(x - d), of that of b(x).
    pub fn moved(&self, spectrum: &[Complex32], [x, y]: [f64; 2]) -> Vec<Complex32> {
        let (rows, cols) = self.size();
        let along_y: Vec<Complex32> = (0..rows).map(|k| turn(signed(k, rows), -y)).collect();
        let columns = spectrum.chunks_exact(rows).enumerate();
        let turned = columns.flat_map(|(k, column)| {
            let turn = turn(k as f64 / cols as f64, -x);
            column.iter().zip(&along_y).map(move |(value, along)| value * (turn * along))
        });
        turned.collect()
    }

    /// What two spectra have in common in the first band.
    pub fn cross(&self, a: &[Complex32], b: &[Complex32]) -> Cross {
        self.cross_in(0, a, b)
    }

    /// What two spectra have in common in one of the bands.
    pub fn cross_in(&self, band: usize, a: &[Complex32], b: &[Complex32]) -> Cross {
        let (squares, ends) = &self.bands[band];
        self.cross_by(squares, *ends, [a, b])
    }

    /// What two spectra have in common, each frequency weighed by what it knows.
    pub fn cross_weighed(&self, best: &Best, sides: [&[Complex32]; 2]) -> Cross {
        self.cross_by(&best.squares, best.ends, sides)
    }

    fn cross_by(&self, squares: &[f32], ends: [usize; 2], [a, b]: [&[Complex32]; 2]) -> Cross {
        let rows = self.fft.rows;
        let mut spectrum = vec![Complex32::default(); (ends[0] + 1) * rows];
        // Sums of both powers and of their product, by frequency in y: so they are added many at a time.
        let (mut powers, mut products) = ([vec![0.0f32; rows], vec![0.0f32; rows]], vec![0.0f64; rows]);
        for x in 0..=ends[0] {
            for span in passed(rows, ends[1]) {
                let here = x * rows + span.start..x * rows + span.end;
                let (sides, band) = ([&a[here.clone()], &b[here.clone()]], &squares[here.clone()]);
                multiply(&mut spectrum[here], band, sides);
                let sums = powers.each_mut().map(|sums| &mut sums[span.clone()]);
                add_powers(sums, &mut products[span], (band, self.fft.multiplicity(x)), sides);
            }
        }
        let [energy_a, energy_b] = powers.map(|sums| sums.into_iter().map(f64::from).sum());
        Cross { spectrum, ends, energy_a, energy_b, chance: products.into_iter().sum() }
    }

    /// The weights with which the shift of some pairs of spectra is known best (see [`Rings::best_weights`]). `None` where
    /// nothing is coherent.
    pub fn best_weights(&self, pairs: &[Shifted<'_>], high_pass: f64) -> Option<Best> {
        self.rings.get_or_init(|| Rings::new(&self.fft)).best_weights(&self.fft, pairs, high_pass)
    }

    /// The peak within `reach` (x, y) pixels of no displacement; of peaks about as high, the nearest to it.
    /// `None` where an image has no structure at all.
    pub fn peak(&self, cross: &Cross, reach: [usize; 2]) -> Option<Peak> {
        self.peak_within(cross, &self.window(cross, reach)?, reach)
    }

    /// The same of a correlation that is there already, within a reach no wider than its own.
    pub fn peak_within(&self, cross: &Cross, window: &Window, reach: [usize; 2]) -> Option<Peak> {
        let at = |x: i64, y: i64| window.at(x, y);
        let reach = [0, 1].map(|k| window.reach[k].min(reach[k] as i64));
        let [x, y] = window.nearest_peak(reach)?;
        let inside = x.abs() < reach[0].max(1) && y.abs() < reach[1].max(1);
        let (top_x, _) = parabola(at(x - 1, y), at(x, y), at(x + 1, y));
        let (top_y, _) = parabola(at(x, y - 1), at(x, y), at(x, y + 1));
        let start = [x as f64 + top_x.clamp(-0.5, 0.5), y as f64 + top_y.clamp(-0.5, 0.5)];
        Some(Peak { inside, ..self.told(cross, self.refine(cross, start)) })
    }

    /// The peak next to a displacement that is known to about a pixel, followed to its top; `None` where an image has no
    /// structure at all.
    pub fn peak_near(&self, cross: &Cross, start: [f64; 2]) -> Option<Peak> {
        let energy = (cross.energy_a * cross.energy_b).sqrt();
        if !(energy.is_finite() && energy > 0.0) {
            return None;
        }
        let mut top = self.refine(cross, start);
        for _ in 0..FOLLOWED {
            let (x, y, _, [xx, _, yy]) = top;
            if xx > 0.0 && yy > 0.0 {
                break;
            }
            top = self.refine(cross, [x, y]);
        }
        Some(self.told(cross, top))
    }

    /// What a peak says: its place, height and curvature over its height.
    fn told(&self, cross: &Cross, (x, y, value, [xx, xy, yy]): (f64, f64, f64, [f64; 3])) -> Peak {
        let correlation = value / (cross.energy_a * cross.energy_b).sqrt();
        let unsure = (1.0 - correlation.powi(2)).max(1e-6).sqrt() / correlation.max(1e-6) * cross.chance_sd();
        let sd = [xx, yy].map(|k| if k > 0.0 { unsure / k.sqrt() } else { f64::INFINITY });
        // A ridge's curvature along itself may come out below none: what is left is positive definite.
        let most = 0.98 * (xx * yy).max(0.0).sqrt();
        let xy = xy.clamp(-most, most);
        let information = [xx, xy, yy].map(|k| k / (unsure * unsure));
        // Dividing the taper out makes noise larger as well, by about the root.
        let significance = sds_of_chance(correlation, cross.chance_sd()) * self.left(x, y).sqrt();
        Peak { x, y, correlation, significance, sd, information, inside: true }
    }

    /// All peaks of a window that stand out by `least` standard deviations of chance: whole displacements, and how far each
    /// stands out.
    pub fn maxima(&self, cross: &Cross, window: &Window, least: f64) -> Vec<([i64; 2], f64)> {
        let energy = (cross.energy_a * cross.energy_b).sqrt();
        let significance = |[x, y]: [i64; 2]| {
            sds_of_chance(window.at(x, y) / energy, cross.chance_sd()) * self.left(x as f64, y as f64).sqrt()
        };
        let peaks = window.places().filter(|&place| window.is_maximum(place));
        peaks.map(|place| (place, significance(place))).filter(|(_, significance)| *significance >= least).collect()
    }

    /// The correlation within reach, taper divided out; `None` where an image has no structure at all.
    pub fn window(&self, cross: &Cross, reach: [usize; 2]) -> Option<Window> {
        let energy = (cross.energy_a * cross.energy_b).sqrt();
        if !(energy.is_finite() && energy > 0.0) {
            return None;
        }
        let (rows, cols) = self.size();
        let reach = [reach[0].min(cols / 2 - 1) as i64, reach[1].min(rows / 2 - 1) as i64];
        let mut filled = cross.spectrum.clone();
        let lines = self.fft.inverse_lines(&mut filled, &Window::lines(reach[1], rows));
        Some(Window::of(&lines, cols, reach, [&self.cols, &self.rows], LEAST_LEFT))
    }

    fn left(&self, x: f64, y: f64) -> f64 {
        (self.cols.left(x) * self.rows.left(y)).max(LEAST_LEFT)
    }

    /// Up-samples around a whole displacement: where the peak is, how high, and its curvature (xx, xy, yy) over its
    /// height.
    fn refine(&self, cross: &Cross, start: [f64; 2]) -> (f64, f64, f64, [f64; 3]) {
        let (mut middle, mut height, mut curvature) = (start, 0.0, [0.0; 3]);
        const WIDTH: usize = upsample::SIDE;
        for step in GRID_STEPS_PX {
            let grid = self.grid(cross, middle, step);
            let best = (0..grid.len()).max_by(|&a, &b| grid[a].total_cmp(&grid[b])).unwrap_or(0);
            height = grid[best];
            // A maximum at the edge of the grid is followed without a parabola.
            let places = [best % WIDTH, best / WIDTH];
            for (k, apart) in [1, WIDTH].into_iter().enumerate() {
                let inner = places[k] > 0 && places[k] + 1 < WIDTH;
                let (top, bend) =
                    if inner { parabola(grid[best - apart], height, grid[best + apart]) } else { (0.0, 0.0) };
                middle[k] += (places[k] as f64 - f64::from(upsample::REACH) + top) * step;
                curvature[2 * k] = bend / (step * step) / height.max(1e-30);
            }
            let inner = places.iter().all(|&place| place > 0 && place + 1 < WIDTH);
            if inner {
                let corner = |dx: i32, dy: i32| grid[(best as i32 + dx + dy * WIDTH as i32) as usize];
                let twist = corner(1, 1) - corner(1, -1) - corner(-1, 1) + corner(-1, -1);
                curvature[1] = -0.25 * twist / (step * step) / height.max(1e-30);
            }
        }
        (middle[0], middle[1], height, curvature)
    }

    /// The correlation, taper divided out, on a grid around a displacement.
    fn grid(&self, cross: &Cross, middle: [f64; 2], step: f64) -> [f64; upsample::SIDE * upsample::SIDE] {
        let mut grid = upsample::grid(&self.fft, &cross.spectrum, cross.ends, middle, step);
        for (at, value) in grid.iter_mut().enumerate() {
            let [x, y] =
                [at % upsample::SIDE, at / upsample::SIDE].map(|at| (at as f64 - f64::from(upsample::REACH)) * step);
            *value /= self.left(middle[0] + x, middle[1] + y);
        }
        grid
    }
}

wide! {
    /// A · conj(B) by a band.
    fn multiply<'a>(out: &'a mut [Complex32], band: &'a [f32], sides: [&'a [Complex32]; 2]) {
        for (((out, band), a), b) in out.iter_mut().zip(band).zip(sides[0]).zip(sides[1]) {
            *out = Complex32::new((a.re * b.re + a.im * b.im) * band, (a.im * b.re - a.re * b.im) * band);
        }
    }

    /// Adds both powers by a band, and their product, so many times.
    fn add_powers<'a>(
        sums: [&'a mut [f32]; 2],
        products: &'a mut [f64],
        band: (&'a [f32], f32),
        sides: [&'a [Complex32]; 2]
    ) {
        let ([sum_a, sum_b], (band, times)) = (sums, band);
        let values = band.iter().zip(sides[0]).zip(sides[1]);
        for (((sum_a, sum_b), product), ((band, a), b)) in sum_a.iter_mut().zip(sum_b).zip(products).zip(values) {
            let (a, b) = ((a.re * a.re + a.im * a.im) * band, (b.re * b.re + b.im * b.im) * band);
            *sum_a += times * a;
            *sum_b += times * b;
            // Squares of powers go beyond what single precision holds.
            *product += f64::from(times * a) * f64::from(b);
        }
    }
}

/// How many standard deviations a normal value as unlikely as this correlation has. A correlation ends at 1: where few
/// waves carry an image, chance has a large deviation, and one of 0.97 is far less likely than its share of that says. Of n
/// values, n - 1 = 1/`chance_sd`², it is exceeded with a probability of about (1 - r²)^((n - 2)/2) (Fisher 1915, Biometrika
/// 10:507), a normal value z with one of about exp(-z²/2).
fn sds_of_chance(correlation: f64, chance_sd: f64) -> f64 {
    let freedom = (chance_sd.powi(-2) - 1.0).max(0.0);
    correlation.signum() * (-(1.0 - correlation.powi(2)).max(LEAST_REST).ln() * freedom).sqrt()
}

/// Where the parabola through three points a step apart has its top, and how strongly it bends down.
fn parabola(before: f64, at: f64, after: f64) -> (f64, f64) {
    let bend = 2.0 * at - before - after;
    if bend > 0.0 { ((0.5 * (after - before) / bend).clamp(-1.0, 1.0), bend) } else { (0.0, 0.0) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// Blobs moved by moving their middles: b(x) = a(x + d).
    fn blobs(rows: usize, cols: usize, d: [f64; 2]) -> Vec<f32> {
        let mut image = vec![0.0f32; rows * cols];
        for i in 0..60 {
            let (cx, cy) = ((i * 71 % cols) as f64 + 0.3 - d[0], (i * 43 % rows) as f64 + 0.6 - d[1]);
            let (sigma, height) = (2.0 + (i % 4) as f64, 1.0 - 0.4 * (i % 3) as f64);
            for (at, value) in image.iter_mut().enumerate() {
                let (x, y) = ((at % cols) as f64, (at / cols) as f64);
                let r2 = (x - cx).powi(2) + (y - cy).powi(2);
                *value += (height * (-0.5 * r2 / (sigma * sigma)).exp()) as f32;
            }
        }
        image
    }

    fn bench(rows: usize, cols: usize) -> Bench {
        Bench::new(rows, cols, &[Band { high_pass: 0.02, low_pass: 0.4 }], 0.25)
    }

    #[test]
    fn a_spectrum_is_moved_as_its_picture_would_be() {
        let bench = bench(60, 96);
        let (still, moved) = (bench.spectrum(&blobs(60, 96, [0.0; 2])), bench.spectrum(&blobs(60, 96, [0.7, -0.4])));
        let back = bench.peak(&bench.cross(&still, &bench.moved(&moved, [0.7, -0.4])), [4, 4]).unwrap();
        // The taper moves with it, which leaves a little.
        assert!(back.x.abs() < 0.05 && back.y.abs() < 0.05, "{back:?}");
        let not = bench.peak(&bench.cross(&still, &moved), [4, 4]).unwrap();
        assert!((not.x - 0.7).abs() < 0.05 && (not.y + 0.4).abs() < 0.05, "{not:?}");
    }

    #[test]
    fn the_taper_pulls_no_peak_towards_zero() {
        // Whole pixels are cut away before a peak counts; what comes into a window and leaves it with them is no bias.
        for (d, tolerance) in [([0.5, 0.5], 0.03), ([-0.4, 0.3], 0.03), ([3.25, -1.75], 0.1)] {
            let bench = bench(60, 96);
            let cross = bench.cross(&bench.spectrum(&blobs(60, 96, [0.0; 2])), &bench.spectrum(&blobs(60, 96, d)));
            let peak = bench.peak(&cross, [12, 12]).unwrap();
            assert!((peak.x - d[0]).abs() < tolerance && (peak.y - d[1]).abs() < tolerance, "{d:?}: {peak:?}");
            assert!(peak.correlation > 0.7 && peak.significance > 5.0 && peak.inside);
        }
    }

    #[test]
    fn of_equal_peaks_the_nearest_counts() {
        let wave =
            |d: f64| -> Vec<f32> { (0..64 * 96).map(|at| (TAU * ((at % 96) as f64 + d) / 8.0).sin() as f32).collect() };
        let bench = bench(64, 96);
        let cross = bench.cross(&bench.spectrum(&wave(0.0)), &bench.spectrum(&wave(1.5)));
        let peak = bench.peak(&cross, [20, 0]).unwrap();
        assert!((peak.x - 1.5).abs() < 0.02, "{peak:?}");
    }

    /// Against the exact distribution of a sample correlation (a beta distribution, by scipy.stats): of 34 values,
    /// r > 0.9 has p = 2.2e-13, as 7.24 sd of a normal value, r > 0.5 has p = 1.3e-3, as 3.01.
    #[test]
    fn a_correlation_is_as_unlikely_as_its_deviations_say() {
        let sd = 1.0 / 33f64.sqrt();
        let (high, middle) = (sds_of_chance(0.9, sd), sds_of_chance(0.5, sd));
        assert!((high - 7.24).abs() < 0.1 && (middle - 3.01).abs() < 0.1, "{high} {middle}");
        // A small one is what it always was.
        assert!((sds_of_chance(0.1, 0.02) - 5.0).abs() < 0.02 && sds_of_chance(-0.4, 0.1) < 0.0);
        // Two waves alone say nothing, however well they fit.
        assert!(sds_of_chance(1.0, 0.7) < 4.0);
    }

    #[test]
    fn unrelated_images_reach_no_significance() {
        let mut state = 5u64;
        let mut noise = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / 1e4
        };
        let bench = bench(64, 64);
        for _ in 0..20 {
            let a: Vec<f32> = (0..64 * 64).map(|_| noise()).collect();
            let b: Vec<f32> = (0..64 * 64).map(|_| noise()).collect();
            let peak = bench.peak(&bench.cross(&bench.spectrum(&a), &bench.spectrum(&b)), [10, 10]).unwrap();
            assert!(peak.significance < 5.0, "{peak:?}");
        }
        assert_eq!(
            bench.peak(&bench.cross(&bench.spectrum(&[7.0; 4096]), &bench.spectrum(&[7.0; 4096])), [5, 5]),
            None
        );
    }
}
