//! The comparison as a CSV table: one row a session and figure.

use super::Comparison;
use crate::record::tables::csv_text;

/// The headings.
const HEADINGS: [&str; 18] = [
    "instrument",
    "session",
    "started_on",
    "series",
    "figure",
    "unit",
    "value",
    "in_baseline",
    "centre",
    "lower_limit",
    "upper_limit",
    "sds_from_centre",
    "moving_range",
    "weighted_mean",
    "weighted_lower_limit",
    "weighted_upper_limit",
    "signals",
    "no_limits_because",
];

/// The table. `signals` holds the numbers of Nelson's tests that the session takes part in, 9 for the weighted mean;
/// `moving_range` is on the scale on which the figure is charted.
///
/// # Errors
/// A text that CSV cannot hold.
pub fn csv(comparison: &Comparison) -> Result<String, csv_text::Error> {
    let number = |value: Option<f64>| value.map(|value| value.to_string()).unwrap_or_default();
    let mut rows = Vec::new();
    for chart in &comparison.charts {
        for (at, point) in chart.points.iter().enumerate() {
            let session = &comparison.sessions[point.session];
            let mut kinds: Vec<usize> = chart
                .signals
                .iter()
                .filter(|signal| (signal.from..=signal.until).contains(&at))
                .map(|signal| signal.kind)
                .collect();
            kinds.sort_unstable();
            kinds.dedup();
            let kinds: Vec<String> = kinds.iter().map(usize::to_string).collect();
            let side = |limits: Option<[f64; 2]>, at: usize| number(limits.map(|limits| limits[at]));
            rows.push(vec![
                session.instrument.clone(),
                session.name.clone(),
                session.date.clone(),
                point.series.to_string(),
                chart.watched.id().to_owned(),
                chart.watched.unit().to_owned(),
                point.value.to_string(),
                u8::from(point.in_baseline).to_string(),
                number(chart.centre),
                side(point.limits, 0),
                side(point.limits, 1),
                number(point.z),
                number(point.range),
                number(point.weighted),
                side(point.weighted_limits, 0),
                side(point.weighted_limits, 1),
                kinds.join(" "),
                chart.no_limits.clone().unwrap_or_default(),
            ]);
        }
    }
    csv_text::write(&HEADINGS.map(str::to_owned), rows.into_iter())
}
