//! How much two images have in common at each frequency, and the weights with which their shift is known best.

use crate::numerics::registration::fft2::Fft2;
use crate::numerics::registration::spectral::ALL_PASSES;
use crate::numerics::registration::upsample::{signed, turn};
use crate::numerics::wide::wide;
use rustfft::num_complex::Complex32;

/// Two spectra of one size, and the shift between them as far as it is known, in pixels.
pub type Shifted<'a> = ([&'a [Complex32]; 2], [f64; 2]);

/// Rings in which coherence is averaged.
const RINGS_PER_CYCLE: f64 = 64.0;
/// Edges and parts of a pixel leave no ring more coherent than this, squared.
const MOST_COHERENT: f64 = 0.97;
/// Rings of a weight under this share of the highest carry next to nothing.
const NEXT_TO_NOTHING: f64 = 1e-3;

/// Weights with which a shift is known best.
pub struct Best {
    /// Of each index, squared amplitude.
    pub squares: Vec<f32>,
    /// Indices beyond which all are next to nothing: from 0 in x, to either side of 0 in y.
    pub ends: [usize; 2],
}

/// The ring that each index of a half plane's spectrum lies in.
pub struct Rings {
    of: Vec<u16>,
    count: usize,
    /// Square of each frequency in x, and in y, cycles a pixel.
    squares: [Vec<f64>; 2],
}

impl Rings {
    /// Of the spectra of a transform.
    pub fn new(fft: &Fft2) -> Self {
        let squares_x: Vec<f64> = (0..fft.half()).map(|x| (x as f64 / fft.cols as f64).powi(2)).collect();
        let squares_y: Vec<f64> = (0..fft.rows).map(|y| signed(y, fft.rows).powi(2)).collect();
        let ring = |x2: &f64, y2: &f64| ((x2 + y2).sqrt() * RINGS_PER_CYCLE) as u16;
        let of = squares_x.iter().flat_map(|x2| squares_y.iter().map(move |y2| ring(x2, y2))).collect();
        Self { of, count: (0.5f64.hypot(0.5) * RINGS_PER_CYCLE) as usize + 1, squares: [squares_x, squares_y] }
    }

