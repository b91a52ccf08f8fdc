//! Angles that do not belong to their pictures, in a series that a numpy script wrote (`tests/reference/angles/make.py`).

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test ends where it fails")]

use assert_cmd::Command;
use serde_json::Value;
use std::path::Path;

/// Assesses the series with the angles of its table changed: old and new, as they are written.
fn with_angles(change: impl Fn(&str) -> String) -> Value {
    let given = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/angles");
    let folder = tempfile::tempdir().unwrap();
    for name in ["series.toml", "stack.tif"] {
        std::fs::copy(given.join(name), folder.path().join(name)).unwrap();
    }
    let table = std::fs::read_to_string(given.join("sections.csv")).unwrap();
    let column = table.lines().next().unwrap().split(',').position(|name| name == "tilt_deg").unwrap();
    let row = |(at, line): (usize, &str)| {
        let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
        if at > 0 {
            cells[column] = change(&cells[column]);
        }
        cells.join(",") + "\n"
    };
    let text: String = table.lines().enumerate().map(row).collect();
    std::fs::write(folder.path().join("sections.csv"), text).unwrap();
    let result = folder.path().join("result");
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    command.arg("assess").arg(folder.path()).arg("--out").arg(&result).arg("--quiet").assert().success();
    serde_json::from_str(&std::fs::read_to_string(result.join("record.json")).unwrap()).unwrap()
}

fn check(record: &Value) -> &Value {
    record["checks"].as_array().unwrap().iter().find(|check| check["id"] == "stated_angle").unwrap()
}

fn degrees(text: &str) -> f64 {
    text.parse().unwrap()
}

#[test]
fn angles_as_recorded_are_let_be() {
    let record = with_angles(str::to_owned);
    assert_eq!(check(&record)["grade"], "pass", "{}", check(&record)["why"]);
}

#[test]
fn two_angles_that_changed_places_are_named_with_what_they_are() {
    let record = with_angles(|deg| match degrees(deg).round() as i64 {
        -30 => "24.0".into(),
        24 => "-30.0".into(),
        _ => deg.to_owned(),
    });
    let found = check(&record);
    assert_eq!((&found["grade"], &found["tilts_deg"]), (&"fail".into(), &serde_json::json!([-30.0, 24.0])), "{found}");
    let seems = |stated: f64| {
        let tilts = record["tilts"].as_array().unwrap();
        let tilt = tilts.iter().find(|tilt| (tilt["tilt_deg"].as_f64().unwrap() - stated).abs() < 0.5).unwrap();
        (tilt["angle"]["seems_deg"].as_f64().unwrap(), tilt["exclude"].as_bool().unwrap())
    };
    assert!((seems(-30.0).0 - 24.0).abs() < 3.1 && seems(-30.0).1, "{:?}", seems(-30.0));
    assert!((seems(24.0).0 + 30.0).abs() < 3.1 && seems(24.0).1, "{:?}", seems(24.0));
}

#[test]
fn a_list_that_runs_in_another_order_than_the_stack_is_worth_no_reconstruction() {
    let record = with_angles(|deg| {
        let nth = (degrees(deg) / 6.0).round() as i64 + 10;
        format!("{}.0", 6 * ((8 * nth + 3) % 21 - 10))
    });
    assert_eq!(record["verdict"]["answer"], "do-not-reconstruct", "{}", record["verdict"]["headline"]);
    assert!(record["verdict"]["headline"].as_str().unwrap().contains("order"), "{}", record["verdict"]["headline"]);
    assert_eq!(record["measures"]["alignment"]["measured"], false);
}
