//! The outlook on alignment on the pictures: tracks at the tilt nearest zero and through the tilts, and what remains of the
//! rigid model as arrows.

use crate::record::Record;
use crate::record::evidence::{AlignmentCurves, Evidence, TrackCurve};
use crate::report::montage::{Canvas, displacements};
use crate::report::page::ReportError;
use crate::report::plot::{Shown, drawn};
use crate::report::theme::{DATA, FAIL};
use plotters::prelude::*;

/// So many pictures of the strip, spread over the tilts.
const SHOWN: usize = 5;
/// Where there are more tracks than this, rings are smaller and neither they nor lines have a rim of their own: rims would hide
/// the picture, and weigh.
const CROWDED: usize = 80;

fn middle(record: &Record) -> [f64; 2] {
    [0.5 * (record.series.assembled_width_px as f64 - 1.0), 0.5 * (record.series.assembled_height_px as f64 - 1.0)]
}

fn aligned(evidence: &Evidence) -> Option<&AlignmentCurves> {
    evidence.curves.alignment.as_ref()
}

/// Every track on the picture from which it was followed: a ring where it begins, a line through where it was seen.
pub fn tracks(shown: &Shown<'_>, evidence: &Evidence) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    let Some(alignment) = aligned(evidence) else { return Ok(None) };
    let Some(canvas) = Canvas::new(evidence, alignment.start) else { return Ok(None) };
    let middle = middle(record);
    let size = canvas.bare();
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, size).into_drawing_area();
        for track in &alignment.tracks {
            let places: Vec<(i32, i32)> = track
                .sights
                .iter()
                .filter(|sight| sight.used)
                .map(|sight| canvas.at([middle[0] + sight.at_px[0], middle[1] + sight.at_px[1]]))
                .collect();
            let lines = [(RGBColor(255, 255, 255), 3), (DATA.placeholder, 1)];
            for (colour, width) in lines.into_iter().skip(usize::from(alignment.tracks.len() > CROWDED)) {
                drawn(root.draw(&PathElement::new(places.clone(), colour.stroke_width(width))))?;
            }
        }
        mark(&root, &canvas, middle, &alignment.tracks, alignment.start)?;
        drawn(root.present())?;
    }
    let finding = words.told("tracks", "finding", &[("tracks", alignment.tracks.len().to_string())]);
    Ok(Some(canvas.finish(&svg, size, words.plot("tracks", "title"), &finding)))
}

fn mark(
    root: &DrawingArea<SVGBackend<'_>, plotters::coord::Shift>,
    canvas: &Canvas<'_>,
    middle: [f64; 2],
    tracks: &[TrackCurve],
    tilt: usize,
) -> Result<(), ReportError> {
    let crowded = tracks.len() > CROWDED;
    let radius = if crowded { 3 } else { 6 };
    for sight in tracks.iter().flat_map(|track| &track.sights).filter(|sight| sight.tilt == tilt) {
        let at = canvas.at([middle[0] + sight.at_px[0], middle[1] + sight.at_px[1]]);
        let role = if sight.used { &DATA } else { &FAIL };
        if !crowded {
            drawn(root.draw(&Circle::new(at, radius, RGBColor(255, 255, 255).stroke_width(4))))?;
        }
        drawn(root.draw(&Circle::new(at, radius, role.placeholder.stroke_width(2))))?;
    }
    Ok(())
}

/// Tracks through the tilts: pictures of some tilts with what was seen at each, by angle.
pub fn strip(shown: &Shown<'_>, evidence: &Evidence) -> Result<Vec<(f64, String)>, ReportError> {
    let Shown { record, words } = *shown;
    let Some(alignment) = aligned(evidence) else { return Ok(Vec::new()) };
    let last = record.tilts.len().saturating_sub(1);
    let mut tilts: Vec<usize> = (0..SHOWN).map(|k| k * last / (SHOWN - 1)).collect();
    tilts.dedup();
    let middle = middle(record);
    let mut strip = Vec::new();
    for tilt in tilts {
        let Some(canvas) = Canvas::new(evidence, tilt) else { continue };
        let size = canvas.bare();
        let mut svg = String::new();
        {
            let root = SVGBackend::with_string(&mut svg, size).into_drawing_area();
            mark(&root, &canvas, middle, &alignment.tracks, tilt)?;
            drawn(root.present())?;
        }
        let deg = record.tilts[tilt].tilt_deg;
        let seen = alignment.tracks.iter().flat_map(|track| &track.sights).filter(|sight| sight.tilt == tilt);
        let slots = [("tracks", seen.count().to_string()), ("deg", format!("{deg:+.1}"))];
        let finding = words.told("strip", "finding", &slots);
        strip.push((deg, canvas.finish(&svg, size, words.plot("strip", "title"), &finding)));
    }
    Ok(strip)
}

/// The smooth field that remains, as arrows on the picture nearest zero tilt. `None` where none was found.
pub fn field(shown: &Shown<'_>, evidence: &Evidence) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    let Some(alignment) = aligned(evidence).filter(|alignment| !alignment.field_px.is_empty()) else { return Ok(None) };
    // Arrows of what is no more than noise would be read as a finding.
    if record.measures.alignment.field_rms_px.is_none_or(|rms| rms <= 0.0) {
        return Ok(None);
    }
    let Some(canvas) = Canvas::new(evidence, alignment.start) else { return Ok(None) };
    let rms = record.measures.alignment.field_rms_px.unwrap_or(0.0);
    let finding = words.told("remains", "finding", &[("rms", format!("{rms:.2}"))]);
    displacements(words, &canvas, &alignment.field_px, words.plot("remains", "title"), &finding).map(Some)
}
