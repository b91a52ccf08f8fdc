//! What the tests in a real browser share: is there one, a page to look at, a driver's facts.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]
#![allow(dead_code, reason = "each test uses its part")]

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The repository.
pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn present(program: &str) -> bool {
    Command::new(program).arg("--version").output().is_ok_and(|output| output.status.success())
}

/// Says that a test is skipped for want of something; with `TILTWORTH_NO_SKIP` that is a failure.
pub fn lacks(test: &str, missing: &str) -> bool {
    assert!(std::env::var_os("TILTWORTH_NO_SKIP").is_none(), "{missing} is missing");
    println!("SKIPPED {test}: {missing} is missing");
    true
}

/// Whether there is no browser.
pub fn skipped(test: &str) -> bool {
    let missing = ["chromium", "python3"].into_iter().find(|program| !present(program));
    missing.is_some_and(|missing| lacks(test, missing))
}

/// The report of a series.
pub fn page(series: &Path, options: &[&str], out: &Path) -> PathBuf {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tiltworth"));
    command.arg("assess").arg(series).arg("-q").arg("--out").arg(out.join("result")).args(options);
    assert!(command.status().unwrap().success());
    out.join("result/report.html")
}

/// The facts that a script of `browser_driver/` prints.
pub fn driven(python: &Path, script: &str, arguments: &[&Path]) -> Value {
    let driver = root().join("tests/browser_driver").join(script);
    let output = Command::new(python).arg(driver).args(arguments).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    if output.stdout.is_empty() { Value::Null } else { serde_json::from_slice(&output.stdout).unwrap() }
}

/// A stack and its angles, with strings that attack the page in the sheet, the files' names and the table: nothing else is
/// known of the series.
pub fn hostile(folder: &Path) -> (PathBuf, String) {
    let source = root().join("tests/reference/outside/outside-bell");
    let series = folder.join("in");
    std::fs::create_dir(&series).unwrap();
    let evil =
        "</title></script><script>window.planted=1</script><img src=x onerror=window.planted=1>\u{202e}\"'&{{ 7*7 }}";
    std::fs::copy(source.join("stack.mrc"), series.join("<b onclick=x>\u{202e}.mrc")).unwrap();
    let angles = std::fs::read_to_string(source.join("angles.txt")).unwrap();
    let cell = format!("\"{}\"", evil.replace('"', "\"\""));
    let rows: String = angles.split_whitespace().map(|deg| format!("{deg},{cell}\n")).collect();
    std::fs::write(series.join("<i>sections.csv"), format!("tilt_deg,{cell}\n{rows}")).unwrap();
    let quoted = toml::Value::from(evil);
    let sheet = format!(
        "title = {quoted}\nsession = {quoted}\nstack = \"<b onclick=x>\u{202e}.mrc\"\ntable = \"<i>sections.csv\"\n[instrument]\nname = {quoted}\n"
    );
    std::fs::write(series.join("series.toml"), sheet).unwrap();
    (series, evil.to_owned())
}
