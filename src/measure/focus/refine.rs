//! Least squares of rings and background together.
//!
//! y = Σ c φ - (Σ d ψ) κ cos(a Δf(θ, place) + b): c is what is left of the background, d the rings' own amplitude,
//! both smooth (few B-splines), κ what a patch keeps of it. Underfocus, two components of astigmatism and the gradient
//! are fitted with c and d at once, so that no background is drawn through a ring. Levenberg's damping keeps steps
//! short. The general solvers on offer want residuals one by one; here they exist only as sums over maps (see
//! [`crate::measure::focus::sums`]), which makes the fit cheap, so the damped step is written out.

use crate::measure::focus::flat::Flat;
use crate::measure::focus::grid::{Grid, SECTORS};
use crate::measure::focus::normal::{Fixed, Normal, add_lens, add_rings, take_out};
use crate::measure::focus::optics::Optics;
use crate::measure::focus::sector::{Known, Rings, Sector, Turn, correlation};
use crate::measure::focus::shapes::{Shapes, own_background};
use crate::measure::focus::smooth::{AMPLITUDE, BACKGROUND, POWERS, Smooth};
use crate::measure::focus::sums::{Place, Sums, Trial, levels};
use std::cell::OnceCell;

/// Underfocus, cos 2θ and sin 2θ of astigmatism, gradient.
pub const LENS: usize = 4;
/// All parameters.
pub const SIZE: usize = LENS + BACKGROUND + AMPLITUDE;
const STEPS: usize = 16;
/// Steps between two of the gradient.
const FEW_STEPS: usize = 2;
const ROUNDS: usize = 4;
/// Steps under this end the fit.
const SMALL_UM: f64 = 3e-4;
const SMALL_CHI2: f64 = 0.05;
const SMALL_SLOPE: f64 = 2e-3;
/// Underfocuses nearer than this are one.
const SAME_UM: f64 = 1e-9;
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

impl Free {
    /// In the order of the equations.
    pub fn of_lens(self) -> [bool; LENS] {
        [self.defocus, self.astigmatism, self.astigmatism, self.slope]
    }
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
    smooth: &'a Smooth,
    /// cos 2θ and sin 2θ of each sector; zero where sectors are one.
    twice: Vec<[f64; 2]>,
    /// Σn(y - 1) and Σn(y - 1)² of every cell.
    levels: [Vec<f32>; 2],
    fixed: Fixed,
    /// The sectors' own backgrounds, made where they are asked for.
    shapes: OnceCell<Shapes>,
}

struct State {
    defocus_um: f64,
    astigmatism_um: [f64; 2],
    c: Vec<f64>,
    d: Vec<f64>,
}

impl<'a> Fitter<'a> {
    /// For some maps and their places.
    pub fn new(flat: &'a Flat, places: &'a [Place], optics: &'a Optics) -> Self {
        let angle = |sector: usize| {
            let (sine, cosine) = (2.0 * Grid::azimuth_rad(sector)).sin_cos();
            if flat.sectors == 1 { [0.0, 0.0] } else { [cosine, sine] }
        };
        let twice = (0..flat.sectors).map(angle).collect();
        let smooth = &optics.smooth;
        let levels = levels(flat);
        let fixed = Fixed::of(flat, smooth, &levels);
        Self { flat, places, optics, smooth, twice, levels, fixed, shapes: OnceCell::new() }
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
            let step = now.step(free, damping)?;
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
        let slope = if free.slope { now.step(free, 0.0)?[3].clamp(-0.5, 0.5) } else { 0.0 };
        Some((now, slope))
    }

    /// Normal equations at a state, from sums made at `base`; the sectors' own backgrounds are solved for and gone.
    fn normal(&self, sums: &Sums, base: Trial, state: &State) -> Normal {
        let (low, high) = self.flat.band;
        let [level, m] = self.curves_of(&state.c, &state.d);
        let (mut normal, mut rings) = (Normal::none(), Rings::new(high - low));
        let mut sector = Sector::new(high - low, sums.is_sloped());
        for at in 0..self.twice.len() {
            let known = self.known(at, [&level, &m]);
            let along = state.astigmatism_um[0] * known.lens[1] + state.astigmatism_um[1] * known.lens[2];
            let turn = Turn { um: along + state.defocus_um - base.defocus_um, base_um: base.defocus_um };
            sector.add_to(&mut rings, &known, sums, self.flat.band, turn);
            add_lens(&mut normal, &sector, known.lens);
            if let Some(shapes) = self.shapes() {
                let own = own_background(shapes, self.smooth, at, &sector, known.lens, [&state.c, &state.d]);
                take_out(&mut normal, shapes, at, &own);
            }
        }
        let lens: &[usize] = match (self.flat.sectors > 1, sums.is_sloped()) {
            (true, false) => &[0, 1, 2],
            (true, true) => &[0, 1, 2, 3],
            (false, false) => &[0],
            (false, true) => &[0, 3],
        };
        add_rings(&mut normal, &rings, &self.fixed, self.smooth, [&level, &m], lens);
        normal.smooth(LENS, &state.c);
        normal.smooth(LENS + BACKGROUND, &state.d);
        normal
    }

    /// The sectors' own backgrounds; `None` where sectors are one.
    fn shapes(&self) -> Option<&Shapes> {
        let make = || Shapes::new(self.flat, self.smooth, &self.levels[0]);
        (self.flat.sectors > 1).then(|| self.shapes.get_or_init(make))
    }

