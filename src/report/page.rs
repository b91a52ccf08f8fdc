//! The page put together: context, templates, pictures, script and style.

use crate::record::evidence::Evidence;
use crate::record::{Grade, Record};
use crate::report::plot::Shown;
use crate::report::sentences::Sentences;
use crate::report::templates::{embedded_json, environment, part, script};
use crate::report::words::Words;
use crate::report::{
    alignment_pictures, alignment_runs, change, counts, coverage, dose, focus, geometry, head, house, montage,
    positions, rings, seam_map, sharpness, spectra, steps,
};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use minijinja::{Value, context};
use std::path::Path;

/// The files of the page's script, in the order in which they build on each other.
const SCRIPTS: [&str; 5] = ["take.js", "figures.js", "stage.js", "plots.js", "report.js"];

/// A page that could not be made.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// A plot.
    #[error("a plot cannot be drawn ({0}): this is a fault of tiltworth's, please report it")]
    Plot(String),
    /// A template.
    #[error("a template cannot be used ({0}); correct it, or leave --templates out")]
    Template(String),
    /// The evidence does not belong to the record.
    #[error(
        "the evidence tells of {evidence} tilts, the record of {record}; keep the two files of one assessment together"
    )]
    Strangers {
        /// Tilts of the evidence.
        evidence: usize,
        /// Tilts of the record.
        record: usize,
    },
}

impl From<minijinja::Error> for ReportError {
    fn from(error: minijinja::Error) -> Self {
        Self::Template(format!("{error:#}"))
    }
}

/// Makes the page; `templates` is a folder whose files replace built-in ones of the same name.
///
/// # Errors
/// A template that cannot be used; evidence of another record.
pub fn render(record: &Record, evidence: &Evidence, templates: Option<&Path>) -> Result<String, ReportError> {
    if evidence.curves.tilts.len() != record.tilts.len() || evidence.pictures.len() != record.tilts.len() {
        return Err(ReportError::Strangers { evidence: evidence.curves.tilts.len(), record: record.tilts.len() });
    }
    let script = script(templates, &SCRIPTS)?;
    let words = Words::read(templates)?;
    let as_stored = embedded_json(record)?;
    let sentences = Sentences::read(templates)?;
    let said = sentences.said(record)?;
    let record = &sentences.reworded(record)?;
    let shown = Shown { record, words: &words };
    let page = environment(templates)?.get_template("report.html")?.render(context! {
        record => Value::from(minijinja::value::Serde(record)),
        answer => words.answer(record.verdict.answer),
        reasons => head::reasons(record),
        groups => head::groups(record),
        choices => head::choices(record),
        pictures => pictures(evidence),
        plots => plots(&shown, evidence)?,
        focus_tilts => focus_tilts(&shown, evidence)?,
        style => Value::from_safe_string(part(templates, "style.css")?),
        script_hash => script.hash,
        script => script.text,
        json => as_stored,
        words => embedded_json(&words.of_script())?,
        said => embedded_json(&said)?,
        house => house::of(record).map(|house| Value::from(minijinja::value::Serde(house))),
        has => has(record),
    })?;
    Ok(page)
}

fn pictures(evidence: &Evidence) -> Vec<Value> {
    let one = |(picture, curves): (&crate::record::evidence::Picture, &crate::record::evidence::TiltCurves)| {
        // Nothing in base64 needs escaping, and escaped slashes would make the page heavier by a twelfth.
        let data = (!picture.jpeg.is_empty())
            .then(|| Value::from_safe_string(format!("data:image/jpeg;base64,{}", STANDARD.encode(&picture.jpeg))));
        context! {
            data => data, width => curves.picture_px[0], height => curves.picture_px[1],
            origin => curves.picture_origin_px.to_vec(), scale => curves.picture_scale,
            places => curves.tile_places_px.iter().map(|place| place.to_vec()).collect::<Vec<_>>(),
        }
    };
    evidence.pictures.iter().zip(&evidence.curves.tilts).map(one).collect()
}

