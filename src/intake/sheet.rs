//! The series sheet: `series.toml`, the facts that no stack or table holds.
//!
//! Options of the command line are laid over the sheet as a second sheet, so that every fact can be given in
//! either place; an option wins, and a difference over 1 % is noted.

use crate::intake::error::IntakeError;
use crate::intake::grid::file_name;
use crate::intake::log::LogSheet;
use crate::intake::section_header::HeaderSheet;
use crate::intake::text::read_text;
use crate::record::Specimen;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Contents of `series.toml`, as the contract lays it out.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(default)]
#[allow(missing_docs, reason = "the keys are those of the sheet, explained in the README")]
pub struct Sheet {
    pub title: Option<String>,
    pub specimen: Option<Specimen>,
    pub stack: Option<PathBuf>,
    pub table: Option<PathBuf>,
    pub angles: Option<PathBuf>,
    pub session: Option<String>,
    pub series_id: Option<String>,
    pub axis_name: Option<String>,
    pub instrument: Instrument,
    pub camera: Camera,
    pub tilt: TiltAxis,
    pub specimen_facts: SpecimenFacts,
    pub dose: Dose,
    pub montage: Option<Montage>,
    pub targets: Targets,
    pub columns: BTreeMap<String, ColumnMapping>,
    pub log: Option<LogSheet>,
    pub section_header: Option<HeaderSheet>,
}

/// `[instrument]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(default)]
#[allow(missing_docs, reason = "the keys are those of the sheet")]
pub struct Instrument {
    pub name: Option<String>,
    pub kv: Option<f64>,
    pub cs_mm: Option<f64>,
    pub amplitude_contrast: Option<f64>,
    pub energy_filter: Option<bool>,
    pub collection_mrad: Option<f64>,
}

/// `[camera]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(default)]
#[allow(missing_docs, reason = "the keys are those of the sheet")]
pub struct Camera {
    pub pixel_nm: Option<f64>,
    pub full_scale_counts: Option<f64>,
    pub counts_per_electron: Option<f64>,
    pub offset_counts: Option<f64>,
}

/// `[tilt]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(default)]
pub struct TiltAxis {
    /// Direction of the tilt axis in the stored image.
    pub axis_deg: Option<f64>,
    /// Angles that were meant to be recorded more than once.
    pub repeats_deg: Vec<f64>,
}

/// `[specimen_facts]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(default)]
#[allow(missing_docs, reason = "the keys are those of the sheet")]
pub struct SpecimenFacts {
    pub thickness_nm: Option<f64>,
    pub attenuation_length_nm: Option<f64>,
    pub mean_atomic_number: Option<f64>,
}

/// Where a stated dose was read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DoseBasis {
    /// Before the specimen.
    Incident,
    /// Behind it.
    AtCamera,
}

/// Whether the beam was changed from tilt to tilt.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Beam {
    /// The same at every tilt.
    Fixed,
    /// Adjusted to keep the counts.
    Regulated,
}

/// `[dose]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(default)]
#[allow(missing_docs, non_snake_case, reason = "the keys are those of the sheet")]
pub struct Dose {
    pub per_image_e_per_A2: Option<f64>,
    pub pre_exposure_e_per_A2: Option<f64>,
    pub overhead_per_tilt_e_per_A2: Option<f64>,
    pub basis: Option<DoseBasis>,
    pub beam: Option<Beam>,
    pub beam_diameter_um: Option<f64>,
}

/// In which direction the pages of a tilt walk over the montage.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PageOrder {
    /// Along a row, then the next row.
    RowsFirst,
    /// Along a column, then the next column.
    ColumnsFirst,
}

/// At which side of the montage the pages of a tilt begin.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FirstRow {
    /// The first stored rows.
    LowY,
    /// The last stored rows.
    HighY,
}

/// `[montage]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(default)]
#[allow(missing_docs, reason = "the keys are those of the sheet")]
pub struct Montage {
    pub cols: Option<usize>,
    pub rows: Option<usize>,
    pub overlap_px: Option<[f64; 2]>,
    pub order: Option<PageOrder>,
    pub snake: bool,
    pub first: Option<FirstRow>,
}

/// `[targets]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(default)]
#[allow(missing_docs, reason = "the keys are those of the sheet")]
pub struct Targets {
    pub mean_counts: Option<f64>,
    pub setup_mean_counts: Option<f64>,
    pub defocus_um: Option<f64>,
    pub resolution_nm: Option<f64>,
    pub area_px: Option<[f64; 4]>,
}

/// One line of `[columns]`: a site's heading for one of ours.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(untagged)]
pub enum ColumnMapping {
    /// The heading alone.
    Heading(String),
    /// The heading with a factor or a time format.
    Full {
        /// The heading in the site's table.
        from: String,
        /// Factor that turns the site's unit into ours.
        scale: Option<f64>,
        /// Format of a time, by `strftime`.
        format: Option<String>,
    },
}

