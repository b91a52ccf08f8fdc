//! Wavelength, speed and contrast transfer agree with published tables and an independent program.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use tiltworth::physics::contrast::{Astigmatic, Lens};
use tiltworth::physics::electron::{beta, lorentz_factor, wavelength_nm};

/// kV, λ (pm), β, γ from CODATA 2022 constants at 40 digits, and λ (pm), β as printed by the manufacturer.
type ElectronRow = (f64, f64, f64, f64, f64, f64);

/// Printed columns: JEOL, glossary of TEM terms, "wavelength of electron", table 1.
const ELECTRONS: [ElectronRow; 6] = [
    (80.0, 4.175716, 0.502399, 1.156556, 4.1757, 0.50240),
    (100.0, 3.701437, 0.548221, 1.195695, 3.7014, 0.54822),
    (120.0, 3.349215, 0.586671, 1.234834, 3.3492, 0.58667),
    (200.0, 2.507934, 0.695314, 1.391390, 2.5079, 0.69531),
    (300.0, 1.968749, 0.776525, 1.587085, 1.9687, 0.77653),
    (400.0, 1.643943, 0.827869, 1.782780, 1.6439, 0.82787),
];

fn close(value: f64, expected: f64, tolerance: f64, what: &str) {
    assert!((value - expected).abs() <= tolerance, "{what}: {value} is not {expected} within {tolerance}");
}

#[test]
fn wavelength_and_speed_agree_with_codata_2022() {
    for (kv, lambda_pm, beta_expected, gamma, _, _) in ELECTRONS {
        close(wavelength_nm(kv) * 1e3, lambda_pm, 1e-6 * lambda_pm, "wavelength");
        close(beta(kv), beta_expected, 1e-6, "beta");
        close(lorentz_factor(kv), gamma, 1e-6, "gamma");
    }
}

#[test]
fn wavelength_and_speed_agree_with_the_manufacturers_glossary() {
    for (kv, _, _, _, lambda_pm, beta_printed) in ELECTRONS {
        close(wavelength_nm(kv) * 1e3, lambda_pm, 1.001e-4, "wavelength");
        close(beta(kv), beta_printed, 1.001e-5, "beta");
    }
}

fn case_a() -> (Lens, f64) {
    (Lens::new(300.0, 2.7, 0.07), 2.0)
}

fn case_b() -> (Lens, f64) {
    (Lens::new(200.0, 2.0, 0.10), 1.0)
}

/// Zeros by root-finding on χ + asin A = nπ at 40 digits (scipy 1.17, mpmath), in 1/Å.
#[test]
fn the_first_five_zeros_agree_with_root_finding() {
    let a = [0.04984641, 0.07091792, 0.08704849, 0.10064265, 0.11262272];
    let b = [0.06220635, 0.08880698, 0.10919861, 0.12642358, 0.14164309];
    for ((lens, defocus_um), zeros) in [(case_a(), a), (case_b(), b)] {
        for (n, expected) in (1..).zip(zeros) {
            let per_angstrom = lens.zero_per_nm(defocus_um, n).unwrap() / 10.0;
            close(per_angstrom, expected, 1e-7, "zero");
        }
    }
}

/// k (1/Å), then the transfer in case A and B: abTEM 1.0.11 (Madsen & Susi 2021, Open Research Europe 1:24) and the
/// formula at 40 digits agree to 1.1e-7.
const TRANSFER: [(f64, f64, f64); 8] = [
    (0.01, -0.1925442, -0.1779980),
    (0.02, -0.5352520, -0.4034136),
    (0.03, -0.9257811, -0.7235060),
    (0.05, 0.0189443, -0.8794929),
    (0.08, -0.9928530, 0.9171285),
    (0.1, 0.1579977, -0.9971485),
    (0.125, -0.4525619, 0.2728918),
    (0.2, 0.9435481, 0.5588762),
];

#[test]
fn transfer_agrees_with_an_independent_program() {
    for (k, a, b) in TRANSFER {
        let g_squared_per_nm2 = 100.0 * k * k;
        for ((lens, defocus_um), expected) in [(case_a(), a), (case_b(), b)] {
            close(lens.transfer(g_squared_per_nm2, defocus_um), expected, 2e-7, "transfer");
        }
    }
}

