//! A tally of pixel values: moments, extremes and a histogram, mergeable over the tiles of a tilt.
//!
//! `mean = Σv / n`, `sd = √(Σ(v - mean)² / n)`. Integers up to 16 bits are counted value by value, so every figure
//! is exact. 32-bit values are counted in 2²⁰ bins of equal relative width (2⁻¹¹ of the value), and quantiles are
//! interpolated within a bin; their moments are summed in f64.

use crate::intake::stack::Pixels;
use crate::numerics::moments::Moments;

/// Pixel values of a section, or of all sections of a tilt.
#[derive(Debug, Clone)]
pub struct Tally {
    /// Finite pixels.
    pub n: u64,
    /// Pixels that are no finite number.
    pub nonfinite: u64,
    /// Pixels at or below zero.
    pub zero: u64,
    /// Mean of the finite pixels (0 without any).
    pub mean: f64,
    /// Σ(v - mean)².
    m2: f64,
    /// Smallest.
    pub min: f64,
    /// Largest.
    pub max: f64,
    histogram: Histogram,
}

impl Tally {
    /// Counts the pixels of a section.
    pub fn of(pixels: &Pixels) -> Self {
        match pixels {
            Pixels::U8(values) => Self::exact(values, 0, 1 << 8, |&v| usize::from(v)),
            Pixels::I8(values) => Self::exact(values, -(1 << 7), 1 << 8, |&v| (i32::from(v) + (1 << 7)) as usize),
            Pixels::U16(values) => Self::exact(values, 0, 1 << 16, |&v| usize::from(v)),
            Pixels::I16(values) => Self::exact(values, -(1 << 15), 1 << 16, |&v| (i32::from(v) + (1 << 15)) as usize),
            Pixels::I32(values) => Self::binned(values.iter().map(|&v| f64::from(v))),
            Pixels::U32(values) => Self::binned(values.iter().map(|&v| f64::from(v))),
            Pixels::F32(values) => Self::binned(values.iter().map(|&v| f64::from(v))),
        }
    }

    fn exact<T>(values: &[T], lowest: i64, bins: usize, bin: impl Fn(&T) -> usize) -> Self {
        // Two interleaved histograms: neighbouring pixels often hold one value, and a second increment of the
        // same counter would have to wait for the first.
        let mut even = vec![0u32; bins];
        let mut odd = vec![0u32; bins];
        let mut pairs = values.chunks_exact(2);
        for pair in &mut pairs {
            even[bin(&pair[0])] += 1;
            odd[bin(&pair[1])] += 1;
        }
        for value in pairs.remainder() {
            even[bin(value)] += 1;
        }
        let counts = even.into_iter().zip(odd).map(|(a, b)| a + b).collect();
        Self::from_exact(Histogram::Exact { lowest, counts })
    }

    fn from_exact(histogram: Histogram) -> Self {
        let occupied: Vec<(f64, f64)> = histogram.occupied().collect();
        let total: f64 = occupied.iter().map(|(_, count)| count).sum();
        let mean = if total > 0.0 { occupied.iter().map(|(v, c)| v * c).sum::<f64>() / total } else { 0.0 };
        Self {
            n: total as u64,
            nonfinite: 0,
            zero: occupied.iter().take_while(|(v, _)| *v <= 0.0).map(|(_, c)| *c as u64).sum(),
            mean,
            m2: occupied.iter().map(|(v, c)| c * (v - mean).powi(2)).sum(),
            min: occupied.first().map_or(f64::NAN, |(v, _)| *v),
            max: occupied.last().map_or(f64::NAN, |(v, _)| *v),
            histogram,
        }
    }

    fn binned(values: impl Iterator<Item = f64> + Clone) -> Self {
        let mut counts = vec![0u32; 1 << BIN_BITS];
        let (mut nonfinite, mut zero) = (0u64, 0u64);
        let (mut min, mut max) = (f64::INFINITY, f64::NEG_INFINITY);
        for value in values.clone() {
            if !value.is_finite() {
                nonfinite += 1;
                continue;
            }
            zero += u64::from(value <= 0.0);
            min = value.min(min);
            max = value.max(max);
            counts[bin_of(value)] += 1;
        }
        let Moments { n, mean, m2 } = Moments::of(values.filter(|value| value.is_finite()));
        let histogram = Histogram::Relative { counts, min, max };
        let (min, max) = if n > 0 { (min, max) } else { (f64::NAN, f64::NAN) };
        Self { n, nonfinite, zero, mean, m2, min, max, histogram }
    }

