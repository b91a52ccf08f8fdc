//! The table of sections: CSV or TSV with a heading row, a site's own headings mapped onto ours.

use crate::intake::error::IntakeError;
use crate::intake::sheet::{ColumnMapping, file_name};
use crate::intake::text::read_text;
use crate::record::ColumnSource;
use jiff::Timestamp;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// The columns by the contract.
pub const COLUMNS: [&str; 20] = [
    "section",
    "file",
    "tilt_deg",
    "tile_col",
    "tile_row",
    "tile_x_px",
    "tile_y_px",
    "order",
    "acquired_at",
    "exposure_s",
    "dose_e_per_A2",
    "dose_before_e_per_A2",
    "wanted_defocus_um",
    "applied_focus_um",
    "shift_x_um",
    "shift_y_um",
    "stage_x_um",
    "stage_y_um",
    "stage_z_um",
    "autofocus",
];

/// More rows than any series has; a table beyond it is not one of sections.
const MOST_ROWS: usize = 200_000;

/// One row, every cell read; `None` where the column is missing or the cell empty.
#[derive(Debug, Clone, Default, PartialEq)]
#[allow(missing_docs, reason = "the fields are the columns of the contract")]
pub struct Row {
    /// 1-based line of the file.
    pub line: u64,
    pub section: Option<usize>,
    pub file: Option<String>,
    pub tilt_deg: f64,
    pub tile_col: Option<usize>,
    pub tile_row: Option<usize>,
    pub tile_x_px: Option<f64>,
    pub tile_y_px: Option<f64>,
    pub order: Option<usize>,
    pub acquired_at: Option<Timestamp>,
    pub exposure_s: Option<f64>,
    pub dose: Option<f64>,
    pub dose_before: Option<f64>,
    pub wanted_defocus_um: Option<f64>,
    pub applied_focus_um: Option<f64>,
    pub shift_um: Option<[f64; 2]>,
    pub stage_um: [Option<f64>; 3],
    pub autofocus: Option<bool>,
}

/// A whole table.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// The file it came from.
    pub path: PathBuf,
    /// Its rows in file order.
    pub rows: Vec<Row>,
    /// Where each column came from, headings that were not used among them.
    pub columns: Vec<ColumnSource>,
    /// What the reader should know.
    pub notes: Vec<String>,
}

impl Table {
    /// Whether the table has a column of this name.
    pub fn has(&self, column: &str) -> bool {
        self.columns.iter().any(|source| source.column.as_deref() == Some(column))
    }
}

/// Reads a table; `mappings` are the sheet's `[columns]`.
///
/// # Errors
/// Names row, column and value of what cannot be read; a missing `tilt_deg` column.
pub fn read(path: &Path, mappings: &BTreeMap<String, ColumnMapping>) -> Result<Table, IntakeError> {
    let text = read_text(path)?;
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter(&text))
        .trim(csv::Trim::All)
        .flexible(false)
        .from_reader(text.as_bytes());
    let headings: Vec<String> = reader.headers().map_err(|e| csv_error(path, &e))?.iter().map(str::to_owned).collect();
    let layout = Layout::new(path, &headings, mappings)?;
    let mut rows = Vec::new();
    let mut zoneless = false;
    for record in reader.records() {
        let record = record.map_err(|error| csv_error(path, &error))?;
        if rows.len() == MOST_ROWS {
            let fault = format!("the table has more than {MOST_ROWS} rows");
            return Err(IntakeError::bad(path, "", fault, "hand in the rows of this series alone"));
        }
        let cells = Cells { path, layout: &layout, record: &record, row: rows.len() + 1 };
        rows.push(cells.row(&mut zoneless)?);
    }
    if rows.is_empty() {
        return Err(IntakeError::bad(path, "", "the table has a heading but no row", "add one row a section"));
    }
    let mut notes = layout.notes;
    if zoneless {
        notes.push(format!("{}: acquired_at states no time zone and is read as UTC", file_name(path)));
    }
    Ok(Table { path: path.to_path_buf(), rows, columns: layout.sources, notes })
}

