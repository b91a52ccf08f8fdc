//! The facts of each section, merged from all sources that give them: table over list of angles over log over the
//! records of a header over OME-XML, column by column; every cell read into its type.

use crate::intake::error::IntakeError;
use crate::intake::grid::{Grid, file_name};
use crate::intake::sheet::ColumnMapping;
use crate::record::ColumnSource;
use jiff::Timestamp;
use std::collections::{BTreeMap, HashMap};
use std::path::Path;

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

/// All rows of a series.
#[derive(Debug, Clone, PartialEq)]
pub struct Rows {
    /// In the order of the first source.
    pub rows: Vec<Row>,
    /// Where each column came from, headings that were not used among them.
    pub columns: Vec<ColumnSource>,
    /// What the reader should know.
    pub notes: Vec<String>,
}

/// Headings that were not used and are told; a log may hold thousands.
const MOST_UNUSED_TOLD: usize = 60;
/// Two statements of one angle that differ by more belong to different sections.
const SAME_ANGLE_DEG: f64 = 0.1;

/// Merges sources, given in order of precedence; the first says which sections there are. `mappings` are the sheet's
/// `[columns]`.
///
/// # Errors
/// Names source, row, column and value of what cannot be read; no source gives `tilt_deg`.
pub fn merge(grids: &[Grid], mappings: &BTreeMap<String, ColumnMapping>) -> Result<Rows, IntakeError> {
    let mut notes: Vec<String> = mappings
        .keys()
        .filter(|key| !COLUMNS.contains(&key.as_str()))
        .map(|key| format!("series sheet, [columns]: {key} is no column of tiltworth's and was not used"))
        .collect();
    let sources: Vec<Source<'_>> = grids.iter().map(|grid| Source::new(grid, mappings)).collect::<Result<_, _>>()?;
    unplaced(&sources, mappings, &mut notes);
    let first = sources.first().ok_or_else(|| no_angles(&sources))?;
    if !sources.iter().any(|source| source.columns.contains_key("tilt_deg")) {
        return Err(no_angles(&sources));
    }
    let mut rows = Vec::new();
    let mut zoneless = false;
    for row in 0..first.grid.rows.len() {
        let page = first.page_of(row)?;
        rows.push(RowCells { sources: &sources, row, page }.row(&mut zoneless)?);
    }
    if zoneless {
        let source = sources.iter().find(|source| source.columns.contains_key("acquired_at"));
        let file = source.map_or_else(String::new, |source| file_name(&source.grid.path));
        notes.push(format!("{file}: acquired_at states no time zone and is read as UTC"));
    }
    agreement(&sources, &rows, &mut notes);
    Ok(Rows { columns: told(&sources), rows, notes })
}

/// Whether a source gives a column.
///
/// # Errors
/// A section is named twice.
pub fn gives(grids: &[Grid], mappings: &BTreeMap<String, ColumnMapping>, column: &str) -> Result<bool, IntakeError> {
    let sources = grids.iter().map(|grid| Source::new(grid, mappings)).collect::<Result<Vec<_>, _>>()?;
    Ok(sources.iter().any(|source| source.columns.contains_key(column)))
}

/// The image file of each section of a folder, in the order of the sections where they are numbered.
///
/// # Errors
/// A section without a file.
pub fn files(grids: &[Grid], mappings: &BTreeMap<String, ColumnMapping>) -> Result<Vec<String>, IntakeError> {
    let sources = grids.iter().map(|grid| Source::new(grid, mappings)).collect::<Result<Vec<_>, _>>()?;
    let Some(first) = sources.first() else { return Ok(Vec::new()) };
    let mut files = Vec::new();
    for row in 0..first.grid.rows.len() {
        let page = first.page_of(row)?;
        let cells = RowCells { sources: &sources, row, page };
        let remedy = "name each section's image file in the column file";
        let file = cells
            .cell("file")
            .ok_or_else(|| first.grid.wrong(row, "file", "the stack is a folder, but no file is named", remedy))?;
        files.push((page.unwrap_or(row), file.to_owned()));
    }
    files.sort_by_key(|(page, _)| *page);
    Ok(files.into_iter().map(|(_, file)| file).collect())
}

