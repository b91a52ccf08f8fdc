//! Stacks: one section at a time out of TIFF, BigTIFF, OME-TIFF, MRC2014 or a folder of single images.
//!
//! Values come as stored, whatever a photometric tag says. Sizes are checked against the file's length before
//! anything is allocated; a page whose pixels lie outside the file is known as damaged before it is read.

mod codec;
mod folder;
mod mrc;
mod ome;
mod pixels;
mod source;
mod tiff;
mod tiff_page;

pub use folder::open_folder;
pub use ome::PlaneFacts;
pub use pixels::Pixels;

use crate::intake::error::IntakeError;
use source::Source;
use std::path::{Path, PathBuf};

/// One stored image.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// `width × height` pixels, row by row from the first stored row.
    pub pixels: Pixels,
}

/// A section's record in the extended header.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HeaderRecord {
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// The file's byte order.
    pub big_endian: bool,
}

/// A stack that gives one section at a time; workers share it.
pub trait Stack: Send + Sync + std::fmt::Debug {
    /// Number of sections (pages).
    fn sections(&self) -> usize;
    /// Width and height, the same for all sections.
    fn size_px(&self) -> (usize, usize);
    /// Pixel size at the specimen, where the file states one.
    fn pixel_nm(&self) -> Option<f64>;
    /// Largest value that the pixel type can hold; `None` for floats.
    fn type_max(&self) -> Option<f64>;
    /// The files behind the stack, each once, in order.
    fn files(&self) -> Vec<PathBuf>;
    /// Format and pixel type in a few words, for people.
    fn description(&self) -> String;
    /// What is odd about the file but does not keep it from being read (trailing bytes, …).
    fn warnings(&self) -> Vec<String>;
    /// Pages that are known to be damaged before they are read, each with its error.
    fn damaged(&self) -> Vec<(usize, IntakeError)>;
    /// Length of the extended header; 0 where there is none.
    fn extended_header_bytes(&self) -> u64 {
        0
    }
    /// The record of a section in the extended header, where records take `bytes` bytes each; `None` where the header
    /// ends before it.
    ///
    /// # Errors
    /// The stack has no extended header, or one that is too short for its sections.
    fn header_record(&self, _section: usize, _bytes: usize) -> Result<Option<HeaderRecord>, IntakeError> {
        let file = self.files().into_iter().next().unwrap_or_default();
        let fault = "the stack has no extended header";
        Err(IntakeError::bad(&file, "header", fault, "only MRC2014 files have one: leave [section_header] out"))
    }
    /// Places and times of the sections, where OME-XML states them; empty where it states none.
    fn planes(&self) -> Vec<PlaneFacts> {
        Vec::new()
    }
    /// Reads one section; an error concerns that section alone.
    ///
    /// # Errors
    /// Names file, page, fault and remedy.
    fn read(&self, section: usize) -> Result<Section, IntakeError>;
    /// Reads a section's stored bytes through `buffer` and drops them, so that they lie in the system's memory when they are
    /// asked for; gives how many there were. What cannot be read is told by [`Stack::read`].
    fn fetch(&self, _section: usize, _buffer: &mut [u8]) -> u64 {
        0
    }
}

/// Whether a file begins like a stack of one of the kinds that are read.
pub fn is_one(path: &Path) -> bool {
    Source::open(path).is_ok_and(|source| source.is_tiff() || mrc::looks_like(&source))
}

/// Opens a stack file, told by its first bytes, not by its name.
///
/// # Errors
/// A file that is neither TIFF nor MRC2014, or whose header cannot be trusted.
pub fn open(path: &Path) -> Result<Box<dyn Stack>, IntakeError> {
    let source = Source::open(path)?;
    if source.is_tiff() {
        return Ok(Box::new(tiff::TiffStack::open(source)?));
    }
    if mrc::looks_like(&source) {
        return Ok(Box::new(mrc::MrcStack::open(source)?));
    }
    let remedy = "hand in a TIFF, BigTIFF, OME-TIFF or MRC2014 stack";
    let fault =
        if source.len == 0 { "the file is empty" } else { "neither a TIFF nor an MRC2014 file, by its first bytes" };
    Err(IntakeError::unsupported(path, "header", fault, remedy))
}
