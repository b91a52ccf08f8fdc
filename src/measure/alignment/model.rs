//! How points of the specimen are recorded at each tilt.
//!
//! A point at u across the axis, v along it and height z is recorded at
//! shift + m (p (u cos t + z sin t) + q v), with p = (cos a, -sin a) and q = (sin a, cos a) for the axis at a, m the tilt's
//! magnification; a tilt's picture may be turned by ρ from x towards y, so that its axis lies at a - ρ. A specimen that
//! changes as it is exposed is displaced by growth × a polynomial of second degree over the field, in each of u, v, z.
//!
//! Lengths are px of the assembled picture, places count from its middle.

use crate::measure::alignment::along::Along;

/// Terms of the polynomial: u, v, u², uv, v² over the half field (a constant is the tilt's shift).
pub const TERMS: usize = 5;
/// The first of them that bend: a change of size and shear is no change that grows here, as turns, magnifications and the
/// slope of heights tell it as well.
pub const FIRST_QUADRATIC: usize = 2;
/// Numbers of a growing change in each direction.
pub const QUADRATIC_NUMBERS: f64 = 3.0;

/// How one tilt's picture lies.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Pose {
    /// Where the origin of the specimen is recorded.
    pub shift: [f64; 2],
    /// Turn of the picture, from x towards y, in radians.
    pub turn: f64,
    /// Logarithm of the magnification.
    pub log_magnification: f64,
}

/// How a tilt records points: all of its pose and angle that is the same for every one of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Projection {
    /// Where the origin is recorded.
    pub shift: [f64; 2],
    /// What a step across the axis, in the picture, looks like: the direction across times the magnification.
    pub p: [f64; 2],
    /// The same along the axis.
    pub q: [f64; 2],
    /// sin t, cos t.
    pub turned: (f64, f64),
}

impl Projection {
    /// How far across the axis a point (u, v, z) is recorded, before it is magnified.
    pub fn across(&self, [u, _, z]: [f64; 3]) -> f64 {
        u * self.turned.1 + z * self.turned.0
    }

    /// Where a point (u, v, z) is recorded.
    pub fn of(&self, point: [f64; 3]) -> [f64; 2] {
        let across = self.across(point);
        std::array::from_fn(|k| self.shift[k] + self.p[k] * across + self.q[k] * point[1])
    }
}

/// A smooth change of the specimen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Warp {
    /// Displacements along u, v and z, at growth 1, of each term.
    pub coefficients: [[f64; TERMS]; 3],
}

/// The whole model.
#[derive(Debug, Clone, PartialEq)]
pub struct Model {
    /// Angles, in radians, by tilt.
    pub tilts: Vec<f64>,
    /// How far the change of the specimen has gone at each tilt: 0 at the first exposure, 1 at the last.
    pub growth: Vec<f64>,
    /// Direction of the axis, in radians.
    pub axis: f64,
    /// By tilt; `None` where nothing was followed.
    pub poses: Vec<Option<Pose>>,
    /// (u, v, z) by track.
    pub points: Vec<[f64; 3]>,
    /// The polynomial's terms at each track.
    pub terms: Vec<[f64; TERMS]>,
    /// `None`: the specimen is taken to be rigid.
    pub warp: Option<Warp>,
    /// By tilt: where the whole field is found along the axis. Empty, or `None`, where nothing but the tracks is known.
    pub along: Vec<Option<Along>>,
}

/// (cos a, -sin a), (sin a, cos a).
pub fn directions(axis: f64) -> ([f64; 2], [f64; 2]) {
    let (sine, cosine) = axis.sin_cos();
    ([cosine, -sine], [sine, cosine])
}

/// The polynomial's terms at (u, v), over half of the field's size.
pub fn terms([u, v]: [f64; 2], half_field: f64) -> [f64; TERMS] {
    let (u, v) = (u / half_field, v / half_field);
    [u, v, u * u, u * v, v * v]
}

impl Warp {
    /// Displacement (u, v, z) at growth 1.
    pub fn displacement(&self, terms: &[f64; TERMS]) -> [f64; 3] {
        self.coefficients.map(|row| row.iter().zip(terms).map(|(c, t)| c * t).sum())
    }
}

