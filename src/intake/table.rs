//! The table of sections: CSV or TSV with a heading row.

use crate::intake::error::IntakeError;
use crate::intake::grid::{Cells, Grid, GridRow, Origin};
use crate::intake::text::read_text;
use std::path::Path;

/// More sections than any series has.
pub const MOST_ROWS: usize = 200_000;

/// Reads a table.
///
/// # Errors
/// Names the line of what is no table.
pub fn read(path: &Path) -> Result<Grid, IntakeError> {
    parse(path, &read_text(path)?)
}

/// Reads the text of a table; `path` is named in errors.
///
/// # Errors
/// As [`read`].
pub fn parse(path: &Path, text: &str) -> Result<Grid, IntakeError> {
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter(text))
        .trim(csv::Trim::All)
        .flexible(false)
        .from_reader(text.as_bytes());
    let headings: Vec<String> = reader.headers().map_err(|e| csv_error(path, &e))?.iter().map(str::to_owned).collect();
    let mut rows = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| csv_error(path, &error))?;
        if rows.len() == MOST_ROWS {
            let fault = format!("the table has more than {MOST_ROWS} rows");
            return Err(IntakeError::bad(path, "", fault, "hand in the rows of this series alone"));
        }
        let line = record.position().map_or(0, csv::Position::line);
        rows.push(GridRow { line, cells: Cells::Full(record) });
    }
    if rows.is_empty() {
        return Err(IntakeError::bad(path, "", "the table has a heading but no row", "add one row a section"));
    }
    Ok(Grid { origin: Origin::Table, path: path.to_path_buf(), headings, rows })
}

fn delimiter(text: &str) -> u8 {
    let heading = text.lines().next().unwrap_or_default();
    [b'\t', b',', b';']
        .into_iter()
        .max_by_key(|&d| (heading.bytes().filter(|&b| b == d).count(), d == b','))
        .unwrap_or(b',')
}

fn csv_error(path: &Path, error: &csv::Error) -> IntakeError {
    let place = error.position().map(|p| format!("line {}", p.line())).unwrap_or_default();
    let fault = match error.kind() {
        csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
            format!("{len} cells under {expected_len} headings")
        }
        _ => error.to_string(),
    };
    IntakeError::bad(path, place, fault, "give each row as many cells as there are headings")
}
