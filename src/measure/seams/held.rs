//! Two tiles held together at a whole difference of places: what is left of the shift, of all patches together and of each
//! by itself.
//!
//! The sum of the patches' cross-spectra gives the seam's shift, each by itself the shift of its patch. Patches without
//! texture are dropped by the significance of their peaks.

use crate::measure::seams::bend;
use crate::measure::seams::common::{Common, Look, weigh_by};
use crate::measure::seams::find::Found;
use crate::measure::seams::joint::{self, Seen};
use crate::measure::seams::patch::{Patch, bent_mean, is_bent, is_smooth, weighted_mean, without_look_alikes};
use crate::measure::seams::plan::Pair;
use crate::measure::seams::strip::Strip;
use crate::measured::{Measured, NotMeasured};
use crate::numerics::registration::spectral::{Bench, Cross, Peak};
use rustfft::num_complex::Complex32;
use std::borrow::Cow;

/// Every so many-th patch is looked at while the place is not settled.
const SOME: usize = 3;
const SETTLING: usize = 2;
/// Patches cut so far from where they lie lose next to nothing, and some of them know their place no better.
const BESIDE_PX: f64 = 0.75;
/// A patch is believed from so many standard deviations of chance on: over the some hundred displacements within its
/// reach, one of 4.5 comes up by chance less than once in a hundred patches. Where half of a seam's patches are believed
/// so, the rest of them are from fewer on: a bend seen by some of its patches alone is told too small.
const BELIEVED: f64 = 5.0;
const BELIEVED_AMONG_OTHERS: f64 = 4.0;
/// The sum of all patches confirms a place that was significant among all of the search window: it has one chance.
const CONFIRMED: f64 = 4.0;
/// A patch that knows its shift no better than this is dropped; on a strong bend, which changes within it, than the second.
const WORST_PATCH_SD_PX: [f64; 2] = [0.5, 1.0];
/// A seam that knows its shift no better than this, in either direction, says nothing of it: its texture runs one way.
pub const WORST_SEAM_SD_PX: f64 = 1.0;
/// Weighing frequencies anew moves a seam's shift by less than this, or it is another peak.
const NEAR_PX: f64 = 1.0;

/// Two tiles held together.
pub struct Held<'a> {
    /// The area that both hold.
    pub common: Common<'a>,
    bench: Bench,
    looks: Vec<Look>,
    /// Shift beyond the whole difference of places, of the patches looked at.
    pub rest: Peak,
    /// Its patches stand out together, and run straight.
    pub is_straight: bool,
}

impl<'a> Held<'a> {
    /// Held near a whole difference of places, where some of the patches say that all of them are best cut; all are looked
    /// at where those say too little, or do not agree.
    ///
    /// # Errors
    /// Where the tiles share too little there, or nothing that they have in common.
    pub fn settle(pair: &Pair, from: &'a Strip, to: &'a Strip, near: [i64; 2]) -> Measured<Self> {
        let mut whole = near;
        for _ in 0..SETTLING {
            let Ok(held) = Self::at(pair, from, to, whole, SOME)? else { break };
            if [held.rest.x, held.rest.y].iter().all(|px| px.abs() < BESIDE_PX) {
                return Ok(held);
            }
            let beyond = held.beyond();
            whole = [whole[0] + beyond[0], whole[1] + beyond[1]];
        }
        let all = Self::at(pair, from, to, whole, 1)??;
        match all.beyond() {
            [0, 0] => Ok(all),
            [x, y] => Self::at(pair, from, to, [whole[0] + x, whole[1] + y], 1)?,
        }
    }

    /// With every so many-th patch; within, why those do not tell a shift.
    fn at(pair: &Pair, from: &'a Strip, to: &'a Strip, whole: [i64; 2], every: usize) -> Measured<Measured<Self>> {
        let common = Common::new(pair, from, to, whole)?;
        let bench = common.bench();
        let looks = common.looks(&bench, |at| at % every == 0);
        Ok(sum(&common, &bench, &looks).map(|rest| Self { common, bench, looks, rest, is_straight: false }))
    }

    fn beyond(&self) -> [i64; 2] {
        [self.rest.x, self.rest.y].map(|px| px.round() as i64)
    }

    /// The difference of places, in pixels.
    pub fn difference_px(&self) -> [f64; 2] {
        let [x, y] = self.common.whole.map(|px| px as f64);
        [x + self.rest.x, y + self.rest.y]
    }

    /// About what all patches together will know of the shift, one standard deviation in pixels.
    pub fn sd_px(&self) -> [f64; 2] {
        let share = self.looks.len() as f64 / self.common.starts.len().max(1) as f64;
        self.rest.sd.map(|sd| sd * share.sqrt())
    }

