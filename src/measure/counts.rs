//! Counts: how brightly tiles and tilts were recorded, and how that runs over the angle.

use crate::measure::cells::Cells;
use crate::measure::dark_area::{self, DarkArea};
use crate::measure::opposite;
use crate::measure::tally::Tally;
use crate::numerics::median::upper_median;
use crate::numerics::regression;
use crate::numerics::smooth_run::{self, Place};
use crate::record::Counts;
use ndarray::Array2;

/// A deviation of ln counts under this is never taken for an outlier when the run is drawn.
const LEAST_CHANGE: f64 = 0.09;

/// A plane of brightness over the frame, relative to the mean: change from edge to edge along x and y.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Gradient {
    /// Along rows.
    pub x: f64,
    /// Towards later rows.
    pub y: f64,
}

impl Gradient {
    /// Peak to peak of the plane over the mean.
    pub fn fraction(&self) -> f64 {
        self.x.abs() + self.y.abs()
    }
}

/// Fits a plane to the bright cells of a frame (means less `offset`); `None` where the mean is not above zero.
pub fn gradient(cells: &Cells, offset: f64, dark: Option<&Array2<bool>>) -> Option<Gradient> {
    let (rows, cols) = cells.mean.dim();
    let (mut x, mut y, mut v) = (Vec::new(), Vec::new(), Vec::new());
    for (at, &mean) in cells.mean.indexed_iter() {
        if mean.is_finite() && !dark.is_some_and(|dark| dark[at]) {
            y.push((at.0 as f64 + 0.5) / rows as f64 - 0.5);
            x.push((at.1 as f64 + 0.5) / cols as f64 - 0.5);
            v.push(f64::from(mean) - offset);
        }
    }
    let ones = vec![1.0; v.len()];
    let fit = regression::fit(&[&ones, &x, &y], &v, None)?;
    let mean = v.iter().sum::<f64>() / v.len() as f64;
    (mean > 0.0).then(|| Gradient { x: fit.coefficients[1] / mean, y: fit.coefficients[2] / mean })
}

/// What the counts of a camera mean.
#[derive(Debug, Clone, Copy, Default)]
pub struct Scale {
    /// Counts without electrons.
    pub offset: f64,
    /// Lowest saturated value.
    pub full_scale: Option<f64>,
    /// Mean counts each tilt should reach.
    pub target: Option<f64>,
}

/// The figures of a tally, with saturation at or above `level`.
pub fn figures(tally: &Tally, level: Option<f64>, scale: &Scale) -> Counts {
    let all = (tally.n + tally.nonfinite).max(1) as f64;
    let of_finite = |pixels: u64| (tally.n > 0).then(|| pixels as f64 / tally.n as f64);
    let finite = |value: f64| (tally.n > 0).then_some(value);
    Counts {
        mean: finite(tally.mean),
        min: finite(tally.min),
        max: finite(tally.max),
        sd: tally.sd(),
        median: tally.quantile(0.5),
        low_percentile: tally.quantile(0.01),
        high_percentile: tally.quantile(0.99),
        ratio_to_target: scale
            .target
            .filter(|target| *target > scale.offset)
            .and_then(|target| finite((tally.mean - scale.offset) / (target - scale.offset))),
        saturated_fraction: level.and_then(|level| of_finite(tally.at_or_above(level))),
        zero_fraction: of_finite(tally.zero),
        nonfinite_fraction: Some(tally.nonfinite as f64 / all),
        ..Counts::default()
    }
}

/// Lays tiles' cells out as one frame by their nominal places (pixels); cells of no tile are NaN, of two their mean.
pub fn assemble(tiles: &[(&Cells, f64, f64)], offset: f64) -> Array2<f32> {
    let Some(cell_px) = tiles.first().map(|(cells, _, _)| cells.cell_px as f64) else { return Array2::zeros((0, 0)) };
    let place = |px: f64| (px / cell_px).round() as usize;
    let rows = tiles.iter().map(|(c, _, y)| place(*y) + c.mean.nrows()).max().unwrap_or(0);
    let cols = tiles.iter().map(|(c, x, _)| place(*x) + c.mean.ncols()).max().unwrap_or(0);
    let (mut sum, mut n) = (Array2::<f32>::zeros((rows, cols)), Array2::<f32>::zeros((rows, cols)));
    for (cells, x, y) in tiles {
        for ((r, c), mean) in cells.mean.indexed_iter().filter(|(_, mean)| mean.is_finite()) {
            let at = (place(*y) + r, place(*x) + c);
            sum[at] += mean - offset as f32;
            n[at] += 1.0;
        }
    }
    sum / n
}

