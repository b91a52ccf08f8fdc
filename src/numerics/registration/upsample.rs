//! A correlation closer than from pixel to pixel, straight from its spectrum: a matrix DFT in y, then in x
//! (Guizar-Sicairos, Thurman & Fienup 2008, Opt. Lett. 33:156).

use crate::numerics::registration::fft2::Fft2;
use crate::numerics::sine::sin_cos;
use crate::numerics::wide::wide;
use rustfft::num_complex::Complex32;
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

/// Indices of the y frequencies up to `end` to either side of 0.
pub fn passed(rows: usize, end: usize) -> [std::ops::Range<usize>; 2] {
    if 2 * end + 1 >= rows { [0..rows, rows..rows] } else { [0..end + 1, rows - end..rows] }
}

/// The correlation with a spectrum that ends at `ends` (indices from 0 in x, to either side of 0 in y), on a grid of points
/// `step` pixels apart around a displacement, row by row.
pub fn grid(fft: &Fft2, spectrum: &[Complex32], ends: [usize; 2], middle: [f64; 2], step: f64) -> [f64; SIDE * SIDE] {
    let places = middle.map(|middle| std::array::from_fn(|at| middle + step * (at as f64 - f64::from(REACH))));
    let turns = Turns::new(fft.rows, ends[1], places[1]);
    // By column: its sum at each y.
    let mut columns = vec![[Complex32::default(); SIDE]; ends[0] + 1];
    turned_sums(&mut columns, spectrum, fft.rows, &turns);
    let mut grid = [0.0; SIDE * SIDE];
    for (k, column) in columns.iter().enumerate() {
        let (frequency, times) = (k as f64 / fft.cols as f64, fft.multiplicity(k));
        let along_x = places[0].map(|x| turn(frequency, x) * times);
        for (line, value) in grid.chunks_exact_mut(SIDE).zip(column) {
            for (sum, turn) in line.iter_mut().zip(&along_x) {
                *sum += f64::from(value.re * turn.re - value.im * turn.im);
            }
        }
    }
    grid
}

const LANES: usize = 8;

/// exp(2πi f y) for all y of a grid and all y frequencies that pass, so many of them together.
struct Turns {
    spans: [Span; 2],
}

struct Span {
    range: std::ops::Range<usize>,
    /// Real parts for each y, then imaginary ones; zero beyond the last frequency.
    parts: Vec<[[f32; LANES]; 2 * SIDE]>,
}

impl Turns {
    fn new(rows: usize, end: usize, places: [f64; SIDE]) -> Self {
        let span = |range: std::ops::Range<usize>| {
            let mut parts = vec![[[0.0; LANES]; 2 * SIDE]; range.len().div_ceil(LANES)];
            for (at, k) in range.clone().enumerate() {
                for (place, y) in places.iter().enumerate() {
                    let turn = turn(signed(k, rows), *y);
                    let part = &mut parts[at / LANES];
                    part[place][at % LANES] = turn.re;
                    part[SIDE + place][at % LANES] = turn.im;
                }
            }
            Span { range, parts }
        };
        Self { spans: passed(rows, end).map(span) }
    }
}

wide! {
    /// The sum of each column, turned for each y.
    fn turned_sums<'a>(columns: &'a mut [[Complex32; SIDE]], spectrum: &'a [Complex32], rows: usize, turns: &'a Turns) {
        for (out, column) in columns.iter_mut().zip(spectrum.chunks_exact(rows)) {
            let mut sums = [[0.0f32; LANES]; 2 * SIDE];
            let mut add = |values: &[Complex32; LANES], part: &[[f32; LANES]; 2 * SIDE]| {
                let (re, im) = (values.map(|value| value.re), values.map(|value| value.im));
                for place in 0..SIDE {
                    let (cosine, sine) = (&part[place], &part[SIDE + place]);
                    for lane in 0..LANES {
                        sums[place][lane] += re[lane] * cosine[lane] - im[lane] * sine[lane];
                        sums[SIDE + place][lane] += re[lane] * sine[lane] + im[lane] * cosine[lane];
                    }
                }
            };
            for span in &turns.spans {
                let (many, rest) = column[span.range.clone()].as_chunks::<LANES>();
                many.iter().zip(&span.parts).for_each(|(values, part)| add(values, part));
                if let (false, Some(part)) = (rest.is_empty(), span.parts.last()) {
                    let mut values = [Complex32::default(); LANES];
                    values[..rest.len()].copy_from_slice(rest);
                    add(&values, part);
                }
            }
            for (place, out) in out.iter_mut().enumerate() {
                let [re, im] = [place, SIDE + place].map(|at| sums[at].iter().sum::<f32>());
                *out = Complex32::new(re, im);
            }
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
                assert!(
                    (value - whole).abs() < 1e-3 * whole.abs().max(1.0),
                    "{rows} × {cols}, {x} {y}: {value} {whole}"
                );
            }
        }
    }
}
