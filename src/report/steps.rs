//! Steps of the field against tilt: what no neighbour, movement by tilt or recorded shift explains.

use crate::record::{Limit, Record};
use crate::report::page::ReportError;
use crate::report::plot::{self, drawn};
use crate::report::theme::{BAND, SECOND};
use plotters::prelude::*;

/// Draws the plot; `None` where no step was measured.
pub fn draw(record: &Record) -> Result<Option<String>, ReportError> {
    let steps = plot::per_tilt(record, |tilt| tilt.tracking.as_ref()?.step_px);
    let stage = plot::per_tilt(record, |tilt| tilt.tracking.as_ref()?.stage_step_px);
    let error = plot::per_tilt(record, |tilt| tilt.tracking.as_ref()?.step_error_px);
    let Some(most) = steps.iter().filter_map(|(_, px)| *px).reduce(f64::max) else { return Ok(None) };
    // The limit is a share of the shorter side; one far above all that was measured would flatten them.
    let side = record.series.width_px.min(record.series.height_px) as f64;
    let check = record.checks.iter().find(|check| check.id == "tracking_step");
    let limit = match check.and_then(|check| check.caution) {
        Some(Limit::One(share)) => share * side,
        _ => 0.0,
    };
    let shown = stage.iter().filter_map(|(_, px)| *px).fold(most, f64::max);
    let top = (1.15 * shown).max((1.3 * limit).min(6.0 * shown)).max(1.0);
    let finding = format!("the largest step is {most:.1} px");
    let svg = plot::over_tilt(record, "Steps of the field", &finding, "px", 0.0..top, |chart| {
        if limit < top {
            plot::limits_of_target(chart, record, "tracking_step", side)?;
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