/// The dark area of a tilt over its assembled frame, and the robust mean that it was held up to.
pub fn dark_area(assembled: &Array2<f32>) -> Option<(DarkArea, f64)> {
    let mean = dark_area::robust_mean(assembled)?;
    Some((dark_area::find(assembled, mean), mean))
}

/// Counts over the smooth run of the neighbours in angle, and the robust relative scatter about it.
///
/// `values` are mean counts less the offset, per stated exposure where known; a value not above zero has no place
/// in the run.
pub fn over_run(places: &[Place], values: &[Option<f64>]) -> (Vec<Option<f64>>, Option<f64>) {
    let logs: Vec<Option<f64>> = values.iter().map(|v| v.filter(|&v| v > 0.0).map(f64::ln)).collect();
    let run = smooth_run::draw(places, &logs, LEAST_CHANGE);
    let angles: Vec<f64> = places.iter().map(|place| place.x).collect();
    let below = opposite::below(&angles, &logs, LEAST_CHANGE);
    let over = |at: usize| match (logs[at], run.deviation[at], below[at]) {
        (Some(_), Some(deviation), Some(below)) => Some(deviation.min(below).exp()),
        (Some(_), deviation, _) => deviation.map(f64::exp),
        // Nothing was counted where the neighbours say something should have been.
        (None, _, _) => values[at].and(run.expected[at]).map(|_| 0.0),
    };
    ((0..values.len()).map(over).collect(), run.scatter)
}

/// The plane common to all tilts: component-wise median.
pub fn common_gradient(tilts: &[Option<Gradient>]) -> Option<Gradient> {
    let median = |of: fn(&Gradient) -> f64| upper_median(tilts.iter().flatten().map(of));
    Some(Gradient { x: median(|g| g.x)?, y: median(|g| g.y)? })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn places(n: i32) -> Vec<Place> {
        (0..n).map(|i| Place { x: 120.0 * f64::from(i) / f64::from(n - 1) - 60.0, segment: 0 }).collect()
    }

    fn off(shape: impl Fn(f64) -> f64, n: i32) -> f64 {
        let values: Vec<Option<f64>> = places(n).iter().map(|p| Some(shape(p.x.to_radians()))).collect();
        over_run(&places(n), &values).0.iter().map(|over| (over.unwrap() - 1.0).abs()).fold(0.0, f64::max)
    }

    /// Thickness of 0.7 attenuation lengths, in 2° to 6° steps: no shape that is right leaves its run by 10 %.
    #[test]
    fn the_four_right_shapes_of_counts_raise_nothing() {
        let through = |t: f64| (-0.7 / t.cos()).exp() / (-0.7f64).exp();
        for n in [61, 41, 31, 21] {
            assert!(off(|_| 6200.0, n) < 0.001);
            assert!(off(|t| 6200.0 * (1.5 * through(t)).min(1.0), n) < 0.1, "droop, {n}");
            assert!(off(|t| 6200.0 * through(t), n) < 0.1, "bell, {n}");
            assert!(off(|t| 6200.0 * (1.3 * through(t)).max(1.0), n) < 0.1, "plateau, {n}");
        }
    }

    #[test]
    fn a_blank_tilt_is_far_off() {
        let mut values: Vec<Option<f64>> = (0..21).map(|_| Some(100.0)).collect();
        values[4] = Some(-2.0);
        assert_eq!(over_run(&places(21), &values).0[4], Some(0.0));
    }

    #[test]
    fn a_plane_is_measured_from_edge_to_edge() {
        let mean = Array2::from_shape_fn((32, 64), |(r, c)| 100.0 + (c as f32 - 31.5) - 0.5 * (r as f32 - 15.5));
        let cells = Cells { cell_px: 1, saturated: Array2::zeros((32, 64)), nonfinite: Array2::zeros((32, 64)), mean };
        let found = gradient(&cells, 0.0, None).unwrap();
        assert!((found.x - 0.64).abs() < 1e-6 && (found.y + 0.16).abs() < 1e-6);
        assert!((found.fraction() - 0.80).abs() < 1e-6);
    }

    #[test]
    fn tiles_are_laid_side_by_side_with_holes_as_nan() {
        let tile = |value| Cells {
            cell_px: 10,
            mean: Array2::from_elem((2, 2), value),
            saturated: Array2::zeros((2, 2)),
            nonfinite: Array2::zeros((2, 2)),
        };
        let (a, b) = (tile(1.0), tile(3.0));
        let frame = assemble(&[(&a, 0.0, 0.0), (&b, 10.0, 20.0)], 0.0);
        assert_eq!(frame.dim(), (4, 3));
        assert_eq!((frame[(0, 0)], frame[(3, 2)]), (1.0, 3.0));
        assert!(frame[(0, 2)].is_nan() && frame[(3, 0)].is_nan());
    }
}
