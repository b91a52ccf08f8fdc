//! A record into the ledger: once, in one transaction, as a new revision where the series is known.

use super::store::{Cell, Store, insert, whole};
use super::summary::{Summary, columns, word};
use super::{Ledger, LedgerError};
use crate::record::hashes::hex;
use crate::record::{Check, Limit, Record, Sense, Tilt};
use serde_json::Value;
use sha2::{Digest, Sha256};

/// What adding did.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Added {
    /// The first assessment of a series.
    New,
    /// A further assessment of a known series.
    Revision(i64),
    /// Nothing: this record is there already.
    Known(i64),
}

impl Ledger {
    /// Adds a record from its text; `report_path` is where its report lies.
    ///
    /// The same record adds nothing, however its keys are ordered or its lines broken. Another record of the same series
    /// becomes its next revision; the earlier ones stay.
    ///
    /// # Errors
    /// A text that is no record; what the database says. Then the ledger is as it was.
    pub fn add(&mut self, text: &str, origin: &str, report_path: Option<String>) -> Result<Added, LedgerError> {
        let record = crate::record::reading::parse(text, origin).map_err(|error| LedgerError::passed(&error))?;
        let value: Value = serde_json::from_str(text).map_err(|error| LedgerError::passed(&error))?;
        let digest = hex(&Sha256::digest(canonical(&value).as_bytes()));
        let summary = Summary::of(&record, report_path);
        let now = jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string();
        let whole_record = value.to_string();
        whole(self.store.as_mut(), |store| put(store, &record, summary, &digest, &now, &whole_record))
    }
}

fn put(
    store: &mut dyn Store,
    record: &Record,
    mut summary: Summary,
    digest: &str,
    now: &str,
    whole_record: &str,
) -> Result<Added, LedgerError> {
    let identity = [summary.stack_sha256.clone().into(), summary.series_id.clone().into()];
    store.run("INSERT INTO series (stack_sha256, series_id) VALUES ($1, $2) ON CONFLICT DO NOTHING", &identity)?;
    // Two writers of one series go one after the other from here on.
    let lock = store.dialect().for_update;
    let find = format!("SELECT series_key FROM series WHERE stack_sha256 = $1 AND series_id = $2{lock}");
    let series = key(store, &find, &identity)?;
    let same = "SELECT revision FROM assessments WHERE series_key = $1 AND record_sha256 = $2";
    if let Some(revision) = first(store.rows(same, &[series.into(), digest.into()])?) {
        return Ok(Added::Known(revision));
    }
    let last = "SELECT MAX(revision) FROM assessments WHERE series_key = $1";
    summary.revision = first(store.rows(last, &[series.into()])?).unwrap_or(0) + 1;
    let mut names = vec!["series_key", "record_sha256", "added_at"];
    names.extend(columns());
    let mut cells = vec![series.into(), digest.into(), now.into()];
    cells.extend(summary.cells());
    insert(store, "assessments", &names, vec![cells])?;
    let find = "SELECT assessment_key FROM assessments WHERE series_key = $1 AND revision = $2";
    let assessment = key(store, find, &[series.into(), summary.revision.into()])?;
    insert(store, "records", &["assessment_key", "record"], vec![vec![assessment.into(), whole_record.into()]])?;
    let tilts = record.tilts.iter().enumerate().map(|(at, tilt)| tilt_cells(assessment, at, tilt)).collect();
    insert(store, "tilts", &TILT_COLUMNS, tilts)?;
    let checks = record.checks.iter().map(|check| check_cells(assessment, check)).collect();
    insert(store, "checks", &CHECK_COLUMNS, checks)?;
    Ok(if summary.revision == 1 { Added::New } else { Added::Revision(summary.revision) })
}

fn first(rows: Vec<Vec<Cell>>) -> Option<i64> {
    rows.first()?.first()?.int()
}

fn key(store: &mut dyn Store, sql: &str, cells: &[Cell]) -> Result<i64, LedgerError> {
    first(store.rows(sql, cells)?).ok_or_else(|| {
        LedgerError::new("the ledger", "an entry that was just written is not there", "somebody else deletes from it")
    })
}

