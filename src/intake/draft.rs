//! A first series sheet, from what can be read of a stack and a table: what is known is written, what is guessed is
//! marked, what is missing stands as a comment to be filled in.

use crate::intake::error::IntakeError;
use crate::intake::grid::{Grid, file_name};
use crate::intake::headings::{self, Placing};
use crate::intake::stack::{self, Stack};
use crate::intake::{angles, table};
use std::fmt::{self, Write};
use std::path::{Path, PathBuf};

/// What a draft is made from.
#[derive(Debug, Clone, Default)]
pub struct DraftRequest {
    /// A stack, or a folder of images.
    pub stack: PathBuf,
    /// A table of sections.
    pub table: Option<PathBuf>,
    /// A list of angles.
    pub angles: Option<PathBuf>,
    /// The folder in which the sheet will stand, which its paths start from.
    pub home: PathBuf,
}

/// A drafted sheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Draft {
    /// The text of the sheet.
    pub text: String,
    /// What was found and what is left to do, one line each.
    pub told: Vec<String>,
}

/// Drafts a sheet.
///
/// # Errors
/// The stack, the table or the list cannot be read.
pub fn draft(request: &DraftRequest) -> Result<Draft, IntakeError> {
    let grid = match (&request.table, &request.angles) {
        (Some(path), _) => Some(table::read(path)?),
        (None, Some(path)) => Some(angles::read(path)?),
        (None, None) => None,
    };
    let placings = match &grid {
        Some(grid) if request.table.is_some() => headings::place(grid),
        _ => Vec::new(),
    };
    let seen = Seen::of(request, grid.as_ref(), &placings)?;
    let mut text = String::new();
    // Writing to a String cannot fail.
    let _ = write_sheet(&mut text, request, &seen, &placings);
    Ok(Draft { text, told: told(&seen, request, &placings) })
}

/// What the files say.
struct Seen {
    sections: usize,
    size_px: (usize, usize),
    description: String,
    pixel_nm: Option<f64>,
    type_max: Option<f64>,
    extended_header: u64,
    rows: Option<usize>,
    tiles_a_tilt: Option<usize>,
    tile_grid: Option<(usize, usize)>,
}

impl Seen {
    fn of(request: &DraftRequest, grid: Option<&Grid>, placings: &[Placing]) -> Result<Self, IntakeError> {
        let stack = open(request, grid, placings)?;
        let column = |name: &str| placings.iter().find(|placing| placing.column == Some(name)).map(|p| p.heading);
        let cells = |heading: usize| -> Vec<Option<f64>> {
            let rows = grid.map(|grid| grid.rows.as_slice()).unwrap_or_default();
            rows.iter().map(|row| row.cells.get(heading).and_then(|cell| cell.parse().ok())).collect()
        };
        let tilt = if request.table.is_some() { column("tilt_deg") } else { grid.map(|_| 0) };
        let largest = |name: &str| {
            let values = column(name).map(&cells)?;
            values.into_iter().flatten().reduce(f64::max).map(|most| most as usize + 1)
        };
        Ok(Self {
            sections: stack.sections(),
            size_px: stack.size_px(),
            description: stack.description(),
            pixel_nm: stack.pixel_nm(),
            type_max: stack.type_max(),
            extended_header: stack.extended_header_bytes(),
            rows: grid.map(|grid| grid.rows.len()),
            tiles_a_tilt: tilt.and_then(|heading| usual_run(&cells(heading))),
            tile_grid: largest("tile_col").zip(largest("tile_row")),
        })
    }
}

fn open(request: &DraftRequest, grid: Option<&Grid>, placings: &[Placing]) -> Result<Box<dyn Stack>, IntakeError> {
    let path = &request.stack;
    let meta = std::fs::metadata(path).map_err(|error| IntakeError::unreadable(path, "", &error))?;
    if !meta.is_dir() {
        return stack::open(path);
    }
    let heading = placings.iter().find(|placing| placing.column == Some("file")).map(|placing| placing.heading);
    let files: Option<Vec<String>> = grid
        .zip(heading)
        .and_then(|(grid, heading)| grid.rows.iter().map(|row| row.cells.get(heading).map(str::to_owned)).collect());
    let remedy = "give the table whose column names the image files, with --table";
    let files = files.ok_or_else(|| IntakeError::bad(path, "", "the stack is a folder of images", remedy))?;
    stack::open_folder(path, &files)
}

