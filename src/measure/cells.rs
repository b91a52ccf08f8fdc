//! A section shrunk twice in one pass: to coarse cells (about 64 along its longer side), from which illumination,
//! shadows and the choice of patches are read, and to the picture that the report shows.

use crate::intake::stack::{Pixels, Section};
use crate::numerics::wide::add;
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

/// What is to be counted pixel by pixel; most sections have neither, and are not gone through again.
#[derive(Debug, Clone, Copy, Default)]
pub struct Spoilt {
    /// Lowest saturated value, where a pixel reaches it.
    pub saturation_level: Option<f64>,
    /// Whether a pixel is no finite number.
    pub nonfinite: bool,
}

/// Shrinks a section to cells of `cell_px`, and to means of squares of `bin` pixels (those beyond the last whole
/// square dropped).
pub fn shrink(section: &Section, cell_px: usize, bin: usize, spoilt: Spoilt) -> (Cells, Array2<f32>) {
    let (width, height) = (section.width, section.height);
    let shape = (height.div_ceil(cell_px), width.div_ceil(cell_px));
    let mut coarse = Shrink::new(width, cell_px, shape);
    let mut picture = Shrink::new(width, bin, ((height / bin).max(1), (width / bin).max(1)));
    let mut row = vec![0.0f32; width];
    for y in 0..height {
        section.pixels.copy_f32(y * width, &mut row);
        coarse.add(&row);
        picture.add(&row);
    }
    let (saturated, nonfinite) = count_spoilt(section, cell_px, shape, spoilt);
    let sums = coarse.finish();
    let mean = Array2::from_shape_fn(shape, |(r, c)| {
        let pixels = (height - r * cell_px).min(cell_px) * (width - c * cell_px).min(cell_px);
        let finite = pixels as f32 - nonfinite[(r, c)] as f32;
        if finite > 0.0 { sums[(r, c)] / finite } else { f32::NAN }
    });
    (Cells { cell_px, mean, saturated, nonfinite }, picture.finish() / (bin * bin) as f32)
}

/// Sums over squares: rows are added up column by column first, which the compiler can do eight at a time.
struct Shrink {
    bin: usize,
    columns: Vec<f32>,
    rows_added: usize,
    sums: Array2<f32>,
    next: usize,
}

impl Shrink {
    fn new(width: usize, bin: usize, shape: (usize, usize)) -> Self {
        Self { bin, columns: vec![0.0; width], rows_added: 0, sums: Array2::zeros(shape), next: 0 }
    }

    fn add(&mut self, row: &[f32]) {
        add(&mut self.columns, row);
        self.rows_added += 1;
        if self.rows_added == self.bin {
            self.collapse();
        }
    }

    fn collapse(&mut self) {
        if self.next < self.sums.nrows() {
            let mut sums = self.sums.row_mut(self.next);
            for (sum, few) in sums.iter_mut().zip(self.columns.chunks(self.bin)) {
                *sum = few.iter().sum();
            }
        }
        self.next += 1;
        self.rows_added = 0;
        self.columns.fill(0.0);
    }

    fn finish(mut self) -> Array2<f32> {
        if self.rows_added > 0 {
            self.collapse();
        }
        self.sums
    }
}

fn count_spoilt(
    section: &Section,
    cell_px: usize,
    shape: (usize, usize),
    spoilt: Spoilt,
) -> (Array2<u32>, Array2<u32>) {
    let (mut saturated, mut nonfinite) = (Array2::zeros(shape), Array2::zeros(shape));
    if spoilt.saturation_level.is_none() && !spoilt.nonfinite {
        return (saturated, nonfinite);
    }
    let level = spoilt.saturation_level.map_or(f32::INFINITY, |level| level as f32);
    let mut row = vec![0.0f32; section.width];
    for y in 0..section.height {
        section.pixels.copy_f32(y * section.width, &mut row);
        for (x, &value) in row.iter().enumerate() {
            let at = (y / cell_px, x / cell_px);
            saturated[at] += u32::from(value >= level);
            nonfinite[at] += u32::from(!section.pixels.is_finite(y * section.width + x));
        }
    }
    (saturated, nonfinite)
}

impl Section {
    /// Copies a piece of row `y`, from column `x` on, as f32.
    pub fn copy_row(&self, y: usize, x: usize, out: &mut [f32]) {
        Pixels::copy_f32(&self.pixels, y * self.width + x, out);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;

    #[test]
    fn cells_hold_means_and_what_spoils_them() {
        let pixels = Pixels::F32(vec![1.0, 3.0, 9.0, 5.0, 7.0, f32::NAN, 2.0, f32::INFINITY, 9.0]);
        let section = Section { width: 3, height: 3, pixels };
        let spoilt = Spoilt { saturation_level: Some(9.0), nonfinite: true };
        let (cells, picture) = shrink(&section, 2, 3, spoilt);
        assert_eq!(cells.mean, array![[4.0, 9.0], [2.0, 9.0]]);
        assert_eq!(cells.saturated, array![[0, 1], [0, 1]]);
        assert_eq!(cells.nonfinite, array![[0, 1], [1, 0]]);
        assert_eq!(picture, array![[4.0]]);
    }

    #[test]
    fn every_pixel_type_widens_to_its_value() {
        let mut row = [0.0; 2];
        Section { width: 2, height: 2, pixels: Pixels::I16(vec![1, 2, -300, 7]) }.copy_row(1, 0, &mut row);
        assert_eq!(row, [-300.0, 7.0]);
    }

    #[test]
    fn a_cell_fits_64_times_into_the_longer_side() {
        assert_eq!((cell_px(2048, 1024), cell_px(100, 192), cell_px(30, 30)), (32, 3, 1));
    }

    #[test]
    fn the_picture_drops_what_fills_no_square() {
        let section = Section { width: 5, height: 2, pixels: Pixels::U8(vec![1, 3, 5, 7, 99, 1, 3, 5, 7, 99]) };
        let (_, picture) = shrink(&section, 1, 2, Spoilt::default());
        assert_eq!(picture, array![[2.0, 6.0]]);
    }
}
