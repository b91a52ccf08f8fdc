//! The rings of one tilt: measured and fitted rotational spectrum, the whole spectrum with the calculated minima, and
//! underfocus over the montage.

use crate::physics::contrast::{Astigmatic, Lens};
use crate::record::evidence::RingCurves;
use crate::record::{Focus, Record, Tilt};
use crate::report::axis::Axis;
use crate::report::format::fixed;
use crate::report::page::ReportError;
use crate::report::plot::{Shown, drawn, label_of};
use crate::report::theme::{self, About, DATA, FAINT, INK, LIMIT, SECOND, escape};
use plotters::prelude::*;
use std::fmt::Write;

const SIZE: (u32, u32) = (420, 240);
/// Side of the drawn spectrum, and the room about it for its labels.
const SIDE: f64 = 300.0;
const ROOM: f64 = 26.0;
/// Minima that are drawn at most: further ones lie too close.
const MOST_MINIMA: u32 = 12;
const POINTS: usize = 72;
/// Underfocus from the lightest to the darkest shade of a tile, at least.
const LEAST_SHADED_UM: f64 = 0.2;
/// Longer side of the drawn montage.
const MONTAGE: f64 = 300.0;

/// A label that can be read where the drawing stands small beside the picture.
fn large(role: &theme::Role) -> TextStyle<'static> {
    label_of(role, 25)
}

/// Draws measured and fitted power over the background, the limit of agreement marked.
pub fn curve(shown: &Shown<'_>, tilt: &Tilt, curves: &RingCurves) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    let Some(pixel_nm) = record.series.pixel_nm else { return Ok(None) };
    let x = |at: usize| f64::from(curves.frequency_cycles_per_px[at]) / pixel_nm;
    let points: Vec<(f64, f64, f64)> = curves
        .measured
        .iter()
        .enumerate()
        .filter_map(|(at, value)| Some((x(at), f64::from((*value)?), f64::from(*curves.fitted.get(at)?))))
        .collect();
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return Ok(None) };
    let mut heights: Vec<f64> = points.iter().flat_map(|(_, m, f)| [*m, *f]).collect();
    heights.sort_by(f64::total_cmp);
    let at = |share: f64| heights[(share * (heights.len() - 1) as f64) as usize];
    let (low, high) = (at(0.01), at(0.99));
    let room = 0.1 * (high - low).max(0.02);
    let end = f64::from(curves.agrees_to_cycles_per_px) / pixel_nm;
    let measured = tilt.focus.as_ref().is_some_and(|focus| focus.measured);
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, SIZE).into_drawing_area();
        let mut builder = ChartBuilder::on(&root);
        builder.margin(8).margin_right(16).x_label_area_size(58).y_label_area_size(88);
        let mut chart =
            drawn(builder.build_cartesian_2d(Axis::new(first.0..last.0), Axis::new(low - room..high + room)))?;
        let mut mesh = chart.configure_mesh();
        mesh.bold_line_style(FAINT.placeholder).light_line_style(TRANSPARENT).axis_style(INK.placeholder);
        mesh.label_style(large(&INK)).axis_desc_style(large(&INK)).x_labels(5).y_labels(4);
        mesh.x_desc(words.plot("rings", "x")).y_desc(words.plot("rings", "y"));
        mesh.x_label_formatter(&|g| fixed(*g, 2)).y_label_formatter(&|y| fixed(*y, 2));
        drawn(mesh.draw())?;
        let (floor, roof) = (low - room, high + room);
        let inside = |y: f64| y.clamp(floor, roof);
        drawn(chart.draw_series(LineSeries::new(
            points.iter().map(|(x, m, _)| (*x, inside(*m))),
            DATA.placeholder.stroke_width(2),
        )))?;
        if measured {
            let fit = points.iter().filter(|(x, _, _)| *x <= end).map(|(x, _, f)| (*x, inside(*f)));
            drawn(chart.draw_series(LineSeries::new(fit, SECOND.placeholder.stroke_width(2))))?;
            let limit = DashedLineSeries::new([(end, floor), (end, roof)], 6, 5, LIMIT.placeholder.stroke_width(2));
            drawn(chart.draw_series(limit))?;
            let near_end = end > first.0 + 0.75 * (last.0 - first.0);
            let shift = if near_end { -150 } else { 6 };
            let name = EmptyElement::at((end, roof))
                + Text::new(words.plot("rings", "end").to_owned(), (shift, 0), large(&LIMIT));
            drawn(chart.draw_series([name]))?;
        }
        drop(chart);
        drawn(root.present())?;
    }
    let finding = if measured {
        words.told("rings", "finding", &[("nm", format!("{:.2}", end.recip()))])
    } else {
        words.plot("rings", "none").to_owned()
    };
    let about = About { title: words.plot("rings", "title"), finding: &finding, x_axis: None };
    Ok(Some(theme::apply(&svg, SIZE, &about)))
}

