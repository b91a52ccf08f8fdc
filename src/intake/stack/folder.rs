//! A folder of single images, in the order in which the table's `file` column names them.

use super::{HeaderRecord, Section, Stack, open};
use crate::intake::error::IntakeError;
use std::path::{Component, Path, PathBuf};

/// An open folder: only the facts of the first image are held, each image is opened when it is read.
#[derive(Debug)]
struct FolderStack {
    files: Vec<PathBuf>,
    size_px: (usize, usize),
    pixel_nm: Option<f64>,
    type_max: Option<f64>,
    description: String,
    damaged: Vec<(usize, IntakeError)>,
}

/// Opens the named images of a folder as one stack.
///
/// # Errors
/// A name that leaves the folder; images of different size or type; a folder without a readable image.
pub fn open_folder(folder: &Path, names: &[String]) -> Result<Box<dyn Stack>, IntakeError> {
    let mut files = Vec::new();
    for name in names {
        files.push(inside(folder, name)?);
    }
    let mut stack = FolderStack {
        files: Vec::new(),
        size_px: (0, 0),
        pixel_nm: None,
        type_max: None,
        description: String::new(),
        damaged: Vec::new(),
    };
    for (at, file) in files.iter().enumerate() {
        match open(file) {
            Ok(image) => stack.check(file, image.as_ref())?,
            Err(error) => stack.damaged.push((at, error)),
        }
    }
    if stack.size_px == (0, 0) {
        let first = stack.damaged.into_iter().next().map(|(_, error)| error);
        return Err(
            first.unwrap_or_else(|| IntakeError::bad(folder, "", "no image is named", "name the files in the table"))
        );
    }
    stack.files = files;
    Ok(Box::new(stack))
}

/// A name is a path below the folder: no way up, no way out by a link.
fn inside(folder: &Path, name: &str) -> Result<PathBuf, IntakeError> {
    let outside = || {
        let fault = format!("\"{name}\" does not lie inside the folder");
        IntakeError::bad(folder, "", fault, "name files by their path below the folder")
    };
    let path = Path::new(name);
    if name.is_empty() || !path.components().all(|part| matches!(part, Component::Normal(_) | Component::CurDir)) {
        return Err(outside());
    }
    let joined = folder.join(path);
    // A missing file is told when it is opened; one that is there must not lead out.
    let real = joined.canonicalize().and_then(|file| folder.canonicalize().map(|folder| (file, folder)));
    if real.is_ok_and(|(file, folder)| !file.starts_with(folder)) {
        return Err(outside());
    }
    Ok(joined)
}

impl FolderStack {
    fn check(&mut self, file: &Path, image: &dyn Stack) -> Result<(), IntakeError> {
        let (width, height) = image.size_px();
        if image.sections() != 1 {
            let fault = format!("it holds {} images", image.sections());
            return Err(IntakeError::bad(file, "", fault, "a folder's files hold one image each"));
        }
        if self.size_px == (0, 0) {
            self.size_px = (width, height);
            self.pixel_nm = image.pixel_nm();
            self.type_max = image.type_max();
            self.description = format!("folder of single images; {}", image.description());
        }
        if (self.size_px, self.type_max) != ((width, height), image.type_max()) {
            let fault =
                format!("{width} × {height} px, where the first image has {} × {}", self.size_px.0, self.size_px.1);
            let remedy = "all sections of a series have one size and type: take the odd one out";
            return Err(IntakeError::bad(file, "", fault, remedy));
        }
        Ok(())
    }
}

impl Stack for FolderStack {
    fn sections(&self) -> usize {
        self.files.len()
    }

    fn size_px(&self) -> (usize, usize) {
        self.size_px
    }

    fn pixel_nm(&self) -> Option<f64> {
        self.pixel_nm
    }

    fn type_max(&self) -> Option<f64> {
        self.type_max
    }

    fn files(&self) -> Vec<PathBuf> {
        self.files.clone()
    }

    fn description(&self) -> String {
        self.description.clone()
    }

    fn warnings(&self) -> Vec<String> {
        Vec::new()
    }

    fn damaged(&self) -> Vec<(usize, IntakeError)> {
        self.damaged.clone()
    }

    fn header_record(&self, section: usize, bytes: usize) -> Result<Option<HeaderRecord>, IntakeError> {
        // A file that cannot be opened is told when its pixels are read.
        if self.damaged.iter().any(|(damaged, _)| *damaged == section) {
            return Ok(None);
        }
        open(&self.files[section])?.header_record(0, bytes)
    }

    fn read(&self, section: usize) -> Result<Section, IntakeError> {
        let file = &self.files[section];
        open(file)?.read(0)
    }

    fn fetch(&self, section: usize, buffer: &mut [u8]) -> u64 {
        open(&self.files[section]).map_or(0, |image| image.fetch(0, buffer))
    }
}
