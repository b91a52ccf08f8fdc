//! A tile with its dark area left out: the edge of a bar of the grid has more contrast than the specimen, and would be
//! followed instead of it.

use ndarray::Array2;

/// The dark area of a tilt's frame, by cells.
pub struct Dark<'a> {
    /// True where it is dark (rows, columns).
    pub mask: &'a Array2<bool>,
    /// Side of a cell in pixels.
    pub cell_px: usize,
}

impl Dark<'_> {
    /// A tile (binned by `bin`) at its nominal place, in pixels of the frame; NaN in dark cells and beside them, as an edge
    /// need not go along cells. `None` where the frame has none.
    pub fn left_out(&self, tile: &Array2<f32>, [x, y]: [f64; 2], bin: usize) -> Option<Array2<f32>> {
        self.mask.iter().any(|&dark| dark).then(|| {
            let cell =
                |from: f64, at: usize| (((from + (at as f64 + 0.5) * bin as f64) / self.cell_px as f64) as i64).max(0);
            let value = |((row, col), value): ((usize, usize), &f32)| {
                if self.is_by_dark(cell(y, row), cell(x, col)) { f32::NAN } else { *value }
            };
            Array2::from_shape_vec(tile.dim(), tile.indexed_iter().map(value).collect())
                .unwrap_or_else(|_| tile.clone())
        })
    }

    fn is_by_dark(&self, row: i64, col: i64) -> bool {
        let is_dark = |row: i64, col: i64| {
            let (row, col) = (usize::try_from(row).ok(), usize::try_from(col).ok());
            row.zip(col).and_then(|at| self.mask.get(at)).copied().unwrap_or(false)
        };
        (row - 1..=row + 1).any(|row| (col - 1..=col + 1).any(|col| is_dark(row, col)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dark_cells_and_those_beside_them_are_left_out() {
        let mask = Array2::from_shape_fn((6, 4), |(row, _)| row == 0);
        let dark = Dark { mask: &mask, cell_px: 8 };
        let tile = Array2::from_elem((24, 16), 1.0f32);
        let left = dark.left_out(&tile, [0.0, 0.0], 2).unwrap();
        // Rows of two pixels each, eight to two cells.
        assert!((0..24).all(|row| left[(row, 5)].is_nan() == (row < 8)));
        // A tile further down has none of it.
        assert!(dark.left_out(&tile, [0.0, 16.0], 2).unwrap().iter().all(|value| value.is_finite()));
        let none = Array2::from_elem((6, 4), false);
        assert!(Dark { mask: &none, cell_px: 8 }.left_out(&tile, [0.0, 0.0], 2).is_none());
    }
}