    /// Looks at the patches that were not looked at, and weighs each frequency by what it knows, now that the place is known
    /// to a part of a pixel.
    ///
    /// # Errors
    /// Where all of them have nothing in common, though some had.
    pub fn complete(&mut self) -> Measured<()> {
        let seen: Vec<[usize; 2]> = self.looks.iter().map(|look| look.start).collect();
        if seen.len() < self.common.starts.len() {
            self.looks.extend(self.common.looks(&self.bench, |at| !seen.contains(&self.common.starts[at])));
            self.looks.sort_by_key(|look| look.start);
            self.rest = sum(&self.common, &self.bench, &self.looks)?;
        }
        let by_band = self.rest;
        let shifts = vec![[by_band.x, by_band.y]; self.looks.len()];
        weigh_by(&self.bench, &mut self.looks, &shifts);
        let near = |peak: &Peak| (peak.x - by_band.x).hypot(peak.y - by_band.y) < NEAR_PX;
        let weighed = sum(&self.common, &self.bench, &self.looks).ok().filter(near);
        self.rest = weighed.map_or(by_band, |peak| Peak { correlation: by_band.correlation, ..peak });
        Ok(())
    }

    /// What the seam says, all patches being looked at; `offset_counts` are counts without electrons.
    ///
    /// # Errors
    /// Where its texture runs along one direction.
    pub fn found(&mut self, offset_counts: f64) -> Measured<Found> {
        let patches = self.patches();
        let known = self.rest.sd.iter().all(|&sd| sd < WORST_SEAM_SD_PX);
        let (difference_px, sd_px) = if known {
            (self.difference_px(), self.rest.sd)
        } else {
            weighted_mean(&patches).ok_or_else(|| {
                NotMeasured::because("its texture runs along one direction, along which no shift shows")
            })?
        };
        let looked = self.looks.len();
        Ok(Found {
            difference_px: bent_mean(&patches, looked).unwrap_or(difference_px),
            sd_px,
            correlation: self.rest.correlation,
            intensity_ratio: intensity_ratio(&self.looks, offset_counts),
            patches,
            looked,
        })
    }

    /// The same with the patches that it lacks, where those that do not stand out by themselves do so together.
    pub fn completed(&mut self, found: Found) -> Found {
        if found.patches.len() == found.looked {
            return found;
        }
        let patches = self.together(&self.seen());
        if patches.len() <= found.patches.len() {
            return found;
        }
        Found { difference_px: bent_mean(&patches, found.looked).unwrap_or(found.difference_px), patches, ..found }
    }

    /// The patches that know their shifts.
    fn patches(&mut self) -> Vec<Patch> {
        let looked = self.looks.len();
        let seen = self.seen();
        let mut patches = self.believed(&seen);
        // Those that do not stand out may do so together. A bend is first followed.
        if patches.len() < looked && !is_bent(&patches) {
            let all = self.together(&seen);
            patches = if all.len() > patches.len() { all } else { patches };
        }
        if self.is_straight {
            return patches;
        }
        // A bend of which some patches are missing is told too small, or too large.
        let is_bent = bent_mean(&patches, looked).is_some();
        if 2 * patches.len() < looked || (is_bent && patches.len() < looked) {
            let followed = self.followed();
            if followed.len() > patches.len() && is_smooth(&followed) && bent_mean(&followed, looked).is_some() {
                patches = followed;
            }
        }
        patches
    }

    /// All patches, by what they say together.
    fn together(&mut self, seen: &[Seen]) -> Vec<Patch> {
        let told = joint::together(&self.common, &self.bench, &mut self.looks, seen);
        self.is_straight = told.is_straight;
        told.patches
    }

    fn seen(&self) -> Vec<Seen> {
        let (near, widest) = (self.common.near(), self.common.widest());
        let seen = |look: &Look| {
            let window = self.bench.window(&look.cross, widest);
            let peak = window.as_ref().and_then(|window| self.bench.peak_within(&look.cross, window, near));
            Seen { window, peak: peak.filter(|peak| peak.inside) }
        };
        self.looks.iter().map(seen).collect()
    }

