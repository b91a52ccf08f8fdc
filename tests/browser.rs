//! The report in a real browser: opens from disk, asks for nothing, makes no error, pages with the arrow keys, fits
//! every width, and runs no script out of a file.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

fn present(program: &str) -> bool {
    Command::new(program).arg("--version").output().is_ok_and(|output| output.status.success())
}

/// Whether there is no browser; with `TILTWORTH_NO_SKIP` that is a failure.
fn skipped() -> bool {
    let missing = ["chromium", "python3"].into_iter().find(|program| !present(program));
    let Some(missing) = missing else { return false };
    assert!(std::env::var_os("TILTWORTH_NO_SKIP").is_none(), "{missing} is missing");
    println!("SKIPPED browser: {missing} is missing");
    true
}

fn page(series: &Path, options: &[&str], out: &Path) -> PathBuf {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tiltworth"));
    command.arg("assess").arg(series).arg("-q").arg("--out").arg(out.join("result")).args(options);
    assert!(command.status().unwrap().success());
    out.join("result/report.html")
}

fn look(page: &Path) -> Value {
    let driver = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser_driver/look.py");
    let output = Command::new("python3").arg(driver).arg(page).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn sound_everywhere(facts: &Value) {
    assert_eq!(facts["errors"], serde_json::json!([]), "{}", facts["errors"]);
    assert_eq!(facts["requests_out"], serde_json::json!([]));
    assert!(facts["requests"].as_u64().unwrap() > 0, "the page was not seen to load");
    for (width, overflow) in facts["overflow"].as_object().unwrap() {
        assert!(overflow.as_i64().unwrap() <= 0, "{width}: scrolls sideways by {overflow} px");
    }
    assert_ne!(facts["light_background"], facts["dark_background"]);
    assert!(facts["csp"].as_str().unwrap().starts_with("default-src 'none'"));
}

#[test]
fn a_report_opens_from_disk_and_pages_with_the_arrow_keys() {
    if skipped() {
        return;
    }
    let out = tempfile::tempdir().unwrap();
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-stacks/moss-leaf-hasty");
    let facts = look(&page(&demo, &[], out.path()));
    sound_everywhere(&facts);
    // 41 tilts: the one nearest zero is number 20 from 0.
    assert_eq!(facts["first"], "20");
    assert_eq!((&facts["after_right"], &facts["after_left"]), (&Value::from("21"), &Value::from("19")));
    assert_eq!((&facts["address"], &facts["from_address"]), (&Value::from("#tilt-19"), &Value::from("1")));
    assert_eq!((&facts["rows"], &facts["marked_rows"]), (&Value::from(41), &Value::from(1)));
    assert_eq!(facts["markers"], facts["plots_over_tilt"]);
    assert!(facts["plots_over_tilt"].as_u64().unwrap() >= 4 && facts["picture"].as_u64().unwrap() > 100);
}

/// A series of one tile without any fact but its angles, whose strings attack the page.
#[test]
fn hostile_strings_are_text_and_missing_facts_are_no_errors() {
    if skipped() {
        return;
    }
    let out = tempfile::tempdir().unwrap();
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/outside/outside-bell");
    let folder = out.path().join("in");
    std::fs::create_dir(&folder).unwrap();
    let evil = "</title></script><script>window.planted=1</script><img src=x onerror=window.planted=1>\u{202e}\"'&";
    std::fs::copy(source.join("stack.mrc"), folder.join("<b onclick=x>.mrc")).unwrap();
    std::fs::copy(source.join("angles.txt"), folder.join("angles.txt")).unwrap();
    let quoted = toml::Value::from(evil);
    let sheet = format!(
        "title = {quoted}\nsession = {quoted}\nstack = \"<b onclick=x>.mrc\"\nangles = \"angles.txt\"\n[instrument]\nname = {quoted}\n"
    );
    std::fs::write(folder.join("series.toml"), sheet).unwrap();
    let page = page(&folder, &[], out.path());
    let text = std::fs::read_to_string(&page).unwrap();
    assert!(!text.contains("<script>window.planted") && !text.contains("<img src=x") && !text.contains("<b onclick"));
    let facts = look(&page);
    sound_everywhere(&facts);
    assert_eq!(facts["planted_script_ran"], false);
    assert!(facts["title"].as_str().unwrap().starts_with("</title></script><script>window.planted=1</script>"));
}
