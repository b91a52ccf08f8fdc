//! Images with pixels that may be missing: made smaller, and read between pixels.

use crate::numerics::wide::{add, wide};

/// An image; pixels that are no number are left out.
#[derive(Debug, Clone, PartialEq)]
pub struct Image {
    /// Rows.
    pub rows: usize,
    /// Columns.
    pub cols: usize,
    /// Row by row.
    pub values: Vec<f32>,
}

impl Image {
    /// Means of `bin` × `bin` pixels, those that are no number left out.
    pub fn binned(&self, bin: usize) -> Self {
        if bin <= 1 {
            return self.clone();
        }
        let (rows, cols) = ((self.rows / bin).max(1), (self.cols / bin).max(1));
        let mut values = Vec::with_capacity(rows * cols);
        // Columns first: those are added many at a time.
        let mut sums = vec![0.0f32; self.cols];
        for lines in self.values.chunks(bin * self.cols).take(rows) {
            sums.fill(0.0);
            lines.chunks(self.cols).for_each(|line| add(&mut sums, line));
            let size = (lines.len() / self.cols) as f32;
            values.extend(sums.chunks(bin).take(cols).map(|few| few.iter().sum::<f32>() / (size * few.len() as f32)));
            let done = values.len() - cols;
            // One that is no number left no sum.
            for (x, value) in values[done..].iter_mut().enumerate().filter(|(_, value)| !value.is_finite()) {
                let few = lines.chunks(self.cols).flat_map(|line| &line[x * bin..((x + 1) * bin).min(self.cols)]);
                let known = few.filter(|value| value.is_finite());
                *value = known.clone().sum::<f32>() / known.count() as f32;
            }
        }
        Self { rows, cols, values }
    }

    /// Means of 2 × 2 pixels from a first column and row on, those that are no number left out.
    pub fn halved(&self, [skip_x, skip_y]: [usize; 2]) -> Self {
        let (rows, cols) = ((self.rows - skip_y) / 2, (self.cols - skip_x) / 2);
        let mut values = vec![0.0f32; rows * cols];
        for (y, out) in values.chunks_exact_mut(cols.max(1)).enumerate() {
            let line = |y: usize| &self.values[y * self.cols + skip_x..][..2 * cols];
            let [upper, lower] = [line(skip_y + 2 * y), line(skip_y + 2 * y + 1)];
            halve(out, [upper, lower]);
            for (x, out) in out.iter_mut().enumerate().filter(|(_, out)| !out.is_finite()) {
                let four = [upper[2 * x], upper[2 * x + 1], lower[2 * x], lower[2 * x + 1]];
                let known = four.iter().filter(|value| value.is_finite());
                *out = known.clone().sum::<f32>() / known.count() as f32;
            }
        }
        Self { rows, cols, values }
    }

    /// The value between pixels, bilinear; NaN outside.
    pub fn between(&self, x: f64, y: f64) -> f32 {
        let inside = x >= 0.0 && y >= 0.0 && x <= self.cols as f64 - 1.0 && y <= self.rows as f64 - 1.0;
        if !inside {
            return f32::NAN;
        }
        // Above zero, to cut off is to round down.
        let (left, top) = (x as usize, y as usize);
        let (right, bottom) = ((left + 1).min(self.cols - 1), (top + 1).min(self.rows - 1));
        let at = |x: usize, y: usize| self.values[y * self.cols + x];
        mix(
            [at(left, top), at(right, top), at(left, bottom), at(right, bottom)],
            [x - left as f64, y - top as f64].map(|share| share as f32),
        )
    }

    /// Whether pixels lie on all sides of a place.
    pub fn surrounds(&self, [x, y]: [f64; 2]) -> bool {
        x >= 0.0 && y >= 0.0 && x < self.cols as f64 - 1.0 && y < self.rows as f64 - 1.0
    }

