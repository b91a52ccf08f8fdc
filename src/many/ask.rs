//! What is asked of a series beside its files, and the assessment of one series from its files to its result folder.

use crate::assess::{AssessError, Assessed, assess_whole};
use crate::intake::{IntakeError, Request, Series, load, stamps};
use crate::judge::{Profile, ProfileError};
use crate::record::output::OutputError;
use crate::report::ReportError;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// What is asked, the same for all series of a run.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ask {
    /// Facts given as options, laid out like a series sheet; they win over each sheet.
    #[serde(default, skip_serializing_if = "toml::Table::is_empty")]
    pub facts: toml::Table,
    /// Assess what is there of a series that was broken off.
    #[serde(default)]
    pub partial: bool,
    /// The rows stand in the order of acquisition, on the user's word.
    #[serde(default)]
    pub rows_are_in_order: bool,
    /// A built-in profile or a file; none: by the kind of specimen.
    #[serde(default)]
    pub profile: Option<String>,
    /// Write the record and its tables alone.
    #[serde(default)]
    pub no_report: bool,
}

/// An assessment that was not made.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "each variant passes another stage's message on")]
pub enum Failure {
    #[error("{0}")]
    Intake(#[from] IntakeError),
    #[error("{0}")]
    Profile(#[from] ProfileError),
    #[error("{0}")]
    Assess(#[from] AssessError),
    #[error("{0}")]
    Report(#[from] ReportError),
    #[error("{0}")]
    Output(#[from] OutputError),
}

impl Failure {
    /// Whether the user stopped the work.
    pub fn stopped(&self) -> bool {
        matches!(self, Self::Assess(AssessError::Stopped))
    }
}

impl Ask {
    /// A series as it is understood, with the profile that it is held up to; `beside` names the table (or list) of a stack
    /// that has no sheet, as a key of the sheet with its file.
    ///
    /// # Errors
    /// What is wrong with the input or the profile.
    pub fn load(&self, path: &Path, beside: Option<(&str, &Path)>) -> Result<(Series, Profile), Failure> {
        let mut options = self.facts.clone();
        if let Some((key, file)) = beside {
            let absolute = std::path::absolute(file).unwrap_or_else(|_| file.to_path_buf());
            options.insert(key.into(), absolute.to_string_lossy().into_owned().into());
        }
        let (partial, rows_are_in_order) = (self.partial, self.rows_are_in_order);
        let series = load(&Request { path: path.to_path_buf(), options, partial, rows_are_in_order })?;
        let profile = Profile::find(self.profile.as_deref(), series.specimen)?;
        Ok((series, profile))
    }

    /// A series measured and judged; `progress` is called once a section.
    ///
    /// # Errors
    /// Nothing can be read, a file changed meanwhile, or the work was stopped.
    pub fn assess(
        &self,
        series: &Series,
        profile: &Profile,
        progress: &(dyn Fn() + Sync),
        go_on: &(dyn Fn() -> bool + Sync),
    ) -> Result<Assessed, Failure> {
        let mut assessed = assess_whole(series, profile, progress, go_on)?;
        assessed.record.options = self.options();
        if let Some(change) = stamps::changed(&series.stamps) {
            if !self.partial {
                return Err(change.into());
            }
            assessed.record.notes.push(change.fault_told());
        }
        Ok(assessed)
    }

    /// What was stated beside the inputs, as TOML; `None` where nothing was. Files are named without their folder: what
    /// stands in them is told by their hashes.
    pub fn options(&self) -> Option<String> {
        let mut told = self.facts.clone();
        for key in ["table", "angles"] {
            if let Some(toml::Value::String(path)) = told.get_mut(key)
                && let Some(name) = Path::new(path.as_str()).file_name()
            {
                *path = name.to_string_lossy().into_owned();
            }
        }
        for (key, stated) in [("partial", self.partial), ("rows_are_in_order", self.rows_are_in_order)] {
            if stated {
                told.insert(key.into(), true.into());
            }
        }
        let text = toml::to_string(&told).ok()?;
        (!text.is_empty()).then_some(text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_stated_beside_the_inputs_is_told_without_folders() {
        assert_eq!(Ask::default().options(), None);
        let facts = toml::from_str("table = '/home/somebody/a.csv'\n[camera]\npixel_nm = 0.7\n").unwrap();
        let ask = Ask { facts, partial: true, ..Ask::default() };
        assert_eq!(ask.options().unwrap(), "partial = true\ntable = \"a.csv\"\n\n[camera]\npixel_nm = 0.7\n");
    }
}
