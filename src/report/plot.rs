//! What all plots over tilt share: one width, one angle axis, the marks for points, limits and excluded tilts.

use crate::record::{Check, Limit, Record};
use crate::report::axis::Axis;
use crate::report::page::ReportError;
use crate::report::theme::{self, AIM, About, DATA, FAIL, FAINT, INK, LIMIT, Role};
use crate::report::words::Words;
use plotters::prelude::*;
use std::ops::Range;

/// Width and height of a plot over tilt.
pub const SIZE: (u32, u32) = (960, 300);
const FONT: &str = "sans-serif";
const LABEL_PX: i32 = 15;

/// A chart over tilt.
pub type TiltChart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<Axis, Axis>>;

/// What is drawn, and in which words.
#[derive(Clone, Copy)]
pub struct Shown<'a> {
    /// What was measured.
    pub record: &'a Record,
    /// Titles, axes, findings.
    pub words: &'a Words,
}

/// A label in a role's colour.
pub fn label(role: &Role) -> TextStyle<'static> {
    label_of(role, LABEL_PX)
}

/// A label of another size.
pub fn label_of(role: &Role, px: i32) -> TextStyle<'static> {
    (FONT, px).into_font().color(&role.placeholder)
}

/// A plotters error as one of ours.
pub fn drawn<T, E: std::fmt::Display>(result: Result<T, E>) -> Result<T, ReportError> {
    result.map_err(|error| ReportError::Plot(error.to_string()))
}

/// The range of angles, with room at both ends.
pub fn angle_range(record: &Record) -> Range<f64> {
    let coverage = &record.measures.coverage;
    let room = coverage.step_deg.unwrap_or(2.0).clamp(1.0, 6.0) * 1.2;
    coverage.min_deg - room..coverage.max_deg + room
}

/// Room that a tilt has on the angle axis, in px of the drawing.
fn spacing_px(record: &Record) -> f64 {
    let angles = angle_range(record);
    let width = f64::from(SIZE.0) - 110.0;
    width * record.measures.coverage.step_deg.unwrap_or(2.0).max(0.05) / (angles.end - angles.start)
}

/// Radius of a point, so that marks of neighbouring tilts do not touch.
pub fn fitting(record: &Record, most: i32) -> i32 {
    ((0.4 * spacing_px(record)) as i32).clamp(1, most)
}

/// Width of a bar that leaves its neighbours room.
pub fn bar(record: &Record, most: u32) -> u32 {
    ((0.65 * spacing_px(record)) as u32).clamp(1, most)
}

/// Short strokes along the angle axis where a tilt has no value, so that a gap is seen to be one.
pub fn missing(
    chart: &mut TiltChart<'_, '_>,
    record: &Record,
    points: &[(f64, Option<f64>)],
) -> Result<(), ReportError> {
    let floor = chart.y_range().start;
    let half = fitting(record, 4);
    let gaps = points.iter().filter(|(_, value)| value.is_none()).map(|(deg, _)| {
        let cross = [(-half, -9), (half, -9)];
        EmptyElement::at((*deg, floor)) + PathElement::new(cross, INK.placeholder.stroke_width(2))
    });
    drawn(chart.draw_series(gaps))?;
    Ok(())
}

/// Draws a plot over tilt: `draw` gets a chart with axes and adds what is measured. `plot` names its title and axis among
/// the words.
pub fn over_tilt(
    shown: &Shown<'_>,
    plot: &str,
    finding: &str,
    y: Range<f64>,
    draw: impl FnOnce(&mut TiltChart<'_, '_>) -> Result<(), ReportError>,
) -> Result<String, ReportError> {
    let decimals = decimals(y.end - y.start);
    let tick = move |value: &f64| super::format::fixed(*value, decimals);
    over_tilt_with(shown, plot, finding, y, (6, &tick), draw)
}

/// [`over_tilt`] with ticks of one's own on the upright axis: how many at most, and the text of each.
pub fn over_tilt_with(
    shown: &Shown<'_>,
    plot: &str,
    finding: &str,
    y: Range<f64>,
    (ticks, tick): (usize, &dyn Fn(&f64) -> String),
    draw: impl FnOnce(&mut TiltChart<'_, '_>) -> Result<(), ReportError>,
) -> Result<String, ReportError> {
    let mut svg = String::new();
    let angles = angle_range(shown.record);
    let span;
    {
        let root = SVGBackend::with_string(&mut svg, SIZE).into_drawing_area();
        let mut builder = ChartBuilder::on(&root);
        builder.margin(8).margin_right(16).x_label_area_size(44).y_label_area_size(78);
        let mut chart = drawn(builder.build_cartesian_2d(Axis::new(angles.clone()), Axis::new(y)))?;
        let mut mesh = chart.configure_mesh();
        mesh.bold_line_style(FAINT.placeholder).light_line_style(TRANSPARENT).axis_style(INK.placeholder);
        mesh.label_style(label(&INK)).axis_desc_style(label(&INK));
        mesh.x_labels(13).y_labels(ticks).x_desc(shown.words.plot("marks", "tilt")).y_desc(shown.words.plot(plot, "y"));
        mesh.x_label_formatter(&|deg| format!("{deg:.0}"));
        let y_format = |value: &f64| tick(value);
        mesh.y_label_formatter(&y_format);
        drawn(mesh.draw())?;
        draw(&mut chart)?;
        span = chart.plotting_area().get_pixel_range().0;
        drop(chart);
        drawn(root.present())?;
    }
    let x_axis = Some(([span.start, span.end], [angles.start, angles.end]));
    let title = shown.words.plot(plot, "title");
    Ok(theme::apply(&svg, SIZE, &About { title, finding, x_axis }))
}

