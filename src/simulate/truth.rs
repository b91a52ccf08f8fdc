//! What is true of a simulated series: `truth.json`, beside what the series sheet and the table state.
//!
//! Names, units and signs are the record's, so that a figure of the record is held against the one of the same name.

use crate::record::Answer;
use crate::simulate::exposure::{Exposed, ExposedTilt};
use crate::simulate::faults::Fault;
use crate::simulate::montage::{TilePlace, assembled_px};
use crate::simulate::movement::perpendicular;
use crate::simulate::plan::TiltPlan;
use crate::simulate::recipe::Recipe;
use serde::Serialize;

/// All that is true of a series.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Truth {
    /// Layout version.
    pub truth_version: u32,
    /// Id of the series.
    pub series_id: String,
    /// Seed of the recipe.
    pub seed: u64,
    /// Distance of the optical axis from the tilt axis.
    pub axis_offset_um: f64,
    /// Height off eucentric.
    pub height_offset_um: f64,
    /// Thickness over attenuation length.
    pub attenuation_lengths: f64,
    /// Effective tilt = `tilt_deg` + this.
    pub pretilt_deg: f64,
    /// Doses of all exposures on one spot.
    #[serde(rename = "total_e_per_A2")]
    pub total_e_per_a2: f64,
    /// Received before the series.
    #[serde(rename = "pre_exposure_e_per_A2")]
    pub pre_exposure_e_per_a2: f64,
    /// The answer as planted.
    pub answer: Answer,
    /// Tilts that are better left out, as planted.
    pub exclude_tilts_deg: Vec<f64>,
    /// Tilts in order of acquisition.
    pub tilts: Vec<TiltTruth>,
}

/// What is true of a tilt.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TiltTruth {
    /// Angle reached.
    pub tilt_deg: f64,
    /// Angle asked for.
    pub nominal_deg: f64,
    /// 0-based order of acquisition.
    pub order: usize,
    /// Pages of the stack.
    pub sections: Vec<usize>,
    /// Mean counts to be expected over its tiles, clipping left out.
    pub expected_mean_counts: f64,
    /// True dose of its exposures.
    #[serde(rename = "this_e_per_A2")]
    pub this_e_per_a2: f64,
    /// Received before, pre-exposure and overhead among it.
    #[serde(rename = "before_e_per_A2")]
    pub before_e_per_a2: f64,
    /// Underfocus at the middle of the assembled picture.
    pub defocus_um: f64,
    /// Largest less smallest underfocus.
    pub astigmatism_um: f64,
    /// Azimuth of the spatial frequency with the largest underfocus.
    pub astigmatism_deg: f64,
    /// Recorded image shift.
    pub shift_x_um: f64,
    /// Recorded image shift.
    pub shift_y_um: f64,
    /// Size of the specimen across the tilt axis over that at the first tilt.
    pub scale_across: f64,
    /// Size along the axis over that at the first tilt.
    pub scale_along: f64,
    /// Where the feature is seen that was in the middle before the stage moved, from the middle; differences between
    /// tilts are what tracking measures.
    pub seen_x_px: f64,
    /// As `seen_x_px`.
    pub seen_y_px: f64,
    /// The part of it that planted jumps made.
    pub jump_x_px: f64,
    /// As `jump_x_px`.
    pub jump_y_px: f64,
    /// Length of the smear; 0: none.
    pub drift_px: f64,
    /// Direction of the smear, from 0 up to 180; null: none.
    pub drift_deg: Option<f64>,
    /// Standard deviation of the round blur.
    pub blur_sigma_px: f64,
    /// Share of the tiles' pixels behind a bar or outside the beam.
    pub dark_area_fraction: f64,
    /// Share of the tiles' pixels at full scale.
    pub saturated_fraction: f64,
    /// What was planted.
    pub faults: Vec<Fault>,
    /// Its tiles.
    pub tiles: Vec<TileTruth>,
}

/// What is true of a tile.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TileTruth {
    /// Page of the stack.
    pub section: usize,
    /// 0-based column.
    pub col: usize,
    /// 0-based row.
    pub row: usize,
    /// Nominal place of pixel (0,0) in the assembled picture.
    pub nominal_x_px: f64,
    /// As `nominal_x_px`.
    pub nominal_y_px: f64,
    /// True place.
    pub place_x_px: f64,
    /// As `place_x_px`.
    pub place_y_px: f64,
    /// Underfocus at the tile's middle.
    pub defocus_um: f64,
    /// Mean counts to be expected, clipping left out.
    pub expected_mean_counts: f64,
    /// Share of pixels behind a bar or outside the beam.
    pub dark_area_fraction: f64,
    /// Share of pixels at full scale.
    pub saturated_fraction: f64,
}

