//! Single pixels far brighter than their neighbours: a camera's hot pixels, and what hits it from elsewhere.
//!
//! A few of them in a picture put as much white noise into its spectrum as counting does, and a blur that takes all fine
//! detail would seem to leave some. So spectra are made without them; counts stay as they are stored. Bright structures are
//! wider than a pixel, and few electrons seldom come ten standard deviations over their mean.

use crate::measure::tally::Tally;

/// A hot pixel lies so many standard deviations of the picture over its mean,
const OVER_MEAN_SDS: f64 = 10.0;
/// and so many over both its neighbours in the row.
const OVER_NEIGHBOURS_SDS: f64 = 8.0;

/// What is hot in one section.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HotPixels {
    least: f32,
    step: f32,
}

impl HotPixels {
    /// By a section's counts; `None` where they tell no scatter.
    pub fn of(tally: &Tally) -> Option<Self> {
        let sd = tally.sd().filter(|sd| sd.is_finite() && *sd > 0.0)?;
        Some(Self { least: (tally.mean + OVER_MEAN_SDS * sd) as f32, step: (OVER_NEIGHBOURS_SDS * sd) as f32 })
    }

    /// Puts the mean of its neighbours in the place of each hot pixel of a part of a row.
    pub fn take_out(self, row: &mut [f32]) {
        // Nearly all rows have none, and this loop is compiled wide.
        if !row.iter().fold(false, |any, &value| any | (value > self.least)) {
            return;
        }
        for at in 0..row.len() {
            let before = at.checked_sub(1).map(|before| row[before]);
            let (low, high) = match (before, row.get(at + 1).copied()) {
                (Some(a), Some(b)) => (0.5 * (a + b), a.max(b)),
                (Some(one), None) | (None, Some(one)) => (one, one),
                (None, None) => return,
            };
            if row[at] > self.least && row[at] - high > self.step {
                row[at] = low;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn single_bright_pixels_go_and_bright_structures_stay() {
        let hot = HotPixels { least: 200.0, step: 80.0 };
        let mut row = vec![900.0, 100.0, 110.0, 700.0, 90.0, 300.0, 320.0, 310.0, 100.0, 250.0];
        hot.take_out(&mut row);
        assert_eq!(row, [100.0, 100.0, 110.0, 100.0, 90.0, 300.0, 320.0, 310.0, 100.0, 100.0]);
    }

    #[test]
    fn a_section_of_one_value_has_none() {
        let tally = Tally::of(&crate::intake::stack::Pixels::U16(vec![7; 64]));
        assert_eq!(HotPixels::of(&tally), None);
    }
}
