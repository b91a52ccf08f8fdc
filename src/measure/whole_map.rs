//! The plane map between two pictures, fitted to all their pixels at once: least squares over the six numbers of the map
//! (Gauss-Newton, as Lucas & Kanade 1981), which knows scale and turn about three times better than displacements of
//! patches.
//!
//! Noise of a picture would pull the fit: against its own gradient it is no noise. So the gradient is the mean of both
//! pictures' (the pull of the one takes back that of the other), and the curvature is that of the one against the other,
//! to which noise adds nothing. Errors allow for the colour of what is left over.

use crate::measure::tracking::link::sample;
use crate::numerics::affine::Affine;
use crate::numerics::registration::fft2::Fft2;
use crate::numerics::registration::image::Image;
use nalgebra::{SMatrix, SVector};

/// Steps of the fit: it begins within a fraction of a pixel, and each step squares what is left.
const STEPS: usize = 4;
/// Pixels along the sides that interpolation and gradients do not reach.
const MARGIN_PX: usize = 6;
/// Fewer pixels in common say nothing.
const LEAST_PIXELS: usize = 1000;

/// A fitted map.
#[derive(Debug, Clone, PartialEq)]
pub struct Refined {
    /// The map.
    pub map: Affine,
    /// One standard error of each entry of `map.m`.
    pub m_errors: [[f64; 2]; 2],
    /// One standard error of `map.t`.
    pub t_errors: [f64; 2],
}

type Six = SVector<f64, 6>;
type SixBySix = SMatrix<f64, 6, 6>;

/// What one step sums over the pixels.
struct Sums {
    /// Gradient of the one against that of the other.
    cross: SixBySix,
    /// Mean gradient against itself.
    own: SixBySix,
    /// Mean gradient against what is left over.
    pull: Six,
    /// What is left over, 0 where the pictures do not overlap.
    left: Vec<f32>,
    n: usize,
}

/// Refines a map of `a` onto `b` (both weighed by frequency) that is right to a fraction of a pixel. `None`: too little in
/// common, or the pixels do not hold the map.
pub fn refine(a: &Image, b: &Image, start: Affine) -> Option<Refined> {
    let (of_a, of_b) = (gradients(a), gradients(b));
    let mut map = start;
    let mut last = sums(a, b, &of_a, &of_b, &map)?;
    for _ in 0..STEPS {
        let step = last.cross.lu().solve(&last.pull)?;
        map.m = [[map.m[0][0] + step[0], map.m[0][1] + step[1]], [map.m[1][0] + step[3], map.m[1][1] + step[4]]];
        map.t = [map.t[0] + step[2], map.t[1] + step[5]];
        last = sums(a, b, &of_a, &of_b, &map)?;
    }
    let error = errors(a, &last)?;
    Some(Refined { map, m_errors: [[error[0], error[1]], [error[3], error[4]]], t_errors: [error[2], error[5]] })
}

/// Differences over two pixels, along x and y.
fn gradients(image: &Image) -> [Image; 2] {
    let (rows, cols) = (image.rows, image.cols);
    let along = |dx: usize, dy: usize| {
        let value = |at: usize| {
            let (x, y) = (at % cols, at / cols);
            let inside = x >= dx && y >= dy && x + dx < cols && y + dy < rows;
            let other = |step: isize| image.values[at.wrapping_add_signed(step)];
            let step = (dy * cols + dx) as isize;
            if inside { 0.5 * (other(step) - other(-step)) } else { f32::NAN }
        };
        Image { rows, cols, values: (0..rows * cols).map(value).collect() }
    };
    [along(1, 0), along(0, 1)]
}

