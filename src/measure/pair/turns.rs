//! By how much the specimen was turned and moved between two pictures, sought over the whole circle.
//!
//! Both pictures are shrunk and whitened, the one is turned in small steps, and a masked correlation over all
//! displacements tells how well each turn fits. The wrong turns of the same two pictures are the null: the highest peaks
//! of unrelated textures follow Gumbel's distribution, fitted to them by moments (Gumbel 1958, value from memory).

use crate::measure::tracking::link::sample;
use crate::measured::{Measured, NotMeasured};
use crate::numerics::affine::Affine;
use crate::numerics::registration::image::Image;
use crate::numerics::registration::masked::{Candidate, Window, correlate};
use crate::numerics::registration::rings;
use rayon::prelude::*;
use std::f64::consts::{PI, TAU};

/// Longer side of the shrunk picture.
const COARSE_PX: usize = 128;
/// Turns that are tried: at half of a step, the corners of the shrunk picture are off by just over a pixel.
const TURNS: usize = 180;
/// Frequencies that count, in cycles a pixel of the shrunk picture: finer than the illumination, and coarser than what is
/// new in every exposure (grain, counting noise).
const HIGH_PASS: f64 = 0.03;
const LOW_PASS: f64 = 0.2;
/// Structures beyond so many standard deviations (a bar, gold) count no more than that.
const CLIP_SDS: f64 = 4.0;
/// Of the smaller picture, this share must lie on the other: a pair that shares less is of little use, and small overlaps
/// agree by chance.
const LEAST_SHARED: f64 = 0.5;
/// Turns nearer than this to the best one, or to half a turn from it, are no null: the peak of coarse structures is broad,
/// and many specimens look alike upside down.
const BESIDE_DEG: f64 = 30.0;
/// Turns within this of an expected one need to stand out less than all others: the further, the less likely.
const NEAR_DEG: f64 = 12.0;
/// Turns this close to each other see the same peaks: they are one trial.
const TRIAL_DEG: f64 = 6.0;
/// How often unrelated pictures may be believed.
const CHANCE: f64 = 1e-3;
/// Euler's constant, the mean of Gumbel's standard distribution.
const EULER: f64 = 0.577_215_664_9;
/// Of turns about as good (a specimen that looks the same upside down), the one nearest to what is expected counts.
const AS_GOOD: f64 = 0.93;

/// A turn that was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Turned {
    /// From a place in the one picture (from its middle, its pixels) to that in the other.
    pub map: Affine,
    /// Standard deviations of chance.
    pub score: f64,
    /// What chance reaches less than once in a thousand pairs.
    pub needed: f64,
}

