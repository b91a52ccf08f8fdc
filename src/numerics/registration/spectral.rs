//! Registration of two images of one size: tapered, band-passed cross-correlation with an up-sampled peak.
//!
//! The correlation of tapered images is that of the scene times how much of the taper is left at each displacement;
//! that factor is divided out, so that the taper pulls no peak towards zero. The peak is refined by transforming the
//! cross-spectrum at displacements closer than a pixel (matrix DFT: Guizar-Sicairos, Thurman & Fienup 2008, Opt. Lett.
//! 33:156). How high a peak would be by chance follows from the two spectra: two unrelated images have a normalised
//! correlation of standard deviation √(Σ Pa Pb / (Σ Pa Σ Pb)).

use crate::numerics::registration::fft2::Fft2;
use crate::numerics::registration::taper::Taper;
use crate::numerics::sine::sin_cos;
use crate::numerics::wide::wide;
use rustfft::num_complex::Complex32;
use std::f64::consts::TAU;

/// Spacings of the grids on which a peak is up-sampled, in pixels, each around the best point of the one before; the
/// first lies around the top of the parabola through whole pixels.
const GRID_STEPS_PX: [f64; 1] = [0.15];
/// Points of a grid on either side of its middle.
const GRID_REACH: i32 = 2;
/// A peak that lies at the edge of the grid is followed so many times.
const FOLLOWED: usize = 4;
/// Peaks this close to the highest are as high as it: the one nearest to where it should be counts.
const AS_HIGH: f64 = 0.93;
/// Where less than this is left of the taper, no more is divided out.
const LEAST_LEFT: f64 = 0.05;
/// Of a correlation's square no more than all but this counts: pixels are no better than that.
const LEAST_REST: f64 = 0.01;
/// A ridge is a maximum too: neighbours may be higher by this share.
const LEVEL: f64 = 0.01;

/// Which frequencies count: an amplitude factor `(1 - exp(-(f/high_pass)²)) · exp(-(f/low_pass)²)`, f in cycles a pixel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Frequencies below are taken off; 0: none.
    pub high_pass: f64,
    /// Frequencies above are taken off.
    pub low_pass: f64,
}

impl Band {
    /// Amplitude factor at a squared frequency.
    fn factor(&self, f2: f64) -> f64 {
        let high = if self.high_pass > 0.0 { 1.0 - (-f2 / self.high_pass.powi(2)).exp() } else { 1.0 };
        high * (-f2 / self.low_pass.powi(2)).exp()
    }
}

/// Plans, tapers and weights for images of one size.
pub struct Bench {
    fft: Fft2,
    rows: Taper,
    cols: Taper,
    bands: Vec<Weights>,
}

/// A band on the raster of a spectrum.
#[derive(Debug, Clone)]
pub struct Weights {
    /// Square of the band's factor at each index.
    squares: Vec<f32>,
    /// Beyond these frequencies (indices from 0 in x, to either side of 0 in y) the band passes next to nothing.
    ends: [usize; 2],
}