fn delimiter(text: &str) -> u8 {
    let heading = text.lines().next().unwrap_or_default();
    [b'\t', b',', b';']
        .into_iter()
        .max_by_key(|&d| (heading.bytes().filter(|&b| b == d).count(), d == b','))
        .unwrap_or(b',')
}

fn csv_error(path: &Path, error: &csv::Error) -> IntakeError {
    let place = error.position().map(|p| format!("line {}", p.line())).unwrap_or_default();
    let fault = match error.kind() {
        csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
            format!("{len} cells under {expected_len} headings")
        }
        _ => error.to_string(),
    };
    IntakeError::bad(path, place, fault, "give each row as many cells as there are headings")
}

/// Which column of ours lies where in the file.
struct Layout<'a> {
    places: BTreeMap<&'static str, (usize, Option<&'a ColumnMapping>)>,
    sources: Vec<ColumnSource>,
    notes: Vec<String>,
}

impl<'a> Layout<'a> {
    fn new(
        path: &Path,
        headings: &[String],
        mappings: &'a BTreeMap<String, ColumnMapping>,
    ) -> Result<Self, IntakeError> {
        let mut places = BTreeMap::new();
        let mut notes: Vec<String> = mappings
            .keys()
            .filter(|key| !COLUMNS.contains(&key.as_str()))
            .map(|key| format!("series sheet, [columns]: {key} is no column of tiltworth's and was not used"))
            .collect();
        for column in COLUMNS {
            let mapping = mappings.get(column);
            let find = |name: &str| headings.iter().position(|heading| heading == name);
            let at = match mapping {
                Some(mapping) => find(mapping.heading()).map(|at| (at, Some(mapping))).or_else(|| {
                    let heading = mapping.heading();
                    notes.push(format!("{}: there is no heading \"{heading}\" for {column}", file_name(path)));
                    find(column).map(|at| (at, None))
                }),
                None => find(column).map(|at| (at, None)),
            };
            if let Some(at) = at {
                places.insert(column, at);
            }
        }
        if !places.contains_key("tilt_deg") {
            let fault = format!("no column tilt_deg among the headings {}", headings.join(", "));
            let remedy = "name the column of goniometer angles tilt_deg, or map its heading under [columns]";
            return Err(IntakeError::bad(path, "heading row", fault, remedy));
        }
        let sources = headings.iter().enumerate().map(|(at, heading)| ColumnSource {
            column: places.iter().find(|(_, (place, _))| *place == at).map(|(column, _)| (*column).to_owned()),
            heading: heading.clone(),
            source: "table".into(),
        });
        Ok(Self { sources: sources.collect(), places, notes })
    }
}

/// The cells of one row.
struct Cells<'a> {
    path: &'a Path,
    layout: &'a Layout<'a>,
    record: &'a csv::StringRecord,
    row: usize,
}

