//! The sectors' own backgrounds.
//!
//! Structures that lie along one direction have a spectrum that is not round. Were each sector divided by a smooth curve
//! of its own before the fit, that curve would take a part of the rings with it, of another size in each sector, and
//! the fit would see astigmatism. So a parabola for each sector is fitted together with the rings. It enters linearly
//! and is solved for at every step; only these sums, which do not change, are kept.

use crate::measure::focus::flat::{Flat, abscissa};
use crate::measure::focus::optics::Optics;
use crate::measure::focus::refine::BACKGROUND;
use crate::numerics::spline::Basis;
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
}

impl Shapes {
    /// For maps by sectors.
    pub fn new(flat: &Flat, optics: &Optics, background: &[Basis]) -> Self {
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
        Self { powers, inverse, common }
    }

    /// Sectors.
    pub fn sectors(&self) -> usize {
        self.inverse.len()
    }
}
