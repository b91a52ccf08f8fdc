//! Inelastic mean free path, for energy-filtered images.

/// Inelastic mean free path in nm at an acceleration voltage in kV, a collection semi-angle in mrad and an atomic number:
/// `λ = 106 F (E₀/E_m) / ln(2 β E₀/E_m)`, `F = (1 + E₀/1022) / (1 + E₀/511)²`, `E_m = 7.6 Z^0.36` eV; stated accuracy
/// ±20 % (Malis, Cheng & Egerton 1988, J. Electron Microsc. Tech. 8:193).
pub fn inelastic_nm(kv: f64, collection_mrad: f64, atomic_number: f64) -> f64 {
    let mean_loss_ev = 7.6 * atomic_number.powf(0.36);
    let relativity = (1.0 + kv / 1022.0) / (1.0 + kv / 511.0).powi(2);
    106.0 * relativity * (kv / mean_loss_ev) / (2.0 * collection_mrad * kv / mean_loss_ev).ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_formula_for_carbon_to_gold() {
        for (z, kv, collection, nm) in [
            (6.0, 100.0, 5.0, 132.6934),
            (6.0, 300.0, 10.0, 187.0711),
            (13.0, 200.0, 10.0, 128.0794),
            (14.0, 300.0, 20.0, 129.5473),
            (79.0, 200.0, 5.0, 89.3442),
        ] {
            assert!((inelastic_nm(kv, collection, z) - nm).abs() < 1e-4, "{z}, {kv} kV");
        }
        // A carbon film of 100 nm at 300 kV and 10 mrad is 0.534556 mean free paths thick.
        assert!((100.0 / inelastic_nm(300.0, 10.0, 6.0) - 0.534556).abs() < 1e-5);
    }
}
