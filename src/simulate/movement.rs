//! How the field moves across the axis while the stage tilts, and the image shift that undoes it.

use crate::simulate::random::{Stream, Use};
use crate::simulate::recipe::{Movement, Recipe};

/// How much of the last tilt's wander is still there at the next: tracking follows a slow stage.
const WANDER_MEMORY: f64 = 0.85;

/// Where the field lies at one tilt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Displacement {
    /// Recorded image shift, stored (x, y).
    pub shift_um: [f64; 2],
    /// Seen displacement of the feature that is in the middle at zero tilt: model + shift + wander, stored (x, y).
    pub seen_um: [f64; 2],
}

/// Perpendicular direction (cos a, -sin a) in stored (x, y).
pub fn perpendicular(axis_deg: f64) -> [f64; 2] {
    let (sine, cosine) = libm::sincos(axis_deg.to_radians());
    [cosine, -sine]
}

/// d (cos t - 1) + z₀ sin t: movement along the perpendicular direction, in µm, of a feature on the optical axis.
pub fn model_um(movement: &Movement, tilt_deg: f64) -> f64 {
    let (sine, cosine) = libm::sincos(tilt_deg.to_radians());
    movement.axis_offset_um * (cosine - 1.0) + movement.height_offset_um * sine
}

/// Change of the feature's underfocus, in µm: d sin t + z₀ (1 - cos t), for it sinks by as much.
pub fn focus_change_um(movement: &Movement, tilt_deg: f64) -> f64 {
    let (sine, cosine) = libm::sincos(tilt_deg.to_radians());
    movement.axis_offset_um * sine + movement.height_offset_um * (1.0 - cosine)
}

/// Displacements in order of acquisition.
pub fn displacements(recipe: &Recipe, tilts_deg: &[f64]) -> Vec<Displacement> {
    let direction = perpendicular(recipe.tilt.axis_deg);
    let mut stream = Stream::new(recipe.seed, Use::Movement, 0);
    let innovation = (1.0 - WANDER_MEMORY * WANDER_MEMORY).sqrt();
    let mut wander = [0.0; 2];
    let mut displacement = |(order, &tilt_deg): (usize, &f64)| {
        for value in &mut wander {
            let fresh = recipe.movement.wander_um * stream.normal();
            *value = if order == 0 { fresh } else { WANDER_MEMORY * *value + innovation * fresh };
        }
        let model = model_um(&recipe.movement, tilt_deg);
        let shift = if recipe.movement.undone_by_image_shift { -model } else { 0.0 };
        Displacement {
            shift_um: direction.map(|p| p * shift),
            seen_um: std::array::from_fn(|k| direction[k] * (model + shift) + wander[k]),
        }
    };
    tilts_deg.iter().enumerate().map(&mut displacement).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_model_agrees_with_a_stage_turned_by_hand() {
        // d = 2, z₀ = 1 at 60°: 2 (0.5 - 1) + 0.866025 = -0.133975; underfocus 2 × 0.866025 + 0.5 = 2.232051.
        let movement = Movement { axis_offset_um: 2.0, height_offset_um: 1.0, ..Movement::default() };
        assert!((model_um(&movement, 60.0) + 0.133_975).abs() < 1e-6);
        assert!((focus_change_um(&movement, 60.0) - 2.232_051).abs() < 1e-6);
    }

    #[test]
    fn an_axis_along_the_columns_moves_features_along_rows() {
        assert_eq!(perpendicular(0.0), [1.0, -0.0]);
        let across = perpendicular(90.0);
        assert!(across[0].abs() < 1e-15 && (across[1] + 1.0).abs() < 1e-15);
    }
}
