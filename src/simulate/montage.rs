//! Where tiles lie in the assembled picture: where they should, and where they do.

use crate::simulate::random::{Stream, Use};
use crate::simulate::recipe::Recipe;

/// One tile of one tilt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TilePlace {
    /// 0-based column.
    pub col: usize,
    /// 0-based row.
    pub row: usize,
    /// Nominal place of pixel (0,0) in the assembled picture.
    pub nominal_px: [f64; 2],
    /// True place.
    pub true_px: [f64; 2],
}

/// Width and height of the assembled picture by the nominal places.
pub fn assembled_px(recipe: &Recipe) -> [f64; 2] {
    let (cols, rows) = recipe.tiles();
    let [step_x, step_y] = step_px(recipe);
    let (width, height) = (recipe.camera.width_px as f64, recipe.camera.height_px as f64);
    [(cols - 1) as f64 * step_x + width, (rows - 1) as f64 * step_y + height]
}

fn step_px(recipe: &Recipe) -> [f64; 2] {
    let [across, down] = recipe.montage.as_ref().map_or([0, 0], |montage| montage.overlap_px);
    [(recipe.camera.width_px - across) as f64, (recipe.camera.height_px - down) as f64]
}

/// Tiles of one tilt in the order in which they are recorded: row by row, each from column 0.
pub fn places(recipe: &Recipe, order: usize) -> Vec<TilePlace> {
    let (cols, rows) = recipe.tiles();
    let [step_x, step_y] = step_px(recipe);
    let scatter = recipe.montage.as_ref().map_or(0.0, |montage| montage.place_scatter_px);
    let mut stream = Stream::new(recipe.seed, Use::Places, order);
    let mut place = |row: usize, col: usize| {
        let nominal_px = [col as f64 * step_x, row as f64 * step_y];
        // A stage or a shift that misplaces beyond three standard deviations would be a fault of its own.
        let mut error = || scatter * stream.normal().clamp(-3.0, 3.0);
        TilePlace { col, row, nominal_px, true_px: [nominal_px[0] + error(), nominal_px[1] + error()] }
    };
    (0..rows).flat_map(|row| (0..cols).map(move |col| (row, col))).map(|(row, col)| place(row, col)).collect()
}
