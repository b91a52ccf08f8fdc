//! Four orthogonal tapers from one transform (Thomson 1982, Proc. IEEE 70:1055, with tapers of one frequency).
//!
//! The Hann window ½(1 - cos) and the sine taper sin, each over one whole period of a patch, are combinations of
//! neighbouring frequencies of the transform X of the patch as it is: ½ Xₖ - ¼ (Xₖ₋₁ + Xₖ₊₁) and
//! (Xₖ₋₁ - Xₖ₊₁)/2i. The two are orthogonal, so their products in two dimensions give four spectra of one patch
//! that are nearly independent. Their mean knows the level of noise as well as 0.61 of the pixels would, a Hann window
//! alone as 0.26 of them.

use crate::numerics::wide::wide;
use rustfft::num_complex::Complex32;
use std::f64::consts::{PI, TAU};

/// Frequencies behind one independent one in the mean of the four spectra, N Σv²/(Σv)² squared for the sum v of the two
/// squared tapers: v = 8/3 - 4/3 cos - 4/3 cos² gives 46/36 a dimension.
pub const BANDWIDTH: f64 = (46.0 / 36.0) * (46.0 / 36.0);

/// Variance of the place within a patch under v, in (patch sides)².
pub const PLACE_VARIANCE: f64 = 0.045_338;

/// Autocorrelation at a lag of `s` patches (0 to 1), the two tapers averaged; it is what rings keep whose period is one
/// over that lag. Hann: ((1 - s)(2 + cos 2πs) + 3 sin 2πs / 2π)/3; sine: (1 - s) cos 2πs + sin 2πs / 2π.
pub fn autocorrelation(s: f64) -> f64 {
    let (sine, cosine) = (TAU * s).sin_cos();
    let hann = ((1.0 - s) * (2.0 + cosine) + 1.5 * sine / PI) / 3.0;
    let odd = (1.0 - s) * cosine + sine / TAU;
    0.5 * (hann + odd)
}

/// Independent patches that patches beginning at `starts` along a line are worth: n² Σv²/ΣV², V the sum of their v.
pub fn independent(starts: &[usize], size: usize) -> f64 {
    let v = |x: usize| {
        let cosine = (TAU * x as f64 / size as f64).cos();
        (8.0 - 4.0 * cosine - 4.0 * cosine * cosine) / 3.0
    };
    let length = starts.iter().max().map_or(0, |last| last + size);
    let mut sum = vec![0.0f64; length];
    for start in starts {
        sum[*start..start + size].iter_mut().enumerate().for_each(|(x, sum)| *sum += v(x));
    }
    let squares = |values: &mut dyn Iterator<Item = f64>| values.map(|value| value * value).sum::<f64>();
    let alone = squares(&mut (0..size).map(v));
    (starts.len() * starts.len()) as f64 * alone / squares(&mut sum.into_iter()).max(1e-300)
}

/// Weights of the squares of a product of tapers in the mean of four: Hann twice, Hann and sine, sine twice. A patch of N
/// pixels a side has Σ(taper)² = 3N/8 and N/2.
fn weights(size: usize) -> [f32; 3] {
    let n = size as f64;
    [3.0 / 8.0 * 3.0 / 8.0, 3.0 / 8.0 / 2.0, 0.25].map(|norm| (0.25 / (norm * n * n)) as f32)
}

/// Combines the columns of a transform; one a worker.
pub struct Tapers {
    weights: [f32; 3],
    /// A column under the Hann window and the sine taper along x, real and imaginary parts in turn, with the last
    /// frequency before the first and the first after the last.
    hann: Vec<f32>,
    sine: Vec<f32>,
    /// Squares of the Hann window alone, and of all, real and imaginary parts apart.
    one: Vec<f32>,
    all: Vec<f32>,
}

impl Tapers {
    /// For patches of `size` pixels a side.
    pub fn new(size: usize) -> Self {
        let padded = || vec![0.0; 2 * size + 4];
        let plain = || vec![0.0; 2 * size];
        Self { weights: weights(size), hann: padded(), sine: padded(), one: plain(), all: plain() }
    }

    /// Adds the power of column x under the Hann window (not normed) to `power`, and puts the mean of the four tapers
    /// (normed, so that white noise has the level of its variance) into `four`; given are the columns at x - 1, x and
    /// x + 1.
    pub fn column(&mut self, columns: [&[Complex32]; 3], power: &mut [f32], four: &mut [f32]) {
        combine(self, columns, power, four);
    }
}

