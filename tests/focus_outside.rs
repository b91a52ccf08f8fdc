//! Focus of images that tiltworth had no hand in: abTEM's contrast transfer, and a tilted slab imaged by numpy alone
//! (`tests/reference/focus/make.py`, and `slab.py` for a slab with structures and thickness), within the limits of our own series.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use assert_cmd::Command;
use serde_json::Value;
use std::path::Path;

fn read(path: &Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

fn holds(name: &str) -> Value {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/focus").join(name);
    let out = tempfile::tempdir().unwrap();
    let result = out.path().join("result");
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    command.arg("assess").arg(&folder).arg("--out").arg(&result).arg("--quiet").assert().success();
    let (record, truth) = (read(&result.join("record.json")), read(&folder.join("truth.json")));
    let mut errors = Vec::new();
    for (tilt, truth) in record["tilts"].as_array().unwrap().iter().zip(truth["tilts"].as_array().unwrap()) {
        let (focus, at) = (&tilt["focus"], tilt["tilt_deg"].to_string());
        assert_eq!(focus["measured"], true, "{name}, {at}: {}", focus["why_not"]);
        let error = (number(&focus["defocus_um"]) / number(&truth["defocus_um"]) - 1.0).abs();
        println!("{name} {at}: underfocus off by {:.2} %", 100.0 * error);
        errors.push(error);
        assert!(error < 0.02, "{name}, {at}: underfocus off by {error}");
        let astigmatism = number(&truth["astigmatism_um"]);
        let off = (number(&focus["astigmatism_um"]) - astigmatism).abs();
        assert!(off <= f64::max(0.015, 0.1 * astigmatism), "{name}, {at}: astigmatism off by {off}");
        if astigmatism > 0.1 {
            let turned = (number(&focus["astigmatism_deg"]) - number(&truth["astigmatism_deg"])).rem_euclid(180.0);
            assert!(turned.min(180.0 - turned) < 5.0, "{name}, {at}: azimuth off by {turned}");
        }
    }
    errors.sort_by(f64::total_cmp);
    assert!(errors[errors.len() / 2] < 0.005, "{name}: {errors:?}");
    record
}

#[test]
fn abtem_s_contrast_transfer_is_read_back() {
    holds("abtem");
}

#[test]
fn a_slab_tilted_by_numpy_is_read_back() {
    holds("tilted");
}

/// A slab with strong structures along one direction, thickness and counting noise: the limits of the accuracy table, or
/// twice the bound that `slab.py` states; over nine tilts they are held by quantiles.
#[test]
fn a_structured_slab_is_read_back() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/focus/slab");
    let out = tempfile::tempdir().unwrap();
    let result = out.path().join("result");
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    command.arg("assess").arg(&folder).arg("--out").arg(&result).arg("--quiet").assert().success();
    let (record, truth) = (read(&result.join("record.json")), read(&folder.join("truth.json")));
    let (mut errors, mut astigmatisms, mut pulls) = (Vec::new(), Vec::new(), Vec::new());
    for (tilt, truth) in record["tilts"].as_array().unwrap().iter().zip(truth["tilts"].as_array().unwrap()) {
        let (focus, at) = (&tilt["focus"], tilt["tilt_deg"].to_string());
        assert!(truth["measurable"] == true && focus["measured"] == true, "{at}: {}", focus["why_not"]);
        let (um, bound) = (number(&truth["defocus_um"]), number(&truth["defocus_bound_um"]));
        let off = number(&focus["defocus_um"]) - um;
        println!("slab {at}: underfocus off by {:.2} %, bound {:.2} %", 100.0 * off / um, 100.0 * bound / um);
        let limit: f64 = if at.trim_start_matches('-').parse::<f64>().unwrap() > 45.5 { 0.04 } else { 0.02 };
        assert!(off.abs() < limit * um, "{at}: off by {off}");
        errors.push(off.abs() / um);
        pulls.push((off / number(&focus["error_um"])).powi(2));
        // Astigmatism is known 2√2 times less well than underfocus.
        let limit = f64::max(0.015, 2.0 * 2.0 * std::f64::consts::SQRT_2 * bound);
        astigmatisms.push((number(&focus["astigmatism_um"]) - number(&truth["astigmatism_um"])).abs() / limit);
    }
    errors.sort_by(f64::total_cmp);
    astigmatisms.sort_by(f64::total_cmp);
    let pull = (pulls.iter().sum::<f64>() / pulls.len() as f64).sqrt();
    assert!(errors[errors.len() / 2] < 0.005, "{errors:?}");
    assert!(
        astigmatisms[astigmatisms.len() / 2] < 1.0 && astigmatisms[astigmatisms.len() - 1] < 2.0,
        "{astigmatisms:?}"
    );
    assert!((0.3..2.0).contains(&pull), "errors are {pull} times the stated ones");
}