    /// The values at places a step apart, all of which pixels [surround](Self::surrounds), as [`Self::between`] gives them.
    pub fn along(&self, from: [f64; 2], step: [f64; 2], out: &mut [f32]) {
        let fixed = |px: f64| (px * FIXED_ONE) as i64;
        let ([mut x, mut y], [dx, dy]) = (from.map(fixed), step.map(fixed));
        // Of the last place the last bit may lie outside.
        let last = self.values.len() - self.cols - 2;
        for out in out {
            let (inside_x, inside_y) = (x.max(0), y.max(0));
            let first = ((inside_y >> FIXED_BITS) as usize * self.cols + (inside_x >> FIXED_BITS) as usize).min(last);
            let four = &self.values[first..first + self.cols + 2];
            *out = mix([four[0], four[1], four[self.cols], four[self.cols + 1]], [inside_x, inside_y].map(share));
            (x, y) = (x + dx, y + dy);
        }
    }
}

/// Places in whole numbers of this part of a pixel can be stepped along without being rounded anew.
const FIXED_BITS: u32 = 32;
const FIXED_ONE: f64 = (1u64 << FIXED_BITS) as f64;

/// How far beyond the last pixel a place in such numbers is.
#[inline(always)]
fn share(place: i64) -> f32 {
    // As many bits as the mantissa holds.
    let bits = ((place >> (FIXED_BITS - 23)) & 0x7f_ffff) as i32;
    bits as f32 * (1.0 / 8_388_608.0)
}

/// Four neighbouring values, two of the upper row first, weighed by how far on a place lies.
#[inline(always)]
fn mix([a, b, c, d]: [f32; 4], [x, y]: [f32; 2]) -> f32 {
    let (upper, lower) = (a * (1.0 - x) + b * x, c * (1.0 - x) + d * x);
    upper * (1.0 - y) + lower * y
}

wide! {
    /// Means of pairs of two lines.
    fn halve<'a>(out: &'a mut [f32], lines: [&'a [f32]; 2]) {
        let [upper, lower] = lines.map(|line| line.as_chunks::<2>().0);
        for ((out, [a, b]), [c, d]) in out.iter_mut().zip(upper).zip(lower) {
            *out = 0.25 * ((a + b) + (c + d));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_the_size_is_what_bins_of_two_are() {
        let mut values: Vec<f32> = (0..63).map(|at| ((at * 37) % 101) as f32).collect();
        [12, 20, 21, 29, 30].into_iter().for_each(|at| values[at] = f32::NAN);
        let image = Image { rows: 7, cols: 9, values };
        let (half, binned) = (image.halved([0, 0]), image.binned(2));
        assert_eq!((half.rows, half.cols), (binned.rows, binned.cols));
        for (a, b) in half.values.iter().zip(&binned.values) {
            assert!((a - b).abs() < 1e-4 || (a.is_nan() && b.is_nan()), "{a} {b}");
        }
        assert!(half.values.iter().any(|value| value.is_nan()));
        assert_eq!(
            image.halved([1, 1]).values[0],
            (37.0 * 10.0 % 101.0 + 37.0 * 11.0 % 101.0 + 37.0 * 19.0 % 101.0) / 3.0
        );
    }

    #[test]
    fn values_along_a_line_are_those_between_pixels() {
        let image = Image { rows: 9, cols: 12, values: (0..108).map(|at| ((at * 37) % 101) as f32).collect() };
        let lines = [
            ([0.0, 0.0], [0.7, 0.3]),
            ([10.9, 7.9], [-0.7, -0.5]),
            ([0.3, 7.0], [0.61, -0.69]),
            ([6.5, 0.0], [-0.65, 0.01]),
        ];
        for (from, step) in lines {
            let mut out = [0.0; 11];
            image.along(from, step, &mut out);
            for (at, value) in out.iter().enumerate() {
                let [x, y] = [0, 1].map(|k| from[k] + at as f64 * step[k]);
                if image.surrounds([x, y]) {
                    assert!((value - image.between(x, y)).abs() < 1e-4, "{x} {y}: {value}");
                }
            }
        }
        // To the corner itself, though a tenth is no number of that kind.
        let mut out = [0.0; 11];
        image.along([1.0, 1.0], [-0.1, -0.1], &mut out);
        assert!((out[10] - image.between(0.0, 0.0)).abs() < 1e-4);
    }
}
