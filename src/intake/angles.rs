//! The plain list of angles: one goniometer angle in degrees a line, in stack order.

use crate::intake::error::IntakeError;
use crate::intake::table::{Row, check_angle};
use crate::intake::text::read_text;
use std::path::Path;

/// Reads a list of angles; blank lines at the end are no angles.
///
/// # Errors
/// Names the line and what stands there in place of an angle.
pub fn read(path: &Path) -> Result<Vec<Row>, IntakeError> {
    let text = read_text(path)?;
    let rows: Result<Vec<Row>, IntakeError> = text
        .trim_end()
        .lines()
        .enumerate()
        .map(|(at, line)| Ok(Row { line: at as u64 + 1, tilt_deg: angle(path, at + 1, line)?, ..Row::default() }))
        .collect();
    let rows = rows?;
    if rows.is_empty() {
        return Err(IntakeError::bad(path, "", "the list holds no angle", "write one angle in degrees a line"));
    }
    Ok(rows)
}

fn angle(path: &Path, line: usize, text: &str) -> Result<f64, IntakeError> {
    let text = text.trim();
    let remedy = if text.contains(',') { "write a decimal point" } else { "write one angle in degrees a line" };
    let wrong = |fault| IntakeError::bad(path, format!("line {line}"), fault, remedy);
    let angle: f64 = text.parse().map_err(|_| wrong(format!("\"{text}\" is no number")))?;
    check_angle(angle).map_err(wrong)?;
    Ok(angle)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_angle_a_line() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.txt");
        std::fs::write(&path, "-60.02\n 0\r\n1.5e1\n\n").unwrap();
        let angles: Vec<f64> = read(&path).unwrap().iter().map(|row| row.tilt_deg).collect();
        assert_eq!(angles, [-60.02, 0.0, 15.0]);
        for (text, fault) in
            [("1\nx\n", "line 2: \"x\" is no number"), ("nan\n", "line 1: \"NaN\" is no number"), ("", "no angle")]
        {
            std::fs::write(&path, text).unwrap();
            assert!(read(&path).unwrap_err().to_string().contains(fault));
        }
    }
}
