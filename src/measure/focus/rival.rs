//! Would one broad ring do as well?
//!
//! Pixels too coarse for two minima show at most one and a half rings, and a background free enough to spare the first
//! ring of a fine spectrum is free enough to follow these. What it leaves over can then look like several rings of some
//! larger underfocus. So a fit is held up to underfocuses too small to be measured, twice: over a background as free as its
//! own, and over one too stiff to follow a ring, with half the parameters. Where either describes the spectrum as well,
//! nothing is told.

use crate::measure::focus::flat::Flat;
use crate::measure::focus::normal::STIFFNESS;
use crate::measure::focus::null::{Wave, curves};
use crate::measure::focus::optics::Optics;
use crate::measure::focus::refine::{Fit, Fitter};
use crate::measure::focus::sector::dot;
use crate::measure::focus::smooth::{AMPLITUDE, BACKGROUND, STIFF, Smooth, Splines};
use crate::measure::focus::sums::{Place, Sums, Trial, levels, turn, turn_two};
use crate::numerics::sine::sin_cos;
use crate::numerics::wide::wide;
use nalgebra::{DMatrix, DVector, SMatrix, SVector};

/// Steps of underfocus, in radians of the rings' phase at the highest frequency.
const STEP_RAD: f64 = 0.5;
/// Least turn of the phase over the band that is tried: half a ring.
const LEAST_RAD: f64 = std::f64::consts::PI;
const RIDGE: f64 = 1e-6;
/// Three standard deviations: over an equally free background a fit must be better by so much.
const BETTER_BY: f64 = 9.0;

/// The underfocus, too small to be measured, that describes a spectrum as well as a fit does; `None` where there is
/// none. `sd`: scatter beyond the noise. Models of different size are compared by their χ² and the logarithm of the
/// number of data for each parameter (Schwarz 1978, Ann. Statist. 6:461).
pub fn as_good(round: &Flat, places: &[Place], optics: &Optics, fit: &Fit, sd: f64) -> Option<f64> {
    let own = chi2(round, places, optics, fit);
    let rings = (round.band.1 - round.band.0) as f64;
    let spared = (BACKGROUND + AMPLITUDE - 2 * STIFF) as f64 * rings.ln() * sd * sd;
    let top = optics.band.1 - 1;
    let least = (LEAST_RAD - optics.ring_b[top]) / optics.ring_a[top];
    let most = optics.least_defocus_um();
    let middle = Trial { defocus_um: 0.5 * (least + most), slope: fit.trial.slope };
    let turned = Turned::at(round, places, optics, middle);
    let Smooth { background, amplitude, stiff, .. } = &optics.smooth;
    let free = Model::new(&turned, [background, amplitude], &vec![1.0; round.rings], STIFFNESS);
    let stiff = Model::new(&turned, [stiff, stiff], &over_curve(round, optics), 0.0);
    let is_as_good = |um: &f64| {
        let waves = turned.to(*um);
        free.chi2(&waves).is_some_and(|rival| rival < own + BETTER_BY * sd * sd)
            || stiff.chi2(&waves).is_some_and(|rival| rival < own + spared)
    };
    let steps = ((most - least) * optics.ring_a[top] / STEP_RAD).ceil() as usize;
    (0..steps).map(|step| least + STEP_RAD / optics.ring_a[top] * step as f64).find(is_as_good)
}

/// χ² of a fit, sectors in one.
fn chi2(round: &Flat, places: &[Place], optics: &Optics, fit: &Fit) -> f64 {
    let wave = Wave::of(fit, optics, &curves(&Fitter::new(round, places, optics), fit, round.rings));
    let of_map = |((y, n), place): ((&Vec<f32>, &f64), &Place)| {
        let rest = wave.residual(y, round.band, place, optics, fit);
        rest.iter().zip(&round.w).map(|(rest, w)| n * w * rest * rest).sum::<f64>()
    };
    round.y.iter().zip(&round.n).zip(places).map(of_map).sum()
}

