//! One seam: its shift, and the shifts of patches along it.
//!
//! A masked correlation of binned strips finds the place within the search window; finer bins are tried where a coarse
//! one shows too little. Then the common area is cut into patches at full size: the sum of their cross-spectra gives
//! the seam's shift, each by itself the shift of its patch. Patches without texture are dropped by the significance
//! of their peaks.

use crate::measure::seams::bend;
use crate::measure::seams::halved;
use crate::measure::seams::plan::{LEAST_OVERLAP_PX, Pair};
use crate::measure::seams::strip::Strip;
use crate::measured::{Measured, NotMeasured};
use crate::numerics::registration::fft2::good_size_within;
use crate::numerics::registration::masked::{self, Image, Window};
use crate::numerics::registration::spectral::{Band, Bench, Cross, Peak};
use rustfft::num_complex::Complex32;

/// A patch is believed from so many standard deviations of chance on: over the some hundred displacements within its
/// reach, one of 4.5 comes up by chance less than once in a hundred patches. Where half of a seam's patches are believed
/// so, the rest of them are from fewer on: a bend seen by some of its patches alone is told too small.
const BELIEVED: f64 = 5.0;
const BELIEVED_AMONG_OTHERS: f64 = 4.0;
/// The sum of all patches confirms a place that was significant among all of the search window: it has one chance.
const CONFIRMED: f64 = 4.0;
/// Of two peaks about as high, the one nearer to the nominal place counts (a repeating texture has many).
const AS_HIGH: f64 = 0.9;
/// The common area must be at least this share of the nominal one.
const LEAST_SHARE: f64 = 0.3;
/// Binned overlaps have at least this many pixels across.
const LEAST_BINNED_PX: i64 = 24;
const LARGEST_BIN: i64 = 8;
/// Coarser bins are tried while the overlap has this many pixels across.
const LEAST_COARSE_PX: i64 = 8;
/// What is wider than this many binned pixels is illumination.
const SMOOTH_PX: usize = 12;
/// Patches along a seam: so many to a square, between these in all. Longer ones average a bend away.
const PATCHES_A_SQUARE: f64 = 1.5;
const PATCHES: [usize; 2] = [6, 12];
/// Every so many-th patch is looked at while the place is not settled.
const SOME: usize = 3;
const SETTLING: usize = 2;
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
/// Patches that scatter by less about their mean, or by little more than noise, are those of a straight seam.
const LEAST_BENT_PX: f64 = 0.5;
const BENT_OVER_NOISE: f64 = 9.0;
/// A patch so far off the middle of all, unless a neighbour is off the same way by a part of it, has found a look-alike: a
/// bend is smooth.
const LOOK_ALIKE_PX: f64 = 3.0;
const BORNE_OUT: f64 = 0.25;
/// Patches need this share of trustworthy pixels.
const LEAST_FINITE: f64 = 0.7;

/// A patch of a seam.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Patch {
    /// Its middle in `from`.
    pub middle_px: [f64; 2],
    /// Place of `to` less that of `from`, as this patch has it.
    pub difference_px: [f64; 2],
    /// One standard deviation of the two.
    pub sd_px: [f64; 2],
}

/// What a seam says.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Place of `to` less that of `from`.
    pub difference_px: [f64; 2],
    /// One standard deviation of the two, for counting noise alone.
    pub sd_px: [f64; 2],
    /// Normalised correlation at the peak, band-passed.
    pub correlation: f64,
    /// Mean counts of `to` over those of `from` in the common area, camera offset taken off.
    pub intensity_ratio: Option<f64>,
    /// Patches with enough texture.
    pub patches: Vec<Patch>,
    /// Patches that were looked at.
    pub looked: usize,
}

/// Measures a seam from its two strips; `offset_counts` are counts without electrons.
///
/// # Errors
/// Why the seam cannot be measured.
pub fn find(pair: &Pair, from: &Strip, to: &Strip, offset_counts: f64) -> Measured<Found> {
    if pair.overlap_px >= halved::WIDE_PX {
        let [from, to] = [from, to].map(halved::strip);
        return find_at(&halved::pair(pair), &from, &to, offset_counts).map(halved::whole);
    }
    find_at(pair, from, to, offset_counts)
}

