//! The picture of a particle made round.
//!
//! What a particle lies on or under is in the mean of its pictures too, and where that runs along one direction (membranes
//! cut across) it draws all particles the same way against their heights: the axis comes out turned. A ball is round at
//! every tilt, and what lies about it is not. The spectrum of a round picture, counted from its middle, is real and depends on
//! the frequency alone, whatever its direction.

use rustfft::num_complex::Complex32;

/// Round mean of a spectrum of a square patch of `side` pixels (half plane as of
/// [`crate::numerics::registration::fft2::Fft2`]) whose middle was moved to its first pixel.
pub fn round(spectrum: &[Complex32], side: usize) -> Vec<Complex32> {
    let radius = |at: usize| {
        let (x, y) = (at / side, at % side);
        let y = if 2 * y > side { side - y } else { y };
        let radius = (x as f32).hypot(y as f32);
        (radius as usize, radius.fract())
    };
    let (mut sums, mut counts) = (vec![0.0f32; side + 1], vec![0.0f32; side + 1]);
    for (at, value) in spectrum.iter().enumerate() {
        let (ring, over) = radius(at);
        for (ring, share) in [(ring, 1.0 - over), (ring + 1, over)] {
            sums[ring] += share * value.re;
            counts[ring] += share;
        }
    }
    let means: Vec<f32> = sums.iter().zip(&counts).map(|(sum, count)| sum / count.max(1e-6)).collect();
    let of = |at: usize| {
        let (ring, over) = radius(at);
        Complex32::new((1.0 - over) * means[ring] + over * means[ring + 1], 0.0)
    };
    (0..spectrum.len()).map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numerics::registration::spectral::{Band, Bench};

    const SIDE: usize = 32;

    /// A dark ball in the middle of a patch, and a dark line beside it that runs down the patch at `line` from there.
    fn ball(line: f32) -> Vec<f32> {
        let at = |row: usize, column: usize| {
            let (x, y) = (column as f32 - 15.5, row as f32 - 15.5);
            -4.0 * (-(x * x + y * y) / 12.0).exp() - 2.0 * (-(x - line).powi(2) / 8.0).exp()
        };
        (0..SIDE * SIDE).map(|i| at(i / SIDE, i % SIDE)).collect()
    }

    #[test]
    fn a_line_in_the_pattern_draws_nothing_along_once_it_is_round() {
        let bench = Bench::new(SIDE, SIDE, &[Band { high_pass: 0.1, low_pass: 0.2 }], 0.3);
        let pattern = bench.spectrum(&ball(5.0));
        let middle = 0.5 * (SIDE as f64 - 1.0);
        let made_round = |of: &[Complex32]| bench.moved(&round(&bench.moved(of, [-middle; 2]), SIDE), [middle; 2]);
        let about = made_round(&pattern);
        // The line lies elsewhere now, the ball where it was.
        let patch = bench.spectrum(&ball(8.0));
        let off = |pattern: &[Complex32]| {
            let peak = bench.peak(&bench.cross(pattern, &patch), [4, 4]).unwrap();
            peak.x.hypot(peak.y)
        };
        assert!(off(&about) < 0.5 * off(&pattern), "{} {}", off(&about), off(&pattern));
        // A round picture stays as it is, and where it is.
        let alone = bench.spectrum(&ball(1e3));
        let again = made_round(&alone);
        let peak = bench.peak(&bench.cross(&again, &alone), [4, 4]).unwrap();
        assert!(peak.correlation > 0.99 && peak.x.hypot(peak.y) < 0.01, "{peak:?}");
    }
}
