//! A series: everything that the files and options say, checked against each other, before a pixel is measured.

use crate::intake::error::IntakeError;
use crate::intake::grid::{Grid, file_name};
use crate::intake::log::{self, LogSeen};
use crate::intake::montage::{self, Place};
use crate::intake::order::{self, OrderSource};
use crate::intake::rows::{self, Row};
use crate::intake::sheet::{self, Beam, Dose, Sheet, Targets};
use crate::intake::stack::{self, Stack};
use crate::intake::stamps::{self, Stamp};
use crate::intake::tilts::{self, TiltGroup};
use crate::intake::{angles, pages, planes, section_header, table};
use crate::record::{ColumnSource, Specimen};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// What the user asked for.
#[derive(Debug, Clone, Default)]
pub struct Request {
    /// A folder with `series.toml`, that file, or a stack.
    pub path: PathBuf,
    /// Facts given as options, laid out like the sheet.
    pub options: toml::Table,
    /// Assess what is there of a series that was broken off.
    pub partial: bool,
    /// The rows stand in the order of acquisition, on the user's word.
    pub rows_are_in_order: bool,
}

/// One section: a page of the stack with its facts.
#[derive(Debug, Clone, PartialEq)]
pub struct SectionFacts {
    /// 0-based page.
    pub page: usize,
    /// Its row of the table.
    pub row: Row,
    /// Its tile.
    pub place: Place,
}

/// A file that was read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputFiles {
    /// `sheet`, `table`, `angles`, `log` or `stack`.
    pub role: &'static str,
    /// What the record calls it.
    pub name: String,
    /// The files; more than one for a folder.
    pub paths: Vec<PathBuf>,
}

/// One series, understood.
#[derive(Debug)]
pub struct Series {
    /// Safe for file names.
    pub series_id: String,
    /// The sheet with the options laid over it.
    pub sheet: Sheet,
    /// Kind of specimen.
    pub specimen: Specimen,
    /// Pixel size at the specimen: option over sheet over file header.
    pub pixel_nm: Option<f64>,
    /// Lowest count taken for saturated: stated, else the largest value of the pixel type.
    pub full_scale_counts: Option<f64>,
    /// Columns and rows of the montage.
    pub grid: (usize, usize),
    /// Width and height of a section.
    pub size_px: (usize, usize),
    /// Width and height of the assembled picture by the nominal places.
    pub assembled_px: (usize, usize),
    /// The sections, in table order.
    pub sections: Vec<SectionFacts>,
    /// The tilts, by ascending angle; their rows index `sections`.
    pub tilts: Vec<TiltGroup>,
    /// Where the order came from.
    pub order_source: OrderSource,
    /// The pixels.
    pub stack: Arc<dyn Stack>,
    /// The files that were read.
    pub inputs: Vec<InputFiles>,
    /// Their length and time of change when they were read.
    pub stamps: Vec<Stamp>,
    /// Where each column came from.
    pub columns: Vec<ColumnSource>,
    /// What the patterns of a log caught.
    pub log: Option<LogSeen>,
    /// What the reader should know.
    pub notes: Vec<String>,
}

impl Series {
    /// The stated facts of dose.
    pub fn dose(&self) -> &Dose {
        &self.sheet.dose
    }

    /// What the operator set out to get.
    pub fn targets(&self) -> &Targets {
        &self.sheet.targets
    }

    /// Counts that the camera gives without electrons; 0 where not stated.
    pub fn offset_counts(&self) -> f64 {
        self.sheet.camera.offset_counts.unwrap_or(0.0)
    }

    /// Whether the beam was stated to be the same at every tilt.
    pub fn beam_is_fixed(&self) -> bool {
        self.sheet.dose.beam == Some(Beam::Fixed)
    }

    /// Time at which the first exposure of a tilt began.
    pub fn acquired_at(&self, tilt: &TiltGroup) -> Option<jiff::Timestamp> {
        tilt.rows.iter().filter_map(|&row| self.sections[row].row.acquired_at).min()
    }
}

