//! Is a seam bent, so that no one shift fits its whole length?

use super::words::{angles, limit};
use super::{Case, Definition, Outcome, Values, seam_residual};
use crate::record::Sense;

/// The check.
pub const CHECK: Definition = Definition {
    id: "seam_distortion",
    title: "Distortion along the seams",
    unit: "px",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    seam_residual::seam_values(case, |seam| seam.distortion_rms_px)
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.tilts_deg.is_empty() {
        return format!("the seams of a tilt, taken together, are bent by no more than {:.2} px rms", found.value);
    }
    let causes = case.measures.seams.as_ref().map(|seams| seams.causes.as_slice()).unwrap_or_default();
    let told = causes.iter().find(|cause| matches!(cause.cause.as_str(), "unsettled-section" | "optics"));
    let cause = told.map(|cause| format!("; {}", cause.finding)).unwrap_or_default();
    format!(
        "{} bent seams, by up to {:.1} px rms over all seams of a tilt (limit {}){cause}",
        angles(found.tilts_deg, "has", "have"),
        found.value,
        limit(found, 1)
    )
}
