//! What movement during the exposure leaves of a spatial frequency.
//!
//! An even drift along a line of length L: sin(π g·L) / (π g·L). A Gaussian blur of standard deviation σ:
//! exp(-2 π² σ² g²).

use crate::simulate::plan::TiltPlan;
use std::f64::consts::PI;

/// sin(πx) / (πx).
fn sinc(x: f64) -> f64 {
    let phase = PI * x;
    if phase.abs() < 1e-9 { 1.0 } else { libm::sin(phase) / phase }
}

/// Amplitude kept at a spatial frequency in cycles per pixel.
pub fn kept(tilt: &TiltPlan, [gx, gy]: [f64; 2]) -> f64 {
    let drift: f64 = tilt.drifts_px.iter().map(|[x, y]| sinc(gx * x + gy * y)).product();
    let sigma = tilt.blur_sigma_px;
    drift * libm::exp(-2.0 * PI * PI * sigma * sigma * (gx * gx + gy * gy))
}

/// Whether anything moved.
pub fn moved(tilt: &TiltPlan) -> bool {
    !tilt.drifts_px.is_empty() || tilt.blur_sigma_px > 0.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_drift_of_two_pixels_keeps_0_637_at_half_nyquist() {
        // sin(π/2) / (π/2) = 2/π; three pixels: sin(3π/4) / (3π/4) = 0.3001.
        assert!((sinc(0.25 * 2.0) - 2.0 / PI).abs() < 1e-12);
        assert!((sinc(0.25 * 3.0) - 0.300_105).abs() < 1e-6);
        assert_eq!(sinc(0.0), 1.0);
    }
}
