//! The compressions of a TIFF strip or tile, and its predictors.

use std::io::{self, Read};

/// How a strip or tile is compressed (TIFF tag 259).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Compression {
    None,
    Lzw,
    Deflate,
    PackBits,
    Zstandard,
}

impl Compression {
    pub fn from_tag(tag: u64) -> Option<Self> {
        match tag {
            1 => Some(Self::None),
            5 => Some(Self::Lzw),
            8 | 32946 => Some(Self::Deflate),
            32773 => Some(Self::PackBits),
            50000 | 34926 => Some(Self::Zstandard),
            _ => None,
        }
    }

    pub fn words(self) -> &'static str {
        match self {
            Self::None => "uncompressed",
            Self::Lzw => "LZW",
            Self::Deflate => "Deflate",
            Self::PackBits => "PackBits",
            Self::Zstandard => "Zstandard",
        }
    }

    /// Most bytes that one compressed byte can stand for: bounds what a file of given length can claim.
    pub fn most_expansion(self) -> u64 {
        match self {
            Self::None => 1,
            Self::PackBits => 64,
            Self::Deflate => 1032,
            // A code of 12 bits stands for at most 4096 bytes.
            Self::Lzw => 2731,
            // A frame of one repeated byte is bounded by its blocks of 128 KiB, four bytes each.
            Self::Zstandard => 32768,
        }
    }
}

/// Decompresses a strip or tile to exactly `size` bytes; what stands behind them is dropped.
pub fn decompress(compression: Compression, bytes: Vec<u8>, size: usize) -> Result<Vec<u8>, String> {
    let mut out = match compression {
        Compression::None => bytes,
        Compression::Lzw => lzw(&bytes, size)?,
        Compression::Deflate => bounded(flate2::read::ZlibDecoder::new(&bytes[..]), size)?,
        Compression::PackBits => pack_bits(&bytes, size),
        Compression::Zstandard => {
            bounded(zstd::stream::read::Decoder::new(&bytes[..]).map_err(|e| e.to_string())?, size)?
        }
    };
    if out.len() < size {
        return Err(format!("it holds {} bytes in place of {size}", out.len()));
    }
    out.truncate(size);
    Ok(out)
}

fn bounded(reader: impl Read, size: usize) -> Result<Vec<u8>, String> {
    let mut out = Vec::with_capacity(size);
    let mut reader = reader.take(size as u64);
    reader.read_to_end(&mut out).map_err(|error| error.to_string())?;
    // The checksum stands behind the last byte and is compared only by one who reads on. A stream that ends without one
    // is taken as it is; one that holds some rows too many is, too, but a bomb is not followed.
    let most = size.max(MOST_BEHIND) as u64;
    let mut rest = reader.into_inner().take(most + 1);
    match io::copy(&mut rest, &mut io::sink()) {
        Err(error) if error.kind() != io::ErrorKind::UnexpectedEof => Err(error.to_string()),
        Ok(behind) if behind > most => Err(format!("it holds far more than its {size} bytes")),
        _ => Ok(out),
    }
}

/// Bytes that may follow those that are used.
const MOST_BEHIND: usize = 1 << 20;

fn lzw(bytes: &[u8], size: usize) -> Result<Vec<u8>, String> {
    let mut decoder = weezl::decode::Decoder::with_tiff_size_switch(weezl::BitOrder::Msb, 8);
    let mut out = vec![0; size];
    let (mut read, mut written) = (0, 0);
    while written < size {
        let step = decoder.decode_bytes(&bytes[read..], &mut out[written..]);
        read += step.consumed_in;
        written += step.consumed_out;
        match step.status {
            Ok(weezl::LzwStatus::Ok) if step.consumed_in + step.consumed_out > 0 => {}
            Ok(_) => break,
            Err(error) => return Err(error.to_string()),
        }
    }
    out.truncate(written);
    Ok(out)
}

fn pack_bits(bytes: &[u8], size: usize) -> Vec<u8> {
    let mut out = Vec::with_capacity(size);
    let mut at = 0;
    while at < bytes.len() && out.len() < size {
        let head = bytes[at] as i8;
        at += 1;
        if head >= 0 {
            let end = (at + head as usize + 1).min(bytes.len());
            out.extend_from_slice(&bytes[at..end]);
            at = end;
        } else if head != i8::MIN && at < bytes.len() {
            out.extend(std::iter::repeat_n(bytes[at], 1 + head.unsigned_abs() as usize));
            at += 1;
        }
    }
    out
}