/// Reads all that a request names and checks it.
///
/// # Errors
/// Any input that is missing, cannot be read, or contradicts itself or the stack.
pub fn load(request: &Request) -> Result<Series, IntakeError> {
    let mut notes = Vec::new();
    let home = Home::of(&request.path)?;
    let sheet = settle_sheet(&home, &request.options, &mut notes)?;
    let mut told = read_texts(&home, &sheet, &mut notes)?;
    let stack = open_stack(&home, &sheet, &told.grids)?;
    notes.extend(stack.warnings().into_iter().map(|warning| format!("{}: {warning}", home.stack_name(&sheet))));
    let columns_stated = |grids: &[Grid], column: &str| rows::gives(grids, &sheet.columns, column);
    if let Some(layout) = &sheet.section_header {
        told.grids.push(section_header::read(home.named(), layout, stack.as_ref())?);
    }
    let timed = columns_stated(&told.grids, "acquired_at")? || columns_stated(&told.grids, "order")?;
    told.grids.extend(planes::grid(stack.as_ref(), !timed));
    let merged = rows::merge(&told.grids, &sheet.columns)?;
    notes.extend(merged.notes);
    let path = told.grids.first().map_or_else(PathBuf::new, |grid| grid.path.clone());
    let (rows, pages) = pages::pair(merged.rows, stack.as_ref(), &path, request.partial, &mut notes)?;
    let size_px = stack.size_px();
    let source = montage::Source { table: &path, sheet: home.sheet.as_deref().unwrap_or(&path) };
    let layout = montage::lay_out(&rows, sheet.montage.as_ref(), size_px, &source)?;
    notes.extend(layout.notes);
    let (ranks, order_source) = order::ranks(&rows, request.rows_are_in_order, &path, &mut notes)?;
    let angles_deg: Vec<f64> = rows.iter().map(|row| row.tilt_deg).collect();
    let tilts = tilts::group(&angles_deg, &layout.places, &ranks, size_px, &path)?;
    let sections: Vec<SectionFacts> = rows
        .into_iter()
        .zip(pages)
        .zip(layout.places)
        .map(|((row, page), place)| SectionFacts { page, row, place })
        .collect();
    let pixel_nm = settle_pixel(&sheet, stack.as_ref(), &mut notes);
    check_facts(&sheet, &home)?;
    let inputs = inputs(&home, &sheet, stack.as_ref(), told.inputs);
    Ok(Series {
        series_id: series_id(sheet.series_id.as_deref(), &request.path),
        specimen: sheet.specimen.unwrap_or(Specimen::Other),
        pixel_nm,
        full_scale_counts: sheet.camera.full_scale_counts.or_else(|| stack.type_max()),
        grid: (layout.cols, layout.rows),
        size_px,
        assembled_px: assembled(&sections, size_px),
        stamps: stamps::take(&inputs),
        inputs,
        columns: merged.columns,
        log: told.log,
        sections,
        tilts,
        order_source,
        stack,
        notes,
        sheet,
    })
}

fn assembled(sections: &[SectionFacts], size_px: (usize, usize)) -> (usize, usize) {
    let far = |of: fn(&Place) -> f64| sections.iter().map(|s| of(&s.place)).fold(0.0, f64::max).round() as usize;
    (far(|p| p.x_px) + size_px.0, far(|p| p.y_px) + size_px.1)
}

/// Where the paths of a request start from.
struct Home {
    sheet: Option<PathBuf>,
    folder: PathBuf,
    stack: Option<PathBuf>,
}