fn plots(shown: &Shown<'_>, evidence: &Evidence) -> Result<Value, ReportError> {
    let safe = |svg: Option<String>| svg.map(Value::from_safe_string);
    Ok(context! {
        counts => safe(counts::draw(shown)?),
        sharpness => safe(sharpness::draw(shown)?),
        spectra => safe(spectra::draw(shown, &evidence.curves)?),
        dose => safe(dose::draw(shown)?),
        weights => safe(dose::draw_weights(shown, &evidence.curves)?),
        coverage => safe(Some(coverage::draw(shown)?)),
        focus => safe(focus::draw(shown)?),
        astigmatism => safe(focus::draw_astigmatism(shown)?),
        positions => safe(positions::draw(shown)?),
        steps => safe(steps::draw(shown)?),
        geometry => safe(geometry::draw(shown, &evidence.curves)?),
        seam_map => safe(seam_map::draw(shown)?),
        arrows => montage::arrows(shown, evidence)?.map(|(svg, tilt_deg)| {
            context! { svg => Value::from_safe_string(svg), tilt_deg => tilt_deg }
        }),
        shared => safe(montage::shared(shown, evidence)?),
        change => safe(change::draw(shown, evidence)?),
        alignment => alignment(shown, evidence)?,
    })
}

fn alignment(shown: &Shown<'_>, evidence: &Evidence) -> Result<Value, ReportError> {
    let safe = |svg: Option<String>| svg.map(Value::from_safe_string);
    let strip: Vec<Value> = alignment_pictures::strip(shown, evidence)?
        .into_iter()
        .map(|(tilt_deg, svg)| context! { tilt_deg => tilt_deg, svg => Value::from_safe_string(svg) })
        .collect();
    Ok(context! {
        lives => safe(alignment_runs::lives(shown, &evidence.curves)?),
        residuals => safe(alignment_runs::residuals(shown)?),
        tracks => safe(alignment_pictures::tracks(shown, evidence)?),
        field => safe(alignment_pictures::field(shown, evidence)?),
        strip => strip,
    })
}

/// What the section on focus shows of each tilt; nothing of tilts without a spectrum.
fn focus_tilts(shown: &Shown<'_>, evidence: &Evidence) -> Result<Vec<Value>, ReportError> {
    let record = shown.record;
    let size = |tilt: &crate::record::Tilt| tilt.tilt_deg.abs();
    let middle = record.tilts.iter().map(size).fold(f64::INFINITY, f64::min);
    let mut tilts = Vec::new();
    for (at, (tilt, curves)) in record.tilts.iter().zip(&evidence.curves.tilts).enumerate() {
        let (Some(focus), Some(jpeg)) = (&tilt.focus, &curves.spectrum_jpeg) else { continue };
        let curve = match &curves.rings {
            Some(rings) => rings::curve(shown, tilt, rings)?,
            None => None,
        };
        let tiles: Vec<Value> = tilt
            .tiles
            .iter()
            .map(|tile| {
                let off_um = tile.focus.as_ref().and_then(|focus| focus.off_neighbours_um);
                context! { col => tile.col, row => tile.row, off_um => off_um }
            })
            .collect();
        tilts.push(context! {
            at => at,
            tilt_deg => tilt.tilt_deg,
            focus => Value::from(minijinja::value::Serde(focus)),
            open => size(tilt) == middle,
            spectrum => Value::from_safe_string(rings::spectrum(shown, tilt, jpeg)),
            curve => curve.map(Value::from_safe_string),
            montage => rings::montage(shown, tilt).map(Value::from_safe_string),
            tiles => tiles,
        });
    }
    Ok(tilts)
}

/// Which figures the record holds at all: what is not there gets no column.
fn has(record: &Record) -> Value {
    let any = |of: &dyn Fn(&crate::record::Tilt) -> bool| record.tilts.iter().any(of);
    context! {
        montage => record.series.montage_cols * record.series.montage_rows > 1,
        target => any(&|tilt| tilt.counts.ratio_to_target.is_some()),
        saturation => any(&|tilt| tilt.counts.saturated_fraction.is_some()),
        sharpness => any(&|tilt| tilt.sharpness.relative.is_some()),
        directional => any(&|tilt| tilt.sharpness.directional_loss.is_some()),
        focus => any(&|tilt| tilt.focus.as_ref().is_some_and(|focus| focus.measured)),
        tracking => any(&|tilt| tilt.tracking.as_ref().is_some_and(|tracking| tracking.shift_x_px.is_some())),
        seams => any(&|tilt| tilt.seams.iter().flatten().any(|seam| seam.residual_rms_px.is_some())),
        dose => any(&|tilt| tilt.dose.this_e_per_A2.is_some()),
        before => any(&|tilt| tilt.dose.before_e_per_A2.is_some()),
        weights => any(&|tilt| tilt.dose.weight_at_nyquist.is_some()),
        failed => record.checks.iter().any(|check| check.grade == Grade::Fail),
    }
}
