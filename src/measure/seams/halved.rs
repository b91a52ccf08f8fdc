//! Wide overlaps are measured at half their size: over so many pixels a seam is known far better than it need be, and a
//! quarter of the pixels costs a quarter of the time.

use crate::measure::seams::find::Found;
use crate::measure::seams::patch::Patch;
use crate::measure::seams::plan::{Pair, Rect};
use crate::measure::seams::strip::Strip;

/// Overlaps of at least this thickness, in pixels.
pub const WIDE_PX: i64 = 160;
/// A shift known so well, in pixels as recorded, need not be measured again at full size.
pub const KNOWN_PX: f64 = 0.02;
const BIN: usize = 2;

/// A pair in pixels twice as large.
pub fn pair(pair: &Pair) -> Pair {
    Pair {
        nominal_px: pair.nominal_px.map(|px| px / BIN as f64),
        whole_px: pair.whole_px.map(|px| px / BIN as i64),
        overlap_px: pair.overlap_px / BIN as i64,
        reach_px: (pair.reach_px + 1) / BIN as i64,
        ..*pair
    }
}

/// A strip in pixels twice as large, from the next even row and column of its tile on.
pub fn strip(strip: &Strip) -> Strip {
    let Rect { x, y, width, height } = strip.rect;
    let (skip_x, skip_y) = (x % BIN, y % BIN);
    let image = strip.image.halved([skip_x.min(width), skip_y.min(height)]);
    let rect = Rect { x: (x + skip_x) / BIN, y: (y + skip_y) / BIN, width: image.cols, height: image.rows };
    Strip { rect, image }
}

/// Pixels as recorded, of so many large ones.
pub fn whole_px(px: [f64; 2]) -> [f64; 2] {
    px.map(|px| px * BIN as f64)
}

/// What was found, in pixels as recorded.
pub fn whole(found: Found) -> Found {
    let patch = |patch: Patch| Patch {
        // The middle of a large pixel lies between those of the two that it holds.
        middle_px: whole_px(patch.middle_px).map(|px| px + 0.5 * (BIN as f64 - 1.0)),
        difference_px: whole_px(patch.difference_px),
        sd_px: whole_px(patch.sd_px),
    };
    Found {
        difference_px: whole_px(found.difference_px),
        sd_px: whole_px(found.sd_px),
        patches: found.patches.into_iter().map(patch).collect(),
        ..found
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numerics::registration::image::Image;

    #[test]
    fn a_strip_begins_at_an_even_pixel() {
        let values = (0..5 * 7).map(|at| at as f32).collect();
        let odd = Strip { rect: Rect { x: 0, y: 3, width: 7, height: 5 }, image: Image { rows: 5, cols: 7, values } };
        let half = strip(&odd);
        assert_eq!(half.rect, Rect { x: 0, y: 2, width: 3, height: 2 });
        // Rows 1 and 2 of the strip, columns 0 and 1.
        assert_eq!(half.image.values[0], (7.0 + 8.0 + 14.0 + 15.0) / 4.0);
    }

    #[test]
    fn places_come_back_in_pixels_as_recorded() {
        let found = Found {
            difference_px: [0.25, 900.5],
            sd_px: [0.01; 2],
            correlation: 0.9,
            intensity_ratio: None,
            patches: vec![Patch { middle_px: [10.0, 20.0], difference_px: [0.5, 901.0], sd_px: [0.1; 2] }],
            looked: 1,
        };
        let found = whole(found);
        assert_eq!((found.difference_px, found.patches[0].middle_px), ([0.5, 1801.0], [20.5, 40.5]));
        assert_eq!((found.patches[0].difference_px, found.patches[0].sd_px), ([1.0, 1802.0], [0.2; 2]));
    }
}