impl Home {
    fn of(path: &Path) -> Result<Self, IntakeError> {
        let meta = std::fs::metadata(path).map_err(|error| IntakeError::unreadable(path, "", &error))?;
        if meta.is_dir() {
            let sheet = path.join("series.toml");
            if !sheet.exists() {
                let remedy = "write one (`tiltworth draft STACK` makes a beginning), or name the stack itself with --angles or --table";
                return Err(IntakeError::bad(path, "", "the folder holds no series.toml", remedy));
            }
            return Ok(Self { sheet: Some(sheet), folder: path.to_path_buf(), stack: None });
        }
        let folder = path.parent().map_or_else(PathBuf::new, Path::to_path_buf);
        if path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("toml")) {
            return Ok(Self { sheet: Some(path.to_path_buf()), folder, stack: None });
        }
        Ok(Self { sheet: None, folder, stack: Some(path.to_path_buf()) })
    }

    fn stack_path(&self, sheet: &Sheet) -> Option<PathBuf> {
        self.stack.clone().or_else(|| sheet.stack.as_ref().map(|stack| self.folder.join(stack)))
    }

    fn stack_name(&self, sheet: &Sheet) -> String {
        self.stack_path(sheet).map_or_else(String::new, |path| file_name(&path))
    }

    /// The file to name where a fact is missing.
    fn named(&self) -> &Path {
        self.sheet.as_deref().or(self.stack.as_deref()).unwrap_or(&self.folder)
    }
}

fn settle_sheet(home: &Home, options: &toml::Table, notes: &mut Vec<String>) -> Result<Sheet, IntakeError> {
    let mut facts = match &home.sheet {
        Some(path) => {
            let (facts, unknown) = sheet::read(path)?;
            notes.extend(unknown);
            facts
        }
        None => toml::Table::new(),
    };
    sheet::overlay(&mut facts, options, "", notes);
    facts.try_into().map_err(|error: toml::de::Error| {
        let fault = error.message().trim().replace('\n', ", ");
        IntakeError::bad(home.named(), "options", fault, "correct the option")
    })
}

/// The texts that state facts of the sections, in order of precedence.
struct Texts {
    grids: Vec<Grid>,
    inputs: Vec<InputFiles>,
    log: Option<LogSeen>,
}

fn read_texts(home: &Home, sheet: &Sheet, notes: &mut Vec<String>) -> Result<Texts, IntakeError> {
    let mut texts = Texts { grids: Vec::new(), inputs: Vec::new(), log: None };
    let add = |texts: &mut Texts, role: &'static str, grid: Grid| {
        let (name, paths) = (file_name(&grid.path), vec![grid.path.clone()]);
        texts.inputs.push(InputFiles { role, name, paths });
        texts.grids.push(grid);
    };
    if let Some(table) = &sheet.table {
        add(&mut texts, "table", table::read(&home.folder.join(table))?);
        if sheet.angles.is_some() {
            notes.push("both a table and a list of angles are given: the table is used".into());
        }
    } else if let Some(list) = &sheet.angles {
        add(&mut texts, "angles", angles::read(&home.folder.join(list))?);
    }
    if let Some(patterns) = &sheet.log {
        let (grid, seen) = log::read(&home.folder, home.named(), patterns)?;
        add(&mut texts, "log", grid);
        texts.log = Some(seen);
    }
    if texts.grids.is_empty() && sheet.section_header.is_none() {
        let remedy = "add table = \"…\" or angles = \"…\" to the sheet (or [log] or [section_header]), or give --table \
                      or --angles; `tiltworth draft STACK` writes a sheet to begin with";
        return Err(IntakeError::bad(home.named(), "", "nothing states the tilt angles", remedy));
    }
    Ok(texts)
}

fn open_stack(home: &Home, sheet: &Sheet, grids: &[Grid]) -> Result<Arc<dyn Stack>, IntakeError> {
    let path = home.stack_path(sheet).ok_or_else(|| {
        IntakeError::bad(home.named(), "", "nothing names the stack", "add stack = \"…\" to the sheet")
    })?;
    let meta = std::fs::metadata(&path).map_err(|error| IntakeError::unreadable(&path, "", &error))?;
    if !meta.is_dir() {
        return stack::open(&path).map(Arc::from);
    }
    stack::open_folder(&path, &rows::files(grids, &sheet.columns)?).map(Arc::from)
}

fn settle_pixel(sheet: &Sheet, stack: &dyn Stack, notes: &mut Vec<String>) -> Option<f64> {
    let (stated, header) = (sheet.camera.pixel_nm, stack.pixel_nm());
    if let (Some(stated), Some(header)) = (stated, header)
        && sheet::differ_by_more_than_1_percent(stated, header)
    {
        notes.push(format!("pixel size: the stated {stated} nm is used in place of the stack header's {header} nm"));
    }
    stated.or(header)
}

