//! Checks: one a file, listed once, here.
//!
//! A check looks at a [`Case`] (figures of the record and nothing else), gives its values, and puts the outcome
//! into one sentence. Limits come from the profile.

mod acquisition_pause;
pub mod alignment_outlook;
mod astigmatism;
mod axis_offset;
mod beam_reserve;
mod count_outlier;
mod counts_target;
mod dark_area;
mod defocus_error;
mod defocus_spread;
mod detail_limit;
mod directional_blur;
mod dose_match;
mod first_after_reversal;
mod height_offset;
mod illumination_gradient;
mod incomplete_tilt;
mod pre_exposure;
mod repeated_angle;
mod saturation;
mod seam_distortion;
mod seam_intensity;
mod seam_offset;
mod seam_residual;
mod shared_area;
mod sharpness_drop;
mod specimen_change;
pub mod stated_angle;
mod target_visible;
mod tiles;
mod tilt_gap;
mod tilt_geometry;
mod tilt_range;
mod total_dose;
pub mod tracking_step;
mod unreadable_section;
pub mod words;

use crate::judge::profile::{CheckLimits, Yardsticks};
use crate::measured::Measured;
use crate::record::{Coverage, Grade, Limit, Measures, Sense, SeriesFacts, Tilt};

/// What a check may look at.
pub struct Case<'a> {
    /// Facts of the series.
    pub series: &'a SeriesFacts,
    /// Its tilts.
    pub tilts: &'a [Tilt],
    /// Its figures.
    pub measures: &'a Measures,
    /// Coverage of what is left; the same as `measures.coverage` before anything is excluded.
    pub coverage_after: &'a Coverage,
    /// The check's limits as written.
    pub limits: &'a CheckLimits,
    /// What terms of limits hang on.
    pub yardsticks: Yardsticks,
}

/// The values of a check.
pub enum Values {
    /// One a tilt.
    Tilts(Vec<Measured<f64>>),
    /// One of the series.
    Series(Measured<f64>),
}

/// How a check came out, for its sentence.
pub struct Outcome<'a> {
    /// The grade.
    pub grade: Grade,
    /// The value, of the worst tilt where there is one a tilt.
    pub value: f64,
    /// The worst tilt's angle.
    pub worst_deg: Option<f64>,
    /// Tilts with caution or fail.
    pub tilts_deg: &'a [f64],
    /// Evaluated limits.
    pub caution: Option<Limit>,
    /// Evaluated limits.
    pub fail: Option<Limit>,
}

/// A check.
pub struct Definition {
    /// Its id by the contract.
    pub id: &'static str,
    /// For people.
    pub title: &'static str,
    /// Unit of values and limits.
    pub unit: &'static str,
    /// On which side a value is bad.
    pub sense: Sense,
    /// Looks.
    pub values: fn(&Case<'_>) -> Values,
    /// Says what was found and what to do, in one sentence.
    pub sentence: fn(&Case<'_>, &Outcome<'_>) -> String,
}

/// Every check, in the order in which the report lists them: what can leave a tilt out first.
pub const REGISTRY: [&Definition; 35] = [
    &unreadable_section::CHECK,
    &incomplete_tilt::CHECK,
    &dark_area::CHECK,
    &counts_target::CHECK,
    &count_outlier::CHECK,
    &saturation::CHECK,
    &sharpness_drop::CHECK,
    &directional_blur::CHECK,
    &detail_limit::CHECK,
    &stated_angle::CHECK,
    &tracking_step::CHECK,
    &shared_area::CHECK,
    &target_visible::CHECK,
    &seam_offset::CHECK,
    &seam_intensity::CHECK,
    &seam_residual::CHECK,
    &seam_distortion::CHECK,
    &axis_offset::CHECK,
    &height_offset::CHECK,
    &first_after_reversal::CHECK,
    &tilt_range::CHECK,
    &tilt_gap::CHECK,
    &repeated_angle::CHECK,
    &specimen_change::CHECK,
    &alignment_outlook::CHECK,
    &defocus_error::CHECK,
    &defocus_spread::CHECK,
    &astigmatism::CHECK,
    &tilt_geometry::CHECK,
    &illumination_gradient::CHECK,
    &beam_reserve::CHECK,
    &dose_match::CHECK,
    &pre_exposure::CHECK,
    &total_dose::CHECK,
    &acquisition_pause::CHECK,
];

/// Robust scatter of the steps of the field, over the shorter side; `None` with few.
pub fn tracking_scatter(series: &SeriesFacts, tilts: &[Tilt]) -> Option<f64> {
    tracking_step::scatter(series, tilts)
}

/// The check of an id.
pub fn definition(id: &str) -> Option<&'static Definition> {
    REGISTRY.into_iter().find(|check| check.id == id)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The ids of the contract that this version can check.
    #[test]
    fn every_id_stands_once_with_title_and_unit() {
        let mut ids: Vec<&str> = REGISTRY.iter().map(|check| check.id).collect();
        ids.sort_unstable();
        ids.dedup();
        assert_eq!(ids.len(), REGISTRY.len());
        assert!(REGISTRY.iter().all(|check| !check.title.is_empty() && !check.unit.is_empty()));
    }
}
