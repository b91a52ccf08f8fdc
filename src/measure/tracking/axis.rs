//! The direction of the tilt axis out of the pictures: between two tilts the picture shrinks across the axis by the
//! ratio of the cosines, and along it not at all.
//!
//! Patches of neighbouring tilts are registered without any stretch; their shifts grow with the distance from the
//! middle by a matrix A - I, which is (ratio - 1) p pᵀ with p across the axis. All pairs together give p p ᵀ, each
//! weighted by how much it shrinks.

use crate::measure::tracking::chain::Seen;
use crate::measure::tracking::link::{BANDS, Linker, View, sample};
use crate::numerics::registration::fft2::good_size_within;
use crate::numerics::registration::masked::Image;
use crate::numerics::registration::spectral::{Band, Bench};
use crate::numerics::regression;
use rayon::prelude::*;

/// So many pairs of tilts, those that shrink most, are looked at.
const MOST_PAIRS: usize = 24;
const FEWEST_PAIRS: usize = 4;
/// Pairs further apart have too little in common, heights moving apart.
const FURTHEST_DEG: f64 = 7.0;
/// A pair that shrinks by less says nothing.
const LEAST_SHRINK: f64 = 0.01;
/// Patches are about this large where the picture allows for three along a side.
const PATCH_PX: usize = 72;
const PATCHES: [usize; 2] = [3, 6];
const BELIEVED: f64 = 4.0;
/// A patch may move this much beyond what the shrinking takes it.
const SPARE_PX: f64 = 4.0;
const ROUNDS: usize = 8;
const BAND: Band = Band { high_pass: 0.03, low_pass: 0.15 };
const TAPER: f64 = 0.3;

/// A direction found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// Direction of the axis, 0 up to 180: along (sin a, cos a).
    pub axis_deg: f64,
    /// One standard error, by leaving out one pair at a time.
    pub error_deg: f64,
    /// How much of the shrinking expected was seen (1: all).
    pub strength: f64,
}

