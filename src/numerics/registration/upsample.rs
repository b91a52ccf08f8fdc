//! A correlation closer than from pixel to pixel, straight from its spectrum: a matrix DFT in y, then in x
//! (Guizar-Sicairos, Thurman & Fienup 2008, Opt. Lett. 33:156).

use crate::numerics::registration::fft2::Fft2;
use crate::numerics::sine::sin_cos;
use rustfft::num_complex::{Complex32, Complex64};
use std::f64::consts::TAU;

/// Points of a grid on either side of its middle.
pub const REACH: i32 = 2;
/// Points of a grid along each side.
pub const SIDE: usize = (2 * REACH + 1) as usize;

/// exp(2πi f d).
pub fn turn(frequency: f64, d: f64) -> Complex32 {
    let (sine, cosine) = sin_cos(TAU * frequency * d);
    Complex32::new(cosine as f32, sine as f32)
}

/// The frequency of an index, cycles a pixel.
pub fn signed(k: usize, n: usize) -> f64 {
    if 2 * k > n { (k as f64 - n as f64) / n as f64 } else { k as f64 / n as f64 }
}

/// Indices of the y frequencies up to `end` to either side of 0: those from 0 on, then those below.
pub fn passed(rows: usize, end: usize) -> [std::ops::Range<usize>; 2] {
    let last = end.min(rows / 2);
    [0..last + 1, (rows - end.min(rows)).max(last + 1)..rows]
}

/// The correlation with a spectrum that ends at `ends` (indices from 0 in x, to either side of 0 in y), on a grid of points
/// `step` pixels apart around a displacement, row by row.
pub fn grid(fft: &Fft2, spectrum: &[Complex32], ends: [usize; 2], middle: [f64; 2], step: f64) -> [f64; SIDE * SIDE] {
    let [x, y] = middle.map(|middle| std::array::from_fn(|at| middle + step * (at as f64 - f64::from(REACH))));
    let spans = passed(fft.rows, ends[1]);
    // For each x of the grid: the columns turned and added up.
    let mut sums: [Vec<Complex32>; SIDE] = std::array::from_fn(|_| vec![Complex32::default(); fft.rows]);
    let columns = spectrum.chunks_exact(fft.rows).take(ends[0] + 1).enumerate();
    for ((k, column), turns) in columns.zip(Turns::new(0.0, fft.cols, x)) {
        let times = f64::from(fft.multiplicity(k));
        let turns = turns.map(|turn| Complex32::new((times * turn.re) as f32, (times * turn.im) as f32));
        for span in &spans {
            let sums = sums.each_mut().map(|sums| &mut sums[span.clone()]);
            pulp::Arch::new().dispatch(AddTurned { sums, column: &column[span.clone()], turns });
        }
    }
    let mut grid = [0.0; SIDE * SIDE];
    for span in spans {
        for (at, turns) in span.clone().zip(Turns::new(signed(span.start, fft.rows), fft.rows, y)) {
            for (line, turn) in grid.chunks_exact_mut(SIDE).zip(turns) {
                for (value, sums) in line.iter_mut().zip(&sums) {
                    *value += f64::from(sums[at].re) * turn.re - f64::from(sums[at].im) * turn.im;
                }
            }
        }
    }
    grid
}

/// exp(2πi f d) for all places d along one side of a grid, from a frequency on, 1/n cycles a pixel further each time.
struct Turns {
    now: [Complex64; SIDE],
    step: [Complex64; SIDE],
}

impl Turns {
    fn new(first: f64, n: usize, places: [f64; SIDE]) -> Self {
        let at = |frequency: f64| places.map(|place| Complex64::cis(TAU * frequency * place));
        Self { now: at(first), step: at(1.0 / n as f64) }
    }
}

impl Iterator for Turns {
    type Item = [Complex64; SIDE];

    fn next(&mut self) -> Option<Self::Item> {
        let now = self.now;
        self.now.iter_mut().zip(&self.step).for_each(|(turn, step)| *turn *= step);
        Some(now)
    }
}

/// Adds a column to sums, turned for each. The compiler does not find wide instructions for products of complex numbers.
struct AddTurned<'a> {
    sums: [&'a mut [Complex32]; SIDE],
    column: &'a [Complex32],
    turns: [Complex32; SIDE],
}

impl pulp::WithSimd for AddTurned<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, simd: S) {
        let (values, rest) = S::as_simd_c32s(self.column);
        for (sums, turn) in self.sums.into_iter().zip(self.turns) {
            let (sums, rest_sums) = S::as_mut_simd_c32s(sums);
            let turn_all = simd.splat_c32s(turn);
            sums.iter_mut().zip(values).for_each(|(sum, value)| *sum = simd.mul_add_e_c32s(*value, turn_all, *sum));
            rest_sums.iter_mut().zip(rest).for_each(|(sum, value)| *sum += value * turn);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn on_whole_pixels_it_is_what_the_inverse_transform_gives() {
        for (rows, cols) in [(12, 18), (30, 25), (9, 10)] {
            let fft = Fft2::new(rows, cols);
            let image: Vec<f32> = (0..rows * cols).map(|at| ((at * at * 31 + at * 7) % 23) as f32).collect();
            let spectrum = fft.forward(&image);
            let back = fft.inverse(&mut spectrum.clone());
            let found = grid(&fft, &spectrum, [fft.half() - 1, rows / 2], [3.0, -1.0], 1.0);
            for (at, value) in found.iter().enumerate() {
                let (x, y) = (at % SIDE + 1, (rows + at / SIDE - 3) % rows);
                let whole = f64::from(back[y * cols + x]);
                // Single precision of sums of up to 750 × 22.
                assert!((value - whole).abs() < 1e-2, "{rows} × {cols}, {x} {y}: {value} {whole}");
            }
        }
    }
}
