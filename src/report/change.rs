//! What the specimen did between the first recording of an angle and its repeat: its patches as arrows.

use crate::record::Record;
use crate::record::evidence::Evidence;
use crate::report::montage::{Canvas, displacements};
use crate::report::page::ReportError;

/// Draws the patches on the picture of the first recording; `None` where no change could be measured.
pub fn draw(record: &Record, evidence: &Evidence) -> Result<Option<String>, ReportError> {
    let change = &record.measures.specimen_change;
    let Some(repeat) = evidence.curves.repeat.as_ref().filter(|_| change.measured) else { return Ok(None) };
    let Some(canvas) = Canvas::new(evidence, repeat.tilt) else { return Ok(None) };
    let percent = change.in_plane_percent.unwrap_or(0.0);
    let finding = format!("{} patches, the larger change of size is {percent:+.2} %", change.patches);
    displacements(&canvas, &repeat.patches_px, "Patches of the repeated angle", &finding).map(Some)
}
