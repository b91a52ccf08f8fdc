//! Place of the field over tilt: where the zero tilt's centre feature is found.

use crate::report::page::ReportError;
use crate::report::plot::{self, Shown, drawn, label};
use crate::report::theme::{FAIL, INK, SECOND};
use plotters::prelude::*;

/// Draws the trace; `None` where the field was not followed.
pub fn draw(shown: &Shown<'_>) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    let x = plot::per_tilt(record, |tilt| tilt.tracking.as_ref()?.shift_x_px);
    let y = plot::per_tilt(record, |tilt| tilt.tracking.as_ref()?.shift_y_px);
    let all = || x.iter().chain(&y).filter_map(|(_, value)| *value);
    if all().count() < 4 {
        return Ok(None);
    }
    let (low, high) = (all().fold(0.0, f64::min), all().fold(0.0, f64::max));
    let room = 0.12 * (high - low).max(4.0);
    let slots = [("low", format!("{low:.0}")), ("high", format!("{high:.0}"))];
    let finding = words.told("positions", "finding", &slots);
    let jumped: Vec<f64> = record
        .checks
        .iter()
        .filter(|check| check.id == "tracking_step")
        .flat_map(|check| check.tilts_deg.iter().copied())
        .collect();
    let svg = plot::over_tilt(shown, "positions", &finding, low - room..high + room, |chart| {
        plot::line_and_points(chart, record, &x, &plot::MEASURED, false)?;
        plot::line_and_points(chart, record, &y, &SECOND, true)?;
        for (points, name) in [(&x, "x"), (&y, "y")] {
            let last = points.iter().rev().find_map(|(deg, value)| value.map(|value| (*deg, value)));
            let named = last.map(|place| EmptyElement::at(place) + Text::new(name, (8, -7), label(&INK)));
            drawn(chart.draw_series(named))?;
        }
        let marked = record.tilts.iter().enumerate().filter(|(_, tilt)| jumped.contains(&tilt.tilt_deg));
        let marks = marked.filter_map(|(at, tilt)| x[at].1.map(|value| (tilt.tilt_deg, value)));
        let marks =
            marks.map(|place| Circle::new(place, 3 * plot::fitting(record, 3), FAIL.placeholder.stroke_width(2)));
        drawn(chart.draw_series(marks))?;
        plot::missing(chart, record, &x)?;
        plot::excluded(chart, record, |at| x[at].1)
    })?;
    Ok(Some(svg))
}
