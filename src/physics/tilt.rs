//! Tilt geometry: what a limited range of views costs.

/// Share of Fourier space that a single-axis series never sees: `1 - range / 180°` (central-section theorem).
pub fn missing_wedge_fraction(min_deg: f64, max_deg: f64) -> f64 {
    1.0 - (max_deg - min_deg) / 180.0
}

/// Elongation along the beam, `√((α + sin α cos α) / (α - sin α cos α))` for views over ±α (Radermacher 1988);
/// `None` for an empty range.
pub fn elongation_factor(half_range_deg: f64) -> Option<f64> {
    let alpha = half_range_deg.to_radians();
    let product = alpha.sin() * alpha.cos();
    (alpha > 0.0).then(|| ((alpha + product) / (alpha - product)).sqrt())
}

/// How many times its thickness the beam's path through a slab is, `1 / cos θ`; the same bits on every machine.
pub fn path_factor(tilt_deg: f64) -> f64 {
    1.0 / libm::cos(tilt_deg.to_radians())
}

/// Resolution (same unit as `thickness`) of views `increment_deg` apart: `D·Δθ`, Δθ in radians, which is π D / N
/// with N the views that this increment gives over 180° (Crowther, DeRosier & Klug 1970, Proc. R. Soc. Lond. A
/// 317:319).
pub fn crowther_resolution(thickness: f64, increment_deg: f64) -> f64 {
    thickness * increment_deg.to_radians()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64) {
        assert!((a - b).abs() < 1e-6, "{a} is not {b}");
    }

    #[test]
    fn elongations_agree_with_the_published_formula() {
        let table = [(45.0, 2.122234), (50.0, 1.894683), (60.0, 1.552430), (65.0, 1.421068), (70.0, 1.309176)];
        for (half, expected) in table.into_iter().chain([(75.0, 1.213320), (80.0, 1.130992), (90.0, 1.0)]) {
            close(elongation_factor(half).unwrap(), expected);
        }
        assert_eq!(elongation_factor(0.0), None);
    }

    #[test]
    fn wedges_of_even_and_uneven_ranges() {
        let table = [(-60.0, 60.0, 0.333333), (-70.0, 70.0, 0.222222), (-45.0, 45.0, 0.5)];
        for (low, high, expected) in table.into_iter().chain([(-60.0, 50.0, 0.388889), (-55.0, 65.0, 0.333333)]) {
            close(missing_wedge_fraction(low, high), expected);
        }
    }

    #[test]
    fn the_path_is_doubled_at_60_degrees() {
        for (tilt, expected) in [(0.0, 1.0), (45.0, std::f64::consts::SQRT_2), (60.0, 2.0), (70.0, 2.923804)] {
            close(path_factor(tilt), expected);
        }
    }

    #[test]
    fn resolution_counts_the_views_that_fill_half_a_turn() {
        close(crowther_resolution(100.0, 2.0), 3.490659);
        close(crowther_resolution(100.0, 1.0), 1.745329);
        // π D / N with N = 61, 121, 41 views over 180°.
        close(crowther_resolution(100.0, 180.0 / 61.0), 5.150152);
        close(crowther_resolution(200.0, 180.0 / 121.0), 5.192715);
        close(crowther_resolution(50.0, 180.0 / 41.0), 3.831211);
    }
}
