//! Least squares of rings and background together.
//!
//! y = Σ c φ - (Σ d ψ) κ cos(a Δf(θ, place) + b): c is what is left of the background, d the rings' own amplitude,
//! both smooth (few B-splines), κ what a patch keeps of it. Underfocus, two components of astigmatism and the gradient
//! are fitted with c and d at once, so that no background is drawn through a ring. Levenberg's damping keeps steps
//! short. The general solvers on offer want residuals one by one; here they exist only as sums over maps (see
//! [`crate::measure::focus::sums`]), which makes the fit cheap, so the damped step is written out.

use crate::measure::focus::flat::{Flat, abscissa, splines};
use crate::measure::focus::grid::{Grid, SECTORS};
use crate::measure::focus::optics::Optics;
use crate::measure::focus::shapes::{POWERS, Shapes};
use crate::measure::focus::sums::{Place, Sums, Trial, levels, turn, turn_two};
use crate::numerics::sine::sin_cos;
use crate::numerics::spline::{Basis, Spline};
use nalgebra::{DMatrix, DVector};

/// Splines of the background.
pub const BACKGROUND: usize = 7;
/// Splines of the amplitude.
pub const AMPLITUDE: usize = 5;
/// Underfocus, cos 2θ and sin 2θ of astigmatism, gradient.
const LENS: usize = 4;
const SIZE: usize = LENS + BACKGROUND + AMPLITUDE;
const STEPS: usize = 16;
/// Steps between two of the gradient.
const FEW_STEPS: usize = 2;
const ROUNDS: usize = 4;
/// Steps under this end the fit.
const SMALL_UM: f64 = 3e-4;
const SMALL_CHI2: f64 = 0.05;
const SMALL_SLOPE: f64 = 2e-3;
/// Pull on c and d that keeps an unconstrained spline finite; against weights of hundreds it is nothing.
const RIDGE: f64 = 1e-3;
/// Second differences of c and d of 0.5 cost as much as one standard deviation: at the lowest frequencies, where
/// cos Φ hardly changes, background and amplitude could else grow against each other without end.
pub const STIFFNESS: f64 = 4.0;
/// Rings on each side over which the excess of their scatter is averaged.
const EXCESS_OVER: usize = 4;

/// Which of the lens' parameters are fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Free {
    /// Underfocus.
    pub defocus: bool,
    /// Astigmatism.
    pub astigmatism: bool,
    /// Gradient over the expected one.
    pub slope: bool,
}

/// A fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Underfocus at the middle, and gradient over the expected one.
    pub trial: Trial,
    /// Half of major - minor along cos 2θ and sin 2θ.
    pub astigmatism_um: [f64; 2],
    /// Background.
    pub background: Vec<f64>,
    /// Amplitude of the rings.
    pub amplitude: Vec<f64>,
    /// What each sector's background has above the common one: a parabola. Empty where sectors are one.
    pub shapes: Vec<[f64; POWERS]>,
    /// χ².
    pub chi2: f64,
    /// What the rings take off χ².
    pub gain: f64,
    /// χ² over degrees of freedom, at least 1.
    pub scale: f64,
    /// Standard uncertainties of underfocus, of the components of astigmatism, and of the gradient, by the noise.
    pub sd: [f64; LENS],
    /// Change of underfocus for a radian more in the phase of the rings.
    pub um_per_rad: f64,
}

impl Fit {
    /// What astigmatism adds to the underfocus along the middle of each sector of the grid.
    pub fn along_um(&self) -> Vec<f64> {
        let [a, b] = self.astigmatism_um;
        let along = |sector: usize| {
            let (sine, cosine) = (2.0 * Grid::azimuth_rad(sector)).sin_cos();
            a * cosine + b * sine
        };
        (0..SECTORS).map(along).collect()
    }
}

/// The fit of one set of maps.
pub struct Fitter<'a> {
    flat: &'a Flat,
    places: &'a [Place],
    optics: &'a Optics,
    background: Vec<Basis>,
    amplitude: Vec<Basis>,
    /// cos 2θ and sin 2θ of each sector; zero where sectors are one.
    twice: Vec<[f64; 2]>,
    /// Σn(y - 1) and Σn(y - 1)² of every cell.
    levels: [Vec<f32>; 2],
    /// The sectors' own backgrounds, where there are sectors.
    shapes: Option<Shapes>,
}