fn find_at(pair: &Pair, from: &Strip, to: &Strip, offset_counts: f64) -> Measured<Found> {
    let coarse = coarse(pair, from, to)?;
    let mut whole = coarse.map(|px| px.round() as i64);
    // Some of the patches say where all of them are best cut.
    for _ in 0..SETTLING {
        let common = Common::new(pair, from, to, whole)?;
        let bench = common.bench();
        let mut looks = common.looks(&bench, |at| at % SOME == 0);
        let Ok(peak) = common.sum(&bench, &looks) else { break };
        let near = [peak.x, peak.y].map(|d| d.round() as i64);
        if near == [0, 0] {
            looks.extend(common.looks(&bench, |at| at % SOME != 0));
            let peak = common.sum(&bench, &looks)?;
            return common.finish(&bench, looks, peak, offset_counts);
        }
        whole = [whole[0] + near[0], whole[1] + near[1]];
    }
    // They say too little, or do not agree: all of them.
    let mut common = Common::new(pair, from, to, whole)?;
    let mut bench = common.bench();
    let mut looks = common.looks(&bench, |_| true);
    let peak = common.sum(&bench, &looks)?;
    let near = [peak.x, peak.y].map(|d| d.round() as i64);
    if near == [0, 0] {
        return common.finish(&bench, looks, peak, offset_counts);
    }
    common = Common::new(pair, from, to, [whole[0] + near[0], whole[1] + near[1]])?;
    bench = common.bench();
    looks = common.looks(&bench, |_| true);
    let peak = common.sum(&bench, &looks)?;
    common.finish(&bench, looks, peak, offset_counts)
}

/// The difference of places to about a pixel of the first bin that shows it: finer ones where the usual one shows too
/// little, then a coarser one, in which counting noise drowns less.
fn coarse(pair: &Pair, from: &Strip, to: &Strip) -> Measured<[f64; 2]> {
    let usual = (pair.overlap_px / LEAST_BINNED_PX).clamp(1, LARGEST_BIN);
    let finer = std::iter::successors(Some(usual), |bin| (*bin > 1).then_some(bin / 2));
    let coarser = [2 * usual, 4 * usual].into_iter().filter(|bin| pair.overlap_px / bin >= LEAST_COARSE_PX);
    let found = finer.chain(coarser).find_map(|bin| coarse_at(pair, from, to, bin as f64));
    found.ok_or_else(|| NotMeasured::because("its overlap shows no common texture"))
}

fn coarse_at(pair: &Pair, from: &Strip, to: &Strip, bin: f64) -> Option<[f64; 2]> {
    let strip = |strip: &Strip| smooth_off(&strip.image.binned(bin as usize));
    let (a, b) = (strip(from), strip(to));
    // Strip coordinates: b(x) = a(x + d) with d = difference of places + origin of `to` - origin of `from`.
    let origin = [to.rect.x as f64 - from.rect.x as f64, to.rect.y as f64 - from.rect.y as f64];
    let middle: [f64; 2] = std::array::from_fn(|k| (pair.nominal_px[k] + origin[k]) / bin);
    let reach = pair.reach_px as f64 / bin + 1.0;
    let side = |k: usize| [(middle[k] - reach).floor() as i64, (middle[k] + reach).ceil() as i64];
    let nominal_area = pair.overlap_px as f64 * if pair.along_x { a.cols as f64 } else { a.rows as f64 } / bin;
    let window = Window { x: side(0), y: side(1) };
    let surface = masked::correlate(&a, &b, window, LEAST_SHARE * nominal_area);
    let peak = surface.peak(middle, AS_HIGH).filter(|peak| peak.significance >= peak.chance_significance)?;
    Some([peak.x * bin - origin[0], peak.y * bin - origin[1]])
}

