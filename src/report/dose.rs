//! Dose against tilt: what each tilt had received, and the amplitude that radiation damage leaves.

use crate::record::evidence::Curves;
use crate::report::page::ReportError;
use crate::report::plot::{self, Shown, drawn, label};
use crate::report::theme::{BAND, DATA, INK, SECOND};
use plotters::prelude::*;

/// Draws dose received before and after each tilt; `None` where it is not known.
pub fn draw(shown: &Shown<'_>) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    let after = plot::per_tilt(record, |tilt| tilt.dose.after_e_per_A2);
    let Some(most) = after.iter().filter_map(|(_, dose)| *dose).reduce(f64::max) else { return Ok(None) };
    let least = record.tilts.iter().filter_map(|tilt| tilt.dose.before_e_per_A2).fold(most, f64::min);
    let room = 0.08 * (most - least).max(1.0);
    let slots = [("least", format!("{least:.1}")), ("most", format!("{most:.1}"))];
    let finding = words.told("dose", "finding", &slots);
    let range = (least - room).max(0.0)..most + room;
    let svg = plot::over_tilt(shown, "dose", &finding, range, |chart| {
        let bars = record.tilts.iter().filter_map(|tilt| {
            let line = vec![(tilt.tilt_deg, tilt.dose.before_e_per_A2?), (tilt.tilt_deg, tilt.dose.after_e_per_A2?)];
            Some(PathElement::new(line, BAND.placeholder.stroke_width(plot::bar(record, 7))))
        });
        drawn(chart.draw_series(bars))?;
        let dots = after.iter().filter_map(|(x, dose)| dose.map(|dose| (*x, dose)));
        drawn(
            chart
                .draw_series(dots.map(|place| Circle::new(place, plot::fitting(record, 4), DATA.placeholder.filled()))),
        )?;
        plot::missing(chart, record, &after)?;
        plot::excluded(chart, record, |at| after[at].1)
    })?;
    Ok(Some(svg))
}

/// Resolutions whose weights are drawn.
const DRAWN_NM: [f64; 3] = [0.5, 1.0, 2.0];

/// Draws the weights at a few resolutions; `None` where there are none.
pub fn draw_weights(shown: &Shown<'_>, curves: &Curves) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    if curves.tilts.iter().all(|tilt| tilt.weights.is_empty()) {
        return Ok(None);
    }
    let finding = words.plot("weights", "finding");
    let svg = plot::over_tilt(shown, "weights", finding, 0.0..1.05, |chart| {
        for nm in DRAWN_NM {
            let Some(at) = curves.weight_resolution_nm.iter().position(|&r| (r - nm).abs() < 1e-9) else { continue };
            let tilts = record.tilts.iter().zip(&curves.tilts);
            let points: Vec<(f64, Option<f64>)> =
                tilts.map(|(tilt, curves)| (tilt.tilt_deg, curves.weights.get(at).copied())).collect();
            let role = if nm < 0.8 { &SECOND } else { &plot::MEASURED };
            plot::line_and_points(chart, record, &points, role, true)?;
            let best = points.iter().filter_map(|(x, y)| y.map(|y| (*x, y))).max_by(|a, b| a.1.total_cmp(&b.1));
            if let Some(place) = best {
                let name = EmptyElement::at(place) + Text::new(format!("{nm} nm"), (8, 2), label(&INK));
                drawn(chart.draw_series([name]))?;
            }
        }
        Ok(())
    })?;
    Ok(Some(svg))
}