    /// Background less 1, from which y is counted in the sums, and amplitude, by ring of the band.
    fn curves_of(&self, c: &[f64], d: &[f64]) -> [Vec<f64>; 2] {
        let band = self.flat.band.0..self.flat.band.1;
        let level = self.smooth.background.bases[band.clone()].iter().map(|basis| basis.at(c) - 1.0);
        [level.collect(), self.smooth.amplitude.bases[band].iter().map(|basis| basis.at(d)).collect()]
    }

    /// What is known of the cells of a sector; where sectors are one, a cell is its ring.
    fn known<'b>(&'b self, sector: usize, curves: [&'b [f64]; 2]) -> Known<'b> {
        let (low, high) = self.flat.band;
        let (cell, optics) = (sector * self.flat.rings + low, self.optics);
        let cells = cell..cell + high - low;
        let of = |cells_of: &'b [f64], rings_of: &'b [f64]| {
            let ring = &rings_of[low..high];
            [if self.flat.sectors == 1 { ring } else { &cells_of[cells.clone()] }, ring]
        };
        Known {
            w: &self.flat.w[cells.clone()],
            a: of(&optics.cell_a, &optics.ring_a),
            b: of(&optics.cell_b, &optics.ring_b),
            cell,
            curves,
            lens: [1.0, self.twice[sector][0], self.twice[sector][1]],
        }
    }

    fn report(&self, normal: &Normal, trial: Trial, state: &State, free: Free) -> Option<Fit> {
        let bare = normal.bare_chi2(&state.d)?;
        let cells = self.flat.w.iter().filter(|w| **w > 0.0).count() as f64 * self.flat.n.len() as f64;
        let scale = (normal.chi2 / (cells - SIZE as f64).max(1.0)).max(1.0);
        let sd = normal.variances(free)?.map(|variance| (scale * variance).sqrt());
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
        let (low, high) = self.flat.band;
        let sums = Sums::at(self.flat, self.places, self.optics, fit.trial, false);
        let [level, m] = self.curves_of(&fit.background, &fit.amplitude);
        let mut products = vec![0.0; high - low];
        let (mut scores, mut none) = (vec![0.0; starts_um.len()], 0.0);
        for (sector, twice) in self.twice.iter().enumerate() {
            let known = self.known(sector, [&level, &m]);
            // Different astigmatisms often add the same along a sector.
            let mut told: Vec<(f64, f64)> = Vec::new();
            let mut score = |start: [f64; 2]| {
                let um = start[0] * twice[0] + start[1] * twice[1];
                if let Some((_, score)) = told.iter().find(|(other, _)| (other - um).abs() < SAME_UM) {
                    return *score;
                }
                let turn = Turn { um, base_um: fit.trial.defocus_um };
                let score = -correlation(&known, &sums, self.flat.band, turn, &mut products);
                told.push((um, score));
                score
            };
            none += score([0.0, 0.0]);
            scores.iter_mut().zip(starts_um).for_each(|(sum, start)| *sum += score(*start));
        }
        let best = starts_um.iter().zip(&scores).max_by(|a, b| a.1.total_cmp(b.1))?;
        (*best.1 > none).then_some(*best.0)
    }

    /// How many times beyond its noise each ring scatters about a fit, maps summed and neighbouring rings averaged: a
    /// few large structures scatter more than so many patches should. At least 1.
    pub fn excess(&self, fit: &Fit) -> Vec<f64> {
        let sums = Sums::at(self.flat, self.places, self.optics, fit.trial, false);
        let (rings, (low, high)) = (self.flat.rings, self.flat.band);
        let [level, m] = self.curves_of(&fit.background, &fit.amplitude);
        let (mut square, mut count) = (vec![0.0; rings], vec![0.0; rings]);
        let (mut sector, mut together) = (Sector::new(high - low, false), Rings::new(high - low));
        for at in 0..self.twice.len() {
            let known = self.known(at, [&level, &m]);
            let um = fit.astigmatism_um[0] * known.lens[1] + fit.astigmatism_um[1] * known.lens[2];
            sector.add_to(&mut together, &known, &sums, self.flat.band, Turn { um, base_um: fit.trial.defocus_um });
            let own = self.own_of(fit, at);
            let y = &self.levels[0][at * rings + low..at * rings + high];
            for j in 0..high - low {
                let own = own[0] + self.smooth.along[1][j] * (own[1] + self.smooth.along[1][j] * own[2]);
                let rest = known.w[j] * (f64::from(y[j]) - (level[j] + own) * sums.n) + m[j] * sector.c[j];
                let is_seen = if known.w[j] > 0.0 { 1.0 } else { 0.0 };
                square[low + j] += is_seen * rest * rest / (known.w[j] * sums.n).max(1e-300);
                count[low + j] += is_seen;
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
            sum += w * self.smooth.amplitude.bases[j].at(&fit.amplitude);
            weights += w;
        }
        sum / weights.max(1e-300)
    }

    /// What a sector's background has above the common one.
    pub fn own_level(&self, fit: &Fit, sector: usize, ring: usize) -> f64 {
        self.smooth.powers[ring].iter().zip(self.own_of(fit, sector)).map(|(q, p)| q * p).sum()
    }

    /// Its parabola; none where sectors are one.
    fn own_of(&self, fit: &Fit, sector: usize) -> [f64; POWERS] {
        let own = fit.shapes.get(sector).filter(|_| self.flat.sectors > 1);
        own.copied().unwrap_or([0.0; POWERS])
    }

    /// Level of background and rings at a ring.
    pub fn curves(&self, fit: &Fit, ring: usize) -> (f64, f64) {
        (self.smooth.background.bases[ring].at(&fit.background), self.smooth.amplitude.bases[ring].at(&fit.amplitude))
    }
}
