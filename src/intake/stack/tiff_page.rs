//! One page of a TIFF file: its tags, checked, as a layout of strips or tiles.

use super::codec::Compression;
use super::pixels::PixelKind;
use super::source::Source;
use crate::intake::error::IntakeError;
use std::fs::File;
use tiff::decoder::Decoder;
use tiff::tags::Tag;

/// Where the pixels of a page lie.
#[derive(Debug, Clone, PartialEq)]
pub struct Page {
    pub width: usize,
    pub height: usize,
    pub kind: PixelKind,
    pub compression: Compression,
    pub predictor: u64,
    /// Width and height of a strip or tile; edge tiles are padded, the last strip is cut.
    pub chunk: (usize, usize),
    pub tiled: bool,
    /// Offset and length in the file of each strip or tile.
    pub chunks: Vec<(u64, u64)>,
    /// A smaller copy of another page.
    pub reduced: bool,
}

/// Reads tags; every refusal names the page.
pub struct Tags<'a> {
    pub source: &'a Source,
    pub decoder: &'a mut Decoder<File>,
    pub directory: &'a tiff::Directory,
    pub page: usize,
}

impl Tags<'_> {
    fn place(&self) -> String {
        format!("page {}", self.page)
    }

    fn bad(&self, fault: impl Into<String>) -> IntakeError {
        IntakeError::bad(&self.source.path, self.place(), fault, "write the stack again from its source")
    }

    fn unsupported(&self, fault: impl Into<String>) -> IntakeError {
        let remedy = "hand in grey pictures of 8, 16 or 32 bits, uncompressed or LZW, Deflate, PackBits, Zstandard";
        IntakeError::unsupported(&self.source.path, self.place(), fault, remedy)
    }

    fn all(&mut self, tag: Tag) -> Result<Option<Vec<u64>>, IntakeError> {
        let found = self.decoder.read_directory_tags(self.directory).find_tag_unsigned_vec::<u64>(tag);
        found.map_err(|error| self.bad(format!("tag {} cannot be read ({error})", tag.to_u16())))
    }

    fn one(&mut self, tag: Tag) -> Result<Option<u64>, IntakeError> {
        Ok(self.all(tag)?.and_then(|values| values.first().copied()))
    }

    fn needed(&mut self, tag: Tag, name: &str) -> Result<u64, IntakeError> {
        self.one(tag)?.ok_or_else(|| self.bad(format!("the tag {name} is missing")))
    }

    /// The text of the tag ImageDescription.
    pub fn description(&mut self) -> Option<String> {
        let mut tags = self.decoder.read_directory_tags(self.directory);
        tags.find_tag(Tag::ImageDescription).ok().flatten()?.into_string().ok()
    }

    /// Reads and checks the page.
    pub fn page(mut self) -> Result<Page, IntakeError> {
        let reduced = self.one(Tag::NewSubfileType)?.unwrap_or(0) & 1 == 1;
        let (width, height) = (self.side(Tag::ImageWidth, "ImageWidth")?, self.side(Tag::ImageLength, "ImageLength")?);
        self.grey()?;
        let kind = self.kind()?;
        let tag = self.one(Tag::Compression)?.unwrap_or(1);
        let compression =
            Compression::from_tag(tag).ok_or_else(|| self.unsupported(format!("compression {tag} is not read")))?;
        let predictor = self.one(Tag::Predictor)?.unwrap_or(1);
        if !(predictor == 1 || predictor == 2 || (predictor == 3 && matches!(kind, PixelKind::F16 | PixelKind::F32))) {
            return Err(self.unsupported(format!("predictor {predictor} on {} pixels is not read", kind.words())));
        }
        self.plain_bits(compression, predictor)?;
        let (chunk, tiled) = self.chunk_size(width, height)?;
        let chunks = self.chunks(tiled)?;
        let expected = width.div_ceil(chunk.0) * height.div_ceil(chunk.1);
        if chunks.len() != expected {
            return Err(self.bad(format!("it lists {} strips or tiles in place of {expected}", chunks.len())));
        }
        let page = Page { width, height, kind, compression, predictor, chunk, tiled, chunks, reduced };
        self.plausible(&page)?;
        Ok(page)
    }

    /// Ways of storing that readers take differently are refused before they give wrong pixels.
    fn plain_bits(&mut self, compression: Compression, predictor: u64) -> Result<(), IntakeError> {
        let fill_order = self.one(Tag::FillOrder)?.unwrap_or(1);
        if fill_order != 1 {
            return Err(self.unsupported(format!("bits in the order {fill_order} (tag FillOrder) are not read")));
        }
        let packed = matches!(compression, Compression::Lzw | Compression::Deflate | Compression::Zstandard);
        if predictor != 1 && !packed {
            let words = compression.words();
            return Err(self.unsupported(format!("a predictor ({predictor}) beside {words} pixels is not read")));
        }
        Ok(())
    }

    fn side(&mut self, tag: Tag, name: &str) -> Result<usize, IntakeError> {
        /// Far above any camera; keeps products of sides within 64 bits.
        const LARGEST: u64 = 1 << 20;
        let side = self.needed(tag, name)?;
        if side == 0 || side > LARGEST {
            return Err(self.bad(format!("{name} is {side}")));
        }
        Ok(side as usize)
    }

    fn grey(&mut self) -> Result<(), IntakeError> {
        const IMAGE_DEPTH: u16 = 32997;
        const TILE_DEPTH: u16 = 32998;
        let samples = self.one(Tag::SamplesPerPixel)?.unwrap_or(1);
        let photometric = self.one(Tag::PhotometricInterpretation)?.unwrap_or(1);
        if samples != 1 || photometric > 1 {
            return Err(self.unsupported(format!(
                "it is a colour picture ({samples} samples a pixel, photometric {photometric})"
            )));
        }
        for tag in [IMAGE_DEPTH, TILE_DEPTH] {
            if self.one(Tag::from_u16_exhaustive(tag))?.is_some_and(|depth| depth > 1) {
                return Err(self.unsupported("it is a volume"));
            }
        }
        Ok(())
    }

    fn kind(&mut self) -> Result<PixelKind, IntakeError> {
        let bits = self.one(Tag::BitsPerSample)?.unwrap_or(1);
        let format = self.one(Tag::SampleFormat)?.unwrap_or(1);
        match (bits, format) {
            // 4: undefined, read as unsigned like most readers do.
            (8, 1 | 4) => Ok(PixelKind::U8),
            (8, 2) => Ok(PixelKind::I8),
            (16, 1 | 4) => Ok(PixelKind::U16),
            (16, 2) => Ok(PixelKind::I16),
            (16, 3) => Ok(PixelKind::F16),
            (32, 1 | 4) => Ok(PixelKind::U32),
            (32, 2) => Ok(PixelKind::I32),
            (32, 3) => Ok(PixelKind::F32),
            _ => Err(self.unsupported(format!("pixels of {bits} bits in sample format {format} are not read"))),
        }
    }

    fn chunk_size(&mut self, width: usize, height: usize) -> Result<((usize, usize), bool), IntakeError> {
        if self.one(Tag::TileWidth)?.is_some() {
            let tile = (self.side(Tag::TileWidth, "TileWidth")?, self.side(Tag::TileLength, "TileLength")?);
            return Ok((tile, true));
        }
        let rows = self.one(Tag::RowsPerStrip)?.unwrap_or(u64::MAX).min(height as u64) as usize;
        if rows == 0 {
            return Err(self.bad("RowsPerStrip is 0"));
        }
        Ok(((width, rows), false))
    }

    fn chunks(&mut self, tiled: bool) -> Result<Vec<(u64, u64)>, IntakeError> {
        let (offsets, counts) =
            if tiled { (Tag::TileOffsets, Tag::TileByteCounts) } else { (Tag::StripOffsets, Tag::StripByteCounts) };
        let offsets = self.all(offsets)?.ok_or_else(|| self.bad("it does not say where its pixels lie"))?;
        let counts = self.all(counts)?.ok_or_else(|| self.bad("it does not say how long its strips are"))?;
        if offsets.len() != counts.len() {
            return Err(self.bad(format!("it lists {} offsets but {} lengths", offsets.len(), counts.len())));
        }
        Ok(offsets.into_iter().zip(counts).collect())
    }

    /// A page cannot hold more pixels than its compressed bytes can stand for.
    fn plausible(&self, page: &Page) -> Result<(), IntakeError> {
        let stored: u64 = page.chunks.iter().fold(0, |sum, (_, length)| sum.saturating_add(*length));
        let bounded = stored.min(self.source.len);
        let one_chunk =
            (page.chunk.0 as u64).saturating_mul(page.chunk.1 as u64).saturating_mul(page.kind.bytes() as u64);
        let claimed = if page.tiled {
            one_chunk.saturating_mul(page.chunks.len() as u64)
        } else {
            page.width as u64 * page.height as u64 * page.kind.bytes() as u64
        };
        let most = bounded.saturating_mul(page.compression.most_expansion());
        // Uncompressed pages that reach beyond the file are found as damaged, page by page.
        if page.compression != Compression::None && claimed > most {
            return Err(self.bad(format!("{claimed} bytes of pixels are claimed from {bounded} stored bytes")));
        }
        if page.compression == Compression::None && claimed > stored {
            return Err(self.bad(format!("{claimed} bytes of pixels are claimed, but its strips hold {stored}")));
        }
        Ok(())
    }
}
