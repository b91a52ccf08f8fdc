//! Series at the edge of what can be: nothing panics, nothing is guessed, and blank sections are named.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

mod support;

use assert_cmd::Command;
use serde_json::Value;
use std::fs;
use std::path::Path;

/// An MRC2014 stack of 32-bit floats, pixel by pixel from `value(section, index)`.
fn stack(path: &Path, side: usize, sections: usize, mut value: impl FnMut(usize, usize) -> f32) {
    let mut bytes = vec![0u8; 1024];
    for (at, word) in [(0, side), (4, side), (8, sections), (12, 2), (28, side), (32, side), (36, 1)] {
        bytes[at..at + 4].copy_from_slice(&(word as i32).to_le_bytes());
    }
    bytes[208..216].copy_from_slice(b"MAP DD\0\0");
    for section in 0..sections {
        (0..side * side).for_each(|at| bytes.extend(value(section, at).to_le_bytes()));
    }
    fs::write(path, bytes).unwrap();
}

fn assess(side: usize, angles: &[f64], value: impl FnMut(usize, usize) -> f32) -> (Option<i32>, String, Value) {
    let folder = tempfile::tempdir().unwrap();
    stack(&folder.path().join("s.mrc"), side, angles.len(), value);
    let list: Vec<String> = angles.iter().map(f64::to_string).collect();
    fs::write(folder.path().join("a.txt"), list.join("\n")).unwrap();
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    command.arg("assess").arg(folder.path().join("s.mrc")).arg("--angles").arg(folder.path().join("a.txt"));
    let output = command.arg("-q").arg("--out").arg(folder.path().join("r")).output().unwrap();
    let record = fs::read_to_string(folder.path().join("r/record.json")).unwrap_or("null".into());
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!said.contains("panicked"), "{said}");
    (output.status.code(), said, serde_json::from_str(&record).unwrap())
}

fn series(n: usize) -> Vec<f64> {
    (0..n).map(|i| 120.0 * i as f64 / (n - 1) as f64 - 60.0).collect()
}

/// A texture that is the same in every section, in squares of three pixels, from 0 to 1: without it no tilt could be
/// followed.
fn texture(side: usize, at: usize) -> f32 {
    let (x, y) = ((at % side / 3) as u64, (at / side / 3) as u64);
    let bits =
        (x.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ y.wrapping_mul(0xc2b2_ae3d_27d4_eb4f)).wrapping_mul(0x94d0_49bb);
    (bits >> 40 & 0xff) as f32 / 255.0
}

/// Noise from 0 to 1.
fn noise() -> impl FnMut() -> f32 {
    let mut random = support::Cheap(11);
    move || random.next() as f32 / 4_294_967_296.0
}

#[test]
fn normalised_pictures_are_not_called_dark() {
    let mut noise = noise();
    let (status, _, record) = assess(64, &series(21), |_, _| noise() - 0.5);
    assert_eq!(status, Some(0));
    let dark = record["checks"].as_array().unwrap().iter().find(|check| check["id"] == "dark_area").unwrap();
    assert_eq!(dark["grade"], "not_measured");
    assert_eq!(dark["value"], Value::Null);
}

#[test]
fn sections_that_hold_nothing_are_named_and_left_out() {
    let mut noise = noise();
    let value = |section: usize, at: usize| match section {
        7 => f32::NAN,
        9 => 3.0,
        _ if at == 5 => f32::INFINITY,
        _ => 100.0 + 20.0 * noise() + 20.0 * texture(64, at),
    };
    let (status, _, record) = assess(64, &series(41), value);
    assert_eq!(status, Some(0));
    assert_eq!(record["verdict"]["answer"], "reconstruct-without");
    assert_eq!(record["verdict"]["exclude_sections"], serde_json::json!([7, 9]));
    let tilts = record["tilts"].as_array().unwrap();
    assert!(tilts[7]["tiles"][0]["unreadable"].as_str().unwrap().contains("none of its pixels is a finite number"));
    assert!(tilts[9]["tiles"][0]["unreadable"].as_str().unwrap().contains("every pixel holds 3"));
    assert_eq!(tilts[7]["counts"]["mean"], Value::Null);
    assert_eq!(tilts[7]["flags"], serde_json::json!(["unreadable_section"]));
    assert!(tilts[8]["counts"]["mean"].as_f64().unwrap() > 100.0);
}

#[test]
fn a_stack_that_holds_nothing_is_no_series() {
    let (status, said, record) = assess(64, &series(11), |_, _| 7.0);
    assert_eq!((status, record), (Some(1), Value::Null));
    assert!(said.contains("section 0: every pixel holds 7; export the section again, or leave it out"), "{said}");
}

#[test]
fn what_is_left_decides() {
    for (angles, answer) in [
        (vec![0.0], "do-not-reconstruct"),
        (vec![0.0; 6], "do-not-reconstruct"),
        ((0..31).map(|i| 2.0 * f64::from(i)).collect(), "do-not-reconstruct"),
        ((0..31).map(|i| 2.0 * f64::from(i) - 30.0).collect(), "do-not-reconstruct"),
        (series(11), "reconstruct"),
        (series(183), "reconstruct"),
        // A hole of 21° in the middle of the range.
        (series(61).into_iter().filter(|deg| deg.abs() > 10.0).collect(), "do-not-reconstruct"),
    ] {
        let mut noise = noise();
        let (status, said, record) = assess(40, &angles, |_, at| 100.0 + noise() + texture(40, at));
        assert_eq!(status, Some(0), "{said}");
        assert_eq!(record["verdict"]["answer"], answer, "{angles:?}");
        if answer == "do-not-reconstruct" {
            assert!(record["verdict"]["headline"].as_str().unwrap().starts_with("Not as it stands:"));
        }
    }
}

