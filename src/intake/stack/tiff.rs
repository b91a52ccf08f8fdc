//! TIFF 6.0 and BigTIFF stacks. The directories are read through the `tiff` crate; the pixels here, so that they
//! come as stored and many workers can read pages at once.

use super::codec::{self, Compression};
use super::ome::{self, OmeFacts, PlaneFacts};
use super::source::Source;
use super::tiff_page::{Page, Tags};
use super::{Section, Stack};
use crate::intake::error::IntakeError;
use std::collections::HashSet;
use std::fs::File;
use std::path::PathBuf;
use tiff::decoder::{Decoder, Limits};
use tiff::tags::IfdPointer;

/// More pages than any series has.
const MOST_PAGES: usize = 100_000;

/// An open TIFF stack.
#[derive(Debug)]
pub struct TiffStack {
    source: Source,
    big_endian: bool,
    pages: Vec<Page>,
    damaged: Vec<(usize, IntakeError)>,
    ome: Option<OmeFacts>,
    warnings: Vec<String>,
}

impl TiffStack {
    /// Reads all directories.
    pub fn open(source: Source) -> Result<Self, IntakeError> {
        let mut decoder = decoder(&source)?;
        let big_endian = decoder.byte_order() == tiff::tags::ByteOrder::BigEndian;
        let mut next = decoder.ifd_pointer();
        let mut stack =
            Self { source, big_endian, pages: Vec::new(), damaged: Vec::new(), ome: None, warnings: Vec::new() };
        let mut seen = HashSet::new();
        while let Some(pointer) = next.filter(|pointer| pointer.0 != 0) {
            stack.check_pointer(pointer, &mut seen)?;
            let directory = decoder.read_directory(pointer).map_err(|error| stack.bad_directory(&error))?;
            next = directory.next();
            stack.add(&mut decoder, &directory)?;
        }
        stack.finish()
    }

    fn check_pointer(&self, pointer: IfdPointer, seen: &mut HashSet<u64>) -> Result<(), IntakeError> {
        let place = format!("directory of page {}", self.pages.len());
        let path = &self.source.path;
        if !self.source.holds(pointer.0, 2) {
            let fault = format!("it should lie at byte {}, but the file ends at {}", pointer.0, self.source.len);
            return Err(IntakeError::bad(path, place, fault, "the copy was probably cut short: copy it again"));
        }
        if !seen.insert(pointer.0) {
            let fault = "the chain of directories runs in a circle";
            return Err(IntakeError::bad(path, place, fault, "write the stack again from its source"));
        }
        if seen.len() > MOST_PAGES {
            let fault = format!("the stack has more than {MOST_PAGES} pages");
            return Err(IntakeError::bad(path, place, fault, "hand in one series"));
        }
        Ok(())
    }

    fn bad_directory(&self, error: &tiff::TiffError) -> IntakeError {
        let place = format!("directory of page {}", self.pages.len());
        let fault = format!("it cannot be read ({error})");
        IntakeError::bad(&self.source.path, place, fault, "the copy was probably cut short: copy it again")
    }

    fn add(&mut self, decoder: &mut Decoder<File>, directory: &tiff::Directory) -> Result<(), IntakeError> {
        let number = self.pages.len();
        let mut tags = Tags { source: &self.source, decoder, directory, page: number };
        let description = if number == 0 { tags.description() } else { None };
        let page = tags.page()?;
        if page.reduced {
            self.warnings.push("smaller copies of pages are stored beside them and were passed over".into());
            self.warnings.dedup();
            return Ok(());
        }
        if let Some(first) = self.pages.first()
            && (first.width, first.height, first.kind) != (page.width, page.height, page.kind)
        {
            let say = |page: &Page| format!("{} × {}, {}", page.width, page.height, page.kind.words());
            let fault = format!("it is {}, but page 0 is {}", say(&page), say(first));
            let remedy = "all sections of a series have one size and type: take the odd page out";
            return Err(IntakeError::bad(&self.source.path, format!("page {number}"), fault, remedy));
        }
        if let Some(end) =
            page.chunks.iter().find(|(at, n)| !self.source.holds(*at, *n)).map(|(at, n)| at.saturating_add(*n))
        {
            let fault = format!("its pixels should reach to byte {end}, but the file ends at {}", self.source.len);
            let remedy = "the copy was probably cut short: copy it again";
            self.damaged.push((number, IntakeError::bad(&self.source.path, format!("page {number}"), fault, remedy)));
        }
        if number == 0 {
            self.ome = description.as_deref().and_then(ome::parse);
        }
        self.pages.push(page);
        Ok(())
    }

    fn finish(self) -> Result<Self, IntakeError> {
        if self.pages.is_empty() {
            let remedy = "write the stack again from its source";
            return Err(IntakeError::bad(&self.source.path, "", "the file holds no page", remedy));
        }
        Ok(self)
    }

    fn wrong(&self, page: usize, fault: String) -> IntakeError {
        IntakeError::bad(&self.source.path, format!("page {page}"), fault, "copy the stack again from its source")
    }

