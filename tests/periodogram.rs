//! The averaged periodogram against numpy and scipy (`tests/reference/numerics/make.py`), and its levels against
//! theory: Parseval, white and counting noise, the Hann window (Harris 1978, Proc. IEEE 66:51).

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

mod support;

use serde_json::Value;
use std::path::{Path, PathBuf};
use tiltworth::numerics::periodogram::{Periodogram, PowerSpectrum};
use tiltworth::numerics::rotational::PolarMap;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/numerics")
}

fn average(size: usize, width: usize, pixels: &[f32]) -> PowerSpectrum {
    let copy =
        |y: usize, x: usize, out: &mut [f32]| out.copy_from_slice(&pixels[y * width + x..y * width + x + out.len()]);
    Periodogram::new(size).average((width, pixels.len() / width), copy, |_, _| true).unwrap()
}

fn camera() -> (PowerSpectrum, Value) {
    let bytes = std::fs::read(folder().join("camera-128x160.u8")).unwrap();
    let pixels: Vec<f32> = bytes.into_iter().map(f32::from).collect();
    let reference = std::fs::read_to_string(folder().join("periodogram.json")).unwrap();
    (average(64, 160, &pixels), serde_json::from_str(&reference).unwrap())
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
}

#[test]
fn every_frequency_of_a_picture_is_as_numpy_has_it() {
    let (spectrum, reference) = camera();
    let expected = numbers(&reference["power"]);
    assert_eq!(spectrum.power.len(), expected.len());
    let mean = expected.iter().sum::<f64>() / expected.len() as f64;
    for (at, (&found, &expected)) in spectrum.power.iter().zip(&expected).enumerate() {
        // Single precision: a ten-thousandth, and no finer than that of the mean where there is next to nothing.
        assert!(
            (f64::from(found) - expected).abs() <= 1e-4 * expected + 1e-6 * mean,
            "{at}: {found} is not {expected}"
        );
    }
}

#[test]
fn rings_and_sectors_are_as_numpy_has_them() {
    let (spectrum, reference) = camera();
    let edges = numbers(&reference["edges"]);
    let means = PolarMap::new(64, &edges, &[0.1, 0.3], 6).average(&spectrum);
    for (found, expected) in means
        .rings
        .iter()
        .chain(&means.cells)
        .zip(numbers(&reference["rings"]).into_iter().chain(numbers(&reference["cells"])))
    {
        assert!((found.unwrap() / expected - 1.0).abs() < 1e-4, "{found:?} is not {expected}");
    }
}

/// Noise of mean `level` and variance `variance`, nearly Gaussian.
fn noise(n: usize, mut one: impl FnMut() -> f64) -> Vec<f32> {
    (0..n).map(|_| one() as f32).collect()
}

#[test]
fn white_noise_has_the_level_of_its_variance_at_every_frequency() {
    let mut random = support::Cheap(3);
    // A sum of twelve uniform numbers has the variance 1.
    let mut gauss = || 3.0 * ((0..12).map(|_| f64::from(random.next()) / 4_294_967_296.0).sum::<f64>() - 6.0);
    let spectrum = average(256, 1024, &noise(1024 * 512, &mut gauss));
    let edges: Vec<f64> = (1..=10).map(|i| 0.05 * f64::from(i)).collect();
    let map = PolarMap::new(256, &edges, &[0.05, 0.5], 6);
    let means = map.average(&spectrum);
    for (ring, level) in means.rings.iter().enumerate() {
        // 8 patches, Hann bandwidth 2.25, half of the plane: four standard deviations of the mean.
        let frequencies = std::f64::consts::PI * (edges[ring + 1].powi(2) - edges[ring].powi(2)) * 256.0 * 256.0;
        let limit = 4.0 / (frequencies * 8.0 / 2.0 / 2.25).sqrt();
        assert!((level.unwrap() / 9.0 - 1.0).abs() < limit, "ring {ring}: {level:?} is not 9 within {limit}");
    }
}

#[test]
fn a_picture_of_one_patch_keeps_its_power() {
    // Parseval for the windowed patch: the mean of P over all frequencies is Σ(x·w)²/Σw².
    let (size, mut random) = (64usize, support::Cheap(5));
    let pixels = noise(size * size, || f64::from(random.next() >> 24));
    let spectrum = average(size, size, &pixels);
    let total: f64 = (0..=size / 2)
        .map(|x| {
            let column: f64 = spectrum.power[x * size..(x + 1) * size].iter().map(|&p| f64::from(p)).sum();
            if x == 0 || x == size / 2 { column } else { 2.0 * column }
        })
        .sum();
    let middle = (size as f64 - 1.0) / 2.0;
    let spread = (size * size) as f64 * ((size * size) as f64 - 1.0) / 12.0;
    let at = |i: usize| ((i % size) as f64 - middle, (i / size) as f64 - middle, f64::from(pixels[i]));
    let all = || (0..size * size).map(at);
    let mean = all().map(|(_, _, v)| v).sum::<f64>() / (size * size) as f64;
    let (sx, sy) =
        (all().map(|(x, _, v)| x * v).sum::<f64>() / spread, all().map(|(_, y, v)| y * v).sum::<f64>() / spread);
    let hann = |t: f64| 0.5 - 0.5 * (std::f64::consts::TAU * (t + middle) / size as f64).cos();
    let windowed: f64 = all().map(|(x, y, v)| ((v - mean - sx * x - sy * y) * hann(x) * hann(y)).powi(2)).sum();
    let squares: f64 = all().map(|(x, y, _)| (hann(x) * hann(y)).powi(2)).sum();
    let expected = windowed / squares * (size * size) as f64;
    assert!((total / expected - 1.0).abs() < 1e-5, "{total} is not {expected}");
}