/// Undoes predictor 2 (differences along a row) on pixels of `pixel` bytes in the file's byte order.
pub fn undo_differences(bytes: &mut [u8], row_pixels: usize, pixel: usize, big_endian: bool) {
    let row = (row_pixels * pixel).max(1);
    for line in bytes.chunks_mut(row) {
        match pixel {
            1 => accumulate::<1>(line, |sum, now| [sum[0].wrapping_add(now[0])]),
            2 if big_endian => {
                accumulate::<2>(line, |a, b| u16::from_be_bytes(a).wrapping_add(u16::from_be_bytes(b)).to_be_bytes());
            }
            2 => accumulate::<2>(line, |a, b| u16::from_le_bytes(a).wrapping_add(u16::from_le_bytes(b)).to_le_bytes()),
            _ if big_endian => {
                accumulate::<4>(line, |a, b| u32::from_be_bytes(a).wrapping_add(u32::from_be_bytes(b)).to_be_bytes());
            }
            _ => accumulate::<4>(line, |a, b| u32::from_le_bytes(a).wrapping_add(u32::from_le_bytes(b)).to_le_bytes()),
        }
    }
}

fn accumulate<const N: usize>(line: &mut [u8], add: impl Fn([u8; N], [u8; N]) -> [u8; N]) {
    let mut sum = [0; N];
    for pixel in line.as_chunks_mut::<N>().0 {
        sum = add(sum, *pixel);
        *pixel = sum;
    }
}

/// Undoes predictor 3 (differences of bytes, sorted by significance) on floats of `pixel` bytes; the result is
/// big-endian whatever the file's byte order (TIFF Technical Note 3, 2005).
pub fn undo_float_differences(bytes: &mut [u8], row_pixels: usize, pixel: usize) {
    let row = (row_pixels * pixel).max(1);
    for line in bytes.chunks_exact_mut(row) {
        accumulate::<1>(line, |sum, now| [sum[0].wrapping_add(now[0])]);
        let planes = line.to_vec();
        for (at, value) in line.chunks_exact_mut(pixel).enumerate() {
            for (byte, to) in value.iter_mut().enumerate() {
                *to = planes[byte * row_pixels + at];
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_pack_bits_example() {
        // The well-known example of Apple's technical note on PackBits; value from memory, decoded by imagecodecs.
        let packed = [0xfe, 0xaa, 2, 0x80, 0, 0x2a, 0xfd, 0xaa, 3, 0x80, 0, 0x2a, 0x22, 0xf7, 0xaa];
        let mut expected = vec![0xaa, 0xaa, 0xaa, 0x80, 0, 0x2a, 0xaa, 0xaa, 0xaa, 0xaa, 0x80, 0, 0x2a, 0x22];
        expected.extend([0xaa; 10]);
        assert_eq!(decompress(Compression::PackBits, packed.to_vec(), 24), Ok(expected));
    }

    #[test]
    fn the_lzw_example_of_tiff_6() {
        // TIFF 6.0 (1992), section 13.
        let packed = [0x80, 1, 0xe0, 0x40, 0x80, 0x44, 8, 0x0c, 6, 0x80, 0x80];
        let unpacked = vec![7, 7, 7, 8, 8, 7, 7, 6, 6];
        assert_eq!(decompress(Compression::Lzw, packed.to_vec(), 9), Ok(unpacked));
        assert!(decompress(Compression::Lzw, packed.to_vec(), 10).is_err());
    }

    #[test]
    fn checksums_are_compared() {
        let plain: Vec<u8> = (0..40_000u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
        let mut packer = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::fast());
        std::io::Write::write_all(&mut packer, &plain).unwrap();
        let packed = packer.finish().unwrap();
        let last = packed.len() - 1;
        for (change, sound) in [(last + 9, true), (last, false), (last / 2, false)] {
            let mut bytes = packed.clone();
            bytes.iter_mut().skip(change).take(1).for_each(|byte| *byte ^= 0x10);
            assert_eq!(decompress(Compression::Deflate, bytes, plain.len()) == Ok(plain.clone()), sound, "{change}");
        }
        let without = packed[..packed.len() - 4].to_vec();
        assert_eq!(decompress(Compression::Deflate, without, plain.len()), Ok(plain.clone()));
        let frame = zstd::stream::Encoder::new(Vec::new(), 1).and_then(|mut packer| {
            packer.include_checksum(true)?;
            std::io::Write::write_all(&mut packer, &plain)?;
            packer.finish()
        });
        let mut frame = frame.unwrap();
        assert_eq!(decompress(Compression::Zstandard, frame.clone(), plain.len()), Ok(plain.clone()));
        *frame.last_mut().unwrap() ^= 1;
        assert!(decompress(Compression::Zstandard, frame, plain.len()).is_err());
    }

    #[test]
    fn differences_add_up_modulo_256() {
        let mut bytes = [10, 2, 3, 0, 250];
        undo_differences(&mut bytes, 5, 1, false);
        assert_eq!(bytes, [10, 12, 15, 15, 9]);
    }

    #[test]
    fn rows_too_many_are_dropped_and_a_bomb_is_not_followed() {
        let packed = |bytes: usize| {
            let mut encoder = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::best());
            std::io::Write::write_all(&mut encoder, &vec![0; bytes]).unwrap();
            encoder.finish().unwrap()
        };
        assert_eq!(decompress(Compression::Deflate, packed(5000), 100), Ok(vec![0; 100]));
        let bomb = decompress(Compression::Deflate, packed(64 << 20), 100);
        assert_eq!(bomb, Err("it holds far more than its 100 bytes".into()));
    }
}