/// Takes the mean of a square around each pixel off, finite pixels alone.
fn smooth_off(image: &Image) -> Image {
    let (rows, cols) = (image.rows, image.cols);
    let width = cols + 1;
    let mut sums = vec![(0.0f64, 0.0f64); width * (rows + 1)];
    for y in 0..rows {
        let mut line = (0.0, 0.0);
        for x in 0..cols {
            let value = image.values[y * cols + x];
            if value.is_finite() {
                line = (line.0 + f64::from(value), line.1 + 1.0);
            }
            let above = sums[y * width + x + 1];
            sums[(y + 1) * width + x + 1] = (above.0 + line.0, above.1 + line.1);
        }
    }
    let mean = |x: usize, y: usize| {
        let (x0, y0) = (x.saturating_sub(SMOOTH_PX), y.saturating_sub(SMOOTH_PX));
        let (x1, y1) = ((x + SMOOTH_PX + 1).min(cols), (y + SMOOTH_PX + 1).min(rows));
        let at = |x: usize, y: usize| sums[y * width + x];
        let corners = [at(x1, y1), at(x0, y1), at(x1, y0), at(x0, y0)];
        let sum = corners[0].0 - corners[1].0 - corners[2].0 + corners[3].0;
        let n = corners[0].1 - corners[1].1 - corners[2].1 + corners[3].1;
        (sum / n.max(1.0)) as f32
    };
    let values = (0..rows * cols).map(|at| image.values[at] - mean(at % cols, at / cols)).collect();
    Image { rows, cols, values }
}

/// The patches that a neighbour bears out, or that lie near the middle of all.
fn without_look_alikes(patches: &[Patch]) -> Vec<Patch> {
    let middle = [0, 1].map(|k| {
        let mut values: Vec<f64> = patches.iter().map(|patch| patch.difference_px[k]).collect();
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied().unwrap_or(0.0)
    });
    let off = |at: usize| [0, 1].map(|k| patches[at].difference_px[k] - middle[k]);
    let is_borne_out = |at: usize| {
        let [x, y] = off(at);
        let length = x.hypot(y);
        let neighbours = [at.checked_sub(1), (at + 1 < patches.len()).then_some(at + 1)];
        length < LOOK_ALIKE_PX
            || neighbours.into_iter().flatten().any(|beside| {
                let [dx, dy] = off(beside);
                dx * x + dy * y >= BORNE_OUT * length * length
            })
    };
    (0..patches.len()).filter(|&at| is_borne_out(at)).map(|at| patches[at]).collect()
}

/// The mean over the patches where they differ by more than noise: no one shift fits a bent seam, and the sum of its
/// spectra would follow the patches with most contrast. `None` where the seam is straight, or too few patches are known.
fn bent_mean(patches: &[Patch], looks: usize) -> Option<[f64; 2]> {
    let n = patches.len() as f64;
    if patches.len() < 4 || 3 * patches.len() < 2 * looks {
        return None;
    }
    let mean = [0, 1].map(|k| patches.iter().map(|patch| patch.difference_px[k]).sum::<f64>() / n);
    let away = |k: usize| patches.iter().map(|patch| (patch.difference_px[k] - mean[k]).powi(2)).sum::<f64>() / n;
    let noise = |k: usize| patches.iter().map(|patch| patch.sd_px[k].powi(2)).sum::<f64>() / n;
    let spread = away(0) + away(1);
    (spread.sqrt() > LEAST_BENT_PX && spread > BENT_OVER_NOISE * (noise(0) + noise(1))).then_some(mean)
}

/// The mean of patches by their own uncertainties, and its own; `None` without a patch.
fn weighted_mean(patches: &[Patch]) -> Option<([f64; 2], [f64; 2])> {
    let weight = |k: usize| patches.iter().map(|patch| patch.sd_px[k].powi(-2)).sum::<f64>();
    let sum = |k: usize| patches.iter().map(|p| p.difference_px[k] * p.sd_px[k].powi(-2)).sum::<f64>();
    (!patches.is_empty()).then(|| ([0, 1].map(|k| sum(k) / weight(k)), [0, 1].map(|k| weight(k).sqrt().recip())))
}

/// The area that both tiles hold at a whole difference of places, cut into patches.
struct Common<'a> {
    from: &'a Strip,
    to: &'a Strip,
    whole: [i64; 2],
    nominal_near: [usize; 2],
    /// Rows and columns of a patch.
    size: (usize, usize),
    /// First pixels of the patches, in `from`.
    starts: Vec<[usize; 2]>,
}

/// A patch and what its two sides have in common.
struct Look {
    start: [usize; 2],
    spectra: [Vec<Complex32>; 2],
    cross: Cross,
}

