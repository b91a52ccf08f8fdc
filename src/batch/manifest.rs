//! The manifest: which series, what is asked of each, and where results go. JSON that can be read and edited.

use crate::many::{Ask, Found, Job};
use crate::record::Tool;
use serde::{Deserialize, Serialize};
use std::path::{Component, Path, PathBuf};

/// The version of the manifest's layout.
pub const MANIFEST_VERSION: u32 = 1;
/// A million series take about this.
const LARGEST_BYTES: u64 = 256 << 20;

/// What is to be done.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manifest {
    /// Layout version, see [`MANIFEST_VERSION`].
    pub manifest_version: u32,
    /// The program that wrote it.
    pub tool: Tool,
    /// RFC 3339 time at which it was written.
    pub made_at: String,
    /// Folders that were searched.
    pub searched: Vec<String>,
    /// Folder for the results, the same on every machine.
    pub out: String,
    /// What is asked of every series.
    pub ask: Ask,
    /// The series, by place.
    pub series: Vec<Planned>,
}

/// One series of a manifest.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Planned {
    /// Its name, and its result folder below `out`.
    pub place: String,
    /// Folder with a series.toml, or a stack.
    pub source: String,
    /// Table of a stack without a sheet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub table: Option<String>,
    /// List of angles of a stack without a sheet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub angles: Option<String>,
    /// Bytes of its files when it was planned: shares are made alike by it.
    pub bytes: u64,
}

/// A manifest that cannot be used: where, fault and remedy.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{place}: {fault}; {remedy}")]
pub struct ManifestError {
    place: String,
    fault: String,
    remedy: &'static str,
}

impl ManifestError {
    /// An error in three parts.
    pub fn new(place: impl Into<String>, fault: impl Into<String>, remedy: &'static str) -> Self {
        Self { place: place.into(), fault: fault.into(), remedy }
    }
}

impl Planned {
    /// A series that was found.
    ///
    /// # Errors
    /// A path that is no text, which no JSON can hold.
    pub fn of(found: &Found) -> Result<Self, ManifestError> {
        let text = |path: &Path| {
            let absolute = std::path::absolute(path).unwrap_or_else(|_| path.to_path_buf());
            let remedy = "rename it, or assess it by itself";
            let no_text = || ManifestError::new(path.display().to_string(), "its name is no text in UTF-8", remedy);
            absolute.to_str().map(str::to_owned).ok_or_else(no_text)
        };
        let beside = |wanted: &str| match &found.beside {
            Some((key, file)) if *key == wanted => text(file).map(Some),
            _ => Ok(None),
        };
        Ok(Self {
            // Checked by the source, which ends in the same names.
            place: found.place.to_string_lossy().into_owned(),
            source: text(&found.source)?,
            table: beside("table")?,
            angles: beside("angles")?,
            bytes: bytes(&found.source),
        })
    }

    fn found(&self) -> Found {
        let table = self.table.as_ref().map(|file| ("table", PathBuf::from(file)));
        let angles = self.angles.as_ref().map(|file| ("angles", PathBuf::from(file)));
        Found { source: PathBuf::from(&self.source), beside: table.or(angles), place: PathBuf::from(&self.place) }
    }
}

/// Bytes of a file, or of the files in a folder and its folders (three deep): a rough weight, not a fact.
fn bytes(path: &Path) -> u64 {
    fn folder(path: &Path, deep: u32) -> u64 {
        let Ok(entries) = std::fs::read_dir(path) else { return 0 };
        let one = |entry: std::fs::DirEntry| match entry.metadata() {
            Ok(meta) if meta.is_file() => meta.len(),
            Ok(meta) if meta.is_dir() && deep > 0 => folder(&entry.path(), deep - 1),
            _ => 0,
        };
        entries.flatten().map(one).sum()
    }
    match std::fs::metadata(path) {
        Ok(meta) if meta.is_dir() => folder(path, 3),
        Ok(meta) => meta.len(),
        Err(_) => 0,
    }
}