impl Cells<'_> {
    fn row(&self, zoneless: &mut bool) -> Result<Row, IntakeError> {
        let shift = [self.number("shift_x_um")?, self.number("shift_y_um")?];
        let stage = [self.number("stage_x_um")?, self.number("stage_y_um")?, self.number("stage_z_um")?];
        Ok(Row {
            line: self.record.position().map_or(0, csv::Position::line),
            section: self.whole("section")?,
            file: self.cell("file").map(str::to_owned),
            tilt_deg: self.angle()?,
            tile_col: self.whole("tile_col")?,
            tile_row: self.whole("tile_row")?,
            tile_x_px: self.number("tile_x_px")?,
            tile_y_px: self.number("tile_y_px")?,
            order: self.whole("order")?,
            acquired_at: self.time(zoneless)?,
            exposure_s: self.not_negative("exposure_s")?,
            dose: self.not_negative("dose_e_per_A2")?,
            dose_before: self.not_negative("dose_before_e_per_A2")?,
            wanted_defocus_um: self.number("wanted_defocus_um")?,
            applied_focus_um: self.number("applied_focus_um")?,
            shift_um: shift[0].zip(shift[1]).map(|(x, y)| [x, y]),
            stage_um: stage,
            autofocus: self.truth("autofocus")?,
        })
    }

    fn cell(&self, column: &str) -> Option<&str> {
        let (at, _) = self.layout.places.get(column)?;
        self.record.get(*at).filter(|cell| !cell.is_empty())
    }

    fn wrong(&self, column: &str, fault: String, remedy: &str) -> IntakeError {
        IntakeError::bad(self.path, format!("row {}, column {column}", self.row), fault, remedy)
    }

    fn number(&self, column: &str) -> Result<Option<f64>, IntakeError> {
        let Some(cell) = self.cell(column) else { return Ok(None) };
        let remedy =
            if cell.contains(',') { "write a decimal point" } else { "write a number, or leave the cell empty" };
        match cell.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(Some(value * self.scale(column))),
            _ => Err(self.wrong(column, format!("\"{cell}\" is no number"), remedy)),
        }
    }

    fn scale(&self, column: &str) -> f64 {
        self.layout.places.get(column).and_then(|(_, mapping)| mapping.and_then(ColumnMapping::scale)).unwrap_or(1.0)
    }

    fn not_negative(&self, column: &str) -> Result<Option<f64>, IntakeError> {
        match self.number(column)? {
            Some(value) if value < 0.0 => Err(self.wrong(
                column,
                format!("{value} is negative"),
                "write a figure of zero or more, or leave the cell empty",
            )),
            value => Ok(value),
        }
    }

    fn angle(&self) -> Result<f64, IntakeError> {
        let angle = self.number("tilt_deg")?;
        let remedy = "write the goniometer angle in degrees";
        let angle = angle.ok_or_else(|| self.wrong("tilt_deg", "the cell is empty".into(), remedy))?;
        check_angle(angle).map_err(|fault| self.wrong("tilt_deg", fault, remedy))?;
        Ok(angle)
    }

    fn whole(&self, column: &str) -> Result<Option<usize>, IntakeError> {
        let Some(cell) = self.cell(column) else { return Ok(None) };
        // Spreadsheets like to write 3 as 3.0.
        let digits = cell.strip_suffix(".0").unwrap_or(cell);
        let remedy = "write a whole number from 0 up";
        digits.parse().map(Some).map_err(|_| self.wrong(column, format!("\"{cell}\" is no whole number"), remedy))
    }

    fn truth(&self, column: &str) -> Result<Option<bool>, IntakeError> {
        let Some(cell) = self.cell(column) else { return Ok(None) };
        match cell.to_ascii_lowercase().as_str() {
            "true" | "yes" | "1" => Ok(Some(true)),
            "false" | "no" | "0" => Ok(Some(false)),
            _ => Err(self.wrong(column, format!("\"{cell}\" is neither true nor false"), "write true or false")),
        }
    }

    fn time(&self, zoneless: &mut bool) -> Result<Option<Timestamp>, IntakeError> {
        let Some(cell) = self.cell("acquired_at") else { return Ok(None) };
        let format = self.layout.places.get("acquired_at").and_then(|(_, m)| m.and_then(ColumnMapping::format));
        let read = match format {
            Some(format) => formatted_time(cell, format),
            None => rfc3339_time(cell),
        };
        let remedy = "write an RFC 3339 time (2031-04-17T09:30:00Z), or give its format under [columns]";
        let (time, has_zone) =
            read.ok_or_else(|| self.wrong("acquired_at", format!("\"{cell}\" is no time that can be read"), remedy))?;
        *zoneless |= !has_zone;
        Ok(Some(time))
    }
}

/// A goniometer angle is a number within ±90°; else what is wrong with it.
pub fn check_angle(angle_deg: f64) -> Result<(), String> {
    if !angle_deg.is_finite() {
        return Err(format!("\"{angle_deg}\" is no number"));
    }
    if angle_deg.abs() > 90.0 { Err(format!("{angle_deg} is beyond ±90°")) } else { Ok(()) }
}

fn rfc3339_time(cell: &str) -> Option<(Timestamp, bool)> {
    let zoned = cell.parse::<Timestamp>().ok().map(|time| (time, true));
    zoned.or_else(|| Some((in_utc(cell.parse::<jiff::civil::DateTime>().ok()?)?, false)))
}

