//! Does a result stand for what lies in the files now: by what its record holds of them.

use super::Ask;
use crate::intake::Series;
use crate::intake::series::InputFiles;
use crate::judge::Profile;
use crate::record::{Input, Record, hashes, reading};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// How an earlier result stands.
#[derive(Debug)]
pub enum Standing {
    /// There is none.
    None,
    /// There is one, of something else: why.
    Changed(String),
    /// Inputs, profile and options are those of its record.
    Unchanged(Box<Record>),
    /// The user stopped the comparison.
    Stopped,
}

/// What is compared.
#[derive(Debug, Clone, Copy)]
pub struct Compared<'a> {
    /// The series as it is now.
    pub series: &'a Series,
    /// The profile that it would be held up to.
    pub profile: &'a Profile,
    /// What is asked.
    pub ask: &'a Ask,
    /// Read stacks whole even where sizes and times say that nothing touched them.
    pub rehash: bool,
}

/// Compares the record in `folder` with the files. Sheet, table, list and log are hashed; a stack is hashed only where its
/// length or the times of its files and their folder leave room for a change since the assessment. Neither copying nor
/// renaming a file over another hides from the time of change of its inode, which no program sets at will; two whole folders
/// that change places do, where sheets, tables and lengths are all the same: for that there is `rehash`.
pub fn of(compared: &Compared<'_>, folder: &Path, go_on: &(dyn Fn() -> bool + Sync)) -> Standing {
    let file = folder.join("record.json");
    if !file.exists() {
        return Standing::None;
    }
    let record = match reading::file(&file) {
        Ok(record) => record,
        Err(error) => return Standing::Changed(format!("the record cannot be read ({error})")),
    };
    let changed = |what: &str| Standing::Changed(what.to_owned());
    let Compared { series, profile, ask, rehash } = *compared;
    if !ask.no_report && !folder.join("report.html").exists() {
        return changed("it has no report");
    }
    if record.profile.sha256 != profile.sha256 {
        return changed("the profile is another one");
    }
    if record.options != ask.options() || record.series.series_id != series.series_id {
        return changed("other options were given");
    }
    if record.inputs.len() != series.inputs.len() {
        return changed("other files belong to it");
    }
    // A series assessed in part may have grown while it was read.
    let by_times = !rehash && !ask.partial;
    for (was, is) in record.inputs.iter().zip(&series.inputs) {
        let same_names = was.role == is.role && was.name == is.name && was.sha256.is_some();
        if !same_names {
            return changed("other files belong to it");
        }
        if is.role == "stack" && by_times && untouched(was, is, &record.assessed_at) {
            continue;
        }
        match hashes::inputs(std::slice::from_ref(is), go_on) {
            None => return Standing::Stopped,
            Some((now, _)) if now.first().is_some_and(|now| now.sha256 == was.sha256) => {}
            Some(_) => return changed(&format!("{} changed", is.name)),
        }
    }
    Standing::Unchanged(Box::new(record))
}

/// Whether nothing can have touched the files since before the assessment ended.
fn untouched(was: &Input, is: &InputFiles, assessed_at: &str) -> bool {
    let Ok(assessed) = assessed_at.parse::<jiff::Timestamp>() else { return false };
    let before = |path: &Path| std::fs::metadata(path).ok().filter(|meta| meta.ctime() < assessed.as_second());
    let mut bytes = 0;
    let mut folder: Option<PathBuf> = None;
    for path in &is.paths {
        let Some(meta) = before(path) else { return false };
        bytes += meta.len();
        let parent = path.parent().map(Path::to_path_buf);
        if parent != folder {
            let named = parent.as_deref().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
            if before(named).is_none() {
                return false;
            }
            folder = parent;
        }
    }
    bytes == was.bytes
}
