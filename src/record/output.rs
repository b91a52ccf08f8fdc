//! The output folder: everything that an assessment writes, whole or not at all.
//!
//! All files are written into a hidden folder beside the output folder, flushed to the disk, and moved into place
//! by one rename. An earlier result is never replaced without `force`; with it, the earlier folder is moved aside
//! first and removed only once the new one stands.

use crate::record::evidence::Evidence;
use crate::record::pair::PairRecord;
use crate::record::tables;
use crate::record::{Record, archive::ArchiveError, tables::csv_text};
use crate::record::{alignment_table, archive};
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// A result that could not be written; nothing was.
#[derive(Debug, thiserror::Error)]
pub enum OutputError {
    /// A result is there already.
    #[error("{}: it exists already; choose another folder with --out, or replace it with --force", .0.display())]
    Exists(PathBuf),
    /// With `--force`, a folder that holds other things than a result of ours.
    #[error("{}: it holds {name}, which is no file of tiltworth's, and is not replaced; choose another folder with --out", folder.display())]
    NotOurs {
        /// The folder.
        folder: PathBuf,
        /// The strange file.
        name: String,
    },
    /// The disk refused.
    #[error("{}: it cannot be written ({error}); nothing was written: check the space on the disk and the permission", file.display())]
    Disk {
        /// What was to be written.
        file: PathBuf,
        /// What the system said.
        error: io::Error,
    },
    /// The record could not be turned into a file.
    #[error("{0} cannot be made ({1}): this is a fault of tiltworth's, please report it")]
    Inner(&'static str, String),
}

impl OutputError {
    fn disk(file: &Path, error: io::Error) -> Self {
        Self::Disk { file: file.to_path_buf(), error }
    }
}

/// The files that a result folder holds.
pub const FILES: [&str; 7] =
    ["report.html", "record.json", "tilts.csv", "dose-weights.csv", "alignment.csv", "evidence.zip", "report.pdf"];

/// Refuses an output folder that is in the way; to be asked before the work begins.
///
/// # Errors
/// The folder exists and may not be replaced.
pub fn check(folder: &Path, force: bool) -> Result<(), OutputError> {
    if folder.symlink_metadata().is_err() {
        return Ok(());
    }
    if !force {
        return Err(OutputError::Exists(folder.to_path_buf()));
    }
    match names(folder)?.into_iter().find(|name| !FILES.contains(&name.as_str())) {
        Some(name) => Err(OutputError::NotOurs { folder: folder.to_path_buf(), name }),
        None => Ok(()),
    }
}

fn names(folder: &Path) -> Result<Vec<String>, OutputError> {
    let disk = |error| OutputError::disk(folder, error);
    let entries = fs::read_dir(folder).map_err(disk)?;
    entries.map(|entry| entry.map(|entry| entry.file_name().to_string_lossy().into_owned()).map_err(disk)).collect()
}

/// The files of a pair, beside the result folders of its two series.
pub const PAIR_FILES: [&str; 3] = ["pair.html", "pair.json", "pair.pdf"];

/// Refuses an output folder of a pair that is in the way; to be asked before the work begins.
///
/// # Errors
/// The folder exists and may not be replaced: without `force`, or where it holds more than an earlier pair.
pub fn check_pair(folder: &Path, force: bool) -> Result<(), OutputError> {
    if folder.symlink_metadata().is_err() {
        return Ok(());
    }
    if !force {
        return Err(OutputError::Exists(folder.to_path_buf()));
    }
    for name in names(folder)?.into_iter().filter(|name| !PAIR_FILES.contains(&name.as_str())) {
        let inner = folder.join(&name);
        if !inner.symlink_metadata().is_ok_and(|meta| meta.is_dir()) {
            return Err(OutputError::NotOurs { folder: folder.to_path_buf(), name });
        }
        check(&inner, true)?;
    }
    Ok(())
}

/// One series of a pair, ready to be written.
pub struct SeriesResult<'a> {
    /// Its record.
    pub record: &'a Record,
    /// Its evidence.
    pub evidence: &'a Evidence,
    /// Its page.
    pub page: &'a str,
}