impl<'a> Common<'a> {
    fn new(pair: &Pair, from: &'a Strip, to: &'a Strip, whole: [i64; 2]) -> Measured<Self> {
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
        Ok(Self { from, to, whole, nominal_near, size, starts: starts.collect() })
    }

    fn bench(&self) -> Bench {
        Bench::new(self.size.0, self.size.1, &[BAND], TAPER)
    }

    /// Pixels of a patch in one of the strips.
    fn pixels(&self, strip: &Strip, start: [usize; 2], moved: [i64; 2]) -> Vec<f32> {
        let x = (start[0] as i64 - moved[0]) as usize - strip.rect.x;
        let y = (start[1] as i64 - moved[1]) as usize - strip.rect.y;
        let cols = strip.image.cols;
        (y..y + self.size.0)
            .flat_map(|y| &strip.image.values[y * cols + x..y * cols + x + self.size.1])
            .copied()
            .collect()
    }

    /// The same where the strip holds all of them, and enough of them can be trusted.
    fn held(&self, strip: &Strip, start: [usize; 2], moved: [i64; 2]) -> Option<Vec<f32>> {
        let first =
            [start[0] as i64 - moved[0] - strip.rect.x as i64, start[1] as i64 - moved[1] - strip.rect.y as i64];
        let inside = |k: usize, length: usize, most: usize| first[k] >= 0 && first[k] as usize + length <= most;
        let held = inside(0, self.size.1, strip.image.cols) && inside(1, self.size.0, strip.image.rows);
        let pixels = held.then(|| self.pixels(strip, start, moved))?;
        let finite = pixels.iter().filter(|value| value.is_finite()).count();
        (finite as f64 >= LEAST_FINITE * pixels.len() as f64).then_some(pixels)
    }

    fn sides(&self, start: [usize; 2]) -> [Vec<f32>; 2] {
        [self.pixels(self.from, start, [0, 0]), self.pixels(self.to, start, self.whole)]
    }