/// Seeks `a` in `b`; `scale` pixels of `b` make one of `a`; `expected` are turns (radians) that other facts speak for.
///
/// # Errors
/// Nothing stands out: with the score and what was needed.
pub fn search(a: &Image, b: &Image, scale: f64, expected: [f64; 2]) -> Measured<Turned> {
    let bins = a.rows.max(a.cols).div_ceil(COARSE_PX).max(1);
    let bins_b = ((bins as f64 * scale).round() as usize).max(1);
    let [small_a, small_b] =
        [shrink(a, bins), shrink(b, bins_b)].map(|small| clipped(rings::whitened(&small, HIGH_PASS, LOW_PASS)));
    // Pixels of the small b in one of the small a.
    let ratio = bins as f64 * scale / bins_b as f64;
    let step = TAU / TURNS as f64;
    let found: Vec<Option<(Candidate, [f64; 2])>> =
        (0..TURNS).into_par_iter().map(|k| fit(&small_a, &small_b, step * k as f64, ratio)).collect();
    let score = |k: usize| found[k % TURNS].as_ref().map_or(0.0, |(peak, _)| peak.significance);
    let best = best(&score, expected, step).ok_or_else(|| NotMeasured::because("the pictures show no texture"))?;
    let trials =
        if off(best, expected, step) <= NEAR_DEG.to_radians() { 4.0 * NEAR_DEG / TRIAL_DEG } else { 360.0 / TRIAL_DEG };
    let by_theory = found[best].as_ref().map_or(0.0, |(peak, _)| by_theory(peak, trials));
    let needed = needed(&score, best, step, trials).max(by_theory);
    let Some((_, away)) = found[best].as_ref().filter(|_| score(best) >= needed) else {
        let why = format!(
            "the two zero tilts show no common structure at any turn (best score {:.1}, {needed:.1} needed)",
            score(best)
        );
        return Err(NotMeasured::because(why));
    };
    let (before, after) = (score(best + TURNS - 1), score(best + 1));
    let bend = 2.0 * score(best) - before - after;
    let top = if bend > 0.0 { (0.5 * (after - before) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    let turn = Affine::turned(step * (best as f64 + top), scale, [0.0; 2]);
    let t = turn.step(away.map(|px| -px * bins as f64));
    Ok(Turned { map: Affine { t, ..turn }, score: score(best), needed })
}

/// What the surface's own statistics ask for, for so many turns.
fn by_theory(peak: &Candidate, trials: f64) -> f64 {
    (peak.chance_significance.powi(2) + 2.0 * trials.ln()).sqrt()
}

/// What the best of so many turns of unrelated pictures passes once in a thousand times, by the turns that are wrong.
fn needed(score: &dyn Fn(usize) -> f64, best: usize, step: f64, trials: f64) -> f64 {
    let beside = (BESIDE_DEG.to_radians() / step).ceil() as usize;
    let apart = |k: &usize| *k.min(&(TURNS - k)) >= beside && k.abs_diff(TURNS / 2) >= beside;
    let null: Vec<f64> = (0..TURNS).filter(apart).map(|k| score(best + k)).collect();
    let n = null.len() as f64;
    let mean = null.iter().sum::<f64>() / n;
    let sd = (null.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    mean + sd * 6f64.sqrt() / PI * ((trials / CHANCE).ln() - EULER)
}

/// The turn that stands out most; of those about as good, the one nearest to what is expected.
fn best(score: &dyn Fn(usize) -> f64, expected: [f64; 2], step: f64) -> Option<usize> {
    let peaks: Vec<usize> = (0..TURNS)
        .filter(|&k| score(k) > 0.0 && score(k) >= score(k + TURNS - 1) && score(k) >= score(k + 1))
        .collect();
    let highest = peaks.iter().map(|&k| score(k)).fold(0.0, f64::max);
    let good = peaks.into_iter().filter(|&k| score(k) >= AS_GOOD * highest);
    good.min_by(|&a, &b| off(a, expected, step).total_cmp(&off(b, expected, step)))
}

/// How far a turn lies from the nearer of the expected ones, in radians.
fn off(k: usize, expected: [f64; 2], step: f64) -> f64 {
    let one = |turn: f64| ((step * k as f64 - turn + PI).rem_euclid(TAU) - PI).abs();
    one(expected[0]).min(one(expected[1]))
}

/// How well `b` fits `a` at a turn, and where in `a` the middle of `b` then lies (from the middle of `a`).
fn fit(a: &Image, b: &Image, turn: f64, ratio: f64) -> Option<(Candidate, [f64; 2])> {
    let map = Affine::turned(turn, ratio, [0.0; 2]);
    let (sine, cosine) = (turn.sin().abs(), turn.cos().abs());
    let (width, height) = (b.cols as f64 / ratio, b.rows as f64 / ratio);
    let cols = (width * cosine + height * sine).ceil() as usize;
    let rows = (width * sine + height * cosine).ceil() as usize;
    let turned = Image { rows, cols, values: sample(b, (rows, cols), [0.0; 2], map.m) };
    let known = |image: &Image| image.values.iter().filter(|v| v.is_finite()).count() as f64;
    let range = |a: usize, b: usize| [1 - b as i64, a as i64 - 1];
    let window = Window { x: range(a.cols, cols), y: range(a.rows, rows) };
    let surface = correlate(a, &turned, window, LEAST_SHARED * known(a).min(known(&turned)));
    let middle = |a: usize, b: usize| 0.5 * (a as f64 - b as f64);
    let [x, y] = [middle(a.cols, cols), middle(a.rows, rows)];
    let peak = surface.peak([x, y], 1.0)?;
    // turned(i) = a(i + d): its middle lies at d from there.
    Some((peak, [peak.x - x, peak.y - y]))
}

/// Averages `n` × `n` pixels into one; one that is half outside is none.
fn shrink(image: &Image, n: usize) -> Image {
    let (rows, cols) = ((image.rows / n).max(1), (image.cols / n).max(1));
    let pixel = |row: usize, col: usize| {
        let mut sum = (0.0f64, 0usize);
        for y in row * n..((row + 1) * n).min(image.rows) {
            for value in &image.values[y * image.cols + col * n..y * image.cols + ((col + 1) * n).min(image.cols)] {
                if value.is_finite() {
                    sum = (sum.0 + f64::from(*value), sum.1 + 1);
                }
            }
        }
        if 2 * sum.1 > n * n { (sum.0 / sum.1 as f64) as f32 } else { f32::NAN }
    };
    let values = (0..rows).flat_map(|row| (0..cols).map(move |col| (row, col))).map(|(row, col)| pixel(row, col));
    Image { rows, cols, values: values.collect() }
}

/// Cut at `CLIP_SDS`.
fn clipped(mut image: Image) -> Image {
    let known = || image.values.iter().filter(|v| v.is_finite()).map(|&v| f64::from(v));
    let sd = (known().map(|v| v * v).sum::<f64>() / known().count().max(1) as f64).sqrt();
    let limit = (CLIP_SDS * sd) as f32;
    image.values.iter_mut().for_each(|v| *v = v.clamp(-limit, limit));
    image
}

/// A picture less its coarse and its finest parts: the difference of two Gaussian blurs, each the mean over the pixels
/// that are known, cut at `CLIP_SDS`.
pub fn band_pass(image: &Image, sigma_px: [f64; 2]) -> Image {
    let [fine, coarse] = sigma_px.map(|sigma| blur(image, sigma));
    let value = |(v, (f, c)): (&f32, (f32, &f32))| if v.is_finite() { f - c } else { f32::NAN };
    let values = image.values.iter().zip(fine.into_iter().zip(&coarse)).map(value).collect();
    clipped(Image { rows: image.rows, cols: image.cols, values })
}

fn blur(image: &Image, sigma: f64) -> Vec<f32> {
    let reach = (3.0 * sigma).ceil() as i64;
    let weights: Vec<f32> = (-reach..=reach).map(|k| (-0.5 * (k as f64 / sigma).powi(2)).exp() as f32).collect();
    let known: Vec<f32> = image.values.iter().map(|v| if v.is_finite() { 1.0 } else { 0.0 }).collect();
    let value: Vec<f32> = image.values.iter().map(|v| if v.is_finite() { *v } else { 0.0 }).collect();
    let along = |from: &[f32], step: usize, size: usize, at: usize, place: usize| {
        let pull = |(k, w): (usize, &f32)| {
            let other = place as i64 + k as i64 - reach;
            let inside = other >= 0 && other < size as i64;
            if inside { w * from[(at as i64 + (k as i64 - reach) * step as i64) as usize] } else { 0.0 }
        };
        weights.iter().enumerate().map(pull).sum::<f32>()
    };
    let both = |from: &[f32]| -> Vec<f32> {
        let x: Vec<f32> = (0..from.len()).map(|at| along(from, 1, image.cols, at, at % image.cols)).collect();
        (0..x.len()).map(|at| along(&x, image.cols, image.rows, at, at / image.cols)).collect()
    };
    both(&value).iter().zip(both(&known)).map(|(sum, n)| if n > 0.0 { sum / n } else { 0.0 }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Blobs of a specimen, turned by a map.
    fn blobs(rows: usize, cols: usize, seed: u64, map: &Affine) -> Image {
        let mut values = vec![0.0f32; rows * cols];
        for i in 0..900u64 {
            // A mixed counter (Steele, Lea & Flood 2014): a plain product would lay all specimens on one lattice.
            let mut bits = (i + 1000 * seed).wrapping_mul(0x9e37_79b9_7f4a_7c15);
            bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            bits ^= bits >> 31;
            let unit = |shift: u64| ((bits >> shift) & 0xffff) as f64 / 65_536.0 - 0.5;
            let place = map.at([420.0 * unit(5), 420.0 * unit(27)]);
            let (cx, cy) = (place[0] + 0.5 * (cols as f64 - 1.0), place[1] + 0.5 * (rows as f64 - 1.0));
            let sigma = 2.0 + unit(44).abs() * 6.0;
            for (at, value) in values.iter_mut().enumerate() {
                let (dx, dy) = ((at % cols) as f64 - cx, (at / cols) as f64 - cy);
                let r2 = dx * dx + dy * dy;
                if r2 < 12.0 * sigma * sigma {
                    *value += (-0.5 * r2 / (sigma * sigma)).exp() as f32;
                }
            }
        }
        Image { rows, cols, values }
    }

    #[test]
    fn a_turn_and_a_shift_are_found_and_another_specimen_is_not() {
        let rest = Affine::turned(0.0, 1.0, [0.0; 2]);
        let truth = Affine::turned(1.62, 1.0, [21.0, -34.0]);
        let a = blobs(180, 216, 1, &rest);
        let found = search(&a, &blobs(180, 216, 1, &truth), 1.0, [PI / 2.0, -PI / 2.0]).unwrap();
        assert!((found.map.turn_rad() - 1.62).abs() < 0.012, "{found:?}");
        for k in 0..2 {
            assert!((found.map.t[k] - truth.t[k]).abs() < 3.0, "{found:?}");
        }
        assert!(search(&a, &blobs(180, 216, 2, &truth), 1.0, [PI / 2.0, -PI / 2.0]).is_err());
    }
}
