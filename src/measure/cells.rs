//! A section shrunk to coarse cells (about 64 along its longer side): what illumination, shadows and patch choice
//! are read from.

use crate::intake::stack::{Pixels, Section};
use ndarray::Array2;

/// Cells along the longer side of a section.
const CELLS: usize = 64;

/// Mean of each cell, and how many of its pixels are saturated or no number.
#[derive(Debug, Clone, PartialEq)]
pub struct Cells {
    /// Side of a cell in pixels.
    pub cell_px: usize,
    /// Mean of the finite pixels of each cell (rows, columns); NaN where there is none.
    pub mean: Array2<f32>,
    /// Saturated pixels of each cell.
    pub saturated: Array2<u32>,
    /// Pixels of each cell that are no finite number.
    pub nonfinite: Array2<u32>,
}

/// Side of a cell for sections of this size.
pub fn cell_px(width: usize, height: usize) -> usize {
    width.max(height).div_ceil(CELLS).max(1)
}

/// Widens a section to f32, whatever it was stored as; pixels that are no finite number become 0.
pub fn widen(section: Section) -> Array2<f32> {
    let shape = (section.height, section.width);
    let values: Vec<f32> = match section.pixels {
        Pixels::U8(v) => v.into_iter().map(f32::from).collect(),
        Pixels::I8(v) => v.into_iter().map(f32::from).collect(),
        Pixels::U16(v) => v.into_iter().map(f32::from).collect(),
        Pixels::I16(v) => v.into_iter().map(f32::from).collect(),
        Pixels::I32(v) => v.into_iter().map(|v| v as f32).collect(),
        Pixels::U32(v) => v.into_iter().map(|v| v as f32).collect(),
        Pixels::F32(v) => v,
    };
    Array2::from_shape_vec(shape, values).unwrap_or_else(|_| Array2::zeros(shape))
}

/// Shrinks an image to cells of `cell_px`; `level` is the lowest saturated value. Pixels that are no finite number
/// are counted and set to 0 in the image, so that no later sum is spoilt.
pub fn shrink(image: &mut Array2<f32>, cell_px: usize, level: Option<f64>) -> Cells {
    let (height, width) = image.dim();
    let shape = (height.div_ceil(cell_px), width.div_ceil(cell_px));
    let mut sum = Array2::<f64>::zeros(shape);
    let mut saturated = Array2::zeros(shape);
    let mut nonfinite = Array2::zeros(shape);
    let level = level.map_or(f32::INFINITY, |level| level as f32);
    for (y, mut row) in image.outer_iter_mut().enumerate() {
        for (cell, pixels) in row.as_slice_mut().unwrap_or_default().chunks_mut(cell_px).enumerate() {
            let at = (y / cell_px, cell);
            // A cell's row of at most a few hundred f32 counts adds up exactly enough in f32.
            let (line, high) = pixels.iter().fold((0.0f32, 0u32), |(s, n), &v| (s + v, n + u32::from(v >= level)));
            if line.is_finite() {
                sum[at] += f64::from(line);
                saturated[at] += high;
                continue;
            }
            for value in pixels.iter_mut() {
                if value.is_finite() {
                    sum[at] += f64::from(*value);
                    saturated[at] += u32::from(*value >= level);
                } else {
                    nonfinite[at] += 1;
                    *value = 0.0;
                }
            }
        }
    }
    let mean = Array2::from_shape_fn(shape, |(r, c)| {
        let pixels = (height - r * cell_px).min(cell_px) * (width - c * cell_px).min(cell_px);
        let finite = pixels as f64 - f64::from(nonfinite[(r, c)]);
        if finite > 0.0 { (sum[(r, c)] / finite) as f32 } else { f32::NAN }
    });
    Cells { cell_px, mean, saturated, nonfinite }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;

    #[test]
    fn cells_hold_means_and_what_spoils_them() {
        let mut image = array![[1.0, 3.0, 9.0], [5.0, 7.0, f32::NAN], [2.0, f32::INFINITY, 9.0]];
        let cells = shrink(&mut image, 2, Some(9.0));
        assert_eq!(cells.mean, array![[4.0, 9.0], [2.0, 9.0]]);
        assert_eq!(cells.saturated, array![[0, 1], [0, 1]]);
        assert_eq!(cells.nonfinite, array![[0, 1], [1, 0]]);
        assert_eq!(image[(1, 2)], 0.0);
    }

    #[test]
    fn every_pixel_type_widens_to_its_value() {
        let section = Section { width: 2, height: 1, pixels: Pixels::I16(vec![-300, 7]) };
        assert_eq!(widen(section), array![[-300.0, 7.0]]);
    }

    #[test]
    fn a_cell_fits_64_times_into_the_longer_side() {
        assert_eq!((cell_px(2048, 1024), cell_px(100, 192), cell_px(30, 30)), (32, 3, 1));
    }
}