    /// The patches with a significant peak within reach.
    fn believed(&self, seen: &[Seen]) -> Vec<Patch> {
        let sure = seen.iter().filter_map(|seen| seen.peak).filter(|peak| peak.significance >= BELIEVED).count();
        let believed = if 2 * sure >= self.looks.len() { BELIEVED_AMONG_OTHERS } else { BELIEVED };
        let patch = |(look, seen): (&Look, &Seen)| {
            let peak = seen.peak?;
            let sound = peak.significance >= believed && peak.sd.iter().all(|&sd| sd < WORST_PATCH_SD_PX[0]);
            sound.then(|| self.common.patch(look.start, [peak.x, peak.y], peak.sd))
        };
        without_look_alikes(&self.looks.iter().zip(seen).filter_map(patch).collect::<Vec<Patch>>())
    }

    /// The patches of a strong bend that know their shifts.
    fn followed(&self) -> Vec<Patch> {
        let steps = self.follow();
        let patch = |(start, step): (&[usize; 2], &Option<bend::Step>)| {
            let step = (*step)?;
            let sound = step.peak.sd.iter().all(|&sd| sd < WORST_PATCH_SD_PX[1]);
            sound.then(|| self.common.patch(*start, step.px(), step.peak.sd))
        };
        without_look_alikes(&self.common.starts.iter().zip(&steps).filter_map(patch).collect::<Vec<Patch>>())
    }

    /// Its patches, followed along a strong bend.
    fn follow(&self) -> Vec<Option<bend::Step>> {
        let (common, bench) = (&self.common, &self.bench);
        let spectrum = |strip: &Strip, patch: usize, moved: [i64; 2]| {
            Some(bench.spectrum(&common.sloped(strip, common.starts[patch], moved, [0.0; 2])?))
        };
        // Of patches that both strips hold the spectra are there.
        let seen = |patch: usize| self.looks.iter().find(|look| look.start == common.starts[patch]);
        let fixed = |patch: usize| -> Option<Cow<'_, [Complex32]>> {
            let there = seen(patch).map(|look| Cow::Borrowed(&look.spectra[0][..]));
            there.or_else(|| spectrum(common.from, patch, [0, 0]).map(Cow::Owned))
        };
        let fixed: Vec<_> = (0..common.starts.len()).map(fixed).collect();
        let look = |patch: usize, beyond: [i64; 2], reach: [usize; 2]| {
            let fixed = fixed[patch].as_ref()?;
            let cross = match seen(patch).filter(|_| beyond == [0, 0]) {
                Some(look) => bench.cross(fixed, &look.spectra[1]),
                None => {
                    let moved = [common.whole[0] + beyond[0], common.whole[1] + beyond[1]];
                    bench.cross(fixed, &spectrum(common.to, patch, moved)?)
                }
            };
            bench.peak(&cross, reach)
        };
        bend::follow(common.starts.len(), common.widest(), look)
    }
}

/// The shift of all patches together, against the whole difference of places.
fn sum(common: &Common<'_>, bench: &Bench, looks: &[Look]) -> Measured<Peak> {
    let mut sum = Cross::default();
    looks.iter().for_each(|look| sum.add(&look.cross));
    if looks.is_empty() {
        return Err(NotMeasured::because("its overlap is dark, saturated or unreadable"));
    }
    let peak = bench.peak(&sum, common.near()).filter(|peak| peak.inside && peak.significance >= CONFIRMED);
    peak.ok_or_else(|| NotMeasured::because("its overlap shows no common texture"))
}

/// Median over the patches of the ratio of their means.
pub fn intensity_ratio(looks: &[Look], offset_counts: f64) -> Option<f64> {
    let ratio = |look: &Look| {
        let [a, b] = look.means.map(|mean| f64::from(mean) - offset_counts);
        (a > 0.0 && b > 0.0).then(|| b / a)
    };
    let mut ratios: Vec<f64> = looks.iter().filter_map(ratio).collect();
    ratios.sort_by(f64::total_cmp);
    ratios.get(ratios.len() / 2).copied()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::seams::plan::Rect;
    use crate::numerics::registration::image::Image;

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
        let pair = Pair::new(0, 1, true, [0.0, 216.0], (256, 256));
        let found = |sd: [f64; 2]| {
            let common = Common::new(&pair, &from, &to, [0, 216]).unwrap();
            let bench = common.bench();
            let looks = common.looks(&bench, |_| true);
            let rest =
                Peak { x: 0.0, y: 0.0, correlation: 0.96, significance: 9.0, sd, information: [1.0; 3], inside: true };
            Held { common, bench, looks, rest, is_straight: false }.found(0.0)
        };
        assert!(found([0.01, 0.02]).is_ok());
        for sd in [[0.01, 1e9], [0.01, f64::NAN], [1.5, 0.01]] {
            assert!(found(sd).unwrap_err().0.contains("its texture runs along one direction"), "{sd:?}");
        }
    }
}
