//! The record is valid against the JSON Schema that tiltworth prints, and the schema can refuse.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use assert_cmd::Command;
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::path::Path;

fn schema() -> Value {
    let output = Command::cargo_bin("tiltworth").unwrap().arg("schema").assert().success().get_output().stdout.clone();
    serde_json::from_slice(&output).unwrap()
}

fn record(series: &str) -> Value {
    let out = tempfile::tempdir().unwrap();
    let result = out.path().join("result");
    let series = Path::new(env!("CARGO_MANIFEST_DIR")).join(series);
    Command::cargo_bin("tiltworth")
        .unwrap()
        .arg("assess")
        .arg(series)
        .arg("-q")
        .arg("--out")
        .arg(&result)
        .assert()
        .success();
    serde_json::from_str(&std::fs::read_to_string(result.join("record.json")).unwrap()).unwrap()
}

#[test]
fn records_are_valid_and_wrong_ones_are_not() {
    let schema = schema();
    let validator = jsonschema::validator_for(&schema).unwrap();
    for series in ["demo-stacks/moss-leaf-hasty", "demo-stacks/pond-bacterium"] {
        let record = record(series);
        let errors: Vec<String> = validator.iter_errors(&record).map(|error| error.to_string()).collect();
        assert!(errors.is_empty(), "{series}: {errors:?}");
        for (pointer, wrong) in [
            ("/record_version", Value::from(2)),
            ("/verdict/answer", Value::from("maybe")),
            ("/tilts/0/counts/mean", Value::from("6200")),
            ("/checks/0/grade", Value::from("green")),
        ] {
            let mut broken = record.clone();
            *broken.pointer_mut(pointer).unwrap() = wrong;
            assert!(!validator.is_valid(&broken), "{pointer} was not refused");
        }
    }
}

/// Keys that other people's scripts read.
#[test]
fn the_published_keys_are_there() {
    let record = record("demo-stacks/kelp-chloroplast");
    for pointer in [
        "/record_version",
        "/tool/version",
        "/assessed_at",
        "/series/series_id",
        "/series/session",
        "/series/started_at",
        "/series/montage_rows",
        "/series/axis_deg",
        "/inputs/0/sha256",
        "/profile/sha256",
        "/tilts/0/tilt_deg",
        "/tilts/0/order",
        "/tilts/0/acquired_at",
        "/tilts/0/sections/0",
        "/tilts/0/counts/median",
        "/tilts/0/counts/ratio_to_target",
        "/tilts/0/counts/saturated_fraction",
        "/tilts/0/counts/zero_fraction",
        "/tilts/0/counts/dark_area_fraction",
        "/tilts/0/counts/gradient_fraction",
        "/tilts/0/focus",
        "/tilts/0/sharpness/value",
        "/tilts/0/sharpness/relative",
        "/tilts/0/sharpness/blur_direction_deg",
        "/tilts/0/sharpness/directional_loss",
        "/tilts/0/tracking",
        "/tilts/0/dose/this_e_per_A2",
        "/tilts/0/dose/before_e_per_A2",
        "/tilts/0/dose/after_e_per_A2",
        "/tilts/0/dose/weight_at_nyquist",
        "/tilts/0/tiles/0/section",
        "/tilts/0/tiles/0/place_x_px",
        "/tilts/0/tiles/0/counts/mean",
        "/tilts/0/seams",
        "/tilts/0/grade",
        "/tilts/0/flags",
        "/tilts/0/exclude",
        "/measures/coverage/step_deg",
        "/measures/coverage/largest_gap_deg",
        "/measures/coverage/repeated_angles",
        "/measures/coverage/order_source",
        "/measures/coverage/scheme",
        "/measures/coverage/missing_wedge_fraction",
        "/measures/coverage/elongation_factor",
        "/measures/coverage/crowther_resolution_nm",
        "/measures/dose/total_e_per_A2",
        "/measures/dose/pre_exposure_e_per_A2",
        "/measures/dose/weighting",
        "/measures/dose/why_not",
        "/measures/geometry",
        "/measures/thickness",
        "/measures/seams",
        "/checks/0/id",
        "/checks/0/title",
        "/checks/0/value",
        "/checks/0/unit",
        "/checks/0/sense",
        "/checks/0/caution",
        "/checks/0/fail",
        "/checks/0/why",
        "/checks/0/tilts_deg",
        "/verdict/headline",
        "/verdict/reasons",
        "/verdict/exclude_tilts_deg",
        "/verdict/exclude_sections",
        "/verdict/low_weight_tilts_deg",
        "/verdict/coverage_after/tilts",
        "/verdict/checks_made",
        "/verdict/checks_in_profile",
        "/verdict/next_time",
    ] {
        assert!(record.pointer(pointer).is_some(), "{pointer} is missing");
    }
}

/// A record of layout version 1, as the first tiltworth with a ledger wrote it. This file is never changed: if it cannot be
/// read, a lab's records cannot be read either.
#[test]
fn a_record_of_version_1_stays_readable_for_good() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/record-v1.json");
    let bytes = std::fs::read(&file).unwrap();
    let digest: String = Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!(digest, "84e25ed95aa1985408f36bed7758ec7e636c0b8f8d40f2ad801f5e76fbae71cd", "the fixture was changed");
    let record = tiltworth::record::reading::file(&file).unwrap();
    let value: Value = serde_json::from_slice(&bytes).unwrap();
    // What it says is still understood, figure by figure.
    let again = serde_json::to_value(&record).unwrap();
    assert_eq!(lost(&value, &again, ""), Vec::<String>::new());
    assert!(jsonschema::validator_for(&schema()).unwrap().is_valid(&again));
    // And everything that takes records takes this one.
    let out = tempfile::tempdir().unwrap();
    let run = |args: &[&str]| {
        Command::cargo_bin("tiltworth").unwrap().current_dir(out.path()).args(args).assert().success();
    };
    let file = file.to_str().unwrap();
    run(&["ledger", "add", file]);
    run(&["ledger", "list"]);
    run(&["compare"]);
    run(&["pack", file, "--out", "old.eln"]);
    run(&["export", "--cif", file]);
}

/// Pointers of values that an older text has and a newer one lacks or tells otherwise.
fn lost(old: &Value, new: &Value, at: &str) -> Vec<String> {
    match (old, new) {
        (Value::Object(old), Value::Object(_)) => {
            old.iter().flat_map(|(key, value)| lost(value, &new[key], &format!("{at}/{key}"))).collect()
        }
        (Value::Array(old), Value::Array(new)) if old.len() == new.len() => {
            old.iter().zip(new).enumerate().flat_map(|(i, (a, b))| lost(a, b, &format!("{at}/{i}"))).collect()
        }
        _ if old == new => Vec::new(),
        (Value::Number(old), Value::Number(new)) if old.as_f64() == new.as_f64() => Vec::new(),
        _ => vec![at.to_owned()],
    }
}
