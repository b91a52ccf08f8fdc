//! Is the tilt range too ambitious for the specimen? The path through a section grows as 1/cos of the tilt.

use crate::judge::profile::Profile;
use crate::record::Measures;

/// A note where fewer electrons come through at the steepest tilt than the profile wants, with the range that would do:
/// cos θ = τ / ln(1/T).
pub fn ambitious(measures: &Measures, profile: &Profile) -> Option<String> {
    let least = profile.least_transmission?;
    let thickness = measures.thickness.as_ref()?;
    let (tau, through) = (thickness.attenuation_lengths?, thickness.steepest_transmission_fraction?);
    if through >= least {
        return None;
    }
    let cosine = tau / (1.0 / least).ln();
    let would_do = if cosine < 1.0 {
        format!("to ±{:.0}° it would be {:.0} % or more", cosine.acos().to_degrees(), 100.0 * least)
    } else {
        "no tilt lets more through: cut thinner".into()
    };
    Some(format!(
        "The range is ambitious for this specimen: at the steepest tilt {:.1} % of the electrons come through (limit {:.0} \
         %); {would_do}",
        100.0 * through,
        100.0 * least
    ))
}