struct State {
    defocus_um: f64,
    astigmatism_um: [f64; 2],
    c: Vec<f64>,
    d: Vec<f64>,
}

struct Normal {
    matrix: DMatrix<f64>,
    right: DVector<f64>,
    chi2: f64,
    phase: f64,
    shapes: Vec<[f64; POWERS]>,
}

/// What one sector's own background has to do with the other parameters.
#[derive(Clone, Default)]
struct Own {
    pull: [f64; POWERS],
    with: [[f64; SIZE]; POWERS],
}

impl<'a> Fitter<'a> {
    /// For some maps and their places.
    pub fn new(flat: &'a Flat, places: &'a [Place], optics: &'a Optics) -> Self {
        let bases = |count: usize| -> Vec<Basis> {
            let spline: Spline = splines(optics, count);
            (0..flat.rings).map(|ring| spline.basis(abscissa(optics, ring))).collect()
        };
        let angle = |sector: usize| {
            let (sine, cosine) = (2.0 * Grid::azimuth_rad(sector)).sin_cos();
            if flat.sectors == 1 { [0.0, 0.0] } else { [cosine, sine] }
        };
        let twice = (0..flat.sectors).map(angle).collect();
        let background = bases(BACKGROUND);
        let shapes = (flat.sectors > 1).then(|| Shapes::new(flat, optics, &background));
        Self { flat, places, optics, background, amplitude: bases(AMPLITUDE), twice, levels: levels(flat), shapes }
    }

    /// Background and amplitude at a trial, the lens as given.
    pub fn at(&self, trial: Trial, astigmatism_um: [f64; 2]) -> Option<Fit> {
        self.fit(trial, astigmatism_um, Free { defocus: false, astigmatism: false, slope: false }, None)
    }

    /// Fits from a start; `curves` are background and amplitude to begin with.
    pub fn fit(
        &self,
        start: Trial,
        astigmatism_um: [f64; 2],
        free: Free,
        curves: Option<(&[f64], &[f64])>,
    ) -> Option<Fit> {
        let mut trial = start;
        let (c, d) = curves.map_or((vec![1.0; BACKGROUND], vec![0.0; AMPLITUDE]), |(c, d)| (c.to_vec(), d.to_vec()));
        let mut state = State { defocus_um: trial.defocus_um, astigmatism_um, c, d };
        let rounds = if free.slope { ROUNDS } else { 1 };
        let mut last = None;
        for round in 0..rounds {
            let sums = Sums::at(self.flat, self.places, self.optics, trial, free.slope);
            // Sums that the next step of the gradient makes anew need not be fitted to the end.
            let few = if free.slope { FEW_STEPS } else { STEPS };
            let (mut normal, mut slope_step) = self.settle(&sums, trial, &mut state, free, few)?;
            let last_round = slope_step.abs() < SMALL_SLOPE || round + 1 == rounds;
            if free.slope && last_round {
                (normal, slope_step) = self.settle(&sums, trial, &mut state, free, STEPS)?;
            }
            trial.defocus_um = state.defocus_um;
            trial.slope += slope_step;
            last = Some(normal);
            if last_round {
                break;
            }
        }
        self.report(&last?, trial, &state, free)
    }

    /// Steps with the sums held; gives the equations at the end, and the step of the gradient that they ask for.
    fn settle(&self, sums: &Sums, base: Trial, state: &mut State, free: Free, most: usize) -> Option<(Normal, f64)> {
        let mut damping = 1e-4;
        let mut now = self.normal(sums, base, state);
        // Background and amplitude alone are a linear fit: one step is enough.
        let steps = if free.defocus || free.astigmatism || free.slope { most } else { 1 };
        for _ in 0..steps {
            let step = solve(&now, free, damping)?;
            let next = State {
                defocus_um: state.defocus_um + step[0].clamp(-0.2, 0.2),
                astigmatism_um: [
                    state.astigmatism_um[0] + step[1].clamp(-0.1, 0.1),
                    state.astigmatism_um[1] + step[2].clamp(-0.1, 0.1),
                ],
                c: state.c.iter().enumerate().map(|(i, c)| c + step[LENS + i]).collect(),
                d: state.d.iter().enumerate().map(|(i, d)| d + step[LENS + BACKGROUND + i]).collect(),
            };
            let then = self.normal(sums, base, &next);
            let small = step.rows(0, LENS - 1).amax() < SMALL_UM && (now.chi2 - then.chi2).abs() < SMALL_CHI2;
            if then.chi2 <= now.chi2 * (1.0 + 1e-9) + 1e-9 {
                *state = next;
                now = then;
                damping *= 0.2;
                if small {
                    break;
                }
            } else {
                damping = (damping * 20.0).max(1e-3);
                if small || damping > 1e4 {
                    break;
                }
            }
        }
        let slope = if free.slope { solve(&now, free, 0.0)?[3].clamp(-0.5, 0.5) } else { 0.0 };
        Some((now, slope))
    }

