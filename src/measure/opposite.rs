//! Bad stretches longer than the window of a smooth run: such a stretch vouches for itself, so each side of the
//! series is held up to the other.
//!
//! The difference of a figure between +θ and -θ is a straight line through zero for a sound series (a pre-tilt, a
//! wedge-shaped section); a stretch of tilts that lies below it stands out.

use crate::numerics::median::{MAD_TO_SD, upper_median};

/// Fewest tilts in a row that this test speaks of; shorter stretches are found by the run itself.
const FEWEST_IN_A_ROW: usize = 3;
const OFF_AFTER_SDS: f64 = 4.0;
/// Opposite angles are partners within this share of the step.
const PARTNER_SHARE: f64 = 0.6;

/// How far each value lies below its opposite's, for tilts in a stretch of at least three such; else `None`.
/// `angles_deg` ascend; a difference under `least` is none.
pub fn below(angles_deg: &[f64], values: &[Option<f64>], least: f64) -> Vec<Option<f64>> {
    let differences = differences(angles_deg, values);
    let slopes: Vec<f64> =
        differences.iter().zip(angles_deg).filter_map(|(d, &x)| d.filter(|_| x.abs() > 1e-6).map(|d| d / x)).collect();
    let slope = upper_median(slopes).unwrap_or(0.0);
    let rest: Vec<Option<f64>> = differences.iter().zip(angles_deg).map(|(d, x)| d.map(|d| d - slope * x)).collect();
    let Some(sd) = upper_median(rest.iter().filter_map(|r| r.map(f64::abs))).map(|m| MAD_TO_SD * m) else {
        return vec![None; values.len()];
    };
    let limit = (OFF_AFTER_SDS * sd).max(least);
    let low: Vec<Option<f64>> = rest.into_iter().map(|rest| rest.filter(|&rest| rest < -limit)).collect();
    long_stretches(&low)
}

fn differences(angles_deg: &[f64], values: &[Option<f64>]) -> Vec<Option<f64>> {
    let steps: Vec<f64> = angles_deg.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let reach = PARTNER_SHARE * upper_median(steps).unwrap_or(0.0);
    let partner = |x: f64| {
        let distance = |at: &usize| (angles_deg[*at] + x).abs();
        (0..angles_deg.len()).min_by(|a, b| distance(a).total_cmp(&distance(b))).filter(|at| distance(at) <= reach)
    };
    angles_deg.iter().zip(values).map(|(&x, value)| Some((*value)? - values[partner(x)?]?)).collect()
}

fn long_stretches(low: &[Option<f64>]) -> Vec<Option<f64>> {
    let mut kept = vec![None; low.len()];
    let mut start = 0;
    while start < low.len() {
        let length = low[start..].iter().take_while(|value| value.is_some()).count();
        if length >= FEWEST_IN_A_ROW {
            kept[start..start + length].copy_from_slice(&low[start..start + length]);
        }
        start += length.max(1);
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_dim_stretch_stands_out_against_the_other_side() {
        let angles: Vec<f64> = (-20..=20).map(|i| 3.0 * f64::from(i)).collect();
        let value = |(at, &x): (usize, &f64)| {
            let bad = (8..15).contains(&at);
            Some(-0.0002 * x * x + 0.001 * x + 0.005 * ((at * 7) % 5) as f64 - if bad { 0.4 } else { 0.0 })
        };
        let values: Vec<Option<f64>> = angles.iter().enumerate().map(value).collect();
        let below = below(&angles, &values, 0.1);
        let found: Vec<usize> = (0..41).filter(|&at| below[at].is_some()).collect();
        assert_eq!(found, (8..15).collect::<Vec<_>>());
        assert!((below[10].unwrap() + 0.4).abs() < 0.05);
    }

    #[test]
    fn a_one_sided_series_has_no_opposites() {
        let angles: Vec<f64> = (0..20).map(|i| 5.0 + 3.0 * f64::from(i)).collect();
        let values: Vec<Option<f64>> = angles.iter().map(|x| Some(-x)).collect();
        assert!(below(&angles, &values, 0.1).iter().all(Option::is_none));
    }
}
