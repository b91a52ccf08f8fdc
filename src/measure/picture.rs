//! The picture of a tilt: its tiles binned, laid out by their nominal places, as a grey JPEG for the report.

use image::ExtendedColorType;
use image::codecs::jpeg::JpegEncoder;
use ndarray::Array2;

/// Longest side of a picture.
const LONGEST_PX: usize = 640;
/// JPEG quality of a picture that is light enough, and of those beyond so many times that weight: noise costs bytes
/// and shows nothing.
const JPEG_QUALITY: u8 = 75;
const LIGHT_BYTES: usize = 48_000;
const COARSER: [(f64, u8); 3] = [(2.0, 30), (1.4, 45), (1.0, 60)];
/// Shares of the pixels that are drawn black and white.
const BLACK_QUANTILE: f64 = 0.005;
const WHITE_QUANTILE: f64 = 0.995;

/// Pixels that are averaged into one, for a picture of this size.
pub fn binning(assembled_px: (usize, usize)) -> usize {
    assembled_px.0.max(assembled_px.1).div_ceil(LONGEST_PX).max(1)
}

/// A finished picture.
#[derive(Debug, Clone, PartialEq)]
pub struct TiltPicture {
    /// The JPEG file.
    pub jpeg: Vec<u8>,
    /// Width and height.
    pub size_px: [u32; 2],
    /// Counts drawn black and white.
    pub counts: [f64; 2],
    /// Place of its first pixel in the assembled picture, in px of that.
    pub origin_px: [f64; 2],
}

/// Lays binned tiles out (with their places in pixels of the assembled picture) and encodes them; places of no tile
/// are drawn mid-grey. `None` without a tile.
pub fn assemble(tiles: &[(Array2<f32>, [f64; 2])], bin: usize) -> Option<TiltPicture> {
    let low = [0, 1].map(|k| tiles.iter().map(|(_, place)| place[k]).fold(f64::INFINITY, f64::min));
    let place = |px: f64, k: usize| ((px - low[k]) / bin as f64).round() as usize;
    let rows = tiles.iter().map(|(tile, [_, y])| place(*y, 1) + tile.nrows()).max()?;
    let cols = tiles.iter().map(|(tile, [x, _])| place(*x, 0) + tile.ncols()).max()?;
    let (mut sum, mut n) = (Array2::<f32>::zeros((rows, cols)), Array2::<f32>::zeros((rows, cols)));
    for (tile, [x, y]) in tiles {
        for ((r, c), value) in tile.indexed_iter() {
            let at = (place(*y, 1) + r, place(*x, 0) + c);
            sum[at] += value;
            n[at] += 1.0;
        }
    }
    let mosaic = sum / n;
    let [black, white] = contrast(&mosaic)?;
    let grey = |v: f32| {
        if v.is_nan() {
            128
        } else {
            (255.0 * (f64::from(v) - black) / (white - black)).clamp(0.0, 255.0).round() as u8
        }
    };
    let bytes: Vec<u8> = mosaic.iter().map(|&v| grey(v)).collect();
    let size_px = [u32::try_from(cols).ok()?, u32::try_from(rows).ok()?];
    let jpeg = encode(&bytes, size_px)?;
    Some(TiltPicture { jpeg, size_px, counts: [black, white], origin_px: low })
}

fn encode(grey: &[u8], size_px: [u32; 2]) -> Option<Vec<u8>> {
    let with = |quality: u8| {
        let mut jpeg = Vec::new();
        let mut encoder = JpegEncoder::new_with_quality(&mut jpeg, quality);
        encoder.encode(grey, size_px[0], size_px[1], ExtendedColorType::L8).ok().map(|()| jpeg)
    };
    let fine = with(JPEG_QUALITY)?;
    let weight = fine.len() as f64 / LIGHT_BYTES as f64;
    match COARSER.iter().find(|(times, _)| weight > *times) {
        Some((_, quality)) => with(*quality),
        None => Some(fine),
    }
}

fn contrast(mosaic: &Array2<f32>) -> Option<[f64; 2]> {
    let mut values: Vec<f32> = mosaic.iter().copied().filter(|v| !v.is_nan()).collect();
    let last = values.len().checked_sub(1)? as f64;
    let mut at = |q: f64| f64::from(*values.select_nth_unstable_by((q * last).round() as usize, f32::total_cmp).1);
    let (black, white) = (at(BLACK_QUANTILE), at(WHITE_QUANTILE));
    Some([black, if white > black { white } else { black + 1.0 }])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_picture_is_a_jpeg_of_the_assembled_tiles() {
        let tile = Array2::from_shape_fn((20, 30), |(r, c)| (r * c) as f32);
        let picture = assemble(&[(tile.clone(), [0.0, 0.0]), (tile, [0.0, 36.0])], 2).unwrap();
        assert_eq!(picture.size_px, [30, 38]);
        assert!(picture.jpeg.starts_with(&[0xff, 0xd8, 0xff]));
        assert_eq!(assemble(&[], 2), None);
    }
}
