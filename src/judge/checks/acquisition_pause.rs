//! Was the collection interrupted? The specimen drifts and charges up during a pause.

use super::words::limit;
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;

/// The check.
pub const CHECK: Definition =
    Definition { id: "acquisition_pause", title: "Longest pause", unit: "min", sense: Sense::Above, values, sentence };

fn values(case: &Case<'_>) -> Values {
    Values::Series(
        longest(case)
            .map(|(_, minutes)| minutes)
            .ok_or_else(|| NotMeasured::because("times of exposure are not stated (column acquired_at)")),
    )
}

/// Index in time of the tilt after the longest pause, and by how many minutes it exceeds the usual step in time.
fn longest(case: &Case<'_>) -> Option<(f64, f64)> {
    let mut timed: Vec<(usize, f64, f64)> = Vec::new();
    for tilt in case.tilts {
        let time: jiff::Timestamp = tilt.acquired_at.as_deref()?.parse().ok()?;
        timed.push((tilt.order, time.as_millisecond() as f64 / 60_000.0, tilt.tilt_deg));
    }
    timed.sort_by_key(|tilt| tilt.0);
    let steps: Vec<(f64, f64)> =
        timed.windows(2).map(|pair| (pair[1].2, ((pair[1].1 - pair[0].1) * 1e3).round() / 1e3)).collect();
    let mut sorted: Vec<f64> = steps.iter().map(|step| step.1).collect();
    sorted.sort_by(f64::total_cmp);
    let usual = *sorted.get(sorted.len() / 2)?;
    let (tilt_deg, longest) = steps.into_iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    Some((tilt_deg, (longest - usual).max(0.0)))
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.grade == crate::record::Grade::Pass {
        return "the tilts follow each other without a long pause".into();
    }
    let before = longest(case).map_or(0.0, |(tilt_deg, _)| tilt_deg);
    format!(
        "{:.0} min more than usual passed before {before:+.1}° (limit {}): focus and track again after a pause",
        found.value,
        limit(found, 0)
    )
}