    /// Normal equations at a state, from sums made at `base`; the sectors' own backgrounds are solved for and gone.
    fn normal(&self, sums: &Sums, base: Trial, state: &State) -> Normal {
        let mut normal = Normal::new();
        let mut own: Vec<Own> =
            self.shapes.as_ref().map_or(Vec::new(), |shapes| vec![Own::default(); shapes.sectors()]);
        for j in self.flat.band.0..self.flat.band.1 {
            // y is counted from 1 in the sums.
            let level = self.background[j].at(&state.c) - 1.0;
            let m = self.amplitude[j].at(&state.d);
            let ring = self.ring(sums, base, state, j, (level, m), &mut own);
            normal.add(&ring, (level, m, sums.n), &self.background[j], &self.amplitude[j]);
        }
        if let Some(shapes) = &self.shapes {
            for (sector, own) in own.iter().enumerate() {
                normal.take_out(shapes, sector, own);
            }
        }
        normal.smooth(LENS, &state.c);
        normal.smooth(LENS + BACKGROUND, &state.d);
        normal
    }

    /// What the cells of one ring give to the equations, its sectors summed.
    fn ring(&self, sums: &Sums, base: Trial, state: &State, j: usize, (level, m): (f64, f64), own: &mut [Own]) -> Ring {
        let optics = self.optics;
        let of = &sums.ring[j];
        let mut ring = Ring::default();
        for (sector, twice) in self.twice.iter().enumerate() {
            let at = sector * self.flat.rings + j;
            let w = self.flat.w[at];
            if w == 0.0 {
                continue;
            }
            let (a, off) = if self.flat.sectors == 1 {
                (optics.ring_a[j], optics.ring_a[j] * (state.defocus_um - base.defocus_um))
            } else {
                let a = optics.cell_a[at];
                let along = state.astigmatism_um[0] * twice[0] + state.astigmatism_um[1] * twice[1];
                let fine = (a - optics.ring_a[j]) * base.defocus_um + optics.cell_b[at] - optics.ring_b[j];
                (a, a * (along + state.defocus_um - base.defocus_um) + fine)
            };
            let (sine, cosine) = sin_cos(off);
            let angle = (cosine, sine);
            let [c1, s1] = turn(of.one, angle);
            let [cc, cs, ss] = turn_two(of.two, angle);
            let (y, yy) = (f64::from(self.levels[0][at]), f64::from(self.levels[1][at]));
            let [yc, ys] = turn(sums.wave_of(at), angle);
            ring.chi2 += w * (yy - 2.0 * level * y + 2.0 * m * yc);
            ring.w += w;
            ring.y += w * y;
            ring.c += w * c1;
            ring.cc += w * cc;
            ring.yc += w * yc;
            let wa = w * a;
            let lens = [1.0, twice[0], twice[1]];
            let pull = wa * (ys - level * s1 + m * cs);
            let stiff = wa * a;
            ring.phase += wa * ss;
            for p in 0..3 {
                ring.pull[p] += pull * lens[p];
                ring.level[p] += wa * s1 * lens[p];
                ring.amplitude[p] += wa * cs * lens[p];
                for q in 0..=p {
                    ring.stiff[p][q] += stiff * ss * lens[p] * lens[q];
                }
            }
            if sums.is_sloped() {
                let [_, s1e] = turn(of.e_one, angle);
                let [_, cs_e, ss_e] = turn_two(of.e_two, angle);
                let [_, _, ss_ee] = turn_two(of.ee_two, angle);
                let [_, ys_e] = turn(sums.tilted_of(at), angle);
                ring.pull[3] += wa * (ys_e - level * s1e + m * cs_e);
                ring.level[3] += wa * s1e;
                ring.amplitude[3] += wa * cs_e;
                ring.stiff[3][3] += stiff * ss_ee;
                lens.iter().zip(&mut ring.stiff[3]).for_each(|(lens, sum)| *sum += stiff * ss_e * lens);
            }
            if let (Some(own), Some(shapes)) = (own.get_mut(sector), &self.shapes) {
                let amplitude = &self.amplitude[j];
                for (power, q) in shapes.powers[j].into_iter().enumerate() {
                    own.pull[power] += q * w * (y - level * sums.n + m * c1);
                    let slope = q * m * wa * s1;
                    lens.iter().zip(&mut own.with[power]).for_each(|(lens, with)| *with += slope * lens);
                    for (i, u) in amplitude.values.iter().enumerate() {
                        own.with[power][LENS + BACKGROUND + amplitude.first + i] -= q * u * w * c1;
                    }
                }
            }
        }
        ring
    }

