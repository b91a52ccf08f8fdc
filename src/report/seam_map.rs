//! Every seam at every tilt: a mark whose shape tells the grade of its residual, its size the residual itself.

use crate::record::{Check, Limit, Seam};
use crate::report::page::ReportError;
use crate::report::plot::{self, Shown, drawn};
use crate::report::theme::{DATA, FAIL, INK, LIMIT};
use plotters::prelude::*;

/// Largest radius of a mark.
const LARGEST_PX: i32 = 9;

/// How a seam is marked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// Not measured: a dash.
    None,
    /// Within the limits: a disc.
    Good,
    /// Beyond the first: an open square.
    Caution,
    /// Beyond the second: a full square.
    Fail,
}

/// The mark of a seam by the limits of the residual check.
pub fn mark(seam: &Seam, check: Option<&Check>) -> Mark {
    let Some(residual) = seam.residual_rms_px.or(seam.distortion_rms_px) else { return Mark::None };
    let over = |limit: Option<Limit>| matches!(limit, Some(Limit::One(limit)) if residual > limit);
    match check {
        Some(check) if over(check.fail) => Mark::Fail,
        Some(check) if over(check.caution) => Mark::Caution,
        _ => Mark::Good,
    }
}

/// Name of a seam for people: columns and rows count from 1.
pub fn name(seam: &Seam) -> String {
    let tile = |[col, row]: [usize; 2]| format!("{},{}", col + 1, row + 1);
    format!("{}–{}", tile(seam.from), tile(seam.to))
}

/// Draws the map; `None` where the series has no seams.
pub fn draw(shown: &Shown<'_>) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    let mut names: Vec<([usize; 2], [usize; 2], String)> = Vec::new();
    for seam in record.tilts.iter().filter_map(|tilt| tilt.seams.as_ref()).flatten() {
        if names.iter().all(|(from, to, _)| (*from, *to) != (seam.from, seam.to)) {
            names.push((seam.from, seam.to, name(seam)));
        }
    }
    let Some(measured) = record.measures.seams.as_ref().filter(|seams| seams.measured) else { return Ok(None) };
    let check = record.checks.iter().find(|check| check.id == "seam_residual");
    let worst = measured.residual_rms_px.unwrap_or(0.0);
    let slots = [("seams", names.len().to_string()), ("rms", format!("{worst:.2}"))];
    let finding = words.told("seams", "finding", &slots);
    let n = names.len() as f64;
    let biggest = record
        .tilts
        .iter()
        .filter_map(|tilt| tilt.seams.as_ref())
        .flatten()
        .filter_map(|seam| seam.residual_rms_px)
        .fold(1.0, f64::max);
    let tick = |y: &f64| {
        let row = y.round();
        let named = names.get(row as usize).filter(|_| (y - row).abs() < 1e-6 && row >= 0.0);
        named.map(|(_, _, name)| name.clone()).unwrap_or_default()
    };
    let ticks = (names.len() + 1, &tick as &dyn Fn(&f64) -> String);
    let svg = plot::over_tilt_with(shown, "seams", &finding, -0.6..n - 0.4, ticks, |chart| {
        for (row, (from, to, _)) in names.iter().enumerate() {
            for tilt in &record.tilts {
                let seams = tilt.seams.as_deref().unwrap_or_default();
                let Some(seam) = seams.iter().find(|seam| (seam.from, seam.to) == (*from, *to)) else { continue };
                let size = f64::from(plot::fitting(record, LARGEST_PX))
                    * (seam.residual_rms_px.unwrap_or(0.0) / biggest).sqrt();
                let place = (tilt.tilt_deg, row as f64);
                let size = size.max(1.5).round() as i32;
                match mark(seam, check) {
                    Mark::None => draw_mark(chart, place, Mark::None, plot::fitting(record, 4))?,
                    other => draw_mark(chart, place, other, size)?,
                }
            }
        }
        Ok(())
    })?;
    Ok(Some(svg))
}

fn draw_mark(chart: &mut plot::TiltChart<'_, '_>, place: (f64, f64), mark: Mark, size: i32) -> Result<(), ReportError> {
    let square = |filled: bool| {
        let style = if filled { FAIL.placeholder.filled() } else { LIMIT.placeholder.stroke_width(2) };
        EmptyElement::at(place) + Rectangle::new([(-size, -size), (size, size)], style)
    };
    match mark {
        Mark::None => {
            let dash =
                EmptyElement::at(place) + PathElement::new([(-size, 0), (size, 0)], INK.placeholder.stroke_width(2));
            drawn(chart.draw_series([dash]))?;
        }
        Mark::Good => {
            drawn(chart.draw_series([Circle::new(place, size, DATA.placeholder.filled())]))?;
        }
        Mark::Caution => {
            drawn(chart.draw_series([square(false)]))?;
        }
        Mark::Fail => {
            drawn(chart.draw_series([square(true)]))?;
        }
    }
    Ok(())
}
