//! One tilt recorded: brightness, shades and counts of its tiles.

use crate::simulate::beam::electrons_per_px;
use crate::simulate::camera::{brightness_for, clipped, expected_counts, expose, gains};
use crate::simulate::faults::direction;
use crate::simulate::montage::assembled_px;
use crate::simulate::optics::Bench;
use crate::simulate::phantom::Phantom;
use crate::simulate::plan::TiltPlan;
use crate::simulate::random::{Stream, Use};
use crate::simulate::recipe::Recipe;
use crate::simulate::shade::Shade;

/// Under this share of the beam a pixel counts as dark.
const DARK: f64 = 0.5;

/// One tile, recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct Exposed {
    /// Counts, row by row.
    pub counts: Vec<u16>,
    /// Mean counts to be expected, shades included and clipping left out.
    pub expected_mean_counts: f64,
    /// Share of pixels behind a bar or outside the beam.
    pub dark_fraction: f64,
    /// Share of pixels at full scale.
    pub saturated_fraction: f64,
}

/// One tilt, recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct ExposedTilt {
    /// Tiles in order of acquisition.
    pub tiles: Vec<Exposed>,
    /// True dose of an exposure.
    pub dose_e_per_a2: f64,
}

/// Records a tilt.
pub fn record(recipe: &Recipe, bench: &Bench, phantom: &Phantom, tilt: &TiltPlan) -> ExposedTilt {
    let shades: Vec<Vec<f64>> = (0..tilt.tiles.len()).map(|tile| clear_shares(recipe, tilt, tile)).collect();
    let planned = electrons_per_px(recipe, tilt.planned_dose_e_per_a2 * tilt.brightness, tilt.tilt_deg);
    let mut electrons = bench.tiles(recipe, phantom, tilt);
    for ((tile, clear), brightness) in electrons.iter_mut().zip(&shades).zip(&tilt.tile_brightness) {
        let planned = planned * brightness;
        tile.iter_mut().zip(clear).for_each(|(value, clear)| *value = (*value * clear).max(0.0) * planned);
        slope(recipe, tile);
    }
    let brighter = tilt.saturated_share.map_or(1.0, |share| brightness_for(&recipe.camera, &electrons, share));
    electrons.iter_mut().flatten().for_each(|value| *value *= brighter);
    let gains = gains(&recipe.camera, recipe.seed);
    let first_section = tilt.order * tilt.tiles.len();
    let tile = |(index, (electrons, clear)): (usize, (&Vec<f64>, &Vec<f64>))| {
        let counts = expose(
            &recipe.camera,
            electrons,
            gains.as_deref(),
            &mut Stream::new(recipe.seed, Use::Counting, first_section + index),
        );
        let mean = electrons.iter().sum::<f64>() / electrons.len() as f64;
        Exposed {
            expected_mean_counts: expected_counts(&recipe.camera, mean),
            dark_fraction: clear.iter().filter(|&&c| c < DARK).count() as f64 / clear.len() as f64,
            saturated_fraction: clipped(&recipe.camera, &counts),
            counts,
        }
    };
    ExposedTilt {
        tiles: electrons.iter().zip(&shades).enumerate().map(tile).collect(),
        dose_e_per_a2: tilt.planned_dose_e_per_a2 * tilt.brightness * brighter,
    }
}

/// Lays the slope of the illumination over a tile: 1 at its middle, `slope_fraction` between the darkest and the
/// brightest corner.
fn slope(recipe: &Recipe, tile: &mut [f64]) {
    let beam = &recipe.beam;
    if beam.slope_fraction == 0.0 {
        return;
    }
    let (width, height) = (recipe.camera.width_px, recipe.camera.height_px);
    let towards = direction(beam.slope_deg);
    // A plane a·x/width + b·y/height has |a| + |b| from corner to corner.
    let reach = towards[0].abs() + towards[1].abs();
    for (index, value) in tile.iter_mut().enumerate() {
        let (x, y) = ((index % width) as f64 / width as f64 - 0.5, (index / width) as f64 / height as f64 - 0.5);
        *value *= (1.0 + beam.slope_fraction * (towards[0] * x + towards[1] * y) / reach).max(0.0);
    }
}

/// Share of the beam that reaches each pixel of a tile.
fn clear_shares(recipe: &Recipe, tilt: &TiltPlan, tile: usize) -> Vec<f64> {
    let (width, height) = (recipe.camera.width_px, recipe.camera.height_px);
    let size = [width as f64, height as f64];
    let bars: Vec<Shade> =
        tilt.bars.iter().map(|&(side, share)| Shade::bar(side, share, assembled_px(recipe))).collect();
    let edges: Vec<Shade> = tilt.beam_edges.iter().map(|&(side, share)| Shade::beam_edge(side, share, size)).collect();
    let [x0, y0] = tilt.tiles[tile].true_px;
    let clear = |index: usize| {
        let (x, y) = ((index % width) as f64, (index / width) as f64);
        let by_bars: f64 = bars.iter().map(|bar| bar.clear([x0 + x, y0 + y])).product();
        by_bars * edges.iter().map(|edge| edge.clear([x, y])).product::<f64>()
    };
    (0..width * height).map(clear).collect()
}
