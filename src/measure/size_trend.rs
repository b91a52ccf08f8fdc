//! What the specimen's size did while the series was recorded, where no angle was recorded twice: the magnifications that
//! the fit to the tracks gives each tilt, over the dose or the order of acquisition.
//!
//! A specimen that shrinks alike in all directions is, tilt by tilt, a picture at a smaller magnification. So is a
//! microscope whose magnification drifts: the two cannot be told apart.

use crate::numerics::regression;
use crate::record::{SpecimenChange, Tilt};

/// Fewest tilts with a magnification.
const LEAST_TILTS: usize = 8;

/// A tilt of the trend.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Point {
    /// Dose before the tilt, or its order: 0 at the first tilt, 1 at the last.
    through: f64,
    tilt_deg: f64,
    ln_magnification: f64,
}

/// The change from the first tilt recorded to the last, by a straight line; `None` where magnifications of tilts are not
/// known, as where they do not stand out of their errors.
pub fn measure(tilts: &[Tilt]) -> Option<SpecimenChange> {
    let first = tilts.iter().min_by_key(|tilt| tilt.order)?;
    let last = tilts.iter().max_by_key(|tilt| tilt.order)?;
    let dose = |tilt: &Tilt| tilt.dose.before_e_per_A2;
    let dosed = tilts.iter().all(|tilt| dose(tilt).is_some()) && dose(last) > dose(first);
    let when = |tilt: &Tilt| if dosed { dose(tilt).unwrap_or(0.0) } else { tilt.order as f64 };
    let span = when(last) - when(first);
    let point = |tilt: &Tilt| {
        let magnification = tilt.alignment.as_ref()?.magnification?;
        let through = (when(tilt) - when(first)) / span;
        Some(Point { through, tilt_deg: tilt.tilt_deg, ln_magnification: magnification.ln() })
    };
    let points: Vec<Point> = tilts.iter().filter_map(point).filter(|point| point.through.is_finite()).collect();
    let [percent, error] = trend(&points)?;
    Some(SpecimenChange {
        measured: true,
        by_magnification: true,
        order_first: Some(first.order),
        order_again: Some(last.order),
        dose_between_e_per_A2: dose(last).zip(dose(first)).map(|(last, first)| last - first),
        in_plane_percent: Some(percent),
        in_plane_error_percent: Some(error),
        ..SpecimenChange::default()
    })
}

/// Per cent from 0 to 1, with its standard uncertainty: that of the line, and what it changes by where a term that is alike
/// on both sides of zero tilt is let in (in a series that was recorded from zero outwards the two look much alike).
fn trend(points: &[Point]) -> Option<[f64; 2]> {
    if points.len() < LEAST_TILTS {
        return None;
    }
    let column = |of: fn(&Point) -> f64| points.iter().map(of).collect::<Vec<f64>>();
    let (ones, through) = (column(|_| 1.0), column(|point| point.through));
    let even = column(|point| point.tilt_deg.to_radians().sin().abs());
    let y = column(|point| point.ln_magnification);
    let line = regression::fit(&[&ones, &through], &y, None)?;
    let both = regression::fit(&[&ones, &through, &even], &y, None)?;
    let slope = line.coefficients[1];
    let rest = y.iter().zip(&through).map(|(y, x)| (y - line.coefficients[0] - slope * x).powi(2)).sum::<f64>();
    let n = points.len() as f64;
    let middle = through.iter().sum::<f64>() / n;
    let spread = through.iter().map(|x| (x - middle).powi(2)).sum::<f64>();
    let chance = (rest / (n - 2.0) / spread).sqrt();
    Some([100.0 * (slope.exp() - 1.0), 100.0 * chance.hypot(slope - both.coefficients[1])])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(tilt_deg: impl Fn(usize) -> f64, ln_magnification: impl Fn(f64, f64) -> f64) -> Vec<Point> {
        (0..31)
            .map(|order| {
                let (through, tilt_deg) = (order as f64 / 30.0, tilt_deg(order));
                Point { through, tilt_deg, ln_magnification: ln_magnification(through, tilt_deg) }
            })
            .collect()
    }

    #[test]
    fn a_specimen_that_shrinks_is_told_by_how_much() {
        let one_way = |order: usize| 4.0 * order as f64 - 60.0;
        let [percent, error] = trend(&points(one_way, |x, _| (1.0 - 0.03 * x).ln())).unwrap();
        assert!((percent + 3.0).abs() < 0.02 && error < 0.05, "{percent} ± {error}");
        assert_eq!(trend(&points(one_way, |_, _| 0.0)[..7]), None);
    }

    /// From zero outwards the order runs with the size of the angle: a magnification that only hangs on the angle is unsure.
    #[test]
    fn what_may_be_the_angles_doing_is_unsure() {
        let outwards =
            |order: usize| if order.is_multiple_of(2) { 2.0 * order as f64 } else { -2.0 * order as f64 - 2.0 };
        let by_angle = |_: f64, deg: f64| -0.01 * deg.to_radians().sin().abs();
        let [percent, error] = trend(&points(outwards, by_angle)).unwrap();
        assert!(percent.abs() < 2.0 * error, "{percent} ± {error}");
        let [percent, error] = trend(&points(outwards, |x, _| -0.03 * x)).unwrap();
        assert!((percent + 2.96).abs() < 0.05 && error < 0.1, "{percent} ± {error}");
    }
}
