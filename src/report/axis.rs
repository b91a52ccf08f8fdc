//! Axes of the plots: what lies far outside is drawn just outside, for a damaged record may hold figures whose pixels
//! have no number.

use plotters::coord::ranged1d::{DefaultFormatting, KeyPointHint, Ranged};
use plotters::coord::types::RangedCoordf64;
use std::ops::Range;

/// So many lengths of the axis beyond its ends, lines run off the drawing as steeply as they should.
const BEYOND: f64 = 50.0;

/// An axis of numbers.
pub struct Axis {
    range: Range<f64>,
    plain: RangedCoordf64,
}

impl Axis {
    /// From one figure to another.
    pub fn new(range: Range<f64>) -> Self {
        Self { plain: range.clone().into(), range }
    }
}

impl Ranged for Axis {
    type FormatOption = DefaultFormatting;
    type ValueType = f64;

    fn range(&self) -> Range<f64> {
        self.range.clone()
    }

    fn map(&self, value: &f64, pixels: (i32, i32)) -> i32 {
        self.plain.map(&near(*value, &self.range), pixels)
    }

    fn key_points<Hint: KeyPointHint>(&self, hint: Hint) -> Vec<f64> {
        self.plain.key_points(hint)
    }
}

/// A value, or where it is far outside of a range one that is less far.
pub fn near(value: f64, range: &Range<f64>) -> f64 {
    let (low, high) = (range.start.min(range.end), range.start.max(range.end));
    let room = BEYOND * (high - low);
    value.max(low - room).min(high + room)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn far_values_have_pixels_and_near_ones_keep_theirs() {
        let (axis, plain) = (Axis::new(2.0..4.0), RangedCoordf64::from(2.0..4.0));
        for value in [1.0, 2.0, 3.3, 9.0] {
            assert_eq!(axis.map(&value, (100, 500)), plain.map(&value, (100, 500)));
        }
        assert_eq!(axis.map(&1e300, (100, 500)), 100 + 400 * 51);
        assert_eq!(axis.map(&-1e15, (100, 500)), 100 - 400 * 50);
    }
}
