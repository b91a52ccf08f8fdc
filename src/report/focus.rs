//! Focus against tilt: underfocus and astigmatism with their uncertainties.

use crate::record::{Record, Tilt};
use crate::report::page::ReportError;
use crate::report::plot::{self, Shown, drawn};
use crate::report::theme::{BAND, LIMIT, SECOND};
use plotters::prelude::*;

/// Draws underfocus, with that of the tiles of a montage behind it; `None` where no tilt has one.
pub fn draw(shown: &Shown<'_>) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    let defocus = plot::per_tilt(record, |tilt| tilt.focus.as_ref()?.defocus_um);
    let tiles: Vec<(f64, f64)> = record.tilts.iter().flat_map(tile_points).collect();
    let wanted = record.measures.focus.wanted_um;
    let all: Vec<f64> = defocus.iter().filter_map(|(_, um)| *um).chain(tiles.iter().map(|(_, um)| *um)).collect();
    let Some(low) = all.iter().copied().reduce(f64::min) else { return Ok(None) };
    let high = all.iter().copied().fold(low, f64::max);
    let (low, high) = (wanted.map_or(low, |um| low.min(um)), wanted.map_or(high, |um| high.max(um)));
    let room = (0.12 * (high - low)).max(0.1);
    let measured = defocus.iter().filter(|(_, um)| um.is_some()).count();
    let slots = [
        ("measured", measured.to_string()),
        ("tilts", defocus.len().to_string()),
        ("low", format!("{low:.2}")),
        ("high", format!("{high:.2}")),
    ];
    let finding = words.told("focus", "finding", &slots);
    let range = low - room..high + room;
    let within = range.clone();
    let svg = plot::over_tilt(shown, "focus", &finding, range, |chart| {
        drawn(chart.draw_series(tiles.iter().map(|place| Circle::new(*place, 2, BAND.placeholder.filled()))))?;
        if let Some(wanted) = wanted {
            plot::aim(chart, shown, wanted)?;
            let limit = record.checks.iter().find(|check| check.id == "defocus_error").and_then(|check| check.caution);
            if let Some(crate::record::Limit::One(um)) = limit {
                for y in [wanted - um, wanted + um].into_iter().filter(|y| within.contains(y)) {
                    plot::level(chart, record, y, words.plot("marks", "caution"), &LIMIT)?;
                }
            }
        }
        bars(chart, record, &defocus, |tilt| tilt.focus.as_ref()?.error_um)?;
        plot::line_and_points(chart, record, &defocus, &plot::MEASURED, false)?;
        plot::missing(chart, record, &defocus)?;
        plot::excluded(chart, record, |at| defocus[at].1)
    })?;
    Ok(Some(svg))
}

fn tile_points(tilt: &Tilt) -> Vec<(f64, f64)> {
    if tilt.tiles.len() < 2 {
        return Vec::new();
    }
    let values = tilt.tiles.iter().filter_map(|tile| tile.focus.as_ref()?.defocus_um);
    values.map(|um| (tilt.tilt_deg, um)).collect()
}

/// Draws astigmatism; `None` where no tilt has one.
pub fn draw_astigmatism(shown: &Shown<'_>) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    let values = plot::per_tilt(record, |tilt| tilt.focus.as_ref()?.astigmatism_um);
    let Some(most) = values.iter().filter_map(|(_, um)| *um).reduce(f64::max) else { return Ok(None) };
    let finding = words.told("astigmatism", "finding", &[("most", format!("{most:.2}"))]);
    let limit = record.checks.iter().find(|check| check.id == "astigmatism").and_then(|check| check.caution);
    let limit = if let Some(crate::record::Limit::One(limit)) = limit { limit } else { most };
    let top = (1.25 * most).max(1.1 * limit.min(3.0 * most));
    let svg = plot::over_tilt(shown, "astigmatism", &finding, 0.0..top, |chart| {
        if limit < top {
            plot::limits(chart, shown, "astigmatism")?;
        }
        bars(chart, record, &values, |tilt| tilt.focus.as_ref()?.astigmatism_error_um)?;
        plot::missing(chart, record, &values)?;
        for (x, um) in &values {
            if let Some(um) = um {
                drawn(chart.draw_series([TriangleMarker::new(
                    (*x, *um),
                    plot::fitting(record, 6),
                    SECOND.placeholder.filled(),
                )]))?;
            }
        }
        Ok(())
    })?;
    Ok(Some(svg))
}

/// One standard uncertainty up and down.
fn bars(
    chart: &mut plot::TiltChart<'_, '_>,
    record: &Record,
    values: &[(f64, Option<f64>)],
    error: impl Fn(&Tilt) -> Option<f64>,
) -> Result<(), ReportError> {
    let lines = record.tilts.iter().zip(values).filter_map(|(tilt, (x, um))| {
        let (um, error) = ((*um)?, error(tilt)?);
        Some(PathElement::new(
            vec![(*x, um - error), (*x, um + error)],
            BAND.placeholder.stroke_width(plot::bar(record, 5)),
        ))
    });
    drawn(chart.draw_series(lines))?;
    Ok(())
}
