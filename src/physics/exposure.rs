//! Critical exposure: how fast radiation damage takes the fine detail.
//!
//! `N_e(k) = a·k^b + c` in electrons per Å², k in 1/Å, measured at 300 kV on vitrified protein; the amplitude
//! kept after an exposure N is `exp(-N / (2 N_e))`. Grant & Grigorieff 2015, eLife 4:e06980, equations 3 and 4.

/// Parameters of the critical-exposure curve; `a`, `b`, `c` as in the formula, k in 1/Å.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CriticalExposure {
    /// Factor of the power law.
    pub a: f64,
    /// Exponent of the power law.
    pub b: f64,
    /// Exposure that even the finest detail tolerates.
    pub c: f64,
}

/// The curve of vitrified protein at 300 kV (Grant & Grigorieff 2015, sentence after equation 3).
pub const VITRIFIED_PROTEIN: CriticalExposure = CriticalExposure { a: 0.245, b: -1.665, c: 2.81 };

impl CriticalExposure {
    /// Critical exposure in electrons per Å² at the spatial frequency `k_per_A` (1/Å), at 300 kV.
    pub fn at(&self, k_per_angstrom: f64) -> f64 {
        self.a * k_per_angstrom.powf(self.b) + self.c
    }

    /// Amplitude (0 to 1) kept at `k_per_angstrom` after `exposure` electrons per Å², with the curve scaled by
    /// `voltage_factor` (see [`voltage_factor`]).
    pub fn amplitude_kept(&self, k_per_angstrom: f64, exposure: f64, voltage_factor: f64) -> f64 {
        (-exposure / (2.0 * voltage_factor * self.at(k_per_angstrom))).exp()
    }
}

/// Exposure tolerated at `kv` over that at 300 kV; `None` above 300 kV, where no measurement is at hand.
///
/// Points: 300 kV 1; 200 kV 0.8 (1/1.25, legend of Fig. 5B in Grant & Grigorieff 2015); 100 kV 0.637 (1/1.57,
/// Peet, Henderson & Russo 2019, Ultramicroscopy 203:125). Linear between and below.
pub fn voltage_factor(kv: f64) -> Option<f64> {
    const POINTS: [(f64, f64); 3] = [(100.0, 1.0 / 1.57), (200.0, 0.8), (300.0, 1.0)];
    if !(kv > 0.0 && kv <= 300.0) {
        return None;
    }
    let [low, middle, high] = POINTS;
    let (from, to) = if kv <= 200.0 { (low, middle) } else { (middle, high) };
    Some(from.1 + (to.1 - from.1) * (kv - from.0) / (to.0 - from.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// q(k, N) computed independently in double precision from the published formula.
    #[test]
    fn amplitudes_agree_with_the_published_formula() {
        let rows = [
            (1.0, 20.0, [0.937496, 0.878898, 0.678915, 0.460925, 0.275033]),
            (1.0, 10.0, [0.837927, 0.702122, 0.346128, 0.119805, 0.029116]),
            (1.0, 7.0, [0.758984, 0.576057, 0.191160, 0.036542, 0.004024]),
            (1.0, 5.0, [0.675902, 0.456844, 0.095346, 0.009091, 0.000396]),
            (1.0, 4.0, [0.622478, 0.387479, 0.058176, 0.003384, 0.000076]),
            (1.0, 3.0, [0.561828, 0.315651, 0.031450, 0.000989, 0.000010]),
            (0.8, 20.0, [0.922490, 0.850987, 0.616267, 0.379785, 0.199173]),
            (0.8, 10.0, [0.801692, 0.642711, 0.265489, 0.070484, 0.012027]),
            (0.8, 3.0, [0.486412, 0.236596, 0.013244, 0.000175, 0.000001]),
        ];
        for (factor, spacing, kept) in rows {
            for (exposure, expected) in [5.0, 10.0, 30.0, 60.0, 100.0].into_iter().zip(kept) {
                let q = VITRIFIED_PROTEIN.amplitude_kept(1.0 / spacing, exposure, factor);
                assert!((q - expected).abs() < 1e-6, "{spacing} Å, {exposure}: {q} is not {expected}");
            }
        }
    }

    #[test]
    fn critical_exposures_agree_with_the_published_formula() {
        for (spacing, expected) in [(20.0, 38.73370), (10.0, 14.13834), (5.0, 6.38233), (3.0, 4.33606)] {
            assert!((VITRIFIED_PROTEIN.at(1.0 / spacing) - expected).abs() < 1e-5);
        }
    }

    #[test]
    fn lower_voltages_damage_faster() {
        assert_eq!(voltage_factor(300.0), Some(1.0));
        assert_eq!(voltage_factor(200.0), Some(0.8));
        assert!((voltage_factor(100.0).unwrap() - 0.637).abs() < 1e-3);
        assert!((voltage_factor(120.0).unwrap() - 0.66955).abs() < 1e-4);
        assert!(voltage_factor(80.0).unwrap() < 0.61);
        assert_eq!(voltage_factor(400.0), None);
        assert_eq!(voltage_factor(f64::NAN), None);
    }

    #[test]
    fn coarse_detail_survives_everything() {
        assert_eq!(VITRIFIED_PROTEIN.amplitude_kept(0.0, 100.0, 1.0), 1.0);
    }
}
