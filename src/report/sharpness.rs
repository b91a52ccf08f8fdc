//! Sharpness against tilt: fine detail over what the neighbours predict, and what a motion took along its direction.

use crate::report::page::ReportError;
use crate::report::plot::{self, Shown, drawn};
use crate::report::theme::SECOND;
use plotters::prelude::*;

/// Draws the plot; `None` where nothing was measured.
pub fn draw(shown: &Shown<'_>) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    let relative = plot::per_tilt(record, |tilt| tilt.sharpness.relative);
    let losses = plot::per_tilt(record, |tilt| tilt.sharpness.directional_loss.filter(|&loss| loss > 0.0));
    let Some(lowest) = relative.iter().filter_map(|(_, value)| *value).reduce(f64::min) else { return Ok(None) };
    let highest = relative.iter().filter_map(|(_, value)| *value).fold(1.2, f64::max);
    let smeared = losses.iter().filter(|(_, loss)| loss.is_some()).count();
    let slots = [("lowest", format!("{lowest:.2}")), ("smeared", smeared.to_string())];
    let finding = words.told("sharpness", "finding", &slots);
    let svg = plot::over_tilt(shown, "sharpness", &finding, 0.0..highest * 1.05, |chart| {
        plot::limits(chart, shown, "sharpness_drop")?;
        plot::line_and_points(chart, record, &relative, &plot::MEASURED, false)?;
        let marks = losses.iter().filter_map(|(x, loss)| loss.map(|loss| (*x, loss)));
        let marks =
            marks.map(|place| TriangleMarker::new(place, 2 * plot::fitting(record, 4), SECOND.placeholder.filled()));
        drawn(chart.draw_series(marks))?;
        plot::missing(chart, record, &relative)?;
        plot::excluded(chart, record, |at| relative[at].1)
    })?;
    Ok(Some(svg))
}
