//! What happens at each tilt, settled before a pixel is made.

use crate::physics::contrast::Astigmatic;
use crate::simulate::beam::dose_e_per_a2;
use crate::simulate::bend::Bend;
use crate::simulate::faults::{Fault, Side, What, direction, hits};
use crate::simulate::montage::{TilePlace, assembled_px, places};
use crate::simulate::movement::{displacements, focus_change_um, model_um, perpendicular};
use crate::simulate::random::{Stream, Use};
use crate::simulate::recipe::Recipe;
use crate::simulate::schedule::{SAME_ANGLE_DEG, nominal_deg, reached_deg};
use crate::simulate::shrink::{received, scales};

/// One tilt, settled.
#[derive(Debug, Clone, PartialEq)]
pub struct TiltPlan {
    /// 0-based order of acquisition.
    pub order: usize,
    /// Angle asked for.
    pub nominal_deg: f64,
    /// Angle reached.
    pub tilt_deg: f64,
    /// Dose of an exposure as planned, which the table states.
    pub planned_dose_e_per_a2: f64,
    /// Of the planned dose; dim beams are under 1.
    pub brightness: f64,
    /// Share of pixels that a brighter beam shall clip.
    pub saturated_share: Option<f64>,
    /// When the first exposure begins, from the first of the series.
    pub begins_s: f64,
    /// Tiles in order of acquisition.
    pub tiles: Vec<TilePlace>,
    /// Recorded image shift, stored (x, y).
    pub shift_um: [f64; 2],
    /// Where the feature is seen that was in the middle before the stage moved, from the middle, stored (x, y).
    pub seen_px: [f64; 2],
    /// The part of it that planted jumps made.
    pub jump_px: [f64; 2],
    /// Size of the specimen across the axis and along it, over what it was at the first tilt.
    pub scale: [f64; 2],
    /// Share of the dose before the last exposure that it had received before this one.
    pub received: f64,
    /// Underfocus at the middle of the assembled picture.
    pub focus: Astigmatic,
    /// Added to the underfocus of each tile, in the order of `tiles`.
    pub tile_focus_um: Vec<f64>,
    /// Of the planned dose, by tile, in the order of `tiles`.
    pub tile_brightness: Vec<f64>,
    /// Square lattices: spacing in nm, direction in degrees, strength.
    pub lattices: Vec<[f64; 3]>,
    /// Smears, each as a vector in px.
    pub drifts_px: Vec<[f64; 2]>,
    /// Standard deviation of the round blur.
    pub blur_sigma_px: f64,
    /// Tiles whose picture is bent.
    pub bends: Vec<Bend>,
    /// Opaque bars: side, share of the assembled picture.
    pub bars: Vec<(Side, f64)>,
    /// Beam edges: corner, share of the tile.
    pub beam_edges: Vec<(Side, f64)>,
    /// The faults that hit this tilt.
    pub planted: Vec<Fault>,
}

/// All tilts of a recipe in order of acquisition.
pub fn plan(recipe: &Recipe) -> Vec<TiltPlan> {
    let nominal = nominal_deg(&recipe.tilt);
    let reached = reached_deg(&recipe.tilt, recipe.seed);
    let displaced = displacements(recipe, &reached);
    let doses: Vec<f64> = reached.iter().map(|&tilt_deg| dose_e_per_a2(recipe, tilt_deg)).collect();
    let (scales, received) = (scales(recipe, &doses), received(recipe, &doses));
    let mut focus_errors = Stream::new(recipe.seed, Use::Focus, 0);
    let mut state = Running::default();
    let mut tilt = |(order, (&nominal_deg, &tilt_deg)): (usize, (&f64, &f64))| {
        let again = nominal[order + 1..].iter().any(|later| (later - nominal_deg).abs() < SAME_ANGLE_DEG);
        let planted: Vec<Fault> =
            recipe.faults.iter().filter(|fault| hits(fault, nominal_deg, again)).cloned().collect();
        state.advance(recipe, order, &planted);
        let middle_um = middle_defocus_um(recipe, tilt_deg) + recipe.focus.scatter_um * focus_errors.normal();
        let seen_um = displaced[order].seen_um;
        let mut settled = TiltPlan {
            order,
            nominal_deg,
            tilt_deg,
            planned_dose_e_per_a2: doses[order],
            brightness: 1.0,
            saturated_share: None,
            begins_s: state.begins_s,
            tiles: places(recipe, order),
            shift_um: displaced[order].shift_um,
            seen_px: seen_um.map(|um| um * 1e3 / recipe.camera.pixel_nm),
            jump_px: state.stayed_px,
            scale: scales[order],
            received: received[order],
            focus: Astigmatic::around(middle_um, recipe.focus.astigmatism_um, recipe.focus.astigmatism_deg),
            tile_focus_um: vec![0.0; recipe.tiles().0 * recipe.tiles().1],
            tile_brightness: vec![1.0; recipe.tiles().0 * recipe.tiles().1],
            lattices: Vec::new(),
            drifts_px: Vec::new(),
            blur_sigma_px: 0.0,
            bends: Vec::new(),
            bars: Vec::new(),
            beam_edges: Vec::new(),
            planted: Vec::new(),
        };
        for fault in &planted {
            apply(&fault.what, &mut settled);
            if matches!(fault.what, What::Refocused {}) {
                focus_each_tile(recipe, &mut settled);
            }
        }
        settled.seen_px = std::array::from_fn(|k| settled.seen_px[k] + settled.jump_px[k]);
        settled.planted = planted;
        settled
    };
    nominal.iter().zip(&reached).enumerate().map(&mut tilt).collect()
}

