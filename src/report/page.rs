//! The page put together: context, templates, pictures, script and style.

use crate::record::evidence::Evidence;
use crate::record::{Answer, Grade, Record};
use crate::report::{
    alignment_pictures, alignment_runs, change, counts, coverage, dose, focus, format, geometry, head, montage,
    positions, rings, seam_map, sharpness, spectra,
};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use minijinja::syntax::SyntaxConfig;
use minijinja::{AutoEscape, Environment, Value, context};
use sha2::{Digest, Sha256};
use std::path::Path;

/// The templates that come with tiltworth, by file name.
const TEMPLATES: [(&str, &str); 15] = [
    ("alignment.html", include_str!("../../report-templates/alignment.html")),
    ("change.html", include_str!("../../report-templates/change.html")),
    ("field.html", include_str!("../../report-templates/field.html")),
    ("report.html", include_str!("../../report-templates/report.html")),
    ("verdict.html", include_str!("../../report-templates/verdict.html")),
    ("checks.html", include_str!("../../report-templates/checks.html")),
    ("focus.html", include_str!("../../report-templates/focus.html")),
    ("tilts.html", include_str!("../../report-templates/tilts.html")),
    ("pair.html", include_str!("../../report-templates/pair.html")),
    ("provenance.html", include_str!("../../report-templates/provenance.html")),
    ("compare.html", include_str!("../../report-templates/compare.html")),
    ("compare.css", include_str!("../../report-templates/compare.css")),
    ("compare.js", include_str!("../../report-templates/compare.js")),
    ("style.css", include_str!("../../report-templates/style.css")),
    ("report.js", include_str!("../../report-templates/report.js")),
];

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
    let environment = environment(templates)?;
    // Style and script are laid in as they are: a template's braces mean something else there.
    let script = part(templates, "report.js")?;
    let style = part(templates, "style.css")?;
    let json = embedded_json(record).map_err(|error| ReportError::Template(error.to_string()))?;
    let page = environment.get_template("report.html")?.render(context! {
        record => Value::from(minijinja::value::Serde(record)),
        answer => answer_word(record.verdict.answer),
        reasons => head::reasons(record),
        choices => head::choices(record),
        pictures => pictures(evidence),
        plots => plots(record, evidence)?,
        focus_tilts => focus_tilts(record, evidence)?,
        style => Value::from_safe_string(style),
        script_hash => STANDARD.encode(Sha256::digest(script.as_bytes())),
        script => Value::from_safe_string(script),
        json => Value::from_safe_string(json),
        has => has(record),
    })?;
    Ok(page)
}

pub(super) fn environment(templates: Option<&Path>) -> Result<Environment<'static>, ReportError> {
    let mut environment = Environment::new();
    // Strings out of files are escaped whatever template they end in.
    environment.set_auto_escape_callback(|_| AutoEscape::Html);
    environment.set_syntax(SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).build()?);
    environment.add_filter("fixed", format::fixed_filter);
    environment.add_filter("signed", format::signed_filter);
    environment.add_filter("significant", format::significant_filter);
    environment.add_filter("beyond", format::beyond_filter);
    environment.add_filter("shape", grade_shape);
    environment.add_filter("place", |check: &str| head::plot_of(check));
    for (name, _) in TEMPLATES.into_iter().filter(|(name, _)| name.ends_with(".html")) {
        environment.add_template_owned(name, part(templates, name)?)?;
    }
    Ok(environment)
}

/// The text of a template: the folder's own where it has one, else the built-in one.
pub(super) fn part(templates: Option<&Path>, name: &str) -> Result<String, ReportError> {
    if let Some(path) = templates.map(|folder| folder.join(name)).filter(|path| path.exists()) {
        let text = std::fs::read_to_string(&path);
        return text.map_err(|error| ReportError::Template(format!("{}: {error}", path.display())));
    }
    let built_in = TEMPLATES.iter().find(|(built_in, _)| *built_in == name);
    Ok(built_in.map_or_else(String::new, |(_, text)| (*text).to_owned()))
}

/// The record for a script element: no `<` that could end it.
fn embedded_json(record: &Record) -> Result<String, serde_json::Error> {
    let json = serde_json::to_string(record)?;
    Ok(json.replace('<', "\\u003c").replace('\u{2028}', "\\u2028").replace('\u{2029}', "\\u2029"))
}

pub(super) fn answer_word(answer: Answer) -> &'static str {
    match answer {
        Answer::Reconstruct => "Reconstruct",
        Answer::ReconstructWithout => "Reconstruct without some tilts",
        Answer::DoNotReconstruct => "Not as it stands",
        Answer::Undecided => "Undecided",
    }
}

