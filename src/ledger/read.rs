//! What the ledger tells: lists, one series, whole records; and forgetting a series.

use super::store::{Cell, whole};
use super::summary::{Summary, columns};
use super::{Ledger, LedgerError};

/// Which assessments are meant.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Filter {
    /// Name of the microscope.
    pub instrument: Option<String>,
    /// Kind of specimen.
    pub specimen: Option<String>,
    /// First moment, UTC as the ledger writes times.
    pub since: Option<String>,
    /// First moment that is too late.
    pub until: Option<String>,
    /// Earlier revisions too.
    pub all_revisions: bool,
}

impl Filter {
    /// Whether an assessment is meant (its revision aside).
    pub fn takes(&self, summary: &Summary) -> bool {
        let is = |wanted: &Option<String>, found: &str| wanted.as_deref().is_none_or(|wanted| wanted == found);
        is(&self.instrument, summary.instrument.as_deref().unwrap_or_default())
            && is(&self.specimen, &super::summary::word(&summary.specimen))
            && self.since.as_deref().is_none_or(|since| summary.time() >= since)
            && self.until.as_deref().is_none_or(|until| summary.time() < until)
    }

    /// The rows of the ledger that are meant.
    fn from(&self) -> (String, Vec<Cell>) {
        let source = if self.all_revisions {
            "(SELECT series.series_id, series.stack_sha256, assessments.* FROM assessments \
             JOIN series ON series.series_key = assessments.series_key) AS every_one"
        } else {
            "latest"
        };
        let mut cells: Vec<Cell> = Vec::new();
        let mut clauses = Vec::new();
        for (clause, value) in [
            ("instrument =", &self.instrument),
            ("specimen =", &self.specimen),
            ("COALESCE(started_at, assessed_at) >=", &self.since),
            ("COALESCE(started_at, assessed_at) <", &self.until),
        ] {
            if let Some(value) = value {
                cells.push(value.as_str().into());
                clauses.push(format!("{clause} ${}", cells.len()));
            }
        }
        let only = if clauses.is_empty() { String::new() } else { format!(" WHERE {}", clauses.join(" AND ")) };
        (format!("{source}{only}"), cells)
    }
}

/// A series named by its id, and by the beginning of its stack's SHA-256 where the id alone is not enough:
/// `kelp-03` or `kelp-03@5d41`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SeriesName {
    id: String,
    stack: String,
}

impl SeriesName {
    /// Reads a name.
    pub fn parse(text: &str) -> Self {
        let (id, stack) = text.split_once('@').unwrap_or((text, ""));
        Self { id: id.into(), stack: stack.into() }
    }
}

const ORDER: &str = "ORDER BY COALESCE(started_at, assessed_at), series_id, stack_sha256, revision";

impl Ledger {
    /// The assessments that are meant, by time.
    ///
    /// # Errors
    /// What the database says.
    pub fn list(&mut self, filter: &Filter) -> Result<Vec<Summary>, LedgerError> {
        let (from, cells) = filter.from();
        let sql = format!("SELECT stack_sha256, series_id, {} FROM {from} {ORDER}", columns().join(", "));
        let mut found = Vec::new();
        self.store.each(&sql, &cells, &mut |row| {
            found.push(Summary::from_cells(row).ok_or_else(|| {
                LedgerError::new(
                    "the ledger",
                    "an entry holds a value of the wrong kind",
                    "see who else writes into it",
                )
            })?);
            Ok(())
        })?;
        Ok(found)
    }

    /// Hands the whole record of each assessment that is meant to `each`, by time.
    ///
    /// # Errors
    /// What the database, or `each`, says.
    pub fn records(
        &mut self,
        filter: &Filter,
        each: &mut dyn FnMut(String) -> Result<(), LedgerError>,
    ) -> Result<(), LedgerError> {
        let (from, cells) = filter.from();
        // Keys first: a large answer is not held up while one record after the other is handed out.
        let sql = format!("SELECT assessment_key FROM {from} {ORDER}");
        let keys = self.store.rows(&sql, &cells)?;
        for key in keys.into_iter().flatten() {
            let rows = self.store.rows("SELECT record FROM records WHERE assessment_key = $1", &[key])?;
            // Forgotten meanwhile: nothing to hand out.
            if let Some(text) = rows.into_iter().flatten().next().and_then(Cell::text) {
                each(text)?;
            }
        }
        Ok(())
    }

    /// The revisions of one series, the first first, with their whole records.
    ///
    /// # Errors
    /// No such series, or several; what the database says.
    pub fn show(&mut self, name: &SeriesName) -> Result<Vec<(Summary, String)>, LedgerError> {
        let series = self.series(name)?;
        let names: Vec<String> = columns().iter().map(|column| format!("assessments.{column}")).collect();
        let sql = format!(
            "SELECT records.record, series.stack_sha256, series.series_id, {} FROM assessments \
             JOIN series ON series.series_key = assessments.series_key \
             JOIN records ON records.assessment_key = assessments.assessment_key \
             WHERE assessments.series_key = $1 ORDER BY assessments.revision",
            names.join(", ")
        );
        let rows = self.store.rows(&sql, &[series.into()])?;
        let shown = rows.into_iter().filter_map(|mut row| {
            let text = row.remove(0).text()?;
            Some((Summary::from_cells(row)?, text))
        });
        Ok(shown.collect())
    }

    /// Takes a series out of the ledger, all its revisions with their tilts, checks and records; gives their number.
    ///
    /// # Errors
    /// No such series, or several; what the database says. Then the ledger is as it was.
    pub fn forget(&mut self, name: &SeriesName) -> Result<u64, LedgerError> {
        let series = self.series(name)?;
        whole(self.store.as_mut(), |store| {
            let count = "SELECT COUNT(*) FROM assessments WHERE series_key = $1";
            let revisions = store.rows(count, &[series.into()])?;
            store.run("DELETE FROM series WHERE series_key = $1", &[series.into()])?;
            Ok(revisions.first().and_then(|row| row.first()).and_then(Cell::int).unwrap_or(0).unsigned_abs())
        })
    }

    fn series(&mut self, name: &SeriesName) -> Result<i64, LedgerError> {
        let rows = self.store.rows(
            "SELECT series_key, stack_sha256 FROM series WHERE series_id = $1 ORDER BY stack_sha256",
            &[name.id.as_str().into()],
        )?;
        let pairs = rows.into_iter().filter_map(|row| match row.as_slice() {
            [Cell::Int(key), Cell::Text(stack)] if stack.starts_with(&name.stack) => Some((*key, stack.clone())),
            _ => None,
        });
        let found: Vec<(i64, String)> = pairs.collect();
        match found.as_slice() {
            [(key, _)] => Ok(*key),
            [] => {
                Err(LedgerError::new(&name.id, "the ledger has no such series", "`tiltworth ledger list` names them"))
            }
            several => {
                let stacks: Vec<String> = several
                    .iter()
                    .map(|(_, stack)| format!("{}@{}", name.id, stack.chars().take(12).collect::<String>()))
                    .collect();
                let fault = format!("{} stacks of the ledger have this id", several.len());
                Err(LedgerError::new(&name.id, &fault, &format!("name one of {}", stacks.join(", "))))
            }
        }
    }
}
