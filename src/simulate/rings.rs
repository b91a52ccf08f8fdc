//! What a simulated tilt's rings are worth before anything is fitted: how far they stand out of the noise, and how well
//! underfocus could be known from them at best.
//!
//! Only the grain is counted, whose spectrum is known: S = Nₑ² σ² exp(-2 g² e²) sin²χ for Nₑ electrons a pixel, beside
//! the counting noise Nₑ. Over their sum rings stand with m = ½S/(½S + N) cos Φ; the powers of one frequency scatter by
//! their own mean. Every pixel counts in full, at its own underfocus: no window and no patch takes anything away. The
//! bound is that of Cramér and Rao for underfocus alone, all else known.

use crate::physics::contrast::Lens;
use crate::physics::tilt::path_factor;
use crate::simulate::beam::electrons_per_px;
use crate::simulate::montage::assembled_px;
use crate::simulate::movement::perpendicular;
use crate::simulate::plan::TiltPlan;
use crate::simulate::recipe::Recipe;
use std::f64::consts::{PI, TAU};

/// Side of the blocks of pixels over which underfocus is taken as even.
const BLOCK: usize = 64;
/// Steps of frequency a cycle a pixel.
const STEPS: usize = 512;
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

/// Worth of the rings of a tilt.
pub fn worth(recipe: &Recipe, tilt: &TiltPlan) -> Worth {
    let lens = Lens::new(recipe.instrument.kv, recipe.instrument.cs_mm, recipe.instrument.amplitude_contrast);
    let pixel_nm = recipe.camera.pixel_nm;
    let electrons = electrons_per_px(recipe, tilt.planned_dose_e_per_a2 * tilt.brightness, tilt.tilt_deg);
    let grain = recipe.texture.grain * recipe.texture.grain * path_factor(tilt.tilt_deg + recipe.slab.pretilt_deg);
    let readout = (recipe.camera.readout_noise_counts / recipe.camera.counts_per_electron).powi(2);
    let middles = block_defocus_um(recipe, tilt);
    let (mut rings, mut information): (Vec<f64>, f64) = (Vec::new(), 0.0);
    for step in (BAND[0] * STEPS as f64) as usize..(BAND[1] * STEPS as f64) as usize {
        let frequency = step as f64 / STEPS as f64;
        let g = frequency / pixel_nm;
        let signal = electrons * electrons * grain * libm::exp(-2.0 * (g * recipe.focus.envelope_nm).powi(2));
        let m = 0.5 * signal / (0.5 * signal + electrons + readout);
        let a = TAU * lens.wavelength_nm * g * g * 1e3;
        // Frequencies of half a plane between one step and the next, for so many pixels.
        let per_px = PI * frequency / STEPS as f64;
        for (defocus_um, px) in &middles {
            let phase = 2.0 * lens.chi_rad(g * g, *defocus_um);
            let (sine, cosine) = libm::sincos(phase);
            let ring = (phase / TAU).max(0.0) as usize;
            if rings.len() <= ring {
                rings.resize(ring + 1, 0.0);
            }
            rings[ring] += per_px * px * (m * cosine).powi(2);
            information += per_px * px * (m * a * sine).powi(2);
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

/// Underfocus at the middle of every block of every tile, and its pixels.
fn block_defocus_um(recipe: &Recipe, tilt: &TiltPlan) -> Vec<(f64, f64)> {
    let direction = perpendicular(recipe.tilt.axis_deg);
    let slope = libm::tan((tilt.tilt_deg + recipe.slab.pretilt_deg).to_radians()) * recipe.camera.pixel_nm * 1e-3;
    let assembled = assembled_px(recipe);
    let blocks = |length: usize| {
        (0..length).step_by(BLOCK).map(move |from| {
            let size = BLOCK.min(length - from) as f64;
            (from as f64 + 0.5 * size, size)
        })
    };
    let mut all = Vec::new();
    for (at, tile) in tilt.tiles.iter().enumerate() {
        let own = tilt.tile_focus_um.get(at).copied().unwrap_or(0.0);
        for (y, height) in blocks(recipe.camera.height_px) {
            for (x, width) in blocks(recipe.camera.width_px) {
                let away = [tile.true_px[0] + x - 0.5 * assembled[0], tile.true_px[1] + y - 0.5 * assembled[1]];
                let um = tilt.focus.mean_um() + own + slope * (away[0] * direction[0] + away[1] * direction[1]);
                all.push((um, width * height));
            }
        }
    }
    all
}
