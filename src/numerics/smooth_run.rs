//! The smooth run of a figure over tilt: what a value's neighbours say it should be.
//!
//! A value is predicted by its neighbours alone, never by itself. Two predictions are made: a least-median-of-
//! squares polynomial through the nearest neighbours (Rousseeuw 1984: half of them may be wrong), and plain
//! interpolation between the nearest (which follows a kink). The one that speaks better of the value counts: a
//! value is off only if both say so. Values found off are taken out of their neighbours' neighbourhoods and the
//! run is made again, so that two bad values side by side do not vouch for each other. A run never crosses from
//! one segment to another while its own segment has enough neighbours.

use crate::numerics::median::{MAD_TO_SD, upper_median};

/// A value of the run: where it stands and to which stretch of the acquisition it belongs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Position (tilt angle).
    pub x: f64,
    /// Runs are not drawn across segments.
    pub segment: usize,
}

/// The run at each place.
#[derive(Debug, Clone, PartialEq)]
pub struct SmoothRun {
    /// What the neighbours predict; `None` where they are too few.
    pub expected: Vec<Option<f64>>,
    /// Value less prediction.
    pub deviation: Vec<Option<f64>>,
    /// Robust standard deviation of the values about their run; `None` with fewer than five.
    pub scatter: Option<f64>,
    /// Values off the run.
    pub off: Vec<bool>,
}

const NEIGHBOURS_A_SIDE: usize = 4;
/// How many robust standard deviations a value must lie off its run to be taken out of it.
const OFF_AFTER_SDS: f64 = 4.0;
const ROUNDS: usize = 6;

/// Draws the run; a deviation under `least` never takes a value out of it. Missing values are `None`.
pub fn draw(places: &[Place], values: &[Option<f64>], least: f64) -> SmoothRun {
    let mut off = vec![false; values.len()];
    let mut run = predict_all(places, values, &off);
    for _ in 0..ROUNDS {
        let limit = run.scatter.map_or(f64::INFINITY, |scatter| (OFF_AFTER_SDS * scatter).max(least));
        let now: Vec<bool> = run.deviation.iter().map(|d| d.is_some_and(|d| d.abs() > limit)).collect();
        if now == off {
            break;
        }
        off = now;
        let scatter = run.scatter;
        run = predict_all(places, values, &off);
        run.scatter = run.scatter.or(scatter);
    }
    run.off = off;
    run
}

fn predict_all(places: &[Place], values: &[Option<f64>], off: &[bool]) -> SmoothRun {
    let known: Vec<(Place, f64, usize)> = places
        .iter()
        .zip(values)
        .enumerate()
        .filter(|(at, _)| !off[*at])
        .filter_map(|(at, (place, value))| value.map(|value| (*place, value, at)))
        .collect();
    let expected: Vec<Option<f64>> =
        values.iter().enumerate().map(|(at, value)| predict(&known, places[at], *value, at)).collect();
    let deviation: Vec<Option<f64>> =
        values.iter().zip(&expected).map(|(value, expected)| value.zip(*expected).map(|(v, e)| v - e)).collect();
    let kept: Vec<f64> =
        deviation.iter().zip(off).filter(|(_, off)| !**off).filter_map(|(d, _)| d.map(f64::abs)).collect();
    SmoothRun { expected, scatter: robust_sd(kept), deviation, off: off.to_vec() }
}

fn robust_sd(magnitudes: Vec<f64>) -> Option<f64> {
    upper_median(magnitudes.iter().copied()).filter(|_| magnitudes.len() >= 5).map(|mad| MAD_TO_SD * mad)
}

/// Prediction at one place; with a value known, that of the candidates which is nearest to it.
fn predict(known: &[(Place, f64, usize)], place: Place, value: Option<f64>, at: usize) -> Option<f64> {
    let own = neighbours(known.iter().filter(|(p, _, _)| p.segment == place.segment), place.x, at);
    let enough = own.low.len() + own.high.len() >= 3;
    let near = if enough { own } else { neighbours(known.iter(), place.x, at) };
    let points: Vec<(f64, f64)> = near.low.iter().chain(&near.high).copied().collect();
    if points.len() < 2 {
        return None;
    }
    let candidates = [robust(&points, value)].into_iter().flatten().chain(near.plain());
    let value = value.unwrap_or_else(|| median_or_nan(points.iter().map(|p| p.1)));
    candidates.min_by(|a, b| (a - value).abs().total_cmp(&(b - value).abs()))
}

