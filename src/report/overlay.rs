//! The two zero tilts of a pair on each other: the fields drawn on the picture of a, and both pictures in a chequered
//! pattern, so that structures run through where they belong together.

use crate::numerics::affine::Affine;
use crate::record::evidence::Evidence;
use crate::record::pair::PairField;
use crate::report::montage::{Canvas, outline};
use crate::report::page::ReportError;
use crate::report::plot::{drawn, label};
use crate::report::theme::{DATA, FAIL, INK, SECOND, escape};
use crate::report::words::Words;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use plotters::prelude::*;

/// Squares along the longer side.
const SQUARES: f64 = 6.0;

/// The field of b and the common field on the picture of a; `None` without a picture or a field.
pub fn fields(
    words: &Words,
    field: &PairField,
    a: (&Evidence, usize),
    frame_px: [f64; 2],
) -> Result<Option<String>, ReportError> {
    let Some(canvas) = Canvas::new(a.0, a.1).filter(|_| field.measured) else { return Ok(None) };
    let [w, h] = frame_px;
    let own = [[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]];
    let share = [("percent", format!("{:.0}", 100.0 * field.share_of_a.unwrap_or(0.0)))];
    let size = canvas.full();
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, size).into_drawing_area();
        outline(&root, &canvas, &own, DATA.placeholder.stroke_width(2))?;
        outline(&root, &canvas, &field.b_on_a_px, SECOND.placeholder.stroke_width(2))?;
        outline(&root, &canvas, &field.common_on_a_px, FAIL.placeholder.stroke_width(3))?;
        let text = words.told("fields", "share", &share);
        let below = (canvas.height() + 26.0) as i32;
        drawn(root.draw(&Text::new(text, (6, below), label(&INK))))?;
        drawn(root.present())?;
    }
    let finding = words.told("fields", "finding", &share);
    Ok(Some(canvas.finish(&svg, size, words.plot("fields", "title"), &finding)))
}

/// Squares of a and of b (turned and moved onto a) in turns.
pub fn chequered(words: &Words, field: &PairField, a: (&Evidence, usize), b: (&Evidence, usize)) -> Option<String> {
    let [x, y] = field.a_to_b_px?;
    let a_to_b = Affine { m: [[x[0], x[1]], [y[0], y[1]]], t: [x[2], y[2]] };
    let canvas = Canvas::new(a.0, a.1)?;
    let (picture, curves) = (b.0.pictures.get(b.1)?, b.0.curves.tilts.get(b.1)?);
    if picture.jpeg.is_empty() {
        return None;
    }
    let of_b = Affine::turned(0.0, curves.picture_scale, curves.picture_origin_px);
    let Affine { m, t } = canvas.drawn_from_assembled().after(&a_to_b.back()?).after(&of_b);
    let [w, h] = canvas.size_px();
    let side = w.max(h) / SQUARES;
    let mut squares = String::new();
    for row in 0..(h / side).ceil() as usize {
        for col in (row % 2..(w / side).ceil() as usize).step_by(2) {
            squares.push_str(&format!(
                "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{side:.1}\" height=\"{side:.1}\"/>",
                col as f64 * side,
                row as f64 * side
            ));
        }
    }
    let data = |jpeg: &[u8]| format!("data:image/jpeg;base64,{}", STANDARD.encode(jpeg));
    Some(format!(
        "<svg class=\"plot chequered\" viewBox=\"0 0 {w:.1} {h:.1}\" role=\"img\" aria-label=\"{}\"><defs><clipPath id=\"squares\">{squares}</clipPath></defs>\
         <image width=\"{w:.1}\" height=\"{h:.1}\" href=\"{}\"/>\
         <g clip-path=\"url(#squares)\"><rect width=\"{w:.1}\" height=\"{h:.1}\" fill=\"#808080\"/>\
         <image width=\"{}\" height=\"{}\" transform=\"matrix({:.6} {:.6} {:.6} {:.6} {:.3} {:.3})\" href=\"{}\"/></g></svg>",
        escape(words.plot("chequered", "title")),
        data(canvas.jpeg()),
        curves.picture_px[0],
        curves.picture_px[1],
        m[0][0],
        m[1][0],
        m[0][1],
        m[1][1],
        t[0],
        t[1],
        data(&picture.jpeg),
    ))
}
