//! Drawings on an assembled picture: the patches of the seams with their displacements as arrows, and the area that
//! all tilts share.

use crate::numerics::affine::Affine;
use crate::numerics::polygon::{area, clip};
use crate::record::evidence::{Evidence, TiltCurves};
use crate::record::{Record, Tilt};
use crate::report::format;
use crate::report::page::ReportError;
use crate::report::plot::{Shown, drawn, label};
use crate::report::theme::{self, AIM, About, DATA, FAIL, INK};
use crate::report::words::Words;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use plotters::prelude::*;

/// The longer side of a drawing.
const LONGER_PX: f64 = 620.0;
/// Room below the picture for the scale.
const FOOT_PX: f64 = 44.0;
/// Arrows are magnified by one of these, the largest at which none is longer than `LONGEST_ARROW_PX`.
pub(super) const MAGNIFICATIONS: [f64; 9] = [500.0, 200.0, 100.0, 50.0, 20.0, 10.0, 5.0, 2.0, 1.0];
pub(super) const LONGEST_ARROW_PX: f64 = 60.0;

/// A picture with the scale at which it is drawn.
pub(super) struct Canvas<'a> {
    jpeg: &'a [u8],
    size: [f64; 2],
    /// Drawing pixels a px of the assembled picture.
    pub(super) scale: f64,
    origin_px: [f64; 2],
}

impl<'a> Canvas<'a> {
    pub(super) fn new(evidence: &'a Evidence, at: usize) -> Option<Self> {
        let (picture, curves) = (evidence.pictures.get(at)?, evidence.curves.tilts.get(at)?);
        let [width, height] = curves.picture_px.map(f64::from);
        if picture.jpeg.is_empty() || width < 1.0 || height < 1.0 {
            return None;
        }
        let zoom = LONGER_PX / width.max(height);
        Some(Self {
            jpeg: &picture.jpeg,
            size: [width * zoom, height * zoom],
            scale: zoom / curves.picture_scale.max(1e-9),
            origin_px: curves.picture_origin_px,
        })
    }

    pub(super) fn at(&self, [x, y]: [f64; 2]) -> (i32, i32) {
        let place = |v: f64, k: usize| (((v - self.origin_px[k]) * self.scale).round() as i32).clamp(-FAR, FAR);
        (place(x, 0), place(y, 1))
    }

    /// From px of the assembled picture to the drawing.
    pub(super) fn drawn_from_assembled(&self) -> Affine {
        Affine::turned(0.0, self.scale, self.origin_px.map(|px| -px * self.scale))
    }

    /// Width and height of the picture in the drawing.
    pub(super) fn size_px(&self) -> [f64; 2] {
        self.size
    }

    /// Height of the picture in the drawing.
    pub(super) fn height(&self) -> f64 {
        self.size[1]
    }

    /// The picture.
    pub(super) fn jpeg(&self) -> &[u8] {
        self.jpeg
    }

    /// Puts the picture under what was drawn.
    pub(super) fn finish(&self, svg: &str, size: (u32, u32), title: &str, finding: &str) -> String {
        let page = theme::apply(svg, size, &About { title, finding, x_axis: None });
        let image = format!(
            "<image x=\"0\" y=\"0\" width=\"{:.1}\" height=\"{:.1}\" href=\"data:image/jpeg;base64,{}\"/>",
            self.size[0],
            self.size[1],
            STANDARD.encode(self.jpeg)
        );
        match page.find('>') {
            Some(end) => format!("{}{image}{}", &page[..=end], &page[end + 1..]),
            None => page,
        }
    }

    /// Size of a drawing without words below the picture.
    pub(super) fn bare(&self) -> (u32, u32) {
        (self.size[0].ceil() as u32, self.size[1].ceil() as u32)
    }

    /// Size of a drawing with room for a scale or words below the picture.
    pub(super) fn full(&self) -> (u32, u32) {
        (self.size[0].max(300.0) as u32, (self.size[1] + FOOT_PX) as u32)
    }
}

