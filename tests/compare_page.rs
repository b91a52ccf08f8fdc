//! The page of a comparison in a real browser: opens from disk, asks for nothing, sorts and filters, fits every width,
//! and stays usable with 2,000 sessions.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "support/records.rs"]
mod records;

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;
use tiltworth::ledger::{Address, Ledger};
use tiltworth::record::Record;

/// Whether there is no browser; with `TILTWORTH_NO_SKIP` that is a failure.
fn skipped() -> bool {
    let present = |program: &str| Command::new(program).arg("--version").output().is_ok_and(|o| o.status.success());
    let Some(missing) = ["chromium", "python3"].into_iter().find(|program| !present(program)) else { return false };
    assert!(std::env::var_os("TILTWORTH_NO_SKIP").is_none(), "{missing} is missing");
    println!("SKIPPED compare_page: {missing} is missing");
    true
}

fn page(records: &[Record], folder: &Path) -> PathBuf {
    let ledger = folder.join("lab.sqlite");
    let mut open = Ledger::open(&Address::Sqlite(ledger.clone()), true).unwrap();
    for record in records {
        open.add(&records::text(record), "a test", None).unwrap();
    }
    let page = folder.join("page.html");
    let mut command = Command::new(env!("CARGO_BIN_EXE_tiltworth"));
    command.arg("compare").arg("--ledger").arg(&ledger).arg("--out").arg(&page);
    assert!(command.status().unwrap().success());
    page
}

fn look(page: &Path) -> Value {
    let driver = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser_driver/compare.py");
    let output = Command::new("python3").arg(driver).arg(page).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let facts: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(facts["errors"], serde_json::json!([]), "{}", facts["errors"]);
    assert_eq!(facts["requests_out"], serde_json::json!([]));
    for (width, overflow) in facts["overflow"].as_object().unwrap() {
        assert!(overflow.as_i64().unwrap() <= 0, "{width}: scrolls sideways by {overflow} px");
    }
    assert_ne!(facts["light_background"], facts["dark_background"]);
    assert!(facts["csp"].as_str().unwrap().starts_with("default-src 'none'"));
    facts
}

#[test]
fn the_demo_weeks_open_sort_and_filter() {
    if skipped() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let mut all = records::weeks();
    let evil = "</title></script><script>window.planted=1</script><img src=x onerror=window.planted=1>\"'&";
    all[0].series.session = Some(evil.into());
    all[0].series.title = Some(evil.into());
    let page = page(&all, folder.path());
    let facts = look(&page);
    // Two microscopes, three sessions in each of twelve weeks; the series with another session's name is one of its own.
    assert_eq!((&facts["rows"], &facts["all_again"]), (&73.into(), &73.into()));
    assert_eq!(facts["charts"].as_u64().unwrap(), 2 * (2 * 12 + 3));
    assert_eq!(facts["oldest"], "2031-02-03");
    assert!(facts["newest"].as_str().unwrap() > "2031-04-29");
    assert_eq!((&facts["by_microscope"], &facts["one_microscope"]), (&"Microscope 1".into(), &36.into()));
    let in_march = facts["words"].as_u64().unwrap();
    assert!((5..36).contains(&in_march));
    assert_eq!(facts["count"], format!("{in_march} of 73 sessions"));
    assert_eq!(facts["planted_script_ran"], false);
    // Without its script the page tells the same: all of it stands in the markup.
    let text = std::fs::read_to_string(&page).unwrap();
    let markup = text.rsplit_once("<script>").unwrap().0;
    for record in &all {
        assert!(markup.contains(&record.series.series_id), "{}", record.series.series_id);
    }
    assert!(markup.contains("and still at the last session"));
}

#[test]
fn two_thousand_sessions_stay_usable() {
    if skipped() {
        return;
    }
    let mut recipe = records::recipe();
    recipe.weeks.weeks = 143;
    recipe.weeks.closed.clear();
    recipe.weeks.sessions_per_week = 7;
    recipe.weeks.series_per_session = [1, 1];
    recipe.weeks.step_deg = 30.0;
    let all = tiltworth::simulate::weeks::run(&recipe).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let page = page(&all, folder.path());
    let bytes = std::fs::metadata(&page).unwrap().len();
    assert!(bytes < 12_000_000, "{bytes} bytes");
    let facts = look(&page);
    assert_eq!(facts["rows"], 2002);
    let sort_ms = facts["sort_ms"].as_f64().unwrap();
    println!("{bytes} bytes, sorted in {sort_ms:.0} ms");
    // A machine under load may be ten times as slow as a quiet one.
    assert!(sort_ms < 5000.0, "sorting takes {sort_ms} ms");
    let driver = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser_driver/weigh.py");
    let output = Command::new("python3").arg(driver).arg(&page).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let weight: Value = serde_json::from_slice(&output.stdout).unwrap();
    println!("{weight}");
    // Processor time, unlike time on a clock, is the same on a busy machine.
    assert!(weight["processor_ms"].as_f64().unwrap() < 1500.0 && weight["tab_megabytes"].as_f64().unwrap() < 250.0);
}
