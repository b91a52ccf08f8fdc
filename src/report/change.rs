//! What the specimen did between the first recording of an angle and its repeat: its patches as arrows.

use crate::record::evidence::Evidence;
use crate::report::montage::{Canvas, displacements};
use crate::report::page::ReportError;
use crate::report::plot::Shown;

/// Draws the patches on the picture of the first recording; `None` where no change could be measured.
pub fn draw(shown: &Shown<'_>, evidence: &Evidence) -> Result<Option<String>, ReportError> {
    let change = &shown.record.measures.specimen_change;
    let Some(repeat) = evidence.curves.repeat.as_ref().filter(|_| change.measured) else { return Ok(None) };
    let Some(canvas) = Canvas::new(evidence, repeat.tilt) else { return Ok(None) };
    let percent = change.in_plane_percent.unwrap_or(0.0);
    let slots = [("patches", change.patches.to_string()), ("percent", format!("{percent:+.2}"))];
    let finding = shown.words.told("change", "finding", &slots);
    let title = shown.words.plot("change", "title");
    displacements(shown.words, &canvas, &repeat.patches_px, title, &finding).map(Some)
}
