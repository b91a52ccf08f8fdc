//! MRC2014 stacks (Cheng et al. 2015, J. Struct. Biol. 192:146): modes 0, 1, 2, 6 and 12, both byte orders, any
//! extended header skipped by its stated length.

use super::pixels::PixelKind;
use super::source::Source;
use super::{HeaderRecord, Section, Stack};
use crate::intake::error::IntakeError;
use std::path::PathBuf;

const HEADER: u64 = 1024;

/// An open MRC2014 stack.
#[derive(Debug)]
pub struct MrcStack {
    source: Source,
    header: Header,
    warnings: Vec<String>,
}

#[derive(Debug, Clone, PartialEq)]
struct Header {
    big_endian: bool,
    width: usize,
    height: usize,
    sections: usize,
    kind: PixelKind,
    pixel_nm: Option<f64>,
    data_start: u64,
}

/// Whether the first bytes can be an MRC2014 header: the word MAP, or a machine stamp.
pub fn looks_like(source: &Source) -> bool {
    let Ok(words) = source.read_at(208, 8) else {
        // Too short for a header, but if the file ends inside one, let the reader say so.
        return source.len >= 16 && source.read_at(0, 16).is_ok_and(|head| plausible_start(&head));
    };
    &words[..3] == b"MAP" || is_stamp(&words[4..])
}

fn is_stamp(stamp: &[u8]) -> bool {
    matches!(stamp, [0x44, 0x44 | 0x41, ..] | [0x11, 0x11, ..])
}

/// Columns, rows and sections that are positive and a known mode, in either byte order.
fn plausible_start(head: &[u8]) -> bool {
    [false, true].into_iter().any(|big| {
        let sides = (0..3).all(|word| (1..=1 << 20).contains(&int(head, word * 4, big)));
        sides && kind_of(int(head, 12, big)).is_some()
    })
}

fn int(bytes: &[u8], at: usize, big_endian: bool) -> i32 {
    let word: [u8; 4] = bytes.get(at..at + 4).and_then(|word| word.try_into().ok()).unwrap_or_default();
    if big_endian { i32::from_be_bytes(word) } else { i32::from_le_bytes(word) }
}

fn float(bytes: &[u8], at: usize, big_endian: bool) -> f32 {
    f32::from_bits(int(bytes, at, big_endian) as u32)
}

fn kind_of(mode: i32) -> Option<PixelKind> {
    match mode {
        0 => Some(PixelKind::I8),
        1 => Some(PixelKind::I16),
        2 => Some(PixelKind::F32),
        6 => Some(PixelKind::U16),
        12 => Some(PixelKind::F16),
        _ => None,
    }
}

impl MrcStack {
    /// Reads and checks the header.
    pub fn open(source: Source) -> Result<Self, IntakeError> {
        let mut warnings = Vec::new();
        let header = header(&source, &mut warnings)?;
        let stack = Self { source, header, warnings };
        stack.check_length()
    }

    fn section_bytes(&self) -> u64 {
        self.header.width as u64 * self.header.height as u64 * self.header.kind.bytes() as u64
    }

    fn offset(&self, section: usize) -> u64 {
        self.header.data_start.saturating_add(self.section_bytes().saturating_mul(section as u64))
    }

    /// At least the first section must be there, and the number of sections must be thinkable.
    fn check_length(mut self) -> Result<Self, IntakeError> {
        let end = self.offset(self.header.sections);
        let Header { width, height, sections, .. } = self.header;
        if !self.source.holds(self.offset(0), self.section_bytes()) {
            let fault = format!(
                "{width} × {height} × {sections} pixels should reach to byte {end}, but the file ends at {}",
                self.source.len
            );
            let remedy = "the copy was cut short, or the header lies: copy it again";
            return Err(IntakeError::bad(&self.source.path, "header", fault, remedy));
        }
        if end < self.source.len {
            self.warnings.push(format!("{} bytes follow the last section and were not read", self.source.len - end));
        }
        Ok(self)
    }

    /// How many sections lie inside the file.
    fn whole_sections(&self) -> usize {
        ((self.source.len - self.header.data_start.min(self.source.len)) / self.section_bytes().max(1)) as usize
    }

    fn cut_off(&self, section: usize) -> IntakeError {
        let end = self.offset(section).saturating_add(self.section_bytes());
        let fault = format!("its pixels should reach to byte {end}, but the file ends at {}", self.source.len);
        let remedy = "the copy was probably cut short: copy it again";
        IntakeError::bad(&self.source.path, format!("section {section}"), fault, remedy)
    }
}

