//! The page of a trial: a curve for every kind of fault, and how often sound series are flagged.

use crate::report::axis::Axis;
use crate::report::page::ReportError;
use crate::report::plot::{drawn, label};
use crate::report::sentences::Sentences;
use crate::report::templates::{environment, part};
use crate::report::theme::{self, About, DATA, FAINT, INK, LIMIT};
use crate::report::words::Words;
use crate::trial::outcome::{FaultTrial, Trial};
use crate::trial::words;
use minijinja::{Value, context};
use plotters::prelude::*;
use std::path::Path;

const SIZE: (u32, u32) = (480, 240);

/// Makes the page; it loads nothing from outside. `templates` as for a report.
///
/// # Errors
/// A template that cannot be used.
pub fn page(trial: &Trial, templates: Option<&Path>) -> Result<String, ReportError> {
    let (own, sentences) = (Words::read(templates)?, Sentences::read(templates)?);
    let mut checks = Vec::new();
    for check in &trial.checks {
        let mut faults = Vec::new();
        for fault in &check.faults {
            let [half, most] = words::points(fault).map(|point| sentences.say(&point));
            faults.push(context! {
                name => sentences.say(&fault.name), half => half, most => most,
                plot => curve((&own, &sentences), fault)?.map(Value::from_safe_string),
            });
        }
        checks.push(context! {
            id => check.id.as_str(), title => sentences.say(&check.title), faults => faults,
            not_tried => check.not_tried.as_deref().map(|why| sentences.say(why)), sound => sentences.say(&words::sound(check)), flagged => check.sound_flagged > 0,
        });
    }
    Ok(environment(templates)?.get_template("trial.html")?.render(context! {
        trial => Value::from(minijinja::value::Serde(trial)), checks => checks, style => Value::from_safe_string(part(templates, "style.css")?),
    })?)
}

/// Share caught against the logarithm of the strength, ticks in strengths; `None` where only one strength was tried.
fn curve((own, sentences): (&Words, &Sentences), fault: &FaultTrial) -> Result<Option<String>, ReportError> {
    let strengths: Vec<f64> = fault.steps.iter().map(|step| step.strength).filter(|s| *s > 0.0).collect();
    let (Some(low), Some(high)) = (strengths.first().copied(), strengths.last().copied()) else { return Ok(None) };
    if strengths.len() < 2 {
        return Ok(None);
    }
    let (low, high) = (low / 1.3, high * 1.3);
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, SIZE).into_drawing_area();
        let mut builder = ChartBuilder::on(&root);
        builder.margin(8).margin_right(18).x_label_area_size(44).y_label_area_size(58);
        let mut chart =
            drawn(builder.build_cartesian_2d(Axis::new(low.log10()..high.log10()), Axis::new(-4.0..104.0)))?;
        let mut mesh = chart.configure_mesh();
        mesh.bold_line_style(FAINT.placeholder).light_line_style(TRANSPARENT).axis_style(INK.placeholder);
        mesh.label_style(label(&INK)).axis_desc_style(label(&INK));
        mesh.x_labels(6).y_labels(5).x_desc(sentences.say(&fault.unit)).y_desc(own.plot("trial", "y"));
        mesh.x_label_formatter(&|log| words::figures(10f64.powf(*log)))
            .y_label_formatter(&|value| format!("{value:.0}"));
        drawn(mesh.draw())?;
        if let Some(curve) = fault.curve {
            let at = |k: usize| low * (high / low).powf(k as f64 / 100.0);
            let line = (0..=100).map(at).map(|strength| (strength.log10(), 100.0 * curve.share(strength)));
            drawn(chart.draw_series(LineSeries::new(line, DATA.placeholder.stroke_width(2))))?;
        }
        let share = |step: &crate::trial::curve::Step| 100.0 * step.caught as f64 / step.planted.max(1) as f64;
        let tried = fault.steps.iter().filter(|step| step.strength > 0.0);
        let dots = tried.map(|step| Circle::new((step.strength.log10(), share(step)), 5, DATA.placeholder.filled()));
        drawn(chart.draw_series(dots))?;
        for (point, percent) in [(fault.half, 50.0), (fault.most, 95.0)] {
            if let Some(point) = point.filter(|point| point.strength >= low) {
                let ends = [(point.strength.log10(), -4.0), (point.strength.log10(), percent)];
                drawn(chart.draw_series(DashedLineSeries::new(ends, 5, 4, LIMIT.placeholder.stroke_width(2))))?;
            }
        }
        drop(chart);
        drawn(root.present())?;
    }
    let [half, most] = words::points(fault).map(|point| sentences.say(&point));
    let finding = own.told("trial", "finding", &[("half", half), ("most", most)]);
    Ok(Some(theme::apply(&svg, SIZE, &About { title: &sentences.say(&fault.name), finding: &finding, x_axis: None })))
}
