//! Per-section binary records of a stack's extended header, laid out as `[section_header]` says.

use crate::intake::error::IntakeError;
use crate::intake::grid::{Cells, Grid, GridRow, Origin};
use crate::intake::rows::COLUMNS;
use crate::intake::stack::Stack;
use serde::Deserialize;
use std::path::Path;

/// `[section_header]` of the series sheet.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct HeaderSheet {
    /// Length of a section's record.
    pub bytes_per_section: usize,
    /// What stands in it.
    pub fields: Vec<Field>,
}

/// One figure of a record.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Field {
    /// The column of ours that it gives.
    pub column: String,
    /// First byte in the record.
    pub at: usize,
    /// How it is stored.
    #[serde(rename = "type")]
    pub kind: FieldKind,
    /// Factor that turns the stored unit into ours.
    pub scale: Option<f64>,
}

/// Numbers in the file's byte order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs, reason = "the names say it")]
pub enum FieldKind {
    I8,
    U8,
    I16,
    U16,
    I32,
    U32,
    F32,
    F64,
}

/// Longest record: no instrument writes kilobytes a section.
const LONGEST_RECORD: usize = 64 << 10;
const MOST_FIELDS: usize = 1_000;

impl FieldKind {
    fn bytes(self) -> usize {
        match self {
            Self::I8 | Self::U8 => 1,
            Self::I16 | Self::U16 => 2,
            Self::I32 | Self::U32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }

    /// The number at the start of `bytes`; `None` where they are too few.
    fn read(self, bytes: &[u8], big_endian: bool) -> Option<f64> {
        macro_rules! number {
            ($type:ty) => {{
                let word = *bytes.first_chunk::<{ size_of::<$type>() }>()?;
                if big_endian { <$type>::from_be_bytes(word) } else { <$type>::from_le_bytes(word) }
            }};
        }
        Some(match self {
            Self::I8 => f64::from(number!(i8)),
            Self::U8 => f64::from(number!(u8)),
            Self::I16 => f64::from(number!(i16)),
            Self::U16 => f64::from(number!(u16)),
            Self::I32 => f64::from(number!(i32)),
            Self::U32 => f64::from(number!(u32)),
            Self::F32 => f64::from(number!(f32)),
            Self::F64 => number!(f64),
        })
    }
}

/// Reads the records of all sections of a stack; `sheet_path` is named where the layout is wrong.
///
/// # Errors
/// A layout that does not fit its records; a stack without an extended header, or with one that is too short.
pub fn read(sheet_path: &Path, sheet: &HeaderSheet, stack: &dyn Stack) -> Result<Grid, IntakeError> {
    check(sheet_path, sheet)?;
    let path = stack.files().into_iter().next().unwrap_or_default();
    let mut rows = Vec::new();
    for section in 0..stack.sections() {
        let cells = match stack.header_record(section, sheet.bytes_per_section)? {
            Some(record) => cells(sheet, &record.bytes, record.big_endian),
            None => Vec::new(),
        };
        rows.push(GridRow { line: 0, cells: Cells::Sparse(cells) });
    }
    let headings = sheet.fields.iter().map(|field| field.column.clone()).collect();
    Ok(Grid { origin: Origin::SectionHeader, path, headings, rows })
}

fn check(path: &Path, sheet: &HeaderSheet) -> Result<(), IntakeError> {
    let bad = |place: String, fault: String, remedy: &str| Err(IntakeError::bad(path, place, fault, remedy));
    let bytes = sheet.bytes_per_section;
    if bytes == 0 || bytes > LONGEST_RECORD {
        let remedy = "give the length of a section's record, 1 to 65536 bytes";
        return bad("section_header.bytes_per_section".into(), format!("it is {bytes}"), remedy);
    }
    if sheet.fields.is_empty() || sheet.fields.len() > MOST_FIELDS {
        let fault = format!("{} fields are listed", sheet.fields.len());
        return bad("section_header.fields".into(), fault, "list the fields that are to be read");
    }
    for (at, field) in sheet.fields.iter().enumerate() {
        let place = format!("section_header.fields, entry {}", at + 1);
        if !COLUMNS.contains(&field.column.as_str()) {
            let fault = format!("\"{}\" is no column of tiltworth's", field.column);
            return bad(place, fault, "name a column of the README's table of inputs");
        }
        if sheet.fields[..at].iter().any(|earlier| earlier.column == field.column) {
            return bad(place, format!("{} is given twice", field.column), "give each column once");
        }
        if field.at.checked_add(field.kind.bytes()).is_none_or(|end| end > bytes) {
            let fault = format!(
                "{} takes {} bytes at {}, beyond the record's {bytes}",
                field.column,
                field.kind.bytes(),
                field.at
            );
            return bad(place, fault, "correct the field's place or bytes_per_section");
        }
    }
    Ok(())
}

fn cells(sheet: &HeaderSheet, record: &[u8], big_endian: bool) -> Vec<(usize, String)> {
    let text = |field: &Field| {
        let number = field.kind.read(record.get(field.at..)?, big_endian)?;
        // The shortest text that reads back as this number.
        Some((number * field.scale.unwrap_or(1.0)).to_string())
    };
    sheet.fields.iter().enumerate().filter_map(|(at, field)| text(field).map(|text| (at, text))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sheet(text: &str) -> HeaderSheet {
        toml::from_str(text).unwrap()
    }

    #[test]
    fn numbers_are_read_in_the_files_byte_order() {
        let sheet = sheet(
            "bytes_per_section = 8\nfields = [{ column = 'tilt_deg', at = 0, type = 'f32' }, \
             { column = 'stage_x_um', at = 4, type = 'i16', scale = 0.5 }, { column = 'order', at = 6, type = 'u16' }]",
        );
        let big = [0xc2, 0x70, 0, 0, 0xff, 0xfe, 0x01, 0x00];
        let mut little = big;
        little[..4].reverse();
        little[4..6].reverse();
        little[6..].reverse();
        let expected = vec![(0, "-60".to_owned()), (1, "-1".to_owned()), (2, "256".to_owned())];
        assert_eq!(cells(&sheet, &big, true), expected);
        assert_eq!(cells(&sheet, &little, false), expected);
    }

    #[test]
    fn a_layout_that_does_not_fit_is_named() {
        let message = |text: &str| check(Path::new("series.toml"), &sheet(text)).unwrap_err().to_string();
        let beyond = message("bytes_per_section = 4\nfields = [{ column = 'tilt_deg', at = 1, type = 'f32' }]");
        assert!(beyond.contains("entry 1: tilt_deg takes 4 bytes at 1, beyond the record's 4;"), "{beyond}");
        let nowhere = message(&format!(
            "bytes_per_section = 4\nfields = [{{ column = 'tilt_deg', at = {}, type = 'f64' }}]",
            i64::MAX
        ));
        assert!(nowhere.contains("beyond the record's 4"), "{nowhere}");
        let strange = message("bytes_per_section = 4\nfields = [{ column = 'alpha', at = 0, type = 'f32' }]");
        assert!(strange.contains("\"alpha\" is no column of tiltworth's;"), "{strange}");
        assert!(message("bytes_per_section = 0\nfields = []").contains("bytes_per_section: it is 0;"));
    }
}