/// Facts that can only be slips of the pen.
fn check_facts(sheet: &Sheet, home: &Home) -> Result<(), IntakeError> {
    let positive = [
        ("camera.pixel_nm", sheet.camera.pixel_nm),
        ("instrument.kv", sheet.instrument.kv),
        ("camera.counts_per_electron", sheet.camera.counts_per_electron),
        ("camera.full_scale_counts", sheet.camera.full_scale_counts),
        ("specimen_facts.thickness_nm", sheet.specimen_facts.thickness_nm),
        ("specimen_facts.attenuation_length_nm", sheet.specimen_facts.attenuation_length_nm),
        ("specimen_facts.mean_atomic_number", sheet.specimen_facts.mean_atomic_number),
        ("instrument.collection_mrad", sheet.instrument.collection_mrad),
        ("dose.beam_diameter_um", sheet.dose.beam_diameter_um),
        ("targets.mean_counts", sheet.targets.mean_counts),
        ("targets.setup_mean_counts", sheet.targets.setup_mean_counts),
        ("targets.resolution_nm", sheet.targets.resolution_nm),
    ];
    let not_negative = [
        ("instrument.cs_mm", sheet.instrument.cs_mm),
        ("dose.per_image_e_per_A2", sheet.dose.per_image_e_per_A2),
        ("dose.pre_exposure_e_per_A2", sheet.dose.pre_exposure_e_per_A2),
        ("dose.overhead_per_tilt_e_per_A2", sheet.dose.overhead_per_tilt_e_per_A2),
    ];
    let wrong = |key: &str, value: f64, what: &str| {
        let fault = format!("{key} is {value}");
        IntakeError::bad(home.named(), "", fault, format!("give a number {what}, or leave it out"))
    };
    for (key, value) in positive {
        if let Some(value) = value.filter(|&value| !(value.is_finite() && value > 0.0)) {
            return Err(wrong(key, value, "above zero"));
        }
    }
    for (key, value) in not_negative {
        if let Some(value) = value.filter(|&value| !(value.is_finite() && value >= 0.0)) {
            return Err(wrong(key, value, "of zero or more"));
        }
    }
    Ok(())
}

fn inputs(home: &Home, sheet: &Sheet, stack: &dyn Stack, texts: Vec<InputFiles>) -> Vec<InputFiles> {
    let mut inputs = Vec::new();
    if let Some(path) = &home.sheet {
        inputs.push(InputFiles { role: "sheet", name: file_name(path), paths: vec![path.clone()] });
    }
    inputs.extend(texts);
    inputs.push(InputFiles { role: "stack", name: home.stack_name(sheet), paths: stack.files() });
    inputs
}

/// The stated id, else the folder's name (for a bare stack its own), made safe for file names.
fn series_id(stated: Option<&str>, path: &Path) -> String {
    let absolute = std::path::absolute(path).unwrap_or_else(|_| path.to_path_buf());
    let is_sheet = absolute.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("toml"));
    let named = if is_sheet { absolute.parent().unwrap_or(&absolute) } else { &absolute };
    let name = if named.is_dir() { named.file_name() } else { named.file_stem() };
    let raw = stated.map(str::to_owned).or_else(|| name.map(|name| name.to_string_lossy().into_owned()));
    safe_id(raw.as_deref().unwrap_or("series"))
}

fn safe_id(raw: &str) -> String {
    let keep = |c: char| if c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '-') { c } else { '-' };
    let id: String = raw.trim().chars().map(keep).collect();
    let id = if id.starts_with('.') { id.replacen('.', "-", 1) } else { id };
    if id.is_empty() { "series".into() } else { id }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_is_safe_as_a_file_name() {
        assert_eq!(safe_id("Kelp 3/ D5"), "Kelp-3--D5");
        assert_eq!(safe_id("../../etc"), "-.-..-etc");
        assert_eq!(safe_id("µ"), "-");
        assert_eq!(safe_id(""), "series");
    }
}