/// Draws the whole spectrum with the calculated minima over it.
pub fn spectrum(shown: &Shown<'_>, tilt: &Tilt, jpeg_base64: &str) -> String {
    let Shown { record, words } = *shown;
    let whole = SIDE + 2.0 * ROOM;
    let ellipses = record.series.pixel_nm.and_then(|pixel_nm| minima(record, tilt.focus.as_ref()?, pixel_nm));
    let along_x = match record.series.pixel_nm {
        Some(nm) => words.told("spectrum", "x", &[("nyquist_nm", fixed(2.0 * nm, 2))]),
        None => words.plot("spectrum", "x_in_pixels").to_owned(),
    };
    let title = words.told("spectrum", "title", &[("deg", format!("{:+.1}", tilt.tilt_deg))]);
    let middle = 0.5 * whole;
    format!(
        "<svg class=\"plot spectrum\" viewBox=\"0 0 {whole} {whole}\" role=\"img\" aria-label=\"{}\">\
         <image x=\"{ROOM}\" y=\"{ROOM}\" width=\"{SIDE}\" height=\"{SIDE}\" \
         href=\"data:image/jpeg;base64,{}\"/>\
         <g class=\"minima\">{}</g>\
         <text x=\"{middle}\" y=\"{}\" text-anchor=\"middle\" fill=\"var(--ink)\" font-size=\"13\">{}</text>\
         <text transform=\"translate(16 {middle}) rotate(-90)\" text-anchor=\"middle\" fill=\"var(--ink)\" \
         font-size=\"13\">{}</text></svg>",
        escape(&title),
        escape(jpeg_base64),
        ellipses.unwrap_or_default(),
        whole - 8.0,
        escape(&along_x),
        escape(words.plot("spectrum", "y")),
    )
}

/// Ellipse-like lines on which the transfer of the fitted lens vanishes.
fn minima(record: &Record, focus: &Focus, pixel_nm: f64) -> Option<String> {
    let measures = &record.measures.focus;
    let lens = Lens::new(record.series.kv?, measures.cs_mm?, measures.amplitude_contrast?);
    // Where astigmatism is not known the minima are circles.
    let mean_um = focus.defocus_um?;
    let (major_um, minor_um) = focus.defocus_major_um.zip(focus.defocus_minor_um).unwrap_or((mean_um, mean_um));
    let shape = Astigmatic { major_um, minor_um, azimuth_deg: focus.astigmatism_deg.unwrap_or(0.0) };
    let end = focus.rings_to_nm?.recip();
    let middle = ROOM + 0.5 * SIDE;
    let mut paths = String::new();
    for n in 1..=MOST_MINIMA {
        let mean = lens.zero_per_nm(shape.mean_um(), n).filter(|g| *g <= end);
        if mean.is_none() {
            break;
        }
        let mut path = String::new();
        for point in 0..POINTS {
            let azimuth = 360.0 * point as f64 / POINTS as f64;
            let g = lens.zero_per_nm(shape.along_um(azimuth), n)?;
            let (sine, cosine) = azimuth.to_radians().sin_cos();
            let radius = g * pixel_nm * SIDE;
            let command = if point == 0 { 'M' } else { 'L' };
            write!(path, "{command}{:.1} {:.1}", middle + radius * cosine, middle + radius * sine).ok()?;
        }
        write!(paths, "<path d=\"{path}Z\"/>").ok()?;
    }
    Some(paths)
}

/// Draws the tiles of a montage with their underfocus; `None` without one.
pub fn montage(shown: &Shown<'_>, tilt: &Tilt) -> Option<String> {
    let record = shown.record;
    if tilt.tiles.len() < 2 || tilt.tiles.iter().all(|tile| tile.focus.as_ref().is_none_or(|focus| !focus.measured)) {
        return None;
    }
    let (width, height) = (record.series.assembled_width_px as f64, record.series.assembled_height_px as f64);
    let scale = MONTAGE / width.max(height);
    let size = [record.series.width_px as f64 * scale, record.series.height_px as f64 * scale];
    let values: Vec<f64> = tilt.tiles.iter().filter_map(|tile| tile.focus.as_ref()?.defocus_um).collect();
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    // Shades that tell noise apart would tell of nothing.
    let range = (high - low).max(LEAST_SHADED_UM);
    let mut body = String::new();
    for tile in &tilt.tiles {
        let focus = tile.focus.as_ref()?;
        let [x, y] = [tile.nominal_x_px * scale, tile.nominal_y_px * scale];
        let (text, share) = match focus.defocus_um {
            Some(um) => (format!("{} µm", fixed(um, 2)), (um - low) / range),
            None => ("–".to_owned(), 0.0),
        };
        let off = if focus.off_neighbours_um.is_some() { " class=\"off\"" } else { "" };
        write!(
            body,
            "<rect{off} x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"var(--band)\" \
             fill-opacity=\"{:.2}\" stroke=\"var(--ink)\"/><text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" \
             fill=\"var(--ink)\" font-size=\"13\">{text}</text>",
            x + 2.0,
            y + 2.0,
            size[0],
            size[1],
            0.15 + 0.85 * share,
            x + 2.0 + 0.5 * size[0],
            y + 6.0 + 0.5 * size[1],
        )
        .ok()?;
    }
    Some(format!(
        "<svg class=\"plot tiles\" style=\"width: {0:.0}px\" viewBox=\"0 0 {0:.0} {1:.0}\" role=\"img\" aria-label=\"{2}\">{body}</svg>",
        width * scale + 4.0,
        height * scale + 4.0,
        escape(shown.words.plot("tiles", "title"))
    ))
}
