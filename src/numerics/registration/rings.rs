//! Pictures by rings of spatial frequency: how much power each ring holds, how far two pictures agree in it, and a picture
//! with the rings weighed anew.
//!
//! A shift between two pictures is known best where each frequency counts by C/(1 - C²) over its power, C the correlation
//! of the two in its ring: the weight of maximum likelihood for time delays (Knapp & Carter 1976, IEEE Trans. Acoust.
//! Speech Signal Process. 24:320, value from memory).

use crate::numerics::registration::fft2::Fft2;
use crate::numerics::registration::image::Image;
use crate::numerics::registration::taper::Taper;
use rustfft::num_complex::Complex32;

/// Rings up to the Nyquist frequency.
const RINGS: usize = 40;
/// A ring agrees from so many standard deviations of chance on; beyond the first that does not, none counts.
const AGREES_SDS: f64 = 3.0;
/// The lowest rings hold few frequencies: none of them ends the search.
const FIRST_RINGS: usize = 3;
/// A ring that agrees better counts no more than this, or a few frequencies would decide alone.
const LARGEST_CORRELATION: f64 = 0.99;
/// Least noise of a picture, as a share of its mean power: beyond it, rounding is what is left.
const LEAST_NOISE: f64 = 1e-6;

/// Spectrum of a picture, mean removed (over the known pixels), Hann window; unknown pixels count as the mean.
fn spectrum(fft: &Fft2, image: &Image) -> Vec<Complex32> {
    let mean = mean(image);
    let (rows, cols) = (Taper::new(image.rows, 0.5), Taper::new(image.cols, 0.5));
    let value = |(at, v): (usize, &f32)| {
        let weight = rows.weights[at / image.cols] * cols.weights[at % image.cols];
        if v.is_finite() { (v - mean) * weight } else { 0.0 }
    };
    let work: Vec<f32> = image.values.iter().enumerate().map(value).collect();
    fft.forward(&work)
}

fn mean(image: &Image) -> f32 {
    let (sum, n) =
        image.values.iter().filter(|v| v.is_finite()).fold((0.0, 0.0), |(s, n), &v| (s + f64::from(v), n + 1.0));
    if n > 0.0 { (sum / n) as f32 } else { 0.0 }
}

/// Ring of an index of a spectrum; `None` beyond Nyquist and at zero.
fn ring(fft: &Fft2, at: usize) -> Option<usize> {
    let (x, y) = fft.frequency(at);
    let ring = (x.hypot(y) * 2.0 * RINGS as f64) as usize;
    (at > 0 && ring < RINGS).then_some(ring)
}

/// Mean power of each ring.
pub fn power(image: &Image) -> Vec<f64> {
    let fft = Fft2::new(image.rows, image.cols);
    let spectrum = spectrum(&fft, image);
    let (mut sum, mut n) = ([0.0f64; RINGS], [0.0f64; RINGS]);
    for (at, value) in spectrum.iter().enumerate() {
        if let Some(ring) = ring(&fft, at) {
            sum[ring] += f64::from(value.norm_sqr());
            n[ring] += 1.0;
        }
    }
    sum.iter().zip(n).map(|(sum, n)| sum / n.max(1.0)).collect()
}

/// Correlation of two pictures of one size in each ring; 0 from the first ring on that shows no more than chance.
pub fn agreement(a: &Image, b: &Image) -> Vec<f64> {
    let fft = Fft2::new(a.rows, a.cols);
    let hide = |one: &Image, other: &Image| {
        let values = one.values.iter().zip(&other.values).map(|(v, o)| if o.is_finite() { *v } else { f32::NAN });
        Image { rows: one.rows, cols: one.cols, values: values.collect() }
    };
    let (sa, sb) = (spectrum(&fft, &hide(a, b)), spectrum(&fft, &hide(b, a)));
    let mut sums = [[0.0f64; 4]; RINGS];
    for (at, (a, b)) in sa.iter().zip(&sb).enumerate() {
        if let Some(ring) = ring(&fft, at) {
            let [ab, aa, bb, n] = &mut sums[ring];
            *ab += f64::from((a * b.conj()).re);
            *aa += f64::from(a.norm_sqr());
            *bb += f64::from(b.norm_sqr());
            *n += 1.0;
        }
    }
    let mut open = true;
    let correlation = |(ring, [ab, aa, bb, n]): (usize, [f64; 4])| {
        let found = if aa * bb > 0.0 { ab / (aa * bb).sqrt() } else { 0.0 };
        // A Hann window ties neighbouring frequencies together: 2.25 of them are worth one.
        let agrees = found > AGREES_SDS * (2.25 / n.max(1.0)).sqrt();
        open &= agrees || ring < FIRST_RINGS;
        if open { found.clamp(0.0, LARGEST_CORRELATION) } else { 0.0 }
    };
    sums.into_iter().enumerate().map(correlation).collect()
}

/// Value at a frequency (cycles a pixel) between the middles of the rings; 0 beyond the last.
fn at(rings: &[f64], frequency: f64) -> f64 {
    let place = frequency * 2.0 * RINGS as f64 - 0.5;
    let low = place.floor().max(0.0) as usize;
    let part = (place - low as f64).clamp(0.0, 1.0);
    let value = |k: usize| rings.get(k).copied().unwrap_or(0.0);
    value(low) + (value(low + 1) - value(low)) * part
}

