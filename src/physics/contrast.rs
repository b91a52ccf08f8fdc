//! Contrast transfer: how the objective lens turns the phase of the wave into brightness.
//!
//! χ(g) = π λ g² (Δf - ½ λ² g² Cs) + asin(A); CTF = -sin χ; underfocus Δf is positive.
//! The wave aberration is that of Kirkland, *Advanced Computing in Electron Microscopy*. International Tables B
//! (table 2.5.2.1) counts underfocus negative: turn the sign when comparing.
//!
//! Sine and arc sine come from the crate `libm`, so that simulated pixels are the same on every machine.

use crate::physics::electron::wavelength_nm;
use std::f64::consts::PI;

/// The facts of the microscope that contrast transfer hangs on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lens {
    /// Electron wavelength.
    pub wavelength_nm: f64,
    /// Spherical aberration.
    pub cs_nm: f64,
    /// asin(A), A the share of amplitude contrast.
    pub amplitude_phase_rad: f64,
}

/// Underfocus that differs with the azimuth of the spatial frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Astigmatic {
    /// Largest underfocus.
    pub major_um: f64,
    /// Smallest underfocus.
    pub minor_um: f64,
    /// Azimuth of the spatial frequency (cos f, sin f), stored (x, y), at which underfocus is largest.
    pub azimuth_deg: f64,
}

impl Lens {
    /// The lens of an instrument: `kv` and `cs_mm` as stated; `amplitude_contrast` from 0 to 1.
    pub fn new(kv: f64, cs_mm: f64, amplitude_contrast: f64) -> Self {
        let amplitude_phase_rad = libm::asin(amplitude_contrast.clamp(0.0, 1.0));
        Self { wavelength_nm: wavelength_nm(kv), cs_nm: cs_mm * 1e6, amplitude_phase_rad }
    }

    /// χ at the square of the spatial frequency g (1/nm²), amplitude contrast included, in radians.
    pub fn chi_rad(&self, g_squared_per_nm2: f64, defocus_um: f64) -> f64 {
        let lambda = self.wavelength_nm;
        let spherical_nm = 0.5 * lambda * lambda * g_squared_per_nm2 * self.cs_nm;
        PI * lambda * g_squared_per_nm2 * (defocus_um * 1e3 - spherical_nm) + self.amplitude_phase_rad
    }

    /// Contrast transfer -sin χ at the square of the spatial frequency (1/nm²).
    pub fn transfer(&self, g_squared_per_nm2: f64, defocus_um: f64) -> f64 {
        -libm::sin(self.chi_rad(g_squared_per_nm2, defocus_um))
    }

    /// Spatial frequency (1/nm) of the `n`-th zero of the transfer, n from 1, where χ first reaches nπ.
    ///
    /// With a = ½πCsλ³, b = πλΔf and c = nπ - asin A: g² = (b - √(b² - 4ac)) / 2a. `None` where χ turns back
    /// before it reaches nπ, and for an overfocused lens.
    pub fn zero_per_nm(&self, defocus_um: f64, n: u32) -> Option<f64> {
        let lambda = self.wavelength_nm;
        let a = 0.5 * PI * self.cs_nm * lambda * lambda * lambda;
        let b = PI * lambda * defocus_um * 1e3;
        let c = f64::from(n) * PI - self.amplitude_phase_rad;
        let discriminant = b * b - 4.0 * a * c;
        if b <= 0.0 || n == 0 || discriminant < 0.0 {
            return None;
        }
        // 2c / (b + √…) is the same root without the difference of near-equal numbers, and serves Cs = 0 too.
        Some((2.0 * c / (b + discriminant.sqrt())).sqrt())
    }
}

impl Astigmatic {
    /// From the mean underfocus and the difference major - minor.
    pub fn around(mean_um: f64, astigmatism_um: f64, azimuth_deg: f64) -> Self {
        let half = 0.5 * astigmatism_um;
        Self { major_um: mean_um + half, minor_um: mean_um - half, azimuth_deg }
    }

    /// Mean of major and minor.
    pub fn mean_um(&self) -> f64 {
        0.5 * (self.major_um + self.minor_um)
    }

    /// Underfocus along an azimuth: ½ [Δ₁ + Δ₂ + (Δ₁ - Δ₂) cos 2(θ - θ_a)].
    pub fn along_um(&self, azimuth_deg: f64) -> f64 {
        let twice_rad = 2.0 * (azimuth_deg - self.azimuth_deg).to_radians();
        self.mean_um() + 0.5 * (self.major_um - self.minor_um) * libm::cos(twice_rad)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lens_without_aberration_has_its_zeros_at_root_n_over_lambda_defocus() {
        let lens = Lens::new(300.0, 0.0, 0.0);
        for n in 1..6 {
            let expected = (f64::from(n) / (lens.wavelength_nm * 2000.0)).sqrt();
            assert!((lens.zero_per_nm(2.0, n).unwrap() - expected).abs() < 1e-12);
        }
    }

    #[test]
    fn transfer_vanishes_at_its_own_zeros() {
        let lens = Lens::new(200.0, 2.0, 0.1);
        for n in 1..6 {
            let g = lens.zero_per_nm(1.0, n).unwrap();
            assert!(lens.transfer(g * g, 1.0).abs() < 1e-9);
        }
    }

    #[test]
    fn no_zero_where_chi_turns_back_first() {
        // χ peaks at πΔf²/(2 λ Cs) = 0.05 π for 0.02 µm, far under π.
        assert_eq!(Lens::new(300.0, 2.7, 0.0).zero_per_nm(0.02, 1), None);
        assert_eq!(Lens::new(300.0, 2.7, 0.0).zero_per_nm(-1.0, 1), None);
    }
}
