//! The small picture of a tilt that tracking keeps: tiles binned, laid out where they were found, in two bytes a pixel.

use crate::numerics::registration::image::Image;
use crate::numerics::wide::wide;
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
        let mut sheet = Sheet { cols, sums: vec![0.0; rows * cols], weights: vec![0.0; rows * cols] };
        for (tile, place) in tiles {
            sheet.lay(&coarser(tile, further), place.map(|px| px / pixel));
        }
        sheet.sums.iter_mut().zip(&sheet.weights).for_each(|(sum, weight)| *sum = mean(*sum, *weight));
        Self::pack(rows, cols, &sheet.sums)
    }

    fn pack(rows: usize, cols: usize, values: &[f32]) -> Self {
        let [low, high] = extremes(values);
        let step = ((high - low) / 65_000.0).max(f32::MIN_POSITIVE);
        let mut codes = vec![0; values.len()];
        encode(&mut codes, values, low, step);
        Self { rows, cols, low, step, values: codes }
    }

    /// The picture as numbers, NaN where there is none.
    pub fn image(&self) -> Image {
        let mut values = vec![0.0; self.values.len()];
        decode(&mut values, &self.values, self.low, self.step);
        Image { rows: self.rows, cols: self.cols, values }
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

/// Sums and weights of the tiles that are laid on it.
struct Sheet {
    cols: usize,
    sums: Vec<f32>,
    weights: Vec<f32>,
}

impl Sheet {
    /// Adds a tile whose first pixel lies at a place that need not be whole.
    fn lay(&mut self, tile: &Array2<f32>, place: [f64; 2]) {
        let ([x, y], part) = (place.map(|px| px.floor() as i64), place.map(|px| (px - px.floor()) as f32));
        // Between pixels a line is one pixel longer.
        let (mut values, mut weights) = (vec![0.0; tile.ncols() + 1], vec![0.0; tile.ncols() + 1]);
        let rows = self.sums.len() / self.cols.max(1);
        let first = x.clamp(0, self.cols as i64) as usize;
        let last = (x + values.len() as i64).clamp(first as i64, self.cols as i64) as usize;
        if first >= last {
            return;
        }
        let seen = (first as i64 - x) as usize..(last as i64 - x) as usize;
        for (line, at) in tile.rows().into_iter().zip(y..) {
            spread(&mut values, &mut weights, &line.to_vec(), part[0]);
            for (row, share) in [(at, 1.0 - part[1]), (at + 1, part[1])] {
                if row < 0 || row >= rows as i64 || share <= 0.0 {
                    continue;
                }
                let out = row as usize * self.cols + first..row as usize * self.cols + last;
                add_share(&mut self.sums[out.clone()], &values[seen.clone()], share);
                add_share(&mut self.weights[out], &weights[seen.clone()], share);
            }
        }
    }
}

const LANES: usize = 8;
/// From here on single precision knows whole numbers alone.
const WHOLE: f32 = 8_388_608.0;
/// A pixel of which tiles cover less than this share is none.
const LEAST_COVERED: f32 = 0.2;

#[inline(always)]
fn mean(sum: f32, weight: f32) -> f32 {
    if weight > LEAST_COVERED { sum / weight } else { f32::NAN }
}

wide! {
    /// Each pixel of a line shared out over two neighbours, and how much of each is a number.
    fn spread<'a>(values: &'a mut [f32], weights: &'a mut [f32], line: &'a [f32], part: f32) {
        values.fill(0.0);
        weights.fill(0.0);
        for (from, share) in [(0, 1.0 - part), (1, part)] {
            for ((out, weight), value) in values[from..].iter_mut().zip(&mut weights[from..]).zip(line) {
                *out += if value.is_finite() { share * value } else { 0.0 };
                *weight += if value.is_finite() { share } else { 0.0 };
            }
        }
    }

    fn add_share<'a>(sums: &'a mut [f32], values: &'a [f32], share: f32) {
        sums.iter_mut().zip(values).for_each(|(sum, value)| *sum += share * value);
    }

    /// The lowest and the highest number.
    fn extremes<'a>(values: &'a [f32]) -> [f32; 2] {
        // Each by itself: of two at once the compiler makes no wide loop.
        let ([mut low, mut high], (many, rest)) =
            ([[f32::INFINITY; LANES], [f32::NEG_INFINITY; LANES]], values.as_chunks::<LANES>());
        for some in many {
            for lane in 0..LANES {
                low[lane] = if some[lane] < low[lane] { some[lane] } else { low[lane] };
            }
        }
        for some in many {
            for lane in 0..LANES {
                high[lane] = if some[lane] > high[lane] { some[lane] } else { high[lane] };
            }
        }
        let (low, high) = (low.into_iter().chain(rest.iter().copied()), high.into_iter().chain(rest.iter().copied()));
        [low.fold(f32::INFINITY, f32::min), high.fold(f32::NEG_INFINITY, f32::max)]
    }

    /// 0 for what is no number, else 1 and how many steps it lies over the lowest.
    fn encode<'a>(codes: &'a mut [u16], values: &'a [f32], low: f32, step: f32) {
        let per_step = 1.0 / step;
        for (code, value) in codes.iter_mut().zip(values) {
            // The lowest bits of such a sum are the rounded number.
            let rounded = (value - low) * per_step + (WHOLE + 1.0);
            *code = if value.is_finite() { rounded.to_bits() as u16 } else { 0 };
        }
    }

    /// The other way.
    fn decode<'a>(values: &'a mut [f32], codes: &'a [u16], low: f32, step: f32) {
        for (value, code) in values.iter_mut().zip(codes) {
            *value = if *code == 0 { f32::NAN } else { low + (f32::from(*code) - 1.0) * step };
        }
    }
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
        // Those that lie beyond the frame show nothing of it.
        for place in [[40.0, 0.0], [-40.0, 0.0], [0.0, 90.0], [0.0, -90.0]] {
            let tile = Array2::from_elem((4, 4), 1.0f32);
            assert!(Kept::assemble(&[(tile, place)], (8, 18), 2, 1).image().values.iter().all(|value| value.is_nan()));
        }
    }

    #[test]
    fn between_pixels_a_tile_is_shared_out_and_what_is_no_number_is_left_out() {
        let mut tile = Array2::from_shape_fn((6, 20), |(r, c)| (100 * r + c) as f32);
        tile[(2, 5)] = f32::NAN;
        let image = Kept::assemble(&[(tile, [3.5, 0.25])], (30, 8), 1, 1).image();
        let at = |r: usize, c: usize| image.values[r * 30 + c];
        // A pixel half of one column and half of the one before, a quarter of the row above.
        assert!((at(4, 13) - (0.75 * 400.0 + 0.25 * 300.0 + 9.5)).abs() < 0.02, "{}", at(4, 13));
        assert!(at(4, 2).is_nan() && at(7, 13).is_nan() && at(4, 24).is_nan());
        // Half of 204, and a quarter of the row above; its other half would have been the missing pixel.
        let known = [(0.375, 204.0), (0.125, 104.0), (0.125, 105.0)];
        let mean = known.iter().map(|(share, value)| share * value).sum::<f32>() / 0.625;
        assert!((at(2, 8) - mean).abs() < 0.02, "{} {mean}", at(2, 8));
    }

    #[test]
    fn a_picture_of_any_size_is_kept_small() {
        assert_eq!(further_binning((2048, 2048), 4), 2);
        assert_eq!(further_binning((512, 1344), 3), 1);
    }
}