/// Rings in which coherence is averaged.
const RINGS_PER_CYCLE: f64 = 64.0;
/// Edges and parts of a pixel leave no ring more coherent than this, squared.
const MOST_COHERENT: f64 = 0.97;
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
        let fft = Fft2::new(rows, cols);
        let weights = |band: &Band| {
            let weight = |at: usize| {
                let (fx, fy) = fft.frequency(at);
                if at == 0 { 0.0 } else { band.factor(fx * fx + fy * fy).powi(2) as f32 }
            };
            // exp(-2 (f/low_pass)²) of the power passes.
            let end = band.low_pass * (-0.5 * NEXT_TO_NOTHING.ln()).sqrt();
            let ends = [cols, rows].map(|n| ((end * n as f64).ceil() as usize).min(n / 2));
            Weights { squares: (0..fft.half() * rows).map(weight).collect(), ends }
        };
        let bands = bands.iter().map(weights).collect();
        Self { fft, rows: Taper::new(rows, taper), cols: Taper::new(cols, taper), bands }
    }

    /// Rows and columns of the images.
    pub fn size(&self) -> (usize, usize) {
        (self.fft.rows, self.fft.cols)
    }

    /// Spectrum of an image (row by row), mean and plane removed, tapered. What is no number counts as the plane.
    pub fn spectrum(&self, image: &[f32]) -> Vec<Complex32> {
        let (rows, cols) = self.size();
        let plane = plane(image, rows, cols);
        let mut work = vec![0.0f32; rows * cols];
        let lines = work.chunks_exact_mut(cols).zip(image.chunks_exact(cols)).zip(&self.rows.weights);
        for (y, ((work, image), wy)) in lines.enumerate() {
            let level = plane.mean + plane.y * (y as f32 - plane.middle[1]);
            level_and_taper(work, image, [&plane.along, &self.cols.weights], [level, plane.x, *wy]);
        }
        self.fft.forward(&mut work)
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
        self.cross_by(&self.bands[band], a, b)
    }

    /// What two spectra have in common, each frequency weighed.
    pub fn cross_by(&self, weights: &Weights, a: &[Complex32], b: &[Complex32]) -> Cross {
        let Weights { squares, ends } = weights;
        let rows = self.fft.rows;
        let mut spectrum = vec![Complex32::default(); a.len()];
        let mut sums = [0.0f64; 3];
        for x in 0..=ends[0] {
            let times = f64::from(self.fft.multiplicity(x));
            for span in Self::passed(rows, ends[1]) {
                let span = x * rows + span.start..x * rows + span.end;
                let sides = [&a[span.clone()], &b[span.clone()]];
                let of_span = cross_span(&mut spectrum[span.clone()], &squares[span], sides);
                sums.iter_mut().zip(of_span).for_each(|(sum, of_span)| *sum += times * of_span);
            }
        }
        let [energy_a, energy_b, chance] = sums;
        Cross { spectrum, ends: *ends, energy_a, energy_b, chance }
    }

    /// The weights with which a shift is known best (greatest likelihood; Knapp & Carter 1976, IEEE Trans. Acoust. Speech
    /// Signal Process. 24:320): γ²/(1 - γ²) over what is common, γ the coherence, both as averages over rings of all
    /// `pairs` of spectra, each with its shift as far as that is known. Frequencies below `high_pass` carry illumination.
    /// `None` where nothing is coherent.
    pub fn best_weights(&self, pairs: &[([&[Complex32]; 2], [f64; 2])], high_pass: f64) -> Option<Weights> {
        let (rows, cols) = self.size();
        let turns = |n: usize, count: usize, d: f64| -> Vec<Complex32> {
            (0..count).map(|k| turn(if count == n { signed(k, n) } else { k as f64 / n as f64 }, d)).collect()
        };
        let squares_y: Vec<f64> = (0..rows).map(|y| signed(y, rows).powi(2)).collect();
        let ring_of =
            |x: usize, y: usize| (((x as f64 / cols as f64).powi(2) + squares_y[y]).sqrt() * RINGS_PER_CYCLE) as usize;
        let rings = (0.5f64.hypot(0.5) * RINGS_PER_CYCLE) as usize + 1;
        let ring_at: Vec<u16> = (0..self.fft.half())
            .flat_map(|x| (0..rows).map(move |y| (x, y)))
            .map(|(x, y)| ring_of(x, y) as u16)
            .collect();
        // Of each ring: bins, power of the one, of the other, and what is common.
        let mut sums = vec![[0.0f64; 4]; rings];
        for ([a, b], [dx, dy]) in pairs {
            let (along_y, along_x) = (turns(rows, rows, *dy), turns(cols, self.fft.half(), *dx));
            for (x, turn_x) in along_x.iter().enumerate() {
                let times = f64::from(self.fft.multiplicity(x));
                let column = x * rows..(x + 1) * rows;
                let values = a[column.clone()].iter().zip(&b[column.clone()]).zip(&ring_at[column]);
                for (((a, b), ring), turn_y) in values.zip(&along_y) {
                    let sum = &mut sums[usize::from(*ring)];
                    sum[0] += times;
                    sum[1] += times * f64::from(a.norm_sqr());
                    sum[2] += times * f64::from(b.norm_sqr());
                    sum[3] += times * f64::from((a * b.conj() * (turn_x * turn_y)).re);
                }
            }
        }
        let weight = |[bins, a, b, common]: &[f64; 4]| {
            // What chance makes of as many bins (tapers leave about half of them independent) is no coherence.
            let coherence =
                (common.max(0.0).powi(2) / (a * b).max(1e-30) - 2.0 / bins.max(1.0)).clamp(0.0, MOST_COHERENT);
            coherence / (1.0 - coherence) * bins / common.max(1e-30)
        };
        let raw: Vec<f64> = sums.iter().map(|sum| if sum[3] > 0.0 { weight(sum) } else { 0.0 }).collect();
        let mean = |k: usize| {
            let near = &raw[k.saturating_sub(1)..(k + 2).min(rings)];
            near.iter().sum::<f64>() / near.len() as f64
        };
        let smooth: Vec<f64> = (0..rings).map(mean).collect();
        let most = smooth.iter().copied().fold(0.0, f64::max);
        let last = (0..rings).rev().find(|&k| smooth[k] > 1e-3 * most).filter(|_| most > 0.0)?;
        let end = (last + 1) as f64 / RINGS_PER_CYCLE;
        let ends = [cols, rows].map(|n| ((end * n as f64).ceil() as usize).min(n / 2));
        let square = |x: usize, y: usize| {
            let weight = smooth[ring_of(x, y)] / most;
            if weight == 0.0 || (x, y) == (0, 0) {
                return 0.0;
            }
            let f2 = (x as f64 / cols as f64).powi(2) + squares_y[y];
            let high = 1.0 - (-f2 / (high_pass * high_pass)).exp();
            (weight * high * high) as f32
        };
        let squares = (0..self.fft.half()).flat_map(|x| (0..rows).map(move |y| (x, y))).map(|(x, y)| square(x, y));
        Some(Weights { squares: squares.collect(), ends })
    }

    /// Indices of the y frequencies up to `end` to either side of 0.
    fn passed(rows: usize, end: usize) -> [std::ops::Range<usize>; 2] {
        if 2 * end + 1 >= rows { [0..rows, rows..rows] } else { [0..end + 1, rows - end..rows] }
    }

    /// The peak within `reach` (x, y) pixels of no displacement; of peaks about as high, the nearest to it.
    /// `None` where an image has no structure at all.
    pub fn peak(&self, cross: &Cross, reach: [usize; 2]) -> Option<Peak> {
        let energy = (cross.energy_a * cross.energy_b).sqrt();
        if !(energy.is_finite() && energy > 0.0) {
            return None;
        }
        let (rows, cols) = self.size();
        let surface = self.fft.inverse(&mut cross.spectrum.clone());
        let reach = [reach[0].min(cols / 2 - 1) as i64, reach[1].min(rows / 2 - 1) as i64];
        let window = Window::of(&surface, (rows, cols), reach, [&self.cols, &self.rows]);
        let at = |x: i64, y: i64| window.at(x, y);
        let [x, y] = window.nearest_peak()?;
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

    /// All peaks within `reach` of no displacement that stand out by `least` standard deviations of chance: whole
    /// displacements, and how far each stands out.
    pub fn maxima(&self, cross: &Cross, reach: [usize; 2], least: f64) -> Vec<([i64; 2], f64)> {
        let energy = (cross.energy_a * cross.energy_b).sqrt();
        if !(energy.is_finite() && energy > 0.0) {
            return Vec::new();
        }
        let (rows, cols) = self.size();
        let surface = self.fft.inverse(&mut cross.spectrum.clone());
        let reach = [reach[0].min(cols / 2 - 1) as i64, reach[1].min(rows / 2 - 1) as i64];
        let window = Window::of(&surface, (rows, cols), reach, [&self.cols, &self.rows]);
        let significance = |[x, y]: [i64; 2]| {
            sds_of_chance(window.at(x, y) / energy, cross.chance_sd()) * self.left(x as f64, y as f64).sqrt()
        };
        let peaks = window.places().filter(|&place| window.is_maximum(place));
        peaks.map(|place| (place, significance(place))).filter(|(_, significance)| *significance >= least).collect()
    }

    fn left(&self, x: f64, y: f64) -> f64 {
        (self.cols.left(x) * self.rows.left(y)).max(LEAST_LEFT)
    }

    /// Up-samples around a whole displacement: where the peak is, how high, and its curvature (xx, xy, yy) over its
    /// height.
    fn refine(&self, cross: &Cross, start: [f64; 2]) -> (f64, f64, f64, [f64; 3]) {
        let (mut middle, mut height, mut curvature) = (start, 0.0, [0.0; 3]);
        let width = (2 * GRID_REACH + 1) as usize;
        for step in GRID_STEPS_PX {
            let grid = self.grid(cross, middle, step);
            let best = (0..grid.len()).max_by(|&a, &b| grid[a].total_cmp(&grid[b])).unwrap_or(0);
            height = grid[best];
            // A maximum at the edge of the grid is followed without a parabola.
            let places = [best % width, best / width];
            for (k, apart) in [1, width].into_iter().enumerate() {
                let inner = places[k] > 0 && places[k] + 1 < width;
                let (top, bend) =
                    if inner { parabola(grid[best - apart], height, grid[best + apart]) } else { (0.0, 0.0) };
                middle[k] += (places[k] as f64 - f64::from(GRID_REACH) + top) * step;
                curvature[2 * k] = bend / (step * step) / height.max(1e-30);
            }
            let inner = places.iter().all(|&place| place > 0 && place + 1 < width);
            if inner {
                let corner = |dx: i32, dy: i32| grid[(best as i32 + dx + dy * width as i32) as usize];
                let twist = corner(1, 1) - corner(1, -1) - corner(-1, 1) + corner(-1, -1);
                curvature[1] = -0.25 * twist / (step * step) / height.max(1e-30);
            }
        }
        (middle[0], middle[1], height, curvature)
    }

    /// The correlation, taper divided out, on a grid around a displacement: matrix DFT in y, then in x.
    fn grid(&self, cross: &Cross, middle: [f64; 2], step: f64) -> Vec<f64> {
        let (rows, cols) = self.size();
        let offsets: Vec<f64> = (-GRID_REACH..=GRID_REACH).map(|k| f64::from(k) * step).collect();
        let mut grid = vec![0.0; offsets.len() * offsets.len()];
        for (row, dy) in offsets.iter().enumerate() {
            let y = middle[1] + dy;
            let turns: Vec<Complex32> = (0..rows).map(|k| turn(signed(k, rows), y)).collect();
            let columns: Vec<Complex32> = (0..=cross.ends[0])
                .map(|x| {
                    let column = &cross.spectrum[x * rows..(x + 1) * rows];
                    let sum: Complex32 = Self::passed(rows, cross.ends[1])
                        .into_iter()
                        .flat_map(|span| column[span.clone()].iter().zip(&turns[span]))
                        .map(|(value, turn)| value * turn)
                        .sum();
                    sum * self.fft.multiplicity(x)
                })
                .collect();
            for (col, dx) in offsets.iter().enumerate() {
                let x = middle[0] + dx;
                let sum: f64 = columns
                    .iter()
                    .enumerate()
                    .map(|(k, value)| f64::from((value * turn(k as f64 / cols as f64, x)).re))
                    .sum();
                grid[row * offsets.len() + col] = sum / self.left(x, y);
            }
        }
        grid
    }
}

