//! Images made ready to be transformed: their best plane taken off, their borders faded.

use crate::numerics::registration::taper::Taper;
use crate::numerics::wide::wide;

/// Part of an image: its lines begin `stride` values apart.
#[derive(Debug, Clone, Copy)]
pub struct Part<'a> {
    /// From its first pixel on, to its last at least.
    pub values: &'a [f32],
    /// At least as many as a line has pixels.
    pub stride: usize,
}

impl<'a> Part<'a> {
    fn lines(self, rows: usize, cols: usize) -> impl Iterator<Item = &'a [f32]> {
        self.values.chunks(self.stride.max(1)).take(rows).map(move |line| &line[..cols])
    }
}

/// What [`levelled`] gives.
pub struct Levelled {
    /// The image, row by row.
    pub image: Vec<f32>,
    /// Mean of the numbers among its values.
    pub mean: f32,
    /// Share of its values that are numbers.
    pub known: f64,
}

/// An image less its best plane, tapered. What is no number counts as the plane.
pub fn levelled(part: Part<'_>, [rows, cols]: [&Taper; 2]) -> Levelled {
    let [rows, cols] = [rows, cols].map(|taper| &taper.weights);
    let plane = plane(part, rows.len(), cols.len());
    let mut image = vec![0.0f32; rows.len() * cols.len()];
    let lines = image.chunks_exact_mut(cols.len()).zip(part.lines(rows.len(), cols.len())).zip(rows);
    for (y, ((out, line), wy)) in lines.enumerate() {
        let level = plane.mean + plane.y * (y as f32 - plane.middle[1]);
        level_and_taper(out, line, [&plane.along, cols], [level, plane.x, *wy]);
    }
    Levelled { image, mean: plane.mean, known: plane.known }
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
    known: f64,
    mean: f32,
    x: f32,
    y: f32,
    middle: [f32; 2],
    /// Columns from the middle.
    along: Vec<f32>,
}

fn plane(part: Part<'_>, rows: usize, cols: usize) -> Plane {
    let middle = [(cols as f64 - 1.0) / 2.0, (rows as f64 - 1.0) / 2.0];
    // Sums in f32 of a few hundred values less a level keep six digits.
    let level = part.lines(rows, cols).flatten().copied().find(|v| v.is_finite()).unwrap_or(0.0);
    let along: Vec<f32> = (0..cols).map(|x| (x as f64 - middle[0]) as f32).collect();
    let whole = column_sums(part, [rows, cols], level);
    // One value that is no number leaves no sum.
    let sums = if whole.iter().flatten().all(|sum| sum.is_finite()) {
        whole_sums(&whole, &along, rows)
    } else {
        known_sums(part, rows, &along, level)
    };
    let mean = if sums.n > 0.0 { sums.values / sums.n } else { 0.0 };
    // Coordinates count from the middle: with few pixels left out their means are next to nothing.
    let mean = mean + f64::from(level);
    let slope = |sum: f64, spread: f64| if spread > 0.0 { (sum / spread) as f32 } else { 0.0 };
    let [x, y] = [0, 1].map(|k| slope(sums.by_place[k], sums.squares[k]));
    let known = sums.n / (rows * cols).max(1) as f64;
    Plane { known, mean: mean as f32, x, y, middle: middle.map(|m| m as f32), along }
}

/// Sums over pixels: how many, their values, values times places from the middle (x, y), and squares of those places.
#[derive(Default)]
struct Sums {
    n: f64,
    values: f64,
    by_place: [f64; 2],
    squares: [f64; 2],
}

/// Of an image every pixel of which is known.
fn whole_sums([values, by_row]: &[Vec<f32>; 2], along: &[f32], rows: usize) -> Sums {
    let squares = |n: usize| (0..n).map(|at| (at as f64 - (n as f64 - 1.0) / 2.0).powi(2)).sum::<f64>();
    Sums {
        n: (rows * along.len()) as f64,
        values: values.iter().copied().map(f64::from).sum(),
        by_place: [
            values.iter().zip(along).map(|(sum, x)| f64::from(*sum) * f64::from(*x)).sum(),
            by_row.iter().copied().map(f64::from).sum(),
        ],
        squares: [squares(along.len()) * rows as f64, squares(rows) * along.len() as f64],
    }
}

fn known_sums(part: Part<'_>, rows: usize, along: &[f32], level: f32) -> Sums {
    let mut sums = Sums::default();
    for (y, line) in part.lines(rows, along.len()).enumerate() {
        let y = y as f64 - (rows as f64 - 1.0) / 2.0;
        for (value, x) in line.iter().zip(along).filter(|(value, _)| value.is_finite()) {
            let (value, x) = (f64::from(value - level), f64::from(*x));
            sums.n += 1.0;
            sums.values += value;
            sums.by_place = [sums.by_place[0] + x * value, sums.by_place[1] + y * value];
            sums.squares = [sums.squares[0] + x * x, sums.squares[1] + y * y];
        }
    }
    sums
}

/// Of each column: its values less a level, and those times their rows from the middle.
fn column_sums(part: Part<'_>, [rows, cols]: [usize; 2], level: f32) -> [Vec<f32>; 2] {
    let mut sums = [vec![0.0f32; cols], vec![0.0f32; cols]];
    for (y, line) in part.lines(rows, cols).enumerate() {
        let from_middle = (y as f64 - (rows as f64 - 1.0) / 2.0) as f32;
        let [values, by_row] = sums.each_mut().map(Vec::as_mut_slice);
        add_line(values, by_row, line, [level, from_middle]);
    }
    sums
}

wide! {
    fn add_line<'a>(values: &'a mut [f32], by_row: &'a mut [f32], line: &'a [f32], terms: [f32; 2]) {
        let [level, row] = terms;
        for ((sum, by_row), value) in values.iter_mut().zip(by_row).zip(line) {
            let value = value - level;
            *sum += value;
            *by_row += row * value;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plane_is_taken_off_whether_all_of_it_is_known_or_not() {
        let (rows, cols, stride) = (9, 14, 20);
        let mut values: Vec<f32> =
            (0..rows * stride).map(|at| 900.0 + 3.0 * (at % stride) as f32 - 7.0 * (at / stride) as f32).collect();
        let tapers = [Taper::new(rows, 0.1), Taper::new(cols, 0.1)];
        let level = |values: &[f32]| levelled(Part { values, stride }, tapers.each_ref());
        let whole = level(&values);
        assert!((whole.mean - (900.0 + 3.0 * 6.5 - 7.0 * 4.0)).abs() < 1e-3 && whole.known == 1.0);
        assert!(whole.image.iter().all(|value| value.abs() < 1e-2), "{:?}", whole.image);
        // Two of opposite places: the others' middle stays where it was.
        for at in [2 * stride + 3, 6 * stride + 10] {
            values[at] = f32::NAN;
        }
        let some = level(&values);
        assert!((some.known - 124.0 / 126.0).abs() < 1e-9 && (some.mean - whole.mean).abs() < 1e-3);
        // To a hundredth of what it falls and rises: x and y are taken for independent, as they are where all is known.
        assert!(some.image.iter().all(|value| value.abs() < 0.95), "{:?}", some.image);
    }
}
