//! A site's own text log, read by the patterns of `[log]`: `record_start` opens a section's record, `field` reads the
//! lines that follow. Named groups of the first are headings, `key` and `value` of the second give the others.
//!
//! Patterns are those of the `regex` crate, whose time grows with the text and never explodes; their size, the text
//! and its lines are bounded as well.

use crate::intake::error::IntakeError;
use crate::intake::grid::{Cells, Grid, GridRow, Origin};
use crate::intake::table::MOST_ROWS;
use crate::intake::text::read_text;
use regex::{Captures, Regex, RegexBuilder};
use serde::Deserialize;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// `[log]` of the series sheet.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct LogSheet {
    /// The log, from the sheet's folder.
    pub file: PathBuf,
    /// Opens a record.
    pub record_start: String,
    /// Reads a line of a record.
    pub field: String,
}

/// A compiled pattern may take this much memory: thousands of states, where a log's lines need a few dozen.
const MOST_PATTERN_BYTES: usize = 256 << 10;
/// Far beyond any line that a person could read.
const LONGEST_LINE: usize = 10_000;
/// A series has a few hundred records with a few dozen keys.
const MOST_HEADINGS: usize = 2_000;
const SHOWN_OF_A_LINE: usize = 80;

/// What the patterns caught, for the one who writes them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct LogSeen {
    /// The file's name.
    pub file: String,
    /// Records that `record_start` opened.
    pub records: usize,
    /// Lines that `field` read.
    pub fields: usize,
    /// Lines with text that neither pattern read.
    pub missed: usize,
    /// The first of them: its number and text.
    pub first_missed: Option<(usize, String)>,
    /// The first of them inside a record.
    pub first_missed_in_record: Option<(usize, String)>,
    /// Times that a key came again in its record; the last value counts.
    pub repeated: usize,
}

/// Reads a log.
///
/// # Errors
/// A pattern that is none, lacks its groups or is too large; a text without a record or beyond the bounds.
pub fn read(folder: &Path, sheet_path: &Path, sheet: &LogSheet) -> Result<(Grid, LogSeen), IntakeError> {
    let path = folder.join(&sheet.file);
    let text = read_text(&path)?;
    parse(&path, &text, sheet_path, sheet)
}

/// Reads the text of a log; `path` and `sheet_path` are named in errors.
///
/// # Errors
/// As [`read`].
pub fn parse(path: &Path, text: &str, sheet_path: &Path, sheet: &LogSheet) -> Result<(Grid, LogSeen), IntakeError> {
    let start = pattern(sheet_path, "log.record_start", &sheet.record_start)?;
    let field = pattern(sheet_path, "log.field", &sheet.field)?;
    let names: Vec<Option<&str>> = field.capture_names().collect();
    if !names.contains(&Some("key")) || !names.contains(&Some("value")) {
        let fault = "the pattern lacks the named groups key and value";
        let remedy = "write them as (?P<key>…) and (?P<value>…)";
        return Err(IntakeError::bad(sheet_path, "log.field", fault, remedy));
    }
    let mut reader = Reader { path, headings: HashMap::new(), rows: Vec::new(), seen: LogSeen::default() };
    reader.seen.file = crate::intake::grid::file_name(path);
    for (at, line) in text.lines().enumerate() {
        reader.line(at + 1, line, &start, &field)?;
    }
    reader.finish()
}

fn pattern(sheet_path: &Path, key: &str, text: &str) -> Result<Regex, IntakeError> {
    RegexBuilder::new(text).size_limit(MOST_PATTERN_BYTES).dfa_size_limit(MOST_PATTERN_BYTES * 4).build().map_err(
        |error| {
            let (fault, remedy) = match error {
                regex::Error::CompiledTooBig(_) => ("the pattern is too large".to_owned(), "write a simpler one"),
                error => {
                    let reason = error.to_string();
                    let last = reason.lines().last().unwrap_or_default().trim_start_matches("error: ").to_owned();
                    (format!("the pattern cannot be used ({last})"), "correct it (syntax of Rust's regex crate)")
                }
            };
            IntakeError::bad(sheet_path, key, fault, remedy)
        },
    )
}