wide! {
    /// Takes a slope off a line and tapers it; what is no number becomes 0.
    fn level_and_taper<'a>(work: &'a mut [f32], line: &'a [f32], x: [&'a [f32]; 2], terms: [f32; 3]) {
        let [along, weights] = x;
        let [level, slope, weight] = terms;
        for (((work, value), along), wx) in work.iter_mut().zip(line).zip(along).zip(weights) {
            let weighed = (value - (level + slope * along)) * weight * wx;
            *work = if value.is_finite() { weighed } else { 0.0 };
        }
    }
}

wide! {
    /// A · conj(B) by a band, and the sums of both powers and of their product.
    fn cross_span<'a>(out: &'a mut [Complex32], band: &'a [f32], sides: [&'a [Complex32]; 2]) -> [f64; 3] {
        let [a, b] = sides;
        const LANES: usize = 8;
        let mut sums = [[0.0f64; LANES]; 3];
        let mut add = |lane: usize, out: &mut Complex32, band: f32, a: Complex32, b: Complex32| {
            let (pa, pb) = ((a.re * a.re + a.im * a.im) * band, (b.re * b.re + b.im * b.im) * band);
            *out = Complex32::new((a.re * b.re + a.im * b.im) * band, (a.im * b.re - a.re * b.im) * band);
            sums[0][lane] += f64::from(pa);
            sums[1][lane] += f64::from(pb);
            sums[2][lane] += f64::from(pa) * f64::from(pb);
        };
        let (outs, out) = out.as_chunks_mut::<LANES>();
        let ((bands, band), (many_a, a), (many_b, b)) =
            (band.as_chunks::<LANES>(), a.as_chunks::<LANES>(), b.as_chunks::<LANES>());
        for (((outs, bands), a), b) in outs.iter_mut().zip(bands).zip(many_a).zip(many_b) {
            for lane in 0..LANES {
                add(lane, &mut outs[lane], bands[lane], a[lane], b[lane]);
            }
        }
        for (((out, band), a), b) in out.iter_mut().zip(band).zip(a).zip(b) {
            add(0, out, *band, *a, *b);
        }
        sums.map(|lanes| lanes.iter().sum())
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

/// exp(2πi f d).
fn turn(frequency: f64, d: f64) -> Complex32 {
    let (sine, cosine) = sin_cos(TAU * frequency * d);
    Complex32::new(cosine as f32, sine as f32)
}

/// Where the parabola through three points a step apart has its top, and how strongly it bends down.
fn parabola(before: f64, at: f64, after: f64) -> (f64, f64) {
    let bend = 2.0 * at - before - after;
    if bend > 0.0 { ((0.5 * (after - before) / bend).clamp(-1.0, 1.0), bend) } else { (0.0, 0.0) }
}

fn signed(k: usize, n: usize) -> f64 {
    if 2 * k > n { (k as f64 - n as f64) / n as f64 } else { k as f64 / n as f64 }
}

/// The correlation at whole displacements within reach and one beyond, taper divided out.
struct Window {
    reach: [i64; 2],
    values: Vec<f64>,
}

impl Window {
    fn of(surface: &[f32], (rows, cols): (usize, usize), reach: [i64; 2], tapers: [&Taper; 2]) -> Self {
        let wide = reach.map(|reach| reach + 1);
        let left = [0, 1].map(|k| (-wide[k]..=wide[k]).map(|d| tapers[k].left(d as f64)).collect::<Vec<f64>>());
        let mut values = Vec::with_capacity(left[0].len() * left[1].len());
        for (y, left_y) in (-wide[1]..=wide[1]).zip(&left[1]) {
            let line = y.rem_euclid(rows as i64) as usize * cols;
            for (x, left_x) in (-wide[0]..=wide[0]).zip(&left[0]) {
                let value = f64::from(surface[line + x.rem_euclid(cols as i64) as usize]);
                values.push(value / (left_x * left_y).max(LEAST_LEFT));
            }
        }
        Self { reach, values }
    }

    fn at(&self, x: i64, y: i64) -> f64 {
        let wide = self.reach.map(|reach| reach + 1);
        self.values[((y + wide[1]) * (2 * wide[0] + 1) + x + wide[0]) as usize]
    }

    /// The highest point within reach; of local maxima about as high, the one nearest to no displacement.
    fn nearest_peak(&self) -> Option<[i64; 2]> {
        let values = self.places().map(|[x, y]| self.at(x, y));
        let best = values.filter(|v| v.is_finite()).fold(f64::NEG_INFINITY, f64::max);
        let least = if best > 0.0 { AS_HIGH * best } else { best };
        let high = self.places().filter(|&[x, y]| {
            let value = self.at(x, y);
            value >= least && (value >= best || self.is_maximum([x, y]))
        });
        high.min_by_key(|[x, y]| x * x + y * y)
    }

    fn places(&self) -> impl Iterator<Item = [i64; 2]> {
        let [reach_x, reach_y] = self.reach;
        (-reach_y..=reach_y).flat_map(move |y| (-reach_x..=reach_x).map(move |x| [x, y]))
    }

    fn is_maximum(&self, [x, y]: [i64; 2]) -> bool {
        let most = self.at(x, y) * (1.0 + LEVEL);
        (-1..=1).all(|dy| (-1..=1).all(|dx| (dx, dy) == (0, 0) || self.at(x + dx, y + dy) <= most))
    }
}

/// The best plane of an image's finite pixels.
struct Plane {
    mean: f32,
    x: f32,
    y: f32,
    middle: [f32; 2],
    /// Columns from the middle.
    along: Vec<f32>,
}

wide! {
    fn plane<'a>(image: &'a [f32], rows: usize, cols: usize) -> Plane {
        let middle = [(cols as f64 - 1.0) / 2.0, (rows as f64 - 1.0) / 2.0];
        // Row sums in f32 of a few hundred values less a level keep six digits.
        let level = image.iter().copied().find(|v| v.is_finite()).unwrap_or(0.0);
        let (mut n, mut sum) = (0.0f64, 0.0f64);
        let (mut sx, mut sy, mut xx, mut yy) = (0.0f64, 0.0f64, 0.0f64, 0.0f64);
        let along: Vec<f32> = (0..cols).map(|x| (x as f64 - middle[0]) as f32).collect();
        for (y, line) in image.chunks_exact(cols).enumerate() {
            const LANES: usize = 8;
            let mut sums = [[0.0f32; LANES]; 4];
            let mut add = |lane: usize, value: f32, dx: f32| {
                let here = if value.is_finite() { 1.0 } else { 0.0 };
                let value = if value.is_finite() { value - level } else { 0.0 };
                sums[0][lane] += here;
                sums[1][lane] += value;
                sums[2][lane] += dx * value;
                sums[3][lane] += here * dx * dx;
            };
            let ((lines, line), (alongs, along)) = (line.as_chunks::<LANES>(), along.as_chunks::<LANES>());
            for (values, along) in lines.iter().zip(alongs) {
                (0..LANES).for_each(|lane| add(lane, values[lane], along[lane]));
            }
            line.iter().zip(along).for_each(|(value, dx)| add(0, *value, *dx));
            let [known, row, row_x, row_xx] = sums.map(|lanes| lanes.iter().sum::<f32>());
            let dy = y as f64 - middle[1];
            n += f64::from(known);
            sum += f64::from(row);
            sx += f64::from(row_x);
            sy += dy * f64::from(row);
            xx += f64::from(row_xx);
            yy += dy * dy * f64::from(known);
        }
        let mean = if n > 0.0 { sum / n } else { 0.0 };
        // Coordinates count from the middle: with few pixels left out their means are next to nothing.
        let mean = mean + f64::from(level);
        let slope = |sum: f64, spread: f64| if spread > 0.0 { (sum / spread) as f32 } else { 0.0 };
        Plane { mean: mean as f32, x: slope(sx, xx), y: slope(sy, yy), middle: middle.map(|m| m as f32), along }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
