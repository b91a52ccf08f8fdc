//! Options that state a fact of the series; each stands for a key of the series sheet and wins over it.

use clap::Args;
use std::path::PathBuf;
use toml::{Table, Value};

/// A stack or sheet, and facts that are laid over the sheet.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Facts of the series (each wins over the series sheet)")]
pub struct FactArgs {
    /// Table of sections, CSV or TSV
    #[arg(long, value_name = "FILE")]
    pub table: Option<PathBuf>,
    /// List of angles, one in degrees a line, in stack order
    #[arg(long, value_name = "FILE")]
    pub angles: Option<PathBuf>,
    /// Title
    #[arg(long, value_name = "TEXT")]
    pub title: Option<String>,
    /// resin-section, vitrified or other
    #[arg(long, value_name = "KIND", value_parser = ["resin-section", "vitrified", "other"])]
    pub specimen: Option<String>,
    /// Session, groups series
    #[arg(long, value_name = "TEXT")]
    pub session: Option<String>,
    /// Name of the series in files and records
    #[arg(long, value_name = "ID")]
    pub series_id: Option<String>,
    /// Name of the microscope
    #[arg(long, value_name = "TEXT")]
    pub instrument: Option<String>,
    /// Acceleration voltage in kV
    #[arg(long, value_name = "KV")]
    pub kv: Option<f64>,
    /// Spherical aberration in mm
    #[arg(long, value_name = "MM")]
    pub cs_mm: Option<f64>,
    /// Amplitude contrast, 0 to 1
    #[arg(long, value_name = "SHARE")]
    pub amplitude_contrast: Option<f64>,
    /// Pixel size at the specimen in nm
    #[arg(long, value_name = "NM")]
    pub pixel_nm: Option<f64>,
    /// Lowest count that is saturated
    #[arg(long, value_name = "COUNTS")]
    pub full_scale_counts: Option<f64>,
    /// Counts of one electron
    #[arg(long, value_name = "COUNTS")]
    pub counts_per_electron: Option<f64>,
    /// Counts without electrons
    #[arg(long, value_name = "COUNTS", allow_negative_numbers = true)]
    pub offset_counts: Option<f64>,
    /// Direction of the tilt axis in the stored image, in degrees
    #[arg(long, value_name = "DEG", allow_negative_numbers = true)]
    pub axis_deg: Option<f64>,
    /// Thickness of the specimen in nm
    #[arg(long, value_name = "NM")]
    pub thickness_nm: Option<f64>,
    /// Dose of each image in e/Å²
    #[arg(long, value_name = "DOSE")]
    pub dose_per_image: Option<f64>,
    /// Dose before the series in e/Å²
    #[arg(long, value_name = "DOSE")]
    pub pre_exposure: Option<f64>,
    /// fixed or regulated: was the beam changed from tilt to tilt
    #[arg(long, value_name = "KIND", value_parser = ["fixed", "regulated"])]
    pub beam: Option<String>,
    /// Diameter of the beam in µm, for the dose of a montage
    #[arg(long, value_name = "UM")]
    pub beam_diameter_um: Option<f64>,
    /// Mean counts that each tilt should reach
    #[arg(long, value_name = "COUNTS")]
    pub target_counts: Option<f64>,
    /// Mean counts of the picture taken at zero tilt before the series
    #[arg(long, value_name = "COUNTS")]
    pub setup_counts: Option<f64>,
    /// Columns and rows of the montage, as 2x3
    #[arg(long, value_name = "COLSxROWS", value_parser = pair)]
    pub montage: Option<[i64; 2]>,
    /// Nominal overlap between neighbouring columns and rows in pixels, as 110x96
    #[arg(long, value_name = "XxY", value_parser = pair)]
    pub overlap_px: Option<[i64; 2]>,
    /// How the pages of a tilt walk over the montage
    #[arg(long, value_name = "ORDER", value_parser = ["rows-first", "columns-first"])]
    pub page_order: Option<String>,
    /// Every second row (or column) of the montage runs backwards
    #[arg(long)]
    pub snake: bool,
}