/// The truth of a series that was recorded.
pub fn truth(recipe: &Recipe, plans: &[TiltPlan], exposed: &[ExposedTilt]) -> Truth {
    let mut received = recipe.beam.pre_exposure_e_per_a2;
    let mut tilts = Vec::new();
    for (plan, tilt) in plans.iter().zip(exposed) {
        let before = received + recipe.beam.overhead_per_tilt_e_per_a2;
        tilts.push(tilt_truth(recipe, plan, tilt, before));
        received = before + tilt.dose_e_per_a2;
    }
    let exclude_tilts_deg = left_out_deg(plans);
    let planted = if exclude_tilts_deg.is_empty() { Answer::Reconstruct } else { Answer::ReconstructWithout };
    Truth {
        truth_version: 1,
        series_id: recipe.series_id.clone(),
        seed: recipe.seed,
        axis_offset_um: recipe.movement.axis_offset_um,
        height_offset_um: recipe.movement.height_offset_um,
        attenuation_lengths: recipe.slab.thickness_nm / recipe.slab.attenuation_length_nm,
        pretilt_deg: recipe.slab.pretilt_deg,
        total_e_per_a2: exposed.iter().map(|tilt| tilt.dose_e_per_a2).sum(),
        pre_exposure_e_per_a2: recipe.beam.pre_exposure_e_per_a2,
        answer: recipe.answer.unwrap_or(planted),
        exclude_tilts_deg,
        tilts,
    }
}

/// Angles, ascending, of the tilts that a planted fault would have left out.
fn left_out_deg(plans: &[TiltPlan]) -> Vec<f64> {
    let bad = plans.iter().filter(|plan| plan.planted.iter().any(|fault| fault.leave_out));
    let mut angles: Vec<f64> = bad.map(|plan| plan.tilt_deg).collect();
    angles.sort_by(f64::total_cmp);
    angles
}

fn tilt_truth(recipe: &Recipe, plan: &TiltPlan, exposed: &ExposedTilt, before_e_per_a2: f64) -> TiltTruth {
    let mean =
        |figure: fn(&TileTruth) -> f64, tiles: &[TileTruth]| tiles.iter().map(figure).sum::<f64>() / tiles.len() as f64;
    let tiles = tile_truths(recipe, plan, exposed);
    let drift: [f64; 2] = std::array::from_fn(|k| plan.drifts_px.iter().map(|drift| drift[k]).sum());
    let drift_px = (drift[0] * drift[0] + drift[1] * drift[1]).sqrt();
    let drift_deg = libm::atan2(drift[1], drift[0]).to_degrees();
    TiltTruth {
        tilt_deg: plan.tilt_deg,
        nominal_deg: plan.nominal_deg,
        order: plan.order,
        sections: tiles.iter().map(|tile| tile.section).collect(),
        expected_mean_counts: mean(|tile| tile.expected_mean_counts, &tiles),
        this_e_per_a2: exposed.dose_e_per_a2,
        before_e_per_a2,
        defocus_um: plan.focus.mean_um(),
        astigmatism_um: plan.focus.major_um - plan.focus.minor_um,
        astigmatism_deg: plan.focus.azimuth_deg,
        shift_x_um: plan.shift_um[0],
        shift_y_um: plan.shift_um[1],
        scale_across: plan.scale[0],
        scale_along: plan.scale[1],
        seen_x_px: plan.seen_px[0],
        seen_y_px: plan.seen_px[1],
        jump_x_px: plan.jump_px[0],
        jump_y_px: plan.jump_px[1],
        drift_px,
        drift_deg: (drift_px > 0.0).then_some(((drift_deg % 180.0) + 180.0) % 180.0),
        blur_sigma_px: plan.blur_sigma_px,
        dark_area_fraction: mean(|tile| tile.dark_area_fraction, &tiles),
        saturated_fraction: mean(|tile| tile.saturated_fraction, &tiles),
        faults: plan.planted.clone(),
        tiles,
    }
}

fn tile_truths(recipe: &Recipe, plan: &TiltPlan, exposed: &ExposedTilt) -> Vec<TileTruth> {
    let direction = perpendicular(recipe.tilt.axis_deg);
    let slope = libm::tan((plan.tilt_deg + recipe.slab.pretilt_deg).to_radians()) * recipe.camera.pixel_nm * 1e-3;
    let tile_px = [recipe.camera.width_px as f64, recipe.camera.height_px as f64];
    let assembled = assembled_px(recipe);
    let tile = |(index, (place, exposed)): (usize, (&TilePlace, &Exposed))| {
        let away = |k: usize| (place.true_px[k] + 0.5 * (tile_px[k] - assembled[k])) * direction[k];
        TileTruth {
            section: plan.order * plan.tiles.len() + index,
            col: place.col,
            row: place.row,
            nominal_x_px: place.nominal_px[0],
            nominal_y_px: place.nominal_px[1],
            place_x_px: place.true_px[0],
            place_y_px: place.true_px[1],
            defocus_um: plan.focus.mean_um() + plan.tile_focus_um[index] + slope * (away(0) + away(1)),
            expected_mean_counts: exposed.expected_mean_counts,
            dark_area_fraction: exposed.dark_fraction,
            saturated_fraction: exposed.saturated_fraction,
        }
    };
    plan.tiles.iter().zip(&exposed.tiles).enumerate().map(tile).collect()
}