fn no_angles(sources: &[Source<'_>]) -> IntakeError {
    let remedy = "name the column of goniometer angles tilt_deg, or map its heading under [columns]";
    let Some(first) = sources.first() else {
        return IntakeError::bad(Path::new(""), "", "nothing states the tilt angles", remedy);
    };
    let headings: Vec<&str> =
        sources.iter().flat_map(|source| &source.grid.headings).take(MOST_UNUSED_TOLD).map(String::as_str).collect();
    let fault = format!("no column tilt_deg among the headings {}", headings.join(", "));
    let place = if first.grid.origin == crate::intake::grid::Origin::Table { "heading row" } else { "" };
    IntakeError::bad(&first.grid.path, place, fault, remedy)
}

/// A column of ours in a source.
struct Found<'a> {
    heading: usize,
    mapping: Option<&'a ColumnMapping>,
}

/// A source with the columns that it gives.
struct Source<'a> {
    grid: &'a Grid,
    columns: BTreeMap<&'static str, Found<'a>>,
    /// Row of each section, where the source numbers them.
    by_page: Option<HashMap<usize, usize>>,
}

impl<'a> Source<'a> {
    fn new(grid: &'a Grid, mappings: &'a BTreeMap<String, ColumnMapping>) -> Result<Self, IntakeError> {
        let find = |name: &str| grid.headings.iter().position(|heading| heading == name);
        let mut columns = BTreeMap::new();
        for column in COLUMNS {
            let mapping = mappings.get(column).filter(|_| grid.origin.is_mapped());
            let mapped =
                mapping.and_then(|mapping| Some(Found { heading: find(mapping.heading())?, mapping: Some(mapping) }));
            if let Some(found) = mapped.or_else(|| Some(Found { heading: find(column)?, mapping: None })) {
                columns.insert(column, found);
            }
        }
        let mut source = Self { grid, columns, by_page: None };
        if source.columns.contains_key("section") {
            let mut by_page = HashMap::new();
            for row in 0..grid.rows.len() {
                if let Some(page) = source.page_of(row)?
                    && let Some(first) = by_page.insert(page, row)
                {
                    let fault = format!("{page} is named in {} already", grid.at(first));
                    return Err(grid.wrong(row, "section", fault, "name each section once"));
                }
            }
            source.by_page = Some(by_page);
        }
        Ok(source)
    }

    /// The section that a row states for itself.
    fn page_of(&self, row: usize) -> Result<Option<usize>, IntakeError> {
        RowCells { sources: std::slice::from_ref(self), row, page: None }.whole("section")
    }

    /// The row that belongs to a row of the first source which states `page`; by number where both number their
    /// sections, else by position.
    fn row_of(&self, row: usize, page: Option<usize>) -> Option<usize> {
        let page = page.unwrap_or(row);
        match &self.by_page {
            Some(by_page) => by_page.get(&page).copied(),
            None if self.grid.origin.is_mapped() || self.grid.origin == crate::intake::grid::Origin::Angles => {
                Some(row)
            }
            // Records of the stack itself stand in its order.
            None => Some(page),
        }
    }
}

