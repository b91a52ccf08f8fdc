//! Two pictures of one specimen, patch by patch: where each patch of the one is found in the other, and the plane map
//! that says it for all: scale in and across any direction, turn, shear and shift, with standard errors.
//!
//! The other picture is sampled through the map found so far, so that what is left of each patch's displacement is
//! small, and each frequency counts by how well the two agree in it; map and displacements are found in turns.

use crate::measure::tracking::link::sample;
use crate::measure::whole_map::{self, Refined};
use crate::numerics::affine::{self, Affine, Fit};
use crate::numerics::registration::fft2::good_size_within;
use crate::numerics::registration::image::Image;
use crate::numerics::registration::rings;
use crate::numerics::registration::spectral::{Band, Bench};

/// Side of a patch: this share of the picture's shorter side …
const PATCH_SHARE: f64 = 0.375;
/// … within these limits (pixels of the picture): few frequencies fit into a small patch, and a large one blurs what
/// differs over the picture.
const PATCH_PX: [usize; 2] = [32, 96];
/// Patches begin a third of their side apart.
const STEPS: usize = 3;
/// Tapers reach to the middle of a patch (Hann).
const TAPER: f64 = 0.5;
/// The pictures come weighed by frequency: all counts but what is coarser than this share of a patch's side.
const COARSEST_SHARE: f64 = 1.0;
/// Low-pass of a band that has none.
const ALL: f64 = 10.0;
/// A patch is found where its peak stands this many standard deviations of chance out. One in a few hundred is wrong then,
/// which the fit outvotes; of unrelated pictures fewer than ten do.
const BELIEVED: f64 = 4.0;
/// It is looked for within this share of its side.
const REACH_SHARE: f64 = 0.25;
/// A patch knows its place no better than this, whatever noise alone says: interpolation and the patch's own bending.
const LEAST_SD_PX: f64 = 0.03;
/// A patch of which more than this share is outside of the other picture is left out.
const MOST_OUTSIDE: f64 = 0.05;
/// How often displacements and map are found in turns.
const TURNS: usize = 3;
/// The fit to all pixels and that to the patches are two witnesses: where the patches lie they are no further apart than
/// this, or neither is believed.
const MOST_APART_PX: f64 = 1.5;
/// Fewer patches say nothing of a map of six numbers.
pub const LEAST_PATCHES: usize = 10;

/// One patch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Patch {
    /// Its middle, from the middle of the one picture, in its pixels.
    pub from: [f64; 2],
    /// Where that is found, from the middle of the other, in its pixels.
    pub to: [f64; 2],
    /// One standard deviation by noise alone.
    pub sd: f64,
}

/// The map of one picture onto another.
#[derive(Debug, Clone, PartialEq)]
pub struct Mapped {
    /// Patches that were found, in the last turn.
    pub patches: Vec<Patch>,
    /// How many there are.
    pub tried: usize,
    /// The map with its errors, out of all pixels; which patches were used and how far they lie off, out of the patches.
    pub fit: Fit,
}

/// Maps picture `a` onto picture `b` (same pixel size to a few per cent), starting at `start`, which must be right to a
/// few pixels over most of the picture. `None`: too few patches show the same texture, or they contradict the fit to all
/// pixels.
pub fn map(a: &Image, b: &Image, start: Affine) -> Option<Mapped> {
    let side = side_px(a.rows.min(a.cols))?;
    let band = Band { high_pass: 1.0 / (COARSEST_SHARE * side as f64), low_pass: ALL };
    let bench = Bench::new(side, side, &[band], TAPER);
    let middles = middles(a, side);
    let mut now = start;
    let mut mapped = None;
    for _ in 0..TURNS {
        let (weighed_a, weighed_b) = weighed(a, b, &now)?;
        let patches: Vec<Patch> =
            middles.iter().filter_map(|&corner| find(&bench, &weighed_a, &weighed_b, corner, &now)).collect();
        let fit = fit(&patches)?;
        now = fit.map;
        mapped = Some(Mapped { patches, tried: middles.len(), fit });
    }
    by_all_pixels(a, b, &mapped?)
}

/// Both pictures with each frequency counting by how well they agree in it; `None` where they agree nowhere.
fn weighed(a: &Image, b: &Image, map: &Affine) -> Option<(Image, Image)> {
    let other = Image { rows: a.rows, cols: a.cols, values: sample(b, (a.rows, a.cols), map.t, map.m) };
    let agreement = rings::agreement(a, &other);
    if agreement.iter().all(|&c| c <= 0.0) {
        return None;
    }
    let (of_a, of_b, scale) = (rings::power(a), rings::power(b), map.scale());
    let weighed_a = rings::filtered(a, |f| rings::best_gain(&of_a, &agreement, 1.0, f));
    Some((weighed_a, rings::filtered(b, |f| rings::best_gain(&of_b, &agreement, scale, f))))
}

/// Whether a picture is large enough for patches.
pub fn is_large_enough(image: &Image) -> bool {
    side_px(image.rows.min(image.cols)).is_some()
}

/// `None` where the picture is too small for a patch.
fn side_px(shorter: usize) -> Option<usize> {
    let wanted = ((PATCH_SHARE * shorter as f64) as usize).clamp(PATCH_PX[0], PATCH_PX[1]);
    (shorter >= 2 * PATCH_PX[0]).then(|| good_size_within(wanted))
}

/// Upper left corners of patches, in whole pixels.
fn middles(image: &Image, side: usize) -> Vec<[usize; 2]> {
    let starts = |size: usize| (0..).map(move |k| k * side / STEPS).take_while(move |start| start + side <= size);
    starts(image.rows).flat_map(|y| starts(image.cols).map(move |x| [x, y])).collect()
}

