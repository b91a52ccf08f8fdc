//! The sectors' own backgrounds.
//!
//! Structures that lie along one direction have a spectrum that is not round. Were each sector divided by a smooth curve
//! of its own before the fit, that curve would take a part of the rings with it, of another size in each sector, and
//! the fit would see astigmatism. So a parabola for each sector is fitted together with the rings. It enters linearly
//! and is solved for at every step; only these sums, which do not change, are kept.

use crate::measure::focus::flat::{Flat, abscissa};
use crate::measure::focus::optics::Optics;
use crate::measure::focus::refine::{AMPLITUDE, BACKGROUND, LENS, SIZE};
use crate::measure::focus::sector::{Sector, dot};
use crate::numerics::spline::Basis;
use crate::numerics::wide::wide;
use nalgebra::Matrix3;

/// Coefficients of a parabola.
pub const POWERS: usize = 3;
/// The common background can do what all parabolas do together: a pull of one standard deviation for 0.3 keeps it there.
const PULL: f64 = 11.0;

/// What is the same at every step.
pub struct Shapes {
    /// Powers of the abscissa, from -1 to 1 over the band, by ring.
    pub powers: Vec<[f64; POWERS]>,
    /// Inverse of the normal matrix of each sector.
    pub inverse: Vec<[[f64; POWERS]; POWERS]>,
    /// Its products with the common background.
    pub common: Vec<[[f64; BACKGROUND]; POWERS]>,
    /// Powers by ring of the band, and their products with the splines of the amplitude.
    along: [Vec<f64>; POWERS],
    amplitude: [[Vec<f64>; AMPLITUDE]; POWERS],
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
    /// For maps by sectors.
    pub fn new(flat: &Flat, optics: &Optics, background: &[Basis], splines: &[Basis]) -> Self {
        let (low, high) = flat.band;
        let (from, to) = (abscissa(optics, low), abscissa(optics, high - 1));
        let powers: Vec<[f64; POWERS]> = (0..flat.rings)
            .map(|ring| {
                let t = 2.0 * (abscissa(optics, ring) - from) / (to - from) - 1.0;
                [1.0, t, t * t]
            })
            .collect();
        let n: f64 = flat.n.iter().sum();
        let (mut inverse, mut common) = (Vec::new(), Vec::new());
        for sector in 0..flat.sectors {
            let mut matrix = Matrix3::identity() * PULL;
            let mut with = [[0.0; BACKGROUND]; POWERS];
            let rings = powers.iter().zip(background).zip(&flat.w[sector * flat.rings..]);
            for ((powers, basis), weight) in rings.take(high).skip(low) {
                let w = n * weight;
                for (p, q) in powers.iter().enumerate() {
                    powers.iter().enumerate().for_each(|(o, other)| matrix[(p, o)] += w * q * other);
                    basis.values.iter().enumerate().for_each(|(k, v)| with[p][basis.first + k] += w * q * v);
                }
            }
            // With the pull the matrix is never singular.
            let solved = matrix.try_inverse().unwrap_or_else(Matrix3::zeros);
            inverse.push(std::array::from_fn(|p| std::array::from_fn(|o| solved[(p, o)])));
            common.push(with);
        }
        let along = std::array::from_fn(|p| powers[low..high].iter().map(|powers| powers[p]).collect());
        let product =
            |p: usize, spline: usize| (low..high).map(|ring| splines[ring].of(spline) * powers[ring][p]).collect();
        let amplitude = std::array::from_fn(|p| std::array::from_fn(|spline| product(p, spline)));
        Self { powers, inverse, common, along, amplitude }
    }
}

wide! {
    /// What the own background of sector number `at` has to do with the other parameters.
    pub fn own_background<'a>(shapes: &'a Shapes, at: usize, sector: &'a Sector, lens: [f64; 3]) -> Own {
        let mut own = Own { pull: [0.0; POWERS], with: [[0.0; SIZE]; POWERS] };
        for p in 0..POWERS {
            own.pull[p] = dot((&shapes.along[p], &sector.rest));
            let slope = dot((&shapes.along[p], &sector.level));
            let with = &mut own.with[p];
            for (with, lens) in with.iter_mut().zip(lens) {
                *with = slope * lens;
            }
            with[LENS..LENS + BACKGROUND].copy_from_slice(&shapes.common[at][p]);
            for (with, products) in with[LENS + BACKGROUND..].iter_mut().zip(&shapes.amplitude[p]) {
                *with = -dot((products, &sector.c));
            }
        }
        own
    }
}
