//! Coverage: which directions were seen, in which order, and what the missing ones cost.

use crate::measured::{Measured, parted};
use crate::numerics::median::median;
use crate::physics::tilt::{crowther_resolution, elongation_factor, missing_wedge_fraction};
use crate::record::Coverage;

/// A tilt as coverage sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    /// Its angle.
    pub tilt_deg: f64,
    /// 0-based order of acquisition among the tilts.
    pub order: usize,
}

/// Entries closer than this, and than a fifth of the step, are one direction.
const SAME_DEG: f64 = 0.1;

/// Coverage of the given views (not empty, ascending in angle).
///
/// `order_source` is kept as it is; the scheme is left out where that is `assumed`. `thickness_nm` is the
/// diameter D of the resolution formulas.
pub fn measure(views: &[View], order_source: &str, thickness_nm: Measured<f64>) -> Coverage {
    let directions = Directions::of(views);
    let angles = &directions.angles;
    let (min_deg, max_deg) = (angles.first().copied().unwrap_or(0.0), angles.last().copied().unwrap_or(0.0));
    let gaps: Vec<f64> = angles.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let largest = (0..gaps.len()).max_by(|&a, &b| gaps[a].total_cmp(&gaps[b]));
    let mean_gap = (!gaps.is_empty()).then(|| (max_deg - min_deg) / gaps.len() as f64);
    let (thickness_nm, resolution_why_not) = parted(thickness_nm);
    Coverage {
        min_deg,
        max_deg,
        tilts: angles.len(),
        step_deg: median(gaps.iter().copied()),
        largest_gap_deg: largest.map(|at| gaps[at]),
        largest_gap_between_deg: largest.map(|at| [angles[at], angles[at + 1]]),
        repeated_angles: directions.repeated,
        order_source: order_source.to_owned(),
        scheme: (order_source != "assumed").then(|| scheme(views).to_owned()),
        missing_wedge_fraction: missing_wedge_fraction(min_deg, max_deg),
        elongation_factor: elongation_factor((max_deg - min_deg) / 2.0),
        crowther_resolution_nm: thickness_nm.zip(mean_gap).map(|(d, gap)| crowther_resolution(d, gap)),
        gap_resolution_nm: thickness_nm.zip(largest).map(|(d, at)| crowther_resolution(d, gaps[at])),
        resolution_why_not,
        thickness_nm,
    }
}

/// The different angles, ascending, and those that came more than once.
struct Directions {
    angles: Vec<f64>,
    repeated: Vec<f64>,
}

impl Directions {
    fn of(views: &[View]) -> Self {
        let mut sorted: Vec<f64> = views.iter().map(|view| view.tilt_deg).collect();
        sorted.sort_by(f64::total_cmp);
        let steps: Vec<f64> = sorted.windows(2).map(|p| p[1] - p[0]).filter(|&gap| gap > 1e-6).collect();
        let tolerance = median(steps.iter().copied()).map_or(SAME_DEG, |step| SAME_DEG.min(step / 5.0));
        let (mut angles, mut repeated): (Vec<f64>, Vec<f64>) = (Vec::new(), Vec::new());
        for angle in sorted {
            match angles.last() {
                Some(&last) if angle - last <= tolerance => {
                    if repeated.last() != Some(&last) {
                        repeated.push(last);
                    }
                }
                _ => angles.push(angle),
            }
        }
        Self { angles, repeated }
    }
}

/// How the angles were visited in time.
///
/// `unidirectional`: from one end to the other. `bidirectional`: from a start to one end, then from the start to
/// the other. `dose-symmetric`: both sides of the start in turns, moving outwards. Else `other`. A tilt that
/// merely repeats an angle already seen is passed over.
pub fn scheme(views: &[View]) -> &'static str {
    let angles = first_visits(views);
    let steps: Vec<f64> = angles.windows(2).map(|pair| pair[1] - pair[0]).collect();
    if steps.iter().all(|&step| step > 0.0) || steps.iter().all(|&step| step < 0.0) {
        return "unidirectional";
    }
    let start = angles[0];
    let outward = |side: f64| {
        let distances: Vec<f64> = angles[1..].iter().map(|a| side * (a - start)).filter(|&d| d > 0.0).collect();
        distances.windows(2).all(|pair| pair[1] > pair[0])
    };
    if !outward(1.0) || !outward(-1.0) {
        return "other";
    }
    let sides: Vec<bool> = angles[1..].iter().map(|&angle| angle > start).collect();
    let turns = sides.windows(2).filter(|pair| pair[0] != pair[1]).count();
    if turns == 1 { "bidirectional" } else { "dose-symmetric" }
}