/// Σn over the maps, by ring of the band, of wave, wave² and y·wave; the wave is -κ cos Φ.
type Waves = [Vec<f64>; 3];

/// Sums over the maps at one underfocus, to be turned to others: over so small a range what a patch keeps of the rings
/// hardly changes.
struct Turned<'a> {
    round: &'a Flat,
    optics: &'a Optics,
    at_um: f64,
    sums: Sums,
    /// Σn over the maps, by ring of the band, of y and y².
    levels: [Vec<f64>; 2],
}

impl<'a> Turned<'a> {
    fn at(round: &'a Flat, places: &[Place], optics: &'a Optics, trial: Trial) -> Self {
        let sums = Sums::at(round, places, optics, trial, false);
        let [one, two] = levels(round);
        // The sums count y from 1.
        let y = round.band.0..round.band.1;
        let y = y.map(|j| (f64::from(one[j]) + sums.n, f64::from(two[j]) + 2.0 * f64::from(one[j]) + sums.n));
        let (y, yy) = y.unzip();
        Self { round, optics, at_um: trial.defocus_um, sums, levels: [y, yy] }
    }

    fn to(&self, um: f64) -> Waves {
        let (low, high) = self.round.band;
        let mut found = [(); 3].map(|()| vec![0.0; high - low]);
        turned(&mut found, &self.sums, &self.optics.ring_a[low..high], um - self.at_um, low);
        found
    }
}

wide! {
    fn turned<'a>(found: &'a mut Waves, sums: &'a Sums, a: &'a [f64], beyond_um: f64, low: usize) {
        let [wave, wave2, y_wave] = found;
        let n = a.len();
        let (wave, wave2, y_wave) = (&mut wave[..n], &mut wave2[..n], &mut y_wave[..n]);
        let [c0, s0] = [0, 1].map(|k| &sums.one[k][low..low + n]);
        let [cc0, cs0, ss0] = [0, 1, 2].map(|k| &sums.two[k][low..low + n]);
        let [yc0, ys0] = [0, 1].map(|k| &sums.wave[k][low..low + n]);
        for j in 0..n {
            let (sine, cosine) = sin_cos(a[j] * beyond_um);
            let [c, _] = turn([c0[j], s0[j]], (cosine, sine));
            let [cc, _, _] = turn_two([cc0[j], cs0[j], ss0[j]], (cosine, sine));
            let [yc, _] = turn([f64::from(yc0[j]), f64::from(ys0[j])], (cosine, sine));
            wave[j] = -c;
            wave2[j] = cc;
            y_wave[j] = -(yc + c);
        }
    }
}

/// Background and rings of so many splines, in terms of what the maps were divided by.
struct Model<'a> {
    background: &'a Splines,
    amplitude: &'a Splines,
    stiffness: f64,
    /// Weights of the rings of the band, times what lies over the background of one, and its square.
    w: [Vec<f64>; 2],
    /// The same at every underfocus: products of the background with itself and with the data, and of these with themselves.
    same: DMatrix<f64>,
    right: DVector<f64>,
    square: f64,
    /// Weights of the amplitude's splines in its mean.
    strength: Vec<f64>,
}

