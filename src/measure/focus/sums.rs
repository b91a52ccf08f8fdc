//! All maps of a tilt folded into one set of sums over maps.
//!
//! Maps differ in underfocus by what the tilt makes of their place, and so in the phase of their rings. With cos Φ and
//! sin Φ of each map at a trial, every product that a least-squares step needs is summed over the maps once; a change
//! of underfocus or astigmatism that all maps share turns these sums without going back to the maps.

use crate::measure::focus::flat::Flat;
use crate::measure::focus::optics::Optics;

/// What differs from map to map.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// Underfocus above that of the middle where the gradient is as expected.
    pub expected_um: f64,
    /// Underfocus above that whatever the gradient is.
    pub fixed_um: f64,
    /// Variance of the expected underfocus within the map.
    pub variance_um2: f64,
}

/// A trial about which the sums are made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trial {
    /// Underfocus at the middle.
    pub defocus_um: f64,
    /// Gradient over the expected one.
    pub slope: f64,
}

impl Trial {
    /// Underfocus of a map.
    pub fn of(&self, place: &Place) -> f64 {
        self.defocus_um + self.slope * place.expected_um + place.fixed_um
    }
}

/// Sums over the maps, weighted by their patches; C and S: cosine and sine with what is kept of the amplitude, `e`
/// the expected underfocus of a map.
#[derive(Debug, Clone)]
pub struct Sums {
    /// Σn.
    pub n: f64,
    /// By ring: C, S, CC, SS, CS, and the same times e, and ee·CC, ee·SS, ee·CS.
    pub ring: Vec<RingSums>,
    /// By cell: y, y·y, yC, yS, e·yC, e·yS.
    pub cell: Vec<[f64; 6]>,
}

/// Sums of one ring.
#[derive(Debug, Clone, Copy, Default)]
pub struct RingSums {
    /// ΣC, ΣS.
    pub one: [f64; 2],
    /// ΣeC, ΣeS.
    pub e_one: [f64; 2],
    /// ΣCC, ΣCS, ΣSS.
    pub two: [f64; 3],
    /// Σe of the same.
    pub e_two: [f64; 3],
    /// Σe² of the same.
    pub ee_two: [f64; 3],
}

impl Sums {
    /// Sums of a tilt's maps at a trial.
    pub fn at(flat: &Flat, places: &[Place], optics: &Optics, trial: Trial) -> Self {
        let mut ring = vec![RingSums::default(); flat.rings];
        let mut cell = vec![[0.0f64; 6]; flat.rings * flat.sectors];
        for ((y, &n), place) in flat.y.iter().zip(&flat.n).zip(places) {
            let defocus = trial.of(place);
            let variance = place.variance_um2 * trial.slope * trial.slope;
            let e = place.expected_um;
            for (j, sums) in ring.iter_mut().enumerate().take(flat.band.1).skip(flat.band.0) {
                let kept = optics.kept(j, defocus, variance);
                let (sine, cosine) = (optics.ring_a[j] * defocus + optics.ring_b[j]).sin_cos();
                let (c, s) = (kept * cosine, kept * sine);
                let two = [c * c, c * s, s * s];
                for (k, value) in [c, s].into_iter().enumerate() {
                    sums.one[k] += n * value;
                    sums.e_one[k] += n * e * value;
                }
                for (k, value) in two.into_iter().enumerate() {
                    sums.two[k] += n * value;
                    sums.e_two[k] += n * e * value;
                    sums.ee_two[k] += n * e * e * value;
                }
                for sector in 0..flat.sectors {
                    let at = sector * flat.rings + j;
                    let y = f64::from(y[at]);
                    let (nyc, nys) = (n * y * c, n * y * s);
                    let sums = &mut cell[at];
                    sums[0] += n * y;
                    sums[1] += n * y * y;
                    sums[2] += nyc;
                    sums[3] += nys;
                    sums[4] += e * nyc;
                    sums[5] += e * nys;
                }
            }
        }
        Self { n: flat.n.iter().sum(), ring, cell }
    }
}

/// Turns (ΣC, ΣS) by an angle given as (cosine, sine).
pub fn turn([c, s]: [f64; 2], (cosine, sine): (f64, f64)) -> [f64; 2] {
    [c * cosine - s * sine, s * cosine + c * sine]
}

/// Turns (ΣCC, ΣCS, ΣSS).
pub fn turn_two([cc, cs, ss]: [f64; 3], (c, s): (f64, f64)) -> [f64; 3] {
    [
        c * c * cc - 2.0 * c * s * cs + s * s * ss,
        c * s * (cc - ss) + (c * c - s * s) * cs,
        s * s * cc + 2.0 * c * s * cs + c * c * ss,
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn turned_sums_are_sums_of_turned_phases() {
        let phases = [0.3f64, 1.9, 4.0];
        let one = |d: f64| phases.iter().fold([0.0, 0.0], |[c, s], p| [c + (p + d).cos(), s + (p + d).sin()]);
        let two = |d: f64| {
            phases.iter().fold([0.0; 3], |[a, b, c], p| {
                let (s, o) = (p + d).sin_cos();
                [a + o * o, b + o * s, c + s * s]
            })
        };
        let by = 0.7f64;
        let angle = (by.cos(), by.sin());
        assert!(turn(one(0.0), angle).iter().zip(one(by)).all(|(a, b)| (a - b).abs() < 1e-12));
        assert!(turn_two(two(0.0), angle).iter().zip(two(by)).all(|(a, b)| (a - b).abs() < 1e-12));
    }
}