    fn report(&self, normal: &Normal, trial: Trial, state: &State, free: Free) -> Option<Fit> {
        let bare = normal.bare_chi2(&state.d)?;
        let cells = self.flat.w.iter().filter(|w| **w > 0.0).count() as f64 * self.flat.n.len() as f64;
        let scale = (normal.chi2 / (cells - SIZE as f64).max(1.0)).max(1.0);
        let mut held = symmetric(&normal.matrix);
        hold(&mut held, free);
        let inverse = held.cholesky()?.inverse();
        let sd = std::array::from_fn(|p| (scale * inverse[(p, p)]).max(0.0).sqrt());
        let stiff = normal.matrix[(0, 0)];
        Some(Fit {
            trial,
            astigmatism_um: state.astigmatism_um,
            background: state.c.clone(),
            amplitude: state.d.clone(),
            shapes: normal.shapes.clone(),
            chi2: normal.chi2,
            gain: bare - normal.chi2,
            scale,
            sd,
            um_per_rad: if stiff > 0.0 { normal.phase / stiff } else { f64::INFINITY },
        })
    }

    /// The best of some astigmatisms to begin from, by the correlation of the rings alone; none where no astigmatism at
    /// all does as well.
    pub fn begin_astigmatism(&self, fit: &Fit, starts_um: &[[f64; 2]]) -> Option<[f64; 2]> {
        let sums = Sums::at(self.flat, self.places, self.optics, fit.trial, false);
        let score = |start: [f64; 2]| {
            let mut score = 0.0;
            // Every other ring says as much.
            for j in (self.flat.band.0..self.flat.band.1).step_by(2) {
                let m = self.amplitude[j].at(&fit.amplitude);
                for (sector, twice) in self.twice.iter().enumerate() {
                    let at = sector * self.flat.rings + j;
                    let (sine, cosine) = sin_cos(self.optics.ring_a[j] * (start[0] * twice[0] + start[1] * twice[1]));
                    let [c1, _] = turn(sums.ring[j].one, (cosine, sine));
                    let [yc, _] = turn(sums.wave_of(at), (cosine, sine));
                    score -= self.flat.w[at] * m * (yc - (self.background[j].at(&fit.background) - 1.0) * c1);
                }
            }
            score
        };
        let none = score([0.0, 0.0]);
        let scored = starts_um.iter().map(|start| (*start, score(*start)));
        let best = scored.max_by(|a, b| a.1.total_cmp(&b.1))?;
        (best.1 > none).then_some(best.0)
    }

    /// How many times beyond its noise each ring scatters about a fit, maps summed and neighbouring rings averaged: a
    /// few large structures scatter more than so many patches should. At least 1.
    pub fn excess(&self, fit: &Fit) -> Vec<f64> {
        let sums = Sums::at(self.flat, self.places, self.optics, fit.trial, false);
        let rings = self.flat.rings;
        let (mut square, mut count) = (vec![0.0; rings], vec![0.0; rings]);
        for j in self.flat.band.0..self.flat.band.1 {
            let (level, m) = self.curves(fit, j);
            for (sector, twice) in self.twice.iter().enumerate() {
                let at = sector * rings + j;
                let w = self.flat.w[at];
                if w == 0.0 {
                    continue;
                }
                let level = level + self.own_level(fit, sector, j);
                let along = fit.astigmatism_um[0] * twice[0] + fit.astigmatism_um[1] * twice[1];
                let (sine, cosine) = sin_cos(self.optics.ring_a[j] * along);
                let [c1, _] = turn(sums.ring[j].one, (cosine, sine));
                let rest = f64::from(self.levels[0][at]) - (level - 1.0) * sums.n + m * c1;
                square[j] += w * rest * rest / sums.n;
                count[j] += 1.0;
            }
        }
        let near = |j: usize| j.saturating_sub(EXCESS_OVER)..(j + EXCESS_OVER + 1).min(rings);
        (0..rings)
            .map(|j| {
                let (square, count) = near(j).fold((0.0, 0.0), |(s, n), i| (s + square[i], n + count[i]));
                if count > 0.0 { f64::max(square / count, 1.0) } else { 1.0 }
            })
            .collect()
    }

