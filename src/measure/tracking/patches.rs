//! Patches of the field, followed from tilt to tilt.
//!
//! What lies at different heights moves apart as the stage tilts, across the axis and not along it. So each tilt is cut
//! into patches, each registered by itself with the same piece of the specimen at the next tilts. All is told in
//! coordinates of the specimen: pixels of the kept picture from the middle feature, those across the axis divided by
//! the cosine. There a patch at height z moves by the difference of the tilts' places plus z (tan b - tan a) across.

use crate::measure::tracking::chain::{Chain, Seen};
use crate::measure::tracking::link::{View, apply, sample, stretch};
use crate::numerics::registration::fft2::good_size_within;
use crate::numerics::registration::spectral::{Band, Bench};
use rayon::prelude::*;
use rustfft::num_complex::Complex32;

/// Sides of a patch, in pixels of the specimen: large enough for several features, small enough for one height.
const SIDE_PX: [usize; 2] = [24, 64];
/// Patches lie at least this share of their side apart, and further where there would be more than so many.
const APART: f64 = 0.7;
const MOST_AT_ZERO: f64 = 30.0;
/// A patch's features may move apart from the middle ones by this share of its side.
const REACH: f64 = 0.34;
/// The middle of a patch lies inside the picture by this share of its side.
const INSIDE: f64 = 0.35;
/// A patch is told from so many standard deviations of chance on, its waves counted as if they were independent. They are
/// not: its taper makes chance 1.4 times as large, so that of patches that show nothing two in five come so high. Those
/// that do show something are as many, and [`crate::measure::tracking::agree`] tells them apart.
const TOLD: f64 = 4.0;
const TAPER: f64 = 0.3;
const BAND: Band = Band { high_pass: 0.03, low_pass: 0.13 };
/// Tilts further apart than this are tied only where nothing lies between.
const FURTHEST_DEG: f64 = 10.0;
/// No patch knows its place better than this, in pixels of the specimen: it is no plane.
const LEAST_SD_PX: f64 = 0.15;

/// Where a patch of one tilt is found at another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bit {
    /// Indices of the two tilts, the lower angle first.
    pub tilts: (usize, usize),
    /// Which patch.
    pub patch: usize,
    /// Its middle in the specimen.
    pub at: [f64; 2],
    /// Place in the specimen at the second tilt less that at the first.
    pub moved: [f64; 2],
    /// Inverse covariance of `moved` (xx, xy, yy), for noise alone.
    pub information: [f64; 3],
}

/// The patches of a series.
#[derive(Debug, Clone, PartialEq)]
pub struct Bits {
    /// Every patch at every pair of tilts where it was found.
    pub all: Vec<Bit>,
    /// Place of each tilt in the specimen from which patches were cut; `None` where the chain has none.
    pub cut_at: Vec<Option<[f64; 2]>>,
    /// How far away from there patches were sought along each axis, in pixels of the specimen.
    pub reach_px: f64,
}

const FLAT_DEG: f64 = 0.0;

/// Places in the specimen of places in the picture at a tilt: the stretch from the one to the other.
pub fn to_specimen(across: Option<[f64; 2]>, tilt_deg: f64) -> [[f64; 2]; 2] {
    stretch(View { across, tilt_deg }, View { across, tilt_deg: FLAT_DEG })
}

/// The other way.
pub fn to_picture(across: Option<[f64; 2]>, tilt_deg: f64) -> [[f64; 2]; 2] {
    stretch(View { across, tilt_deg: FLAT_DEG }, View { across, tilt_deg })
}