/// Mappings whose heading no source has.
fn unplaced(sources: &[Source<'_>], mappings: &BTreeMap<String, ColumnMapping>, notes: &mut Vec<String>) {
    let mapped: Vec<&Source<'_>> = sources.iter().filter(|source| source.grid.origin.is_mapped()).collect();
    for (column, mapping) in mappings.iter().filter(|(column, _)| COLUMNS.contains(&column.as_str())) {
        let heading = mapping.heading();
        if !mapped.iter().any(|source| source.grid.headings.iter().any(|known| known == heading)) {
            let files: Vec<String> = mapped.iter().map(|source| file_name(&source.grid.path)).collect();
            let files = if files.is_empty() { "series sheet".into() } else { files.join(", ") };
            notes.push(format!("{files}: there is no heading \"{heading}\" for {column}"));
        }
    }
}

/// Notes where a second source states other angles: then the sources belong to different series.
fn agreement(sources: &[Source<'_>], rows: &[Row], notes: &mut Vec<String>) {
    let mut giving = sources.iter().filter(|source| source.columns.contains_key("tilt_deg"));
    let Some(used) = giving.next() else { return };
    for other in giving {
        let angle = |at: usize| {
            let alone =
                RowCells { sources: std::slice::from_ref(other), row: other.row_of(at, rows[at].section)?, page: None };
            alone.number("tilt_deg").ok().flatten()
        };
        let apart = |at: &usize| angle(*at).is_some_and(|deg| (deg - rows[*at].tilt_deg).abs() > SAME_ANGLE_DEG);
        let differing = (0..rows.len()).filter(apart).count();
        if differing > 0 {
            let (used, other) = (used.grid.origin.word(), other.grid.origin.word());
            notes.push(format!("tilt_deg: the {used} is used; the {other} differs by more than {SAME_ANGLE_DEG}° in {differing} of {} sections", rows.len()));
        }
    }
}

/// Where each column came from, and the headings that were not used.
fn told(sources: &[Source<'_>]) -> Vec<ColumnSource> {
    let mut told = Vec::new();
    let mut unused = 0;
    for (rank, source) in sources.iter().enumerate() {
        for (at, heading) in source.grid.headings.iter().enumerate() {
            let column = source.columns.iter().find(|(_, found)| found.heading == at).map(|(column, _)| *column);
            let first = |column: &&str| !sources[..rank].iter().any(|earlier| earlier.columns.contains_key(column));
            let column = column.filter(first).map(str::to_owned);
            unused += usize::from(column.is_none());
            if column.is_some() || unused <= MOST_UNUSED_TOLD {
                told.push(ColumnSource { column, heading: heading.clone(), source: source.grid.origin.word().into() });
            }
        }
    }
    told
}

/// The cells of one row, whichever source they stand in.
struct RowCells<'a> {
    sources: &'a [Source<'a>],
    /// Row of the first source.
    row: usize,
    /// The section that it states.
    page: Option<usize>,
}

impl RowCells<'_> {
    fn row(&self, zoneless: &mut bool) -> Result<Row, IntakeError> {
        let shift = [self.number("shift_x_um")?, self.number("shift_y_um")?];
        let stage = [self.number("stage_x_um")?, self.number("stage_y_um")?, self.number("stage_z_um")?];
        Ok(Row {
            line: self.line(),
            section: self.page,
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

    fn line(&self) -> u64 {
        self.sources.first().and_then(|source| source.grid.rows.get(self.row)).map_or(0, |row| row.line)
    }

    /// The source that gives a column, with the row that belongs to this one.
    fn source(&self, column: &str) -> Option<(&Source<'_>, usize)> {
        let (rank, source) = self.sources.iter().enumerate().find(|(_, source)| source.columns.contains_key(column))?;
        Some((source, if rank == 0 { self.row } else { source.row_of(self.row, self.page)? }))
    }

    fn cell(&self, column: &str) -> Option<&str> {
        let (source, row) = self.source(column)?;
        source.grid.rows.get(row)?.cells.get(source.columns.get(column)?.heading)
    }

    fn mapping(&self, column: &str) -> Option<&ColumnMapping> {
        self.source(column)?.0.columns.get(column)?.mapping
    }

    fn wrong(&self, column: &str, fault: String, remedy: &str) -> IntakeError {
        match self.source(column).or_else(|| self.sources.first().map(|source| (source, self.row))) {
            Some((source, row)) => source.grid.wrong(row, column, fault, remedy),
            None => IntakeError::bad(Path::new(""), "", fault, remedy),
        }
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
        self.mapping(column).and_then(ColumnMapping::scale).unwrap_or(1.0)
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
        let format = self.mapping("acquired_at").and_then(ColumnMapping::format);
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

    fn table(text: &str, mappings: &str) -> Result<Rows, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("sections.csv");
        std::fs::write(&path, text).unwrap();
        let mappings: BTreeMap<String, ColumnMapping> = toml::from_str(mappings).unwrap();
        crate::intake::table::read(&path)
            .and_then(|grid| merge(&[grid], &mappings))
            .map_err(|e| e.to_string().replace(&format!("{}/", folder.path().display()), ""))
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
