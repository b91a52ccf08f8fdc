//! Where a smooth run over tilt has to break: at the start angle of a bidirectional series, at changes of group,
//! and after long pauses.
//!
//! Two neighbours in angle belong together if they were recorded about as close in time as neighbours usually
//! are in this series.

use crate::intake::Series;
use crate::numerics::smooth_run::Place;

/// Neighbours in angle that lie this many times the usual number of tilts apart in time are no neighbours …
const TIMES_USUAL: usize = 3;
/// … if they are at least this many tilts apart.
const LEAST_APART: usize = 5;
/// A pause after which the microscope may have settled elsewhere.
const PAUSE_MINUTES: f64 = 10.0;

/// A tilt as its run sees it.
#[derive(Debug, Clone, Copy)]
pub struct Timed {
    /// Its angle.
    pub tilt_deg: f64,
    /// 0-based order of acquisition.
    pub order: usize,
    /// Minutes since any fixed time, where known.
    pub minutes: Option<f64>,
}

/// Places of the tilts of a series (ascending in angle) on a run over angle.
pub fn places(series: &Series) -> Vec<Place> {
    let timed: Vec<Timed> = series
        .tilts
        .iter()
        .map(|tilt| Timed {
            tilt_deg: tilt.tilt_deg,
            order: tilt.order,
            minutes: series.acquired_at(tilt).map(|time| time.as_second() as f64 / 60.0),
        })
        .collect();
    segments(&timed)
}

/// Places of tilts given in ascending angle.
pub fn segments(tilts: &[Timed]) -> Vec<Place> {
    let apart: Vec<usize> = tilts.windows(2).map(|pair| pair[0].order.abs_diff(pair[1].order)).collect();
    let mut sorted = apart.clone();
    sorted.sort_unstable();
    let usual = sorted.get(sorted.len() / 2).copied().unwrap_or(1);
    let limit = (TIMES_USUAL * usual).max(LEAST_APART);
    let mut segment = 0;
    tilts
        .iter()
        .enumerate()
        .map(|(at, tilt)| {
            if at > 0 && (apart[at - 1] > limit || paused(&tilts[at - 1], tilt, apart[at - 1])) {
                segment += 1;
            }
            Place { x: tilt.tilt_deg, segment }
        })
        .collect()
}

/// Whether tilts next to each other in angle and in time have a long pause between them.
fn paused(a: &Timed, b: &Timed, apart: usize) -> bool {
    let pause = a.minutes.zip(b.minutes).map(|(a, b)| (a - b).abs() / apart.max(1) as f64);
    pause.is_some_and(|minutes| minutes > PAUSE_MINUTES)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(in_time: &[f64], minutes: impl Fn(usize) -> Option<f64>) -> Vec<usize> {
        let mut tilts: Vec<Timed> = in_time
            .iter()
            .enumerate()
            .map(|(order, &tilt_deg)| Timed { tilt_deg, order, minutes: minutes(order) })
            .collect();
        tilts.sort_by(|a, b| a.tilt_deg.total_cmp(&b.tilt_deg));
        segments(&tilts).iter().map(|place| place.segment).collect()
    }

    #[test]
    fn a_one_way_series_is_one_run() {
        let angles: Vec<f64> = (0..41).map(|i| 60.0 - 3.0 * f64::from(i)).collect();
        assert!(of(&angles, |_| None).iter().all(|&segment| segment == 0));
    }

    #[test]
    fn a_bidirectional_series_breaks_at_its_start() {
        let angles: Vec<f64> =
            (0..21).map(|i| f64::from(i) * 3.0).chain((1..21).map(|i| -3.0 * f64::from(i))).collect();
        let segments = of(&angles, |_| None);
        assert_eq!((segments[19], segments[20], segments[40]), (0, 1, 1));
    }

    #[test]
    fn a_dose_symmetric_series_is_one_run() {
        let angles: Vec<f64> =
            (0..41).map(|i| 3.0 * f64::from((i + 1) / 2) * if i % 2 == 0 { 1.0 } else { -1.0 }).collect();
        assert!(of(&angles, |_| None).iter().all(|&segment| segment == 0));
    }

    #[test]
    fn a_long_pause_breaks_the_run() {
        let angles: Vec<f64> = (0..20).map(f64::from).collect();
        let segments = of(&angles, |order| Some(order as f64 + if order >= 12 { 30.0 } else { 0.0 }));
        assert_eq!((segments[11], segments[12]), (0, 1));
    }
}