/// Cuts and registers patches, each tilt where the chain has it. `None` where the pictures are too small.
pub fn follow(tilts: &[Seen<'_>], across: Option<[f64; 2]>, chain: &Chain) -> Option<Bits> {
    let first = tilts.iter().find_map(|tilt| tilt.picture)?;
    let least = first.rows.min(first.cols);
    let side = good_size_within((least / 3).min(SIDE_PX[1]));
    if side < SIDE_PX[0] {
        return None;
    }
    let steepest = tilts.iter().map(|tilt| tilt.tilt_deg.to_radians().cos()).fold(1.0, f64::min).max(0.2);
    let middles = middles((first.rows, first.cols), side, if across.is_some() { steepest } else { 1.0 });
    let bench = Bench::new(side, side, &[BAND], TAPER);
    let cut_at: Vec<Option<[f64; 2]>> = (0..tilts.len())
        .map(|at| chain.places[at].map(|place| apply(to_specimen(across, tilts[at].tilt_deg), place.px)))
        .collect();
    let seen = (0..tilts.len()).filter(|&at| tilts[at].picture.is_some() && cut_at[at].is_some());
    let reach = (REACH * side as f64) as usize;
    let mut all = Vec::new();
    // Spectra are kept of the last two tilts alone: those of all would fill the memory.
    let mut before: Vec<(usize, Vec<Spectrum>)> = Vec::new();
    for at in seen {
        let Some(spectra) = chain.places[at].and_then(|place| cut(&bench, &middles, &tilts[at], across, place.px))
        else {
            continue;
        };
        for (nth, (other, others)) in before.iter().rev().enumerate() {
            let (Some(from), Some(to)) = (cut_at[*other], cut_at[at]) else { continue };
            if nth > 0 && tilts[at].tilt_deg - tilts[*other].tilt_deg > FURTHEST_DEG {
                continue;
            }
            let one = |patch: usize| {
                let (a, b) = (others[patch].as_ref()?, spectra[patch].as_ref()?);
                let peak = bench.peak(&bench.cross(a, b), [reach; 2])?;
                // b(x) = a(x + d): what lies at d in the one lies at no displacement in the other.
                let moved = [to[0] - from[0] - peak.x, to[1] - from[1] - peak.y];
                let bit = Bit {
                    tilts: (*other, at),
                    patch,
                    at: middles[patch],
                    moved,
                    information: bounded(peak.information),
                };
                (peak.inside && peak.significance >= TOLD).then_some(bit)
            };
            all.par_extend((0..middles.len()).into_par_iter().filter_map(one));
        }
        before.push((at, spectra));
        if before.len() > 2 {
            before.remove(0);
        }
    }
    Some(Bits { all, cut_at, reach_px: reach as f64 })
}

/// Of a patch; `None` where it lies outside the picture.
type Spectrum = Option<Vec<Complex32>>;

/// Middles of the patches, from the middle feature: a raster over all that any tilt can show.
fn middles((rows, cols): (usize, usize), side: usize, steepest: f64) -> Vec<[f64; 2]> {
    let spacing = (APART * side as f64).max(((rows * cols) as f64 / MOST_AT_ZERO).sqrt());
    let count = |n: usize| (0.5 * n as f64 / steepest / spacing).floor() as i64;
    let (nx, ny) = (count(cols), count(rows));
    (-ny..=ny).flat_map(|y| (-nx..=nx).map(move |x| [x as f64 * spacing, y as f64 * spacing])).collect()
}

/// The spectra of a tilt's patches; `None` for those that lie outside its picture.
fn cut(
    bench: &Bench,
    middles: &[[f64; 2]],
    tilt: &Seen<'_>,
    across: Option<[f64; 2]>,
    place: [f64; 2],
) -> Option<Vec<Spectrum>> {
    let image = tilt.picture?.image();
    let m = to_picture(across, tilt.tilt_deg);
    let size = bench.size();
    let half = [image.cols, image.rows].map(|n| 0.5 * n as f64);
    let margin = [0, 1].map(|k| INSIDE * size.0 as f64 * m[k][k]);
    let one = |middle: &[f64; 2]| {
        let [x, y] = apply(m, *middle);
        let at = [place[0] + x, place[1] + y];
        let inside = (0..2).all(|k| at[k].abs() + margin[k] <= half[k]);
        inside.then(|| bench.spectrum(&sample(&image, size, at, m)))
    };
    Some(middles.par_iter().map(one).collect())
}

/// No more than a patch can know.
fn bounded([xx, xy, yy]: [f64; 3]) -> [f64; 3] {
    // (C + σ² I)⁻¹ with C the inverse of the information.
    let det = xx * yy - xy * xy;
    if !(det.is_finite() && det > 0.0) {
        return [0.0; 3];
    }
    let least = LEAST_SD_PX * LEAST_SD_PX;
    let [cxx, cxy, cyy] = [yy / det + least, -xy / det, xx / det + least];
    let det = cxx * cyy - cxy * cxy;
    [cyy / det, -cxy / det, cxx / det]
}
