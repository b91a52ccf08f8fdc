//! What the specimen did between the first recording of an angle and its repeat: its patches as arrows.

use crate::record::Record;
use crate::record::evidence::Evidence;
use crate::report::montage::{Canvas, LONGEST_ARROW_PX, MAGNIFICATIONS, arrow, scale_bar};
use crate::report::page::ReportError;
use crate::report::plot::drawn;
use plotters::prelude::*;

/// Draws the patches on the picture of the first recording; `None` where no change could be measured.
pub fn draw(record: &Record, evidence: &Evidence) -> Result<Option<String>, ReportError> {
    let change = &record.measures.specimen_change;
    let Some(repeat) = evidence.curves.repeat.as_ref().filter(|_| change.measured) else { return Ok(None) };
    let Some(canvas) = Canvas::new(evidence, repeat.tilt) else { return Ok(None) };
    let longest = repeat.patches_px.iter().map(|[_, _, dx, dy]| dx.hypot(*dy)).fold(1e-9, f64::max);
    let fits = |m: &&f64| *m * longest * canvas.scale <= LONGEST_ARROW_PX;
    let magnified = MAGNIFICATIONS.iter().find(fits).copied().unwrap_or(1.0);
    let size = canvas.full();
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, size).into_drawing_area();
        for [x, y, dx, dy] in &repeat.patches_px {
            arrow(&root, canvas.at([*x, *y]), canvas.at([x + dx * magnified, y + dy * magnified]))?;
        }
        scale_bar(&root, &canvas, magnified, longest)?;
        drawn(root.present())?;
    }
    let percent = change.in_plane_percent.unwrap_or(0.0);
    let finding = format!("{} patches, the larger change of size is {percent:+.2} %", change.patches);
    Ok(Some(canvas.finish(&svg, size, "Patches of the repeated angle", &finding)))
}