    /// Mean amplitude of the rings over the band, by weight.
    pub fn mean_amplitude(&self, fit: &Fit) -> f64 {
        let (mut sum, mut weights) = (0.0, 0.0);
        for j in self.flat.band.0..self.flat.band.1 {
            let w: f64 = (0..self.flat.sectors).map(|sector| self.flat.w[sector * self.flat.rings + j]).sum();
            sum += w * self.amplitude[j].at(&fit.amplitude);
            weights += w;
        }
        sum / weights.max(1e-300)
    }

    /// What a sector's background has above the common one.
    pub fn own_level(&self, fit: &Fit, sector: usize, ring: usize) -> f64 {
        let own = self.shapes.as_ref().zip(fit.shapes.get(sector));
        own.map_or(0.0, |(shapes, own)| shapes.powers[ring].iter().zip(own).map(|(q, p)| q * p).sum())
    }

    /// Level of background and rings at a ring.
    pub fn curves(&self, fit: &Fit, ring: usize) -> (f64, f64) {
        (self.background[ring].at(&fit.background), self.amplitude[ring].at(&fit.amplitude))
    }
}

/// Weighted sums of one ring over its sectors.
#[derive(Default)]
struct Ring {
    w: f64,
    y: f64,
    c: f64,
    cc: f64,
    yc: f64,
    chi2: f64,
    phase: f64,
    /// Pull on the lens' parameters, for an amplitude of 1.
    pull: [f64; LENS],
    /// Of lens and background together.
    level: [f64; LENS],
    /// Of lens and amplitude together.
    amplitude: [f64; LENS],
    stiff: [[f64; LENS]; LENS],
}

impl Normal {
    fn new() -> Self {
        Self {
            matrix: DMatrix::zeros(SIZE, SIZE),
            right: DVector::zeros(SIZE),
            chi2: 0.0,
            phase: 0.0,
            shapes: Vec::new(),
        }
    }

    fn add(&mut self, ring: &Ring, (level, m, n): (f64, f64, f64), background: &Basis, amplitude: &Basis) {
        self.chi2 += ring.chi2 + n * ring.w * level * level - 2.0 * level * m * ring.c + m * m * ring.cc;
        self.phase += m * m * ring.phase;
        for p in 0..LENS {
            self.right[p] += m * ring.pull[p];
            for q in 0..=p {
                self.matrix[(p, q)] += m * m * ring.stiff[p][q];
            }
        }
        for (i, u) in background.values.iter().enumerate() {
            let row = LENS + background.first + i;
            self.right[row] += u * (ring.y - level * n * ring.w + m * ring.c);
            for p in 0..LENS {
                self.matrix[(row, p)] += m * u * ring.level[p];
            }
            for (k, v) in background.values.iter().enumerate().take(i + 1) {
                self.matrix[(row, LENS + background.first + k)] += n * ring.w * u * v;
            }
        }
        for (i, u) in amplitude.values.iter().enumerate() {
            let row = LENS + BACKGROUND + amplitude.first + i;
            self.right[row] -= u * (ring.yc - level * ring.c + m * ring.cc);
            for p in 0..LENS {
                self.matrix[(row, p)] -= m * u * ring.amplitude[p];
            }
            for (k, v) in background.values.iter().enumerate() {
                self.matrix[(row, LENS + background.first + k)] -= u * v * ring.c;
            }
            for (k, v) in amplitude.values.iter().enumerate().take(i + 1) {
                self.matrix[(row, LENS + BACKGROUND + amplitude.first + k)] += u * v * ring.cc;
            }
        }
    }