impl Model {
    /// The point of a track as it lies at a tilt.
    pub fn point_at(&self, track: usize, tilt: usize) -> [f64; 3] {
        let point = self.points[track];
        match &self.warp {
            None => point,
            Some(warp) => {
                let moved = warp.displacement(&self.terms[track]);
                std::array::from_fn(|k| point[k] + self.growth[tilt] * moved[k])
            }
        }
    }

    /// How a tilt records points; `None` where it has no pose.
    pub fn projection(&self, tilt: usize) -> Option<Projection> {
        let pose = self.poses[tilt]?;
        let (p, q) = directions(self.axis - pose.turn);
        let magnification = pose.log_magnification.exp();
        let magnified = |direction: [f64; 2]| direction.map(|k| magnification * k);
        Some(Projection { shift: pose.shift, p: magnified(p), q: magnified(q), turned: self.tilts[tilt].sin_cos() })
    }

    /// Those of all tilts.
    pub fn projections(&self) -> Vec<Option<Projection>> {
        (0..self.tilts.len()).map(|tilt| self.projection(tilt)).collect()
    }

    /// Where a point (u, v, z) is recorded at a tilt; `None` where the tilt has no pose.
    pub fn recorded(&self, point: [f64; 3], tilt: usize) -> Option<[f64; 2]> {
        Some(self.projection(tilt)?.of(point))
    }

    /// Where a track is expected at a tilt.
    pub fn expected(&self, track: usize, tilt: usize) -> Option<[f64; 2]> {
        self.recorded(self.point_at(track, tilt), tilt)
    }

    /// Takes what no data can tell by the rule: heights are 0 in the mean of `counted` tracks, and the origin is recorded
    /// at the middle of the tilt `start`. Nothing that is recorded changes.
    pub fn settle_origin(&mut self, counted: &[bool], start: usize) {
        let heights: Vec<f64> = self.points.iter().zip(counted).filter(|(_, c)| **c).map(|(p, _)| p[2]).collect();
        let mean = heights.iter().sum::<f64>() / heights.len().max(1) as f64;
        let across_moved = mean * self.tilts[start].tan();
        for point in &mut self.points {
            *point = [point[0] + across_moved, point[1], point[2] - mean];
        }
        for (pose, tilt) in self.poses.iter_mut().zip(&self.tilts) {
            let Some(pose) = pose else { continue };
            let (p, _) = directions(self.axis - pose.turn);
            let along = pose.log_magnification.exp() * (mean * tilt.sin() - across_moved * tilt.cos());
            pose.shift = std::array::from_fn(|k| pose.shift[k] + p[k] * along);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn model() -> Model {
        let pose = |shift| Some(Pose { shift, turn: 0.01, log_magnification: 0.002 });
        Model {
            tilts: vec![-0.7, 0.05, 0.9],
            growth: vec![0.0; 3],
            axis: 0.3,
            poses: vec![pose([3.0, 1.0]), Some(Pose::default()), pose([-2.0, 4.0])],
            points: vec![[10.0, 20.0, 30.0], [-40.0, 5.0, 8.0], [7.0, -9.0, -14.0]],
            terms: vec![[0.0; TERMS]; 3],
            warp: None,
            along: Vec::new(),
        }
    }

    #[test]
    fn a_point_is_recorded_where_the_contract_of_signs_puts_it() {
        let mut flat = model();
        (flat.axis, flat.poses[2]) = (0.0, Some(Pose::default()));
        flat.tilts[2] = 30f64.to_radians();
        // u cos 30° + z sin 30° = 8.6603 + 15 along x, v along y.
        let [x, y] = flat.expected(0, 2).unwrap();
        assert!((x - 23.660_254).abs() < 1e-6 && (y - 20.0).abs() < 1e-12);
    }

    #[test]
    fn the_rule_for_the_origin_moves_nothing_that_is_recorded() {
        let before = model();
        let mut after = before.clone();
        after.settle_origin(&[true; 3], 1);
        assert!(after.points.iter().map(|p| p[2]).sum::<f64>().abs() < 1e-12);
        assert!(after.poses[1].unwrap().shift[0].hypot(after.poses[1].unwrap().shift[1]) < 1e-12);
        for track in 0..3 {
            for tilt in 0..3 {
                let (a, b) = (before.expected(track, tilt).unwrap(), after.expected(track, tilt).unwrap());
                assert!((a[0] - b[0]).abs() < 1e-9 && (a[1] - b[1]).abs() < 1e-9, "{a:?} {b:?}");
            }
        }
    }
}
