//! A control chart over time, drawn by plotters with the page's axes; points and lines as single paths, so that thousands
//! of sessions stay light.

use crate::compare::chart::{Chart, Point};
use crate::compare::signals::Signal;
use crate::ledger::figures::Scale;
use crate::report::axis::{Axis, near};
use crate::report::format::{fixed, significant};
use crate::report::page::ReportError;
use crate::report::plot::{drawn, label};
use crate::report::sentences::Sentences;
use crate::report::theme::{self, About, BAND, FAINT, INK};
use crate::report::words::Words;
use plotters::coord::ranged1d::{DefaultFormatting, KeyPointHint};
use plotters::prelude::*;
use std::fmt::Write;
use std::ops::Range;

const SIZE: (u32, u32) = (960, 280);
const RANGE_SIZE: (u32, u32) = (960, 170);

/// The chart of values; `None` where nothing can be drawn.
pub fn values(
    (words, sentences): (&Words, &Sentences),
    chart: &Chart,
    title: &str,
    finding: &str,
) -> Result<Option<String>, ReportError> {
    let scale = chart.watched.scale();
    let place = |value: f64| scale.to(value);
    let levels = chart.points.iter().flat_map(|point| {
        let sides = point.limits.into_iter().chain(point.weighted_limits).flatten();
        sides.chain([point.value]).filter_map(place).collect::<Vec<_>>()
    });
    let Some(range) = spread(levels.chain(chart.centre.and_then(place))) else { return Ok(None) };
    // A root is never negative, and neither is a share.
    let floor = if scale == Scale::Root { range.start.max(-0.02 * (range.end - range.start)) } else { range.start };
    let ticks = ticks(scale, floor..range.end, 5);
    let tick = |value: &f64| short(scale.back(*value));
    let unit = sentences.say(chart.watched.unit());
    let name = if unit.is_empty() { sentences.say(chart.watched.title()).to_lowercase() } else { unit.clone() };
    let frame = Frame { size: SIZE, title, finding, y_label: &name, ticks };
    let svg = frame.draw(&days(chart), floor..range.end, &tick, chart, |at| {
        let mut marks = String::new();
        let points = &chart.points;
        let line = |figure: &dyn Fn(usize) -> Option<f64>, style: &str| {
            let path = path_of(chart, &|place_at| figure(place_at).and_then(place), at);
            if path.is_empty() { path } else { format!("<path d=\"{path}\" {style}/>") }
        };
        for side in [0, 1] {
            marks += &line(&|at| points[at].limits.map(|limits| limits[side]), "class=\"limit\"");
            marks += &line(&|at| points[at].weighted_limits.map(|limits| limits[side]), "class=\"mean-limit\"");
        }
        marks += &line(&|at| chart.centre.filter(|_| points[at].z.is_some()), "class=\"centre\"");
        marks += &line(&|at| Some(points[at].value), "class=\"run\"");
        marks += &line(&|at| points[at].weighted, "class=\"mean\"");
        let (mut dots, mut told) = (String::new(), Vec::new());
        for point in points {
            if let Some(value) = place(point.value) {
                let (x, y) = at(point.day, value);
                let _ = write!(dots, "M{x} {y}h0");
                told.push(sentence(words, point, &unit));
            }
        }
        let told = theme::escape(&told.join("|"));
        let _ = write!(marks, "<path d=\"{dots}\" class=\"dots\" data-told=\"{told}\"/>");
        marks + &stand_out(chart, &place, at)
    })?;
    Ok(Some(svg))
}

/// A session's point in words.
fn sentence(words: &Words, point: &Point, unit: &str) -> String {
    let value = significant(point.value);
    let limits = point
        .limits
        .map(|[low, high]| words.told("control", "limits", &[("low", significant(low)), ("high", significant(high))]));
    let series = if point.series == 1 {
        String::new()
    } else {
        words.told("control", "mean", &[("series", point.series.to_string())])
    };
    let space = if unit.is_empty() { "" } else { " " };
    format!("{}: {value}{space}{unit}{series}{}", date(point.day), limits.unwrap_or_default())
}