fn decimals(range: f64) -> usize {
    if range >= 10.0 {
        0
    } else if range >= 1.0 {
        1
    } else {
        2
    }
}

/// Points joined by a line wherever both neighbours are measured.
pub fn line_and_points(
    chart: &mut TiltChart<'_, '_>,
    record: &Record,
    points: &[(f64, Option<f64>)],
    role: &Role,
    small: bool,
) -> Result<(), ReportError> {
    for run in points.split(|(_, value)| value.is_none()) {
        let run: Vec<(f64, f64)> = run.iter().filter_map(|(x, value)| value.map(|y| (*x, y))).collect();
        drawn(chart.draw_series(LineSeries::new(run.iter().copied(), role.placeholder.stroke_width(2))))?;
        let radius = fitting(record, if small { 2 } else { 4 });
        let dots = run.iter().map(|&point| Circle::new(point, radius, role.placeholder.filled()));
        drawn(chart.draw_series(dots))?;
    }
    Ok(())
}

/// A dashed level with its name at the left end.
pub fn level(
    chart: &mut TiltChart<'_, '_>,
    record: &Record,
    y: f64,
    name: &str,
    role: &Role,
) -> Result<(), ReportError> {
    let angles = angle_range(record);
    let ends = [(angles.start, y), (angles.end, y)];
    let line = DashedLineSeries::new(ends, 6, 5, role.placeholder.stroke_width(2));
    drawn(chart.draw_series(line))?;
    let place = (angles.start + 0.01 * (angles.end - angles.start), y);
    let above = EmptyElement::at(place) + Text::new(name.to_owned(), (0, -18), label(role));
    drawn(chart.draw_series([above]))?;
    Ok(())
}

/// The limits of a check, where it has one-sided ones.
pub fn limits(chart: &mut TiltChart<'_, '_>, shown: &Shown<'_>, id: &str) -> Result<(), ReportError> {
    limits_of_target(chart, shown, id, 1.0)
}

/// A limit that stands a factor off a target.
pub fn limits_of_target(
    chart: &mut TiltChart<'_, '_>,
    shown: &Shown<'_>,
    id: &str,
    target: f64,
) -> Result<(), ReportError> {
    let Some(check) = shown.record.checks.iter().find(|check| check.id == id) else { return Ok(()) };
    for (limit, name, role) in two_limits(check, shown.words) {
        if let Some(Limit::One(factor)) = limit {
            level(chart, shown.record, factor * target, name, role)?;
        }
    }
    Ok(())
}

/// The limits of a check, each with its name and role.
pub fn two_limits<'a>(check: &Check, words: &'a Words) -> [(Option<Limit>, &'a str, &'static Role); 2] {
    [(check.caution, words.plot("marks", "caution"), &LIMIT), (check.fail, words.plot("marks", "fail"), &FAIL)]
}

/// What was aimed at.
pub fn aim(chart: &mut TiltChart<'_, '_>, shown: &Shown<'_>, y: f64) -> Result<(), ReportError> {
    level(chart, shown.record, y, shown.words.plot("marks", "target"), &AIM)
}

/// A cross over every tilt that is left out.
pub fn excluded(
    chart: &mut TiltChart<'_, '_>,
    record: &Record,
    value: impl Fn(usize) -> Option<f64>,
) -> Result<(), ReportError> {
    // A tilt that is left out is seen to be, though it has no value.
    let floor = chart.y_range().start;
    let out = record.tilts.iter().enumerate().filter(|(_, tilt)| tilt.exclude);
    let places: Vec<(f64, f64)> = out.map(|(at, tilt)| (tilt.tilt_deg, value(at).unwrap_or(floor))).collect();
    let crosses =
        places.into_iter().map(|place| Cross::new(place, 2 * fitting(record, 4), FAIL.placeholder.stroke_width(3)));
    drawn(chart.draw_series(crosses))?;
    Ok(())
}

/// One measured figure a tilt.
pub fn per_tilt(record: &Record, figure: impl Fn(&crate::record::Tilt) -> Option<f64>) -> Vec<(f64, Option<f64>)> {
    record.tilts.iter().map(|tilt| (tilt.tilt_deg, figure(tilt))).collect()
}

/// The default role of what is measured.
pub const MEASURED: Role = DATA;
