//! How fine a detail the tilts carry together: few electrons are no blur, and a blur of every tilt is told, although each
//! tilt lies on the run of the others.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "support/focus_series.rs"]
#[allow(dead_code, reason = "shared with the accuracy table")]
mod focus_series;

use focus_series::{Facts, STRUCTURES, assess, recipe};
use tiltworth::record::{Check, Grade, Record};

const VITRIFIED: Facts = Facts {
    specimen: "vitrified",
    kv: 300.0,
    cs_mm: 2.7,
    size_px: [512, 512],
    pixel_nm: 0.36,
    dose: 1.5,
    defocus_um: 4.0,
    astigmatism: [0.04, 35.0],
    axis_deg: -6.5,
    grain: 0.1,
    envelope_nm: 0.5,
    step_deg: 6.0,
    montage: None,
    seed: 811,
};
const RESIN: Facts = Facts { specimen: "resin-section", pixel_nm: 0.7, dose: 6.0, grain: 0.15, seed: 812, ..VITRIFIED };

/// Every tilt blurred by a Gaussian of this standard deviation.
fn blurred(sigma_px: f64) -> String {
    let angles: Vec<String> = (-10..=10).map(|at| format!("{:.1}", 6.0 * f64::from(at))).collect();
    let fault =
        format!("[[fault]]\ntilts_deg = [{}]\nwhat = {{ blur = {{ sigma_px = {sigma_px:.1} }} }}\n", angles.join(", "));
    format!("{STRUCTURES}{fault}")
}

fn check(record: &Record, id: &str) -> Check {
    record.checks.iter().find(|check| check.id == id).unwrap().clone()
}

#[test]
fn few_electrons_are_no_blur_and_a_blur_of_every_tilt_is_told() {
    for facts in [VITRIFIED, RESIN] {
        let (sound, ..) = assess(&recipe(&facts, STRUCTURES));
        let told = check(&sound, "detail_limit");
        println!("{} sound: {:?} nm {:?}", facts.specimen, told.value, told.grade);
        assert_eq!(told.grade, Grade::Pass, "{told:?}");
        for (sigma_px, least) in [(3.0, Grade::Caution), (5.0, Grade::Fail)] {
            let (dull, ..) = assess(&recipe(&facts, &blurred(sigma_px)));
            let told = check(&dull, "detail_limit");
            println!("{} blurred by {sigma_px} px: {:?} nm {:?}", facts.specimen, told.value, told.grade);
            assert!(told.grade == least || told.grade == Grade::Fail, "{told:?}");
            let of_tilts = check(&dull, "sharpness_drop");
            assert!(of_tilts.tilts_deg.is_empty(), "each lies on the run of the others: {of_tilts:?}");
            assert!(told.value.unwrap() > 3.0 * check(&sound, "detail_limit").value.unwrap(), "{told:?}");
        }
    }
}

/// A single tilt of few electrons holds less signal than noise almost everywhere, and does not tell the two apart.
#[test]
fn signal_weaker_than_the_noise_counts() {
    let (sound, ..) = assess(&recipe(&VITRIFIED, STRUCTURES));
    let single: Vec<f64> = sound.tilts.iter().filter_map(|tilt| tilt.sharpness.signal_to_nm).collect();
    let detail = &sound.measures.detail;
    println!("single tilts {single:?}, together {detail:?}");
    let coarser = single.iter().filter(|nm| **nm > 2.0 * detail.signal_to_nm.unwrap()).count();
    assert!(2 * coarser > sound.tilts.len());
    assert!(detail.measured && detail.why_not.is_none());
}

/// Pixels too coarse for the resolution aimed at are no blur: signal up to where they end says nothing against the tilts.
#[test]
fn coarse_pixels_are_no_blur() {
    let facts = Facts { pixel_nm: 1.8, dose: 0.5, ..RESIN };
    let (record, ..) = assess(&recipe(&facts, STRUCTURES));
    let told = check(&record, "detail_limit");
    assert!(record.measures.detail.ends_with_the_pixels, "{:?}", record.measures.detail);
    assert_eq!(told.grade, Grade::NotMeasured, "{told:?}");
    assert!(told.why.contains("where the pixels end"), "{}", told.why);
}

/// A tenth of the counting noise is all that the finest octave holds here: total blurs seemed to keep 0.7 to 0.8 of it.
#[test]
fn a_total_blur_of_few_electrons_is_told_and_left_out() {
    let fault = |deg: f64, sigma_px: f64| {
        format!("[[fault]]\ntilts_deg = [{deg:.1}]\nwhat = {{ blur = {{ sigma_px = {sigma_px:.1} }} }}\n")
    };
    let faults = [fault(-42.0, 3.0), fault(6.0, 6.0), fault(36.0, 3.0)].concat();
    for (seed, dose) in [(813, 1.5), (814, 2.5)] {
        let facts = Facts { seed, dose, ..VITRIFIED };
        let (record, ..) = assess(&recipe(&facts, &format!("{STRUCTURES}{faults}")));
        let flagged = record.tilts.iter().filter(|tilt| tilt.flags.iter().any(|flag| flag == "sharpness_drop"));
        let flagged: Vec<f64> = flagged.map(|tilt| tilt.tilt_deg.round()).collect();
        assert_eq!(flagged, [-42.0, 6.0, 36.0], "{dose} e/Å²");
        assert!(
            record.tilts.iter().all(|tilt| tilt.exclude == flagged.contains(&tilt.tilt_deg.round())),
            "{dose} e/Å²"
        );
    }
}
