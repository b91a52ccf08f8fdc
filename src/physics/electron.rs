//! The electron: wavelength and speed at a given acceleration voltage.
//!
//! λ = h / √(2 m e V (1 + eV / 2mc²)); β = v/c = √(1 - 1/γ²), γ = 1 + eV/mc².
//! Constants: CODATA 2022 recommended values (h, e and c are exact in the SI).

/// Planck constant, J s.
const PLANCK_J_S: f64 = 6.626_070_15e-34;
/// Elementary charge, C.
const CHARGE_C: f64 = 1.602_176_634e-19;
/// Speed of light, m/s.
const LIGHT_M_PER_S: f64 = 299_792_458.0;
/// Electron mass, kg.
const MASS_KG: f64 = 9.109_383_713_9e-31;

/// Relativistic wavelength in nm of an electron that was accelerated through `kv` kilovolts (greater than 0).
pub fn wavelength_nm(kv: f64) -> f64 {
    let energy_j = CHARGE_C * kv * 1e3;
    let rest_energy_j = MASS_KG * LIGHT_M_PER_S * LIGHT_M_PER_S;
    let momentum = (2.0 * MASS_KG * energy_j * (1.0 + energy_j / (2.0 * rest_energy_j))).sqrt();
    PLANCK_J_S / momentum * 1e9
}

/// Lorentz factor γ after acceleration through `kv` kilovolts.
pub fn lorentz_factor(kv: f64) -> f64 {
    1.0 + CHARGE_C * kv * 1e3 / (MASS_KG * LIGHT_M_PER_S * LIGHT_M_PER_S)
}

/// Speed over the speed of light after acceleration through `kv` kilovolts.
pub fn beta(kv: f64) -> f64 {
    let gamma = lorentz_factor(kv);
    (1.0 - 1.0 / (gamma * gamma)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_slow_limit_is_the_textbook_formula() {
        // At 10 V relativity is 5e-6 of the wavelength: λ = h / √(2 m e V) = 1.2264 nm / √10.
        assert!((wavelength_nm(0.01) - 1.226_426 / 10f64.sqrt()).abs() < 5e-6);
    }

    #[test]
    fn a_faster_electron_is_shorter() {
        assert!(wavelength_nm(300.0) < wavelength_nm(200.0));
        assert!(beta(300.0) > beta(200.0));
    }
}