    /// Adds another tally of the same pixel type.
    pub fn merge(&mut self, other: &Self) {
        let own = Moments { n: self.n, mean: self.mean, m2: self.m2 };
        let both = own.merged(&Moments { n: other.n, mean: other.mean, m2: other.m2 });
        (self.n, self.mean, self.m2) = (both.n, both.mean, both.m2);
        self.nonfinite += other.nonfinite;
        self.zero += other.zero;
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
        self.histogram.merge(&other.histogram);
    }

    /// Standard deviation, n in the denominator.
    pub fn sd(&self) -> Option<f64> {
        Moments { n: self.n, mean: self.mean, m2: self.m2 }.sd()
    }

    /// Quantile `q` (0 to 1) with linear interpolation between order statistics.
    pub fn quantile(&self, q: f64) -> Option<f64> {
        let last = self.n.checked_sub(1)? as f64;
        let at = q.clamp(0.0, 1.0) * last;
        let (low, high) = (self.histogram.order_statistic(at.floor()), self.histogram.order_statistic(at.ceil()));
        Some(low + (high - low) * at.fract())
    }

    /// Lowest value that counts as saturated: `full_scale`, or below it the top of the histogram where pixels
    /// pile up there; `None` where neither is.
    pub fn saturation_level(&self, full_scale: Option<f64>) -> Option<f64> {
        let piled = self.histogram.pile_up().filter(|&level| full_scale.is_none_or(|full| level < full));
        piled.or(full_scale)
    }

    /// Pixels at or above `level`.
    pub fn at_or_above(&self, level: f64) -> u64 {
        self.histogram.occupied().filter(|(value, _)| *value >= level).map(|(_, count)| count as u64).sum()
    }
}

const BIN_BITS: u32 = 20;

/// Order-preserving bin of a value: the top bits of its f32 pattern, negative ones turned round.
fn bin_of(value: f64) -> usize {
    let bits = (value as f32).to_bits();
    let key = if bits >> 31 == 1 { !bits } else { bits | 0x8000_0000 };
    (key >> (32 - BIN_BITS)) as usize
}

/// Lowest value of a bin.
fn bin_start(bin: usize) -> f64 {
    let key = (bin as u32) << (32 - BIN_BITS);
    let bits = if key >> 31 == 1 { key & 0x7fff_ffff } else { !key };
    f64::from(f32::from_bits(bits))
}

#[derive(Debug, Clone)]
enum Histogram {
    /// One bin a value, from `lowest` up.
    Exact { lowest: i64, counts: Vec<u32> },
    /// Bins of equal relative width; `min` and `max` bound the outermost ones.
    Relative { counts: Vec<u32>, min: f64, max: f64 },
}

/// A pile-up holds at least this many pixels …
const PILE_UP_LEAST: f64 = 20.0;
/// … and this many times as many as the values below it hold on average.
const PILE_UP_TIMES: f64 = 10.0;
/// The values below it that are looked at, and how many there must be.
const PILE_UP_VALUES: usize = 32;
const PILE_UP_FEWEST_VALUES: usize = 4;

impl Histogram {
    fn counts(&self) -> &[u32] {
        match self {
            Self::Exact { counts, .. } | Self::Relative { counts, .. } => counts,
        }
    }

    fn value(&self, bin: usize) -> f64 {
        match self {
            Self::Exact { lowest, .. } => (lowest + bin as i64) as f64,
            Self::Relative { min, max, .. } => bin_start(bin).clamp(*min, *max),
        }
    }

