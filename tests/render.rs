//! The page can be made again from a record and its evidence, without the stack.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use assert_cmd::Command;
use std::fs;
use std::path::Path;

#[test]
fn the_page_is_the_same_again_and_templates_can_be_replaced() {
    let out = tempfile::tempdir().unwrap();
    let result = out.path().join("result");
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-stacks/pond-bacterium");
    Command::cargo_bin("tiltworth")
        .unwrap()
        .arg("assess")
        .arg(demo)
        .arg("-q")
        .arg("--out")
        .arg(&result)
        .assert()
        .success();
    let page = out.path().join("again.html");
    let render = |options: &[&str]| {
        let mut command = Command::cargo_bin("tiltworth").unwrap();
        command.arg("render").arg(result.join("record.json")).arg("--out").arg(&page).args(options);
        command.output().unwrap()
    };
    assert!(render(&[]).status.success());
    assert_eq!(fs::read(&page).unwrap(), fs::read(result.join("report.html")).unwrap());
    assert!(fs::metadata(&page).unwrap().len() < 6_000_000, "the page is heavy");
    let refused = render(&[]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("it exists already"));
    let own = out.path().join("own");
    fs::create_dir(&own).unwrap();
    fs::write(own.join("verdict.html"), "<p>{{ record.verdict.headline }} by our house</p>").unwrap();
    assert!(render(&["--force", "--templates", &own.to_string_lossy()]).status.success());
    assert!(fs::read_to_string(&page).unwrap().contains("by our house"));
    fs::remove_file(result.join("evidence.zip")).unwrap();
    let refused = render(&["--force"]);
    assert!(String::from_utf8_lossy(&refused.stderr).contains("keep evidence.zip beside the record"));
}

/// What is not measured is absent from the page, and nothing is loaded from outside.
#[test]
fn the_page_holds_only_what_was_measured_and_loads_nothing() {
    let out = tempfile::tempdir().unwrap();
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/outside/outside-flat");
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    command.arg("assess").arg(source.join("stack.mrc")).arg("--angles").arg(source.join("angles.txt"));
    command.arg("-q").arg("--out").arg(out.path().join("r")).assert().success();
    let page = fs::read_to_string(out.path().join("r/report.html")).unwrap();
    let shown = page.split("<script type=\"application/json\"").next().unwrap().to_lowercase();
    for absent in ["underfocus against tilt", "place of the field", "patches of the seams", "weight at nyquist"] {
        assert!(!shown.contains(absent), "{absent}");
    }
    assert!(shown.contains("focus: not measured, because the voltage (instrument.kv) is not stated"));
    assert!(shown.contains("not measured: no target is stated"));
    assert!(shown.contains("not measured: the series is no montage"));
    assert!(shown.contains("no two tilts show the same texture"));
    assert!(shown.contains("does not replace the facility"));
    for outside in ["src=\"http", "href=\"http", "url(http", "@import", "src=\"//"] {
        assert!(!page.contains(outside), "{outside}");
    }
}