/// Finds the direction; `None` where too few pairs tell.
pub fn find(tilts: &[Seen<'_>]) -> Option<Found> {
    let pairs = pairs(tilts);
    let told: Vec<([f64; 3], f64)> =
        pairs.into_par_iter().filter_map(|(inner, outer)| tell(tilts, inner, outer)).collect();
    if told.len() < FEWEST_PAIRS {
        return None;
    }
    let (axis_deg, strength) = direction(&told, None)?;
    let n = told.len() as f64;
    let spread: f64 = (0..told.len())
        .filter_map(|out| direction(&told, Some(out)))
        .map(|(deg, _)| apart_deg(deg, axis_deg).powi(2))
        .sum();
    Some(Found { axis_deg, error_deg: ((n - 1.0) / n * spread).sqrt(), strength })
}

/// Angle between two axes, -90 to 90.
pub fn apart_deg(a: f64, b: f64) -> f64 {
    (a - b + 90.0).rem_euclid(180.0) - 90.0
}

fn shrink(tilts: &[Seen<'_>], inner: usize, outer: usize) -> f64 {
    tilts[outer].tilt_deg.to_radians().cos() / tilts[inner].tilt_deg.to_radians().cos().max(1e-3) - 1.0
}

/// Neighbours with pictures, the one nearer zero first, those that shrink most.
fn pairs(tilts: &[Seen<'_>]) -> Vec<(usize, usize)> {
    let seen: Vec<usize> = (0..tilts.len()).filter(|&at| tilts[at].picture.is_some()).collect();
    let ordered = |a: usize, b: usize| if tilts[a].tilt_deg.abs() <= tilts[b].tilt_deg.abs() { (a, b) } else { (b, a) };
    let near = |pair: &(usize, usize)| (tilts[pair.0].tilt_deg - tilts[pair.1].tilt_deg).abs() <= FURTHEST_DEG;
    let next = seen.windows(2).map(|p| ordered(p[0], p[1]));
    // Those next but one shrink twice as much, and are told as well up to a few degrees.
    let over = seen.windows(3).map(|p| ordered(p[0], p[2]));
    let mut pairs: Vec<(usize, usize)> = next.chain(over).filter(near).collect();
    pairs.retain(|&(a, b)| -shrink(tilts, a, b) >= LEAST_SHRINK);
    pairs.sort_by(|a, b| shrink(tilts, a.0, a.1).total_cmp(&shrink(tilts, b.0, b.1)));
    pairs.truncate(MOST_PAIRS);
    pairs
}

/// What a pair says: the symmetric part (xx, xy, yy) of A - I, and the shrinking expected.
fn tell(tilts: &[Seen<'_>], inner: usize, outer: usize) -> Option<([f64; 3], f64)> {
    let (a, b) = (tilts[inner].picture?.image(), tilts[outer].picture?.image());
    let linker = Linker::new(a.rows, a.cols);
    let view = |at: usize| View { across: None, tilt_deg: tilts[at].tilt_deg };
    let reference = linker.reference(&a);
    let moved = (0..BANDS.len()).find_map(|band| linker.link(&reference, &b, (view(inner), view(outer)), band))?;
    let shrink = shrink(tilts, inner, outer);
    Some((strain(&a, &b, moved.place, shrink)?, shrink))
}

/// Shifts of patches against their distance from the middle, fitted by a matrix.
fn strain(a: &Image, b: &Image, place: [f64; 2], shrink: f64) -> Option<[f64; 3]> {
    let count = |px: usize| (px / PATCH_PX).clamp(PATCHES[0], PATCHES[1]);
    let (ny, nx) = (count(a.rows), count(a.cols));
    let size = (good_size_within(a.rows / ny), good_size_within(a.cols / nx));
    if size.0.min(size.1) < 16 {
        return None;
    }
    let bench = Bench::new(size.0, size.1, &[BAND], TAPER);
    let (mut x, mut y, mut dx, mut dy) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for row in 0..ny {
        for col in 0..nx {
            let along = |k: usize, n: usize, length: usize, size: usize| {
                (length - size) as f64 * (k as f64 / (n - 1) as f64 - 0.5)
            };
            let at = [along(col, nx, a.cols, size.1), along(row, ny, a.rows, size.0)];
            let cut = |image: &Image, at: [f64; 2]| bench.spectrum(&sample(image, size, at, [[1.0, 0.0], [0.0, 1.0]]));
            let other = cut(b, [at[0] + place[0], at[1] + place[1]]);
            let cross = bench.cross(&cut(a, at), &other);
            let reach = (shrink.abs() * at[0].hypot(at[1]) + SPARE_PX).ceil() as usize;
            let Some(peak) = bench.peak(&cross, [reach; 2]) else { continue };
            if peak.inside && peak.significance >= BELIEVED {
                x.push(at[0]);
                y.push(at[1]);
                dx.push(-peak.x);
                dy.push(-peak.y);
            }
        }
    }
    let ones = vec![1.0; x.len()];
    if x.len() < 5 {
        return None;
    }
    let fit = |d: &[f64]| regression::fit(&[&ones, &x, &y], d, None);
    let (fx, fy) = (fit(&dx)?, fit(&dy)?);
    Some([fx.coefficients[1], 0.5 * (fx.coefficients[2] + fy.coefficients[1]), fy.coefficients[2]])
}

/// Direction of the axis and share of the shrinking seen, one pair left out.
fn direction(told: &[([f64; 3], f64)], out: Option<usize>) -> Option<(f64, f64)> {
    let used: Vec<&([f64; 3], f64)> =
        told.iter().enumerate().filter(|(at, _)| Some(*at) != out).map(|(_, told)| told).collect();
    // Least squares over the pairs, A - I = shrink × p pᵀ, each pair weighted by how well it agrees with the others.
    let component = |k: usize| {
        let mut weights = vec![1.0f64; used.len()];
        let mut best = None;
        for _ in 0..ROUNDS {
            let sum = |of: &dyn Fn(&[f64; 3], f64) -> f64| {
                used.iter().zip(&weights).map(|((m, shrink), w)| w * of(m, *shrink)).sum::<f64>()
            };
            let value = sum(&|m, shrink| m[k] * shrink) / sum(&|_, shrink| shrink * shrink).max(1e-12);
            let off: Vec<f64> = used.iter().map(|(m, shrink)| (m[k] - shrink * value).abs()).collect();
            let mut sorted = off.clone();
            sorted.sort_by(f64::total_cmp);
            let scale = sorted.get(sorted.len() / 2)?.max(1e-6);
            weights = off.iter().map(|off| 1.0 / off.max(scale)).collect();
            best = Some(value);
        }
        best
    };
    let (xx, xy, yy) = (component(0)?, component(1)?, component(2)?);
    // p pᵀ with p = (cos a, -sin a): xx - yy = cos 2a, 2 xy = -sin 2a.
    let twice = (-2.0 * xy).atan2(xx - yy);
    let strength = (xx - yy).hypot(2.0 * xy);
    Some(((0.5 * twice).to_degrees().rem_euclid(180.0), strength))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shrinking_across_an_axis_gives_its_direction() {
        for axis in [0.0f64, 33.0, 90.0, 171.0] {
            let (s, c) = axis.to_radians().sin_cos();
            let told: Vec<([f64; 3], f64)> =
                [-0.05, -0.08, -0.1].iter().map(|&k| ([k * c * c, -k * c * s, k * s * s], k)).collect();
            let (deg, strength) = direction(&told, None).unwrap();
            assert!(apart_deg(deg, axis).abs() < 1e-9 && (strength - 1.0).abs() < 1e-9, "{axis}: {deg}");
        }
        assert!((apart_deg(179.0, 1.0) + 2.0).abs() < 1e-9 && (apart_deg(3.0, 178.0) - 5.0).abs() < 1e-9);
    }
}
