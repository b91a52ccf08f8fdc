//! A discrete Fourier transform of our own, for the simulator alone.
//!
//! Everything that measures uses the crate rustfft. It takes its twiddle factors from the platform's sine and cosine,
//! which differ in the last digit between machines, and so would the pixels; here they come from the crate `libm`, and
//! sums run in one fixed order. Sizes are products of 2, 3 and 5 (self-sorting mixed radix; Stockham 1966, AFIPS
//! Proc. 28:229, value from memory).
//!
//! A spectrum is stored transposed, columns first: `spectrum[kx * height + ky]`.

use crate::numerics::wide::wide;
use rustfft::num_complex::Complex;
use std::f64::consts::TAU;

/// A complex number in double precision.
pub type C64 = Complex<f64>;

/// The smallest size from `at_least` on whose prime factors are 2, 3 and 5.
pub fn smooth_size(at_least: usize) -> usize {
    let mut size = at_least.max(1);
    while factors(size).is_none() {
        size += 1;
    }
    size
}

/// Radices 4, 2, 3, 5 whose product is `size`; `None` where another prime is in it.
fn factors(size: usize) -> Option<Vec<usize>> {
    let mut rest = size;
    let mut radices = Vec::new();
    for radix in [4, 2, 3, 5] {
        while rest > 0 && rest.is_multiple_of(radix) {
            radices.push(radix);
            rest /= radix;
        }
    }
    (rest == 1).then_some(radices)
}

/// One dimension of a transform: radices and twiddle factors exp(-2πi k/n).
#[derive(Debug, Clone)]
struct Line {
    size: usize,
    radices: Vec<usize>,
    roots: Vec<C64>,
}

impl Line {
    fn new(at_least: usize) -> Self {
        let size = smooth_size(at_least);
        let root = |k: usize| {
            let (sine, cosine) = libm::sincos(-TAU * k as f64 / size as f64);
            C64::new(cosine, sine)
        };
        Self { size, radices: factors(size).unwrap_or_default(), roots: (0..size).map(root).collect() }
    }

    /// Transforms `batch` interleaved lines at once: element k of line b stands at `k * batch + b`.
    fn forward(&self, data: &mut Vec<C64>, scratch: &mut Vec<C64>, batch: usize) {
        let (mut rest, mut stride) = (self.size, 1);
        for &radix in &self.radices {
            rest /= radix;
            pass(self, radix, data, scratch, [rest, stride, batch]);
            std::mem::swap(data, scratch);
            stride *= radix;
        }
    }

    /// One pass: y[s(rp + j) + q] = w^(pj) Σ_k x[s(p + mk) + q] e^(-2πi jk/r), with m = `rest`, s = `stride`.
    #[inline(always)]
    fn pass<const R: usize>(&self, from: &[C64], to: &mut [C64], [rest, stride, batch]: [usize; 3]) {
        let run = stride * batch;
        let small: [C64; R] = std::array::from_fn(|k| self.roots[k * self.size / R]);
        for (p, block) in to.chunks_exact_mut(R * run).enumerate() {
            let twiddles: [C64; R] = std::array::from_fn(|j| self.roots[(p * j * stride) % self.size]);
            let lines: [&[C64]; R] = std::array::from_fn(|k| &from[(p + rest * k) * run..(p + rest * k + 1) * run]);
            for q in 0..run {
                let y = butterfly(&lines.map(|line| line[q]), &small);
                for j in 0..R {
                    block[j * run + q] = y[j] * twiddles[j];
                }
            }
        }
    }
}

wide! {
    /// [`Line::pass`] of a radix; `counts` are rest, stride and batch.
    fn pass<'a>(line: &'a Line, radix: usize, from: &'a [C64], to: &'a mut [C64], counts: [usize; 3]) {
        match radix {
            4 => line.pass::<4>(from, to, counts),
            2 => line.pass::<2>(from, to, counts),
            3 => line.pass::<3>(from, to, counts),
            _ => line.pass::<5>(from, to, counts),
        }
    }
}

/// The discrete Fourier transform of 2 to 5 numbers.
#[inline(always)]
fn butterfly<const R: usize>(x: &[C64; R], roots: &[C64; R]) -> [C64; R] {
    let mut y = [C64::ZERO; R];
    match R {
        2 => (y[0], y[1]) = (x[0] + x[1], x[0] - x[1]),
        4 => {
            let (a, b, c, d) = (x[0] + x[2], x[0] - x[2], x[1] + x[3], x[1] - x[3]);
            let turned = C64::new(d.im, -d.re);
            (y[0], y[1], y[2], y[3]) = (a + c, b + turned, a - c, b - turned);
        }
        _ => {
            for (j, value) in y.iter_mut().enumerate() {
                *value = x[0];
                for k in 1..R {
                    *value += x[k] * roots[(j * k) % R];
                }
            }
        }
    }
    y
}

