//! How bright the beam is at each tilt.
//!
//! Transmission of a slab (Beer-Lambert): T = exp(-(t/Λ) / cos(θ + pre-tilt)). Electrons a pixel: dose × pixel area × T.
//! A regulated beam gives the dose that the target needs, held between the dimmest and the brightest beam: the counts
//! are flat, droop at high tilt where the reserve ends, and rise near zero where the beam cannot be lowered further.

use crate::simulate::recipe::{BeamKind, Recipe};

/// Square ångströms of a pixel.
pub fn pixel_area_a2(pixel_nm: f64) -> f64 {
    100.0 * pixel_nm * pixel_nm
}

/// Share of the electrons that the slab lets through at a goniometer angle.
pub fn transmission(recipe: &Recipe, tilt_deg: f64) -> f64 {
    let effective_rad = (tilt_deg + recipe.slab.pretilt_deg).to_radians();
    libm::exp(-recipe.slab.thickness_nm / recipe.slab.attenuation_length_nm / libm::cos(effective_rad))
}

/// Dose (e/Å²) that makes `mean_counts` at a goniometer angle.
fn dose_for(recipe: &Recipe, mean_counts: f64, tilt_deg: f64) -> f64 {
    let electrons = (mean_counts - recipe.camera.offset_counts) / recipe.camera.counts_per_electron;
    electrons / (pixel_area_a2(recipe.camera.pixel_nm) * transmission(recipe, tilt_deg))
}

/// Dose (e/Å²) of an exposure at a goniometer angle, nothing being wrong.
pub fn dose_e_per_a2(recipe: &Recipe, tilt_deg: f64) -> f64 {
    let beam = &recipe.beam;
    match (beam.kind, beam.target_mean_counts, beam.dose_e_per_a2) {
        (BeamKind::Regulated, Some(target), _) => {
            let brightest = beam.setup_mean_counts.map_or(f64::INFINITY, |counts| dose_for(recipe, counts, 0.0));
            dose_for(recipe, target, tilt_deg).max(beam.lowest_dose_e_per_a2).min(brightest)
        }
        (_, _, dose) => dose.unwrap_or_default(),
    }
}

/// Mean electrons a pixel behind the slab.
pub fn electrons_per_px(recipe: &Recipe, dose_e_per_a2: f64, tilt_deg: f64) -> f64 {
    dose_e_per_a2 * pixel_area_a2(recipe.camera.pixel_nm) * transmission(recipe, tilt_deg)
}
