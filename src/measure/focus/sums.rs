//! All maps of a tilt folded into one set of sums over maps.
//!
//! Maps differ in underfocus by what the tilt makes of their place, and so in the phase of their rings. With cos Φ and
//! sin Φ of each map at a trial, every product that a least-squares step needs is summed over the maps once; a change
//! of underfocus or astigmatism that all maps share turns these sums without going back to the maps.

use crate::measure::focus::flat::Flat;
use crate::measure::focus::optics::Optics;
use crate::numerics::sine::sin_cos;
use crate::numerics::wide::wide;

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
    /// By ring: ΣC, ΣS.
    pub one: [Vec<f64>; 2],
    /// ΣCC, ΣCS, ΣSS.
    pub two: [Vec<f64>; 3],
    /// yC and yS by cell, y less 1.
    pub wave: [Vec<f32>; 2],
    /// e times C, S; this and what follows is empty where the gradient is not fitted.
    pub e_one: [Vec<f64>; 2],
    /// e times CC, CS, SS.
    pub e_two: [Vec<f64>; 3],
    /// e times yC, yS.
    pub tilted: [Vec<f32>; 2],
    /// e² times CC, CS, SS.
    pub ee_two: [Vec<f64>; 3],
}

impl Sums {
    /// Sums of a tilt's maps at a trial; `sloped`: those that a step of the gradient needs too.
    pub fn at(flat: &Flat, places: &[Place], optics: &Optics, trial: Trial, sloped: bool) -> Self {
        let (low, high) = flat.band;
        let mut found = Self::none(flat, sloped);
        let mut waves = Waves::new(high - low);
        for ((y, &n), place) in flat.y.iter().zip(&flat.n).zip(places) {
            waves.fill(optics, flat.band, trial.of(place), place.variance_um2 * trial.slope * trial.slope, n);
            let e = place.expected_um;
            add_rings(&mut found.one, &waves.both, n, low);
            add_squares(&mut found.two, &waves.both, n, low);
            if sloped {
                add_rings(&mut found.e_one, &waves.both, n * e, low);
                add_squares(&mut found.e_two, &waves.both, n * e, low);
                add_squares(&mut found.ee_two, &waves.both, n * e * e, low);
            }
            for sector in 0..flat.sectors {
                let band = sector * flat.rings + low..sector * flat.rings + high;
                let y = &y[band.clone()];
                for (sums, wave) in found.wave.iter_mut().zip(&waves.weighed) {
                    add_wave(&mut sums[band.clone()], y, wave, 1.0);
                }
                for (sums, wave) in found.tilted.iter_mut().zip(&waves.weighed).filter(|_| sloped) {
                    add_wave(&mut sums[band.clone()], y, wave, e as f32);
                }
            }
        }
        found
    }

    fn none(flat: &Flat, sloped: bool) -> Self {
        let rings = |wanted: bool| vec![0.0f64; if wanted { flat.rings } else { 0 }];
        let cells = |wanted: bool| [(); 2].map(|()| vec![0.0f32; if wanted { flat.rings * flat.sectors } else { 0 }]);
        let two = |wanted: bool| [(); 2].map(|()| rings(wanted));
        let three = |wanted: bool| [(); 3].map(|()| rings(wanted));
        Self {
            n: flat.n.iter().sum(),
            one: two(true),
            two: three(true),
            wave: cells(true),
            e_one: two(sloped),
            e_two: three(sloped),
            tilted: cells(sloped),
            ee_two: three(sloped),
        }
    }

    /// Whether a step of the gradient can be found from them.
    pub fn is_sloped(&self) -> bool {
        !self.tilted[0].is_empty()
    }

    /// ΣC and ΣS of a ring.
    pub fn one_of(&self, ring: usize) -> [f64; 2] {
        [self.one[0][ring], self.one[1][ring]]
    }

