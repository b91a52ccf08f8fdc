//! The `.eln` archive: an RO-Crate 1.1 in a ZIP with one folder at its top, as the ELN Consortium publishes it.

use crate::ledger::figures::FIGURES;
use crate::ledger::summary::{utc, word};
use crate::record::Record;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use std::io::{Seek, Write};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

/// A file of the archive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Part {
    /// Its name.
    pub name: &'static str,
    /// Its media type.
    pub format: &'static str,
    /// What it is.
    pub about: &'static str,
    /// What is in it.
    pub bytes: Vec<u8>,
}

/// The files of a result that are packed: name, media type, description.
pub const PARTS: [(&str, &str, &str); 5] = [
    ("record.json", "application/json", "Every figure, check and the verdict as data"),
    ("report.html", "text/html", "The report, to be opened in a browser; it loads nothing from outside"),
    ("tilts.csv", "text/csv", "One row a tilt"),
    ("dose-weights.csv", "text/csv", "Amplitude that radiation damage leaves at each tilt and resolution"),
    ("evidence.zip", "application/zip", "Curves and pictures that the report is drawn from"),
];

/// What the archive says beside the record.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Statement {
    /// Who made the series.
    pub author: Option<String>,
    /// Under which licence it stands.
    pub license: Option<String>,
}

/// What stands for a licence where none is stated: the crate must name one.
const NO_LICENSE: &str = "No licence is stated: ask the owner of the data";

/// Writes the archive; `top` names its folder.
///
/// # Errors
/// The target cannot be written.
pub fn write(
    record: &Record,
    parts: &[Part],
    statement: &Statement,
    top: &str,
    to: impl Write + Seek,
) -> Result<(), zip::result::ZipError> {
    let metadata = serde_json::to_vec_pretty(&metadata(record, parts, statement)).map_err(std::io::Error::from)?;
    let mut zip = ZipWriter::new(to);
    let packed = SimpleFileOptions::default().compression_method(CompressionMethod::Deflated);
    zip.add_directory(format!("{top}/"), SimpleFileOptions::default())?;
    zip.start_file(format!("{top}/ro-crate-metadata.json"), packed)?;
    zip.write_all(&metadata)?;
    for part in parts {
        zip.start_file(format!("{top}/{}", path(record, part)), packed)?;
        zip.write_all(&part.bytes)?;
    }
    zip.finish()?;
    Ok(())
}

/// Where a file lies in the crate.
fn path(record: &Record, part: &Part) -> String {
    format!("{}/{}", folder(record), part.name)
}

fn folder(record: &Record) -> String {
    safe_name(&record.series.series_id)
}

/// The text of `ro-crate-metadata.json`: flattened JSON-LD.
fn metadata(record: &Record, parts: &[Part], statement: &Statement) -> Value {
    let series = &record.series;
    let name = series.title.clone().unwrap_or_else(|| series.series_id.clone());
    let dataset = format!("{}/", folder(record));
    let made = utc(&record.assessed_at).unwrap_or_else(|| record.assessed_at.clone());
    let reference = |id: &str| json!({ "@id": id });
    let files: Vec<Value> = parts.iter().map(|part| reference(&path(record, part))).collect();
    let mut root_parts = vec![reference(&dataset)];
    root_parts.extend(files.iter().cloned());
    let variables = variables(record);
    let mut entry = json!({
        "@id": dataset,
        "@type": "Dataset",
        "name": name,
        "description": format!("{} ({})", record.verdict.headline, record.verdict.reasons.join("; ")),
        "dateCreated": series.started_at.as_deref().and_then(utc).unwrap_or_else(|| made.clone()),
        "dateModified": made,
        "hasPart": files,
        "variableMeasured": variables.iter().map(|variable| reference(&id_of(variable))).collect::<Vec<_>>(),
    });
    let mut graph = vec![
        json!({
            "@id": "ro-crate-metadata.json",
            "@type": "CreativeWork",
            "about": reference("./"),
            "conformsTo": reference("https://w3id.org/ro/crate/1.1"),
            "dateCreated": made,
            "version": "1.0",
            "sdPublisher": reference("#tiltworth"),
        }),
        json!({
            "@id": "./",
            "@type": "Dataset",
            "name": format!("Quality of tilt series {}", series.series_id),
            "description": format!("Report, record and tables of tilt series {name}, as tiltworth {} made them", record.tool.version),
            "datePublished": made,
            "license": statement.license.clone().unwrap_or_else(|| NO_LICENSE.into()),
            "hasPart": root_parts,
        }),
        json!({ "@id": "#tiltworth", "@type": "Organization", "name": "tiltworth", "description": "The program that wrote this archive" }),
    ];
    if let Some(author) = &statement.author {
        entry["author"] = reference("#author");
        graph.push(json!({ "@id": "#author", "@type": "Person", "name": author }));
    }
    graph.push(entry);
    for part in parts {
        graph.push(json!({
            "@id": path(record, part),
            "@type": "File",
            "name": part.name,
            "description": part.about,
            "encodingFormat": part.format,
            "contentSize": part.bytes.len().to_string(),
            "sha256": crate::record::hashes::hex(&Sha256::digest(&part.bytes)),
        }));
    }
    graph.extend(variables);
    json!({ "@context": "https://w3id.org/ro/crate/1.1/context", "@graph": graph })
}

fn id_of(variable: &Value) -> String {
    variable["@id"].as_str().unwrap_or_default().to_owned()
}

/// The figures that an entry of a lab notebook shows: facts, verdict, watched figures.
fn variables(record: &Record) -> Vec<Value> {
    let series = &record.series;
    let mut found: Vec<(String, Value, &str)> = vec![
        ("verdict.answer".into(), word(&record.verdict.answer).into(), ""),
        ("verdict.headline".into(), record.verdict.headline.clone().into(), ""),
        ("series.specimen".into(), word(&series.specimen).into(), ""),
        ("series.tilts".into(), series.tilts.into(), ""),
        ("series.excluded_tilts".into(), record.tilts.iter().filter(|tilt| tilt.exclude).count().into(), ""),
    ];
    let texts = [("series.instrument", &series.instrument), ("series.session", &series.session)];
    found.extend(texts.iter().filter_map(|(id, text)| Some(((*id).to_owned(), text.as_deref()?.into(), ""))));
    let numbers = [("series.kv", series.kv, "kV"), ("series.pixel_nm", series.pixel_nm, "nm")];
    found.extend(numbers.iter().filter_map(|(id, value, unit)| Some(((*id).to_owned(), (*value)?.into(), *unit))));
    for figure in &FIGURES {
        let value = (figure.of)(record).filter(|value| value.is_finite());
        found.extend(value.map(|value| (format!("figures.{}", figure.id), value.into(), figure.unit)));
    }
    found
        .into_iter()
        .map(|(id, value, unit)| {
            let mut node =
                json!({ "@id": format!("#{id}"), "@type": "PropertyValue", "propertyID": id, "name": id, "value": value });
            if !unit.is_empty() {
                node["unitText"] = unit.into();
            }
            node
        })
        .collect()
}

/// A name for a folder that is one path segment and needs no escape, whatever a record says.
pub fn safe_name(text: &str) -> String {
    let name: String =
        text.chars().map(|c| if c.is_ascii_alphanumeric() || "._-".contains(c) { c } else { '-' }).collect();
    let name = name.trim_start_matches('.');
    if name.is_empty() { "series".into() } else { name.into() }
}