    /// The bytes of a page, row by row, and whether they are big-endian.
    fn bytes(&self, number: usize, page: &Page) -> Result<(Vec<u8>, bool), IntakeError> {
        let pixel = page.kind.bytes();
        let row = page.width * pixel;
        let across = page.width.div_ceil(page.chunk.0);
        let mut image = vec![0; row * page.height];
        for (at, &(offset, length)) in page.chunks.iter().enumerate() {
            let (left, top) = ((at % across) * page.chunk.0, (at / across) * page.chunk.1);
            let rows = page.chunk.1.min(page.height - top);
            // Tiles are stored whole, strips only as far as the picture goes.
            let stored_rows = if page.tiled { page.chunk.1 } else { rows };
            let chunk = self.chunk(number, page, at, (offset, length), stored_rows)?;
            let (chunk_row, used) = (page.chunk.0 * pixel, page.chunk.0.min(page.width - left) * pixel);
            for y in 0..rows {
                let to = (top + y) * row + left * pixel;
                image[to..to + used].copy_from_slice(&chunk[y * chunk_row..y * chunk_row + used]);
            }
        }
        Ok((image, self.big_endian || page.predictor == 3))
    }

    fn chunk(
        &self,
        number: usize,
        page: &Page,
        at: usize,
        place: (u64, u64),
        rows: usize,
    ) -> Result<Vec<u8>, IntakeError> {
        let what = if page.tiled { "tile" } else { "strip" };
        if !self.source.holds(place.0, place.1) {
            let known = self.damaged.iter().find(|(page, _)| *page == number).map(|(_, error)| error.clone());
            return Err(known.unwrap_or_else(|| self.wrong(number, format!("{what} {at} lies outside the file"))));
        }
        let stored = self.source.read_at(place.0, place.1 as usize).map_err(|error| {
            IntakeError::unreadable(&self.source.path, format!("page {number}, {what} {at}"), &error)
        })?;
        let size = page.chunk.0 * rows * page.kind.bytes();
        let mut bytes = codec::decompress(page.compression, stored, size).map_err(|fault| {
            self.wrong(number, format!("{what} {at} ({}) cannot be decoded: {fault}", page.compression.words()))
        })?;
        match page.predictor {
            2 => codec::undo_differences(&mut bytes, page.chunk.0, page.kind.bytes(), self.big_endian),
            3 => codec::undo_float_differences(&mut bytes, page.chunk.0, page.kind.bytes()),
            _ => {}
        }
        Ok(bytes)
    }

    /// Where an uncompressed page begins whose strips follow each other: it is read in one go.
    fn whole(&self, page: &Page) -> Option<u64> {
        let plain = page.compression == Compression::None && page.predictor == 1 && !page.tiled;
        let size = page.width * page.height * page.kind.bytes();
        let joined = page.chunks.windows(2).all(|pair| pair[0].0.checked_add(pair[0].1) == Some(pair[1].0));
        let start = page.chunks.first()?.0;
        let exact = page.chunks.iter().map(|(_, length)| length).sum::<u64>() == size as u64;
        (plain && joined && exact && self.source.holds(start, size as u64)).then_some(start)
    }
}

fn decoder(source: &Source) -> Result<Decoder<File>, IntakeError> {
    let bad = |error: &dyn std::fmt::Display| {
        let remedy = "it is damaged or was cut short: copy it again from its source";
        IntakeError::bad(&source.path, "header", format!("the TIFF header cannot be read ({error})"), remedy)
    };
    let file = source.file.try_clone().map_err(|error| IntakeError::unreadable(&source.path, "", &error))?;
    let mut limits = Limits::default();
    // A page of a few thousand strips lists 8 bytes for each; no list is longer than the file.
    limits.ifd_value_size = usize::try_from(source.len).unwrap_or(usize::MAX).min(16 << 20);
    Decoder::new(file).map(|decoder| decoder.with_limits(limits)).map_err(|error| bad(&error))
}

impl Stack for TiffStack {
    fn sections(&self) -> usize {
        self.pages.len()
    }

    fn size_px(&self) -> (usize, usize) {
        self.pages.first().map_or((0, 0), |page| (page.width, page.height))
    }

    fn pixel_nm(&self) -> Option<f64> {
        self.ome.as_ref()?.pixel_nm
    }

    fn type_max(&self) -> Option<f64> {
        self.pages.first().and_then(|page| page.kind.max())
    }

    fn files(&self) -> Vec<PathBuf> {
        vec![self.source.path.clone()]
    }

    fn description(&self) -> String {
        let Some(page) = self.pages.first() else { return "TIFF".into() };
        let order = if self.big_endian { "big-endian" } else { "little-endian" };
        format!("TIFF, {}, {}, {order}", page.kind.words(), page.compression.words())
    }

    fn warnings(&self) -> Vec<String> {
        let ome = self.ome.iter().flat_map(|ome| &ome.warnings);
        self.warnings.iter().chain(ome).cloned().collect()
    }

    fn planes(&self) -> Vec<PlaneFacts> {
        self.ome.as_ref().map(|ome| ome.by_section(self.pages.len())).unwrap_or_default()
    }

    fn damaged(&self) -> Vec<(usize, IntakeError)> {
        self.damaged.clone()
    }

    fn read(&self, section: usize) -> Result<Section, IntakeError> {
        let page = self.pages.get(section).ok_or_else(|| self.wrong(section, "there is no such page".into()))?;
        let pixels = match self.whole(page) {
            Some(offset) => page
                .kind
                .read(&self.source, offset, page.width * page.height, self.big_endian)
                .map_err(|error| IntakeError::unreadable(&self.source.path, format!("page {section}"), &error))?,
            None => {
                let (bytes, big_endian) = self.bytes(section, page)?;
                page.kind.pixels(bytes, big_endian)
            }
        };
        Ok(Section { width: page.width, height: page.height, pixels })
    }

    fn fetch(&self, section: usize, buffer: &mut [u8]) -> u64 {
        let chunks = self.pages.get(section).map_or(&[][..], |page| &page.chunks);
        chunks.iter().map(|&(offset, length)| self.source.fetch(offset, length, buffer)).sum()
    }
}