/// A two-dimensional transform of one size.
#[derive(Debug, Clone)]
pub struct Transform {
    across: Line,
    down: Line,
}

impl Transform {
    /// For pictures of at least the given size; see [`Transform::size_px`] for the one taken.
    pub fn new(width_at_least: usize, height_at_least: usize) -> Self {
        Self { across: Line::new(width_at_least), down: Line::new(height_at_least) }
    }

    /// Width and height.
    pub fn size_px(&self) -> (usize, usize) {
        (self.across.size, self.down.size)
    }

    /// Transposed spectrum of a picture that is stored row by row.
    pub fn forward(&self, mut picture: Vec<C64>) -> Vec<C64> {
        let (width, height) = self.size_px();
        let mut scratch = vec![C64::ZERO; picture.len()];
        self.down.forward(&mut picture, &mut scratch, width);
        transpose(&picture, &mut scratch, width, height);
        self.across.forward(&mut scratch, &mut picture, height);
        scratch
    }

    /// Picture, row by row, of a transposed spectrum; the inverse of [`Transform::forward`].
    pub fn inverse(&self, mut spectrum: Vec<C64>) -> Vec<C64> {
        let (width, height) = self.size_px();
        // The inverse is the forward transform with real and imaginary part exchanged before and after.
        let exchange = |data: &mut [C64]| data.iter_mut().for_each(|v| *v = C64::new(v.im, v.re));
        exchange(&mut spectrum);
        let mut scratch = vec![C64::ZERO; spectrum.len()];
        self.across.forward(&mut spectrum, &mut scratch, height);
        transpose(&spectrum, &mut scratch, height, width);
        self.down.forward(&mut scratch, &mut spectrum, width);
        exchange(&mut scratch);
        let scale = 1.0 / (width * height) as f64;
        scratch.iter_mut().for_each(|v| *v *= scale);
        scratch
    }

    /// Spatial frequencies (cycles per pixel) of the spectrum's index, as (gx, gy).
    pub fn frequency(&self, kx: usize, ky: usize) -> (f64, f64) {
        (signed(kx, self.across.size), signed(ky, self.down.size))
    }
}

/// Index to cycles per pixel, from -0.5 up to 0.5.
fn signed(k: usize, size: usize) -> f64 {
    let k_signed = if 2 * k > size { k as f64 - size as f64 } else { k as f64 };
    k_signed / size as f64
}

fn transpose(from: &[C64], to: &mut [C64], width: usize, height: usize) {
    const BLOCK: usize = 16;
    for y0 in (0..height).step_by(BLOCK) {
        for x0 in (0..width).step_by(BLOCK) {
            for y in y0..height.min(y0 + BLOCK) {
                for x in x0..width.min(x0 + BLOCK) {
                    to[x * height + y] = from[y * width + x];
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::random::{Stream, Use};

    fn noise(length: usize) -> Vec<C64> {
        let mut stream = Stream::new(1, Use::Granularity, 0);
        (0..length).map(|_| C64::new(stream.normal(), stream.normal())).collect()
    }

    #[test]
    fn agrees_with_rustfft_in_every_radix() {
        for (width, height) in [(8, 4), (6, 10), (15, 9), (60, 32), (5, 3)] {
            let transform = Transform::new(width, height);
            let picture = noise(width * height);
            let spectrum = transform.forward(picture.clone());
            for kx in 0..width {
                let mut line: Vec<C64> = (0..height)
                    .map(|y| {
                        let mut row = picture[y * width..(y + 1) * width].to_vec();
                        rustfft::FftPlanner::new().plan_fft_forward(width).process(&mut row);
                        row[kx]
                    })
                    .collect();
                rustfft::FftPlanner::new().plan_fft_forward(height).process(&mut line);
                for (ky, value) in line.iter().enumerate() {
                    assert!((spectrum[kx * height + ky] - value).norm() < 1e-10, "{width} x {height}");
                }
            }
        }
    }

    #[test]
    fn the_inverse_gives_the_picture_back() {
        let transform = Transform::new(45, 64);
        let picture = noise(45 * 64);
        let back = transform.inverse(transform.forward(picture.clone()));
        assert!(back.iter().zip(&picture).all(|(a, b)| (a - b).norm() < 1e-12));
    }

    #[test]
    fn sizes_go_up_to_the_next_product_of_2_3_and_5() {
        assert_eq!([1, 7, 11, 272, 608].map(smooth_size), [1, 8, 12, 288, 625]);
    }
}
