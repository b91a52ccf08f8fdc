//! Images made ready to be transformed: their best plane taken off, their borders faded.

use crate::numerics::registration::taper::Taper;
use crate::numerics::wide::wide;

/// An image (row by row) less its best plane, tapered, and its mean. What is no number counts as the plane.
pub fn levelled(image: &[f32], [rows, cols]: [&Taper; 2]) -> (Vec<f32>, f32) {
    let [rows, cols] = [rows, cols].map(|taper| &taper.weights);
    let plane = plane(image, rows.len(), cols.len());
    let mut work = vec![0.0f32; image.len()];
    let lines = work.chunks_exact_mut(cols.len()).zip(image.chunks_exact(cols.len())).zip(rows);
    for (y, ((work, image), wy)) in lines.enumerate() {
        let level = plane.mean + plane.y * (y as f32 - plane.middle[1]);
        level_and_taper(work, image, [&plane.along, cols], [level, plane.x, *wy]);
    }
    (work, plane.mean)
}

wide! {
    /// Takes a slope off a line and tapers it; what is no number becomes 0.
    fn level_and_taper<'a>(work: &'a mut [f32], line: &'a [f32], x: [&'a [f32]; 2], terms: [f32; 3]) {
        let [along, weights] = x;
        let [level, slope, weight] = terms;
        for (((work, value), along), wx) in work.iter_mut().zip(line).zip(along).zip(weights) {
            let weighed = (value - (level + slope * along)) * weight * wx;
            *work = if weighed.abs() < f32::INFINITY { weighed } else { 0.0 };
        }
    }
}

/// The best plane of an image's finite pixels.
struct Plane {
    mean: f32,
    x: f32,
    y: f32,
    middle: [f32; 2],
    /// Columns from the middle.
    along: Vec<f32>,
}

wide! {
    fn plane<'a>(image: &'a [f32], rows: usize, cols: usize) -> Plane {
        let middle = [(cols as f64 - 1.0) / 2.0, (rows as f64 - 1.0) / 2.0];
        // Row sums in f32 of a few hundred values less a level keep six digits.
        let level = image.iter().copied().find(|v| v.is_finite()).unwrap_or(0.0);
        let (mut n, mut sum) = (0.0f64, 0.0f64);
        let (mut sx, mut sy, mut xx, mut yy) = (0.0f64, 0.0f64, 0.0f64, 0.0f64);
        let along: Vec<f32> = (0..cols).map(|x| (x as f64 - middle[0]) as f32).collect();
        for (y, line) in image.chunks_exact(cols).enumerate() {
            const LANES: usize = 8;
            let (mut known, mut row, mut row_x, mut row_xx) =
                ([0.0f32; LANES], [0.0f32; LANES], [0.0f32; LANES], [0.0f32; LANES]);
            let ((lines, rest), (alongs, rest_along)) = (line.as_chunks::<LANES>(), along.as_chunks::<LANES>());
            let mut last = ([f32::NAN; LANES], [0.0; LANES]);
            last.0[..rest.len()].copy_from_slice(rest);
            last.1[..rest.len()].copy_from_slice(rest_along);
            for (values, along) in lines.iter().zip(alongs).chain([(&last.0, &last.1)]) {
                for lane in 0..LANES {
                    let is_known = values[lane].abs() < f32::INFINITY;
                    let here = f32::from(u8::from(is_known));
                    let value = if is_known { values[lane] - level } else { 0.0 };
                    known[lane] += here;
                    row[lane] += value;
                    row_x[lane] += along[lane] * value;
                    row_xx[lane] += here * along[lane] * along[lane];
                }
            }
            let [known, row, row_x, row_xx] = [known, row, row_x, row_xx].map(|lanes| lanes.iter().sum::<f32>());
            let dy = y as f64 - middle[1];
            n += f64::from(known);
            sum += f64::from(row);
            sx += f64::from(row_x);
            sy += dy * f64::from(row);
            xx += f64::from(row_xx);
            yy += dy * dy * f64::from(known);
        }
        let mean = if n > 0.0 { sum / n } else { 0.0 };
        // Coordinates count from the middle: with few pixels left out their means are next to nothing.
        let mean = mean + f64::from(level);
        let slope = |sum: f64, spread: f64| if spread > 0.0 { (sum / spread) as f32 } else { 0.0 };
        Plane { mean: mean as f32, x: slope(sx, xx), y: slope(sy, yy), middle: middle.map(|m| m as f32), along }
    }
}
