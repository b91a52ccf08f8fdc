//! What is told of a tilt's focus, and why nothing is.

use crate::measure::focus::agreement::Rings;
use crate::measure::focus::flat::Flat;
use crate::measure::focus::null::Score;
use crate::measure::focus::refine::Fit;
use crate::measure::focus::tilt::Plan;
use crate::measured::{Measured, NotMeasured};

/// An astigmatism known worse than this is not known; one that was held out of the fit is known to a micrometre.
const UNKNOWN_UM: f64 = 0.5;
/// So many strong spikes make a lattice.
const LATTICE_SPIKES: usize = 2;
/// Least correlation over the band.
const LEAST_AGREEMENT: f64 = 0.3;

/// Focus of a tilt or a tile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figures {
    /// Mean underfocus.
    pub defocus_um: f64,
    /// One standard uncertainty of it.
    pub error_um: f64,
    /// Astigmatism, where the tilt shows it.
    pub astigmatism: Option<Astigmatism>,
    /// Correlation of measured with fitted rings.
    pub agreement: f64,
    /// Finest spacing to which the rings agree.
    pub rings_to_nm: f64,
}

/// Astigmatism of a tilt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Astigmatism {
    /// Major less minor.
    pub um: f64,
    /// One standard uncertainty of it.
    pub error_um: f64,
    /// Azimuth of the largest underfocus, 0 to 180.
    pub deg: f64,
}

/// Figures, or why there are none.
pub fn accept(flat: &Flat, plan: &Plan, fit: &Fit, rings: &Rings, score: Score) -> Measured<Figures> {
    let optics = &plan.optics;
    if !score.is_significant() {
        return Err(NotMeasured::because(no_rings(flat, plan, Some(score))));
    }
    if rings.strong < 2 || rings.agreement < LEAST_AGREEMENT {
        return Err(NotMeasured::because(not_like_rings(flat, rings)));
    }
    if rings.minima < 2 {
        let why = format!(
            "fewer than two minima of the rings lie within what the picture shows; with these pixels that takes over \
             {:.1} µm of underfocus",
            optics.least_defocus_um()
        );
        return Err(NotMeasured::because(why));
    }
    Ok(figures(plan, fit, rings))
}

/// An error where one broad ring would do as well.
pub fn no_rival(um: Option<f64>) -> Measured<()> {
    um.map_or(Ok(()), |um| {
        Err(NotMeasured::because(format!(
            "one broad ring, as {um:.1} µm of underfocus would give, describes the spectrum as well; these pixels show fewer \
             than two minima of it"
        )))
    })
}

/// Figures of a fit.
pub fn figures(plan: &Plan, fit: &Fit, rings: &Rings) -> Figures {
    let [a1, a2] = fit.astigmatism_um;
    let azimuth = 0.5 * a2.atan2(a1).to_degrees();
    let end = rings.band.1.saturating_sub(1);
    let astigmatism = Astigmatism {
        um: 2.0 * a1.hypot(a2),
        // Both components are known about equally well; their difference matters little to the length.
        error_um: 2.0 * (0.5 * (fit.sd[1].powi(2) + fit.sd[2].powi(2))).sqrt(),
        deg: azimuth.rem_euclid(180.0),
    };
    Figures {
        defocus_um: fit.trial.defocus_um,
        error_um: fit.sd[0].hypot(fit.um_per_rad * plan.phase_error_rad),
        astigmatism: Some(astigmatism).filter(|known| known.error_um < UNKNOWN_UM),
        agreement: rings.agreement,
        rings_to_nm: plan.optics.per_nm(end).recip(),
    }
}

const LATTICE: &str = "a periodic structure (a lattice, a grid, a fixed pattern) outshines the rings";

fn not_like_rings(flat: &Flat, rings: &Rings) -> String {
    if flat.spikes >= LATTICE_SPIKES {
        return LATTICE.into();
    }
    format!(
        "something stands out of the spectrum, but not as rings do: it agrees with them to {:.2} of 1, and {} neighbouring \
         rings stand out of the noise where it takes two",
        rings.agreement, rings.strong
    )
}

/// Why there are no rings to speak of.
pub fn no_rings(flat: &Flat, plan: &Plan, score: Option<Score>) -> String {
    if flat.spikes >= LATTICE_SPIKES {
        return LATTICE.into();
    }
    let least = plan.optics.least_defocus_um();
    let coarse = format!("with these pixels two minima take over {least:.1} µm of underfocus");
    match score {
        Some(score) => format!(
            "no rings stand out of the spectrum: their score is {:.1}, chance alone reaches {:.1} once in a thousand; \
             {coarse}",
            score.score, score.needed
        ),
        None => format!("no rings stand out of the spectrum; {coarse}"),
    }
}