    /// ΣCC, ΣCS and ΣSS of a ring.
    pub fn two_of(&self, ring: usize) -> [f64; 3] {
        [self.two[0][ring], self.two[1][ring], self.two[2][ring]]
    }

    /// yC and yS of a cell.
    pub fn wave_of(&self, cell: usize) -> [f64; 2] {
        [f64::from(self.wave[0][cell]), f64::from(self.wave[1][cell])]
    }
}

/// C and S of one map by ring of the band.
struct Waves {
    both: [Vec<f64>; 2],
    /// The same times the map's patches.
    weighed: [Vec<f32>; 2],
    kept: Vec<f64>,
    /// What variance of underfocus leaves of each ring: maps have mostly the same.
    variance_um2: f64,
    blurred: Vec<f64>,
}

impl Waves {
    fn new(rings: usize) -> Self {
        let none = || vec![0.0; rings];
        let weighed = [(); 2].map(|()| vec![0.0; rings]);
        Self { both: [none(), none()], weighed, kept: none(), variance_um2: 0.0, blurred: vec![1.0; rings] }
    }

    fn fill(&mut self, optics: &Optics, (low, high): (usize, usize), defocus_um: f64, variance_um2: f64, n: f64) {
        if variance_um2 != self.variance_um2 {
            self.variance_um2 = variance_um2;
            self.blurred = (low..high).map(|ring| optics.blurred(ring, variance_um2)).collect();
        }
        for ((kept, blurred), ring) in self.kept.iter_mut().zip(&self.blurred).zip(low..high) {
            *kept = optics.resolved(ring, defocus_um) * blurred;
        }
        let [cosines, sines] = &mut self.both;
        let phases = [&optics.ring_a[low..high], &optics.ring_b[low..high]];
        phase(cosines, sines, phases, &self.kept, defocus_um);
        for (weighed, wave) in self.weighed.iter_mut().zip(&self.both) {
            weighed.iter_mut().zip(wave).for_each(|(weighed, wave)| *weighed = (n * wave) as f32);
        }
    }
}

wide! {
    fn phase<'a>(cosines: &'a mut [f64], sines: &'a mut [f64], phases: [&'a [f64]; 2], kept: &'a [f64], defocus: f64) {
        let [a, b] = phases;
        for ((((cosine, sine), a), b), kept) in cosines.iter_mut().zip(sines).zip(a).zip(b).zip(kept) {
            let (s, c) = sin_cos(a * defocus + b);
            (*cosine, *sine) = (kept * c, kept * s);
        }
    }
}

wide! {
    fn add_rings<'a>(sums: &'a mut [Vec<f64>; 2], waves: &'a [Vec<f64>; 2], n: f64, low: usize) {
        for (sums, wave) in sums.iter_mut().zip(waves) {
            sums[low..].iter_mut().zip(wave).for_each(|(sum, wave)| *sum += n * wave);
        }
    }
}

wide! {
    fn add_squares<'a>(sums: &'a mut [Vec<f64>; 3], waves: &'a [Vec<f64>; 2], n: f64, low: usize) {
        let [cc, cs, ss] = sums;
        let [c, s] = waves;
        let sums = cc[low..].iter_mut().zip(&mut cs[low..]).zip(&mut ss[low..]);
        for (((cc, cs), ss), (c, s)) in sums.zip(c.iter().zip(s)) {
            *cc += n * (c * c);
            *cs += n * (c * s);
            *ss += n * (s * s);
        }
    }
}

wide! {
    fn add_wave<'a>(sums: &'a mut [f32], y: &'a [f32], wave: &'a [f32], times: f32) {
        for ((sum, y), wave) in sums.iter_mut().zip(y).zip(wave) {
            *sum += times * (y - 1.0) * wave;
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
#[inline(always)]
pub fn turn([c, s]: [f64; 2], (cosine, sine): (f64, f64)) -> [f64; 2] {
    [c * cosine - s * sine, s * cosine + c * sine]
}

/// Turns (ΣCC, ΣCS, ΣSS).
#[inline(always)]
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
