//! Would one broad ring do as well?
//!
//! Pixels too coarse for two minima show at most one and a half rings, and a background free enough to spare the first
//! ring of a fine spectrum is free enough to follow these. What it leaves over can then look like several rings of some
//! larger underfocus. So a fit is held up to underfocuses too small to be measured, twice: over a background as free as its
//! own, and over one too stiff to follow a ring, with half the parameters. Where either describes the spectrum as well,
//! nothing is told.

use crate::measure::focus::flat::{Flat, abscissa, splines};
use crate::measure::focus::normal::STIFFNESS;
use crate::measure::focus::null::{Wave, curves};
use crate::measure::focus::optics::Optics;
use crate::measure::focus::refine::{AMPLITUDE, BACKGROUND, Fit, Fitter};
use crate::measure::focus::sector;
use crate::measure::focus::sums::{Place, Sums, Trial, levels, turn, turn_two};
use crate::numerics::sine::sin_cos;
use crate::numerics::spline::Basis;
use crate::numerics::wide::wide;
use nalgebra::{DMatrix, DVector, SMatrix, SVector};

/// Splines of the stiff background and of the amplitude over it.
const STIFF: usize = 4;
const STIFF_AMPLITUDE: usize = 4;
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
    let spared = (BACKGROUND + AMPLITUDE - STIFF - STIFF_AMPLITUDE) as f64 * rings.ln() * sd * sd;
    let top = optics.band.1 - 1;
    let least = (LEAST_RAD - optics.ring_b[top]) / optics.ring_a[top];
    let most = optics.least_defocus_um();
    let middle = Trial { defocus_um: 0.5 * (least + most), slope: fit.trial.slope };
    let turned = Turned::at(round, places, optics, middle);
    let free = Model::new(round, optics, [BACKGROUND, AMPLITUDE], &vec![1.0; round.rings], STIFFNESS);
    let stiff = Model::new(round, optics, [STIFF, STIFF_AMPLITUDE], &over_curve(round, optics), 0.0);
    let is_as_good = |um: &f64| {
        let rings = turned.to(*um);
        free.chi2(round, &rings).is_some_and(|rival| rival < own + BETTER_BY * sd * sd)
            || stiff.chi2(round, &rings).is_some_and(|rival| rival < own + spared)
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

/// Σn over the maps, by ring of the band, of wave, wave², y, y·wave and y²; the wave is -κ cos Φ.
type RingData = [Vec<f64>; 5];

/// Sums over the maps at one underfocus, to be turned to others: over so small a range what a patch keeps of the rings
/// hardly changes.
struct Turned<'a> {
    round: &'a Flat,
    optics: &'a Optics,
    at_um: f64,
    sums: Sums,
    levels: [Vec<f32>; 2],
}

impl<'a> Turned<'a> {
    fn at(round: &'a Flat, places: &[Place], optics: &'a Optics, trial: Trial) -> Self {
        let sums = Sums::at(round, places, optics, trial, false);
        Self { round, optics, at_um: trial.defocus_um, sums, levels: levels(round) }
    }

    fn to(&self, um: f64) -> RingData {
        let (low, high) = self.round.band;
        let mut found = [(); 5].map(|()| vec![0.0; high - low]);
        let levels = [0, 1].map(|k| &self.levels[k][low..high]);
        turned(&mut found, &self.sums, levels, &self.optics.ring_a[low..high], um - self.at_um, low);
        found
    }
}

wide! {
    fn turned<'a>(
        found: &'a mut RingData,
        sums: &'a Sums,
        levels: [&'a [f32]; 2],
        a: &'a [f64],
        beyond_um: f64,
        low: usize,
    ) {
        let [wave, wave2, y, y_wave, yy] = found;
        let n = sums.n;
        for j in 0..a.len() {
            let (sine, cosine) = sin_cos(a[j] * beyond_um);
            let [c, _] = turn(sums.one_of(low + j), (cosine, sine));
            let [cc, _, _] = turn_two(sums.two_of(low + j), (cosine, sine));
            let [yc, _] = turn(sums.wave_of(low + j), (cosine, sine));
            // The sums count y from 1.
            let (one, two) = (f64::from(levels[0][j]), f64::from(levels[1][j]));
            wave[j] = -c;
            wave2[j] = cc;
            y[j] = one + n;
            y_wave[j] = -(yc + c);
            yy[j] = two + 2.0 * one + n;
        }
    }

    fn dot<'a>(a: &'a [f64], b: &'a [f64]) -> f64 {
        sector::dot((a, b))
    }
}

