//! The page of a dual-axis pair: drawn from the pair's record and the two series' records and evidence alone.

use crate::record::Record;
use crate::record::evidence::Evidence;
use crate::record::pair::{PairRecord, PairSide};
use crate::report::page::ReportError;
use crate::report::sentences::Sentences;
use crate::report::templates::{embedded_json, environment, part, script};
use crate::report::words::Words;
use crate::report::{directions, house, overlay};
use minijinja::{Value, context};
use std::path::Path;

/// One of the two series.
pub struct Side<'a> {
    /// Its record.
    pub record: &'a Record,
    /// Its evidence.
    pub evidence: &'a Evidence,
}

/// Makes the page; `templates` is a folder whose files replace built-in ones of the same name.
///
/// # Errors
/// A template that cannot be used; records or evidence of other series.
pub fn render_pair(pair: &PairRecord, [a, b]: [&Side<'_>; 2], templates: Option<&Path>) -> Result<String, ReportError> {
    for side in [a, b] {
        let (evidence, record) = (side.evidence.curves.tilts.len(), side.record.tilts.len());
        if evidence != record || side.evidence.pictures.len() != record {
            return Err(ReportError::Strangers { evidence, record });
        }
    }
    let words = Words::read(templates)?;
    let as_stored = embedded_json(pair)?;
    let pair = &in_own_words(pair, &Sentences::read(templates)?)?;
    let safe = |svg: Option<String>| svg.map(Value::from_safe_string);
    let field = &pair.measures.field;
    let zero =
        |of: &crate::record::pair::PairSide, side: &Side<'_>| of.zero_tilt.filter(|&at| at < side.record.tilts.len());
    let (zero_a, zero_b) = (zero(&pair.a, a), zero(&pair.b, b));
    let frame = [a.record.series.assembled_width_px as f64, a.record.series.assembled_height_px as f64];
    let fields = match zero_a {
        Some(at) => overlay::fields(&words, field, (a.evidence, at), frame)?,
        None => None,
    };
    let both = zero_a.zip(zero_b);
    let script = script(templates, &["take.js"])?;
    let page = environment(templates)?.get_template("pair.html")?.render(context! {
        pair => Value::from(minijinja::value::Serde(pair)),
        answer => words.answer(pair.verdict.answer),
        sides => [side(&words, &pair.a, a, "a"), side(&words, &pair.b, b, "b")],
        directions => Value::from_safe_string(directions::draw(&words, &pair.measures.coverage, pair.a.axis_deg)),
        fields => safe(fields),
        chequered => safe(both.and_then(|(of_a, of_b)| overlay::chequered(&words, field, (a.evidence, of_a), (b.evidence, of_b)))),
        style => Value::from_safe_string(part(templates, "style.css")?),
        script_hash => script.hash,
        words => embedded_json(&words.of_script())?,
        script => script.text,
        json => as_stored,
        house => house::of(a.record).map(|house| Value::from(minijinja::value::Serde(house))),
    })?;
    Ok(page)
}

/// The pair's record as the page tells it; titles and names as they were read.
fn in_own_words(pair: &PairRecord, sentences: &Sentences) -> Result<PairRecord, ReportError> {
    let mut told = sentences.reworded(pair)?;
    for (told, read) in [(&mut told.a, &pair.a), (&mut told.b, &pair.b)] {
        *told = PairSide { headline: std::mem::take(&mut told.headline), ..read.clone() };
    }
    Ok(told)
}

fn side(words: &Words, side: &crate::record::pair::PairSide, of: &Side<'_>, name: &str) -> Value {
    context! {
        name => name,
        facts => Value::from(minijinja::value::Serde(side)),
        answer => words.answer(side.answer),
        verdict => Value::from(minijinja::value::Serde(&of.record.verdict)),
        dose => Value::from(minijinja::value::Serde(&of.record.measures.dose)),
        coverage => Value::from(minijinja::value::Serde(&of.record.verdict.coverage_after)),
        tilts => of.record.series.tilts,
    }
}
