//! One seam: its shift, and the shifts of patches along it.
//!
//! A correlation of binned strips finds the place (see [`crate::measure::seams::coarse`]); then the area that both tiles
//! hold is cut into patches at full size (see [`crate::measure::seams::common`]).

use crate::measure::seams::coarse::coarse;
use crate::measure::seams::common::Common;
use crate::measure::seams::halved;
use crate::measure::seams::joint::joint;
use crate::measure::seams::patch::{Patch, is_bent};
use crate::measure::seams::plan::Pair;
use crate::measure::seams::steep::steep;
use crate::measure::seams::strip::Strip;
use crate::measured::Measured;

/// Every so many-th patch is looked at while the place is not settled.
const SOME: usize = 3;
const SETTLING: usize = 2;

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
        let pair = halved::pair(pair);
        let [from, to] = [from, to].map(halved::strip);
        let found = find_at(&pair, &from, &to, offset_counts).map(|found| completed(&pair, [&from, &to], found));
        let found = found.map(halved::whole);
        // Where electrons are few, the frequencies that half the size leaves out are missed.
        if found.as_ref().is_ok_and(|found| is_told(found) && found.sd_px.iter().all(|&sd| sd < halved::KNOWN_PX)) {
            return found;
        }
    }
    let found = find_at(pair, from, to, offset_counts);
    if !found.as_ref().is_ok_and(is_told) {
        let near = found.as_ref().map_or(pair.nominal_px, |found| found.difference_px);
        let common = Common::new(pair, from, to, near.map(|px| px.round() as i64));
        let line = common.and_then(|common| steep(&common, offset_counts));
        let says_more = |line: &Found| found.as_ref().map_or(0, |found| found.patches.len()) < line.patches.len();
        if let Some(line) = line.ok().filter(says_more) {
            return Ok(line);
        }
    }
    found.map(|found| completed(pair, [from, to], found))
}

/// A seam with the patches that it lacks, where those that do not stand out by themselves do so together.
fn completed(pair: &Pair, [from, to]: [&Strip; 2], found: Found) -> Found {
    if found.patches.len() == found.looked {
        return found;
    }
    let whole = found.difference_px.map(|px| px.round() as i64);
    match Common::new(pair, from, to, whole) {
        Ok(common) => joint(&common, found),
        Err(_) => found,
    }
}

/// Whether a seam is no steep bend: of one most patches are missing, or those that are make what is left look too small.
fn is_told(found: &Found) -> bool {
    let patches = found.patches.len();
    patches == found.looked || (2 * patches >= found.looked && !is_bent(&found.patches))
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
