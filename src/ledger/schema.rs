//! The tables, and how an earlier ledger becomes a current one.
//!
//! A migration that has been published is never changed: what differs later is a further one. `{key}` stands for the
//! store's word for a key that it counts up. Times are texts in UTC, `2031-04-17T08:05:00Z`, which sort as they follow
//! each other; a truth is 0 or 1: so a query reads the same on both stores.

use super::LedgerError;
use super::store::{Store, whole};

/// What makes version n + 1 out of version n.
pub const MIGRATIONS: [&str; 2] = [TABLES, LATEST];

/// The first ledger.
const TABLES: &str = "
CREATE TABLE series (
    series_key {key},
    stack_sha256 TEXT NOT NULL,
    series_id TEXT NOT NULL,
    UNIQUE (stack_sha256, series_id)
);
CREATE TABLE assessments (
    assessment_key {key},
    series_key BIGINT NOT NULL REFERENCES series (series_key) ON DELETE CASCADE,
    revision BIGINT NOT NULL,
    record_sha256 TEXT NOT NULL,
    added_at TEXT NOT NULL,
    assessed_at TEXT NOT NULL,
    tool_version TEXT NOT NULL,
    profile TEXT NOT NULL,
    title TEXT,
    session TEXT,
    specimen TEXT NOT NULL,
    instrument TEXT,
    started_at TEXT,
    kv DOUBLE PRECISION,
    pixel_nm DOUBLE PRECISION,
    answer TEXT NOT NULL,
    headline TEXT NOT NULL,
    tilts BIGINT NOT NULL,
    excluded_tilts BIGINT NOT NULL,
    checks_made BIGINT NOT NULL,
    checks_caution BIGINT NOT NULL,
    checks_failed BIGINT NOT NULL,
    counts_ratio DOUBLE PRECISION,
    zero_tilt_ratio DOUBLE PRECISION,
    defocus_error_um DOUBLE PRECISION,
    defocus_spread_um DOUBLE PRECISION,
    astigmatism_um DOUBLE PRECISION,
    sharpness DOUBLE PRECISION,
    seam_residual_px DOUBLE PRECISION,
    seam_distortion_px DOUBLE PRECISION,
    tracking_step_px DOUBLE PRECISION,
    axis_offset_um DOUBLE PRECISION,
    height_offset_um DOUBLE PRECISION,
    dose_match DOUBLE PRECISION,
    report_path TEXT,
    UNIQUE (series_key, revision),
    UNIQUE (series_key, record_sha256)
);
CREATE TABLE records (
    assessment_key BIGINT PRIMARY KEY REFERENCES assessments (assessment_key) ON DELETE CASCADE,
    record TEXT NOT NULL
);
CREATE TABLE tilts (
    assessment_key BIGINT NOT NULL REFERENCES assessments (assessment_key) ON DELETE CASCADE,
    tilt_index BIGINT NOT NULL,
    tilt_deg DOUBLE PRECISION NOT NULL,
    acquisition_order BIGINT NOT NULL,
    acquired_at TEXT,
    grade TEXT NOT NULL,
    flags TEXT NOT NULL,
    excluded BIGINT NOT NULL,
    counts_mean DOUBLE PRECISION,
    counts_ratio_to_target DOUBLE PRECISION,
    saturated_fraction DOUBLE PRECISION,
    dark_area_fraction DOUBLE PRECISION,
    defocus_um DOUBLE PRECISION,
    defocus_error_um DOUBLE PRECISION,
    astigmatism_um DOUBLE PRECISION,
    astigmatism_deg DOUBLE PRECISION,
    sharpness DOUBLE PRECISION,
    sharpness_relative DOUBLE PRECISION,
    directional_loss DOUBLE PRECISION,
    shift_x_px DOUBLE PRECISION,
    shift_y_px DOUBLE PRECISION,
    step_px DOUBLE PRECISION,
    shared_area_fraction DOUBLE PRECISION,
    dose_e_per_a2 DOUBLE PRECISION,
    dose_before_e_per_a2 DOUBLE PRECISION,
    PRIMARY KEY (assessment_key, tilt_index)
);
CREATE TABLE checks (
    assessment_key BIGINT NOT NULL REFERENCES assessments (assessment_key) ON DELETE CASCADE,
    check_id TEXT NOT NULL,
    grade TEXT NOT NULL,
    value DOUBLE PRECISION,
    unit TEXT NOT NULL,
    caution_low DOUBLE PRECISION,
    caution_high DOUBLE PRECISION,
    fail_low DOUBLE PRECISION,
    fail_high DOUBLE PRECISION,
    why TEXT NOT NULL,
    PRIMARY KEY (assessment_key, check_id)
);
";

/// Of each series the assessment that was made last (of two made in one second, the one added later), with its identity.
const LATEST: &str = "
CREATE INDEX assessments_by_start ON assessments (started_at);
CREATE INDEX checks_by_id ON checks (check_id, grade);
CREATE VIEW latest AS
SELECT series.series_id, series.stack_sha256, assessments.*
FROM assessments JOIN series ON series.series_key = assessments.series_key
WHERE NOT EXISTS (
    SELECT 1 FROM assessments AS other
    WHERE other.series_key = assessments.series_key
      AND (other.assessed_at > assessments.assessed_at
           OR (other.assessed_at = assessments.assessed_at AND other.revision > assessments.revision))
);
";

/// The version that this tiltworth reads and writes.
pub fn current() -> i64 {
    MIGRATIONS.len() as i64
}

/// Brings a ledger to the current version, in one transaction.
///
/// # Errors
/// A ledger of a later version; what the database says.
pub fn migrate(store: &mut dyn Store) -> Result<(), LedgerError> {
    migrate_to(store, current())
}

/// [`migrate`] up to a version, as earlier tiltworths made it.
///
/// # Errors
/// As [`migrate`].
pub fn migrate_to(store: &mut dyn Store, wanted: i64) -> Result<(), LedgerError> {
    let found = store.version()?;
    if found > current() {
        return Err(LedgerError::new(
            "the ledger",
            &format!("its layout is version {found}, this tiltworth knows up to {}", current()),
            "use the tiltworth that wrote it, or a later one",
        ));
    }
    if found >= wanted {
        return Ok(());
    }
    let dialect = store.dialect();
    whole(store, |store| {
        store.script(dialect.lock_schema)?;
        // Asked again under the lock: another writer may have been faster.
        let found = store.version()?;
        if found == 0 {
            store.script(
                "CREATE TABLE ledger_version (version BIGINT NOT NULL); INSERT INTO ledger_version VALUES (0)",
            )?;
        }
        let missing = MIGRATIONS.iter().take(usize::try_from(wanted).unwrap_or(0));
        for migration in missing.skip(usize::try_from(found).unwrap_or(0)) {
            store.script(&migration.replace("{key}", dialect.key))?;
        }
        store.run("UPDATE ledger_version SET version = $1 WHERE version < $1", &[wanted.into()])?;
        Ok(())
    })
}
