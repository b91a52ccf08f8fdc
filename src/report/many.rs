//! The index of many series: each with its verdict, what to leave out and a link to its report.

use crate::many::Told;
use crate::record::Answer;
use crate::report::page::ReportError;
use crate::report::sentences::Sentences;
use crate::report::templates::{embedded_json, environment, part, script};
use crate::report::words::Words;
use minijinja::{Value, context};
use std::path::Path;

/// A series of the index.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Its place below the folders that were searched.
    pub name: String,
    /// What its record tells; `None`: it has none.
    pub told: Option<Told>,
    /// What became of it in this run, in a word or two.
    pub state: String,
    /// Why it could not be assessed, or what else is to be known.
    pub fault: Option<String>,
    /// Link to its report.
    pub link: Option<String>,
}

/// What the index tells beside the series.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Head {
    /// Folders that were searched, or the manifest.
    pub from: Vec<String>,
    /// When it was written.
    pub made_at: String,
    /// What is to be known of the run.
    pub notes: Vec<String>,
}

/// Answers in the order in which they are counted, with the grade whose shape and colour they take.
const ANSWERS: [(Answer, &str); 4] = [
    (Answer::Reconstruct, "pass"),
    (Answer::ReconstructWithout, "caution"),
    (Answer::DoNotReconstruct, "fail"),
    (Answer::Undecided, "not_measured"),
];

/// Makes the index; `templates` as for a report.
///
/// # Errors
/// A template that cannot be used.
pub fn page(entries: &[Entry], head: &Head, templates: Option<&Path>) -> Result<String, ReportError> {
    let script = script(templates, &["take.js"])?;
    let (words, sentences) = (Words::read(templates)?, Sentences::read(templates)?);
    let answers =
        |answer: Answer| entries.iter().filter(move |entry| entry.told.as_ref().is_some_and(|t| t.answer == answer));
    let counts: Vec<Value> = ANSWERS
        .iter()
        .map(|(answer, grade)| context! { grade => *grade, word => words.answer(*answer), number => answers(*answer).count() })
        .collect();
    let without = entries.iter().filter(|entry| entry.told.is_none()).count();
    let page = environment(templates)?.get_template("many.html")?.render(context! {
        series => entries.iter().map(|entry| row((&words, &sentences), entry)).collect::<Vec<_>>(),
        counts => counts,
        without => without,
        from => &head.from,
        notes => head.notes.iter().map(|note| sentences.say(note)).collect::<Vec<_>>(),
        made_at => &head.made_at,
        version => env!("CARGO_PKG_VERSION"),
        style => Value::from_safe_string(part(templates, "style.css")?),
        script_hash => script.hash,
        words => embedded_json(&words.of_script())?,
        script => script.text,
    })?;
    Ok(page)
}

fn row((words, sentences): (&Words, &Sentences), entry: &Entry) -> Value {
    let told = entry.told.as_ref();
    let grade =
        told.and_then(|told| ANSWERS.iter().find(|(answer, _)| *answer == told.answer)).map(|(_, grade)| *grade);
    context! {
        name => &entry.name,
        link => &entry.link,
        state => words.state(&entry.state),
        fault => entry.fault.as_deref().map(|fault| sentences.say(fault)),
        grade => grade,
        answer => told.map(|told| words.answer(told.answer)),
        told => told.map(|told| context! {
            series_id => &told.series_id, title => &told.title, instrument => &told.instrument,
            started_at => &told.started_at, assessed_at => &told.assessed_at, tilts => told.tilts,
            headline => sentences.say(&told.headline), exclude => &told.exclude_tilts_deg, low_weight => &told.low_weight_tilts_deg,
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strings_out_of_files_cannot_become_markup() {
        let evil = "</title></script><script>planted()</script><img src=x onerror=planted()>\"'&{{ 7*7 }}";
        let told = Told {
            series_id: "s".into(),
            title: Some(evil.into()),
            instrument: Some(evil.into()),
            started_at: None,
            assessed_at: "2031-04-17T10:00:00Z".into(),
            tilts: 41,
            answer: Answer::ReconstructWithout,
            headline: evil.into(),
            exclude_tilts_deg: vec![-60.0, 3.0],
            low_weight_tilts_deg: vec![],
        };
        let entries = [
            Entry {
                name: evil.into(),
                told: Some(told),
                state: "assessed".into(),
                fault: None,
                link: Some("a/report.html".into()),
            },
            Entry { name: "b".into(), told: None, state: "failed".into(), fault: Some(evil.into()), link: None },
        ];
        let head = Head { from: vec![evil.into()], made_at: "now".into(), notes: vec![evil.into()] };
        let page = page(&entries, &head, None).unwrap();
        assert!(!page.contains("planted()</script>") && !page.contains("<img") && !page.contains("49"));
        assert!(page.contains("&lt;img src=x"));
        assert!(page.contains("href=\"a&#x2f;report.html\"") || page.contains("href=\"a/report.html\""), "{page}");
        assert!(page.contains("-60.0°, +3.0°") || page.contains("−60.0°, +3.0°"));
    }
}