/// A record's text that does not hang on the order of its keys or on its line breaks.
fn canonical(value: &Value) -> String {
    match value {
        Value::Object(keys) => {
            let mut pairs: Vec<(&String, &Value)> = keys.iter().collect();
            pairs.sort_by_key(|(key, _)| *key);
            let pairs: Vec<String> = pairs
                .iter()
                .map(|(key, value)| format!("{}:{}", Value::from(key.as_str()), canonical(value)))
                .collect();
            format!("{{{}}}", pairs.join(","))
        }
        Value::Array(items) => format!("[{}]", items.iter().map(canonical).collect::<Vec<_>>().join(",")),
        other => other.to_string(),
    }
}

const TILT_COLUMNS: [&str; 25] = [
    "assessment_key",
    "tilt_index",
    "tilt_deg",
    "acquisition_order",
    "acquired_at",
    "grade",
    "flags",
    "excluded",
    "counts_mean",
    "counts_ratio_to_target",
    "saturated_fraction",
    "dark_area_fraction",
    "defocus_um",
    "defocus_error_um",
    "astigmatism_um",
    "astigmatism_deg",
    "sharpness",
    "sharpness_relative",
    "directional_loss",
    "shift_x_px",
    "shift_y_px",
    "step_px",
    "shared_area_fraction",
    "dose_e_per_a2",
    "dose_before_e_per_a2",
];

fn tilt_cells(assessment: i64, at: usize, tilt: &Tilt) -> Vec<Cell> {
    let (focus, tracking) = (tilt.focus.as_ref(), tilt.tracking.as_ref());
    vec![
        assessment.into(),
        at.into(),
        tilt.tilt_deg.into(),
        tilt.order.into(),
        tilt.acquired_at.as_deref().and_then(super::summary::utc).into(),
        word(&tilt.grade).into(),
        tilt.flags.join(" ").into(),
        i64::from(tilt.exclude).into(),
        tilt.counts.mean.into(),
        tilt.counts.ratio_to_target.into(),
        tilt.counts.saturated_fraction.into(),
        tilt.counts.dark_area_fraction.into(),
        focus.and_then(|focus| focus.defocus_um).into(),
        focus.and_then(|focus| focus.error_um).into(),
        focus.and_then(|focus| focus.astigmatism_um).into(),
        focus.and_then(|focus| focus.astigmatism_deg).into(),
        tilt.sharpness.value.into(),
        tilt.sharpness.relative.into(),
        tilt.sharpness.directional_loss.into(),
        tracking.and_then(|tracking| tracking.shift_x_px).into(),
        tracking.and_then(|tracking| tracking.shift_y_px).into(),
        tracking.and_then(|tracking| tracking.step_px).into(),
        tracking.and_then(|tracking| tracking.shared_area_fraction).into(),
        tilt.dose.this_e_per_A2.into(),
        tilt.dose.before_e_per_A2.into(),
    ]
}

const CHECK_COLUMNS: [&str; 10] = [
    "assessment_key",
    "check_id",
    "grade",
    "value",
    "unit",
    "caution_low",
    "caution_high",
    "fail_low",
    "fail_high",
    "why",
];

fn check_cells(assessment: i64, check: &Check) -> Vec<Cell> {
    let [caution_low, caution_high] = sides(check.caution, check.sense);
    let [fail_low, fail_high] = sides(check.fail, check.sense);
    vec![
        assessment.into(),
        check.id.clone().into(),
        word(&check.grade).into(),
        check.value.into(),
        check.unit.clone().into(),
        caution_low.into(),
        caution_high.into(),
        fail_low.into(),
        fail_high.into(),
        check.why.clone().into(),
    ]
}

/// The lowest and the highest value within a limit.
fn sides(limit: Option<Limit>, sense: Sense) -> [Option<f64>; 2] {
    match (limit, sense) {
        (None, _) => [None, None],
        (Some(Limit::Between([low, high])), _) => [Some(low), Some(high)],
        (Some(Limit::One(limit)), Sense::Below) => [Some(limit), None],
        (Some(Limit::One(limit)), _) => [None, Some(limit)],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_canonical_text_hangs_on_nothing_but_what_is_said() {
        let a: Value = serde_json::from_str("{\"b\": [1, 2.50], \"a\": {\"y\": null, \"x\": \"\\u00e9\"}}").unwrap();
        let b: Value = serde_json::from_str("{\"a\":{\"x\":\"é\",\"y\":null},\n \"b\":[1,2.5]}").unwrap();
        assert_eq!(canonical(&a), canonical(&b));
        assert_eq!(canonical(&a), "{\"a\":{\"x\":\"é\",\"y\":null},\"b\":[1,2.5]}");
    }
}