impl<'a> Model<'a> {
    /// `over`: background of one, over the curve that the maps were divided by.
    fn new(turned: &Turned<'_>, [background, amplitude]: [&'a Splines; 2], over: &[f64], stiffness: f64) -> Self {
        let (round, [y, yy]) = (turned.round, &turned.levels);
        let band = round.band.0..round.band.1;
        let w = &round.w[band.clone()];
        let weights =
            |power: i32| -> Vec<f64> { w.iter().zip(&over[band.clone()]).map(|(w, o)| w * o.powi(power)).collect() };
        let [once, twice] = [weights(1), weights(2)];
        let (behind, count) = (background.columns.len(), amplitude.columns.len());
        let mut same = DMatrix::zeros(behind + count, behind + count);
        let mut right = DVector::zeros(behind + count);
        let data: Vec<f64> = once.iter().zip(y).map(|(w, y)| w * y).collect();
        let mut product = vec![0.0; w.len()];
        for (i, u) in background.columns.iter().enumerate() {
            right[i] = u.dot(&data);
            u.weigh(&twice, &mut product);
            for (k, v) in background.columns.iter().enumerate().take(i + 1) {
                same[(i, k)] = turned.sums.n * v.dot(&product);
            }
        }
        let strength = amplitude.columns.iter().map(|v| v.dot(w)).collect();
        let square = dot((w, yy));
        Self { background, amplitude, stiffness, w: [once, twice], same, right, square, strength }
    }

    /// χ² of the best background and rings; `None` where such rings would be inverted.
    fn chi2(&self, waves: &Waves) -> Option<f64> {
        let (mut normal, mut right) = (self.same.clone(), self.right.clone());
        rings_of(self, waves, &mut normal, &mut right);
        normal.fill_upper_triangle_with_lower_triangle();
        let mut held = normal.clone();
        let (behind, count) = (self.background.columns.len(), self.amplitude.columns.len());
        for (first, count) in [(0, behind), (behind, count)] {
            for at in first..first + count {
                held[(at, at)] += RIDGE;
            }
            for at in first..first + count - 2 {
                for (i, u) in [1.0, -2.0, 1.0].into_iter().enumerate() {
                    for (k, v) in [1.0, -2.0, 1.0].into_iter().enumerate() {
                        held[(at + i, at + k)] += self.stiffness * u * v;
                    }
                }
            }
        }
        let solution = not_inverted(held, &right, behind)?;
        let strength = dot((&self.strength, &solution.as_slice()[behind..]));
        (strength > 0.0).then(|| self.square - 2.0 * solution.dot(&right) + (&normal * &solution).dot(&solution))
    }
}

/// Solves for background and rings, no spline of the rings' amplitude (those from number `behind` on) under zero: one broad
/// ring whose amplitude changes its sign is as many rings as one cares to have.
fn not_inverted(mut matrix: DMatrix<f64>, right: &DVector<f64>, behind: usize) -> Option<DVector<f64>> {
    let mut right = right.clone();
    loop {
        let solution = matrix.clone().cholesky()?.solve(&right);
        let lowest = (behind..solution.len()).min_by(|&a, &b| solution[a].total_cmp(&solution[b]))?;
        if solution[lowest] >= 0.0 {
            return Some(solution);
        }
        matrix.row_mut(lowest).fill(0.0);
        matrix.column_mut(lowest).fill(0.0);
        matrix[(lowest, lowest)] = 1.0;
        right[lowest] = 0.0;
    }
}

wide! {
    /// What the rings have to do with the data, with the background and with themselves.
    fn rings_of<'a>(model: &'a Model<'a>, waves: &'a Waves, normal: &'a mut DMatrix<f64>, right: &'a mut DVector<f64>) {
        let [wave, wave2, y_wave] = waves;
        let [once, twice] = &model.w;
        let weigh = |w: &[f64], values: &[f64]| -> Vec<f64> { w.iter().zip(values).map(|(w, value)| w * value).collect() };
        let (wave, wave2, y_wave) = (weigh(twice, wave), weigh(twice, wave2), weigh(once, y_wave));
        let mut product = vec![0.0; wave.len()];
        let behind = model.background.columns.len();
        for (i, v) in model.amplitude.columns.iter().enumerate() {
            right[behind + i] = v.dot(&y_wave);
            v.weigh(&wave, &mut product);
            for (k, u) in model.background.columns.iter().enumerate() {
                normal[(behind + i, k)] = u.dot(&product);
            }
            v.weigh(&wave2, &mut product);
            for (k, u) in model.amplitude.columns.iter().enumerate().take(i + 1) {
                normal[(behind + i, behind + k)] = u.dot(&product);
            }
        }
    }
}