    /// The patches that are wanted, by their number along the seam.
    fn looks(&self, bench: &Bench, wanted: impl Fn(usize) -> bool) -> Vec<Look> {
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
    fn sum(&self, bench: &Bench, looks: &[Look]) -> Measured<Peak> {
        let mut sum = Cross::default();
        looks.iter().for_each(|look| sum.add(&look.cross));
        if looks.is_empty() {
            return Err(NotMeasured::because("its overlap is dark, saturated or unreadable"));
        }
        let peak = bench.peak(&sum, self.nominal_near).filter(|peak| peak.inside && peak.significance >= CONFIRMED);
        peak.ok_or_else(|| NotMeasured::because("its overlap shows no common texture"))
    }

    fn finish(&self, bench: &Bench, mut looks: Vec<Look>, sum: Peak, offset_counts: f64) -> Measured<Found> {
        let correlation = sum.correlation;
        // Now that the place is known to a part of a pixel, each frequency is weighed by what it knows.
        let pairs: Vec<[&[Complex32]; 2]> =
            looks.iter().map(|look| [look.spectra[0].as_slice(), look.spectra[1].as_slice()]).collect();
        let weights = bench.best_weights(&pairs, &sum, BAND.high_pass);
        let mut sum = sum;
        if let Some(weights) = &weights {
            for look in &mut looks {
                look.cross = bench.cross_by(weights, &look.spectra[0], &look.spectra[1]);
            }
            let near = |peak: &Peak| (peak.x - sum.x).hypot(peak.y - sum.y) < NEAR_PX;
            sum = self.sum(bench, &looks).ok().filter(near).unwrap_or(sum);
        }
        let mut patches = self.believed(bench, &looks);
        if 2 * patches.len() < looks.len() {
            let followed = self.followed(bench);
            if bent_mean(&followed, looks.len()).is_some() {
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

    /// The patches with a significant peak within reach.
    fn believed(&self, bench: &Bench, looks: &[Look]) -> Vec<Patch> {
        let peaks: Vec<Option<Peak>> =
            looks.iter().map(|look| bench.peak(&look.cross, self.nominal_near).filter(|peak| peak.inside)).collect();
        let sure = peaks.iter().flatten().filter(|peak| peak.significance >= BELIEVED).count();
        let believed = if 2 * sure >= looks.len() { BELIEVED_AMONG_OTHERS } else { BELIEVED };
        let patch = |(look, peak): (&Look, &Option<Peak>)| {
            let peak = (*peak)?;
            let sound = peak.significance >= believed && peak.sd.iter().all(|&sd| sd < WORST_PATCH_SD_PX[0]);
            sound.then(|| self.patch(look.start, [0, 0], &peak))
        };
        without_look_alikes(&looks.iter().zip(&peaks).filter_map(patch).collect::<Vec<Patch>>())
    }

    /// The patches of a strong bend.
    fn followed(&self, bench: &Bench) -> Vec<Patch> {
        let reach = [self.size.1 / 2, self.size.0 / 2].map(|px| px.clamp(2, PATCH_REACH_PX));
        let look = |patch: usize, beyond: [i64; 2], reach: [usize; 2]| {
            let moved = [self.whole[0] + beyond[0], self.whole[1] + beyond[1]];
            let sides =
                [self.held(self.from, self.starts[patch], [0, 0])?, self.held(self.to, self.starts[patch], moved)?];
            let [a, b] = sides.map(|side| bench.spectrum(&side));
            bench.peak(&bench.cross(&a, &b), reach)
        };
        let steps = bend::follow(self.starts.len(), reach, look);
        let patch = |(start, step): (&[usize; 2], &Option<bend::Step>)| {
            let step = (*step)?;
            let sound = step.peak.sd.iter().all(|&sd| sd < WORST_PATCH_SD_PX[1]);
            sound.then(|| self.patch(*start, step.beyond_px, &step.peak))
        };
        without_look_alikes(&self.starts.iter().zip(&steps).filter_map(patch).collect::<Vec<Patch>>())
    }

    fn patch(&self, start: [usize; 2], beyond: [i64; 2], peak: &Peak) -> Patch {
        let middle = |k: usize, px: usize| start[k] as f64 + 0.5 * (px as f64 - 1.0);
        Patch {
            middle_px: [middle(0, self.size.1), middle(1, self.size.0)],
            difference_px: [(self.whole[0] + beyond[0]) as f64 + peak.x, (self.whole[1] + beyond[1]) as f64 + peak.y],
            sd_px: peak.sd,
        }
    }

    /// Median over the patches of the ratio of their means.
    fn intensity_ratio(&self, looks: &[Look], offset_counts: f64) -> Option<f64> {
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
        let strip = |y: usize| {
            let rect = Rect { x: 0, y, width: 256, height: 62 };
            let values = (0..256 * 62).map(|at| 1000.0 + if (at % 256 * 7919 / 5) % 11 < 5 { 400.0 } else { 0.0 });
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

    #[test]
    fn a_bend_is_kept_and_a_look_alike_is_not() {
        let patches = |offs: &[f64]| -> Vec<Patch> {
            let patch = |y: &f64| Patch { middle_px: [0.0; 2], difference_px: [0.1, 213.0 + y], sd_px: [0.1; 2] };
            offs.iter().map(patch).collect()
        };
        let bend: Vec<f64> = (0..10).map(|i| 8.0 * (f64::from(i) * 0.7).sin()).collect();
        assert_eq!(without_look_alikes(&patches(&bend)).len(), 10);
        let odd = [0.1, -0.2, 8.0, 0.0, 0.2, -0.1, -7.0, 0.1];
        let left = without_look_alikes(&patches(&odd));
        assert!(left.len() == 6 && left.iter().all(|patch| (patch.difference_px[1] - 213.0).abs() < 1.0));
    }

    /// Noise that nothing has in common: a seam over it is not measured, whatever peak comes up.
    #[test]
    fn unrelated_strips_have_no_shift() {
        let mut state = 3u64;
        let mut noise = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((state >> 40) & 0xff) as f32
        };
        let pair = pair();
        let mut strip = |y: usize| {
            let rect = Rect { x: 0, y, width: 256, height: 62 };
            let values = (0..256 * 62).map(|_| 1000.0 + noise()).collect();
            Strip { rect, image: Image { rows: 62, cols: 256, values } }
        };
        for _ in 0..10 {
            let (from, to) = (strip(194), strip(0));
            assert!(find(&pair, &from, &to, 0.0).is_err());
        }
    }
}