/// The chart of moving ranges, on the figure's scale.
pub fn ranges(words: &Words, chart: &Chart, title: &str) -> Result<Option<String>, ReportError> {
    let Some(limit) = chart.range_limit else { return Ok(None) };
    let highest = chart.points.iter().filter_map(|point| point.range).fold(limit, f64::max);
    let beyond = chart.points.iter().filter(|point| point.range.is_some_and(|range| range > limit)).count();
    let finding = words.told("ranges", "finding", &[("beyond", beyond.to_string())]);
    let y_label = match chart.watched.scale() {
        Scale::Plain => words.plot("ranges", "plain"),
        Scale::Log => words.plot("ranges", "log"),
        Scale::Root => words.plot("ranges", "root"),
    };
    let tick = |value: &f64| short(*value);
    let ticks = ticks(Scale::Plain, 0.0..1.1 * highest, 3);
    let frame = Frame { size: RANGE_SIZE, title, finding: &finding, y_label, ticks };
    let svg = frame.draw(&days(chart), 0.0..1.1 * highest, &tick, chart, |at| {
        let range = path_of(chart, &|place| chart.points[place].range, at);
        let level = path_of(chart, &|_| Some(limit), at);
        let mut dots = String::new();
        for point in &chart.points {
            if let Some(range) = point.range {
                let (x, y) = at(point.day, range);
                let _ = write!(dots, "M{x} {y}h0");
            }
        }
        format!(
            "<path d=\"{level}\" class=\"limit\"/><path d=\"{range}\" class=\"run\"/><path d=\"{dots}\" class=\"dots\"/>"
        )
    })?;
    Ok(Some(svg))
}

/// Where a value of a day comes to lie.
type Place<'a> = &'a dyn Fn(f64, f64) -> (i32, i32);

/// An upright axis with levels of one's own.
struct Levels {
    range: Range<f64>,
    ticks: Vec<f64>,
}

impl Ranged for Levels {
    type FormatOption = DefaultFormatting;
    type ValueType = f64;

    fn range(&self) -> Range<f64> {
        self.range.clone()
    }

    fn map(&self, value: &f64, (from, to): (i32, i32)) -> i32 {
        let share = (near(*value, &self.range) - self.range.start) / (self.range.end - self.range.start);
        from + (f64::from(to - from) * share).round() as i32
    }

    fn key_points<Hint: KeyPointHint>(&self, _: Hint) -> Vec<f64> {
        self.ticks.clone()
    }
}

/// What stands around the marks.
struct Frame<'a> {
    size: (u32, u32),
    title: &'a str,
    finding: &'a str,
    y_label: &'a str,
    /// Levels with a line and a label, on the figure's scale.
    ticks: Vec<f64>,
}

impl Frame<'_> {
    fn draw(
        &self,
        days: &Range<f64>,
        y: Range<f64>,
        tick: &dyn Fn(&f64) -> String,
        chart: &Chart,
        marks: impl FnOnce(Place<'_>) -> String,
    ) -> Result<String, ReportError> {
        let mut svg = String::new();
        let added;
        {
            let root = SVGBackend::with_string(&mut svg, self.size).into_drawing_area();
            let mut builder = ChartBuilder::on(&root);
            builder.margin(8).margin_right(20).x_label_area_size(30).y_label_area_size(84);
            let mut plane =
                drawn(builder.build_cartesian_2d(
                    Axis::new(days.clone()),
                    Levels { range: y.clone(), ticks: self.ticks.clone() },
                ))?;
            if let Some(baseline) = baseline_days(chart) {
                let corners = [(baseline.start, y.start), (baseline.end, y.end)];
                drawn(plane.draw_series([Rectangle::new(corners, BAND.placeholder.mix(0.35).filled())]))?;
            }
            let mut mesh = plane.configure_mesh();
            mesh.bold_line_style(FAINT.placeholder).light_line_style(TRANSPARENT).axis_style(INK.placeholder);
            mesh.label_style(label(&INK)).axis_desc_style(label(&INK));
            mesh.x_labels(7).y_labels(self.ticks.len()).y_desc(self.y_label);
            mesh.x_label_formatter(&|day| date(*day));
            let y_format = |value: &f64| tick(value);
            mesh.y_label_formatter(&y_format);
            drawn(mesh.draw())?;
            added = marks(&|day, value| plane.backend_coord(&(day, value)));
            drop(plane);
            drawn(root.present())?;
        }
        let whole = svg.trim_end().trim_end_matches("</svg>").to_owned() + &added + "</svg>";
        Ok(theme::apply(&whole, self.size, &About { title: self.title, finding: self.finding, x_axis: None }))
    }
}

