//! Markup, style, script and words of the pages: compiled in, any file replaceable by one of the same name in a folder.

use crate::report::page::ReportError;
use crate::report::words::Words;
use crate::report::{format, head, shape};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use minijinja::syntax::SyntaxConfig;
use minijinja::{AutoEscape, Environment, Value};
use sha2::{Digest, Sha256};
use std::path::Path;

/// The templates that come with tiltworth, by file name.
const TEMPLATES: [(&str, &str); 24] = [
    ("alignment.html", include_str!("../../report-templates/alignment.html")),
    ("change.html", include_str!("../../report-templates/change.html")),
    ("field.html", include_str!("../../report-templates/field.html")),
    ("report.html", include_str!("../../report-templates/report.html")),
    ("verdict.html", include_str!("../../report-templates/verdict.html")),
    ("bench.html", include_str!("../../report-templates/bench.html")),
    ("checks.html", include_str!("../../report-templates/checks.html")),
    ("run.html", include_str!("../../report-templates/run.html")),
    ("focus.html", include_str!("../../report-templates/focus.html")),
    ("tilts.html", include_str!("../../report-templates/tilts.html")),
    ("many.html", include_str!("../../report-templates/many.html")),
    ("pair.html", include_str!("../../report-templates/pair.html")),
    ("provenance.html", include_str!("../../report-templates/provenance.html")),
    ("compare.html", include_str!("../../report-templates/compare.html")),
    ("compare.css", include_str!("../../report-templates/compare.css")),
    ("compare.js", include_str!("../../report-templates/compare.js")),
    ("charts.js", include_str!("../../report-templates/charts.js")),
    ("trial.html", include_str!("../../report-templates/trial.html")),
    ("style.css", include_str!("../../report-templates/style.css")),
    ("figures.js", include_str!("../../report-templates/figures.js")),
    ("stage.js", include_str!("../../report-templates/stage.js")),
    ("plots.js", include_str!("../../report-templates/plots.js")),
    ("take.js", include_str!("../../report-templates/take.js")),
    ("report.js", include_str!("../../report-templates/report.js")),
];

/// Templates with the filters that they use.
///
/// # Errors
/// A file of the folder cannot be read or is no template.
pub fn environment(templates: Option<&Path>) -> Result<Environment<'static>, ReportError> {
    let mut environment = Environment::new();
    // Strings out of files are escaped whatever template they end in.
    environment.set_auto_escape_callback(|_| AutoEscape::Html);
    environment.set_syntax(SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).build()?);
    environment.add_filter("fixed", format::fixed_filter);
    environment.add_filter("signed", format::signed_filter);
    environment.add_filter("significant", format::significant_filter);
    environment.add_filter("shape", shape::of_grade);
    environment.add_filter("place", |check: &str| head::plot_of(check));
    environment.add_global("w", Value::from(minijinja::value::Serde(Words::read(templates)?.all())));
    for (name, _) in TEMPLATES.into_iter().filter(|(name, _)| name.ends_with(".html")) {
        environment.add_template_owned(name, part(templates, name)?)?;
    }
    Ok(environment)
}

/// The text of a file: the folder's own where it has one, else the built-in one.
///
/// # Errors
/// The folder's own cannot be read.
pub fn part(templates: Option<&Path>, name: &str) -> Result<String, ReportError> {
    if let Some(text) = own(templates, name)? {
        return Ok(text);
    }
    let built_in = TEMPLATES.iter().find(|(built_in, _)| *built_in == name);
    Ok(built_in.map_or_else(String::new, |(_, text)| (*text).to_owned()))
}

/// The text of a file of the folder, where it has it.
///
/// # Errors
/// It cannot be read.
pub fn own(templates: Option<&Path>, name: &str) -> Result<Option<String>, ReportError> {
    let Some(path) = templates.map(|folder| folder.join(name)).filter(|path| path.exists()) else { return Ok(None) };
    let text = std::fs::read_to_string(&path);
    text.map(Some).map_err(|error| ReportError::Template(format!("{}: {error}", path.display())))
}

/// A script with the hash by which the page's policy lets it run.
pub struct Script {
    /// The text.
    pub text: Value,
    /// SHA-256 in base64.
    pub hash: String,
}

/// Files joined into one script that shares nothing with the page.
///
/// # Errors
/// A file of the folder cannot be read.
pub fn script(templates: Option<&Path>, names: &[&str]) -> Result<Script, ReportError> {
    let parts: Result<Vec<String>, ReportError> = names.iter().map(|name| part(templates, name)).collect();
    // Laid in as it is: a template's braces mean something else there.
    let text = format!("(function () {{\n\"use strict\";\n{}}})();\n", parts?.concat());
    Ok(Script { hash: STANDARD.encode(Sha256::digest(text.as_bytes())), text: Value::from_safe_string(text) })
}

/// Data for a script element: no `<` that could end it.
///
/// # Errors
/// Never in practice: what is written is plain data.
pub fn embedded_json(data: &impl serde::Serialize) -> Result<Value, ReportError> {
    let json = serde_json::to_string(data).map_err(|error| ReportError::Template(error.to_string()))?;
    let json = json.replace('<', "\\u003c").replace('\u{2028}', "\\u2028").replace('\u{2029}', "\\u2029");
    Ok(Value::from_safe_string(json))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A word that no template uses, and one that a template asks for in vain, are both mistakes.
    #[test]
    fn every_word_is_used_and_every_use_has_its_word() {
        let all: String = TEMPLATES.iter().map(|(_, text)| *text).collect();
        let words = Words::read(None).unwrap();
        // Answers, states and the like are asked for by what a record holds, those of plots by code: see there.
        for (group, table) in words.all().iter().filter(|(group, _)| {
            !["plot", "answer", "brief", "state", "specimen", "followed"].contains(&group.as_str())
        }) {
            for key in table.as_table().unwrap().keys() {
                assert!(all.contains(&format!("w.{group}.{key}")), "w.{group}.{key} is not used");
            }
        }
        let uses = regex::Regex::new(r"\bw\.([a-z]+)\.([a-z_0-9]+)").unwrap();
        for found in uses.captures_iter(&all) {
            let known = words.all().get(&found[1]).and_then(|group| group.get(&found[2]));
            assert!(known.is_some(), "{} is no word", &found[0]);
        }
    }

    #[test]
    fn data_cannot_end_its_element() {
        let json = embedded_json(&"</script><!--\u{2028}").unwrap().to_string();
        assert_eq!(json, "\"\\u003c/script>\\u003c!--\\u2028\"");
    }
}