/// Arrows of the patches at the tilt whose seams fit worst; `None` where no seam has patches.
pub fn arrows(shown: &Shown<'_>, evidence: &Evidence) -> Result<Option<(String, f64)>, ReportError> {
    let Shown { record, words } = *shown;
    let worst = |curves: &TiltCurves| {
        let all = || curves.seam_patches_px.iter().flatten();
        let sum: f64 = all().map(|[_, _, dx, dy]| dx * dx + dy * dy).sum();
        (all().count() > 0).then(|| (sum / all().count() as f64).sqrt())
    };
    let known = evidence.curves.tilts.iter().enumerate().filter_map(|(at, curves)| Some((at, worst(curves)?)));
    let Some((at, rms)) = known.max_by(|a, b| a.1.total_cmp(&b.1)) else { return Ok(None) };
    let Some(canvas) = Canvas::new(evidence, at) else { return Ok(None) };
    let tilt = &record.tilts[at];
    let patches: Vec<[f64; 4]> = evidence.curves.tilts[at].seam_patches_px.iter().flatten().copied().collect();
    let slots = [("deg", format!("{:+.1}", tilt.tilt_deg)), ("rms", format!("{rms:.2}"))];
    let finding = words.told("arrows", "finding", &slots);
    Ok(Some((displacements(words, &canvas, &patches, words.plot("arrows", "title"), &finding)?, tilt.tilt_deg)))
}

/// Places and displacements (x, y, dx, dy in px) as arrows on a picture, magnified so that the longest shows, with a scale.
pub(super) fn displacements(
    words: &Words,
    canvas: &Canvas<'_>,
    all: &[[f64; 4]],
    title: &str,
    finding: &str,
) -> Result<String, ReportError> {
    let longest = all.iter().map(|[_, _, dx, dy]| dx.hypot(*dy)).fold(1e-9, f64::max);
    let fits = |m: &&f64| *m * longest * canvas.scale <= LONGEST_ARROW_PX;
    let magnified = MAGNIFICATIONS.iter().find(fits).copied().unwrap_or(1.0);
    let size = canvas.full();
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, size).into_drawing_area();
        for [x, y, dx, dy] in all {
            arrow(&root, canvas.at([*x, *y]), canvas.at([x + dx * magnified, y + dy * magnified]))?;
        }
        scale_bar(&root, words, canvas, magnified, longest)?;
        drawn(root.present())?;
    }
    Ok(canvas.finish(&svg, size, title, finding))
}

pub(super) type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;

/// Beyond this nothing is seen on any picture; damaged evidence may say more.
const FAR: i32 = 100_000;

/// An arrow with a pale edge, so that it shows on any picture.
fn arrow(root: &Area<'_>, start: (i32, i32), end: (i32, i32)) -> Result<(), ReportError> {
    let (dx, dy) = (f64::from(end.0 - start.0), f64::from(end.1 - start.1));
    let length = dx.hypot(dy);
    let mut strokes = vec![vec![start, end]];
    if length >= 3.0 {
        let head = (0.4 * length).clamp(4.0, 9.0);
        for turn in [2.6f64, -2.6] {
            let (sine, cosine) = turn.sin_cos();
            let tip = |a: f64, b: f64| (head * (a * cosine - b * sine) / length).round() as i32;
            let wing = (end.0 + tip(dx, dy), end.1 + (head * (dx * sine + dy * cosine) / length).round() as i32);
            strokes.push(vec![end, wing]);
        }
    }
    for (colour, width) in [(RGBColor(255, 255, 255), 5), (FAIL.placeholder, 2)] {
        for stroke in &strokes {
            drawn(root.draw(&PathElement::new(stroke.clone(), colour.stroke_width(width))))?;
        }
    }
    drawn(root.draw(&Circle::new(start, 3, FAIL.placeholder.filled())))
}

/// A bar of a round number of px of displacement.
fn scale_bar(
    root: &Area<'_>,
    words: &Words,
    canvas: &Canvas<'_>,
    magnified: f64,
    longest: f64,
) -> Result<(), ReportError> {
    let round = [0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0];
    let px = round.into_iter().rfind(|px| *px <= longest.max(0.05)).unwrap_or(0.05);
    let y = (canvas.size[1] + 22.0) as i32;
    let end = 12 + ((px * magnified * canvas.scale).round() as i32).clamp(2, FAR);
    drawn(root.draw(&PathElement::new(vec![(12, y), (end, y)], FAIL.placeholder.stroke_width(3))))?;
    let slots = [("px", format::significant(px)), ("magnified", format!("{magnified:.0}"))];
    let text = words.told("marks", "scale", &slots);
    drawn(root.draw(&Text::new(text, (end + 10, y - 8), label(&INK))))
}

