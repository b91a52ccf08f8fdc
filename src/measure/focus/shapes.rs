//! The sectors' own backgrounds.
//!
//! Structures that lie along one direction have a spectrum that is not round. Were each sector divided by a smooth curve
//! of its own before the fit, that curve would take a part of the rings with it, of another size in each sector, and
//! the fit would see astigmatism. So a parabola for each sector is fitted together with the rings. It enters linearly
//! and is solved for at every step; only these sums, which do not change, are kept.

use crate::measure::focus::flat::Flat;
use crate::measure::focus::refine::{LENS, SIZE};
use crate::measure::focus::sector::{Sector, dot};
use crate::measure::focus::smooth::{AMPLITUDE, BACKGROUND, POWERS, Smooth};
use crate::numerics::wide::wide;
use nalgebra::Matrix3;

/// The common background can do what all parabolas do together: a pull of one standard deviation for 0.3 keeps it there.
const PULL: f64 = 11.0;

/// What is the same at every step, by sector.
pub struct Shapes {
    /// Inverse of the normal matrix.
    pub inverse: Vec<[[f64; POWERS]; POWERS]>,
    /// Its products with the common background.
    common: Vec<[[f64; BACKGROUND]; POWERS]>,
    /// Its products with one, and with y less 1.
    ones: Vec<[f64; POWERS]>,
    y: Vec<[f64; POWERS]>,
}

/// What one sector's own background has to do with the other parameters.
#[derive(Clone)]
pub struct Own {
    /// Its pull.
    pub pull: [f64; POWERS],
    /// With each of the others.
    pub with: [[f64; SIZE]; POWERS],
}

impl Shapes {
    /// For maps by sectors; `levels`: Σn(y - 1) of every cell.
    pub fn new(flat: &Flat, smooth: &Smooth, levels: &[f32]) -> Self {
        let (low, high) = flat.band;
        let n: f64 = flat.n.iter().sum();
        let mut found = Self { inverse: Vec::new(), common: Vec::new(), ones: Vec::new(), y: Vec::new() };
        let mut weighed = vec![0.0; high - low];
        for sector in 0..flat.sectors {
            let cells = sector * flat.rings + low..sector * flat.rings + high;
            let (w, y) = (&flat.w[cells.clone()], &levels[cells]);
            let mut matrix = Matrix3::identity() * PULL;
            let mut common = [[0.0; BACKGROUND]; POWERS];
            let (mut ones, mut with_y) = ([0.0; POWERS], [0.0; POWERS]);
            for p in 0..POWERS {
                weighed.iter_mut().zip(w).zip(&smooth.along[p]).for_each(|((out, w), power)| *out = n * w * power);
                for (o, along) in smooth.along.iter().enumerate() {
                    matrix[(p, o)] += dot((&weighed, along));
                }
                common[p].iter_mut().zip(&smooth.background.columns).for_each(|(sum, u)| *sum = u.dot(&weighed));
                ones[p] = weighed.iter().sum();
                with_y[p] = weighed.iter().zip(y).map(|(weight, y)| weight * f64::from(*y)).sum::<f64>() / n;
            }
            // With the pull the matrix is never singular.
            let solved = matrix.try_inverse().unwrap_or_else(Matrix3::zeros);
            found.inverse.push(std::array::from_fn(|p| std::array::from_fn(|o| solved[(p, o)])));
            found.common.push(common);
            found.ones.push(ones);
            found.y.push(with_y);
        }
        found
    }
}

wide! {
    /// What the own background of sector number `at` has to do with the other parameters, at some coefficients of the
    /// common background and of the amplitude.
    pub fn own_background<'a>(
        shapes: &'a Shapes,
        smooth: &'a Smooth,
        at: usize,
        sector: &'a Sector,
        lens: [f64; 3],
        coefficients: [&'a [f64]; 2],
    ) -> Own {
        let [c, d] = coefficients;
        let mut own = Own { pull: [0.0; POWERS], with: [[0.0; SIZE]; POWERS] };
        for p in 0..POWERS {
            let rings: [f64; AMPLITUDE] = std::array::from_fn(|k| smooth.shaped[p][k].dot(&sector.c));
            let common = &shapes.common[at][p];
            let level = common.iter().zip(c).map(|(with, c)| with * c).sum::<f64>() - shapes.ones[at][p];
            own.pull[p] = shapes.y[at][p] - level + rings.iter().zip(d).map(|(with, d)| with * d).sum::<f64>();
            let slope = dot((&smooth.along[p], &sector.level));
            let with = &mut own.with[p];
            for (with, lens) in with.iter_mut().zip(lens) {
                *with = slope * lens;
            }
            with[LENS..LENS + BACKGROUND].copy_from_slice(common);
            with[LENS + BACKGROUND..].iter_mut().zip(rings).for_each(|(with, ring)| *with = -ring);
        }
        own
    }
}
