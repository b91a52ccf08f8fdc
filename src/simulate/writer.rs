//! A simulated series onto the disk: whole, or not at all.

use crate::simulate::error::SimulateError;
use crate::simulate::recipe::{Packing, Recipe};
use crate::simulate::sheet::sheet;
use crate::simulate::{Simulated, table};
use std::fs::File;
use std::io::{BufWriter, Seek, Write};
use std::path::{Path, PathBuf};
use tiff::encoder::colortype::{Gray8, Gray16};
use tiff::encoder::{Compression, DeflateLevel, TiffEncoder};

/// The series sheet.
pub const SHEET: &str = "series.toml";
/// The table.
pub const TABLE: &str = "sections.csv";
/// The stack.
pub const STACK: &str = "stack.tif";
/// The truth.
pub const TRUTH: &str = "truth.json";

/// Writes sheet, table, stack and truth into the new folder `dir`.
///
/// All is written into a hidden folder beside `dir` first, which then takes its name; with `replace`, a folder that is
/// there already makes room at that moment.
///
/// # Errors
/// [`SimulateError::Exists`] where `dir` is there and may not be replaced, or what the disk says.
pub fn write(recipe: &Recipe, simulated: &Simulated, dir: &Path, replace: bool) -> Result<(), SimulateError> {
    if dir.exists() && !replace {
        return Err(SimulateError::Exists(dir.to_path_buf()));
    }
    let parent = match dir.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    std::fs::create_dir_all(parent).map_err(|error| SimulateError::io(parent, error))?;
    let beside = tempfile::Builder::new()
        .prefix(".simulate-")
        .tempdir_in(parent)
        .map_err(|error| SimulateError::io(parent, error))?;
    // The temporary folder is readable by its owner alone; a folder made within it has the usual permissions.
    let made = beside.path().join("series");
    std::fs::create_dir(&made).map_err(|error| SimulateError::io(&made, error))?;
    write_files(recipe, simulated, &made)?;
    if dir.exists() {
        std::fs::rename(dir, beside.path().join("replaced")).map_err(|error| SimulateError::io(dir, error))?;
    }
    std::fs::rename(&made, dir).map_err(|error| SimulateError::io(dir, error))
}

fn write_files(recipe: &Recipe, simulated: &Simulated, dir: &Path) -> Result<(), SimulateError> {
    let text = |name: &str, text: String| {
        let path = dir.join(name);
        std::fs::write(&path, text).map_err(|error| SimulateError::io(&path, error))
    };
    text(SHEET, sheet_text(recipe)?)?;
    text(TABLE, table_text(recipe, simulated)?)?;
    text(TRUTH, truth_text(simulated)?)?;
    write_stack(recipe, simulated, &dir.join(STACK))
}

/// The text of `series.toml`.
///
/// # Errors
/// [`SimulateError::Encode`] for what TOML cannot hold.
pub fn sheet_text(recipe: &Recipe) -> Result<String, SimulateError> {
    toml::to_string(&sheet(recipe)).map_err(|error| SimulateError::encode(Path::new(SHEET), error))
}

/// The text of `sections.csv`.
///
/// # Errors
/// [`SimulateError::Encode`] for what CSV cannot hold.
pub fn table_text(recipe: &Recipe, simulated: &Simulated) -> Result<String, SimulateError> {
    let refused = |error: &dyn std::fmt::Display| SimulateError::encode(Path::new(TABLE), error);
    let mut writer = csv::Writer::from_writer(Vec::new());
    for row in table::rows(recipe, &simulated.plans, &simulated.truth) {
        writer.serialize(row).map_err(|error| refused(&error))?;
    }
    let bytes = writer.into_inner().map_err(|error| refused(&error))?;
    String::from_utf8(bytes).map_err(|error| refused(&error))
}

/// The text of `truth.json`.
///
/// # Errors
/// [`SimulateError::Encode`] for what JSON cannot hold.
pub fn truth_text(simulated: &Simulated) -> Result<String, SimulateError> {
    let text = serde_json::to_string_pretty(&simulated.truth);
    text.map(|text| text + "\n").map_err(|error| SimulateError::encode(Path::new(TRUTH), error))
}

fn write_stack(recipe: &Recipe, simulated: &Simulated, path: &PathBuf) -> Result<(), SimulateError> {
    let refused = |error: tiff::TiffError| SimulateError::encode(path, error);
    let file = File::create(path).map_err(|error| SimulateError::io(path, error))?;
    let compression = match recipe.camera.compression {
        Packing::Deflate => Compression::Deflate(DeflateLevel::Best),
        Packing::None => Compression::Uncompressed,
    };
    let pixels = recipe.camera.width_px * recipe.camera.height_px * simulated.sections.len();
    let mut file = BufWriter::new(file);
    // Classic TIFF counts bytes in 32 bits.
    if pixels * usize::from(recipe.camera.bits / 8) > 4_000_000_000 {
        pages(recipe, simulated, TiffEncoder::new_big(&mut file).map_err(refused)?.with_compression(compression))
    } else {
        pages(recipe, simulated, TiffEncoder::new(&mut file).map_err(refused)?.with_compression(compression))
    }
    .map_err(refused)?;
    file.flush().map_err(|error| SimulateError::io(path, error))
}

fn pages<W: Write + Seek, K: tiff::encoder::TiffKind>(
    recipe: &Recipe,
    simulated: &Simulated,
    mut encoder: TiffEncoder<W, K>,
) -> Result<(), tiff::TiffError> {
    let (width, height) = (recipe.camera.width_px as u32, recipe.camera.height_px as u32);
    for section in &simulated.sections {
        if recipe.camera.bits == 8 {
            // Full scale fits 8 bits, as the recipe was checked.
            let narrow: Vec<u8> = section.iter().map(|&value| u8::try_from(value).unwrap_or(u8::MAX)).collect();
            encoder.write_image::<Gray8>(width, height, &narrow)?;
        } else {
            encoder.write_image::<Gray16>(width, height, section)?;
        }
    }
    Ok(())
}