impl Manifest {
    /// Reads a manifest's text; `origin` is named in errors.
    ///
    /// # Errors
    /// No manifest, a later layout, or a series whose result would lie outside of `out` or in another's place.
    pub fn parse(text: &str, origin: &str) -> Result<Self, ManifestError> {
        #[derive(Deserialize)]
        struct Layout {
            manifest_version: u32,
        }
        let remedy = "name a file that `tiltworth batch plan` wrote";
        let no_manifest =
            |error: serde_json::Error| ManifestError::new(origin, format!("it is no manifest ({error})"), remedy);
        let layout: Layout = serde_json::from_str(text).map_err(no_manifest)?;
        if layout.manifest_version != MANIFEST_VERSION {
            let fault =
                format!("its layout is version {}, this tiltworth reads {MANIFEST_VERSION}", layout.manifest_version);
            return Err(ManifestError::new(origin, fault, "plan it again with this tiltworth"));
        }
        let manifest: Self = serde_json::from_str(text).map_err(no_manifest)?;
        let mut places: Vec<&str> = manifest.series.iter().map(|series| series.place.as_str()).collect();
        for place in &places {
            let path = Path::new(place);
            let inside = path.components().all(|part| matches!(part, Component::Normal(_)));
            if place.is_empty() || !inside {
                let fault = format!("the place {place:?} does not lie within the folder for the results");
                return Err(ManifestError::new(origin, fault, "give every series a place of its own below it"));
            }
        }
        places.sort_unstable();
        if let Some(twice) = places.windows(2).find(|pair| pair[0] == pair[1]) {
            let fault = format!("two series have the place {:?}", twice[0]);
            return Err(ManifestError::new(origin, fault, "give every series a place of its own"));
        }
        Ok(manifest)
    }

    /// Reads a file.
    ///
    /// # Errors
    /// As [`Manifest::parse`]; a file that cannot be read.
    pub fn read(path: &Path) -> Result<Self, ManifestError> {
        let origin = path.display().to_string();
        let remedy = "name a file that `tiltworth batch plan` wrote";
        let wrong = |error: std::io::Error| ManifestError::new(&origin, error.to_string(), remedy);
        if std::fs::metadata(path).map_err(wrong)?.len() > LARGEST_BYTES {
            return Err(ManifestError::new(&origin, "it is larger than any manifest (256 MiB)", remedy));
        }
        Self::parse(&std::fs::read_to_string(path).map_err(wrong)?, &origin)
    }

    /// All series with their result folders.
    pub fn jobs(&self) -> Vec<Job> {
        Job::below(Path::new(&self.out), self.series.iter().map(Planned::found).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn manifest(place: &str) -> String {
        format!(
            "{{\"manifest_version\": 1, \"tool\": {{\"name\": \"tiltworth\", \"version\": \"0\"}}, \"made_at\": \"\", \
             \"searched\": [], \"out\": \"/out\", \"ask\": {{\"facts\": {{\"camera\": {{\"pixel_nm\": 0.5}}}}}}, \"series\": [\
             {{\"place\": \"a b\", \"source\": \"/in/a.mrc\", \"angles\": \"/in/a.txt\", \"bytes\": 7}}, \
             {{\"place\": {place:?}, \"source\": \"/in/c\", \"bytes\": 7}}]}}"
        )
    }

    #[test]
    fn what_is_read_is_what_was_written() {
        let read = Manifest::parse(&manifest("c"), "m").unwrap();
        let again = Manifest::parse(&serde_json::to_string_pretty(&read).unwrap(), "m").unwrap();
        assert_eq!(read, again);
        let jobs = read.jobs();
        assert_eq!(jobs[0].found.beside, Some(("angles", PathBuf::from("/in/a.txt"))));
        assert_eq!((jobs[1].folder.to_str(), jobs[1].name()), (Some("/out/c"), "c".to_owned()));
        assert_eq!(read.ask.facts["camera"]["pixel_nm"].as_float(), Some(0.5));
    }

    #[test]
    fn no_result_lies_outside_or_in_anothers_place() {
        for (place, fault) in [
            ("../x", "does not lie within"),
            ("/etc", "does not lie within"),
            ("", "does not lie within"),
            ("a b", "two series have the place"),
        ] {
            let message = Manifest::parse(&manifest(place), "m").unwrap_err().to_string();
            assert!(message.contains(fault), "{message}");
        }
        let later = manifest("c").replace("\"manifest_version\": 1", "\"manifest_version\": 2");
        assert!(Manifest::parse(&later, "m").unwrap_err().to_string().contains("its layout is version 2"));
    }
}