/// k (1/Å), then χ without asin A in case A and B (formula at 40 digits).
#[test]
fn chi_agrees_at_its_two_ends() {
    for (k, a, b) in [(0.01, 0.1236969, 0.0787841), (0.2, 48.9622417, 30.7227291)] {
        for ((lens, defocus_um), expected) in [(case_a(), a), (case_b(), b)] {
            let chi = lens.chi_rad(100.0 * k * k, defocus_um) - lens.amplitude_phase_rad;
            close(chi, expected, 2e-7, "chi");
        }
    }
}

#[test]
fn astigmatic_underfocus_turns_with_azimuth() {
    let astigmatic = Astigmatic { major_um: 2.10, minor_um: 1.90, azimuth_deg: 30.0 };
    for (azimuth_deg, expected) in [(0.0, 2.05), (30.0, 2.10), (45.0, 2.0866025), (90.0, 1.95)] {
        close(astigmatic.along_um(azimuth_deg), expected, 1e-7, "defocus");
    }
    assert_eq!(Astigmatic::around(2.0, 0.2, 30.0).mean_um(), 2.0);
}

/// At Δf = q √(Cs λ) without amplitude contrast the first zero lies at d = (2q)^(-1/2) Cs^¼ λ^¾ (exact); the 1.2
/// convention of the Scherzer defocus at 300 kV, 2.7 mm is 87.4900 nm.
#[test]
fn the_first_zero_at_scherzer_defocus_is_exact() {
    let lens = Lens::new(300.0, 2.7, 0.0);
    let scale_nm = (lens.cs_nm * lens.wavelength_nm).sqrt();
    close(1.2 * scale_nm, 87.4900, 87.49e-4, "Scherzer defocus");
    for q in [1.0, (4.0f64 / 3.0).sqrt(), 1.2] {
        // Here χ only touches its zero line again: the zero other than g = 0 is that of χ = 0, g² = 2Δf/(λ² Cs).
        let g_squared = 2.0 * q * scale_nm / (lens.wavelength_nm * lens.wavelength_nm * lens.cs_nm);
        close(lens.transfer(g_squared, q * scale_nm * 1e-3), 0.0, 1e-9, "transfer at the zero");
        let d_nm = (2.0 * q).powf(-0.5) * lens.cs_nm.powf(0.25) * lens.wavelength_nm.powf(0.75);
        close(1.0 / g_squared.sqrt(), d_nm, 1e-12, "resolution");
    }
}

/// Thickness in nm and the inelastic mean free path reach the record of a series that states what they take.
#[test]
fn thickness_is_told_in_nanometres_where_the_sheet_allows_it() {
    let folder = tempfile::tempdir().unwrap();
    let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-stacks/pond-bacterium");
    for name in ["stack.tif", "sections.csv"] {
        std::fs::copy(demo.join(name), folder.path().join(name)).unwrap();
    }
    let sheet = std::fs::read_to_string(demo.join("series.toml")).unwrap();
    let record = |sheet: &str| -> serde_json::Value {
        std::fs::write(folder.path().join("series.toml"), sheet).unwrap();
        let out = folder.path().join("out");
        let mut command = assert_cmd::Command::cargo_bin("tiltworth").unwrap();
        command.args(["assess", "--quiet", "--force", "--out"]).arg(&out).arg(folder.path()).assert().success();
        serde_json::from_str(&std::fs::read_to_string(out.join("record.json")).unwrap()).unwrap()
    };
    let plain = record(&sheet);
    assert!(plain["measures"]["thickness"]["thickness_nm"].is_null());
    let why = plain["measures"]["thickness"]["mean_free_path_why_not"].as_str().unwrap();
    assert!(why.contains("instrument.energy_filter"), "{why}");
    let told = sheet
        .replace("[instrument]\n", "[instrument]\nenergy_filter = true\ncollection_mrad = 10.0\n")
        .replace("[specimen_facts]\n", "[specimen_facts]\nattenuation_length_nm = 310.0\nmean_atomic_number = 6.0\n");
    let told = record(&told);
    let thickness = &told["measures"]["thickness"];
    let lengths = thickness["attenuation_lengths"].as_f64().unwrap();
    close(thickness["thickness_nm"].as_f64().unwrap(), 310.0 * lengths, 1e-6, "thickness in nm");
    // Malis, Cheng & Egerton 1988: carbon, 300 kV, 10 mrad.
    close(thickness["inelastic_mean_free_path_nm"].as_f64().unwrap(), 187.0711, 1e-3, "mean free path");
}