/// How many sections share an angle, where all tilts agree; `None` for one.
fn usual_run(angles: &[Option<f64>]) -> Option<usize> {
    const SAME_DEG: f64 = 0.1;
    let mut angles: Vec<f64> = angles.iter().copied().collect::<Option<Vec<f64>>>()?;
    angles.sort_by(f64::total_cmp);
    let mut runs: Vec<usize> = angles.chunk_by(|a, b| b - a <= SAME_DEG).map(<[f64]>::len).collect();
    runs.sort_unstable();
    runs.get(runs.len() / 2).copied().filter(|&run| run > 1)
}

fn write_sheet(out: &mut String, request: &DraftRequest, seen: &Seen, placings: &[Placing]) -> fmt::Result {
    let (width, height) = seen.size_px;
    let quoted = |path: &Path| quote(&shortest(path, &request.home));
    writeln!(
        out,
        "# A draft: read it line by line. Lines that begin with # are not in force; take the # away where a fact is"
    )?;
    writeln!(
        out,
        "# known. What stays unknown is not guessed: what depends on it is not measured, and the report says so."
    )?;
    writeln!(out)?;
    writeln!(out, "title = {}", quote(&stem(&request.stack)))?;
    writeln!(
        out,
        "specimen = \"other\"                # change: resin-section | vitrified | other; it decides the limits"
    )?;
    writeln!(
        out,
        "stack = {}   # {} sections of {width} × {height} px; {}",
        quoted(&request.stack),
        seen.sections,
        seen.description
    )?;
    match (&request.table, &request.angles) {
        (Some(table), _) => writeln!(out, "table = {}", quoted(table))?,
        (None, Some(angles)) => writeln!(out, "angles = {}", quoted(angles))?,
        (None, None) => {
            writeln!(out, "# one of these two is needed, for the tilt angles:")?;
            writeln!(out, "# table = \"sections.csv\"         # a heading row, then one row a section")?;
            writeln!(out, "# angles = \"angles.txt\"          # one angle in degrees a line, in stack order")?;
        }
    }
    writeln!(out, "# session = \"2031-04-17 morning\" # groups series of one day")?;
    writeln!(out, "\n[instrument]\n# name = \"Microscope 2\"\n# kv = 300.0\n# cs_mm = 2.7")?;
    writeln!(out, "\n[camera]")?;
    match seen.pixel_nm {
        Some(nm) => {
            writeln!(out, "# pixel_nm = {nm}   # the stack's own header says so; state it here where that is wrong")?
        }
        None => writeln!(out, "# pixel_nm = 0.68                # at the specimen; the stack does not state it")?,
    }
    match seen.type_max {
        Some(most) => writeln!(
            out,
            "# full_scale_counts = {most}   # the pixel type's largest value; state the camera's where it is lower"
        )?,
        None => writeln!(out, "# full_scale_counts = 65535      # where the camera is saturated")?,
    }
    writeln!(out, "# counts_per_electron = 40.0")?;
    writeln!(
        out,
        "\n[tilt]\n# axis_deg = 4.2                 # direction of the tilt axis: 0 along the columns, x = sin, y = cos"
    )?;
    writeln!(out, "\n[specimen_facts]\n# thickness_nm = 100")?;
    writeln!(
        out,
        "\n[dose]\n# pre_exposure_e_per_A2 = 1800.0\n# beam = \"regulated\"             # fixed | regulated: was the beam changed from tilt to tilt"
    )?;
    if !placings.iter().any(|placing| placing.column == Some("dose_e_per_A2")) {
        writeln!(out, "# per_image_e_per_A2 = 12.0      # no column of the table gives it")?;
    }
    montage(out, seen)?;
    writeln!(
        out,
        "\n[targets]\n# mean_counts = 6200\n# setup_mean_counts = 11500      # of the picture taken at zero tilt before the series\n# defocus_um = 3.0\n# resolution_nm = 3.0"
    )?;
    if request.table.is_some() {
        columns(out, placings)?;
    }
    if seen.extended_header > 0 && seen.sections > 0 {
        let a_section = seen.extended_header / seen.sections as u64;
        writeln!(
            out,
            "\n# The stack has an extended header of {} bytes, {a_section} a section. Where its layout is known:",
            seen.extended_header
        )?;
        writeln!(
            out,
            "# [section_header]\n# bytes_per_section = {a_section}\n# fields = [ {{ column = \"tilt_deg\", at = 0, type = \"f32\" }} ]"
        )?;
    }
    Ok(())
}

