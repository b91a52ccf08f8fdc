//! Steps of the field against tilt: what no neighbour, movement by tilt or recorded shift explains.

use crate::record::Limit;
use crate::report::page::ReportError;
use crate::report::plot::{self, Shown, drawn};
use crate::report::theme::{BAND, SECOND};
use plotters::prelude::*;

/// Draws the plot; `None` where no step was measured.
pub fn draw(shown: &Shown<'_>) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    let steps = plot::per_tilt(record, |tilt| tilt.tracking.as_ref()?.step_px);
    let stage = plot::per_tilt(record, |tilt| tilt.tracking.as_ref()?.stage_step_px);
    let error = plot::per_tilt(record, |tilt| tilt.tracking.as_ref()?.step_error_px);
    let Some(most) = steps.iter().filter_map(|(_, px)| *px).reduce(f64::max) else { return Ok(None) };
    // Limits are shares of the shorter side; one far above all that was measured would flatten it, and is not drawn.
    let side = record.series.width_px.min(record.series.height_px) as f64;
    let check = record.checks.iter().find(|check| check.id == "tracking_step");
    let in_px = |limit: Option<Limit>| match limit {
        Some(Limit::One(share)) => Some(share * side),
        _ => None,
    };
    let limits = check.into_iter().flat_map(|check| plot::two_limits(check, words));
    let limits: Vec<_> = limits.filter_map(|(limit, name, role)| Some((in_px(limit)?, name, role))).collect();
    let largest = stage.iter().filter_map(|(_, px)| *px).fold(most, f64::max);
    let in_sight = |px: &f64| *px < 6.0 * largest.max(0.5);
    let highest = limits.iter().map(|(px, _, _)| *px).filter(in_sight).fold(largest, f64::max);
    let top = (1.2 * highest).max(1.0);
    let finding = words.told("steps", "finding", &[("most", format!("{most:.1}"))]);
    let svg = plot::over_tilt(shown, "steps", &finding, 0.0..top, |chart| {
        for (px, name, role) in limits.into_iter().filter(|(px, _, _)| in_sight(px)) {
            plot::level(chart, record, px, name, role)?;
        }
        let bars = steps.iter().zip(&error).filter_map(|((deg, px), (_, error))| {
            let (px, error) = ((*px)?, (*error)?);
            let ends = vec![(*deg, (px - error).max(0.0)), (*deg, (px + error).min(top))];
            Some(PathElement::new(ends, BAND.placeholder.stroke_width(plot::bar(record, 5))))
        });
        drawn(chart.draw_series(bars))?;
        let marks = stage.iter().filter_map(|(deg, px)| px.map(|px| (*deg, px)));
        let marks =
            marks.map(|place| TriangleMarker::new(place, 2 * plot::fitting(record, 3), SECOND.placeholder.filled()));
        drawn(chart.draw_series(marks))?;
        plot::line_and_points(chart, record, &steps, &plot::MEASURED, false)?;
        plot::missing(chart, record, &steps)?;
        plot::excluded(chart, record, |at| steps[at].1)
    })?;
    Ok(Some(svg))
}
