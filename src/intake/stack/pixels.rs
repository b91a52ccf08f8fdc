//! Pixel types, and bytes to pixels.

use super::source::Source;
use std::io;

/// The pixels of one section as stored.
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

impl Pixels {
    /// Copies pixels from index `from` on into `out` as f32; what is no finite number becomes 0, so that no sum is
    /// spoilt by it.
    pub fn copy_f32(&self, from: usize, out: &mut [f32]) {
        fn widen<T: Copy>(values: &[T], out: &mut [f32], as_f32: impl Fn(T) -> f32) {
            pulp::Arch::new().dispatch(Widen(values, out, as_f32));
        }
        let range = from..from + out.len();
        match self {
            Self::U8(v) => widen(&v[range], out, f32::from),
            Self::I8(v) => widen(&v[range], out, f32::from),
            Self::U16(v) => widen(&v[range], out, f32::from),
            Self::I16(v) => widen(&v[range], out, f32::from),
            Self::U32(v) => widen(&v[range], out, |v| v as f32),
            Self::I32(v) => widen(&v[range], out, |v| v as f32),
            Self::F32(v) => widen(&v[range], out, |v| if v.is_finite() { v } else { 0.0 }),
        }
    }

    /// Whether a pixel is a finite number; integers always are.
    pub fn is_finite(&self, at: usize) -> bool {
        match self {
            Self::F32(values) => values[at].is_finite(),
            _ => true,
        }
    }
}

/// Copies pixels as f32, with wide instructions (see [`crate::numerics::wide`]).
struct Widen<'a, T, F>(&'a [T], &'a mut [f32], F);

impl<T: Copy, F: Fn(T) -> f32> pulp::NullaryFnOnce for Widen<'_, T, F> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self(values, out, as_f32) = self;
        out.iter_mut().zip(values).for_each(|(out, value)| *out = as_f32(*value));
    }
}

/// How a pixel is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PixelKind {
    I8,
    U8,
    I16,
    U16,
    I32,
    U32,
    F16,
    F32,
}

impl PixelKind {
    /// Bytes of one pixel.
    pub fn bytes(self) -> usize {
        match self {
            Self::I8 | Self::U8 => 1,
            Self::I16 | Self::U16 | Self::F16 => 2,
            Self::I32 | Self::U32 | Self::F32 => 4,
        }
    }

    /// Largest value; `None` for floats.
    pub fn max(self) -> Option<f64> {
        match self {
            Self::I8 => Some(f64::from(i8::MAX)),
            Self::U8 => Some(f64::from(u8::MAX)),
            Self::I16 => Some(f64::from(i16::MAX)),
            Self::U16 => Some(f64::from(u16::MAX)),
            Self::I32 => Some(f64::from(i32::MAX)),
            Self::U32 => Some(f64::from(u32::MAX)),
            Self::F16 | Self::F32 => None,
        }
    }

    /// For people.
    pub fn words(self) -> &'static str {
        match self {
            Self::I8 => "8-bit signed",
            Self::U8 => "8-bit unsigned",
            Self::I16 => "16-bit signed",
            Self::U16 => "16-bit unsigned",
            Self::I32 => "32-bit signed",
            Self::U32 => "32-bit unsigned",
            Self::F16 => "16-bit float",
            Self::F32 => "32-bit float",
        }
    }

    /// Reads `count` pixels at `offset` straight into their own type; the caller has checked that they lie inside the
    /// file.
    pub fn read(self, source: &Source, offset: u64, count: usize, big_endian: bool) -> io::Result<Pixels> {
        macro_rules! words {
            ($type:ty) => {{
                let mut words = vec![<$type>::default(); count];
                source.read_into(offset, bytemuck::cast_slice_mut(&mut words))?;
                for word in &mut words {
                    let bytes = word.to_ne_bytes();
                    *word = if big_endian { <$type>::from_be_bytes(bytes) } else { <$type>::from_le_bytes(bytes) };
                }
                words
            }};
        }
        Ok(match self {
            Self::I8 => Pixels::I8(words!(i8)),
            Self::U8 => Pixels::U8(words!(u8)),
            Self::I16 => Pixels::I16(words!(i16)),
            Self::U16 => Pixels::U16(words!(u16)),
            Self::I32 => Pixels::I32(words!(i32)),
            Self::U32 => Pixels::U32(words!(u32)),
            Self::F32 => Pixels::F32(words!(f32)),
            Self::F16 => self.pixels(source.read_at(offset, count * self.bytes())?, big_endian),
        })
    }

    /// Turns bytes into pixels; a part of a pixel at the end is dropped.
    pub fn pixels(self, bytes: Vec<u8>, big_endian: bool) -> Pixels {
        macro_rules! words {
            ($type:ty, $size:literal) => {{
                let words = bytes.as_chunks::<$size>().0.iter();
                if big_endian {
                    words.map(|word| <$type>::from_be_bytes(*word)).collect()
                } else {
                    words.map(|word| <$type>::from_le_bytes(*word)).collect()
                }
            }};
        }
        match self {
            Self::U8 => Pixels::U8(bytes),
            Self::I8 => Pixels::I8(bytes.into_iter().map(|byte| byte as i8).collect()),
            Self::I16 => Pixels::I16(words!(i16, 2)),
            Self::U16 => Pixels::U16(words!(u16, 2)),
            Self::I32 => Pixels::I32(words!(i32, 4)),
            Self::U32 => Pixels::U32(words!(u32, 4)),
            Self::F32 => Pixels::F32(words!(f32, 4)),
            Self::F16 => {
                let halves: Vec<u16> = words!(u16, 2);
                Pixels::F32(halves.into_iter().map(|bits| half::f16::from_bits(bits).to_f32()).collect())
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_byte_orders_give_the_same_pixels() {
        assert_eq!(PixelKind::I16.pixels(vec![0x00, 0x80, 0x01, 0x00], false), Pixels::I16(vec![-32768, 1]));
        assert_eq!(PixelKind::I16.pixels(vec![0x80, 0x00, 0x00, 0x01], true), Pixels::I16(vec![-32768, 1]));
        assert_eq!(PixelKind::F16.pixels(vec![0x00, 0x3e, 0x00, 0xc0], false), Pixels::F32(vec![1.5, -2.0]));
    }
}
