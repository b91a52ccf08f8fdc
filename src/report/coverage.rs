//! Coverage as a fan: a spoke for each view at its angle, what is left out crossed, the missing wedge empty.

use crate::report::page::ReportError;
use crate::report::plot::{Shown, drawn, label};
use crate::report::theme::{self, About, DATA, FAIL, FAINT, INK};
use plotters::prelude::*;

const SIZE: (u32, u32) = (640, 350);
const CENTRE: (f64, f64) = (320.0, 325.0);
const RADIUS: f64 = 265.0;

/// A point of the fan: 0° is straight up, positive angles to the right.
fn at(tilt_deg: f64, radius: f64) -> (i32, i32) {
    let (sin, cos) = tilt_deg.to_radians().sin_cos();
    ((CENTRE.0 + radius * sin).round() as i32, (CENTRE.1 - radius * cos).round() as i32)
}

/// Draws the fan.
pub fn draw(shown: &Shown<'_>) -> Result<String, ReportError> {
    let Shown { record, words } = *shown;
    let mut svg = String::new();
    let coverage = &record.verdict.coverage_after;
    {
        let root = SVGBackend::with_string(&mut svg, SIZE).into_drawing_area();
        let arc = |from: f64, to: f64, radius: f64| -> Vec<(i32, i32)> {
            (0..=90).map(|i| at(from + (to - from) * f64::from(i) / 90.0, radius)).collect()
        };
        drawn(root.draw(&PathElement::new(arc(-90.0, 90.0, RADIUS), FAINT.placeholder.stroke_width(2))))?;
        drawn(
            root.draw(&PathElement::new(vec![at(-90.0, RADIUS), at(90.0, RADIUS)], FAINT.placeholder.stroke_width(2))),
        )?;
        drawn(root.draw(&PathElement::new(
            arc(coverage.min_deg, coverage.max_deg, RADIUS + 8.0),
            DATA.placeholder.stroke_width(4),
        )))?;
        for tilt in &record.tilts {
            // Spokes of a fine step keep white between them.
            let kept = if coverage.step_deg.is_some_and(|step| step < 1.5) { 1 } else { 2 };
            let (inner, role, width) = if tilt.exclude { (0.72, FAIL, 3) } else { (0.3, DATA, kept) };
            let spoke = vec![at(tilt.tilt_deg, RADIUS * inner), at(tilt.tilt_deg, RADIUS)];
            drawn(root.draw(&PathElement::new(spoke, role.placeholder.stroke_width(width))))?;
            if tilt.exclude {
                let end = at(tilt.tilt_deg, RADIUS * 0.67);
                drawn(root.draw(&Cross::new(end, 6, FAIL.placeholder.stroke_width(3))))?;
            }
        }
        for deg in [-90.0f64, -60.0, -30.0, 0.0, 30.0, 60.0, 90.0] {
            let (x, y) = at(deg, RADIUS + 30.0);
            let text = if deg == 0.0 { "0°".into() } else { format!("{deg:+.0}°").replace('-', "−") };
            let style = label(&INK).pos(plotters::style::text_anchor::Pos::new(
                plotters::style::text_anchor::HPos::Center,
                plotters::style::text_anchor::VPos::Center,
            ));
            drawn(root.draw(&Text::new(text, (x, y), style)))?;
        }
        drawn(root.present())?;
    }
    let slots = [("first", format!("{:+.1}", coverage.min_deg)), ("last", format!("{:+.1}", coverage.max_deg))];
    let finding = words.told("coverage", "finding", &slots);
    let about = About { title: words.plot("coverage", "title"), finding: &finding, x_axis: None };
    let plot = theme::apply(&svg, SIZE, &about);
    // Where a spoke lies, for the script that chooses tilts.
    let [x, y] = [CENTRE.0, CENTRE.1];
    Ok(plot.replacen("<svg ", &format!("<svg data-fan=\"{x} {y} {RADIUS}\" "), 1))
}
