//! Which tiles of a tilt are neighbours, how far their nominal places may be wrong, and which strips that needs.

use crate::intake::Series;
use crate::intake::tilts::TiltGroup;

/// Beyond half the overlap, a nominal place is looked for this much further.
const SPARE_PX: i64 = 2;
/// A seam under this thickness has no patch that could be registered.
pub const LEAST_OVERLAP_PX: i64 = 6;

/// Two neighbouring tiles.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// Index of the one among the tilt's tiles.
    pub from: usize,
    /// Index of the other: the next column, or the next row.
    pub to: usize,
    /// The seam runs along the rows (its tiles lie one above the other).
    pub along_x: bool,
    /// Nominal place of `to` less that of `from`.
    pub nominal_px: [f64; 2],
    /// The same, in whole pixels.
    pub whole_px: [i64; 2],
    /// Thickness of the nominal overlap; not above zero where the tiles do not overlap.
    pub overlap_px: i64,
    /// How far from its nominal place `to` is looked for, in each direction.
    pub reach_px: i64,
}

/// A rectangle of a tile.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rect {
    /// First column.
    pub x: usize,
    /// First row.
    pub y: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

/// The pairs of a tilt: each tile with its next in the row and in the column.
pub fn pairs(series: &Series, tilt: &TiltGroup) -> Vec<Pair> {
    let place = |slot: usize| series.sections[tilt.rows[slot]].place;
    let slots = 0..tilt.rows.len();
    let mut pairs = Vec::new();
    for from in slots.clone() {
        for to in slots.clone() {
            let (a, b) = (place(from), place(to));
            let (right, below) = ((a.col + 1, a.row) == (b.col, b.row), (a.col, a.row + 1) == (b.col, b.row));
            if right || below {
                pairs.push(Pair::new(from, to, below, [b.x_px - a.x_px, b.y_px - a.y_px], series.size_px));
            }
        }
    }
    pairs
}

impl Pair {
    /// Two tiles of a size, by the nominal difference of their places.
    pub fn new(from: usize, to: usize, along_x: bool, nominal_px: [f64; 2], (width, height): (usize, usize)) -> Self {
        let whole_px = nominal_px.map(|px| px.round() as i64);
        let overlap_px = if along_x { height as i64 - whole_px[1] } else { width as i64 - whole_px[0] };
        let reach_px = (overlap_px.max(0) + 1) / 2 + SPARE_PX;
        Self { from, to, along_x, nominal_px, whole_px, overlap_px, reach_px }
    }

    /// Whether the nominal overlap is thick enough.
    pub fn overlaps(&self) -> bool {
        self.overlap_px >= LEAST_OVERLAP_PX
    }

    /// The strip of `from` that could lie under `to`.
    pub fn strip_of_from(&self, (width, height): (usize, usize)) -> Rect {
        let thick = (self.overlap_px + self.reach_px).max(1) as usize;
        if self.along_x {
            let rows = thick.min(height);
            Rect { x: 0, y: height - rows, width, height: rows }
        } else {
            let cols = thick.min(width);
            Rect { x: width - cols, y: 0, width: cols, height }
        }
    }

    /// The strip of `to` that could lie over `from`.
    pub fn strip_of_to(&self, (width, height): (usize, usize)) -> Rect {
        let thick = (self.overlap_px + self.reach_px).max(1) as usize;
        if self.along_x {
            Rect { x: 0, y: 0, width, height: thick.min(height) }
        } else {
            Rect { x: 0, y: 0, width: thick.min(width), height }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strips_hold_whatever_the_tiles_can_share() {
        let pair = Pair::new(0, 1, true, [0.4, 416.0], (512, 512));
        assert_eq!((pair.overlap_px, pair.reach_px, pair.whole_px), (96, 50, [0, 416]));
        assert_eq!(pair.strip_of_from((512, 512)), Rect { x: 0, y: 366, width: 512, height: 146 });
        assert_eq!(pair.strip_of_to((512, 512)), Rect { x: 0, y: 0, width: 512, height: 146 });
        let beside = Pair::new(0, 1, false, [416.0, 0.0], (512, 300));
        assert_eq!(beside.strip_of_from((512, 300)), Rect { x: 366, y: 0, width: 146, height: 300 });
        assert!(!Pair::new(0, 1, true, [0.0, 512.0], (512, 512)).overlaps());
    }
}
