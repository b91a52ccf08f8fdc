//! The small picture of a tilt that tracking keeps: tiles binned, laid out where they were found, in two bytes a pixel.

use crate::numerics::registration::masked::Image;
use ndarray::Array2;

/// Pixels of a kept picture: two bytes each stay well within the half megabyte that a tilt may cost.
const MOST_PX: usize = 130_000;

/// Bins of a binned picture that are averaged into one pixel of the kept one.
pub fn further_binning(assembled_px: (usize, usize), bin: usize) -> usize {
    let area = (assembled_px.0 / bin).max(1) * (assembled_px.1 / bin).max(1);
    (1..).find(|k| area / (k * k) <= MOST_PX).unwrap_or(1)
}

/// A kept picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept {
    /// Rows.
    pub rows: usize,
    /// Columns.
    pub cols: usize,
    low: f32,
    step: f32,
    /// 0: no pixel; else `low + (value - 1) × step`.
    values: Vec<u16>,
}

impl Kept {
    /// Lays tiles (binned by `bin`) out at their places in the assembled picture of `frame_px` (both in px of the
    /// assembled picture) and averages `further` × `further` of their pixels into one. A pixel straddling two
    /// tiles is the mean of them, weighted by how much each covers.
    pub fn assemble(tiles: &[(Array2<f32>, [f64; 2])], frame_px: (usize, usize), bin: usize, further: usize) -> Self {
        let pixel = (bin * further) as f64;
        let (rows, cols) =
            (((frame_px.1 as f64 / pixel) as usize).max(1), ((frame_px.0 as f64 / pixel) as usize).max(1));
        let (mut sum, mut weight) = (vec![0.0f32; rows * cols], vec![0.0f32; rows * cols]);
        for (tile, place) in tiles {
            let coarse = coarser(tile, further);
            let spread_x = spread(coarse.ncols(), place[0] / pixel, cols);
            let spread_y = spread(coarse.nrows(), place[1] / pixel, rows);
            for (y, at_y) in spread_y.iter().enumerate() {
                for (x, at_x) in spread_x.iter().enumerate() {
                    let value = coarse[(y, x)];
                    if !value.is_finite() {
                        continue;
                    }
                    for (row, wy) in at_y.iter().flatten() {
                        for (col, wx) in at_x.iter().flatten() {
                            sum[row * cols + col] += wx * wy * value;
                            weight[row * cols + col] += wx * wy;
                        }
                    }
                }
            }
        }
        let values: Vec<f32> =
            sum.iter().zip(&weight).map(|(sum, &weight)| if weight > 0.2 { sum / weight } else { f32::NAN }).collect();
        Self::pack(rows, cols, &values)
    }

    fn pack(rows: usize, cols: usize, values: &[f32]) -> Self {
        let known = || values.iter().copied().filter(|v| v.is_finite());
        let (low, high) = (known().fold(f32::INFINITY, f32::min), known().fold(f32::NEG_INFINITY, f32::max));
        let step = ((high - low) / 65_000.0).max(f32::MIN_POSITIVE);
        let code = |&v: &f32| if v.is_finite() { 1 + ((v - low) / step).round() as u16 } else { 0 };
        Self { rows, cols, low, step, values: values.iter().map(code).collect() }
    }

    /// The picture as numbers, NaN where there is none.
    pub fn image(&self) -> Image {
        let value = |&code: &u16| if code == 0 { f32::NAN } else { self.low + f32::from(code - 1) * self.step };
        Image { rows: self.rows, cols: self.cols, values: self.values.iter().map(value).collect() }
    }
}

fn coarser(tile: &Array2<f32>, further: usize) -> Array2<f32> {
    if further == 1 {
        return tile.clone();
    }
    let shape = ((tile.nrows() / further).max(1), (tile.ncols() / further).max(1));
    Array2::from_shape_fn(shape, |(r, c)| {
        let square = ndarray::s![
            r * further..((r + 1) * further).min(tile.nrows()),
            c * further..((c + 1) * further).min(tile.ncols())
        ];
        tile.slice(square).mean().unwrap_or(f32::NAN)
    })
}

/// Where each of `n` pixels laid from `start` on ends up among `size`: two neighbours with their shares.
fn spread(n: usize, start: f64, size: usize) -> Vec<[Option<(usize, f32)>; 2]> {
    let one = |i: usize| {
        let place = start + i as f64;
        let (low, part) = (place.floor() as i64, (place - place.floor()) as f32);
        let share = |at: i64, share: f32| (share > 0.0 && at >= 0 && at < size as i64).then_some((at as usize, share));
        [share(low, 1.0 - part), share(low + 1, part)]
    };
    (0..n).map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tiles_lie_where_they_were_found() {
        let tile = Array2::from_shape_fn((4, 4), |(r, c)| (10 * r + c) as f32);
        let kept = Kept::assemble(&[(tile.clone(), [0.0, 0.0]), (tile, [0.0, 8.0])], (8, 18), 2, 1);
        let image = kept.image();
        assert_eq!((image.rows, image.cols), (9, 4));
        let at = |r: usize, c: usize| image.values[r * 4 + c];
        assert!((at(3, 2) - 32.0).abs() < 0.01 && (at(4, 2) - 2.0).abs() < 0.01 && at(8, 0).is_nan());
    }

    #[test]
    fn a_picture_of_any_size_is_kept_small() {
        assert_eq!(further_binning((2048, 2048), 4), 2);
        assert_eq!(further_binning((512, 1344), 3), 1);
    }
}