fn pair(text: &str) -> Result<[i64; 2], String> {
    let parts: Option<(i64, i64)> = text.split_once('x').and_then(|(a, b)| Some((a.parse().ok()?, b.parse().ok()?)));
    match parts {
        Some((a, b)) if a >= 0 && b >= 0 => Ok([a, b]),
        _ => Err("two whole numbers joined by x, as 2x3".into()),
    }
}

impl FactArgs {
    /// The facts laid out like a series sheet. Paths are made absolute: an option's path starts from where the
    /// command was given, not from the sheet's folder.
    pub fn sheet(&self) -> Table {
        let mut sheet = Table::new();
        let text = |value: &Option<String>| value.clone().map(Value::String);
        let number = |value: Option<f64>| value.map(Value::Float);
        let path = |value: &Option<PathBuf>| {
            let absolute = value.as_ref().map(|path| std::path::absolute(path).unwrap_or_else(|_| path.clone()));
            absolute.map(|path| Value::String(path.to_string_lossy().into_owned()))
        };
        let whole = |pair: Option<[i64; 2]>, at: usize| pair.map(|pair| Value::Integer(pair[at]));
        let facts = [
            ("table", path(&self.table)),
            ("angles", path(&self.angles)),
            ("title", text(&self.title)),
            ("specimen", text(&self.specimen)),
            ("session", text(&self.session)),
            ("series_id", text(&self.series_id)),
            ("instrument.name", text(&self.instrument)),
            ("instrument.kv", number(self.kv)),
            ("instrument.cs_mm", number(self.cs_mm)),
            ("instrument.amplitude_contrast", number(self.amplitude_contrast)),
            ("camera.pixel_nm", number(self.pixel_nm)),
            ("camera.full_scale_counts", number(self.full_scale_counts)),
            ("camera.counts_per_electron", number(self.counts_per_electron)),
            ("camera.offset_counts", number(self.offset_counts)),
            ("tilt.axis_deg", number(self.axis_deg)),
            ("specimen_facts.thickness_nm", number(self.thickness_nm)),
            ("dose.per_image_e_per_A2", number(self.dose_per_image)),
            ("dose.pre_exposure_e_per_A2", number(self.pre_exposure)),
            ("dose.beam", text(&self.beam)),
            ("dose.beam_diameter_um", number(self.beam_diameter_um)),
            ("targets.mean_counts", number(self.target_counts)),
            ("targets.setup_mean_counts", number(self.setup_counts)),
            ("montage.cols", whole(self.montage, 0)),
            ("montage.rows", whole(self.montage, 1)),
            (
                "montage.overlap_px",
                self.overlap_px.map(|xy| Value::Array(xy.iter().map(|&v| Value::Integer(v)).collect())),
            ),
            ("montage.order", text(&self.page_order)),
            ("montage.snake", self.snake.then_some(Value::Boolean(true))),
        ];
        for (key, value) in facts {
            if let Some(value) = value {
                insert(&mut sheet, key, value);
            }
        }
        sheet
    }
}

fn insert(sheet: &mut Table, key: &str, value: Value) {
    let Some((section, inner)) = key.split_once('.') else {
        sheet.insert(key.into(), value);
        return;
    };
    let section = sheet.entry(section).or_insert_with(|| Value::Table(Table::new()));
    if let Value::Table(section) = section {
        section.insert(inner.into(), value);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::sheet::Sheet;

    #[test]
    fn options_make_a_sheet() {
        let facts = FactArgs {
            kv: Some(200.0),
            montage: Some([1, 3]),
            overlap_px: Some([0, 96]),
            specimen: Some("vitrified".into()),
            ..FactArgs::default()
        };
        let sheet: Sheet = facts.sheet().try_into().unwrap();
        assert_eq!(sheet.instrument.kv, Some(200.0));
        let montage = sheet.montage.unwrap();
        assert_eq!((montage.cols, montage.rows, montage.overlap_px), (Some(1), Some(3), Some([0.0, 96.0])));
    }

    #[test]
    fn a_pair_is_two_whole_numbers() {
        assert_eq!(pair("2x3"), Ok([2, 3]));
        assert!(pair("2").is_err() && pair("-1x3").is_err() && pair("2x").is_err());
    }
}
