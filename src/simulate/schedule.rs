//! Which angles are recorded, and in what order.

use crate::simulate::random::{Stream, Use};
use crate::simulate::recipe::{Scheme, TiltRecipe};

/// Two nominal angles nearer than this are one.
pub const SAME_ANGLE_DEG: f64 = 0.05;

/// Nominal angles in order of acquisition; repeats come at the end.
pub fn nominal_deg(tilt: &TiltRecipe) -> Vec<f64> {
    let steps = ((tilt.max_deg - tilt.min_deg) / tilt.step_deg + 1e-6).floor() as usize;
    let left_out = |angle: f64| tilt.leave_out_deg.iter().any(|out| (out - angle).abs() < SAME_ANGLE_DEG);
    let rising: Vec<f64> =
        (0..=steps).map(|i| tilt.min_deg + i as f64 * tilt.step_deg).filter(|&angle| !left_out(angle)).collect();
    let mut ordered = match tilt.scheme {
        Scheme::Unidirectional => rising,
        Scheme::Bidirectional => bidirectional(&rising, tilt.start_deg),
        Scheme::DoseSymmetric => dose_symmetric(&rising, tilt.start_deg, tilt.group),
    };
    ordered.extend(&tilt.repeat_deg);
    ordered
}

/// Angles that the goniometer reached, rounded to the hundredth of a degree that the table states.
pub fn reached_deg(tilt: &TiltRecipe, seed: u64) -> Vec<f64> {
    let mut stream = Stream::new(seed, Use::Goniometer, 0);
    let reached = |nominal: f64| ((nominal + tilt.scatter_deg * stream.normal()) * 100.0).round() / 100.0;
    nominal_deg(tilt).into_iter().map(reached).collect()
}

fn parted(rising: &[f64], start_deg: f64) -> (Vec<f64>, Vec<f64>) {
    let upper = rising.iter().copied().filter(|&angle| angle >= start_deg - SAME_ANGLE_DEG).collect();
    let lower = rising.iter().rev().copied().filter(|&angle| angle < start_deg - SAME_ANGLE_DEG).collect();
    (upper, lower)
}

fn bidirectional(rising: &[f64], start_deg: f64) -> Vec<f64> {
    let (mut upper, lower) = parted(rising, start_deg);
    upper.extend(lower);
    upper
}

fn dose_symmetric(rising: &[f64], start_deg: f64, group: usize) -> Vec<f64> {
    let (upper, lower) = parted(rising, start_deg);
    let (first, upper) = upper.split_at(upper.len().min(1));
    let mut sides = [upper.chunks(group), lower.chunks(group)];
    let mut ordered = first.to_vec();
    loop {
        let before = ordered.len();
        for side in &mut sides {
            ordered.extend(side.next().unwrap_or_default());
        }
        if ordered.len() == before {
            return ordered;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn recipe(scheme: Scheme, group: usize) -> TiltRecipe {
        TiltRecipe {
            axis_deg: 0.0,
            min_deg: -6.0,
            max_deg: 9.0,
            step_deg: 3.0,
            scheme,
            start_deg: 0.0,
            group,
            leave_out_deg: vec![],
            repeat_deg: vec![],
            scatter_deg: 0.0,
        }
    }

    #[test]
    fn each_scheme_takes_its_own_way() {
        assert_eq!(nominal_deg(&recipe(Scheme::Unidirectional, 1)), [-6.0, -3.0, 0.0, 3.0, 6.0, 9.0]);
        assert_eq!(nominal_deg(&recipe(Scheme::Bidirectional, 1)), [0.0, 3.0, 6.0, 9.0, -3.0, -6.0]);
        assert_eq!(nominal_deg(&recipe(Scheme::DoseSymmetric, 1)), [0.0, 3.0, -3.0, 6.0, -6.0, 9.0]);
        assert_eq!(nominal_deg(&recipe(Scheme::DoseSymmetric, 2)), [0.0, 3.0, 6.0, -3.0, -6.0, 9.0]);
    }

    #[test]
    fn angles_can_be_left_out_and_repeated() {
        let mut tilt = recipe(Scheme::Unidirectional, 1);
        tilt.leave_out_deg = vec![-3.0, 9.0];
        tilt.repeat_deg = vec![0.0];
        assert_eq!(nominal_deg(&tilt), [-6.0, 0.0, 3.0, 6.0, 0.0]);
    }

    #[test]
    fn the_goniometer_scatters_by_what_is_asked() {
        let mut tilt = recipe(Scheme::Unidirectional, 1);
        tilt.scatter_deg = 0.02;
        let off: Vec<f64> = reached_deg(&tilt, 1).iter().zip(nominal_deg(&tilt)).map(|(a, b)| (a - b).abs()).collect();
        assert!(off.iter().all(|&o| o < 0.1) && off.iter().any(|&o| o > 0.0));
    }
}