/// Neighbours below and above as (distance along x, value), the nearest first.
struct Neighbours {
    low: Vec<(f64, f64)>,
    high: Vec<(f64, f64)>,
}

fn neighbours<'a>(known: impl Iterator<Item = &'a (Place, f64, usize)>, x: f64, at: usize) -> Neighbours {
    let mut low: Vec<(f64, f64)> = Vec::new();
    let mut high: Vec<(f64, f64)> = Vec::new();
    for &(place, value, other) in known {
        if other == at {
            continue;
        }
        let dx = place.x - x;
        if dx < 0.0 || (dx == 0.0 && other < at) { low.push((dx, value)) } else { high.push((dx, value)) }
    }
    low.sort_by(|a, b| b.0.total_cmp(&a.0));
    high.sort_by(|a, b| a.0.total_cmp(&b.0));
    // At the end of a run one side has to serve for both.
    let (spare_low, spare_high) =
        (NEIGHBOURS_A_SIDE.saturating_sub(low.len()), NEIGHBOURS_A_SIDE.saturating_sub(high.len()));
    low.truncate(NEIGHBOURS_A_SIDE + spare_high);
    high.truncate(NEIGHBOURS_A_SIDE + spare_low);
    Neighbours { low, high }
}

impl Neighbours {
    /// Straight lines through the nearest: between both sides, or onwards from the one side there is.
    fn plain(&self) -> Vec<f64> {
        match (self.low.first(), self.high.first()) {
            (Some(&a), Some(&b)) => vec![line_at_zero(a, b)],
            (Some(_), None) => onwards(&self.low),
            (None, Some(_)) => onwards(&self.high),
            (None, None) => Vec::new(),
        }
    }
}

/// At an end of the run: the nearest value, the line through the nearest two, the parabola through the nearest three.
fn onwards(side: &[(f64, f64)]) -> Vec<f64> {
    let mut candidates: Vec<f64> = side.first().map(|near| near.1).into_iter().collect();
    candidates.extend(side.get(1).map(|&next| line_at_zero(side[0], next)));
    candidates.extend(side.get(2).map(|&third| parabola(side[0], side[1], third)[0]).filter(|v| v.is_finite()));
    candidates
}

fn line_at_zero(a: (f64, f64), b: (f64, f64)) -> f64 {
    if a.0 == b.0 { 0.5 * (a.1 + b.1) } else { a.1 - a.0 * (b.1 - a.1) / (b.0 - a.0) }
}

/// Least median of squares at x = 0; among equally good fits the one nearest to `value`.
fn robust(points: &[(f64, f64)], value: Option<f64>) -> Option<f64> {
    let degree = match points.len() {
        0..=3 => return Some(median_or_nan(points.iter().map(|p| p.1))),
        4..=6 => 1,
        _ => 2,
    };
    let fits = subsets(points, degree);
    let scored: Vec<(f64, f64)> = fits
        .into_iter()
        .map(|fit| (median_residual(points, &fit), fit[0]))
        .filter(|(score, at_zero)| score.is_finite() && at_zero.is_finite())
        .collect();
    let best = scored.iter().map(|(score, _)| *score).min_by(f64::total_cmp)?;
    let spread = points.iter().map(|p| p.1.abs()).fold(0.0, f64::max);
    let as_good = scored.iter().filter(|(score, _)| *score <= best + 1e-12 * spread).map(|(_, at_zero)| *at_zero);
    match value {
        Some(value) => as_good.min_by(|a, b| (a - value).abs().total_cmp(&(b - value).abs())),
        None => as_good.reduce(|a, b| 0.5 * (a + b)),
    }
}