fn header(source: &Source, warnings: &mut Vec<String>) -> Result<Header, IntakeError> {
    let bad = |fault: String, remedy: &str| IntakeError::bad(&source.path, "header", fault, remedy);
    if source.len < HEADER {
        let fault = format!("the file ends at byte {}, inside the header of {HEADER} bytes", source.len);
        return Err(bad(fault, "the copy was cut short: copy it again"));
    }
    let bytes = source.read_at(0, HEADER as usize).map_err(|e| IntakeError::unreadable(&source.path, "header", &e))?;
    let big_endian = byte_order(&bytes, warnings);
    let word = |number: usize| int(&bytes, 4 * (number - 1), big_endian);
    let mode = word(4);
    let kind = kind_of(mode).ok_or_else(|| {
        let remedy = "hand in modes 0, 1, 2, 6 or 12 (8-bit, 16-bit, 32-bit float, unsigned 16-bit, 16-bit float)";
        IntakeError::unsupported(&source.path, "header", format!("MODE {mode} is not read"), remedy)
    })?;
    let side = |number: usize, name: &str| {
        let value = word(number);
        let remedy = "the header is damaged: write the stack again from its source";
        usize::try_from(value).ok().filter(|&n| n > 0).ok_or_else(|| bad(format!("{name} is {value}"), remedy))
    };
    let (width, height, sections) = (side(1, "NX")?, side(2, "NY")?, side(3, "NZ")?);
    let remedy = "the header is damaged: write the stack again from its source";
    let extended = u64::try_from(word(24)).map_err(|_| bad(format!("NSYMBT is {}", word(24)), remedy))?;
    if word(23) == 401 {
        let remedy = "hand in one stack of images";
        return Err(IntakeError::unsupported(&source.path, "header", "ISPG 401 is a stack of volumes", remedy));
    }
    let axes = [word(17), word(18), word(19)];
    if axes != [1, 2, 3] && axes != [0, 0, 0] {
        let fault = format!("the axes MAPC, MAPR, MAPS are {}, {}, {}", axes[0], axes[1], axes[2]);
        return Err(IntakeError::unsupported(
            &source.path,
            "header",
            fault,
            "write sections of rows of columns (1, 2, 3)",
        ));
    }
    let pixel_nm = pixel_nm(float(&bytes, 40, big_endian), word(8));
    Ok(Header { big_endian, width, height, sections, kind, pixel_nm, data_start: HEADER + extended })
}

/// By the machine stamp, else by the byte order in which the mode makes sense.
fn byte_order(bytes: &[u8], warnings: &mut Vec<String>) -> bool {
    match bytes[212..216] {
        [0x44, 0x44 | 0x41, ..] => false,
        [0x11, 0x11, ..] => true,
        _ => {
            warnings.push("the machine stamp is not one of MRC2014's: the byte order was read from the mode".into());
            kind_of(int(bytes, 12, false)).is_none() && kind_of(int(bytes, 12, true)).is_some()
        }
    }
}

/// CELLA.x / MX in Å, as nm; a cell of zero states nothing.
fn pixel_nm(cell_angstrom: f32, intervals: i32) -> Option<f64> {
    let nm = f64::from(cell_angstrom) / f64::from(intervals) / 10.0;
    // The seven digits of a 32-bit float, not the noise behind them.
    let nm: f64 = format!("{nm:.6e}").parse().ok()?;
    (intervals > 0 && nm.is_finite() && nm > 0.0).then_some(nm)
}

impl Stack for MrcStack {
    fn sections(&self) -> usize {
        self.header.sections
    }

    fn size_px(&self) -> (usize, usize) {
        (self.header.width, self.header.height)
    }

    fn pixel_nm(&self) -> Option<f64> {
        self.header.pixel_nm
    }

    fn type_max(&self) -> Option<f64> {
        self.header.kind.max()
    }

    fn files(&self) -> Vec<PathBuf> {
        vec![self.source.path.clone()]
    }

    fn description(&self) -> String {
        let order = if self.header.big_endian { "big-endian" } else { "little-endian" };
        format!("MRC2014, {}, {order}", self.header.kind.words())
    }

    fn warnings(&self) -> Vec<String> {
        self.warnings.clone()
    }

    fn damaged(&self) -> Vec<(usize, IntakeError)> {
        // A header that lies may name billions of sections: the first that are missing tell enough.
        const MOST_NAMED: usize = 10_000;
        let missing = self.whole_sections()..self.header.sections;
        missing.take(MOST_NAMED).map(|section| (section, self.cut_off(section))).collect()
    }

    fn extended_header_bytes(&self) -> u64 {
        self.header.data_start - HEADER
    }

    fn header_record(&self, section: usize, bytes: usize) -> Result<Option<HeaderRecord>, IntakeError> {
        let Header { sections, data_start, big_endian, .. } = self.header;
        let bad =
            |fault: String, remedy: &str| Err(IntakeError::bad(&self.source.path, "extended header", fault, remedy));
        let length = data_start - HEADER;
        if length == 0 {
            return bad("the file has none".into(), "leave [section_header] out, or hand in the file that has one");
        }
        if length < (bytes as u64).saturating_mul(sections as u64) {
            let fault = format!("it has {length} bytes, too few for {sections} records of {bytes}");
            return bad(fault, "correct section_header.bytes_per_section");
        }
        let start = HEADER + (bytes as u64).saturating_mul(section as u64);
        let record = self.source.read_at(start, bytes);
        let bytes = record.map_err(|e| IntakeError::unreadable(&self.source.path, "extended header", &e))?;
        Ok(Some(HeaderRecord { bytes, big_endian }))
    }

    fn read(&self, section: usize) -> Result<Section, IntakeError> {
        if section >= self.header.sections.min(self.whole_sections()) {
            return Err(self.cut_off(section));
        }
        let Header { kind, width, height, big_endian, .. } = self.header;
        let pixels = kind
            .read(&self.source, self.offset(section), width * height, big_endian)
            .map_err(|error| IntakeError::unreadable(&self.source.path, format!("section {section}"), &error))?;
        Ok(Section { width: self.header.width, height: self.header.height, pixels })
    }

    fn fetch(&self, section: usize, buffer: &mut [u8]) -> u64 {
        self.source.fetch(self.offset(section), self.section_bytes(), buffer)
    }
}
