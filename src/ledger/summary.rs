//! One assessment in a line: what lists, charts and the table of sessions are made from, without the whole record.

use super::figures::FIGURES;
use super::store::Cell;
use crate::record::{Answer, Grade, Record, Specimen};
use serde::Serialize;
use serde::de::DeserializeOwned;

/// One assessment of one series.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// SHA-256 of the stack; where it could not be read to its end, its size and name.
    pub stack_sha256: String,
    /// Id of the series.
    pub series_id: String,
    /// 1 for the first record that was added of this series; 0 where it comes from no ledger.
    pub revision: i64,
    /// UTC time of the assessment, `2031-04-17T08:05:00Z`.
    pub assessed_at: String,
    /// Version of the program that made it.
    pub tool_version: String,
    /// Name of the profile.
    pub profile: String,
    /// Free text.
    pub title: Option<String>,
    /// Free text that groups series.
    pub session: Option<String>,
    /// Kind of specimen.
    pub specimen: Specimen,
    /// Name of the microscope.
    pub instrument: Option<String>,
    /// UTC time of the first exposure.
    pub started_at: Option<String>,
    /// Acceleration voltage.
    pub kv: Option<f64>,
    /// Pixel size.
    pub pixel_nm: Option<f64>,
    /// The verdict.
    pub answer: Answer,
    /// The verdict in one line.
    pub headline: String,
    /// Number of tilts.
    pub tilts: i64,
    /// Of these left out by the verdict.
    pub excluded_tilts: i64,
    /// Checks that could be graded.
    pub checks_made: i64,
    /// Of these with caution.
    pub checks_caution: i64,
    /// Of these failed.
    pub checks_failed: i64,
    /// The watched figures, in their order.
    pub figures: Vec<Option<f64>>,
    /// Where its report lay when it was added.
    pub report_path: Option<String>,
}

/// The columns of `assessments` that a summary fills, figures left out.
const COLUMNS: [&str; 19] = [
    "assessed_at",
    "tool_version",
    "profile",
    "title",
    "session",
    "specimen",
    "instrument",
    "started_at",
    "kv",
    "pixel_nm",
    "answer",
    "headline",
    "tilts",
    "excluded_tilts",
    "checks_made",
    "checks_caution",
    "checks_failed",
    "report_path",
    "revision",
];

/// The columns of `assessments` in the order of [`Summary::cells`].
pub fn columns() -> Vec<&'static str> {
    COLUMNS.into_iter().chain(FIGURES.iter().map(|figure| figure.id)).collect()
}

impl Summary {
    /// The summary of a record that is in no ledger yet.
    pub fn of(record: &Record, report_path: Option<String>) -> Self {
        let graded = |grade: Grade| record.checks.iter().filter(|check| check.grade == grade).count() as i64;
        let series = &record.series;
        Self {
            stack_sha256: stack(record),
            series_id: series.series_id.clone(),
            revision: 0,
            assessed_at: utc(&record.assessed_at).unwrap_or_else(|| record.assessed_at.clone()),
            tool_version: record.tool.version.clone(),
            profile: record.profile.name.clone(),
            title: series.title.clone(),
            session: series.session.clone(),
            specimen: series.specimen,
            instrument: series.instrument.clone(),
            started_at: series.started_at.as_deref().and_then(utc),
            kv: series.kv,
            pixel_nm: series.pixel_nm,
            answer: record.verdict.answer,
            headline: record.verdict.headline.clone(),
            tilts: record.tilts.len() as i64,
            excluded_tilts: record.tilts.iter().filter(|tilt| tilt.exclude).count() as i64,
            checks_made: record.verdict.checks_made as i64,
            checks_caution: graded(Grade::Caution),
            checks_failed: graded(Grade::Fail),
            figures: FIGURES.iter().map(|figure| (figure.of)(record).filter(|value| value.is_finite())).collect(),
            report_path,
        }
    }

    /// When the series began, else when it was assessed.
    pub fn time(&self) -> &str {
        self.started_at.as_deref().unwrap_or(&self.assessed_at)
    }

    /// Its values in the order of [`columns`].
    pub fn cells(&self) -> Vec<Cell> {
        let mut cells = vec![
            self.assessed_at.clone().into(),
            self.tool_version.clone().into(),
            self.profile.clone().into(),
            self.title.clone().into(),
            self.session.clone().into(),
            word(&self.specimen).into(),
            self.instrument.clone().into(),
            self.started_at.clone().into(),
            self.kv.into(),
            self.pixel_nm.into(),
            word(&self.answer).into(),
            self.headline.clone().into(),
            self.tilts.into(),
            self.excluded_tilts.into(),
            self.checks_made.into(),
            self.checks_caution.into(),
            self.checks_failed.into(),
            self.report_path.clone().into(),
            self.revision.into(),
        ];
        cells.extend(self.figures.iter().map(|&figure| figure.into()));
        cells
    }

    /// From stack, id, and [`columns`]; `None` where a cell is of the wrong kind.
    pub fn from_cells(cells: Vec<Cell>) -> Option<Self> {
        let mut cells = cells.into_iter();
        let mut next = || cells.next().unwrap_or(Cell::Null);
        Some(Self {
            stack_sha256: next().text()?,
            series_id: next().text()?,
            assessed_at: next().text()?,
            tool_version: next().text()?,
            profile: next().text()?,
            title: next().text(),
            session: next().text(),
            specimen: from_word(next().text()?)?,
            instrument: next().text(),
            started_at: next().text(),
            kv: next().real(),
            pixel_nm: next().real(),
            answer: from_word(next().text()?)?,
            headline: next().text()?,
            tilts: next().int()?,
            excluded_tilts: next().int()?,
            checks_made: next().int()?,
            checks_caution: next().int()?,
            checks_failed: next().int()?,
            report_path: next().text(),
            revision: next().int()?,
            figures: FIGURES.iter().map(|_| next().real()).collect(),
        })
    }
}

/// The hash of the stack; a stack that could not be read to its end is known by size and name.
fn stack(record: &Record) -> String {
    let stack = record.inputs.iter().find(|input| input.role == "stack");
    stack.map_or("no stack".into(), |stack| {
        stack.sha256.clone().unwrap_or_else(|| format!("unread, {} bytes, {}", stack.bytes, stack.name))
    })
}

/// A time as the ledger writes it; `None` of what is no RFC 3339 time.
pub fn utc(time: &str) -> Option<String> {
    let time: jiff::Timestamp = time.parse().ok()?;
    Some(time.strftime("%Y-%m-%dT%H:%M:%SZ").to_string())
}

/// The word that the record has for a value.
pub fn word(value: &impl Serialize) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(word)) => word,
        _ => String::new(),
    }
}

fn from_word<T: DeserializeOwned>(word: String) -> Option<T> {
    serde_json::from_value(serde_json::Value::String(word)).ok()
}
