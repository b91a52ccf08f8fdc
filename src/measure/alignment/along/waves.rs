//! Spectra of pictures that are drawn out to zero tilt, at the frequencies that are used.

use crate::measure::alignment::model::directions;
use crate::measure::tracking::link::{View, sample, stretch};
use crate::numerics::registration::fft2::Fft2;
use crate::numerics::registration::image::Image;
use crate::numerics::registration::taper::Taper;
use nalgebra::Vector2;
use rustfft::num_complex::Complex32;
use std::f32::consts::TAU;

/// Frequencies used, in cycles a pixel of the kept pictures, and the rings they lie in.
const LOWEST: f64 = 0.012;
const HIGHEST: f64 = 0.42;
pub const RINGS: usize = 14;
/// What the background is averaged over, in pixels.
const SMOOTH: usize = 16;
/// Ends of the pictures fade over this share of them.
const FADE: f64 = 0.15;

/// The frequencies used, those that lie least across the axis first.
pub struct Waves {
    /// Places in a spectrum.
    at: Vec<usize>,
    /// Frequencies across and along the axis, in cycles a pixel.
    pub across: Vec<f32>,
    /// See `across`.
    pub along: Vec<f32>,
    /// Ring of each.
    pub ring: Vec<u8>,
    /// How often each stands in the whole plane.
    pub times: Vec<f32>,
    /// Down and across a picture.
    tapers: [Taper; 2],
}

impl Waves {
    /// For pictures of one size, the axis at an angle in radians.
    pub fn new(fft: &Fft2, axis: f64) -> Self {
        let (p, q) = directions(axis);
        let ring = |k: f64| ((k / LOWEST).ln() / (HIGHEST / LOWEST).ln() * RINGS as f64) as usize;
        let mut waves: Vec<(f64, f64, usize, usize)> = (0..fft.half() * fft.rows)
            .filter_map(|at| {
                let (x, y) = fft.frequency(at);
                let k = x.hypot(y);
                (k > LOWEST && k < HIGHEST)
                    .then(|| (p[0] * x + p[1] * y, q[0] * x + q[1] * y, ring(k).min(RINGS - 1), at))
            })
            .collect();
        waves.sort_unstable_by(|a, b| a.0.abs().total_cmp(&b.0.abs()).then(a.3.cmp(&b.3)));
        Self {
            at: waves.iter().map(|wave| wave.3).collect(),
            across: waves.iter().map(|wave| wave.0 as f32).collect(),
            along: waves.iter().map(|wave| wave.1 as f32).collect(),
            ring: waves.iter().map(|wave| wave.2 as u8).collect(),
            times: waves.iter().map(|wave| fft.multiplicity(wave.3 / fft.rows)).collect(),
            tapers: [fft.rows, fft.cols].map(|length| Taper::new(length, FADE)),
        }
    }

    /// Spectrum of a picture, its background taken off, drawn out to zero tilt about a place; each ring brought to a power of
    /// one.
    pub fn spectrum(&self, fft: &Fft2, image: &Image, place: [f64; 2], view: View) -> Vec<Complex32> {
        let mut work = sample(image, (fft.rows, fft.cols), place, stretch(View { tilt_deg: 0.0, ..view }, view));
        let [down, across] = &self.tapers;
        for (line, row) in work.chunks_exact_mut(fft.cols).zip(&down.weights) {
            for (value, col) in line.iter_mut().zip(&across.weights) {
                *value = if value.is_finite() { *value * row * col } else { 0.0 };
            }
        }
        let whole = fft.forward(&work);
        let mut spectrum: Vec<Complex32> = self.at.iter().map(|&at| whole[at]).collect();
        let (mut power, mut count) = ([0.0f64; RINGS], [0.0f64; RINGS]);
        for ((value, ring), times) in spectrum.iter().zip(&self.ring).zip(&self.times) {
            power[usize::from(*ring)] += f64::from(times * value.norm_sqr());
            count[usize::from(*ring)] += f64::from(*times);
        }
        let gain: [f32; RINGS] = std::array::from_fn(|ring| (count[ring] / power[ring].max(1e-30)).sqrt() as f32);
        spectrum.iter_mut().zip(&self.ring).for_each(|(value, ring)| *value *= gain[usize::from(*ring)]);
        spectrum
    }

    /// The spectrum of the same picture moved back by so many pixels across and along the axis.
    pub fn turn(&self, spectrum: &mut [Complex32], by: Vector2<f64>) {
        let by = [by[0] as f32, by[1] as f32];
        for ((value, across), along) in spectrum.iter_mut().zip(&self.across).zip(&self.along) {
            *value *= Complex32::cis(TAU * (across * by[0] + along * by[1]));
        }
    }
}

/// A picture less the mean of what lies around.
pub fn off_background(image: &Image) -> Image {
    let around = image.binned(SMOOTH);
    let at = |pixel: usize, bins: usize| {
        let bin = (pixel as f64 - 0.5 * (SMOOTH - 1) as f64) / SMOOTH as f64;
        bin.clamp(0.0, bins as f64 - 1.0)
    };
    let columns: Vec<f64> = (0..image.cols).map(|x| at(x, around.cols)).collect();
    let mut values = image.values.clone();
    for (y, line) in values.chunks_exact_mut(image.cols).enumerate() {
        let y = at(y, around.rows);
        line.iter_mut().zip(&columns).for_each(|(value, x)| *value -= around.between(*x, y));
    }
    Image { values, ..*image }
}