/// The angles in order of acquisition, without those that were seen before.
fn first_visits(views: &[View]) -> Vec<f64> {
    let mut in_time = views.to_vec();
    in_time.sort_by_key(|view| view.order);
    let mut angles: Vec<f64> = Vec::new();
    for view in in_time {
        if angles.iter().all(|angle| (angle - view.tilt_deg).abs() > SAME_DEG) {
            angles.push(view.tilt_deg);
        }
    }
    angles
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measured::NotMeasured;

    fn in_time(angles: &[f64]) -> Vec<View> {
        let mut views: Vec<View> =
            angles.iter().enumerate().map(|(order, &tilt_deg)| View { tilt_deg, order }).collect();
        views.sort_by(|a, b| a.tilt_deg.total_cmp(&b.tilt_deg));
        views
    }

    #[test]
    fn a_full_series_of_41_tilts() {
        let angles: Vec<f64> = (-20..=20).map(|i| f64::from(i) * 3.0).collect();
        let coverage = measure(&in_time(&angles), "acquired_at", Ok(100.0));
        assert_eq!((coverage.min_deg, coverage.max_deg, coverage.tilts), (-60.0, 60.0, 41));
        assert_eq!((coverage.step_deg, coverage.largest_gap_deg), (Some(3.0), Some(3.0)));
        assert!((coverage.elongation_factor.unwrap() - 1.552430).abs() < 1e-6);
        assert!((coverage.missing_wedge_fraction - 1.0 / 3.0).abs() < 1e-9);
        // 100 nm × 3° in radians.
        assert!((coverage.crowther_resolution_nm.unwrap() - 5.235988).abs() < 1e-6);
        assert_eq!(coverage.scheme.as_deref(), Some("unidirectional"));
    }

    #[test]
    fn a_lost_tilt_is_a_gap_and_a_repeat_is_none() {
        let coverage = measure(&in_time(&[-6.0, -3.0, 0.0, 6.0, 9.0, 0.02]), "order", Err(NotMeasured::because("x")));
        assert_eq!(coverage.largest_gap_deg.map(|gap| (gap * 100.0).round()), Some(600.0));
        assert_eq!(coverage.repeated_angles, [0.0]);
        assert_eq!(coverage.tilts, 5);
        assert_eq!(coverage.resolution_why_not.as_deref(), Some("x"));
        assert_eq!(coverage.crowther_resolution_nm, None);
    }

    #[test]
    fn schemes_are_told_apart() {
        assert_eq!(scheme(&in_time(&[-6.0, -3.0, 0.0, 3.0])), "unidirectional");
        assert_eq!(scheme(&in_time(&[0.0, 3.0, 6.0, 9.0, -3.0, -6.0])), "bidirectional");
        assert_eq!(scheme(&in_time(&[0.0, 3.0, 6.0, 0.0, -3.0, -6.0])), "bidirectional");
        assert_eq!(scheme(&in_time(&[0.0, 3.0, -3.0, -6.0, 6.0, 9.0, -9.0])), "dose-symmetric");
        assert_eq!(scheme(&in_time(&[0.0, 9.0, 3.0, -3.0, 6.0])), "other");
    }

    #[test]
    fn one_tilt_has_no_step() {
        let coverage = measure(&in_time(&[0.0]), "order", Ok(100.0));
        assert_eq!((coverage.step_deg, coverage.largest_gap_deg, coverage.elongation_factor), (None, None, None));
    }
}
