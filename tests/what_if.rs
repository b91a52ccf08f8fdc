//! What if other tilts were left out: answered from a record alone, and nothing is written over.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use assert_cmd::Command;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::{fs, process::Output};
use tiltworth::judge::what_if::{WhatIfError, without};
use tiltworth::record::{Answer, Record};

/// The hasty demo series, assessed into a folder.
fn hasty() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-stacks/moss-leaf-hasty");
    let result = folder.path().join("result");
    Command::cargo_bin("tiltworth")
        .unwrap()
        .arg("assess")
        .arg(demo)
        .arg("-q")
        .arg("--out")
        .arg(&result)
        .assert()
        .success();
    let record = result.join("record.json");
    (folder, record)
}

fn render(record: &Path, options: &[&str]) -> Output {
    Command::cargo_bin("tiltworth").unwrap().arg("render").arg(record).args(options).output().unwrap()
}

#[test]
fn a_record_alone_answers_and_stays_as_it_is() {
    let (folder, path) = hasty();
    let before = fs::read(&path).unwrap();
    // No evidence is needed for an answer on the terminal.
    let alone = folder.path().join("alone.json");
    fs::copy(&path, &alone).unwrap();
    let answer = render(&alone, &["--without", "-60,12"]);
    let said = String::from_utf8(answer.stdout).unwrap();
    assert!(answer.status.success(), "{said}");
    assert!(said.contains("what if without -60,12? Reconstruct without 2 of 41 tilts, -57° to +60°"), "{said}");
    assert!(said.contains("the verdict on record stays: Reconstruct without"), "{said}");
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2, "nothing else is written");
    assert_eq!(fs::read(&path).unwrap(), before);

    let page = folder.path().join("what-if.html");
    assert!(render(&path, &["--without=-60,12", "--out", &page.to_string_lossy()]).status.success());
    let page = fs::read_to_string(page).unwrap();
    assert!(page.contains("<strong>What if?</strong>") && page.contains("It is no verdict"), "the page is marked");
    let json = folder.path().join("what-if.json");
    assert!(render(&path, &["--without", "auto", "--out", &json.to_string_lossy()]).status.success());
    let again: Value = serde_json::from_str(&fs::read_to_string(json).unwrap()).unwrap();
    let record: Value = serde_json::from_slice(&before).unwrap();
    assert_eq!(again["verdict"]["what_if"]["asked"], "auto");
    for key in ["answer", "headline", "exclude_sections", "low_weight_tilts_deg", "coverage_after", "costs", "reasons"]
    {
        assert_eq!(again["verdict"][key], record["verdict"][key], "auto is the verdict's own list: {key}");
    }
    let refused = render(&path, &["--without", "auto", "--out", &path.to_string_lossy()]);
    assert!(String::from_utf8_lossy(&refused.stderr).contains("it exists already"));
    assert_eq!(fs::read(&path).unwrap(), before);
}

#[test]
fn what_cannot_be_left_out_is_named() {
    let (_folder, path) = hasty();
    let said = |list: &str| {
        let output = render(&path, &["--without", list]);
        assert_eq!(output.status.code(), Some(1), "{list}");
        String::from_utf8(output.stderr).unwrap()
    };
    assert!(said("13.4").contains("there is no tilt at +13.4°; the nearest is +12.01°"), "{}", said("13.4"));
    assert!(
        said("12,twelve").contains("\"twelve\" is no angle; give angles in degrees (12,-60), sections (s17), or auto")
    );
    assert!(said("s9999").contains("there is no section 9999 in this record"));
    let all: Vec<String> = (0..164).step_by(4).map(|section| format!("s{section}")).collect();
    assert!(said(&all.join(",")).contains("no tilt would be left"));
}

fn record() -> Record {
    let (_folder, path) = hasty();
    serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap()
}

#[test]
fn a_repeated_angle_goes_by_section_and_costs_are_those_of_the_list() {
    let mut record = record();
    // A second look at zero tilt, in time the last.
    let zero = record.tilts.iter().position(|tilt| tilt.tilt_deg.abs() < 0.1).unwrap();
    let mut again = record.tilts[zero].clone();
    again.order = record.tilts.len();
    again.sections = vec![164, 165, 166, 167];
    record.tilts.insert(zero + 1, again);
    let first = record.tilts[zero].sections[0];
    let refused = without(&record, "0", None).unwrap_err();
    let told = format!("--without: +0.0° was recorded 2 times; name one by a section of its own: s{first}, s164");
    assert_eq!(refused.to_string(), told);
    let answered = without(&record, "s164", None).unwrap();
    assert_eq!(answered.verdict.exclude_sections, [164, 165, 166, 167]);
    assert!(answered.tilts[zero + 1].exclude && !answered.tilts[zero].exclude);
    assert_eq!(answered.verdict.costs.iter().find(|cost| cost.decision == "left out").unwrap().cause, "asked");
}

#[test]
fn leaving_out_too_much_is_not_as_it_stands() {
    let record = record();
    let list: Vec<String> = record.tilts.iter().take(13).map(|tilt| tilt.tilt_deg.to_string()).collect();
    let answered = without(&record, &list.join(", "), None).unwrap();
    assert_eq!(answered.verdict.answer, Answer::DoNotReconstruct);
    assert!(answered.verdict.headline.contains("of the recorded tilts are left; at least 75 % are needed"));
    assert_eq!(answered.verdict.coverage_after.tilts, 28);
}

/// Records of other versions do not hold their profile's text.
#[test]
fn a_profile_that_is_not_there_is_asked_for() {
    let mut record = record();
    record.profile.text = None;
    assert!(without(&record, "auto", None).is_ok(), "the built-in profile is found by its SHA-256");
    record.profile.sha256 = "0".repeat(64);
    let refused = without(&record, "auto", None).unwrap_err();
    assert_eq!(refused, WhatIfError::NoProfile("resin-section".into()));
    assert!(refused.to_string().ends_with("give it with --profile FILE"));
}
