//! The plain list of angles: one goniometer angle in degrees a line, in stack order.

use crate::intake::error::IntakeError;
use crate::intake::grid::{Cells, Grid, GridRow, Origin};
use crate::intake::rows::check_angle;
use crate::intake::table::MOST_ROWS;
use crate::intake::text::read_text;
use std::path::Path;

/// Reads a list of angles; blank lines at the end are no angles.
///
/// # Errors
/// Names the line and what stands there in place of an angle.
pub fn read(path: &Path) -> Result<Grid, IntakeError> {
    parse(path, &read_text(path)?)
}

/// Reads the text of a list; `path` is named in errors.
///
/// # Errors
/// As [`read`].
pub fn parse(path: &Path, text: &str) -> Result<Grid, IntakeError> {
    let mut rows = Vec::new();
    for (at, line) in text.trim_end().lines().enumerate() {
        if at == MOST_ROWS {
            let fault = format!("the list has more than {MOST_ROWS} lines");
            return Err(IntakeError::bad(path, "", fault, "hand in the angles of this series alone"));
        }
        check(path, at + 1, line)?;
        let cells = Cells::Sparse(vec![(0, line.trim().to_owned())]);
        rows.push(GridRow { line: at as u64 + 1, cells });
    }
    if rows.is_empty() {
        return Err(IntakeError::bad(path, "", "the list holds no angle", "write one angle in degrees a line"));
    }
    Ok(Grid { origin: Origin::Angles, path: path.to_path_buf(), headings: vec!["tilt_deg".into()], rows })
}

fn check(path: &Path, line: usize, text: &str) -> Result<(), IntakeError> {
    let text = text.trim();
    let remedy = if text.contains(',') { "write a decimal point" } else { "write one angle in degrees a line" };
    let wrong = |fault| IntakeError::bad(path, format!("line {line}"), fault, remedy);
    let angle: f64 = text.parse().map_err(|_| wrong(format!("\"{text}\" is no number")))?;
    check_angle(angle).map_err(wrong)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_angle_a_line() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.txt");
        std::fs::write(&path, "-60.02\n 0\r\n1.5e1\n\n").unwrap();
        let grid = read(&path).unwrap();
        let angles: Vec<&str> = grid.rows.iter().filter_map(|row| row.cells.get(0)).collect();
        assert_eq!(angles, ["-60.02", "0", "1.5e1"]);
        for (text, fault) in
            [("1\nx\n", "line 2: \"x\" is no number"), ("nan\n", "line 1: \"NaN\" is no number"), ("", "no angle")]
        {
            std::fs::write(&path, text).unwrap();
            assert!(read(&path).unwrap_err().to_string().contains(fault));
        }
    }
}