/// Background and rings of so many splines, in terms of what the maps were divided by.
struct Model {
    amplitude: Vec<Basis>,
    size: [usize; 2],
    stiffness: f64,
    /// Products of the background with itself, for one patch; the same at every underfocus.
    same: DMatrix<f64>,
    /// Weights of the rings of the band in each other sum: background, and background and amplitude together, by row and
    /// column of the equations; amplitude, and amplitude with itself.
    background: Vec<(usize, Vec<f64>)>,
    both: Vec<((usize, usize), Vec<f64>)>,
    rings: Vec<(usize, Vec<f64>)>,
    squares: Vec<((usize, usize), Vec<f64>)>,
}

impl Model {
    /// `over`: background of one, over the curve that the maps were divided by.
    fn new(round: &Flat, optics: &Optics, size: [usize; 2], over: &[f64], stiffness: f64) -> Self {
        let [background, amplitude] = size.map(|count| -> Vec<Basis> {
            let spline = splines(optics, count);
            (0..round.rings).map(|ring| spline.basis(abscissa(optics, ring))).collect()
        });
        let (low, high) = round.band;
        let of = |bases: &[Basis], spline: usize| -> Vec<f64> { (low..high).map(|j| bases[j].of(spline)).collect() };
        let u: Vec<Vec<f64>> = (0..size[0]).map(|spline| of(&background, spline)).collect();
        let v: Vec<Vec<f64>> = (0..size[1]).map(|spline| of(&amplitude, spline)).collect();
        let weighed = |factors: &[&[f64]], power: i32| -> Vec<f64> {
            let ring = |at: usize| {
                factors.iter().map(|factor| factor[at]).product::<f64>()
                    * round.w[low + at]
                    * over[low + at].powi(power)
            };
            (0..high - low).map(ring).collect()
        };
        let mut same = DMatrix::zeros(size[0] + size[1], size[0] + size[1]);
        for (i, u_i) in u.iter().enumerate() {
            for (k, u_k) in u.iter().enumerate() {
                same[(i, k)] = weighed(&[u_i, u_k], 2).iter().sum();
            }
        }
        let row = |k: usize| size[0] + k;
        let pairs = |rows: usize, columns: usize| (0..rows).flat_map(move |i| (0..columns).map(move |k| (i, k)));
        Self {
            background: u.iter().enumerate().map(|(i, u)| (i, weighed(&[u], 1))).collect(),
            both: pairs(size[1], size[0]).map(|(i, k)| ((row(i), k), weighed(&[&v[i], &u[k]], 2))).collect(),
            rings: v.iter().enumerate().map(|(k, v)| (row(k), weighed(&[v], 1))).collect(),
            squares: pairs(size[1], size[1])
                .filter(|(i, k)| k <= i)
                .map(|(i, k)| ((row(i), row(k)), weighed(&[&v[i], &v[k]], 2)))
                .collect(),
            amplitude,
            size,
            stiffness,
            same,
        }
    }

    /// χ² of the best background and rings; `None` where such rings would be inverted.
    fn chi2(&self, round: &Flat, rings: &RingData) -> Option<f64> {
        let [behind, count] = self.size;
        let n: f64 = round.n.iter().sum();
        let mut normal = &self.same * n;
        let mut right = DVector::<f64>::zeros(behind + count);
        let [wave, wave2, y, y_wave, yy] = rings;
        let (low, high) = round.band;
        let square = dot(&round.w[low..high], yy);
        self.background.iter().for_each(|(row, weights)| right[*row] = dot(weights, y));
        self.rings.iter().for_each(|(row, weights)| right[*row] = dot(weights, y_wave));
        self.both.iter().for_each(|(at, weights)| normal[*at] = dot(weights, wave));
        self.squares.iter().for_each(|(at, weights)| normal[*at] = dot(weights, wave2));
        normal.fill_upper_triangle_with_lower_triangle();
        let mut held = normal.clone();
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
        let solution = held.cholesky()?.solve(&right);
        let strength: f64 = (round.band.0..round.band.1)
            .map(|j| round.w[j] * self.amplitude[j].at(&solution.as_slice()[behind..]))
            .sum();
        (strength > 0.0).then(|| square - 2.0 * solution.dot(&right) + (&normal * &solution).dot(&solution))
    }
}

/// A parabola through the logarithm of the common curve, over that curve.
fn over_curve(round: &Flat, optics: &Optics) -> Vec<f64> {
    let (mut normal, mut right) = (SMatrix::<f64, 3, 3>::identity() * 1e-9, SVector::<f64, 3>::zeros());
    let powers = |ring: usize| {
        let x = abscissa(optics, ring);
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