/// A parabola through the logarithm of the common curve, over that curve.
fn over_curve(round: &Flat, optics: &Optics) -> Vec<f64> {
    let (mut normal, mut right) = (SMatrix::<f64, 3, 3>::identity() * 1e-9, SVector::<f64, 3>::zeros());
    let powers = |ring: usize| {
        let x = optics.smooth.abscissa[ring];
        SVector::<f64, 3>::new(1.0, x, x * x)
    };
    for j in round.band.0..round.band.1 {
        let powers = powers(j);
        normal += round.w[j] * powers * powers.transpose();
        right += round.w[j] * round.curve[j].max(1e-300).ln() * powers;
    }
    let solution = normal.cholesky().map_or(SVector::zeros(), |cholesky| cholesky.solve(&right));
    (0..round.rings).map(|j| (solution.dot(&powers(j)) - round.curve[j].max(1e-300).ln()).exp()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::focus::coarse::Table;
    use crate::measure::focus::gradient::Geometry;
    use crate::measure::focus::grid::SECTORS;
    use crate::measure::focus::maps::RegionMap;
    use crate::measure::focus::tilt::{Plan, TiltFocus, measure};
    use crate::physics::contrast::Lens;

    /// Noise of one, structures that fall by four decades, and grain whose rings fade with frequency.
    fn level(optics: &Optics, square: f64, defocus_um: f64) -> f64 {
        let f = square.sqrt();
        let structures = 300.0 * (-f / 0.01).exp() + 20.0 * (-f / 0.03).exp() + 0.5 * (-f / 0.12).exp();
        let rings = optics.lens.chi_rad(square / optics.pixel_nm.powi(2), defocus_um).sin().powi(2);
        1.0 + structures + 0.6 * (-f / 0.25).exp() * rings
    }

    /// Three tiles of 512² at zero tilt.
    fn tilt(plan: &Plan, defocus_um: f64, seed: u32) -> TiltFocus {
        let (optics, mut state) = (&plan.optics, seed);
        let mut uniform = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(state >> 8) / f64::from(1u32 << 24) - 0.5
        };
        let mut map = |tile: usize| RegionMap {
            tile,
            middle_px: [0.0, 0.0],
            spread_px2: [0.0; 3],
            patches: 1.0,
            power: (0..optics.grid.rings * SECTORS)
                .map(|cell| {
                    let normal: f64 = (0..12).map(|_| uniform()).sum();
                    // What four tapers know of the noise.
                    let noise = normal / (0.61 * optics.grid.counts[cell].max(1.0)).sqrt();
                    (level(optics, optics.grid.squares[cell], defocus_um) * (1.0 + noise)) as f32
                })
                .collect(),
        };
        let maps: Vec<RegionMap> = (0..3).map(&mut map).collect();
        let middles = [[0.0, -416.0], [0.0, 0.0], [0.0, 416.0]];
        measure(plan, &maps, &middles, &Geometry { tilt_deg: 0.0, axis_deg: Some(3.0) })
    }

    fn plan() -> Plan {
        let optics = Optics::new(Lens::new(300.0, 2.7, 0.07), 0.7, 512);
        Plan { table: Table::new(&optics), optics, phase_error_rad: 0.0 }
    }

    /// Rings that fade, over structures: a single broad ring describes them only if it may turn into its negative.
    #[test]
    fn two_rings_over_structures_are_no_broad_one() {
        let plan = plan();
        for (defocus_um, seed) in [(2.8, 1), (2.8, 2), (3.0, 3), (3.0, 4), (3.4, 5), (3.4, 6)] {
            let found = tilt(&plan, defocus_um, seed);
            assert_eq!(found.broad_um, None, "{defocus_um} µm, {seed}");
            let figures = found.figures.unwrap();
            assert!((figures.defocus_um / defocus_um - 1.0).abs() < 0.02, "{} is not {defocus_um}", figures.defocus_um);
        }
    }

    #[test]
    fn a_broad_ring_is_given_no_underfocus() {
        let plan = plan();
        for (defocus_um, seed) in [(1.0, 1), (1.2, 2), (1.4, 3), (1.6, 4), (1.8, 5), (2.0, 6)] {
            let found = tilt(&plan, defocus_um, seed);
            assert!(found.figures.is_err(), "{defocus_um} µm, {seed}: {:?}", found.figures);
        }
    }
}
