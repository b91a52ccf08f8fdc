//! The area that both tiles of a seam hold, cut into patches.
//!
//! The sum of the patches' cross-spectra gives the seam's shift, each by itself the shift of its patch (see
//! [`crate::measure::seams::held`]).

use crate::measure::seams::patch::Patch;
use crate::measure::seams::plan::{LEAST_OVERLAP_PX, Pair};
use crate::measure::seams::strip::Strip;
use crate::measured::{Measured, NotMeasured};
use crate::numerics::registration::fft2::fast_size_within;
use crate::numerics::registration::image::Image;
use crate::numerics::registration::level::Part;
use crate::numerics::registration::spectral::{Band, Bench, Cross};
use crate::numerics::wide::wide;
use rustfft::num_complex::Complex32;

/// Patches along a seam: so many to a square, between these in all. Longer ones average a bend away.
const PATCHES_A_SQUARE: f64 = 1.5;
const PATCHES: [usize; 2] = [6, 12];
/// A patch is at least this long.
const LEAST_PATCH_PX: usize = 16;
/// Patches fade over this share of each end along the seam, and reach into the next by as much: there the one fades as the
/// other sets in, so that the seam's shift loses nothing.
const TAPER_ALONG: f64 = 0.2;
/// Across the seam what fades is lost: over fewer pixels borders, which both sides have at one place, would pull.
const TAPER_ACROSS: f64 = 0.1;
/// Frequencies that carry a shift: illumination lies below, where counting noise drowns the rest above.
const BAND: Band = Band { high_pass: 0.02, low_pass: 0.35 };
/// A patch is looked for this far from its seam's shift.
const PATCH_REACH_PX: usize = 12;
/// Patches need this share of trustworthy pixels.
const LEAST_FINITE: f64 = 0.7;

/// The area that both tiles hold at a whole difference of places, cut into patches.
pub struct Common<'a> {
    /// The one tile's part.
    pub from: &'a Strip,
    /// The other's.
    pub to: &'a Strip,
    /// Whole difference of places at which they are held together.
    pub whole: [i64; 2],
    along_x: bool,
    near: [usize; 2],
    /// Rows and columns of a patch.
    pub size: (usize, usize),
    /// First pixels of the patches, in `from`.
    pub starts: Vec<[usize; 2]>,
}

/// A patch and what its two sides have in common.
pub struct Look {
    /// Its first pixel, in `from`.
    pub start: [usize; 2],
    /// Mean counts of both.
    pub means: [f32; 2],
    /// Spectra of both.
    pub spectra: [Vec<Complex32>; 2],
    /// What they have in common.
    pub cross: Cross,
}

/// Weighs each frequency by what it knows of patches whose shifts are known to a part of a pixel.
pub fn weigh_by(bench: &Bench, looks: &mut [Look], shifts_px: &[[f64; 2]]) {
    let pairs: Vec<([&[Complex32]; 2], [f64; 2])> =
        looks.iter().zip(shifts_px).map(|(look, shift)| (look.spectra.each_ref().map(Vec::as_slice), *shift)).collect();
    let Some(best) = bench.best_weights(&pairs, BAND.high_pass) else { return };
    for look in looks.iter_mut() {
        look.cross = bench.cross_weighed(&best, look.spectra.each_ref().map(Vec::as_slice));
    }
}

impl<'a> Common<'a> {
    /// The common area at a whole difference of places, given in pixels.
    ///
    /// # Errors
    /// Where the tiles share too little there.
    pub fn new(pair: &Pair, from: &'a Strip, to: &'a Strip, whole: [i64; 2]) -> Measured<Self> {
        let span = |k: usize| {
            let (a, b) = ([from.rect.x, from.rect.y][k] as i64, [to.rect.x, to.rect.y][k] as i64 + whole[k]);
            let (la, lb) = ([from.rect.width, from.rect.height][k] as i64, [to.rect.width, to.rect.height][k] as i64);
            (a.max(b), (a + la).min(b + lb))
        };
        let (x, y) = (span(0), span(1));
        let (width, height) = (x.1 - x.0, y.1 - y.0);
        if width.min(height) < LEAST_OVERLAP_PX {
            return Err(NotMeasured::because(format!("its tiles share {} px only", width.min(height).max(0))));
        }
        let (width, height) = (width as usize, height as usize);
        let (long, thick) = if pair.along_x { (width, height) } else { (height, width) };
        let n = (PATCHES_A_SQUARE * long as f64 / thick.max(LEAST_PATCH_PX) as f64) as usize;
        let n = n.clamp(PATCHES[0], PATCHES[1]).min((long / LEAST_PATCH_PX).max(1));
        let reaching = (long as f64 / (n as f64 - (n as f64 - 1.0) * TAPER_ALONG)) as usize;
        let (length, thickness) = (fast_size_within(reaching), fast_size_within(thick));
        let size = if pair.along_x { (thickness, length) } else { (length, thickness) };
        let starts = (0..n).map(|i| {
            let along = ((long - length) * (2 * i + 1)) / (2 * n).max(1);
            let along = if n > 1 { (long - length) * i / (n - 1) } else { along };
            let across = (thick - thickness) / 2;
            let (dx, dy) = if pair.along_x { (along, across) } else { (across, along) };
            [x.0 as usize + dx, y.0 as usize + dy]
        });
        let near = [size.1 / 4, size.0 / 4].map(|px| px.clamp(2, PATCH_REACH_PX));
        Ok(Self { from, to, whole, along_x: pair.along_x, near, size, starts: starts.collect() })
    }

