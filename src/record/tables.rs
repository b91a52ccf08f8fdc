//! The tables beside the record: `tilts.csv` and `dose-weights.csv`.

use crate::record::evidence::Evidence;
use crate::record::{Record, Tilt};
use serde_json::Value;

/// One row a tilt; headings are the record's keys of a tilt joined by `_`, tiles and seams left out.
///
/// # Errors
/// The record cannot be written as text.
pub fn tilts_csv(record: &Record) -> Result<String, csv_text::Error> {
    let rows: Result<Vec<Vec<(String, String)>>, serde_json::Error> = record.tilts.iter().map(flat).collect();
    let rows = rows.map_err(csv_text::Error::from)?;
    let headings: Vec<String> =
        rows.first().map(|row| row.iter().map(|(key, _)| key.clone()).collect()).unwrap_or_default();
    csv_text::write(&headings, rows.iter().map(|row| row.iter().map(|(_, value)| value.clone()).collect()))
}

fn flat(tilt: &Tilt) -> Result<Vec<(String, String)>, serde_json::Error> {
    let mut cells = Vec::new();
    if let Value::Object(keys) = serde_json::to_value(tilt)? {
        for (key, value) in keys.iter().filter(|(key, _)| !["tiles", "seams"].contains(&key.as_str())) {
            flatten(key, value, &mut cells);
        }
    }
    Ok(cells)
}

fn flatten(key: &str, value: &Value, cells: &mut Vec<(String, String)>) {
    match value {
        Value::Object(keys) => keys.iter().for_each(|(inner, value)| flatten(&format!("{key}_{inner}"), value, cells)),
        Value::Null => cells.push((key.into(), String::new())),
        Value::String(text) => cells.push((key.into(), text.clone())),
        Value::Array(items) => {
            let items: Vec<String> =
                items.iter().map(|i| i.as_str().map_or_else(|| i.to_string(), str::to_owned)).collect();
            cells.push((key.into(), items.join(" ")));
        }
        other => cells.push((key.into(), other.to_string())),
    }
}

/// One row a tilt: angle, order, dose before, and the amplitude kept at each resolution.
///
/// # Errors
/// The record cannot be written as text.
pub fn dose_weights_csv(record: &Record, evidence: &Evidence) -> Result<String, csv_text::Error> {
    let resolutions = &evidence.curves.weight_resolution_nm;
    let mut headings: Vec<String> = ["tilt_deg", "order", "before_e_per_A2"].map(str::to_owned).to_vec();
    headings.extend(resolutions.iter().map(|nm| format!("w_{nm}nm")));
    let rows = record.tilts.iter().zip(&evidence.curves.tilts).map(|(tilt, curves)| {
        let before = tilt.dose.before_e_per_A2.map(|dose| dose.to_string()).unwrap_or_default();
        let mut row = vec![tilt.tilt_deg.to_string(), tilt.order.to_string(), before];
        row.extend(
            (0..resolutions.len()).map(|at| curves.weights.get(at).map(|w| format!("{w:.6}")).unwrap_or_default()),
        );
        row
    });
    csv_text::write(&headings, rows)
}

/// CSV as a text in memory.
pub mod csv_text {
    /// A table that could not be written as text.
    #[derive(Debug, thiserror::Error)]
    pub enum Error {
        /// A cell.
        #[error("{0}")]
        Csv(#[from] csv::Error),
        /// A value of the record.
        #[error("{0}")]
        Json(#[from] serde_json::Error),
        /// The text.
        #[error("the table is no text: {0}")]
        Text(String),
    }

    /// Writes headings and rows.
    ///
    /// # Errors
    /// A row with a different number of cells.
    pub fn write(headings: &[String], rows: impl Iterator<Item = Vec<String>>) -> Result<String, Error> {
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(headings)?;
        for row in rows {
            writer.write_record(row)?;
        }
        let bytes = writer.into_inner().map_err(|error| Error::Text(error.to_string()))?;
        String::from_utf8(bytes).map_err(|error| Error::Text(error.to_string()))
    }
}
