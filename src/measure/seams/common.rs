//! The area that both tiles of a seam hold, cut into patches.
//!
//! The sum of the patches' cross-spectra gives the seam's shift, each by itself the shift of its patch. Patches without
//! texture are dropped by the significance of their peaks.

use crate::measure::seams::bend;
use crate::measure::seams::find::Found;
use crate::measure::seams::patch::{Patch, bent_mean, is_smooth, weighted_mean, without_look_alikes};
use crate::measure::seams::plan::{LEAST_OVERLAP_PX, Pair};
use crate::measure::seams::strip::Strip;
use crate::measured::{Measured, NotMeasured};
use crate::numerics::registration::fft2::good_size_within;
use crate::numerics::registration::spectral::{Band, Bench, Cross, Peak};
use rustfft::num_complex::Complex32;

/// A patch is believed from so many standard deviations of chance on: over the some hundred displacements within its
/// reach, one of 4.5 comes up by chance less than once in a hundred patches. Where half of a seam's patches are believed
/// so, the rest of them are from fewer on: a bend seen by some of its patches alone is told too small.
const BELIEVED: f64 = 5.0;
const BELIEVED_AMONG_OTHERS: f64 = 4.0;
/// The sum of all patches confirms a place that was significant among all of the search window: it has one chance.
const CONFIRMED: f64 = 4.0;
/// Patches along a seam: so many to a square, between these in all. Longer ones average a bend away.
const PATCHES_A_SQUARE: f64 = 1.5;
const PATCHES: [usize; 2] = [6, 12];
/// A patch is at least this long.
const LEAST_PATCH_PX: usize = 16;
/// Patches fade over this share of each side: what fades is lost to the shift.
const TAPER: f64 = 0.2;
/// Frequencies that carry a shift: illumination lies below, where counting noise drowns the rest above.
const BAND: Band = Band { high_pass: 0.02, low_pass: 0.35 };
/// A patch that knows its shift no better than this is dropped; on a strong bend, which changes within it, than the second.
const WORST_PATCH_SD_PX: [f64; 2] = [0.5, 1.0];
/// A seam that knows its shift no better than this, in either direction, says nothing of it: its texture runs one way.
const WORST_SEAM_SD_PX: f64 = 1.0;
/// Weighing frequencies anew moves a seam's shift by less than this, or it is another peak.
const NEAR_PX: f64 = 1.0;
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
    nominal_near: [usize; 2],
    /// Rows and columns of a patch.
    pub size: (usize, usize),
    /// First pixels of the patches, in `from`.
    pub starts: Vec<[usize; 2]>,
}

/// A patch and what its two sides have in common.
pub struct Look {
    /// Its first pixel, in `from`.
    pub start: [usize; 2],
    spectra: [Vec<Complex32>; 2],
    /// What they have in common.
    pub cross: Cross,
}