fn sums(a: &Image, b: &Image, of_a: &[Image; 2], of_b: &[Image; 2], map: &Affine) -> Option<Sums> {
    let through = |image: &Image| sample(image, (a.rows, a.cols), map.t, map.m);
    let (other, gx, gy) = (through(b), through(&of_b[0]), through(&of_b[1]));
    // A gradient of a, seen in the directions of b.
    let back = map.back()?.m;
    let middle = [0.5 * (a.cols as f64 - 1.0), 0.5 * (a.rows as f64 - 1.0)];
    let inside =
        |x: usize, y: usize| x >= MARGIN_PX && y >= MARGIN_PX && x + MARGIN_PX < a.cols && y + MARGIN_PX < a.rows;
    let known = |at: usize| {
        let all = [a.values[at], other[at], gx[at], gy[at], of_a[0].values[at], of_a[1].values[at]];
        inside(at % a.cols, at / a.cols) && all.iter().all(|v| v.is_finite())
    };
    let used: Vec<usize> = (0..a.values.len()).filter(|&at| known(at)).collect();
    if used.len() < LEAST_PIXELS {
        return None;
    }
    let square = |values: &[f32]| used.iter().map(|&at| f64::from(values[at]).powi(2)).sum::<f64>();
    let gain = (square(&a.values) / square(&other).max(1e-30)).sqrt();
    let mut sums = Sums {
        cross: SixBySix::zeros(),
        own: SixBySix::zeros(),
        pull: Six::zeros(),
        left: vec![0.0; a.values.len()],
        n: used.len(),
    };
    for at in used {
        let (x, y) = ((at % a.cols) as f64 - middle[0], (at / a.cols) as f64 - middle[1]);
        let row = |u: f64, v: f64| Six::from([u * x, u * y, u, v * x, v * y, v]);
        let (ax, ay) = (f64::from(of_a[0].values[at]), f64::from(of_a[1].values[at]));
        let one = row(back[0][0] * ax + back[1][0] * ay, back[0][1] * ax + back[1][1] * ay);
        let two = row(gain * f64::from(gx[at]), gain * f64::from(gy[at]));
        let mean = 0.5 * (one + two);
        let left = f64::from(a.values[at]) - gain * f64::from(other[at]);
        sums.cross += 0.5 * (one * two.transpose() + two * one.transpose());
        sums.own += mean * mean.transpose();
        sums.pull += mean * left;
        sums.left[at] = left as f32;
    }
    Some(sums)
}

/// Standard errors of the six numbers.
fn errors(a: &Image, sums: &Sums) -> Option<[f64; 6]> {
    let variance = sums.left.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / sums.n as f64;
    let back = sums.cross.try_inverse()?;
    let covariance = back * sums.own * back * (variance / band(a, &sums.left));
    let variances: [f64; 6] = std::array::from_fn(|k| covariance[(k, k)]);
    variances.iter().all(|v| *v > 0.0 && v.is_finite()).then(|| variances.map(f64::sqrt))
}

/// The share of all frequencies that a residual fills: (Σ P)² over n Σ P², doubled, as the power of a single frequency
/// scatters by its own mean.
fn band(a: &Image, left: &[f32]) -> f64 {
    let fft = Fft2::new(a.rows, a.cols);
    let spectrum = fft.forward(left);
    let (mut sum, mut squares) = (0.0, 0.0);
    for (at, value) in spectrum.iter().enumerate() {
        let times = f64::from(fft.multiplicity(at / fft.rows));
        let power = f64::from(value.norm_sqr());
        sum += times * power;
        squares += times * power * power;
    }
    let n = (a.rows * a.cols) as f64;
    (2.0 * sum * sum / (n * squares).max(1e-30)).clamp(1.0 / n, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wave(noise: f64, seed: u64) -> Image {
        let (rows, cols) = (120, 140);
        let mut state = seed;
        let value = |at: usize| {
            let (x, y) = ((at % cols) as f64 - 69.5, (at / cols) as f64 - 59.5);
            let waves = (0..24).map(|k| {
                let (turn, f) = (2.4 * f64::from(k), 0.15 + 0.02 * f64::from(k % 9));
                (f * (turn.cos() * x + turn.sin() * y) + 1.7 * f64::from(k)).sin()
            });
            waves.sum::<f64>()
        };
        let values = (0..rows * cols).map(|at| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let grain = (state >> 40) as f64 / (1u64 << 24) as f64 - 0.5;
            (value(at) + noise * grain) as f32
        });
        Image { rows, cols, values: values.collect() }
    }

    #[test]
    fn a_map_that_is_nearly_right_becomes_right() {
        // The same scene with noise of its own: the map is the identity, and a start that is off comes back to it.
        let mut pulls = 0.0;
        for seed in 1..=12 {
            let (a, b) = (wave(6.0, seed), wave(6.0, 100 + seed));
            let start = Affine { m: [[1.002, 0.001], [-0.001, 0.998]], t: [0.2, -0.1] };
            let found = refine(&a, &b, start).unwrap();
            let off = [found.map.m[0][0] - 1.0, found.map.m[1][1] - 1.0];
            let errors = [found.m_errors[0][0], found.m_errors[1][1]];
            assert!(errors.iter().all(|&error| error < 3e-3), "{found:?}");
            assert!(off.iter().zip(errors).all(|(off, error)| off.abs() < 4.0 * error), "{found:?}");
            pulls += (0..2).map(|k| (off[k] / found.m_errors[k][k]).powi(2)).sum::<f64>() / 24.0;
        }
        assert!((0.3..2.5).contains(&pulls), "{pulls}");
    }
}