fn montage(out: &mut String, seen: &Seen) -> fmt::Result {
    let note = "# overlap_px = [0, 96]           # nominal, between neighbouring columns, rows; without it they are laid edge to edge";
    match (seen.tile_grid, seen.tiles_a_tilt) {
        (Some((cols, rows)), _) if cols * rows > 1 => {
            writeln!(
                out,
                "\n# The table numbers {cols} × {rows} tiles.\n[montage]\ncols = {cols}\nrows = {rows}\n{note}"
            )
        }
        (_, Some(tiles)) => {
            writeln!(out, "\n# {tiles} sections share each angle. Are they the tiles of a montage? Then:")?;
            writeln!(out, "# [montage]\n# cols = 1\n# rows = {tiles}\n{note}")?;
            writeln!(out, "# order = \"rows-first\"           # rows-first | columns-first: which page is which tile")?;
            writeln!(out, "# snake = false                  # whether every second row runs backwards")
        }
        _ => Ok(()),
    }
}

fn columns(out: &mut String, placings: &[Placing]) -> fmt::Result {
    writeln!(out, "\n[columns]")?;
    for placing in placings {
        if let Some(line) = placing.line() {
            writeln!(out, "{line}")?;
        }
    }
    let unplaced: Vec<&Placing> = placings.iter().filter(|placing| placing.column.is_none()).collect();
    if !unplaced.is_empty() {
        writeln!(out, "# Headings that could not be placed, with their first cell:")?;
    }
    for placing in unplaced {
        let why = placing.why_not.as_deref().map(|why| format!("; {why}")).unwrap_or_default();
        writeln!(
            out,
            "#   {} ({}){why}",
            quote(&placing.text),
            quote(placing.first_cell.as_deref().unwrap_or_default())
        )?;
    }
    let missing = headings::missing(placings);
    if !missing.is_empty() {
        writeln!(out, "# Columns that no heading gives; map one where the table has it: name = \"its heading\"")?;
        writeln!(out, "#   {}", missing.join(", "))?;
    }
    Ok(())
}

fn told(seen: &Seen, request: &DraftRequest, placings: &[Placing]) -> Vec<String> {
    let mut told = vec![format!("{} sections; {}", seen.sections, seen.description)];
    if let Some(rows) = seen.rows.filter(|&rows| rows != seen.sections) {
        told.push(format!("the table has {rows} rows: it must have one a section"));
    }
    let list = |what: &str, names: Vec<String>| (!names.is_empty()).then(|| format!("{what}: {}", names.join(", ")));
    let exact = placings.iter().filter(|p| p.column.is_some() && !p.guessed).map(|p| p.text.clone());
    let guessed =
        placings.iter().filter(|p| p.guessed).filter_map(|p| Some(format!("{} from \"{}\"", p.column?, p.text)));
    let unplaced = placings.iter().filter(|p| p.column.is_none()).map(|p| format!("\"{}\"", p.text));
    told.extend(list("columns found", exact.collect()));
    told.extend(list("columns guessed, to be checked", guessed.collect()));
    told.extend(list("headings not placed", unplaced.collect()));
    if request.table.is_none() && request.angles.is_none() {
        told.push("no tilt angles yet: name a table or a list of angles in the sheet".into());
    } else if request.table.is_some() && !placings.iter().any(|p| p.column == Some("tilt_deg")) {
        told.push("no heading looks like the tilt angle: map it under [columns]".into());
    }
    if let (None, Some(tiles)) = (seen.tile_grid, seen.tiles_a_tilt) {
        told.push(format!("{tiles} sections share each angle: fill in [montage] if they are tiles"));
    }
    told
}

fn stem(path: &Path) -> String {
    path.file_stem().map_or_else(|| file_name(path), |stem| stem.to_string_lossy().into_owned())
}

/// A path from the sheet's folder where it lies below it, else the whole path.
fn shortest(path: &Path, home: &Path) -> String {
    let absolute = |path: &Path| path.canonicalize().or_else(|_| std::path::absolute(path));
    let (Ok(path), Ok(home)) = (absolute(path), absolute(home)) else { return path.to_string_lossy().into_owned() };
    path.strip_prefix(&home).unwrap_or(&path).to_string_lossy().into_owned()
}

/// A TOML string.
fn quote(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}