wide! {
    fn combine<'a>(own: &'a mut Tapers, columns: [&'a [Complex32]; 3], power: &'a mut [f32], four: &'a mut [f32]) {
        let [before, here, after] = columns;
        let Tapers { weights, hann, sine, one, all } = own;
        let len = one.len();
        let (h, s) = (hann[2..len + 2].as_chunks_mut::<2>().0, sine[2..len + 2].as_chunks_mut::<2>().0);
        for ((((h, s), a), b), c) in h.iter_mut().zip(s).zip(before).zip(here).zip(after) {
            *h = [0.5 * b.re - 0.25 * (a.re + c.re), 0.5 * b.im - 0.25 * (a.im + c.im)];
            *s = [0.5 * (a.re - c.re), 0.5 * (a.im - c.im)];
        }
        for line in [&mut *hann, &mut *sine] {
            line.copy_within(len..len + 2, 0);
            line.copy_within(2..4, len + 2);
        }
        let [twice, once, none] = *weights;
        let (h, s) = (hann.as_slice(), sine.as_slice());
        let below = h[..len].iter().zip(&s[..len]);
        let at = h[2..len + 2].iter().zip(&s[2..len + 2]);
        let above = h[4..len + 4].iter().zip(&s[4..len + 4]);
        let out = one.iter_mut().zip(all.iter_mut());
        for ((((one, all), (ha, sa)), (hb, sb)), (hc, sc)) in out.zip(below).zip(at).zip(above) {
            let hh = 0.5 * hb - 0.25 * (ha + hc);
            let sh = 0.5 * sb - 0.25 * (sa + sc);
            let (hs, ss) = (0.5 * (ha - hc), 0.5 * (sa - sc));
            *one = hh * hh;
            *all = twice * hh * hh + once * (hs * hs + sh * sh) + none * ss * ss;
        }
        for ((power, four), (one, all)) in
            power.iter_mut().zip(four).zip(one.as_chunks::<2>().0.iter().zip(all.as_chunks::<2>().0))
        {
            *power += one[0] + one[1];
            *four = all[0] + all[1];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tapers(x: f64) -> [f64; 2] {
        let (sine, cosine) = (TAU * x).sin_cos();
        [(1.0 - cosine) / 1.5f64.sqrt(), 2f64.sqrt() * sine]
    }

    fn mean(f: impl Fn(f64) -> f64) -> f64 {
        (0..4000).map(|i| f((f64::from(i) + 0.5) / 4000.0)).sum::<f64>() / 4000.0
    }

    #[test]
    fn tapers_are_orthogonal_and_their_figures_those_of_their_sums() {
        assert!(mean(|x| tapers(x)[0] * tapers(x)[1]).abs() < 1e-9);
        assert!((mean(|x| tapers(x)[0].powi(2)) - 1.0).abs() < 1e-6);
        assert!((mean(|x| tapers(x)[1].powi(2)) - 1.0).abs() < 1e-6);
        let v = |x: f64| tapers(x).iter().map(|t| t * t).sum::<f64>();
        let bandwidth = mean(|x| v(x).powi(2)) / mean(v).powi(2);
        assert!((bandwidth.powi(2) - BANDWIDTH).abs() < 1e-6, "{}", bandwidth.powi(2));
        let place = mean(|x| v(x) * (x - 0.5).powi(2)) / mean(v);
        assert!((place - PLACE_VARIANCE).abs() < 1e-5, "{place}");
        assert!((independent(&[0, 100, 200], 100) - 3.0).abs() < 1e-9);
        assert!((independent(&[0, 0], 100) - 1.0).abs() < 1e-9 && independent(&[0, 50], 100) > 1.3);
        for s in [0.05, 0.2, 0.4] {
            let inside = |x: f64| if x + s < 1.0 { tapers(x + s) } else { [0.0; 2] };
            let sum = mean(|x| 0.5 * tapers(x).iter().zip(inside(x)).map(|(a, b)| a * b).sum::<f64>());
            assert!((sum - autocorrelation(s)).abs() < 1e-3, "{s}: {sum} is not {}", autocorrelation(s));
        }
    }
}
