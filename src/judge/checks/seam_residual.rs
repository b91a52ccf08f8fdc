//! Do the tiles fit each other once they are placed?

use super::words::{angles, limit};
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::Sense;
use crate::record::{Seam, Tilt};

/// The check.
pub const CHECK: Definition = Definition {
    id: "seam_residual",
    title: "Tile-overlap residual",
    unit: "px",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    seam_values(case, |seam| seam.residual_rms_px)
}

/// One value a tilt: the root mean square over its seams, by their patches.
pub(super) fn seam_values(case: &Case<'_>, of: impl Fn(&Seam) -> Option<f64>) -> Values {
    let tilt = |tilt: &Tilt| {
        let seams = tilt.seams.as_deref().ok_or_else(|| NotMeasured::because("the series is no montage"))?;
        let weighed: Vec<(f64, f64)> =
            seams.iter().filter_map(|seam| Some((of(seam)?, seam.patches.max(1) as f64))).collect();
        let n: f64 = weighed.iter().map(|(_, n)| n).sum();
        if n == 0.0 {
            let why = seams.iter().find_map(|seam| seam.why_not.clone());
            return Err(NotMeasured::because(why.map_or("it has no seam".into(), |why| format!("of a seam, {why}"))));
        }
        Ok((weighed.iter().map(|(rms, n)| n * rms * rms).sum::<f64>() / n).sqrt())
    };
    Values::Tilts(case.tilts.iter().map(tilt).collect())
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    let nm = case.series.pixel_nm.map(|nm| format!(" ({:.1} nm)", nm * found.value)).unwrap_or_default();
    if found.tilts_deg.is_empty() {
        return format!("the placed tiles fit to {:.2} px{nm} rms at the worst tilt", found.value);
    }
    format!(
        "{} tiles that do not fit once placed, by up to {:.1} px{nm} rms (limit {}): align the tiles by patches, not by \
         one shift each",
        angles(found.tilts_deg, "has", "have"),
        found.value,
        limit(found, 1)
    )
}