/// The gain that weighs a picture of ring powers `power` for its comparison with another, with which it agrees by
/// `agreement`, in rings of pixels `scale` times smaller.
pub fn best_gain(power: &[f64], agreement: &[f64], scale: f64, frequency: f64) -> f64 {
    let c = at(agreement, frequency * scale);
    let p = at(power, frequency);
    if p > 0.0 { (c / (1.0 - c * c) / p).sqrt() } else { 0.0 }
}

/// A picture with all its frequencies alike, as far as they stand out of its noise (the power of its last ring), up to
/// about `low_pass` cycles a pixel and from about `high_pass` on.
pub fn whitened(image: &Image, high_pass: f64, low_pass: f64) -> Image {
    let power = power(image);
    let mean = power.iter().sum::<f64>() / RINGS as f64;
    let noise = power[RINGS - 1].max(LEAST_NOISE * mean);
    filtered(image, |f| {
        let p = at(&power, f);
        let signal = (p - noise).max(0.0).sqrt() / p.max(1e-30);
        signal * (1.0 - (-(f / high_pass).powi(2)).exp()) * (-(f / low_pass).powi(2)).exp()
    })
}

/// A picture whose frequencies (cycles a pixel) are multiplied by a gain, brought to standard deviation 1. It is mirrored
/// at its sides first, so that they meet; unknown pixels stay so.
pub fn filtered(image: &Image, gain: impl Fn(f64) -> f64) -> Image {
    let (rows, cols) = (image.rows, image.cols);
    let fft = Fft2::new(2 * rows, 2 * cols);
    let mean = mean(image);
    let fold = |k: usize, n: usize| if k < n { k } else { 2 * n - 1 - k };
    let pixel = |at: usize| {
        let value = image.values[fold(at / (2 * cols), rows) * cols + fold(at % (2 * cols), cols)];
        if value.is_finite() { value - mean } else { 0.0 }
    };
    let work: Vec<f32> = (0..4 * rows * cols).map(pixel).collect();
    let mut spectrum = fft.forward(&work);
    for (at, value) in spectrum.iter_mut().enumerate() {
        let (x, y) = fft.frequency(at);
        *value *= if at == 0 { 0.0 } else { gain(x.hypot(y)) as f32 };
    }
    let whole = fft.inverse(&mut spectrum);
    let known = |at: usize| image.values[at].is_finite();
    let value = |at: usize| whole[(at / cols) * 2 * cols + at % cols];
    let n = (0..rows * cols).filter(|&at| known(at)).count().max(1) as f64;
    let square = (0..rows * cols).filter(|&at| known(at)).map(|at| f64::from(value(at)).powi(2)).sum::<f64>();
    let scale = (square / n).sqrt().max(1e-30);
    let values = (0..rows * cols).map(|at| if known(at) { (f64::from(value(at)) / scale) as f32 } else { f32::NAN });
    Image { rows, cols, values: values.collect() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(state: &mut u64) -> f32 {
        let mut sum = 0.0;
        for _ in 0..12 {
            *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            sum += (*state >> 40) as f32 / (1u64 << 24) as f32;
        }
        sum - 6.0
    }

    fn picture(state: &mut u64) -> Image {
        Image { rows: 96, cols: 128, values: (0..96 * 128).map(|_| noise(state)).collect() }
    }

    #[test]
    fn pictures_agree_as_far_as_they_share_their_frequencies() {
        let mut state = 5;
        let scene = filtered(&picture(&mut state), |f| if f < 0.15 { 1.0 } else { 0.0 });
        let mut seen = || {
            let grain = picture(&mut state);
            let values = scene.values.iter().zip(&grain.values).map(|(s, g)| s + 0.5 * g).collect();
            Image { values, ..scene.clone() }
        };
        let (a, b) = (seen(), seen());
        let rings = agreement(&a, &b);
        // Signal of variance 1 within a disc of area π 0.15², noise of variance 0.25 over all: C = S/(S + N).
        let expected = 1.0 / (1.0 + 0.25 * std::f64::consts::PI * 0.15 * 0.15);
        assert!((rings[6] - expected).abs() < 0.05, "{} of {expected}", rings[6]);
        assert!(rings[16..].iter().all(|c| *c == 0.0), "{rings:?}");
        assert!(agreement(&a, &picture(&mut state))[FIRST_RINGS..].iter().all(|c| *c == 0.0));
    }

    #[test]
    fn a_gain_of_one_changes_the_scale_alone() {
        let mut state = 9;
        let image = picture(&mut state);
        let same = filtered(&image, |_| 1.0);
        let mean = mean(&image);
        let ratio = same.values[700] / (image.values[700] - mean);
        for at in [1, 5000, 96 * 128 - 1] {
            assert!((same.values[at] - ratio * (image.values[at] - mean)).abs() < 1e-3);
        }
        let flat = power(&whitened(&scene_of(&image), 0.01, 0.4));
        assert!(flat[4] / flat[10] < 4.0, "{flat:?}");
    }

    /// Much stronger at low frequencies.
    fn scene_of(image: &Image) -> Image {
        filtered(image, |f| 1.0 / (0.02 + f).powi(2))
    }
}
