//! Seams: shifts, places, distortion and brightness, against truths of the simulator and of numpy.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "support/accuracy.rs"]
mod accuracy;

use accuracy::{Errors, Plan, bent, seam_errors};
use assert_cmd::Command;
use serde_json::Value;
use std::path::Path;
use tiltworth::record::{Check, Grade, Record};

fn check<'a>(record: &'a Record, id: &str) -> &'a Check {
    record.checks.iter().find(|check| check.id == id).unwrap()
}

#[test]
fn a_column_of_tiles_is_placed_to_a_twentieth_of_a_pixel() {
    let plan = Plan { tiles: (1, 3), scatter_px: 1.5, step_deg: 12.0, ..Plan::default() };
    let (record, truth) = plan.assess();
    let (errors, missing) = seam_errors(&record, &truth);
    assert!(errors.0.len() >= 20 && missing <= 1, "{} measured, {missing} not", errors.0.len());
    assert!(errors.quantile(0.5) <= 0.05, "median {}", errors.quantile(0.5));
    assert!(errors.quantile(0.95) <= 0.2, "95 % {}", errors.quantile(0.95));
    assert!(record.measures.seams.as_ref().unwrap().measured);
    assert_eq!(check(&record, "seam_residual").grade, Grade::Pass);
    assert!(record.measures.seams.unwrap().causes.is_empty());
}

/// 12 electrons a pixel: half the size, which is tried first, does not do.
#[test]
fn of_few_electrons_a_wide_seam_is_placed_as_well() {
    let (mut all, mut missing) = (Errors::default(), 0);
    for seed in [31, 32] {
        let plan = Plan {
            seed,
            tiles: (1, 3),
            side_px: 1024,
            overlap_px: 180,
            scatter_px: 2.0,
            counts: 500.0,
            range_deg: 40.0,
            step_deg: 20.0,
            ..Plan::default()
        };
        let (record, truth) = plan.assess();
        let (errors, lost) = seam_errors(&record, &truth);
        all.0.extend(errors.0);
        missing += lost;
    }
    assert!(all.0.len() == 20 && missing == 0, "{missing} not measured");
    assert!(all.quantile(0.5) <= 0.05 && all.quantile(0.95) <= 0.2, "{all:?}");
}

#[test]
fn wrong_places_thin_overlaps_and_a_patterned_camera_are_borne() {
    let wrong = Plan { seed: 3, tiles: (2, 2), overlap_px: 32, scatter_px: 3.5, step_deg: 30.0, ..Plan::default() };
    let thin = Plan {
        seed: 4,
        tiles: (1, 2),
        side_px: 512,
        overlap_px: 16,
        scatter_px: 1.3,
        step_deg: 40.0,
        ..Plan::default()
    };
    let patterned =
        Plan { seed: 5, tiles: (2, 2), pattern: [0.03, 0.05], scatter_px: 1.5, step_deg: 30.0, ..Plan::default() };
    for plan in [wrong, thin, patterned] {
        let (record, truth) = plan.assess();
        let (errors, missing) = seam_errors(&record, &truth);
        assert!(missing <= 1 && errors.0.len() >= 4, "{plan:?}: {missing} not measured");
        assert!(errors.quantile(0.5) <= 0.1 && errors.quantile(1.0) <= 0.5, "{plan:?}: {errors:?}");
    }
}

#[test]
fn a_bent_tile_is_measured_and_told() {
    let tilts: Vec<f64> = (-6..=6).map(|i| 10.0 * f64::from(i)).collect();
    let plan = Plan {
        seed: 6,
        tiles: (1, 2),
        side_px: 384,
        overlap_px: 64,
        step_deg: 10.0,
        faults: bent(&tilts, (0, 1), 2.5, 20.0, [1.0, 0.0]),
        ..Plan::default()
    };
    let (record, _) = plan.assess();
    let found: Vec<f64> =
        record.tilts.iter().flat_map(|t| t.seams.iter().flatten()).filter_map(|s| s.distortion_rms_px).collect();
    let share = Errors(found).quantile(0.5) * 2f64.sqrt() / 2.5;
    assert!((share - 1.0).abs() <= 0.15, "found over planted {share}");
    assert_ne!(check(&record, "seam_distortion").grade, Grade::Pass);
    let causes: Vec<String> = record.measures.seams.unwrap().causes.into_iter().map(|cause| cause.cause).collect();
    assert_eq!(causes, ["optics"]);
}

