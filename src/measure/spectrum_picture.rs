//! The whole spectrum of a tilt as a small picture: power over the mean of its ring, zero frequency in the middle.

use crate::numerics::periodogram::PowerSpectrum;
use image::ExtendedColorType;
use image::codecs::jpeg::JpegEncoder;

/// Longest side of the picture.
const LONGEST_PX: usize = 176;
const JPEG_QUALITY: u8 = 70;
/// Power drawn black and white, over the ring's mean, in standard deviations of the picture.
const CONTRAST_SDS: f64 = 2.5;

/// A spectrum binned to the picture's size: the half plane, later added over tiles.
#[derive(Debug, Clone, PartialEq)]
pub struct Small {
    half: usize,
    side: usize,
    power: Vec<f32>,
    patches: f32,
}

/// Bins a spectrum.
pub fn shrink(spectrum: &PowerSpectrum) -> Small {
    let bin = spectrum.size.div_ceil(LONGEST_PX);
    let (half, side) = (spectrum.size / 2 / bin, spectrum.size / 2 / bin * 2);
    let mut power = vec![0.0f32; half * side];
    for x in 0..half * bin {
        for y in 0..side * bin {
            // Row `side / 2` of the picture holds frequency 0 along y.
            let signed = y as isize - (side * bin / 2) as isize;
            let stored = signed.rem_euclid(spectrum.size as isize) as usize;
            power[x / bin * side + y / bin] += spectrum.power[x * spectrum.size + stored];
        }
    }
    let share = 1.0 / (bin * bin) as f32;
    power.iter_mut().for_each(|value| *value *= share);
    Small { half, side, power, patches: spectrum.patches as f32 }
}

/// Mean of the tiles' spectra as a JPEG; `None` without any.
pub fn encode(tiles: &[&Small]) -> Option<Vec<u8>> {
    let first = tiles.first()?;
    let patches: f32 = tiles.iter().map(|tile| tile.patches).sum();
    let mut power = vec![0.0f64; first.power.len()];
    for tile in tiles {
        let share = f64::from(tile.patches / patches);
        power.iter_mut().zip(&tile.power).for_each(|(sum, value)| *sum += share * f64::from(*value));
    }
    let (half, side) = (first.half, first.side);
    let relative = over_rings(&power, half, side);
    let spread: f64 = relative.iter().map(|v| v * v).sum::<f64>() / relative.len() as f64;
    let scale = 127.0 / (CONTRAST_SDS * spread.sqrt().max(1e-6));
    let grey = |x: usize, y: usize| {
        // The half plane of negative fx mirrors the other.
        let (x, y) = if x >= half { (x - half, y) } else { (half - 1 - x, side - 1 - y) };
        (128.0 + scale * relative[x * side + y]).clamp(0.0, 255.0) as u8
    };
    let pixels: Vec<u8> = (0..side).flat_map(|y| (0..2 * half).map(move |x| (x, y))).map(|(x, y)| grey(x, y)).collect();
    let mut jpeg = Vec::new();
    let size = [u32::try_from(2 * half).ok()?, u32::try_from(side).ok()?];
    JpegEncoder::new_with_quality(&mut jpeg, JPEG_QUALITY)
        .encode(&pixels, size[0], size[1], ExtendedColorType::L8)
        .ok()?;
    Some(jpeg)
}

/// Power over a smooth curve through the means of its rings, less 1: the curve is so wide that it keeps the rings.
fn over_rings(power: &[f64], half: usize, side: usize) -> Vec<f64> {
    let radius = |at: usize| ((at / side) as f64 + 0.5).hypot((at % side) as f64 + 0.5 - 0.5 * side as f64);
    let rings = side;
    let (mut sum, mut n) = (vec![0.0; rings], vec![0.0; rings]);
    for (at, value) in power.iter().enumerate() {
        sum[(radius(at) as usize).min(rings - 1)] += value.max(1e-30).ln();
        n[(radius(at) as usize).min(rings - 1)] += 1.0;
    }
    let wide = half / 5 + 1;
    let smooth: Vec<f64> = (0..rings)
        .map(|ring| {
            // Near the middle the spectrum falls steeply: the window may not reach over what it cannot level.
            let reach = wide.min(ring / 2);
            let near = ring - reach..(ring + reach + 1).min(rings);
            let (s, k) =
                near.fold((0.0, 0.0), |(s, k), i| if n[i] > 0.0 { (s + sum[i] / n[i], k + 1.0) } else { (s, k) });
            if k > 0.0 { s / k } else { 0.0 }
        })
        .collect();
    power.iter().enumerate().map(|(at, v)| v.max(1e-30).ln() - smooth[(radius(at) as usize).min(rings - 1)]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spectrum_becomes_a_square_jpeg() {
        let size = 512;
        let power = (0..size * (size / 2 + 1)).map(|i| 1.0 + (i % 7) as f32).collect();
        let small = shrink(&PowerSpectrum { size, power, patches: 3 });
        assert_eq!((small.half, small.side), (85, 170));
        let jpeg = encode(&[&small, &small]).unwrap();
        assert!(jpeg.starts_with(&[0xff, 0xd8, 0xff]) && jpeg.len() < 30_000);
        assert_eq!(encode(&[]), None);
    }

    #[test]
    fn a_peak_lies_where_its_frequency_is() {
        let size = 64;
        let mut power = vec![1.0f32; size * (size / 2 + 1)];
        // fx = 20, fy = -10 of 64.
        power[20 * size + (size - 10)] = 1e6;
        let small = shrink(&PowerSpectrum { size, power, patches: 1 });
        let top = (0..small.power.len()).max_by(|&a, &b| small.power[a].total_cmp(&small.power[b])).unwrap();
        assert_eq!((top / small.side, top % small.side), (20, 32 - 10));
    }
}