    /// What transforms its patches.
    pub fn bench(&self) -> Bench {
        let tapers = if self.along_x { [TAPER_ACROSS, TAPER_ALONG] } else { [TAPER_ALONG, TAPER_ACROSS] };
        Bench::with_tapers(self.size.0, self.size.1, &[BAND], tapers)
    }

    /// A patch in one of the strips, which holds all of it.
    fn part<'s>(&self, strip: &'s Strip, start: [usize; 2], moved: [i64; 2]) -> Part<'s> {
        let x = (start[0] as i64 - moved[0]) as usize - strip.rect.x;
        let y = (start[1] as i64 - moved[1]) as usize - strip.rect.y;
        let stride = strip.image.cols;
        let first = y * stride + x;
        Part { values: &strip.image.values[first..first + (self.size.0 - 1) * stride + self.size.1], stride }
    }

    /// Pixels of a patch where it is moved by `moved` in its middle and by `slope` more a pixel along the seam; NaN where
    /// the strip holds none. `None` where too few can be trusted.
    pub fn sloped(&self, strip: &Strip, start: [usize; 2], moved: [i64; 2], slope: [f64; 2]) -> Option<Vec<f32>> {
        let (rows, cols) = self.size;
        let first: [f64; 2] =
            [0, 1].map(|k| start[k] as f64 - moved[k] as f64 - [strip.rect.x, strip.rect.y][k] as f64);
        let middle = 0.5 * (if self.along_x { cols } else { rows } as f64 - 1.0);
        if slope == [0.0; 2] {
            return self.moved(&strip.image, first.map(|px| px as i64));
        }
        let pixel = |at: usize| {
            let (x, y) = (at % cols, at / cols);
            let along = if self.along_x { x } else { y } as f64 - middle;
            strip.image.between(first[0] + x as f64 - slope[0] * along, first[1] + y as f64 - slope[1] * along)
        };
        is_known((0..rows * cols).map(pixel).collect())
    }

    /// Pixels of a patch that begins at a pixel of a strip, which need not lie in it.
    fn moved(&self, image: &Image, [x0, y0]: [i64; 2]) -> Option<Vec<f32>> {
        let (rows, cols) = self.size;
        let mut pixels = vec![f32::NAN; rows * cols];
        let clamped = |at: i64, held: usize| at.clamp(0, held as i64) as usize;
        let held = |first: i64, length: usize, held: usize| clamped(first, held)..clamped(first + length as i64, held);
        let (xs, ys) = (held(x0, cols, image.cols), held(y0, rows, image.rows));
        for y in ys {
            let out = (y as i64 - y0) as usize * cols + (xs.start as i64 - x0).max(0) as usize;
            let line = &image.values[y * image.cols..][xs.clone()];
            pixels[out..out + line.len()].copy_from_slice(line);
        }
        is_known(pixels)
    }

    /// The patches that are wanted, by their number along the seam.
    pub fn looks(&self, bench: &Bench, wanted: impl Fn(usize) -> bool) -> Vec<Look> {
        let look = |&start: &[usize; 2]| {
            let [one, other] = [(self.from, [0, 0]), (self.to, self.whole)]
                .map(|(strip, moved)| bench.seen(self.part(strip, start, moved)));
            let means = [one.mean, other.mean];
            let is_known = one.known.min(other.known) >= LEAST_FINITE;
            let spectra = [one.spectrum, other.spectrum];
            is_known.then(|| Look { start, means, cross: bench.cross(&spectra[0], &spectra[1]), spectra })
        };
        self.starts.iter().enumerate().filter(|(at, _)| wanted(*at)).filter_map(|(_, start)| look(start)).collect()
    }

    /// How far patches are looked for while they lie about where the seam does.
    pub fn near(&self) -> [usize; 2] {
        self.near
    }

    /// How far at most.
    pub fn widest(&self) -> [usize; 2] {
        [self.size.1 / 2, self.size.0 / 2].map(|px| px.clamp(2, PATCH_REACH_PX))
    }

    /// Where a patch that begins at `start` lies along the seam, up to a constant.
    pub fn along_px(&self, start: &[usize; 2]) -> f64 {
        start[usize::from(!self.along_x)] as f64
    }

    /// A patch that begins at `start`, so far beyond the whole difference of places.
    pub fn patch(&self, start: [usize; 2], beyond_px: [f64; 2], sd_px: [f64; 2]) -> Patch {
        let middle = |k: usize, px: usize| start[k] as f64 + 0.5 * (px as f64 - 1.0);
        Patch {
            middle_px: [middle(0, self.size.1), middle(1, self.size.0)],
            difference_px: [0, 1].map(|k| self.whole[k] as f64 + beyond_px[k]),
            sd_px,
        }
    }
}

/// The pixels of a patch where enough of them can be trusted.
fn is_known(pixels: Vec<f32>) -> Option<Vec<f32>> {
    (f64::from(finite(&pixels)) >= LEAST_FINITE * pixels.len() as f64).then_some(pixels)
}

wide! {
    fn finite<'a>(pixels: &'a [f32]) -> u32 {
        pixels.iter().map(|value| u32::from(value.is_finite())).sum()
    }
}
