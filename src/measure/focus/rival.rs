//! Would one broad ring do as well?
//!
//! Pixels too coarse for two minima show at most one and a half rings, and a background free enough to spare the first
//! ring of a fine spectrum is free enough to follow these. What it leaves over can then look like several rings of some
//! larger underfocus. So a fit is held up to underfocuses too small to be measured, twice: over a background as free as its
//! own, and over one too stiff to follow a ring, with half the parameters. Where either describes the spectrum as well,
//! nothing is told.

use crate::measure::focus::flat::{Flat, abscissa, splines};
use crate::measure::focus::null::residual;
use crate::measure::focus::optics::Optics;
use crate::measure::focus::refine::{AMPLITUDE, BACKGROUND, Fit, Fitter};
use crate::measure::focus::sums::{Place, Trial};
use crate::numerics::sine::sin_cos;
use crate::numerics::spline::Basis;
use nalgebra::{SMatrix, SVector};

/// Splines of the stiff background and of the amplitude over it.
const STIFF: usize = 4;
const STIFF_AMPLITUDE: usize = 4;
const SIZE: usize = STIFF + STIFF_AMPLITUDE;
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
    let fitter = Fitter::new(round, places, optics);
    let own = chi2(&fitter, round, places, optics, fit);
    let rings = (round.band.1 - round.band.0) as f64;
    let spared = (BACKGROUND + AMPLITUDE - SIZE) as f64 * rings.ln() * sd * sd;
    let stiff = Stiff::new(round, optics);
    let is_as_good = |um: &f64| {
        let trial = Trial { defocus_um: *um, slope: fit.trial.slope };
        let free = fitter.at(trial, [0.0; 2]).filter(|rival| fitter.mean_amplitude(rival) > 0.0);
        let free = free.map(|rival| chi2(&fitter, round, places, optics, &rival));
        free.is_some_and(|rival| rival < own + BETTER_BY * sd * sd)
            || stiff.chi2(round, places, optics, trial).is_some_and(|rival| rival < own + spared)
    };
    let top = optics.band.1 - 1;
    let least = (LEAST_RAD - optics.ring_b[top]) / optics.ring_a[top];
    let steps = ((optics.least_defocus_um() - least) * optics.ring_a[top] / STEP_RAD).ceil() as usize;
    (0..steps).map(|step| least + STEP_RAD / optics.ring_a[top] * step as f64).find(is_as_good)
}

/// χ² of a fit, sectors in one.
fn chi2(fitter: &Fitter<'_>, round: &Flat, places: &[Place], optics: &Optics, fit: &Fit) -> f64 {
    let curves: Vec<(f64, f64)> = (0..round.rings).map(|j| fitter.curves(fit, j)).collect();
    let of_map = |(y, n, place): (&[f32], f64, &Place)| {
        let rest = residual(y, round.band, place, optics, fit, &curves);
        rest.iter().zip(&round.w).map(|(rest, w)| n * w * rest * rest).sum::<f64>()
    };
    each_map(round, places).map(of_map).sum()
}

fn each_map<'a>(round: &'a Flat, places: &'a [Place]) -> impl Iterator<Item = (&'a [f32], f64, &'a Place)> {
    round.y.iter().zip(&round.n).zip(places).map(|((y, n), place)| (y.as_slice(), *n, place))
}

/// A background too stiff to follow a ring, in terms of what the maps were divided by.
struct Stiff {
    background: Vec<Basis>,
    amplitude: Vec<Basis>,
    /// A parabola through the logarithm of the common curve, over that curve.
    over_curve: Vec<f64>,
}

impl Stiff {
    fn new(round: &Flat, optics: &Optics) -> Self {
        let bases = |count: usize| -> Vec<Basis> {
            let spline = splines(optics, count);
            (0..round.rings).map(|ring| spline.basis(abscissa(optics, ring))).collect()
        };
        Self { background: bases(STIFF), amplitude: bases(STIFF_AMPLITUDE), over_curve: over_curve(round, optics) }
    }

    /// χ² of the best background and rings at a trial; `None` where rings of such a phase would be inverted.
    fn chi2(&self, round: &Flat, places: &[Place], optics: &Optics, trial: Trial) -> Option<f64> {
        let mut normal = SMatrix::<f64, SIZE, SIZE>::identity() * RIDGE;
        let mut right = SVector::<f64, SIZE>::zeros();
        let mut square = 0.0;
        for j in round.band.0..round.band.1 {
            let (background, amplitude) = (&self.background[j], &self.amplitude[j]);
            // Sums over the maps of 1, wave, wave², y, y·wave, y².
            let mut sums = [0.0; 6];
            for (y, n, place) in each_map(round, places) {
                let own = trial.of(place);
                let (_, cosine) = sin_cos(optics.ring_a[j] * own + optics.ring_b[j]);
                let wave = -optics.kept(j, own, place.variance_um2 * trial.slope * trial.slope) * cosine;
                let y = f64::from(y[j]);
                let parts = [1.0, wave, wave * wave, y, y * wave, y * y];
                sums.iter_mut().zip(parts).for_each(|(sum, part)| *sum += n * part);
            }
            let (w, q) = (round.w[j], self.over_curve[j]);
            square += w * sums[5];
            for (i, u) in background.values.iter().enumerate() {
                let row = background.first + i;
                right[row] += w * q * u * sums[3];
                for (k, v) in background.values.iter().enumerate() {
                    normal[(row, background.first + k)] += w * q * q * u * v * sums[0];
                }
                for (k, v) in amplitude.values.iter().enumerate() {
                    let column = STIFF + amplitude.first + k;
                    normal[(row, column)] += w * q * q * u * v * sums[1];
                    normal[(column, row)] += w * q * q * u * v * sums[1];
                }
            }
            for (i, u) in amplitude.values.iter().enumerate() {
                let row = STIFF + amplitude.first + i;
                right[row] += w * q * u * sums[4];
                for (k, v) in amplitude.values.iter().enumerate() {
                    normal[(row, STIFF + amplitude.first + k)] += w * q * q * u * v * sums[2];
                }
            }
        }
        let solution = normal.cholesky()?.solve(&right);
        let strength: f64 = (round.band.0..round.band.1)
            .map(|j| round.w[j] * self.amplitude[j].at(&solution.as_slice()[STIFF..]))
            .sum();
        (strength > 0.0).then(|| square - solution.dot(&right))
    }
}

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