/// Signals by shape: a full square beyond the limit, an open diamond where a run is completed, a triangle where the
/// weighted mean passes its limit.
fn stand_out(chart: &Chart, place: &dyn Fn(f64) -> Option<f64>, at: Place<'_>) -> String {
    let mut marks = String::new();
    let shown = |signal: &Signal| signal.told..=signal.until;
    for (point_at, point) in chart.points.iter().enumerate() {
        let kinds = chart.signals.iter().filter(|signal| shown(signal).contains(&point_at)).map(|signal| signal.kind);
        let Some(lowest) = kinds.min() else { continue };
        let Some(value) = place(point.value) else { continue };
        let (x, y) = at(point.day, value);
        let _ = match lowest {
            1 => write!(marks, "<path d=\"M{} {}h11v11h-11z\" class=\"beyond\"/>", x - 5, y - 5),
            9 => write!(marks, "<path d=\"M{x} {}l7 12h-14z\" class=\"drift\"/>", y - 8),
            _ => write!(marks, "<path d=\"M{x} {}l8 8l-8 8l-8 -8z\" class=\"completed\"/>", y - 8),
        };
    }
    marks
}

/// A line through the points, broken by pauses and by what is missing.
fn path_of(chart: &Chart, figure: &dyn Fn(usize) -> Option<f64>, at: Place<'_>) -> String {
    let mut path = String::new();
    for piece in chart.pieces() {
        let mut pen_down = false;
        for place in piece {
            let Some(value) = figure(place) else {
                pen_down = false;
                continue;
            };
            let (x, y) = at(chart.points[place].day, value);
            let _ = write!(path, "{}{x} {y}", if pen_down { 'L' } else { 'M' });
            pen_down = true;
        }
    }
    path
}

fn days(chart: &Chart) -> Range<f64> {
    let (first, last) = (chart.points.first(), chart.points.last());
    let (first, last) = (first.map_or(0.0, |point| point.day), last.map_or(1.0, |point| point.day));
    let room = (0.02 * (last - first)).max(0.5);
    first - room..last + room
}

fn baseline_days(chart: &Chart) -> Option<Range<f64>> {
    let mut days = chart.points.iter().filter(|point| point.in_baseline && point.z.is_some()).map(|point| point.day);
    let first = days.next()?;
    let last = days.next_back().unwrap_or(first);
    Some(first - 0.3..last + 0.3)
}

fn spread(values: impl Iterator<Item = f64>) -> Option<Range<f64>> {
    let (low, high) = values
        .filter(|value| value.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
    let room = (0.06 * (high - low)).max(1e-9 + 1e-3 * high.abs());
    (low <= high).then_some(low - room..high + room)
}

/// About so many round values within a range of the figure's scale, as places on that scale.
fn ticks(scale: Scale, range: Range<f64>, number: usize) -> Vec<f64> {
    let (low, high) = (scale.back(range.start), scale.back(range.end));
    let mut values: Vec<f64> = Vec::new();
    // Over less than a doubling a logarithm is nearly straight.
    if scale == Scale::Log && high > 2.0 * low {
        let sets: [&[f64]; 3] = [&[1.0, 1.5, 2.0, 3.0, 5.0, 7.0], &[1.0, 2.0, 5.0], &[1.0]];
        for set in sets {
            let decades = low.log10().floor() as i32..=high.log10().ceil() as i32;
            let all = decades.flat_map(|decade| set.iter().map(move |digit| digit * 10f64.powi(decade)));
            values = all.filter(|value| (low..=high).contains(value)).collect();
            if values.len() <= number + 1 {
                break;
            }
        }
    } else {
        let rough = (high - low) / number as f64;
        let decade = 10f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|digit| digit * decade).find(|step| *step >= rough);
        let step = step.unwrap_or(10.0 * decade);
        let first = (low / step).ceil() as i64;
        values.extend((first..).map(|at| at as f64 * step).take_while(|value| *value <= high));
    }
    values.into_iter().filter_map(|value| scale.to(value)).collect()
}

/// A round value without digits that say nothing.
fn short(value: f64) -> String {
    let text = fixed(value, 6);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn date(day: f64) -> String {
    let time = jiff::Timestamp::from_second((day * 86_400.0) as i64);
    time.map(|time| time.strftime("%Y-%m-%d").to_string()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_in_the_figures_own_unit() {
        let values = |scale: Scale, low: f64, high: f64| -> Vec<String> {
            let range = scale.to(low).unwrap()..scale.to(high).unwrap();
            ticks(scale, range, 5).into_iter().map(|at| short(scale.back(at))).collect()
        };
        assert_eq!(values(Scale::Log, 0.055, 0.28), ["0.07", "0.1", "0.15", "0.2"]);
        assert_eq!(values(Scale::Log, 0.02, 30.0), ["0.1", "1", "10"]);
        assert_eq!(values(Scale::Root, 0.5, 9.0), ["2", "4", "6", "8"]);
        assert_eq!(values(Scale::Plain, -0.31, 0.42), ["-0.2", "0", "0.2", "0.4"]);
        assert_eq!(values(Scale::Log, 0.24, 0.36), ["0.25", "0.3", "0.35"].map(str::to_owned).to_vec());
    }
}