#[test]
fn pictures_too_small_for_a_spectrum_have_no_sharpness() {
    let mut noise = noise();
    let (status, _, record) = assess(9, &series(21), |_, _| 100.0 + noise());
    assert_eq!(status, Some(0));
    assert_eq!(record["tilts"][3]["sharpness"]["value"], Value::Null);
    assert!(record["tilts"][3]["sharpness"]["why_not"].is_string());
}

/// On a vitrified specimen dose and weights hang on the order, which rows sorted by angle do not tell.
#[test]
fn an_order_that_is_only_assumed_leaves_a_vitrified_series_undecided() {
    let folder = tempfile::tempdir().unwrap();
    let mut noise = noise();
    stack(&folder.path().join("s.mrc"), 64, 41, |_, at| 100.0 + noise() + texture(64, at));
    let list: Vec<String> = series(41).iter().map(f64::to_string).collect();
    fs::write(folder.path().join("a.txt"), list.join("\n")).unwrap();
    let record = |more: &[&str]| -> Value {
        let mut command = Command::cargo_bin("tiltworth").unwrap();
        command.arg("assess").arg(folder.path().join("s.mrc")).arg("--angles").arg(folder.path().join("a.txt"));
        command.args(["-q", "--force", "--specimen", "vitrified", "--kv", "300", "--dose-per-image", "3"]).args(more);
        command.arg("--out").arg(folder.path().join("r")).assert().success();
        serde_json::from_str(&fs::read_to_string(folder.path().join("r/record.json")).unwrap()).unwrap()
    };
    let assumed = record(&[]);
    assert_eq!(assumed["verdict"]["answer"], "undecided");
    assert_eq!(assumed["tilts"][4]["dose"]["before_e_per_A2"], Value::Null);
    assert_eq!(assumed["measures"]["coverage"]["scheme"], Value::Null);
    let stated = record(&["--rows-are-in-order"]);
    assert_eq!(stated["verdict"]["answer"], "reconstruct");
    assert_eq!(stated["tilts"][4]["dose"]["before_e_per_A2"], 12.0);
}

/// Nine tiles, and nothing stated but angles and places: no target, no dose, no times, no pixel size.
#[test]
fn three_by_three_tiles_without_any_fact_are_assessed_and_what_is_missing_has_its_reason() {
    const SIDE: usize = 96;
    const STEP: usize = 72;
    let folder = tempfile::tempdir().unwrap();
    let mut noise = noise();
    let wide = STEP * 2 + SIDE;
    let value = |section: usize, at: usize| {
        let (col, row) = (section % 3, section / 3 % 3);
        let (x, y) = (at % SIDE + STEP * col, at / SIDE + STEP * row);
        100.0 + 2.0 * noise() + 30.0 * texture(wide, y * wide + x)
    };
    stack(&folder.path().join("s.mrc"), SIDE, 99, value);
    let row = |section: usize| {
        format!("{},{},{},{section}", 12.0 * (section / 9) as f64 - 60.0, section % 3, section / 3 % 3)
    };
    let rows: Vec<String> = (0..99).map(row).collect();
    fs::write(folder.path().join("t.csv"), format!("tilt_deg,tile_col,tile_row,section\n{}\n", rows.join("\n")))
        .unwrap();
    let sheet = "stack = \"s.mrc\"\ntable = \"t.csv\"\nspecimen = \"resin-section\"\n\
                 [montage]\ncols = 3\nrows = 3\noverlap_px = [24, 24]\n";
    fs::write(folder.path().join("series.toml"), sheet).unwrap();
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    command.arg("assess").arg(folder.path()).arg("-q").arg("--out").arg(folder.path().join("r")).assert().success();
    let record: Value =
        serde_json::from_str(&fs::read_to_string(folder.path().join("r/record.json")).unwrap()).unwrap();
    assert_eq!(record["series"]["tilts"], 11);
    assert!(record["tilts"].as_array().unwrap().iter().all(|tilt| tilt["seams"].as_array().unwrap().len() == 12));
    assert_ne!(record["verdict"]["answer"], "do-not-reconstruct", "{}", record["verdict"]["headline"]);
    let mut lacking = 0;
    for check in record["checks"].as_array().unwrap().iter().filter(|check| check["grade"] == "not_measured") {
        let why = check["why"].as_str().unwrap();
        assert!(why.len() > "not measured: ".len() && check["value"].is_null(), "{}: {why}", check["id"]);
        lacking += 1;
    }
    assert!(lacking > 8, "{lacking} checks had nothing to go by");
    let reasons = record["verdict"]["reasons"].as_array().unwrap();
    assert!(reasons.iter().any(|reason| reason.as_str().unwrap().starts_with("11 tilts are few")), "{reasons:?}");
}