/// Each grade has a word and a shape of its own; colour only repeats them.
fn grade_shape(grade: &str) -> Value {
    let drawing = match grade {
        "pass" => "<path d=\"M2 8.5 6.5 13 14 3.5\" fill=\"none\" stroke=\"currentColor\" stroke-width=\"2.4\"/>",
        "caution" => {
            "<path d=\"M1.5 8h13M8 1.5v13\" transform=\"rotate(45 8 8)\" fill=\"none\" stroke=\"none\"/>\
                      <rect x=\"3.4\" y=\"3.4\" width=\"9.2\" height=\"9.2\" transform=\"rotate(45 8 8)\" fill=\"none\" \
                      stroke=\"currentColor\" stroke-width=\"2.2\"/>"
        }
        "fail" => "<rect x=\"2\" y=\"2\" width=\"12\" height=\"12\" fill=\"currentColor\"/>",
        _ => "<path d=\"M2 8h3M7 8h2M11 8h3\" stroke=\"currentColor\" stroke-width=\"2.2\"/>",
    };
    Value::from_safe_string(format!("<svg class=\"shape\" viewBox=\"0 0 16 16\" aria-hidden=\"true\">{drawing}</svg>"))
}

fn pictures(evidence: &Evidence) -> Vec<Value> {
    let one = |(picture, curves): (&crate::record::evidence::Picture, &crate::record::evidence::TiltCurves)| {
        let data =
            (!picture.jpeg.is_empty()).then(|| format!("data:image/jpeg;base64,{}", STANDARD.encode(&picture.jpeg)));
        context! {
            data => data, width => curves.picture_px[0], height => curves.picture_px[1],
            origin => curves.picture_origin_px.to_vec(), scale => curves.picture_scale,
            places => curves.tile_places_px.iter().map(|place| place.to_vec()).collect::<Vec<_>>(),
        }
    };
    evidence.pictures.iter().zip(&evidence.curves.tilts).map(one).collect()
}

fn plots(record: &Record, evidence: &Evidence) -> Result<Value, ReportError> {
    let safe = |svg: Option<String>| svg.map(Value::from_safe_string);
    Ok(context! {
        counts => safe(counts::draw(record)?),
        sharpness => safe(sharpness::draw(record)?),
        spectra => safe(spectra::draw(record, &evidence.curves)?),
        dose => safe(dose::draw(record)?),
        weights => safe(dose::draw_weights(record, &evidence.curves)?),
        coverage => safe(Some(coverage::draw(record)?)),
        focus => safe(focus::draw(record)?),
        astigmatism => safe(focus::draw_astigmatism(record)?),
        positions => safe(positions::draw(record)?),
        geometry => safe(geometry::draw(record, &evidence.curves)?),
        seam_map => safe(seam_map::draw(record)?),
        arrows => montage::arrows(record, evidence)?.map(|(svg, tilt_deg)| {
            context! { svg => Value::from_safe_string(svg), tilt_deg => tilt_deg }
        }),
        shared => safe(montage::shared(record, evidence)?),
        change => safe(change::draw(record, evidence)?),
        alignment => alignment(record, evidence)?,
    })
}

fn alignment(record: &Record, evidence: &Evidence) -> Result<Value, ReportError> {
    let safe = |svg: Option<String>| svg.map(Value::from_safe_string);
    let strip: Vec<Value> = alignment_pictures::strip(record, evidence)?
        .into_iter()
        .map(|(tilt_deg, svg)| context! { tilt_deg => tilt_deg, svg => Value::from_safe_string(svg) })
        .collect();
    Ok(context! {
        lives => safe(alignment_runs::lives(record, &evidence.curves)?),
        residuals => safe(alignment_runs::residuals(record)?),
        tracks => safe(alignment_pictures::tracks(record, evidence)?),
        field => safe(alignment_pictures::field(record, evidence)?),
        strip => strip,
    })
}

/// What the section on focus shows of each tilt; nothing of tilts without a spectrum.
fn focus_tilts(record: &Record, evidence: &Evidence) -> Result<Vec<Value>, ReportError> {
    let size = |tilt: &crate::record::Tilt| tilt.tilt_deg.abs();
    let middle = record.tilts.iter().map(size).fold(f64::INFINITY, f64::min);
    let mut shown = Vec::new();
    for (tilt, curves) in record.tilts.iter().zip(&evidence.curves.tilts) {
        let (Some(focus), Some(jpeg)) = (&tilt.focus, &curves.spectrum_jpeg) else { continue };
        let curve = match &curves.rings {
            Some(rings) => rings::curve(record, tilt, rings)?,
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
        shown.push(context! {
            tilt_deg => tilt.tilt_deg,
            focus => Value::from(minijinja::value::Serde(focus)),
            open => size(tilt) == middle,
            spectrum => Value::from_safe_string(rings::spectrum(record, tilt, jpeg)),
            curve => curve.map(Value::from_safe_string),
            montage => rings::montage(record, tilt).map(Value::from_safe_string),
            tiles => tiles,
        });
    }
    Ok(shown)
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
        dose => any(&|tilt| tilt.dose.this_e_per_A2.is_some()),
        before => any(&|tilt| tilt.dose.before_e_per_A2.is_some()),
        weights => any(&|tilt| tilt.dose.weight_at_nyquist.is_some()),
        failed => record.checks.iter().any(|check| check.grade == Grade::Fail),
    }
}
