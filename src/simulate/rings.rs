//! What a simulated tilt's rings are worth before anything is fitted: how far they stand out of the noise, and how well
//! underfocus could be known from them at best.
//!
//! Only the grain is counted, whose spectrum is known: S = Nₑ² σ² exp(-2 g² e²) sin²χ for Nₑ electrons a pixel, beside
//! the counting noise Nₑ. Over their sum rings stand with m = ½S/(½S + N) cos Φ; the powers of one frequency scatter
//! by their own mean, and frequencies of Hann-windowed patches are worth 1/2.25 of independent ones. The bound is that
//! of Cramér and Rao for underfocus alone, all else known.

use crate::physics::contrast::Lens;
use crate::physics::tilt::path_factor;
use crate::simulate::beam::electrons_per_px;
use crate::simulate::montage::assembled_px;
use crate::simulate::movement::perpendicular;
use crate::simulate::plan::TiltPlan;
use crate::simulate::recipe::Recipe;
use std::f64::consts::{PI, TAU};

const HANN_BANDWIDTH: f64 = 2.25;
/// Variance of the place within a patch under the square of its window, in squared patch sides: 1/12 - 5/(8π²).
const WINDOW_VARIANCE: f64 = 0.020_008;
/// Frequencies used, in cycles a pixel.
const BAND: [f64; 2] = [0.02, 0.48];

/// Worth of a tilt's rings.
#[derive(Debug, Clone, PartialEq)]
pub struct Worth {
    /// Standard deviations by which each ring (from one minimum to the next, by number) stands out of the noise.
    pub rings: Vec<f64>,
    /// Cramér-Rao bound of the underfocus.
    pub defocus_bound_um: f64,
    /// Cramér-Rao bound of major less minor.
    pub astigmatism_bound_um: f64,
    /// Bound of the azimuth, for the tilt's own astigmatism.
    pub azimuth_bound_deg: f64,
}

impl Worth {
    /// Whether at least two rings stand out by five standard deviations.
    pub fn is_measurable(&self) -> bool {
        self.rings.iter().filter(|sigma| **sigma >= 5.0).count() >= 2
    }
}

/// Worth of the rings of a tilt for patches of `patch` pixels.
pub fn worth(recipe: &Recipe, tilt: &TiltPlan, patch: usize) -> Worth {
    let lens = Lens::new(recipe.instrument.kv, recipe.instrument.cs_mm, recipe.instrument.amplitude_contrast);
    let pixel_nm = recipe.camera.pixel_nm;
    let electrons = electrons_per_px(recipe, tilt.planned_dose_e_per_a2 * tilt.brightness, tilt.tilt_deg);
    let grain = recipe.texture.grain * recipe.texture.grain * path_factor(tilt.tilt_deg + recipe.slab.pretilt_deg);
    let readout = (recipe.camera.readout_noise_counts / recipe.camera.counts_per_electron).powi(2);
    let middles = patch_defocus_um(recipe, tilt, patch);
    let slope = libm::tan((tilt.tilt_deg + recipe.slab.pretilt_deg).to_radians()) * pixel_nm * 1e-3;
    let variance = WINDOW_VARIANCE * (slope * patch as f64).powi(2);
    let (mut rings, mut information): (Vec<f64>, f64) = (Vec::new(), 0.0);
    for step in (BAND[0] * patch as f64) as usize..(BAND[1] * patch as f64) as usize {
        let frequency = step as f64 / patch as f64;
        let g = frequency / pixel_nm;
        let signal = electrons * electrons * grain * libm::exp(-2.0 * (g * recipe.focus.envelope_nm).powi(2));
        let m = 0.5 * signal / (0.5 * signal + electrons + readout);
        let a = TAU * lens.wavelength_nm * g * g * 1e3;
        let degrees = PI * step as f64 / HANN_BANDWIDTH;
        for defocus_um in &middles {
            let phase = 2.0 * lens.chi_rad(g * g, *defocus_um);
            let lag = 2.0 * lens.wavelength_nm * g * defocus_um * 1e3 / (pixel_nm * patch as f64);
            let shown = m * libm::exp(-0.5 * a * a * variance) * (1.0 - lag).max(0.0);
            let (sine, cosine) = libm::sincos(phase);
            let ring = (phase / TAU).max(0.0) as usize;
            if rings.len() <= ring {
                rings.resize(ring + 1, 0.0);
            }
            rings[ring] += degrees * (shown * cosine).powi(2);
            information += degrees * (shown * a * sine).powi(2);
        }
    }
    let defocus_bound_um = information.max(1e-300).sqrt().recip();
    let astigmatism_bound_um = 2.0 * std::f64::consts::SQRT_2 * defocus_bound_um;
    let astigmatism = (tilt.focus.major_um - tilt.focus.minor_um).max(1e-9);
    Worth {
        rings: rings.into_iter().map(f64::sqrt).collect(),
        defocus_bound_um,
        astigmatism_bound_um,
        azimuth_bound_deg: (0.5 * astigmatism_bound_um / astigmatism).to_degrees(),
    }
}

/// Underfocus at the middle of every patch of every tile.
fn patch_defocus_um(recipe: &Recipe, tilt: &TiltPlan, patch: usize) -> Vec<f64> {
    let direction = perpendicular(recipe.tilt.axis_deg);
    let slope = libm::tan((tilt.tilt_deg + recipe.slab.pretilt_deg).to_radians()) * recipe.camera.pixel_nm * 1e-3;
    let assembled = assembled_px(recipe);
    let starts = |length: usize| (0..length / patch).map(move |i| (i * patch) as f64 + 0.5 * patch as f64);
    let mut all = Vec::new();
    for (at, tile) in tilt.tiles.iter().enumerate() {
        let own = tilt.tile_focus_um.get(at).copied().unwrap_or(0.0);
        for y in starts(recipe.camera.height_px) {
            for x in starts(recipe.camera.width_px) {
                let away = [tile.true_px[0] + x - 0.5 * assembled[0], tile.true_px[1] + y - 0.5 * assembled[1]];
                all.push(tilt.focus.mean_um() + own + slope * (away[0] * direction[0] + away[1] * direction[1]));
            }
        }
    }
    all
}