/// Polynomials `[c0, c1, c2]` through every pair (degree 1) or triple (degree 2) of points.
fn subsets(points: &[(f64, f64)], degree: usize) -> Vec<[f64; 3]> {
    let n = points.len();
    let mut fits = Vec::new();
    for i in 0..n {
        for j in i + 1..n {
            if degree == 1 {
                let slope = (points[j].1 - points[i].1) / (points[j].0 - points[i].0);
                fits.push([points[i].1 - slope * points[i].0, slope, 0.0]);
                continue;
            }
            fits.extend((j + 1..n).map(|k| parabola(points[i], points[j], points[k])));
        }
    }
    fits
}

/// Newton's divided differences.
fn parabola(a: (f64, f64), b: (f64, f64), c: (f64, f64)) -> [f64; 3] {
    let ab = (b.1 - a.1) / (b.0 - a.0);
    let bc = (c.1 - b.1) / (c.0 - b.0);
    let curve = (bc - ab) / (c.0 - a.0);
    [a.1 - ab * a.0 + curve * a.0 * b.0, ab - curve * (a.0 + b.0), curve]
}

fn median_residual(points: &[(f64, f64)], fit: &[f64; 3]) -> f64 {
    median_or_nan(points.iter().map(|&(x, y)| (y - fit[0] - x * (fit[1] + x * fit[2])).abs()))
}

fn median_or_nan(values: impl Iterator<Item = f64>) -> f64 {
    upper_median(values).unwrap_or(f64::NAN)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run_of(values: &[f64]) -> SmoothRun {
        let places: Vec<Place> = (0..values.len()).map(|i| Place { x: 3.0 * i as f64, segment: 0 }).collect();
        let values: Vec<Option<f64>> = values.iter().map(|&v| Some(v)).collect();
        draw(&places, &values, 0.05)
    }

    fn off(run: &SmoothRun) -> Vec<usize> {
        run.off.iter().enumerate().filter(|(_, off)| **off).map(|(at, _)| at).collect()
    }

    /// A little fixed raggedness, so that the scatter is not zero.
    fn ragged(i: usize) -> f64 {
        0.01 * ((i * 7919 % 13) as f64 / 6.0 - 1.0)
    }

    #[test]
    fn lone_and_paired_bad_values_are_found_with_their_full_size() {
        let mut values: Vec<f64> = (0..31).map(|i| 0.002 * (i as f64 - 15.0).powi(2) + ragged(i)).collect();
        for at in [5, 6, 20, 30] {
            values[at] -= 0.5;
        }
        let run = run_of(&values);
        assert_eq!(off(&run), [5, 6, 20, 30]);
        assert!((run.deviation[20].unwrap() + 0.5).abs() < 0.05);
        assert!((run.deviation[5].unwrap() + 0.5).abs() < 0.05);
    }

    #[test]
    fn three_in_a_row_are_found() {
        let mut values: Vec<f64> = (0..31).map(ragged).collect();
        for at in [10, 11, 12] {
            values[at] -= 0.5;
        }
        assert_eq!(off(&run_of(&values)), [10, 11, 12]);
    }

    #[test]
    fn a_kink_and_a_steep_end_are_no_faults() {
        // Flat, then falling ever faster over the last five of 21 steps, as when the beam is at its limit.
        let values: Vec<f64> = (0..21).map(|i| if i < 16 { 0.0 } else { -0.02 * f64::from(i - 15).powi(2) }).collect();
        assert!(off(&run_of(&values)).is_empty());
    }

    #[test]
    fn a_step_between_segments_is_no_fault() {
        let places: Vec<Place> = (0..20).map(|i| Place { x: f64::from(i), segment: usize::from(i >= 10) }).collect();
        let values: Vec<Option<f64>> = (0..20).map(|i| Some(ragged(i) + if i >= 10 { 1.0 } else { 0.0 })).collect();
        let run = draw(&places, &values, 0.05);
        assert!(off(&run).is_empty());
        assert!(run.scatter.unwrap() < 0.02);
    }

    #[test]
    fn missing_values_stay_missing_and_few_values_have_no_run() {
        let places: Vec<Place> = (0..3).map(|i| Place { x: f64::from(i), segment: 0 }).collect();
        let run = draw(&places, &[Some(1.0), None, Some(1.0)], 0.05);
        assert_eq!(run.deviation, [None, None, None]);
        assert_eq!(run.expected[1], Some(1.0));
        assert_eq!(run.scatter, None);
    }
}