fn formatted_time(cell: &str, format: &str) -> Option<(Timestamp, bool)> {
    let parsed = jiff::fmt::strtime::parse(format, cell).ok()?;
    let zoned = parsed.to_timestamp().ok().map(|time| (time, true));
    zoned.or_else(|| Some((in_utc(parsed.to_datetime().ok()?)?, false)))
}

fn in_utc(time: jiff::civil::DateTime) -> Option<Timestamp> {
    jiff::tz::TimeZone::UTC.to_timestamp(time).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(text: &str, mappings: &str) -> Result<Table, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("sections.csv");
        std::fs::write(&path, text).unwrap();
        let mappings: BTreeMap<String, ColumnMapping> = toml::from_str(mappings).unwrap();
        read(&path, &mappings).map_err(|e| e.to_string().replace(&format!("{}/", folder.path().display()), ""))
    }

    #[test]
    fn tabs_commas_and_semicolons_part_cells() {
        for separator in ['\t', ',', ';'] {
            let text = "tilt_deg,tile_row\n-60.02,1\n".replace(',', &separator.to_string());
            let table = table(&text, "").unwrap();
            assert_eq!((table.rows[0].tilt_deg, table.rows[0].tile_row), (-60.02, Some(1)));
        }
    }

    #[test]
    fn a_sites_own_headings_are_mapped_with_scale_and_time_format() {
        let text = "alpha (deg),clock,dose e/nm2,operator\n12,17/04/2031 09:30:00,250,me\n";
        let mappings = "tilt_deg = 'alpha (deg)'\nacquired_at = { from = 'clock', format = '%d/%m/%Y %H:%M:%S' }\n\
                        dose_e_per_A2 = { from = 'dose e/nm2', scale = 0.01 }\n";
        let table = table(text, mappings).unwrap();
        assert_eq!(table.rows[0].dose, Some(2.5));
        assert_eq!(table.rows[0].acquired_at.unwrap().to_string(), "2031-04-17T09:30:00Z");
        assert_eq!(table.notes, ["sections.csv: acquired_at states no time zone and is read as UTC"]);
        assert_eq!(table.columns[3].column, None);
        assert_eq!(table.columns[0].column.as_deref(), Some("tilt_deg"));
    }

    #[test]
    fn what_cannot_be_read_is_named_by_row_column_value_and_remedy() {
        let cases = [
            ("tilt_deg\n-3\n\"12,5\"\n", "row 2, column tilt_deg: \"12,5\" is no number; write a decimal point"),
            (
                "tilt_deg\nNaN\n",
                "row 1, column tilt_deg: \"NaN\" is no number; write a number, or leave the cell empty",
            ),
            (
                "tilt_deg,order\n,1\n",
                "row 1, column tilt_deg: the cell is empty; write the goniometer angle in degrees",
            ),
            ("tilt_deg\n91\n", "row 1, column tilt_deg: 91 is beyond ±90°; write the goniometer angle in degrees"),
            (
                "tilt_deg,order\n1,first\n",
                "row 1, column order: \"first\" is no whole number; write a whole number from 0 up",
            ),
            (
                "tilt_deg,order\n1\n",
                "line 2: 1 cells under 2 headings; give each row as many cells as there are headings",
            ),
            ("tilt_deg\n", "the table has a heading but no row; add one row a section"),
        ];
        for (text, expected) in cases {
            let message = table(text, "").unwrap_err();
            assert!(message.ends_with(expected), "{message}");
        }
        let message = table("angle\n1\n", "").unwrap_err();
        assert!(
            message.starts_with("sections.csv, heading row: no column tilt_deg among the headings angle;"),
            "{message}"
        );
    }

    #[test]
    fn a_negative_dose_is_no_dose() {
        let message = table("tilt_deg,dose_e_per_A2\n1,-2\n", "").unwrap_err();
        assert!(message.contains("row 1, column dose_e_per_A2: -2 is negative"), "{message}");
    }
}
