//! Could the same spectrum have shown such rings by chance?
//!
//! The fitted rings are taken off, and what is left is searched for rings of every underfocus, with the same
//! amplitude curve and the same gradient. The scatter of these scores, structures and all,
//! says what the spectrum gives without rings; the score of the fit must be one that the largest of so many trials
//! reaches less than once in a thousand.

use crate::measure::focus::coarse::{Table, scores};
use crate::measure::focus::flat::Flat;
use crate::measure::focus::optics::Optics;
use crate::measure::focus::refine::{Fit, Fitter};
use crate::measure::focus::sums::Place;
use crate::numerics::sine::sin_cos;

/// Chance of a false detection.
pub const CHANCE: f64 = 1e-3;

/// A score and what it must reach.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Score {
    /// Of the fit, in standard deviations of the noise.
    pub score: f64,
    /// What chance reaches once in a thousand.
    pub needed: f64,
    /// How far the null scatters beyond the noise, at least 1.
    pub sd: f64,
}

impl Score {
    /// Whether the rings are there.
    pub fn is_significant(&self) -> bool {
        self.score > self.needed
    }
}

/// Scores a fit; `round` has its sectors in one, so astigmatism counts as scatter.
pub fn score(round: &Flat, places: &[Place], optics: &Optics, table: &Table, fit: &Fit, hypotheses: usize) -> Score {
    let fitter = Fitter::new(round, places, optics);
    let curves = curves(&fitter, fit, round.rings);
    let wave = Wave::of(fit, optics, &curves);
    let maps = round.y.iter().zip(&round.n).zip(places).map(|((y, n), place)| {
        let rest = wave.residual(y, round.band, place, optics, fit);
        rest.iter().enumerate().map(|(j, rest)| (n * round.w[j] * curves[j].1 * rest) as f32).collect()
    });
    let maps = table.correlate(&maps.collect::<Vec<Vec<f32>>>());
    let patches: f64 = round.n.iter().sum();
    let norm: f64 = table.rings().map(|j| 0.5 * patches * round.w[j] * curves[j].1.powi(2)).sum();
    let scores = scores(table, &maps, places, fit.trial.slope);
    let used: Vec<f64> = table.searched().filter_map(|point| scores.get(point).copied()).collect();
    let variance = used.iter().map(|score| score * score).sum::<f64>() / used.len().max(1) as f64;
    let sd = (variance / norm.max(1e-300)).sqrt().max(1.0);
    // Underfocuses whose rings differ by half a turn at the top of the band are independent trials.
    let independent = table.half_turns().max(1.0) * hypotheses as f64;
    Score { score: fit.gain.max(0.0).sqrt(), needed: sd * reached_by_chance(CHANCE / independent).sqrt(), sd }
}

/// What a χ² of six degrees of freedom reaches with this chance: beside underfocus a fit chooses two components of
/// astigmatism and the amplitude's shape, whose five splines are stiff and worth about three. The tail is
/// exp(-x/2)(1 + x/2 + x²/8).
pub fn reached_by_chance(chance: f64) -> f64 {
    let tail = |x: f64| (-0.5 * x).exp() * (1.0 + 0.5 * x + 0.125 * x * x);
    let (mut low, mut high) = (0.0, 200.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if tail(middle) > chance { low = middle } else { high = middle }
    }
    high
}

/// Level of background and rings at each ring.
pub fn curves(fitter: &Fitter<'_>, fit: &Fit, rings: usize) -> Vec<(f64, f64)> {
    (0..rings).map(|j| fitter.curves(fit, j)).collect()
}

/// A fit by ring, sectors taken together.
pub struct Wave {
    /// Background, and amplitude of the rings: sectors of different underfocus, taken together, show weaker ones.
    levels: Vec<(f64, f64)>,
}

impl Wave {
    /// Of a fit and its [`curves`].
    pub fn of(fit: &Fit, optics: &Optics, curves: &[(f64, f64)]) -> Self {
        let along = fit.along_um();
        let together = |a: f64| along.iter().map(|um| sin_cos(a * um).1).sum::<f64>() / along.len() as f64;
        let levels = curves.iter().zip(&optics.ring_a).map(|(&(level, m), &a)| (level, m * together(a))).collect();
        Self { levels }
    }

    /// What a map shows beyond the fit, by ring.
    pub fn residual(
        &self,
        y: &[f32],
        (low, high): (usize, usize),
        place: &Place,
        optics: &Optics,
        fit: &Fit,
    ) -> Vec<f64> {
        let defocus = fit.trial.of(place);
        let variance = place.variance_um2 * fit.trial.slope.powi(2);
        let mut rest = vec![0.0; y.len()];
        for j in low..high {
            let (level, m) = self.levels[j];
            let (_, cosine) = sin_cos(optics.ring_a[j] * defocus + optics.ring_b[j]);
            rest[j] = f64::from(y[j]) - level + m * optics.kept(j, defocus, variance) * cosine;
        }
        rest
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chi_squares_of_six_degrees_reach_what_tables_say() {
        // Quantiles of the χ² distribution with 6 degrees of freedom: 12.592 at 5 %, 22.458 at 0.1 %.
        assert!((reached_by_chance(0.05) - 12.592).abs() < 1e-3);
        assert!((reached_by_chance(0.001) - 22.458).abs() < 1e-3);
    }
}
