//! A record read back, whatever version of tiltworth wrote it.
//!
//! A record of layout version 1 stays readable for good: keys that were added later are optional here.

use crate::record::{RECORD_VERSION, Record, sane};
use serde::Deserialize;
use std::path::Path;

/// A record that cannot be read: file, fault and remedy.
#[derive(Debug, thiserror::Error)]
#[error("{origin}: {fault}; {remedy}")]
pub struct RecordError {
    origin: String,
    fault: String,
    remedy: &'static str,
}

/// Only the version, as a later layout may have nothing else in common with ours.
#[derive(Deserialize)]
struct Layout {
    record_version: u32,
}

/// No record of ours comes near this (a montage of a hundred tiles has some megabytes).
const LARGEST_BYTES: u64 = 1 << 30;

/// Reads the text of a record; `origin` is named in errors.
///
/// # Errors
/// A later layout; a text that is no record.
pub fn parse(text: &str, origin: &str) -> Result<Record, RecordError> {
    let wrong = |fault: String, remedy| RecordError { origin: origin.into(), fault, remedy };
    let no_record = |error: serde_json::Error| wrong(format!("it is no record ({error})"), "name a record.json");
    let layout: Layout = serde_json::from_str(text).map_err(no_record)?;
    if layout.record_version > RECORD_VERSION {
        let fault =
            format!("its layout is version {}, this tiltworth reads up to {RECORD_VERSION}", layout.record_version);
        return Err(wrong(fault, "use the tiltworth that wrote it, or a later one"));
    }
    let value: serde_json::Value = serde_json::from_str(text).map_err(no_record)?;
    if let Some(number) = sane::beyond(&value) {
        return Err(wrong(format!("it is damaged: {number}, which no record does"), "restore it from a copy"));
    }
    serde_json::from_value(value).map_err(no_record)
}

/// Reads a file's text.
///
/// # Errors
/// A file that cannot be read, is no text, or is far too large for a record.
pub fn text(path: &Path) -> Result<String, RecordError> {
    let origin = path.display().to_string();
    let wrong = |fault: String| RecordError {
        origin: origin.clone(),
        fault,
        remedy: "name the record.json of a result folder",
    };
    let length = std::fs::metadata(path).map_err(|error| wrong(error.to_string()))?.len();
    if length > LARGEST_BYTES {
        return Err(wrong("it is larger than any record (1 GiB)".into()));
    }
    std::fs::read_to_string(path).map_err(|error| wrong(error.to_string()))
}

/// Reads a record's file.
///
/// # Errors
/// As [`text`] and [`parse`].
pub fn file(path: &Path) -> Result<Record, RecordError> {
    parse(&text(path)?, &path.display().to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_later_layout_is_told_before_anything_else() {
        let message = |text: &str| parse(text, "r.json").unwrap_err().to_string();
        assert_eq!(
            message("{\"record_version\": 9, \"all\": \"different\"}"),
            "r.json: its layout is version 9, this tiltworth reads up to 1; use the tiltworth that wrote it, or a later one"
        );
        assert!(message("{\"record_version\": 1}").starts_with("r.json: it is no record (missing field"));
        assert!(message("no json").starts_with("r.json: it is no record"));
        assert_eq!(
            message("{\"record_version\": 1, \"tilts\": [{\"index\": 1e300}]}"),
            "r.json: it is damaged: .tilts[0].index holds 1e+300, which no record does; restore it from a copy"
        );
    }
}
