//! Stacks: one section at a time out of TIFF, BigTIFF, OME-TIFF, MRC2014 or a folder of single images.

use crate::intake::error::IntakeError;
use std::path::PathBuf;

/// The pixels of one section as stored, row by row from the first stored row.
#[derive(Debug, Clone, PartialEq)]
pub enum Pixels {
    /// 8-bit signed.
    I8(Vec<i8>),
    /// 8-bit unsigned.
    U8(Vec<u8>),
    /// 16-bit signed.
    I16(Vec<i16>),
    /// 16-bit unsigned.
    U16(Vec<u16>),
    /// 32-bit signed.
    I32(Vec<i32>),
    /// 32-bit unsigned.
    U32(Vec<u32>),
    /// 32-bit float (16-bit floats are widened, exactly).
    F32(Vec<f32>),
}

/// One stored image.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// `width × height` pixels.
    pub pixels: Pixels,
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
    /// Reads one section; an error concerns that section alone.
    ///
    /// # Errors
    /// Names file, page, fault and remedy.
    fn read(&self, section: usize) -> Result<Section, IntakeError>;
}

/// STANDIN
pub fn open(_path: &std::path::Path) -> Result<Box<dyn Stack>, IntakeError> {
    todo!()
}
/// STANDIN
pub fn open_folder(_f: &std::path::Path, _n: &[String]) -> Result<Box<dyn Stack>, IntakeError> {
    todo!()
}