    /// The weights of greatest likelihood for the shift (Knapp & Carter 1976, IEEE Trans. Acoust. Speech Signal
    /// Process. 24:320): γ²/(1 - γ²) over what is common, γ the coherence, both as averages over rings of all pairs of
    /// spectra. Frequencies below `high_pass` (cycles a pixel) carry illumination. `None` where nothing is coherent.
    pub fn best_weights(&self, fft: &Fft2, pairs: &[Shifted<'_>], high_pass: f64) -> Option<Best> {
        let raw: Vec<f64> = self.sums(fft, pairs).iter().map(weight).collect();
        let mean = |k: usize| {
            let near = &raw[k.saturating_sub(1)..(k + 2).min(self.count)];
            near.iter().sum::<f64>() / near.len() as f64
        };
        let smooth: Vec<f64> = (0..self.count).map(mean).collect();
        let most = smooth.iter().copied().fold(0.0, f64::max);
        let last = (0..self.count).rev().find(|&k| smooth[k] > NEXT_TO_NOTHING * most).filter(|_| most > 0.0)?;
        let end = (last + 1) as f64 / RINGS_PER_CYCLE;
        let ends = [fft.cols, fft.rows].map(|n| ((end * n as f64).ceil() as usize).min(n / 2));
        let by_ring: Vec<f32> = smooth.iter().map(|weight| (weight / most) as f32).collect();
        let mut squares: Vec<f32> = self.of.iter().map(|&ring| by_ring[usize::from(ring)]).collect();
        for (column, x2) in squares.chunks_exact_mut(fft.rows).zip(&self.squares[0]) {
            let over = |y2: &f64| (x2 + y2) / (high_pass * high_pass);
            for (weight, y2) in column.iter_mut().zip(&self.squares[1]).filter(|(_, y2)| over(y2) < ALL_PASSES) {
                *weight *= (1.0 - (-over(y2)).exp()).powi(2) as f32;
            }
        }
        squares[0] = 0.0;
        Some(Best { squares, ends })
    }

    /// Of each ring, over all pairs: bins, power of the one, of the other, and what is common.
    fn sums(&self, fft: &Fft2, pairs: &[Shifted<'_>]) -> Vec<[f64; 4]> {
        let rows = fft.rows;
        let [mut power_a, mut power_b, mut common] = [0, 1, 2].map(|_| vec![0.0f32; self.of.len()]);
        for ([a, b], [dx, dy]) in pairs {
            let along_y: Vec<Complex32> = (0..rows).map(|k| turn(signed(k, rows), *dy)).collect();
            let [cosines, sines] =
                [|turn: &Complex32| turn.re, |turn: &Complex32| turn.im].map(|part| along_y.iter().map(part).collect());
            let (cosines, sines): (Vec<f32>, Vec<f32>) = (cosines, sines);
            for x in 0..fft.half() {
                let column = x * rows..(x + 1) * rows;
                let sums = [&mut power_a, &mut power_b, &mut common].map(|sums| &mut sums[column.clone()]);
                let along_x = turn(x as f64 / fft.cols as f64, *dx);
                add_column(sums, [&a[column.clone()], &b[column]], [&cosines, &sines], along_x);
            }
        }
        let mut rings = vec![[0.0f64; 4]; self.count];
        let values = power_a.iter().zip(&power_b).zip(&common).zip(&self.of);
        for (at, (((a, b), common), ring)) in values.enumerate() {
            let times = f64::from(fft.multiplicity(at / rows));
            let sum = &mut rings[usize::from(*ring)];
            sum[0] += times * pairs.len() as f64;
            sum[1] += times * f64::from(*a);
            sum[2] += times * f64::from(*b);
            sum[3] += times * f64::from(*common);
        }
        rings
    }
}

fn weight([bins, a, b, common]: &[f64; 4]) -> f64 {
    if *common <= 0.0 {
        return 0.0;
    }
    // What chance makes of as many bins (tapers leave about half of them independent) is no coherence.
    let coherence = (common.powi(2) / (a * b).max(1e-30) - 2.0 / bins.max(1.0)).clamp(0.0, MOST_COHERENT);
    coherence / (1.0 - coherence) * bins / common.max(1e-30)
}

wide! {
    /// Adds both powers of a column, and the real part of A · conj(B) turned by both turns.
    fn add_column<'a>(
        sums: [&'a mut [f32]; 3],
        sides: [&'a [Complex32]; 2],
        along_y: [&'a [f32]; 2],
        along_x: Complex32
    ) {
        let ([power_a, power_b, common], [a, b]) = (sums, sides);
        power_a.iter_mut().zip(a).for_each(|(sum, a)| *sum += a.re * a.re + a.im * a.im);
        power_b.iter_mut().zip(b).for_each(|(sum, b)| *sum += b.re * b.re + b.im * b.im);
        let turns = along_y[0].iter().zip(along_y[1]);
        for ((sum, (cosine, sine)), (a, b)) in common.iter_mut().zip(turns).zip(a.iter().zip(b)) {
            let (re, im) = (a.re * b.re + a.im * b.im, a.im * b.re - a.re * b.im);
            let turn_re = along_x.re * cosine - along_x.im * sine;
            let turn_im = along_x.re * sine + along_x.im * cosine;
            *sum += re * turn_re - im * turn_im;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two pictures of one texture that only coarse frequencies carry, with noise of their own.
    #[test]
    fn frequencies_that_carry_nothing_in_common_have_no_weight() {
        let fft = Fft2::new(64, 96);
        let mut state = 7u64;
        let mut noise = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / 1.7e7 - 0.5
        };
        let wave = |at: usize, d: f32| {
            let (x, y) = ((at % 96) as f32 + d, (at / 96) as f32);
            (0..8)
                .map(|k| (std::f32::consts::TAU * (k as f32 * x / 96.0 + (7 - k) as f32 * y / 64.0)).sin())
                .sum::<f32>()
        };
        let mut picture = |d: f32| -> Vec<Complex32> {
            let values: Vec<f32> = (0..64 * 96).map(|at| wave(at, d) + 2.0 * noise()).collect();
            fft.forward(&values)
        };
        let pictures: Vec<[Vec<Complex32>; 2]> = (0..6).map(|_| [picture(0.0), picture(5.0)]).collect();
        let shifted =
            |d: f64| -> Vec<Shifted<'_>> { pictures.iter().map(|[a, b]| ([&a[..], &b[..]], [d, 0.0])).collect() };
        let rings = Rings::new(&fft);
        let Best { squares: weights, ends } = rings.best_weights(&fft, &shifted(5.0), 0.02).unwrap();
        let most = weights.iter().copied().fold(0.0, f32::max);
        let (coarse, fine) =
            (weights[4 * 64 + 3] / most, weights[30 * 64..].iter().sum::<f32>() / (19 * 64) as f32 / most);
        assert!(coarse > 0.2 && fine < 0.02, "{coarse} {fine}");
        assert!(ends[0] > 4 && ends[1] > 3 && weights[0] == 0.0);
        // Without the shift they are not told to have anything in common.
        let blind = rings.best_weights(&fft, &shifted(0.0), 0.02);
        assert!(blind.is_none_or(|blind| blind.squares[4 * 64 + 3] < weights[4 * 64 + 3]));
    }
}
