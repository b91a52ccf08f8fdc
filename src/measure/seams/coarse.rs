//! About where a seam's tiles lie: a masked correlation of binned strips within the search window.

use crate::measure::seams::plan::Pair;
use crate::measure::seams::strip::Strip;
use crate::measured::{Measured, NotMeasured};
use crate::numerics::registration::masked::{self, Image, Window};

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
    let width = cols + 1;
    let mut sums = vec![(0.0f64, 0.0f64); width * (rows + 1)];
    for y in 0..rows {
        let mut line = (0.0, 0.0);
        for x in 0..cols {
            let value = image.values[y * cols + x];
            if value.is_finite() {
                line = (line.0 + f64::from(value), line.1 + 1.0);
            }
            let above = sums[y * width + x + 1];
            sums[(y + 1) * width + x + 1] = (above.0 + line.0, above.1 + line.1);
        }
    }
    let mean = |x: usize, y: usize| {
        let (x0, y0) = (x.saturating_sub(SMOOTH_PX), y.saturating_sub(SMOOTH_PX));
        let (x1, y1) = ((x + SMOOTH_PX + 1).min(cols), (y + SMOOTH_PX + 1).min(rows));
        let at = |x: usize, y: usize| sums[y * width + x];
        let corners = [at(x1, y1), at(x0, y1), at(x1, y0), at(x0, y0)];
        let sum = corners[0].0 - corners[1].0 - corners[2].0 + corners[3].0;
        let n = corners[0].1 - corners[1].1 - corners[2].1 + corners[3].1;
        (sum / n.max(1.0)) as f32
    };
    let values = (0..rows * cols).map(|at| image.values[at] - mean(at % cols, at / cols)).collect();
    Image { rows, cols, values }
}
