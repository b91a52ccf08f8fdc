//! The fit of axis offset and height with its data.

use crate::record::evidence::Curves;
use crate::report::page::ReportError;
use crate::report::plot::{self, Shown, drawn};
use crate::report::theme::{DATA, SECOND};
use plotters::prelude::*;

/// Draws the fit; `None` where geometry was not measured.
pub fn draw(shown: &Shown<'_>, curves: &Curves) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    let Some(geometry) = record.measures.geometry.as_ref().filter(|geometry| geometry.measured) else {
        return Ok(None);
    };
    let (Some(d), Some(z)) = (geometry.axis_offset_um, geometry.height_offset_um) else { return Ok(None) };
    // Pieces are brought together by their constants, so that one curve fits all.
    let constant = |piece: usize| geometry.piece_constants_um.get(piece).copied().unwrap_or(0.0);
    let points: Vec<(f64, f64)> = record
        .tilts
        .iter()
        .zip(&curves.tilts)
        .filter_map(|(tilt, curves)| Some((tilt.tilt_deg, curves.across_um? - constant(curves.piece))))
        .collect();
    let model = |deg: f64| d * (deg.to_radians().cos() - 1.0) + z * deg.to_radians().sin();
    let angles = plot::angle_range(record);
    let line: Vec<(f64, f64)> = (0..=120)
        .map(|i| angles.start + (angles.end - angles.start) * f64::from(i) / 120.0)
        .map(|deg| (deg, model(deg)))
        .collect();
    let all = || points.iter().chain(&line).map(|(_, y)| *y);
    let (low, high) = (all().fold(0.0, f64::min), all().fold(0.0, f64::max));
    let room = 0.1 * (high - low).max(0.02);
    let rms = geometry.fit_rms_um.unwrap_or(0.0);
    let slots = [("axis", format!("{d:+.2}")), ("height", format!("{z:+.2}")), ("scatter", format!("{rms:.3}"))];
    let finding = words.told("geometry", "finding", &slots);
    let range = low - room..high + room;
    let svg = plot::over_tilt(shown, "geometry", &finding, range, |chart| {
        drawn(chart.draw_series(LineSeries::new(line.iter().copied(), SECOND.placeholder.stroke_width(2))))?;
        drawn(chart.draw_series(
            points.iter().map(|&place| Circle::new(place, plot::fitting(record, 4), DATA.placeholder.filled())),
        ))?;
        Ok(())
    })?;
    Ok(Some(svg))
}