    /// Occupied bins as (value, count), ascending.
    fn occupied(&self) -> impl DoubleEndedIterator<Item = (f64, f64)> + '_ {
        let bins = self.counts().iter().enumerate().filter(|(_, count)| **count > 0);
        bins.map(|(bin, &count)| (self.value(bin), f64::from(count)))
    }

    /// The `rank`-th smallest value, from 0.
    fn order_statistic(&self, rank: f64) -> f64 {
        let mut below = 0.0;
        for (bin, &count) in self.counts().iter().enumerate() {
            let count = f64::from(count);
            if count > 0.0 && rank < below + count {
                return match self {
                    Self::Exact { .. } => self.value(bin),
                    Self::Relative { .. } => {
                        let (start, end) = (self.value(bin), self.value(bin + 1));
                        start + (end - start) * (rank - below + 0.5) / count
                    }
                };
            }
            below += count;
        }
        f64::NAN
    }

    fn pile_up(&self) -> Option<f64> {
        let Self::Exact { .. } = self else { return None };
        let mut from_top = self.occupied().rev();
        let (level, top) = from_top.next()?;
        let below: Vec<f64> = from_top.take(PILE_UP_VALUES).map(|(_, count)| count).collect();
        let mean = below.iter().sum::<f64>() / below.len().max(1) as f64;
        let piled = below.len() >= PILE_UP_FEWEST_VALUES && top >= PILE_UP_LEAST && top > PILE_UP_TIMES * mean;
        piled.then_some(level)
    }

    fn merge(&mut self, other: &Self) {
        if let (Self::Relative { min, max, .. }, Self::Relative { min: low, max: high, .. }) = (&mut *self, other) {
            *min = min.min(*low);
            *max = max.max(*high);
        }
        let counts = match self {
            Self::Exact { counts, .. } | Self::Relative { counts, .. } => counts,
        };
        for (count, more) in counts.iter_mut().zip(other.counts()) {
            *count += more;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn eight_pixels_worked_by_hand() {
        // Σv = 40, so mean 5; Σ(v - 5)² = 9+1+1+1+0+0+4+16 = 32, so sd √(32/8) = 2.
        for pixels in [
            Pixels::U16(vec![2, 4, 4, 4, 5, 5, 7, 9]),
            Pixels::I8(vec![2, 4, 4, 4, 5, 5, 7, 9]),
            Pixels::F32(vec![2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0]),
        ] {
            let tally = Tally::of(&pixels);
            assert_eq!((tally.n, tally.mean, tally.sd(), tally.min, tally.max), (8, 5.0, Some(2.0), 2.0, 9.0));
            // numpy.median 4.5, numpy.percentile(…, 90) 7.6.
            assert!((tally.quantile(0.5).unwrap() - 4.5).abs() < 2e-3);
            assert!((tally.quantile(0.9).unwrap() - 7.6).abs() < 2e-3);
        }
    }

    #[test]
    fn merging_is_counting_together() {
        let (a, b) = (vec![-3i16, 0, 8, 1000], vec![-32768i16, 32767, 5]);
        let mut merged = Tally::of(&Pixels::I16(a.clone()));
        merged.merge(&Tally::of(&Pixels::I16(b.clone())));
        let together = Tally::of(&Pixels::I16([a, b].concat()));
        assert_eq!((merged.n, merged.zero, merged.min, merged.max), (7, 3, -32768.0, 32767.0));
        assert!((merged.mean - together.mean).abs() < 1e-9);
        assert!((merged.sd().unwrap() / together.sd().unwrap() - 1.0).abs() < 1e-12);
        assert_eq!(merged.quantile(0.5), together.quantile(0.5));
    }

    #[test]
    fn what_is_no_number_is_counted_apart() {
        let tally = Tally::of(&Pixels::F32(vec![f32::NAN, 1.0, f32::INFINITY, -1.0]));
        assert_eq!((tally.n, tally.nonfinite, tally.zero, tally.mean), (2, 2, 1, 0.0));
        assert_eq!(Tally::of(&Pixels::F32(vec![f32::NAN])).quantile(0.5), None);
    }

    #[test]
    fn quantiles_of_wide_floats_are_near_the_true_ones() {
        let values: Vec<f32> = (0..100_001).map(|i| -5000.0 + 0.1 * i as f32).collect();
        let tally = Tally::of(&Pixels::F32(values));
        for (q, expected) in [(0.01, -4900.0), (0.5, 0.0), (0.75, 2500.0), (1.0, 5000.0)] {
            let found = tally.quantile(q).unwrap();
            assert!((found - expected).abs() < 0.2 + 1e-4 * expected.abs(), "{q}: {found}");
        }
    }

    #[test]
    fn a_pile_up_below_full_scale_is_saturation() {
        let mut values: Vec<u16> = (0..5000).map(|i| 1000 + (i % 500)).collect();
        let clean = Tally::of(&Pixels::U16(values.clone()));
        assert_eq!(clean.saturation_level(Some(65535.0)), Some(65535.0));
        values.extend([1499; 400]);
        let piled = Tally::of(&Pixels::U16(values));
        let level = piled.saturation_level(Some(65535.0)).unwrap();
        assert_eq!((level, piled.at_or_above(level)), (1499.0, 410));
    }

    #[test]
    fn an_even_picture_is_not_saturated() {
        let tally = Tally::of(&Pixels::U8(vec![7; 1000]));
        assert_eq!(tally.saturation_level(None), None);
        assert_eq!(tally.sd(), Some(0.0));
    }
}