/// 8 px over tiles of 256: the shift changes by a fifth of a pixel a pixel, and no patch keeps one.
/// Patches that show too little by themselves, or run along one direction, are told by what they show together: none of a
/// bend is missed, which would leave it too small.
#[test]
fn a_bend_of_which_some_patches_show_little_is_told_whole() {
    let tilts: Vec<f64> = (-5..=5).map(|i| 12.0 * f64::from(i)).collect();
    let plan = Plan {
        seed: 6,
        tiles: (1, 2),
        side_px: 384,
        overlap_px: 64,
        step_deg: 12.0,
        faults: bent(&tilts, (0, 1), 4.0, 20.0, [1.0, 0.0]),
        ..Plan::default()
    };
    let (record, _) = plan.assess();
    for tilt in &record.tilts {
        for seam in tilt.seams.iter().flatten() {
            // A whole wave has √½ of its amplitude as root mean square.
            let ratio = seam.distortion_rms_px.unwrap() * 2f64.sqrt() / 4.0;
            assert!((0.85..1.15).contains(&ratio), "{ratio} at {}°", tilt.tilt_deg);
        }
    }
}

#[test]
fn a_bend_too_steep_for_one_shift_a_patch_is_measured_and_nothing_is_made_of_a_straight_seam() {
    let tilts: Vec<f64> = (-3..=3).map(|i| 12.0 * f64::from(i)).collect();
    let plan = |counts: f64, px: f64| Plan {
        seed: 64,
        tiles: (1, 2),
        range_deg: 36.0,
        step_deg: 12.0,
        counts,
        faults: if px > 0.0 { bent(&tilts, (0, 1), px, 140.0, [1.0, 0.0]) } else { String::new() },
        ..Plan::default()
    };
    let distortions = |plan: Plan| -> Vec<f64> {
        let (record, _) = plan.assess();
        record.tilts.iter().flat_map(|t| t.seams.iter().flatten()).filter_map(|s| s.distortion_rms_px).collect()
    };
    let steep = distortions(plan(7500.0, 8.0));
    assert!(steep.len() >= 4, "{steep:?}");
    let whole_wave = 8.0 / 2f64.sqrt();
    assert!(steep.iter().all(|rms| (rms / whole_wave - 1.0).abs() < 0.2), "{steep:?}");
    for counts in [7500.0, 300.0] {
        let straight = distortions(plan(counts, 0.0));
        assert!(straight.iter().all(|rms| *rms < 0.8), "{counts} counts: {straight:?}");
    }
}

#[test]
fn a_misplaced_tile_is_one_flag_at_its_tilt() {
    let faults =
        "[[fault]]\ntilts_deg = [12.0]\nwhat = { misplaced = { col = 0, row = 1, x_px = 6.0, y_px = -7.0 } }\n"
            .to_owned();
    let plan = Plan { tiles: (1, 3), scatter_px: 0.5, step_deg: 6.0, faults, ..Plan::default() };
    let (record, _) = plan.assess();
    let flagged: Vec<f64> = record
        .tilts
        .iter()
        .filter(|t| t.flags.contains(&"seam_offset".to_owned()))
        .map(|t| t.tilt_deg.round())
        .collect();
    assert_eq!(flagged, [12.0]);
    let causes = record.measures.seams.unwrap().causes;
    assert_eq!(causes.iter().map(|c| c.cause.as_str()).collect::<Vec<_>>(), ["stage-or-shift"]);
}

#[test]
fn a_montage_by_numpy_is_placed_and_its_darker_tile_seen() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/montage");
    let out = tempfile::tempdir().unwrap();
    let result = out.path().join("r");
    Command::cargo_bin("tiltworth")
        .unwrap()
        .arg("assess")
        .arg(&folder)
        .arg("-q")
        .arg("--out")
        .arg(&result)
        .assert()
        .success();
    let json = |path: &Path| -> Value { serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap() };
    let (record, truth) = (json(&result.join("record.json")), json(&folder.join("truth.json")));
    let number = |value: &Value| value.as_f64().unwrap_or_else(|| panic!("{value} is no number"));
    let mut errors = Errors::default();
    for (tilt, truth) in record["tilts"].as_array().unwrap().iter().zip(truth["tilts"].as_array().unwrap()) {
        let first = &truth["tiles"][0];
        for tile in tilt["tiles"].as_array().unwrap() {
            let same = |t: &&Value| t["col"] == tile["col"] && t["row"] == tile["row"];
            let expected = truth["tiles"].as_array().unwrap().iter().find(same).unwrap();
            let off = |key: &str| number(&tile[key]) - (number(&expected[key]) - number(&first[key]));
            errors.0.push(off("place_x_px").hypot(off("place_y_px")));
        }
        for seam in tilt["seams"].as_array().unwrap() {
            let dark = seam["to"] == serde_json::json!([1, 1]);
            let ratio = number(&seam["intensity_ratio"]);
            assert!((ratio - if dark { 0.92 } else { 1.0 }).abs() < 0.02, "{seam}");
        }
    }
    // Of four tiles the first lies at zero by definition.
    assert!(errors.quantile(1.0) <= 0.2 && errors.quantile(0.5) <= 0.06, "{errors:?}");
    let flagged = record["checks"].as_array().unwrap().iter().find(|check| check["id"] == "seam_intensity").unwrap();
    assert_eq!(flagged["grade"], "pass", "8 % is within the limit of 10 %");
}