/// Writes a pair: the results of both series and what stands beside them, all or nothing.
///
/// # Errors
/// As [`check_pair`]; the disk refuses. Then the folder is as it was.
pub fn write_pair(
    folder: &Path,
    pair: &PairRecord,
    page: &str,
    sides: &[SeriesResult<'_>],
    force: bool,
) -> Result<(), OutputError> {
    check_pair(folder, force)?;
    let json = serde_json::to_string_pretty(pair).map_err(|e| OutputError::Inner("pair.json", e.to_string()))?;
    into_place(folder, force, |staging| {
        for side in sides {
            let inner = staging.join(&side.record.series.series_id);
            fs::create_dir(&inner).map_err(|error| OutputError::disk(&inner, error))?;
            fill(&inner, side.record, side.evidence, Some(side.page))?;
        }
        file(staging, "pair.html", page.as_bytes())?;
        file(staging, "pair.json", format!("{json}\n").as_bytes())
    })
}

/// Writes a result; without a page the record and its tables alone.
///
/// # Errors
/// As [`check`]; the disk refuses. Then the folder is as it was.
pub fn write(
    folder: &Path,
    record: &Record,
    evidence: &Evidence,
    page: Option<&str>,
    force: bool,
) -> Result<(), OutputError> {
    check(folder, force)?;
    into_place(folder, force, |staging| fill(staging, record, evidence, page))
}

/// Other runs into one folder that are let pass before this one gives up.
const OTHERS: usize = 20;

/// Fills a hidden folder beside `folder`, which then takes its name; an earlier one is removed once the new one stands.
fn into_place(
    folder: &Path,
    force: bool,
    fill: impl FnOnce(&Path) -> Result<(), OutputError>,
) -> Result<(), OutputError> {
    let disk = |error| OutputError::disk(folder, error);
    let parent = match folder.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_path_buf(),
        _ => PathBuf::from("."),
    };
    fs::create_dir_all(&parent).map_err(disk)?;
    let staging = tempfile::Builder::new().prefix(".tiltworth-").tempdir_in(&parent).map_err(disk)?;
    fill(staging.path()).map_err(|error| match error {
        OutputError::Disk { error, .. } => OutputError::disk(folder, error),
        other => other,
    })?;
    readable_by_others(staging.path()).map_err(disk)?;
    // Held until the new result stands; then it goes with its temporary folder.
    let mut aside = Vec::new();
    for _ in 0..OTHERS {
        if force && folder.exists() {
            let home = tempfile::Builder::new().prefix(".tiltworth-old-").tempdir_in(&parent).map_err(disk)?;
            match fs::rename(folder, home.path().join("result")) {
                Ok(()) => aside.push(home),
                // Another run moved it aside in this moment.
                Err(error) if error.kind() == io::ErrorKind::NotFound => {}
                Err(error) => return Err(disk(error)),
            }
        }
        match fs::rename(staging.path(), folder) {
            Ok(()) => {
                // The folder has moved: there is nothing left for the guard to remove.
                let _ = staging.keep();
                return Ok(());
            }
            // Another run put its result there in this moment.
            Err(error) if matches!(error.kind(), io::ErrorKind::DirectoryNotEmpty | io::ErrorKind::AlreadyExists) => {
                if !force {
                    return Err(OutputError::Exists(folder.to_path_buf()));
                }
            }
            Err(error) => {
                if let Some(old) = aside.last() {
                    let _ = fs::rename(old.path().join("result"), folder);
                }
                return Err(disk(error));
            }
        }
    }
    Err(OutputError::Exists(folder.to_path_buf()))
}

fn fill(folder: &Path, record: &Record, evidence: &Evidence, page: Option<&str>) -> Result<(), OutputError> {
    let json = serde_json::to_string_pretty(record).map_err(|e| OutputError::Inner("record.json", e.to_string()))?;
    let inner = |name: &'static str| move |error: csv_text::Error| OutputError::Inner(name, error.to_string());
    file(folder, "record.json", format!("{json}\n").as_bytes())?;
    file(folder, "tilts.csv", tables::tilts_csv(record).map_err(inner("tilts.csv"))?.as_bytes())?;
    let weights = tables::dose_weights_csv(record, evidence).map_err(inner("dose-weights.csv"))?;
    file(folder, "dose-weights.csv", weights.as_bytes())?;
    let alignment = alignment_table::alignment_csv(record, evidence).map_err(inner("alignment.csv"))?;
    file(folder, "alignment.csv", alignment.as_bytes())?;
    let Some(page) = page else { return Ok(()) };
    file(folder, "report.html", page.as_bytes())?;
    let path = folder.join("evidence.zip");
    let mut zip = File::create(&path).map_err(|error| OutputError::disk(&path, error))?;
    archive::write(evidence, &mut zip).map_err(|error| match error {
        ArchiveError::Io(error) => OutputError::disk(&path, error),
        other => OutputError::Inner("evidence.zip", other.to_string()),
    })?;
    zip.sync_all().map_err(|error| OutputError::disk(&path, error))
}

fn file(folder: &Path, name: &str, bytes: &[u8]) -> Result<(), OutputError> {
    let path = folder.join(name);
    let written = File::create(&path).and_then(|mut file| file.write_all(bytes).and_then(|()| file.sync_all()));
    written.map_err(|error| OutputError::disk(&path, error))
}

/// A temporary folder is private; a result is as readable as any folder the user makes.
fn readable_by_others(folder: &Path) -> io::Result<()> {
    use std::os::unix::fs::PermissionsExt;
    fs::set_permissions(folder, fs::Permissions::from_mode(0o755))
}
