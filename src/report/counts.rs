//! Counts against tilt: mean, spread, target.

use crate::report::page::ReportError;
use crate::report::plot::{self, Shown, drawn};
use crate::report::theme::BAND;
use plotters::prelude::*;

/// Extremes this many times above the highest mean are cut off: a hot pixel must not flatten the plot.
const MOST_ABOVE_MEAN: f64 = 2.0;

/// Draws the plot; `None` where no tilt has counts.
pub fn draw(shown: &Shown<'_>) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    let means = plot::per_tilt(record, |tilt| tilt.counts.mean);
    let Some(top) = means.iter().filter_map(|(_, mean)| *mean).reduce(f64::max) else { return Ok(None) };
    let low = record.tilts.iter().filter_map(|tilt| tilt.counts.min).fold(0.0, f64::min);
    let high = record.tilts.iter().filter_map(|tilt| tilt.counts.max).fold(top, f64::max);
    let target = record.series.target_mean_counts;
    let reach = high.min(top.abs() * MOST_ABOVE_MEAN).max(target.unwrap_or(top)) * 1.08;
    let range = low.max(-top.abs())..reach.max(low + 1.0);
    let lowest = means.iter().filter_map(|m| m.1).fold(top, f64::min);
    let mut finding =
        words.told("counts", "finding", &[("low", format!("{lowest:.0}")), ("high", format!("{top:.0}"))]);
    if high > reach {
        finding += &words.told("counts", "cut", &[("brightest", format!("{high:.0}"))]);
    }
    let floor = range.start;
    let svg = plot::over_tilt(shown, "counts", &finding, range, |chart| {
        let bars = record.tilts.iter().filter_map(|tilt| {
            let (min, max) = (tilt.counts.min?.max(floor), tilt.counts.max?.min(reach));
            let line = vec![(tilt.tilt_deg, min), (tilt.tilt_deg, max)];
            Some(PathElement::new(line, BAND.placeholder.stroke_width(plot::bar(record, 2))))
        });
        drawn(chart.draw_series(bars))?;
        let spread = record.tilts.iter().filter_map(|tilt| {
            let (low, high) = (tilt.counts.low_percentile?, tilt.counts.high_percentile?.min(reach));
            let line = vec![(tilt.tilt_deg, low), (tilt.tilt_deg, high)];
            Some(PathElement::new(line, BAND.placeholder.stroke_width(plot::bar(record, 7))))
        });
        drawn(chart.draw_series(spread))?;
        if let Some(target) = target {
            plot::aim(chart, shown, target)?;
            plot::limits_of_target(chart, shown, "counts_target", target)?;
        }
        plot::line_and_points(chart, record, &means, &plot::MEASURED, false)?;
        plot::missing(chart, record, &means)?;
        plot::excluded(chart, record, |at| means[at].1)
    })?;
    Ok(Some(svg))
}