struct Reader<'a> {
    path: &'a Path,
    headings: HashMap<String, usize>,
    rows: Vec<GridRow>,
    seen: LogSeen,
}

impl Reader<'_> {
    fn line(&mut self, number: usize, line: &str, start: &Regex, field: &Regex) -> Result<(), IntakeError> {
        if line.len() > LONGEST_LINE {
            let fault = format!("the line has {} bytes, more than {LONGEST_LINE}", line.len());
            return Err(IntakeError::bad(self.path, format!("line {number}"), fault, "hand in a log of plain lines"));
        }
        if let Some(found) = start.captures(line) {
            return self.open(number, start, &found);
        }
        if !self.rows.is_empty()
            && let Some(found) = field.captures(line)
            && let (Some(key), Some(value)) = (found.name("key"), found.name("value"))
        {
            self.seen.fields += 1;
            return self.put(number, key.as_str().trim(), value.as_str().trim());
        }
        if !line.trim().is_empty() {
            self.miss(number, line);
        }
        Ok(())
    }

    fn open(&mut self, number: usize, start: &Regex, found: &Captures<'_>) -> Result<(), IntakeError> {
        if self.rows.len() == MOST_ROWS {
            let fault = format!("the log has more than {MOST_ROWS} records");
            return Err(IntakeError::bad(self.path, format!("line {number}"), fault, "hand in the log of one series"));
        }
        self.seen.records += 1;
        self.rows.push(GridRow { line: number as u64, cells: Cells::Sparse(Vec::new()) });
        for name in start.capture_names().flatten() {
            if let Some(value) = found.name(name) {
                self.put(number, name, value.as_str().trim())?;
            }
        }
        Ok(())
    }

    fn put(&mut self, number: usize, key: &str, value: &str) -> Result<(), IntakeError> {
        let next = self.headings.len();
        let at = match self.headings.get(key) {
            Some(&at) => at,
            None if next == MOST_HEADINGS => {
                let fault = format!("the log has more than {MOST_HEADINGS} different keys");
                let remedy = "narrow the pattern log.field";
                return Err(IntakeError::bad(self.path, format!("line {number}"), fault, remedy));
            }
            None => {
                self.headings.insert(key.to_owned(), next);
                next
            }
        };
        let Some(GridRow { cells: Cells::Sparse(cells), .. }) = self.rows.last_mut() else { return Ok(()) };
        if let Some(earlier) = cells.iter_mut().find(|(heading, _)| *heading == at) {
            value.clone_into(&mut earlier.1);
            self.seen.repeated += 1;
        } else {
            cells.push((at, value.to_owned()));
        }
        Ok(())
    }

    fn miss(&mut self, number: usize, line: &str) {
        let shown = || Some((number, line.trim().chars().take(SHOWN_OF_A_LINE).collect()));
        self.seen.missed += 1;
        if self.seen.first_missed.is_none() {
            self.seen.first_missed = shown();
        }
        if !self.rows.is_empty() && self.seen.first_missed_in_record.is_none() {
            self.seen.first_missed_in_record = shown();
        }
    }

    fn finish(self) -> Result<(Grid, LogSeen), IntakeError> {
        if self.rows.is_empty() {
            let first = self.seen.first_missed.map(|(line, text)| format!(" (line {line} reads \"{text}\")"));
            let fault = format!("log.record_start opens no record in it{}", first.unwrap_or_default());
            return Err(IntakeError::bad(self.path, "", fault, "correct the pattern in the series sheet"));
        }
        let mut headings: Vec<(String, usize)> = self.headings.into_iter().collect();
        headings.sort_by_key(|(_, at)| *at);
        let headings = headings.into_iter().map(|(heading, _)| heading).collect();
        Ok((Grid { origin: Origin::Log, path: self.path.to_path_buf(), headings, rows: self.rows }, self.seen))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOG: &str = "microscope warm at last\n\n== exposure 0 at 09:30 ==\n  angle : -3.0\n stage x: 1.25\n\
                       vacuum fine\n== exposure 1 at 09:31 ==\n  angle: 0.0\n angle: 0.1\n";

    fn sheet(start: &str, field: &str) -> LogSheet {
        LogSheet { file: "night.log".into(), record_start: start.into(), field: field.into() }
    }

    fn run(text: &str, sheet: &LogSheet) -> Result<(Grid, LogSeen), String> {
        parse(Path::new("night.log"), text, Path::new("series.toml"), sheet).map_err(|error| error.to_string())
    }

    const START: &str = r"^== exposure (?P<section>\d+) at (?P<clock>\S+)";
    const FIELD: &str = r"^\s*(?P<key>[^:]+):\s*(?P<value>.*)$";

    #[test]
    fn records_become_rows_and_keys_headings() {
        let (grid, seen) = run(LOG, &sheet(START, FIELD)).unwrap();
        assert_eq!(grid.headings, ["section", "clock", "angle", "stage x"]);
        let cells: Vec<Vec<Option<&str>>> =
            grid.rows.iter().map(|row| (0..4).map(|at| row.cells.get(at)).collect()).collect();
        assert_eq!(cells[0], [Some("0"), Some("09:30"), Some("-3.0"), Some("1.25")]);
        assert_eq!(cells[1], [Some("1"), Some("09:31"), Some("0.1"), None]);
        assert_eq!((seen.records, seen.fields, seen.missed, seen.repeated), (2, 4, 2, 1));
        assert_eq!(seen.first_missed, Some((1, "microscope warm at last".into())));
        assert_eq!(seen.first_missed_in_record, Some((6, "vacuum fine".into())));
    }

    #[test]
    fn wrong_patterns_are_named_by_their_key() {
        let message = run(LOG, &sheet("(", FIELD)).unwrap_err();
        assert_eq!(
            message,
            "series.toml, log.record_start: the pattern cannot be used (unclosed group); correct it (syntax of Rust's \
             regex crate)"
        );
        let message = run(LOG, &sheet(START, "(?P<key>.*)")).unwrap_err();
        assert!(message.starts_with("series.toml, log.field: the pattern lacks the named groups key and value;"));
        let message = run(LOG, &sheet(r"\w{999}{99}", FIELD)).unwrap_err();
        assert_eq!(message, "series.toml, log.record_start: the pattern is too large; write a simpler one");
        let message = run(LOG, &sheet("^nothing", FIELD)).unwrap_err();
        assert!(message.starts_with("night.log: log.record_start opens no record in it (line 1 reads"), "{message}");
    }

    #[test]
    fn patterns_that_explode_elsewhere_take_linear_time() {
        let text = format!("{}\n", "a".repeat(LONGEST_LINE)).repeat(200);
        let message = run(&text, &sheet("^(a*)*(a|a)*b", "(?P<key>(a+)+)c(?P<value>)")).unwrap_err();
        assert!(message.contains("opens no record"), "{message}");
    }

    #[test]
    fn texts_beyond_the_bounds_are_refused() {
        let message = run(&"a".repeat(LONGEST_LINE + 1), &sheet(START, FIELD)).unwrap_err();
        assert!(message.starts_with("night.log, line 1: the line has 10001 bytes"), "{message}");
        let keys: String = (0..=MOST_HEADINGS).map(|i| format!("k{i}: 1\n")).collect();
        let message = run(&format!("== exposure 0 at 1\n{keys}"), &sheet(START, FIELD)).unwrap_err();
        assert!(message.contains("more than 2000 different keys"), "{message}");
    }
}