/// The area that all kept tilts share, on the picture of the tilt nearest zero, with the operator's area.
pub fn shared(shown: &Shown<'_>, evidence: &Evidence) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    let followed = |tilt: &Tilt| tilt.tracking.as_ref().is_some_and(|t| t.shift_x_px.is_some());
    let nearest = record
        .tilts
        .iter()
        .enumerate()
        .filter(|(_, tilt)| followed(tilt))
        .min_by(|a, b| a.1.tilt_deg.abs().total_cmp(&b.1.tilt_deg.abs()).then(a.1.order.cmp(&b.1.order)));
    let Some((at, zero)) = nearest else { return Ok(None) };
    let Some(canvas) = Canvas::new(evidence, at) else { return Ok(None) };
    let frame = frame(record, &evidence.curves.tilts[at]);
    let mut common = frame.clone();
    for (tilt, curves) in record.tilts.iter().zip(&evidence.curves.tilts) {
        let Some(place) = place(tilt).filter(|_| !tilt.exclude) else { continue };
        let seen = carried(record, zero.tilt_deg, tilt.tilt_deg, place, &self::frame(record, curves));
        common = clip(&common, &seen);
    }
    let share = [("percent", format!("{:.0}", 100.0 * area(&common) / area(&frame)))];
    let size = canvas.full();
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, size).into_drawing_area();
        outline(&root, &canvas, &frame, DATA.placeholder.stroke_width(2))?;
        outline(&root, &canvas, &common, FAIL.placeholder.stroke_width(3))?;
        if let Some([x, y, w, h]) = record.series.target_area_px {
            let area = [[x, y], [x + w, y], [x + w, y + h], [x, y + h]];
            outline(&root, &canvas, &area, AIM.placeholder.stroke_width(3))?;
        }
        let y = (canvas.size[1] + 14.0) as i32;
        let text = words.told("shared", "share", &share);
        drawn(root.draw(&Text::new(text, (6, y), label(&INK))))?;
        drawn(root.present())?;
    }
    let finding = words.told("shared", "finding", &share);
    Ok(Some(canvas.finish(&svg, size, words.plot("shared", "title"), &finding)))
}

fn place(tilt: &Tilt) -> Option<[f64; 2]> {
    let tracking = tilt.tracking.as_ref()?;
    Some([tracking.shift_x_px?, tracking.shift_y_px?])
}

/// Corners of the assembled picture of a tilt.
fn frame(record: &Record, curves: &TiltCurves) -> Vec<[f64; 2]> {
    let places = || curves.tile_places_px.iter();
    let low = |k: usize| places().map(|p| p[k]).fold(f64::INFINITY, f64::min);
    let high = |k: usize| places().map(|p| p[k]).fold(f64::NEG_INFINITY, f64::max);
    let (x0, y0) = (low(0), low(1));
    let (x1, y1) = (high(0) + record.series.width_px as f64, high(1) + record.series.height_px as f64);
    vec![[x0, y0], [x1, y0], [x1, y1], [x0, y1]]
}

/// A tilt's frame on the picture of the tilt nearest zero: back by its place, and across the axis by the ratio of the
/// cosines.
fn carried(record: &Record, zero_deg: f64, tilt_deg: f64, place: [f64; 2], frame: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let middle = [0.5 * record.series.assembled_width_px as f64, 0.5 * record.series.assembled_height_px as f64];
    let used = record.measures.geometry.as_ref().and_then(|geometry| geometry.axis_used_deg);
    let more = zero_deg.to_radians().cos() / tilt_deg.to_radians().cos().max(1e-3) - 1.0;
    let one = |[x, y]: &[f64; 2]| {
        let away = [x - middle[0] - place[0], y - middle[1] - place[1]];
        let wider = used.map_or([0.0; 2], |deg| {
            let (sine, cosine) = deg.to_radians().sin_cos();
            let across = away[0] * cosine - away[1] * sine;
            [more * across * cosine, -more * across * sine]
        });
        [middle[0] + away[0] + wider[0], middle[1] + away[1] + wider[1]]
    };
    frame.iter().map(one).collect()
}

pub(super) fn outline(
    root: &Area<'_>,
    canvas: &Canvas<'_>,
    polygon: &[[f64; 2]],
    style: ShapeStyle,
) -> Result<(), ReportError> {
    let corners: Vec<(i32, i32)> = polygon.iter().chain(polygon.first()).map(|&corner| canvas.at(corner)).collect();
    if corners.len() > 2 {
        drawn(root.draw(&PathElement::new(corners, style)))?;
    }
    Ok(())
}