fn find(bench: &Bench, a: &Image, b: &Image, corner: [usize; 2], map: &Affine) -> Option<Patch> {
    let (side, _) = bench.size();
    let size = [a.cols as f64, a.rows as f64];
    let from = [0, 1].map(|k| corner[k] as f64 + 0.5 * (side as f64 - size[k]));
    let one: Vec<f32> = (0..side)
        .flat_map(|row| {
            let start = (corner[1] + row) * a.cols + corner[0];
            a.values[start..start + side].iter().copied()
        })
        .collect();
    let at = map.at(from);
    let other = sample(b, (side, side), at, map.m);
    let outside = |values: &[f32]| values.iter().filter(|v| !v.is_finite()).count() as f64;
    let most = MOST_OUTSIDE * (side * side) as f64;
    if outside(&one) > most || outside(&other) > most {
        return None;
    }
    let cross = bench.cross(&bench.spectrum(&one), &bench.spectrum(&other));
    let reach = ((REACH_SHARE * side as f64) as usize).max(2);
    let peak = bench.peak(&cross, [reach; 2])?;
    // other(x) = one(x + d): the patch's middle lies at -d.
    let moved = map.step([-peak.x, -peak.y]);
    (peak.inside && peak.significance >= BELIEVED).then(|| Patch {
        from,
        to: [at[0] + moved[0], at[1] + moved[1]],
        sd: peak.sd[0].hypot(peak.sd[1]) * std::f64::consts::FRAC_1_SQRT_2,
    })
}

fn fit(patches: &[Patch]) -> Option<Fit> {
    if patches.len() < LEAST_PATCHES {
        return None;
    }
    let from: Vec<[f64; 2]> = patches.iter().map(|patch| patch.from).collect();
    let to: Vec<[f64; 2]> = patches.iter().map(|patch| patch.to).collect();
    let weights: Vec<f64> = patches.iter().map(|patch| (patch.sd.powi(2) + LEAST_SD_PX.powi(2)).recip()).collect();
    let fit = affine::fit(&from, &to, &weights)?;
    (fit.used.iter().filter(|used| **used).count() >= LEAST_PATCHES).then_some(fit)
}

/// The fit to all pixels, which knows the map and its errors better than the patches do; `None` where the two disagree.
fn by_all_pixels(a: &Image, b: &Image, mapped: &Mapped) -> Option<Mapped> {
    let (weighed_a, weighed_b) = weighed(a, b, &mapped.fit.map)?;
    let Refined { map, m_errors, t_errors } = whole_map::refine(&weighed_a, &weighed_b, mapped.fit.map)?;
    // Asked where the patches lie: beyond them, outside of what the two share, both are only carried on.
    let agree = mapped.patches.iter().zip(&mapped.fit.used).filter(|(_, used)| **used).all(|(patch, _)| {
        let (one, other) = (map.at(patch.from), mapped.fit.map.at(patch.from));
        (one[0] - other[0]).hypot(one[1] - other[1]) <= MOST_APART_PX
    });
    agree.then(|| Mapped { fit: Fit { map, m_errors, t_errors, ..mapped.fit.clone() }, ..mapped.clone() })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Blobs that a map has moved.
    fn blobs(rows: usize, cols: usize, map: &Affine) -> Image {
        let mut values = vec![0.0f32; rows * cols];
        for i in 0..700u64 {
            let bits = i.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ (i << 31).wrapping_mul(0xc2b2_ae3d_27d4_eb4f);
            let unit = |shift: u64| ((bits >> shift) & 0xffff) as f64 / 65_536.0 - 0.5;
            let place = map.at([1.3 * cols as f64 * unit(5), 1.3 * rows as f64 * unit(27)]);
            let (cx, cy) = (place[0] + 0.5 * (cols as f64 - 1.0), place[1] + 0.5 * (rows as f64 - 1.0));
            let sigma = 1.6 + unit(44).abs() * 4.0;
            for (at, value) in values.iter_mut().enumerate() {
                let (dx, dy) = ((at % cols) as f64 - cx, (at / cols) as f64 - cy);
                let r2 = dx * dx + dy * dy;
                if r2 < 16.0 * sigma * sigma {
                    *value += (-0.5 * r2 / (sigma * sigma)).exp() as f32;
                }
            }
        }
        Image { rows, cols, values }
    }

    #[test]
    fn scale_in_two_directions_turn_and_shift_are_found() {
        let rest = Affine { m: [[1.0, 0.0], [0.0, 1.0]], t: [0.0; 2] };
        let truth = Affine { m: [[0.982, 0.006], [-0.003, 0.995]], t: [3.4, -2.2] };
        let (a, b) = (blobs(192, 240, &rest), blobs(192, 240, &truth));
        let found = map(&a, &b, Affine { t: [3.0, -2.0], ..rest }).unwrap();
        for k in 0..2 {
            for l in 0..2 {
                let off = found.fit.map.m[k][l] - truth.m[k][l];
                assert!(off.abs() < 5e-4, "{k} {l}: {off} ± {}", found.fit.m_errors[k][l]);
            }
            assert!((found.fit.map.t[k] - truth.t[k]).abs() < 0.05);
        }
        assert!(found.patches.len() >= 30, "{} of {}", found.patches.len(), found.tried);
    }

    #[test]
    fn unrelated_pictures_have_no_map() {
        let rest = Affine { m: [[1.0, 0.0], [0.0, 1.0]], t: [0.0; 2] };
        let far = Affine { t: [431.0, 377.0], ..Affine::turned(1.9, 1.0, [0.0; 2]) };
        assert_eq!(map(&blobs(160, 160, &rest), &blobs(160, 160, &far), rest), None);
    }
}