impl ColumnMapping {
    /// The heading in the site's table.
    pub fn heading(&self) -> &str {
        match self {
            Self::Heading(from) | Self::Full { from, .. } => from,
        }
    }

    /// Factor that turns the site's unit into ours.
    pub fn scale(&self) -> Option<f64> {
        match self {
            Self::Heading(_) => None,
            Self::Full { scale, .. } => *scale,
        }
    }

    /// Format of a time, by `strftime`.
    pub fn format(&self) -> Option<&str> {
        match self {
            Self::Heading(_) => None,
            Self::Full { format, .. } => format.as_deref(),
        }
    }
}

/// Reads a sheet as a TOML table, having checked that it is one of ours; unknown keys come back as notes.
///
/// # Errors
/// Names the line of a wrong value.
pub fn read(path: &Path) -> Result<(toml::Table, Vec<String>), IntakeError> {
    parse(path, &read_text(path)?)
}

/// Reads the text of a sheet; `path` is named in errors.
///
/// # Errors
/// As [`read`].
pub fn parse(path: &Path, text: &str) -> Result<(toml::Table, Vec<String>), IntakeError> {
    let wrong = |error: toml::de::Error| {
        let place =
            error.span().map(|span| format!("line {}", text[..span.start.min(text.len())].lines().count().max(1)));
        let remedy = "correct that line; the README lists the keys of a series sheet";
        IntakeError::bad(path, place.unwrap_or_default(), error.message().trim().replace('\n', ", "), remedy)
    };
    let mut unknown = Vec::new();
    let reader = toml::Deserializer::parse(text).map_err(wrong)?;
    let _: Sheet = serde_ignored::deserialize(reader, |key| unknown.push(key.to_string())).map_err(wrong)?;
    let table = toml::from_str(text).map_err(wrong)?;
    let notes =
        unknown.into_iter().map(|key| format!("{}: the key {key} is not known and was not used", file_name(path)));
    Ok((table, notes.collect()))
}

/// Lays `options` over `sheet`; each fact that both give and that differs by more than 1 % is noted.
pub fn overlay(sheet: &mut toml::Table, options: &toml::Table, path: &str, notes: &mut Vec<String>) {
    for (key, value) in options {
        let name = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
        match (sheet.get_mut(key), value) {
            (Some(toml::Value::Table(below)), toml::Value::Table(above)) => overlay(below, above, &name, notes),
            (below, value) => {
                if let Some(below) = below.filter(|below| differ(below, value)) {
                    notes.push(format!("{name}: the option's {value} is used in place of the sheet's {below}"));
                }
                sheet.insert(key.clone(), value.clone());
            }
        }
    }
}

fn differ(a: &toml::Value, b: &toml::Value) -> bool {
    let number = |v: &toml::Value| v.as_float().or_else(|| v.as_integer().map(|i| i as f64));
    match (number(a), number(b)) {
        (Some(a), Some(b)) => differ_by_more_than_1_percent(a, b),
        _ => a != b,
    }
}

/// Whether two statements of one figure differ enough to be told.
pub fn differ_by_more_than_1_percent(a: f64, b: f64) -> bool {
    (a - b).abs() > 0.01 * a.abs().max(b.abs())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_option_wins_over_the_sheet_and_a_difference_is_noted() {
        let mut sheet: toml::Table = toml::from_str("title = 'x'\n[camera]\npixel_nm = 0.68\n").unwrap();
        let options = toml::from_str("[camera]\npixel_nm = 0.70\n[instrument]\nkv = 200\n").unwrap();
        let mut notes = Vec::new();
        overlay(&mut sheet, &options, "", &mut notes);
        let sheet: Sheet = sheet.try_into().unwrap();
        assert_eq!((sheet.camera.pixel_nm, sheet.instrument.kv), (Some(0.70), Some(200.0)));
        assert_eq!(notes, ["camera.pixel_nm: the option's 0.7 is used in place of the sheet's 0.68"]);
    }

    #[test]
    fn a_difference_under_1_percent_is_silent() {
        let mut sheet: toml::Table = toml::from_str("[camera]\npixel_nm = 0.680\n").unwrap();
        let mut notes = Vec::new();
        overlay(&mut sheet, &toml::from_str("[camera]\npixel_nm = 0.681\n").unwrap(), "", &mut notes);
        assert!(notes.is_empty());
    }

    #[test]
    fn unknown_keys_are_named_and_wrong_values_are_placed() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("series.toml");
        std::fs::write(&path, "stack = 'a.tif'\n[camera]\npixel_nn = 0.68\n").unwrap();
        let (_, notes) = read(&path).unwrap();
        assert_eq!(notes, ["series.toml: the key camera.pixel_nn is not known and was not used"]);
        std::fs::write(&path, "stack = 'a.tif'\n[camera]\npixel_nm = 'small'\n").unwrap();
        let message = read(&path).unwrap_err().to_string();
        assert!(message.contains("series.toml, line 3: invalid type: string \"small\""), "{message}");
    }
}
