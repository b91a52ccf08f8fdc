//! All maps of a tilt folded into one set of sums over maps.
//!
//! Maps differ in underfocus by what the tilt makes of their place, and so in the phase of their rings. With cos Φ and
//! sin Φ of each map at a trial, every product that a least-squares step needs is summed over the maps once; a change
//! of underfocus or astigmatism that all maps share turns these sums without going back to the maps.

use crate::measure::focus::flat::Flat;
use crate::measure::focus::optics::Optics;
use crate::numerics::sine::sin_cos;

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
    /// yC and yS by cell, y less 1.
    pub wave: [Vec<f32>; 2],
    /// The same times e; empty where the gradient is not fitted.
    pub tilted: [Vec<f32>; 2],
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
    /// Sums of a tilt's maps at a trial; `sloped`: those that a step of the gradient needs too.
    pub fn at(flat: &Flat, places: &[Place], optics: &Optics, trial: Trial, sloped: bool) -> Self {
        let (low, high) = flat.band;
        let cells = flat.rings * flat.sectors;
        let zeros = |wanted: bool| [0, 1].map(|_| vec![0.0f32; if wanted { cells } else { 0 }]);
        let mut found = Self {
            n: flat.n.iter().sum(),
            ring: vec![RingSums::default(); flat.rings],
            wave: zeros(true),
            tilted: zeros(sloped),
        };
        let (mut cosines, mut sines) = (vec![0.0f32; high - low], vec![0.0f32; high - low]);
        for ((y, &n), place) in flat.y.iter().zip(&flat.n).zip(places) {
            let defocus = trial.of(place);
            let variance = place.variance_um2 * trial.slope * trial.slope;
            let e = place.expected_um;
            for j in low..high {
                let kept = optics.kept(j, defocus, variance);
                let (sine, cosine) = sin_cos(optics.ring_a[j] * defocus + optics.ring_b[j]);
                let (c, s) = (kept * cosine, kept * sine);
                found.ring[j].add(n, e, c, s);
                (cosines[j - low], sines[j - low]) = ((n * c) as f32, (n * s) as f32);
            }
            for sector in 0..flat.sectors {
                let band = sector * flat.rings + low..sector * flat.rings + high;
                let y = &y[band.clone()];
                for (sums, wave) in found.wave.iter_mut().zip([&cosines, &sines]) {
                    let sums = sums[band.clone()].iter_mut().zip(y).zip(wave);
                    sums.for_each(|((sum, y), wave)| *sum += (y - 1.0) * wave);
                }
                if sloped {
                    for (sums, wave) in found.tilted.iter_mut().zip([&cosines, &sines]) {
                        let sums = sums[band.clone()].iter_mut().zip(y).zip(wave);
                        sums.for_each(|((sum, y), wave)| *sum += e as f32 * (y - 1.0) * wave);
                    }
                }
            }
        }
        found
    }

    /// Whether a step of the gradient can be found from them.
    pub fn is_sloped(&self) -> bool {
        !self.tilted[0].is_empty()
    }

    /// yC and yS of a cell.
    pub fn wave_of(&self, cell: usize) -> [f64; 2] {
        [f64::from(self.wave[0][cell]), f64::from(self.wave[1][cell])]
    }

    /// e·yC and e·yS of a cell.
    pub fn tilted_of(&self, cell: usize) -> [f64; 2] {
        if !self.is_sloped() {
            return [0.0; 2];
        }
        [f64::from(self.tilted[0][cell]), f64::from(self.tilted[1][cell])]
    }
}

impl RingSums {
    fn add(&mut self, n: f64, e: f64, c: f64, s: f64) {
        for (k, value) in [c, s].into_iter().enumerate() {
            self.one[k] += n * value;
            self.e_one[k] += n * e * value;
        }
        for (k, value) in [c * c, c * s, s * s].into_iter().enumerate() {
            self.two[k] += n * value;
            self.e_two[k] += n * e * value;
            self.ee_two[k] += n * e * e * value;
        }
    }
}

/// Σn(y - 1) and Σn(y - 1)² of every cell.
pub fn levels(flat: &Flat) -> [Vec<f32>; 2] {
    let cells = flat.rings * flat.sectors;
    let mut sums = [vec![0.0f32; cells], vec![0.0f32; cells]];
    for (y, &n) in flat.y.iter().zip(&flat.n) {
        let n = n as f32;
        let [one, two] = &mut sums;
        for ((one, two), y) in one.iter_mut().zip(two).zip(y) {
            *one += n * (y - 1.0);
            *two += n * (y - 1.0) * (y - 1.0);
        }
    }
    sums
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