/// Weighs each frequency by what it knows of patches whose shifts are known to a part of a pixel.
pub fn weigh_by(bench: &Bench, looks: &mut [Look], shifts_px: &[[f64; 2]]) {
    let pairs: Vec<([&[Complex32]; 2], [f64; 2])> =
        looks.iter().zip(shifts_px).map(|(look, shift)| (look.spectra.each_ref().map(Vec::as_slice), *shift)).collect();
    let Some(weights) = bench.best_weights(&pairs, BAND.high_pass) else { return };
    for look in looks.iter_mut() {
        look.cross = bench.cross_by(&weights, &look.spectra[0], &look.spectra[1]);
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
        let (length, thickness) = (good_size_within(long / n), good_size_within(thick));
        let size = if pair.along_x { (thickness, length) } else { (length, thickness) };
        let starts = (0..n).map(|i| {
            let along = ((long - length) * (2 * i + 1)) / (2 * n).max(1);
            let along = if n > 1 { (long - length) * i / (n - 1) } else { along };
            let across = (thick - thickness) / 2;
            let (dx, dy) = if pair.along_x { (along, across) } else { (across, along) };
            [x.0 as usize + dx, y.0 as usize + dy]
        });
        let nominal_near = [size.1 / 4, size.0 / 4].map(|px| px.clamp(2, PATCH_REACH_PX));
        Ok(Self { from, to, whole, along_x: pair.along_x, nominal_near, size, starts: starts.collect() })
    }

    /// What transforms its patches.
    pub fn bench(&self) -> Bench {
        Bench::new(self.size.0, self.size.1, &[BAND], TAPER)
    }

    /// Pixels of a patch in one of the strips.
    fn pixels(&self, strip: &Strip, start: [usize; 2], moved: [i64; 2]) -> Vec<f32> {
        let x = (start[0] as i64 - moved[0]) as usize - strip.rect.x;
        let y = (start[1] as i64 - moved[1]) as usize - strip.rect.y;
        let cols = strip.image.cols;
        let mut pixels = Vec::with_capacity(self.size.0 * self.size.1);
        for y in y..y + self.size.0 {
            pixels.extend_from_slice(&strip.image.values[y * cols + x..y * cols + x + self.size.1]);
        }
        pixels
    }

    /// Pixels of a patch where it is moved by `moved` in its middle and by `slope` more a pixel along the seam; NaN where
    /// the strip holds none. `None` where too few can be trusted.
    pub fn sloped(&self, strip: &Strip, start: [usize; 2], moved: [i64; 2], slope: [f64; 2]) -> Option<Vec<f32>> {
        let (rows, cols) = self.size;
        let first: [f64; 2] =
            [0, 1].map(|k| start[k] as f64 - moved[k] as f64 - [strip.rect.x, strip.rect.y][k] as f64);
        let middle = 0.5 * (if self.along_x { cols } else { rows } as f64 - 1.0);
        let pixel = |at: usize| {
            let (x, y) = (at % cols, at / cols);
            let along = if self.along_x { x } else { y } as f64 - middle;
            strip.image.between(first[0] + x as f64 - slope[0] * along, first[1] + y as f64 - slope[1] * along)
        };
        let pixels: Vec<f32> = (0..rows * cols).map(pixel).collect();
        let finite = pixels.iter().filter(|value| value.is_finite()).count();
        (finite as f64 >= LEAST_FINITE * pixels.len() as f64).then_some(pixels)
    }

    fn sides(&self, start: [usize; 2]) -> [Vec<f32>; 2] {
        [self.pixels(self.from, start, [0, 0]), self.pixels(self.to, start, self.whole)]
    }

    /// The patches that are wanted, by their number along the seam.
    pub fn looks(&self, bench: &Bench, wanted: impl Fn(usize) -> bool) -> Vec<Look> {
        let look = |&start: &[usize; 2]| {
            let sides = self.sides(start);
            let finite = |side: &Vec<f32>| side.iter().filter(|v| v.is_finite()).count() as f64 / side.len() as f64;
            if sides.iter().any(|side| finite(side) < LEAST_FINITE) {
                return None;
            }
            let spectra = sides.map(|side| bench.spectrum(&side));
            Some(Look { start, cross: bench.cross(&spectra[0], &spectra[1]), spectra })
        };
        self.starts.iter().enumerate().filter(|(at, _)| wanted(*at)).filter_map(|(_, start)| look(start)).collect()
    }

    /// The shift of the whole seam, against `whole`.
    pub fn sum(&self, bench: &Bench, looks: &[Look]) -> Measured<Peak> {
        let mut sum = Cross::default();
        looks.iter().for_each(|look| sum.add(&look.cross));
        if looks.is_empty() {
            return Err(NotMeasured::because("its overlap is dark, saturated or unreadable"));
        }
        let peak = bench.peak(&sum, self.nominal_near).filter(|peak| peak.inside && peak.significance >= CONFIRMED);
        peak.ok_or_else(|| NotMeasured::because("its overlap shows no common texture"))
    }

    /// Weighs each frequency by what it knows, now that the place is known to a part of a pixel; gives the whole shift by that.
    pub fn weigh(&self, bench: &Bench, looks: &mut [Look], sum: Peak) -> Peak {
        weigh_by(bench, looks, &vec![[sum.x, sum.y]; looks.len()]);
        let near = |peak: &Peak| (peak.x - sum.x).hypot(peak.y - sum.y) < NEAR_PX;
        self.sum(bench, looks).ok().filter(near).unwrap_or(sum)
    }

    /// What the seam says, its whole shift against `whole` being known as `sum`.
    ///
    /// # Errors
    /// Where its texture runs along one direction.
    pub fn finish(&self, bench: &Bench, mut looks: Vec<Look>, sum: Peak, offset_counts: f64) -> Measured<Found> {
        let correlation = sum.correlation;
        let sum = self.weigh(bench, &mut looks, sum);
        let mut patches = self.believed(bench, &looks);
        // A bend of which some patches are missing is told too small, or too large.
        let is_bent = bent_mean(&patches, looks.len()).is_some();
        if 2 * patches.len() < looks.len() || (is_bent && patches.len() < looks.len()) {
            let followed = self.followed(&self.follow(bench));
            if followed.len() > patches.len() && is_smooth(&followed) && bent_mean(&followed, looks.len()).is_some() {
                patches = followed;
            }
        }
        let known = sum.sd.iter().all(|&sd| sd < WORST_SEAM_SD_PX);
        let (difference_px, sd_px) = if known {
            ([self.whole[0] as f64 + sum.x, self.whole[1] as f64 + sum.y], sum.sd)
        } else {
            weighted_mean(&patches).ok_or_else(|| {
                NotMeasured::because("its texture runs along one direction, along which no shift shows")
            })?
        };
        Ok(Found {
            difference_px: bent_mean(&patches, looks.len()).unwrap_or(difference_px),
            sd_px,
            correlation,
            intensity_ratio: self.intensity_ratio(&looks, offset_counts),
            patches,
            looked: looks.len(),
        })
    }

    /// How far patches are looked for.
    pub fn widest(&self) -> [usize; 2] {
        [self.size.1 / 2, self.size.0 / 2].map(|px| px.clamp(2, PATCH_REACH_PX))
    }

    /// Where a patch that begins at `start` lies along the seam, up to a constant.
    pub fn along_px(&self, start: &[usize; 2]) -> f64 {
        start[usize::from(!self.along_x)] as f64
    }

    /// The patches with a significant peak within reach.
    fn believed(&self, bench: &Bench, looks: &[Look]) -> Vec<Patch> {
        let peaks: Vec<Option<Peak>> =
            looks.iter().map(|look| bench.peak(&look.cross, self.nominal_near).filter(|peak| peak.inside)).collect();
        let sure = peaks.iter().flatten().filter(|peak| peak.significance >= BELIEVED).count();
        let believed = if 2 * sure >= looks.len() { BELIEVED_AMONG_OTHERS } else { BELIEVED };
        let patch = |(look, peak): (&Look, &Option<Peak>)| {
            let peak = (*peak)?;
            let sound = peak.significance >= believed && peak.sd.iter().all(|&sd| sd < WORST_PATCH_SD_PX[0]);
            sound.then(|| self.patch(look.start, [peak.x, peak.y], peak.sd))
        };
        without_look_alikes(&looks.iter().zip(&peaks).filter_map(patch).collect::<Vec<Patch>>())
    }

    /// Its patches, followed along a strong bend.
    fn follow(&self, bench: &Bench) -> Vec<Option<bend::Step>> {
        let spectrum = |strip: &Strip, patch: usize, moved: [i64; 2]| {
            Some(bench.spectrum(&self.sloped(strip, self.starts[patch], moved, [0.0; 2])?))
        };
        let fixed: Vec<Option<Vec<Complex32>>> =
            (0..self.starts.len()).map(|patch| spectrum(self.from, patch, [0, 0])).collect();
        let look = |patch: usize, beyond: [i64; 2], reach: [usize; 2]| {
            let moved = [self.whole[0] + beyond[0], self.whole[1] + beyond[1]];
            bench.peak(&bench.cross(fixed[patch].as_ref()?, &spectrum(self.to, patch, moved)?), reach)
        };
        bend::follow(self.starts.len(), self.widest(), look)
    }

    /// The patches of a strong bend that know their shifts.
    fn followed(&self, steps: &[Option<bend::Step>]) -> Vec<Patch> {
        let patch = |(start, step): (&[usize; 2], &Option<bend::Step>)| {
            let step = (*step)?;
            let sound = step.peak.sd.iter().all(|&sd| sd < WORST_PATCH_SD_PX[1]);
            sound.then(|| self.patch(*start, step.px(), step.peak.sd))
        };
        without_look_alikes(&self.starts.iter().zip(steps).filter_map(patch).collect::<Vec<Patch>>())
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

    /// Median over the patches of the ratio of their means.
    pub fn intensity_ratio(&self, looks: &[Look], offset_counts: f64) -> Option<f64> {
        let mean = |side: &[f32]| {
            let finite: Vec<f64> = side.iter().filter(|v| v.is_finite()).map(|&v| f64::from(v)).collect();
            finite.iter().sum::<f64>() / finite.len() as f64 - offset_counts
        };
        let ratio = |look: &Look| {
            let [a, b] = self.sides(look.start);
            let (a, b) = (mean(&a), mean(&b));
            (a > 0.0 && b > 0.0).then(|| b / a)
        };
        let mut ratios: Vec<f64> = looks.iter().filter_map(ratio).collect();
        ratios.sort_by(f64::total_cmp);
        ratios.get(ratios.len() / 2).copied()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::seams::plan::Rect;
    use crate::numerics::registration::masked::Image;

    fn pair() -> Pair {
        Pair {
            from: 0,
            to: 1,
            along_x: true,
            nominal_px: [0.0, 216.0],
            whole_px: [0, 216],
            overlap_px: 40,
            reach_px: 22,
        }
    }

    /// Over stripes a shift along them has no bound: no number is given for it.
    #[test]
    fn a_shift_that_is_known_across_stripes_alone_is_none() {
        let mut state = 9u64;
        let mut noise = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 57) as f32
        };
        let mut strip = |y: usize| {
            let rect = Rect { x: 0, y, width: 256, height: 62 };
            let stripe = |at: usize| if (at % 256 * 7919 / 5) % 11 < 5 { 400.0 } else { 0.0 };
            let values = (0..256 * 62).map(|at| 1000.0 + stripe(at) + noise());
            Strip { rect, image: Image { rows: 62, cols: 256, values: values.collect() } }
        };
        let (from, to) = (strip(194), strip(0));
        let common = Common::new(&pair(), &from, &to, [0, 216]).unwrap();
        let bench = common.bench();
        let finish = |sd: [f64; 2]| {
            let peak =
                Peak { x: 0.0, y: 0.0, correlation: 0.96, significance: 9.0, sd, information: [1.0; 3], inside: true };
            common.finish(&bench, common.looks(&bench, |_| true), peak, 0.0)
        };
        assert!(finish([0.01, 0.02]).is_ok());
        for sd in [[0.01, 1e9], [0.01, f64::NAN], [1.5, 0.01]] {
            assert!(finish(sd).unwrap_err().0.contains("its texture runs along one direction"), "{sd:?}");
        }
    }
}
