//! The table of a simulated series: one row a section, as a careful site would log it.

use crate::simulate::movement::{focus_change_um, model_um};
use crate::simulate::plan::TiltPlan;
use crate::simulate::recipe::Recipe;
use crate::simulate::truth::{TileTruth, TiltTruth, Truth};
use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

/// A row; numbers are written out, so that the text is the same wherever it is made.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    section: usize,
    tilt_deg: String,
    tile_col: usize,
    tile_row: usize,
    acquired_at: String,
    exposure_s: String,
    #[serde(rename = "dose_e_per_A2")]
    dose_e_per_a2: String,
    wanted_defocus_um: String,
    applied_focus_um: String,
    shift_x_um: String,
    shift_y_um: String,
    autofocus: bool,
}

/// Rows in stack order, which is the order of acquisition.
pub fn rows(recipe: &Recipe, plans: &[TiltPlan], truth: &Truth) -> Vec<Row> {
    let of_tilt = |(plan, tilt): (&TiltPlan, &TiltTruth)| {
        // A dim beam is one that the site does not know of: the plan stands in the table. A beam that clips was set so.
        let dose = if plan.saturated_share.is_some() { tilt.this_e_per_a2 } else { plan.planned_dose_e_per_a2 };
        let row = |(index, tile): (usize, &TileTruth)| Row {
            section: tile.section,
            tilt_deg: fixed(plan.tilt_deg, 2),
            tile_col: tile.col,
            tile_row: tile.row,
            acquired_at: time(recipe, plan.begins_s + index as f64 * recipe.beam.seconds_per_tile),
            exposure_s: fixed(recipe.beam.exposure_s, 2),
            dose_e_per_a2: fixed(dose, 4),
            wanted_defocus_um: fixed(recipe.focus.wanted_defocus_um, 2),
            applied_focus_um: fixed(applied_focus_um(recipe, plan), 3),
            shift_x_um: fixed(plan.shift_um[0], 5),
            shift_y_um: fixed(plan.shift_um[1], 5),
            autofocus: recipe.focus.autofocus && index == 0,
        };
        tilt.tiles.iter().enumerate().map(row).collect::<Vec<_>>()
    };
    plans.iter().zip(&truth.tilts).flat_map(of_tilt).collect()
}

/// Focus setting: what autofocus adds to the wish to take the stage's part back.
fn applied_focus_um(recipe: &Recipe, plan: &TiltPlan) -> f64 {
    let wanted = recipe.focus.wanted_defocus_um;
    if !recipe.focus.autofocus {
        return wanted;
    }
    let movement = &recipe.movement;
    let effective_rad = (plan.tilt_deg + recipe.slab.pretilt_deg).to_radians();
    let away_um = if movement.undone_by_image_shift { 0.0 } else { model_um(movement, plan.tilt_deg) };
    wanted - focus_change_um(movement, plan.tilt_deg) + away_um * libm::tan(effective_rad)
}

/// A number with so many decimals, without a negative zero.
fn fixed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(digits) if digits.bytes().all(|byte| matches!(byte, b'0' | b'.')) => digits.to_owned(),
        _ => text,
    }
}

/// RFC 3339 time, to the second, so long after the start.
fn time(recipe: &Recipe, seconds: f64) -> String {
    let later = recipe.started_at.checked_add(SignedDuration::from_secs(seconds.round() as i64));
    // Beyond the year 9999 no time can be told.
    later.unwrap_or(Timestamp::MAX).to_string()
}

#[cfg(test)]
mod tests {
    use super::fixed;

    #[test]
    fn zero_has_no_sign() {
        assert_eq!(fixed(-0.000_001, 5), "0.00000");
        assert_eq!(fixed(-0.1, 2), "-0.10");
        assert_eq!(fixed(12.299_84, 4), "12.2998");
    }
}
