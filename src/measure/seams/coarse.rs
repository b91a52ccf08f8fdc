//! About where a seam's tiles lie: a masked correlation of binned strips within the search window.

use crate::measure::seams::plan::Pair;
use crate::measure::seams::strip::Strip;
use crate::measured::{Measured, NotMeasured};
use crate::numerics::registration::image::Image;
use crate::numerics::registration::masked::{self, Window};
use crate::numerics::wide::wide;

/// Of two peaks about as high, the one nearer to the nominal place counts (a repeating texture has many).
const AS_HIGH: f64 = 0.9;
/// The common area must be at least this share of the nominal one.
const LEAST_SHARE: f64 = 0.3;
/// Binned overlaps have at least this many pixels across.
const LEAST_BINNED_PX: i64 = 24;
const LARGEST_BIN: i64 = 8;
/// Coarser bins are tried while the overlap has this many pixels across.
const LEAST_COARSE_PX: i64 = 8;
/// What is wider than this many binned pixels is illumination.
const SMOOTH_PX: usize = 12;

/// The difference of places to about a pixel of the first bin that shows it: finer ones where the usual one shows too
/// little, then a coarser one, in which counting noise drowns less.
pub fn coarse(pair: &Pair, from: &Strip, to: &Strip) -> Measured<[f64; 2]> {
    let usual = (pair.overlap_px / LEAST_BINNED_PX).clamp(1, LARGEST_BIN);
    let finer = std::iter::successors(Some(usual), |bin| (*bin > 1).then_some(bin / 2));
    let coarser = [2 * usual, 4 * usual].into_iter().filter(|bin| pair.overlap_px / bin >= LEAST_COARSE_PX);
    let found = finer.chain(coarser).find_map(|bin| coarse_at(pair, from, to, bin as f64));
    found.ok_or_else(|| NotMeasured::because("its overlap shows no common texture"))
}

fn coarse_at(pair: &Pair, from: &Strip, to: &Strip, bin: f64) -> Option<[f64; 2]> {
    let strip = |strip: &Strip| smooth_off(&strip.image.binned(bin as usize));
    let (a, b) = (strip(from), strip(to));
    // Strip coordinates: b(x) = a(x + d) with d = difference of places + origin of `to` - origin of `from`.
    let origin = [to.rect.x as f64 - from.rect.x as f64, to.rect.y as f64 - from.rect.y as f64];
    let middle: [f64; 2] = std::array::from_fn(|k| (pair.nominal_px[k] + origin[k]) / bin);
    let reach = pair.reach_px as f64 / bin + 1.0;
    let side = |k: usize| [(middle[k] - reach).floor() as i64, (middle[k] + reach).ceil() as i64];
    let nominal_area = pair.overlap_px as f64 * if pair.along_x { a.cols as f64 } else { a.rows as f64 } / bin;
    let window = Window { x: side(0), y: side(1) };
    let surface = masked::correlate(&a, &b, window, LEAST_SHARE * nominal_area);
    let peak = surface.peak(middle, AS_HIGH).filter(|peak| peak.significance >= peak.chance_significance)?;
    Some([peak.x * bin - origin[0], peak.y * bin - origin[1]])
}

/// Takes the mean of a square around each pixel off, finite pixels alone.
fn smooth_off(image: &Image) -> Image {
    let (rows, cols) = (image.rows, image.cols);
    let is_known = |value: &f32| f32::from(u8::from(value.is_finite()));
    let values: Vec<f32> = image.values.iter().map(|value| if value.is_finite() { *value } else { 0.0 }).collect();
    let mut smooth = around(&values, rows, cols);
    if image.values.iter().all(|value| value.is_finite()) {
        let held = |at: usize, n: usize| ((at + SMOOTH_PX + 1).min(n) - at.saturating_sub(SMOOTH_PX)) as f64;
        let along: Vec<f64> = (0..cols).map(|x| held(x, cols)).collect();
        for (y, line) in smooth.chunks_exact_mut(cols).enumerate() {
            line.iter_mut().zip(&along).for_each(|(sum, along)| *sum /= held(y, rows) * along);
        }
    } else {
        let counts = around(&image.values.iter().map(is_known).collect::<Vec<f32>>(), rows, cols);
        smooth.iter_mut().zip(counts).for_each(|(sum, n)| *sum /= n.max(1.0));
    }
    let values = image.values.iter().zip(&smooth).map(|(value, mean)| (f64::from(*value) - mean) as f32).collect();
    Image { values, ..*image }
}

/// The sum over the square around each pixel, as far as the image reaches.
fn around(values: &[f32], rows: usize, cols: usize) -> Vec<f64> {
    let mut out = Vec::with_capacity(values.len());
    // Of each column over the rows of the square, and of those over the columns before.
    let (mut columns, mut before) = (vec![0.0f64; cols], vec![0.0f64; cols + 1]);
    let line = |y: usize| &values[y * cols..(y + 1) * cols];
    (0..SMOOTH_PX.min(rows)).for_each(|y| add(&mut columns, line(y), 1.0));
    for y in 0..rows {
        if y + SMOOTH_PX < rows {
            add(&mut columns, line(y + SMOOTH_PX), 1.0);
        }
        if y > SMOOTH_PX {
            add(&mut columns, line(y - SMOOTH_PX - 1), -1.0);
        }
        let mut sum = 0.0;
        for (before, column) in before[1..].iter_mut().zip(&columns) {
            sum += column;
            *before = sum;
        }
        out.extend((0..cols).map(|x| before[(x + SMOOTH_PX + 1).min(cols)] - before[x.saturating_sub(SMOOTH_PX)]));
    }
    out
}

wide! {
    fn add<'a>(sums: &'a mut [f64], line: &'a [f32], times: f64) {
        sums.iter_mut().zip(line).for_each(|(sum, value)| *sum += times * f64::from(*value));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_smooth_is_taken_off_by_what_is_known_around() {
        let (rows, cols) = (30, 41);
        let mut image =
            Image { rows, cols, values: (0..rows * cols).map(|at| 500.0 + (at * at % 37) as f32).collect() };
        let by_hand = |image: &Image, x: usize, y: usize| {
            let near = |at: usize, n: usize| at.saturating_sub(SMOOTH_PX)..(at + SMOOTH_PX + 1).min(n);
            let square = near(y, rows).flat_map(|y| near(x, cols).map(move |x| y * cols + x));
            let known: Vec<f32> = square.map(|at| image.values[at]).filter(|value| value.is_finite()).collect();
            image.values[y * cols + x] - known.iter().sum::<f32>() / known.len() as f32
        };
        for _ in 0..2 {
            let found = smooth_off(&image);
            for (x, y) in [(0, 0), (40, 0), (20, 15), (3, 29), (40, 29)] {
                assert!((found.values[y * cols + x] - by_hand(&image, x, y)).abs() < 1e-2, "{x} {y}");
            }
            // Once more with some left out.
            image.values[16 * cols + 18..16 * cols + 30].fill(f32::NAN);
        }
    }
}
