//! Directions that two tilt series about two axes leave unseen: the missing pyramid, and its like for any two ranges and
//! any angle between the axes.
//!
//! A view at the tilt t shows the central section of Fourier space spanned by the tilt axis and the direction
//! (cos t, sin t) in the plane of the perpendicular direction p and the beam (central-section theorem). A direction
//! with the component c along p and height τ (both over its length in the plane of the specimen) is thus seen at
//! tan t = τ/c. At an azimuth ψ in the plane a series sees an interval of heights; what neither sees is integrated over
//! ψ in closed form in the height, as the solid angle is dψ d(sin elevation).

use std::f64::consts::TAU;

/// Azimuths of the sum. The integrand has kinks, so the error falls as the inverse square: under 1e-8.
const AZIMUTHS: usize = 1 << 14;

/// A range of views about one axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Range {
    /// Lowest tilt.
    pub min_deg: f64,
    /// Highest tilt.
    pub max_deg: f64,
}

/// Share of all directions (0 to 1) that neither series sees. `between_deg` turns the one's perpendicular direction into
/// the other's, from x towards y or the other way: only its size and the half turn matter.
pub fn missing_fraction(a: Range, b: Range, between_deg: f64) -> f64 {
    let between = between_deg.to_radians();
    let step = TAU / AZIMUTHS as f64;
    let unseen = |k: usize| {
        let psi = (k as f64 + 0.5) * step;
        1.0 - together(seen(a, psi.cos()), seen(b, (psi - between).cos()))
    };
    (0..AZIMUTHS).map(unseen).sum::<f64>() / AZIMUTHS as f64
}

/// Sines of the elevations (lowest and highest) that a range sees where the perpendicular component is `c`; empty: equal.
pub fn seen(range: Range, c: f64) -> [f64; 2] {
    // Where c is negative, a direction towards the source is seen at a negative tilt.
    let (low, high) = if c >= 0.0 { (range.min_deg, range.max_deg) } else { (-range.max_deg, -range.min_deg) };
    if high <= 0.0 {
        return [0.0; 2];
    }
    [sine_of(c.abs(), low.max(0.0)), sine_of(c.abs(), high)]
}

/// Sine of the elevation whose tangent is `c` tan t.
fn sine_of(c: f64, tilt_deg: f64) -> f64 {
    if tilt_deg >= 90.0 {
        return 1.0;
    }
    let height = c * tilt_deg.to_radians().tan();
    height / (1.0 + height * height).sqrt()
}

/// Length of the union of two intervals.
fn together(a: [f64; 2], b: [f64; 2]) -> f64 {
    let common = (a[1].min(b[1]) - a[0].max(b[0])).max(0.0);
    (a[1] - a[0]) + (b[1] - b[0]) - common
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::tilt::missing_wedge_fraction;

    fn even(half_deg: f64) -> Range {
        Range { min_deg: -half_deg, max_deg: half_deg }
    }

    #[test]
    fn perpendicular_axes_leave_the_pyramid_of_the_closed_form() {
        // (2/π) asin(cos² α): solid angle of a square pyramid.
        let table = [(45.0, 0.333_333), (60.0, 0.160_861), (65.0, 0.114_318), (70.0, 0.074_641), (75.0, 0.042_677)];
        for (half, expected) in table {
            let found = missing_fraction(even(half), even(half), 90.0);
            let cosine = f64::cos(f64::to_radians(half));
            let closed = (cosine * cosine).asin() * 2.0 / std::f64::consts::PI;
            assert!((found - closed).abs() < 1e-7 && (found - expected).abs() < 1e-6, "{half}: {found}, {closed}");
        }
    }

    #[test]
    fn one_axis_twice_leaves_its_wedge() {
        let range = Range { min_deg: -50.0, max_deg: 62.0 };
        assert!((missing_fraction(range, range, 0.0) - missing_wedge_fraction(-50.0, 62.0)).abs() < 1e-7);
        // Turned by half a turn the angles change their sign: together ±62°.
        assert!((missing_fraction(range, range, 180.0) - missing_wedge_fraction(-62.0, 62.0)).abs() < 1e-7);
    }

    #[test]
    fn a_series_on_one_side_and_a_full_one() {
        // A full turn about one axis leaves nothing.
        assert!(missing_fraction(even(90.0), even(10.0), 70.0) < 1e-9);
        let one_sided = Range { min_deg: 10.0, max_deg: 60.0 };
        let alone = missing_fraction(one_sided, Range { min_deg: 0.0, max_deg: 0.0 }, 90.0);
        assert!((alone - missing_wedge_fraction(10.0, 60.0)).abs() < 1e-7, "{alone}");
    }
}