    /// Solves for one sector's own background, which enters linearly, and takes it out of the equations (Golub & Pereyra
    /// 1973, SIAM J. Numer. Anal. 10:413): what it could explain no longer counts for the lens.
    fn take_out(&mut self, shapes: &Shapes, sector: usize, own: &Own) {
        let mut with = own.with;
        for (with, common) in with.iter_mut().zip(&shapes.common[sector]) {
            with[LENS..LENS + BACKGROUND].copy_from_slice(common);
        }
        let inverse = &shapes.inverse[sector];
        let solved: [[f64; SIZE]; POWERS] =
            std::array::from_fn(|p| std::array::from_fn(|i| (0..POWERS).map(|q| inverse[p][q] * with[q][i]).sum()));
        let best: [f64; POWERS] = std::array::from_fn(|p| (0..POWERS).map(|q| inverse[p][q] * own.pull[q]).sum());
        let rows = with.iter().zip(&solved).zip(own.pull.iter().zip(&best));
        for ((with, solved), (pull, best)) in rows {
            self.chi2 -= pull * best;
            for (i, left) in with.iter().enumerate() {
                self.right[i] -= left * best;
                for (k, right) in solved.iter().enumerate().take(i + 1) {
                    self.matrix[(i, k)] -= left * right;
                }
            }
        }
        self.shapes.push(best);
    }

    /// χ² of the best background without rings, these equations having been made with amplitude `d`: χ² is quadratic
    /// in background and amplitude.
    fn bare_chi2(&self, d: &[f64]) -> Option<f64> {
        let matrix = symmetric(&self.matrix);
        let d = DVector::from_row_slice(d);
        let (first, count) = (LENS + BACKGROUND, AMPLITUDE);
        let pull = self.right.rows(first, count);
        let own = matrix.view((first, first), (count, count));
        let without = self.chi2 + 2.0 * pull.dot(&d) + (own * &d).dot(&d);
        let right = self.right.rows(LENS, BACKGROUND) + matrix.view((LENS, first), (BACKGROUND, count)) * &d;
        let background = matrix.view((LENS, LENS), (BACKGROUND, BACKGROUND)).into_owned();
        Some(without - background.cholesky()?.solve(&right).dot(&right))
    }

    /// Adds the cost of second differences of coefficients that stand at `first`.
    fn smooth(&mut self, first: usize, coefficients: &[f64]) {
        for (at, three) in coefficients.windows(3).enumerate() {
            let bend = three[0] - 2.0 * three[1] + three[2];
            self.chi2 += STIFFNESS * bend * bend;
            for (i, u) in [1.0, -2.0, 1.0].into_iter().enumerate() {
                self.right[first + at + i] -= STIFFNESS * u * bend;
                for (k, v) in [1.0, -2.0, 1.0].into_iter().enumerate().take(i + 1) {
                    self.matrix[(first + at + i, first + at + k)] += STIFFNESS * u * v;
                }
            }
        }
    }
}

fn symmetric(lower: &DMatrix<f64>) -> DMatrix<f64> {
    let mut whole = lower.clone();
    whole.fill_upper_triangle_with_lower_triangle();
    for i in LENS..SIZE {
        whole[(i, i)] += RIDGE;
    }
    whole
}

/// Takes parameters that are not fitted out of the equations.
fn hold(matrix: &mut DMatrix<f64>, free: Free) {
    let fitted = [free.defocus, free.astigmatism, free.astigmatism, free.slope];
    for (p, _) in fitted.into_iter().enumerate().filter(|(_, fitted)| !fitted) {
        matrix.row_mut(p).fill(0.0);
        matrix.column_mut(p).fill(0.0);
        matrix[(p, p)] = 1.0;
    }
}

fn solve(normal: &Normal, free: Free, damping: f64) -> Option<DVector<f64>> {
    let mut matrix = symmetric(&normal.matrix);
    hold(&mut matrix, free);
    let mut right = normal.right.clone();
    let fitted = [free.defocus, free.astigmatism, free.astigmatism, free.slope];
    for p in 0..LENS {
        if fitted[p] {
            matrix[(p, p)] = matrix[(p, p)] * (1.0 + damping) + 1e-6;
        } else {
            right[p] = 0.0;
        }
    }
    Some(matrix.cholesky()?.solve(&right))
}
