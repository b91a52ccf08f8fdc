//! One seam: its shift, and the shifts of patches along it.
//!
//! A correlation of binned strips finds the place (see [`crate::measure::seams::coarse`]); then the area that both tiles
//! hold is cut into patches (see [`crate::measure::seams::held`]), at half the size where that does.

use crate::measure::seams::coarse::coarse;
use crate::measure::seams::common::Common;
use crate::measure::seams::halved;
use crate::measure::seams::held::{Held, WORST_SEAM_SD_PX};
use crate::measure::seams::patch::{Patch, is_bent};
use crate::measure::seams::plan::Pair;
use crate::measure::seams::steep::steep;
use crate::measure::seams::strip::Strip;
use crate::measured::Measured;

/// Weighing frequencies makes a shift known better than some patches say before it, by no more than this.
const WEIGHING_BRINGS: f64 = 2.0;

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
    let half =
        if pair.overlap_px >= halved::WIDE_PX { at_half_size(pair, [from, to], offset_counts) } else { Half::Nothing };
    match half {
        Half::Told(found) => Ok(found),
        Half::Near(near) => match held(pair, [from, to], near) {
            Ok(held) => told(pair, [from, to], Ok(held), offset_counts),
            Err(_) => from_coarse(pair, [from, to], offset_counts),
        },
        Half::Nothing => from_coarse(pair, [from, to], offset_counts),
    }
}

/// What half the size says of a seam.
enum Half {
    /// All there is to say.
    Told(Found),
    /// About where it lies, in whole pixels: where electrons are few, the frequencies that half the size leaves out are
    /// missed.
    Near([i64; 2]),
    Nothing,
}

fn at_half_size(pair: &Pair, [from, to]: [&Strip; 2], offset_counts: f64) -> Half {
    let half = halved::pair(pair);
    let [from, to] = [from, to].map(halved::strip);
    let settled =
        coarse(&half, &from, &to).and_then(|place| Held::settle(&half, &from, &to, place.map(|px| px.round() as i64)));
    let Ok(mut held) = settled else { return Half::Nothing };
    let near = |held: &Held<'_>| {
        let is_known = halved::whole_px(held.sd_px()).iter().all(|&sd| sd < WORST_SEAM_SD_PX);
        let near = halved::whole_px(held.difference_px()).map(|px| px.round() as i64);
        if is_known { Half::Near(near) } else { Half::Nothing }
    };
    let knows = |held: &Held<'_>, most: f64| halved::whole_px(held.sd_px()).iter().all(|&sd| sd < most);
    if !knows(&held, WEIGHING_BRINGS * halved::KNOWN_PX) {
        return near(&held);
    }
    if held.complete().is_err() {
        return Half::Nothing;
    }
    if !knows(&held, halved::KNOWN_PX) {
        return near(&held);
    }
    let found = held.found(offset_counts).map(|found| held.completed(found));
    found.ok().filter(is_told).map_or_else(|| near(&held), |found| Half::Told(halved::whole(found)))
}

fn held<'a>(pair: &Pair, [from, to]: [&'a Strip; 2], near: [i64; 2]) -> Measured<Held<'a>> {
    let mut held = Held::settle(pair, from, to, near)?;
    held.complete()?;
    Ok(held)
}

fn from_coarse(pair: &Pair, strips: [&Strip; 2], offset_counts: f64) -> Measured<Found> {
    let place = coarse(pair, strips[0], strips[1]);
    let held = place.and_then(|place| held(pair, strips, place.map(|px| px.round() as i64)));
    told(pair, strips, held, offset_counts)
}

/// What a seam says at full size, its tiles being held together where that can be.
fn told(pair: &Pair, [from, to]: [&Strip; 2], held: Measured<Held<'_>>, offset_counts: f64) -> Measured<Found> {
    let (mut held, found) = match held {
        Ok(mut held) => {
            let found = held.found(offset_counts);
            (Some(held), found)
        }
        Err(why) => (None, Err(why)),
    };
    let is_straight = held.as_ref().is_some_and(|held| held.is_straight);
    if !is_straight && !found.as_ref().is_ok_and(is_told) {
        let near = found.as_ref().map_or(pair.nominal_px, |found| found.difference_px);
        let common = Common::new(pair, from, to, near.map(|px| px.round() as i64));
        let line = common.and_then(|common| steep(&common, offset_counts));
        let says_more = |line: &Found| found.as_ref().map_or(0, |found| found.patches.len()) < line.patches.len();
        if let Some(line) = line.ok().filter(says_more) {
            return Ok(line);
        }
    }
    found.map(|found| match &mut held {
        // Where they do not bend, this was tried.
        Some(held) if is_bent(&found.patches) => held.completed(found),
        _ => found,
    })
}

/// Whether a seam is no steep bend: of one most patches are missing, or those that are make what is left look too small.
fn is_told(found: &Found) -> bool {
    let patches = found.patches.len();
    patches == found.looked || (2 * patches >= found.looked && !is_bent(&found.patches))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::seams::plan::Rect;
    use crate::numerics::registration::image::Image;

    /// Noise that nothing has in common: a seam over it is not measured, whatever peak comes up.
    #[test]
    fn unrelated_strips_have_no_shift() {
        let mut state = 3u64;
        let mut noise = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((state >> 40) & 0xff) as f32
        };
        let pair = Pair::new(0, 1, true, [0.0, 216.0], (256, 256));
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
