//! The outlook on alignment over tilt: how long tracks live, and what the model leaves of them.

use crate::record::evidence::Curves;
use crate::report::page::ReportError;
use crate::report::plot::{self, Shown, drawn};
use crate::report::theme::{DATA, FAIL, SECOND};
use plotters::prelude::*;

/// One bar a track, over the tilts at which it was seen, in the order in which they begin, so that hundreds of them have a
/// shape; outliers as crosses. `None` without tracks.
pub fn lives(shown: &Shown<'_>, curves: &Curves) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    let Some(alignment) = curves.alignment.as_ref().filter(|alignment| !alignment.tracks.is_empty()) else {
        return Ok(None);
    };
    let count = alignment.tracks.len();
    let deg = |tilt: usize| record.tilts.get(tilt).map_or(f64::NAN, |tilt| tilt.tilt_deg);
    let half = 0.5 * record.measures.coverage.step_deg.unwrap_or(2.0);
    let tick = |value: &f64| format!("{value:.0}");
    let share = record.measures.alignment.followed_fraction.unwrap_or(0.0);
    let slots = [("tracks", count.to_string()), ("percent", format!("{:.0}", 100.0 * share))];
    let finding = words.told("lives", "finding", &slots);
    let range = -1.0..count as f64;
    plot::over_tilt_with(shown, "lives", &finding, range, (6, &tick), |chart| {
        let mut tracks: Vec<_> = alignment.tracks.iter().collect();
        tracks.sort_by_key(|track| track.sights.first().map(|sight| sight.tilt));
        for (row, track) in tracks.into_iter().enumerate() {
            let y = row as f64;
            let bars = runs(track.sights.iter().filter(|sight| sight.used).map(|sight| sight.tilt));
            let bars = bars.into_iter().map(|(first, last)| {
                let corners = [(deg(first) - half, y - 0.32), (deg(last) + half, y + 0.32)];
                Rectangle::new(corners, DATA.placeholder.filled())
            });
            drawn(chart.draw_series(bars))?;
            let out = track.sights.iter().filter(|sight| !sight.used);
            let out = out.map(|sight| Cross::new((deg(sight.tilt), y), 2, FAIL.placeholder.stroke_width(1)));
            drawn(chart.draw_series(out))?;
        }
        Ok(())
    })
    .map(Some)
}

/// First and last of each run of neighbours.
fn runs(tilts: impl Iterator<Item = usize>) -> Vec<(usize, usize)> {
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for tilt in tilts {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == tilt => *last = tilt,
            _ => runs.push((tilt, tilt)),
        }
    }
    runs
}

/// What the model leaves of a tilt's tracks, and the uncertainty of its shift. `None` where nothing was fitted.
pub fn residuals(shown: &Shown<'_>) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    let residual = plot::per_tilt(record, |tilt| tilt.alignment.as_ref()?.residual_px);
    let error = plot::per_tilt(record, |tilt| tilt.alignment.as_ref()?.shift_error_px);
    let highest = residual.iter().chain(&error).filter_map(|(_, value)| *value).fold(0.0, f64::max);
    if highest <= 0.0 {
        return Ok(None);
    }
    let rms = record.measures.alignment.residual_rms_px.unwrap_or(0.0);
    let finding = words.told("residuals", "finding", &[("rms", format!("{rms:.2}"))]);
    plot::over_tilt(shown, "residuals", &finding, 0.0..1.15 * highest, |chart| {
        plot::line_and_points(chart, record, &residual, &DATA, false)?;
        plot::line_and_points(chart, record, &error, &SECOND, true)?;
        plot::excluded(chart, record, |at| residual[at].1)
    })
    .map(Some)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn neighbours_make_one_bar() {
        assert_eq!(runs([0, 1, 2, 5, 7, 8].into_iter()), [(0, 2), (5, 5), (7, 8)]);
    }
}