/// What carries over from one tilt to the next.
#[derive(Debug, Default)]
struct Running {
    begins_s: f64,
    stayed_px: [f64; 2],
}

impl Running {
    fn advance(&mut self, recipe: &Recipe, order: usize, planted: &[Fault]) {
        let (cols, rows) = recipe.tiles();
        if order > 0 {
            self.begins_s += (cols * rows) as f64 * recipe.beam.seconds_per_tile + recipe.beam.seconds_per_tilt;
        }
        for fault in planted {
            match fault.what {
                What::Pause { minutes } => self.begins_s += 60.0 * minutes,
                What::Jump { px, direction_deg, stays: true } => {
                    let [x, y] = direction(direction_deg);
                    self.stayed_px = [self.stayed_px[0] + px * x, self.stayed_px[1] + px * y];
                }
                _ => {}
            }
        }
    }
}

/// Underfocus at the middle of the picture, errors aside.
///
/// Autofocus meets the wish at the middle. Without it the feature's underfocus moves with the stage; where image shift
/// does not hold the feature, the middle looks at another part of the tilted plane.
fn middle_defocus_um(recipe: &Recipe, tilt_deg: f64) -> f64 {
    if recipe.focus.autofocus {
        return recipe.focus.wanted_defocus_um;
    }
    let effective_rad = (tilt_deg + recipe.slab.pretilt_deg).to_radians();
    let away_um = if recipe.movement.undone_by_image_shift { 0.0 } else { model_um(&recipe.movement, tilt_deg) };
    recipe.focus.wanted_defocus_um + focus_change_um(&recipe.movement, tilt_deg) - away_um * libm::tan(effective_rad)
}

fn apply(what: &What, tilt: &mut TiltPlan) {
    match *what {
        What::Drift { px, direction_deg } => tilt.drifts_px.push(direction(direction_deg).map(|unit| unit * px)),
        What::Blur { sigma_px } => {
            tilt.blur_sigma_px = (tilt.blur_sigma_px * tilt.blur_sigma_px + sigma_px * sigma_px).sqrt();
        }
        What::Bar { side, fraction } => tilt.bars.push((side, fraction)),
        What::BeamEdge { side, fraction } => tilt.beam_edges.push((side, fraction)),
        What::Saturation { share } => tilt.saturated_share = Some(share),
        What::Dim { factor } => tilt.brightness *= factor,
        What::Jump { px, direction_deg, stays: false } => {
            let [x, y] = direction(direction_deg);
            tilt.jump_px = [tilt.jump_px[0] + px * x, tilt.jump_px[1] + px * y];
        }
        What::Misfocus { add_um } => {
            tilt.focus.major_um += add_um;
            tilt.focus.minor_um += add_um;
        }
        What::Astigmatic { um, deg } => tilt.focus = Astigmatic::around(tilt.focus.mean_um(), um, deg),
        What::TileMisfocus { col, row, add_um } => {
            for (tile, focus) in tilt.tiles.iter().zip(&mut tilt.tile_focus_um) {
                *focus += if (tile.col, tile.row) == (col, row) { add_um } else { 0.0 };
            }
        }
        What::TileDim { col, row, factor } => {
            for (tile, brightness) in tilt.tiles.iter().zip(&mut tilt.tile_brightness) {
                *brightness *= if (tile.col, tile.row) == (col, row) { factor } else { 1.0 };
            }
        }
        What::Lattice { spacing_nm, direction_deg, strength } => {
            tilt.lattices.push([spacing_nm, direction_deg, strength]);
        }
        What::Misplaced { col, row, x_px, y_px } => {
            for tile in tilt.tiles.iter_mut().filter(|tile| (tile.col, tile.row) == (col, row)) {
                tile.true_px = [tile.true_px[0] + x_px, tile.true_px[1] + y_px];
            }
        }
        What::Bent { col, row, px, direction_deg, waves } => {
            tilt.bends.push(Bend { col, row, px: direction(direction_deg).map(|unit| unit * px), waves });
        }
        // These two carry over to later tilts, and are taken up in `Running`; tiles are focused in `focus_each_tile`.
        What::Jump { stays: true, .. } | What::Pause { .. } | What::Refocused {} => {}
    }
}

/// Takes off each tile what the tilt adds at its middle.
fn focus_each_tile(recipe: &Recipe, tilt: &mut TiltPlan) {
    let direction = perpendicular(recipe.tilt.axis_deg);
    let slope = libm::tan((tilt.tilt_deg + recipe.slab.pretilt_deg).to_radians()) * recipe.camera.pixel_nm * 1e-3;
    let size = [recipe.camera.width_px as f64, recipe.camera.height_px as f64];
    let assembled = assembled_px(recipe);
    for (tile, focus) in tilt.tiles.iter().zip(&mut tilt.tile_focus_um) {
        let away = |k: usize| (tile.nominal_px[k] + 0.5 * (size[k] - assembled[k])) * direction[k];
        *focus -= slope * (away(0) + away(1));
    }
}
