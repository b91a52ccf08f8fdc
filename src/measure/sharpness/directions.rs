//! Motions during the exposure: which tilts lost power along one direction, against the series' own run in every cell.

use super::motions::{Motions, lengths_px, loss_at_half_nyquist};
use super::{Bands, SECTORS, Signals, TiltSharpness, known};
use crate::numerics::median::{MAD_TO_SD, upper_median};
use crate::numerics::smooth_run::{self, Place};
use rayon::prelude::*;

/// A tilt that keeps less than this of its fine detail has plainly lost some, and draws no run that a motion is sought against.
pub(super) const DULL: f64 = 0.75;
/// A motion only takes power away: what it leaves may stand at most this much above the series' run.
const MOST_LEVEL: f64 = 1.25;
/// … and at least this much where it takes nothing, across its direction; a blur that is alike in all directions leaves less.
const LEAST_LEVEL: f64 = 0.5;
/// The level of the noise under a band is known to this share of it.
const NOISE_UNSURE: f64 = 0.05;
/// What views differ by is told by tilts where more than this of the typical power is expected …
const LEAST_EXPECTED: f64 = 0.2;
/// … and is never taken for less than this share.
const LEAST_SHARE: f64 = 0.02;
/// Improvement of χ² by which a motion is significant, over the 36 × 24 motions that are tried.
const SIGNIFICANT: f64 = 30.0;
/// … of a tilt that is known to have lost fine detail: asked is only whether along one direction.
const SIGNIFICANT_OF_DULL: f64 = 20.0;

/// Power of a cell at one tilt, in units of the series' typical power there.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Power {
    found: f64,
    /// By the series' run; 0 where it predicts nothing that a motion could take away.
    expected: f64,
}

/// How far what is found in a cell lies from what is expected.
#[derive(Debug, Clone, Copy, PartialEq)]
struct CellError {
    /// By counting, in units of the series' typical power.
    counting: f64,
    /// By how views differ, as a share of what is expected.
    share: f64,
}

impl CellError {
    /// Standard deviation where so much is expected.
    fn at(&self, expected: f64) -> f64 {
        self.counting.max(self.share * expected)
    }
}

/// The series' run in every cell, and how much cells scatter about it.
pub(super) struct Directions {
    /// Cells that carry enough signal.
    cells: Vec<usize>,
    /// By tilt, by entry of `cells`.
    powers: Vec<Option<Vec<Power>>>,
    /// By entry of `cells`.
    errors: Vec<CellError>,
    /// By band with signal: counting noise over the typical power.
    noise: Vec<f64>,
    /// By motion, by entry of `cells`: what is left of the power.
    patterns: Vec<(f64, f64, Vec<f64>)>,
    fine: Vec<usize>,
}

impl Directions {
    /// Of a series; tilts that are `dull` draw no run.
    pub(super) fn of(signals: &Signals, bands: &Bands, (places, dull): (&[Place], &[bool]), motions: &Motions) -> Self {
        let cells: Vec<usize> =
            bands.directed.iter().flat_map(|band| (0..SECTORS).map(move |sector| band * SECTORS + sector)).collect();
        let typicals: Vec<f64> = cells
            .iter()
            .map(|&cell| {
                upper_median(known(signals.cells.iter().flatten().map(|tilt| tilt[cell].power))).unwrap_or(0.0)
            })
            .collect();
        let by_cell: Vec<Vec<Option<Power>>> = cells
            .par_iter()
            .zip(&typicals)
            .map(|(&cell, &typical)| about_run(signals, cell, typical, (places, dull)))
            .collect();
        let errors = cells.iter().zip(&typicals).zip(&by_cell).map(|((&cell, &typical), powers)| {
            let share = |power: &Power| (power.found / power.expected - 1.0).abs();
            let shares = powers.iter().flatten().filter(|power| power.expected > LEAST_EXPECTED).map(share);
            let share = (MAD_TO_SD * upper_median(known(shares)).unwrap_or(0.0)).max(LEAST_SHARE);
            let counting = upper_median(known(signals.cells.iter().flatten().map(|tilt| tilt[cell].error)));
            let counting = counting.filter(|_| typical > 0.0).map_or(f64::INFINITY, |counting| counting / typical);
            CellError { counting, share }
        });
        let errors = errors.collect();
        let powers =
            (0..places.len()).map(|at| by_cell.iter().map(|powers| powers[at]).collect::<Option<Vec<_>>>()).collect();
        let of_cells = |left: &Vec<f64>| cells.iter().map(|&cell| left[cell]).collect();
        let patterns =
            motions.0.iter().map(|(length, direction, left)| (*length, *direction, of_cells(left))).collect();
        let noise = bands.directed.iter().map(|&band| 1.0 / signals.median_over_tilts(band, |s| s.over_noise));
        Self { noise: noise.collect(), cells, powers, errors, patterns, fine: bands.fine.clone() }
    }

    /// Fills losses and directions.
    pub(super) fn judge(&self, signals: &Signals, tilts: &mut [TiltSharpness]) {
        let visible = self.would_see(3.0);
        for (at, tilt) in tilts.iter_mut().enumerate() {
            let Some(powers) = &self.powers[at] else { continue };
            tilt.azimuth_relative = self.azimuths(powers);
            if signals.cells[at].is_none() {
                continue;
            }
            let found = self.fit(powers, if tilt.is_dull() { SIGNIFICANT_OF_DULL } else { SIGNIFICANT });
            // None found is none only where it could have been seen.
            let none = visible.then_some(0.0);
            tilt.directional_loss = found.map(|(length, _)| loss_at_half_nyquist(length)).or(none);
            tilt.direction_deg = found.map(|(_, direction)| direction);
        }
    }

