//! How underfocus may run over the picture of a tilt.
//!
//! On a flat specimen it grows along (cos a, -sin a) by tan t a µm of picture. Where the data say otherwise, the angle's
//! sign or the axis' direction is stated wrongly, or every tile was focused by itself.

use crate::measure::focus::maps::RegionMap;
use crate::measure::focus::sums::Place;

/// Under this spread of the expected underfocus over the picture, gradients cannot be told apart.
const LEAST_SPREAD_UM: f64 = 0.06;
/// Directions that are tried where the axis is not stated.
const DIRECTIONS: usize = 24;

/// A way for underfocus to run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Run {
    /// As the stated geometry demands.
    Stated,
    /// The other way: the sign of the angles, or the direction of the axis by 180°, is wrong.
    Reversed,
    /// Along the stated axis instead of across it; `true`: growing along (sin a, cos a).
    Along(bool),
    /// As stated, about each tile's own middle: tiles were focused one by one.
    Refocused,
    /// The axis is not stated: underfocus grows in this direction (cos f, sin f).
    Found(f64),
}

/// What is known of a tilt's geometry.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Geometry {
    /// Angle.
    pub tilt_deg: f64,
    /// Direction of the axis; `None`: not stated.
    pub axis_deg: Option<f64>,
}

/// Runs that can be told apart on this picture, the stated one first; `middles_um`: of each tile, from the picture's.
pub fn runs(maps: &[RegionMap], pixel_um: f64, middles_um: &[[f64; 2]], geometry: &Geometry) -> Vec<Run> {
    let first = if geometry.axis_deg.is_some() { Run::Stated } else { Run::Found(0.0) };
    let spread = |run: Run| {
        let all = places(maps, pixel_um, middles_um, geometry, run);
        let n = all.len() as f64;
        (all.iter().map(|place| place.expected_um.powi(2)).sum::<f64>() / n).sqrt()
    };
    let tiles = maps.iter().map(|map| map.tile).collect::<std::collections::BTreeSet<usize>>().len();
    if geometry.axis_deg.is_none() {
        let all = (0..DIRECTIONS).map(|i| Run::Found(360.0 * i as f64 / DIRECTIONS as f64));
        let telling: Vec<Run> = all.filter(|run| spread(*run) > LEAST_SPREAD_UM).collect();
        return if telling.is_empty() { vec![first] } else { telling };
    }
    let mut runs = vec![first];
    if spread(first) > LEAST_SPREAD_UM {
        runs.push(Run::Reversed);
        if tiles > 1 {
            runs.push(Run::Refocused);
        }
    }
    runs.extend([Run::Along(true), Run::Along(false)].into_iter().filter(|run| spread(*run) > LEAST_SPREAD_UM));
    runs
}

/// The places of all maps under a run.
pub fn places(maps: &[RegionMap], pixel_um: f64, middles_um: &[[f64; 2]], geometry: &Geometry, run: Run) -> Vec<Place> {
    let [gx, gy] = gradient(geometry, run);
    let one = |map: &RegionMap| {
        let [mx, my] = if run == Run::Refocused { [0.0, 0.0] } else { middles_um[map.tile] };
        let [x, y] = [mx + map.middle_px[0] * pixel_um, my + map.middle_px[1] * pixel_um];
        let [xx, xy, yy] = map.spread_px2.map(|v| v * pixel_um * pixel_um);
        Place {
            expected_um: gx * x + gy * y,
            fixed_um: 0.0,
            variance_um2: gx * gx * xx + 2.0 * gx * gy * xy + gy * gy * yy,
        }
    };
    maps.iter().map(one).collect()
}

/// Underfocus a µm of picture along x and y.
pub fn gradient(geometry: &Geometry, run: Run) -> [f64; 2] {
    let (sine, cosine) = geometry.axis_deg.unwrap_or(0.0).to_radians().sin_cos();
    let tangent = geometry.tilt_deg.to_radians().tan();
    match run {
        Run::Stated | Run::Refocused => [tangent * cosine, -tangent * sine],
        Run::Reversed => [-tangent * cosine, tangent * sine],
        Run::Along(true) => [tangent * sine, tangent * cosine],
        Run::Along(false) => [-tangent * sine, -tangent * cosine],
        Run::Found(deg) => {
            let (sine, cosine) = deg.to_radians().sin_cos();
            [tangent.abs() * cosine, tangent.abs() * sine]
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn underfocus_grows_along_the_perpendicular_direction() {
        // a = 30°, t = 45°: by 1 µm a µm along (cos 30°, -sin 30°).
        let geometry = Geometry { tilt_deg: 45.0, axis_deg: Some(30.0) };
        let [gx, gy] = gradient(&geometry, Run::Stated);
        assert!((gx - 0.866_025).abs() < 1e-6 && (gy + 0.5).abs() < 1e-6);
        // 60°: 1.732051 µm.
        let steep = Geometry { tilt_deg: 60.0, axis_deg: Some(0.0) };
        assert!((gradient(&steep, Run::Stated)[0] - 1.732_051).abs() < 1e-6);
        assert!((gradient(&steep, Run::Reversed)[0] + 1.732_051).abs() < 1e-6);
    }
}