    /// Length and direction of the motion, where one makes the fit better by more than `least`.
    fn fit(&self, powers: &[Power], least: f64) -> Option<(f64, f64)> {
        let still = self.chi_square(powers, &vec![1.0; self.cells.len()], 0.0);
        let (chi, length, direction) = self
            .patterns
            .iter()
            .map(|(length, direction, left)| (self.chi_square(powers, left, LEAST_LEVEL), *length, *direction))
            .min_by(|a, b| a.0.total_cmp(&b.0))?;
        // A misfit of the best motion enlarges all errors: what no motion explains must not speak for one.
        let misfit = (chi / (self.cells.len() as f64 - 3.0).max(1.0)).max(1.0);
        ((still - chi) / misfit > least).then_some((length, direction))
    }

    /// χ² of a pattern with a free level in every band, not under `least`, over noise whose level is known so far.
    fn chi_square(&self, powers: &[Power], left: &[f64], least: f64) -> f64 {
        let mut chi = 0.0;
        for (start, noise) in (0..self.cells.len()).step_by(SECTORS).zip(&self.noise) {
            let mut sums = Sums { nn: (NOISE_UNSURE * noise).powi(-2), ..Sums::default() };
            for at in start..(start + SECTORS).min(self.cells.len()) {
                sums.add(
                    self.errors[at].at(powers[at].expected).powi(-2),
                    powers[at].found,
                    powers[at].expected * left[at],
                );
            }
            chi += sums.chi_square(least);
        }
        chi
    }

    /// Whether a motion of this length would be significant, whatever its direction.
    fn would_see(&self, length_px: f64) -> bool {
        let nearest = lengths_px().min_by(|a, b| (a - length_px).abs().total_cmp(&(b - length_px).abs()));
        let still = vec![1.0; self.cells.len()];
        self.patterns.iter().filter(|(length, _, _)| Some(*length) == nearest).all(|(_, _, left)| {
            let moved: Vec<Power> = left.iter().map(|&found| Power { found, expected: 1.0 }).collect();
            self.chi_square(&moved, &still, 0.0) > SIGNIFICANT
        })
    }

    /// Amplitude of the fine bands at each azimuth.
    fn azimuths(&self, powers: &[Power]) -> Vec<Option<f64>> {
        let one = |sector: usize| {
            let (mut sum, mut weights) = (0.0, 0.0);
            for (at, &cell) in self.cells.iter().enumerate() {
                if cell % SECTORS == sector
                    && self.fine.contains(&(cell / SECTORS))
                    && self.errors[at].counting.is_finite()
                {
                    // The level of what is expected that fits best.
                    let weight = self.errors[at].at(powers[at].expected).powi(-2) * powers[at].expected;
                    sum += weight * powers[at].found;
                    weights += weight * powers[at].expected;
                }
            }
            (weights > 0.0).then(|| (sum / weights).max(0.0).sqrt())
        };
        (0..SECTORS).map(one).collect()
    }
}

/// Weighted sums over the cells of a band: of what is found (f), of the pattern (p), of ones (n).
#[derive(Default)]
struct Sums {
    ff: f64,
    fp: f64,
    pp: f64,
    fn_: f64,
    pn: f64,
    nn: f64,
}

impl Sums {
    fn add(&mut self, weight: f64, found: f64, pattern: f64) {
        self.ff += weight * found * found;
        self.fp += weight * found * pattern;
        self.pp += weight * pattern * pattern;
        self.fn_ += weight * found;
        self.pn += weight * pattern;
        self.nn += weight;
    }

    /// Least Σ w (f - level p - offset)², the level within what a motion can leave.
    fn chi_square(&self, least: f64) -> f64 {
        // With the best offset for each level, what is left is a parabola in the level.
        let (ff, fp, pp) = (
            self.ff - self.fn_ * self.fn_ / self.nn,
            self.fp - self.fn_ * self.pn / self.nn,
            self.pp - self.pn * self.pn / self.nn,
        );
        let level = if pp > 0.0 { (fp / pp).clamp(least, MOST_LEVEL) } else { least };
        ff - 2.0 * level * fp + level * level * pp
    }
}

/// Power of one cell at each tilt and by the series' own run in that cell, which tilts that are `dull` do not draw.
fn about_run(signals: &Signals, cell: usize, typical: f64, (places, dull): (&[Place], &[bool])) -> Vec<Option<Power>> {
    let values: Vec<Option<f64>> = signals.cells.iter().map(|tilt| tilt.as_ref().map(|t| t[cell].power)).collect();
    let drawing: Vec<Option<f64>> = values.iter().zip(dull).map(|(value, dull)| value.filter(|_| !*dull)).collect();
    let run = smooth_run::draw(places, &drawing, 0.3 * typical.abs());
    let power = |(value, expected): (&Option<f64>, &Option<f64>)| {
        let found = value.map(|value| value / typical).filter(|found| found.is_finite());
        let expected = expected.map_or(1.0, |expected| (expected / typical).max(0.0));
        value.map(|_| found.map_or(Power { found: 0.0, expected: 0.0 }, |found| Power { found, expected }))
    };
    values.iter().zip(&run.expected).map(power).collect()
}
