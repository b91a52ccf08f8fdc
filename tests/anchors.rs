//! Every link within the page leads somewhere, and every flag and reason leads to its check, plot and tilt.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use assert_cmd::Command;
use regex::Regex;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

fn page(series: &Path, options: &[&str]) -> (String, serde_json::Value) {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("r");
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    command.arg("assess").arg(series).args(options).arg("-q").arg("--out").arg(&out).assert().success();
    let record = serde_json::from_str(&fs::read_to_string(out.join("record.json")).unwrap()).unwrap();
    (fs::read_to_string(out.join("report.html")).unwrap(), record)
}

fn all_resolve(page: &str) {
    let shown = page.split("<script type=\"application/json\"").next().unwrap();
    let mut ids: BTreeMap<&str, usize> = BTreeMap::new();
    for found in Regex::new(r#"\sid="([^"]+)""#).unwrap().captures_iter(shown) {
        *ids.entry(found.get(1).unwrap().as_str()).or_default() += 1;
    }
    assert!(ids.values().all(|&times| times == 1), "{:?}", ids.iter().filter(|(_, n)| **n > 1).collect::<Vec<_>>());
    let links = Regex::new(r##"href="#([^"]*)""##).unwrap();
    let mut followed = 0;
    for link in links.captures_iter(shown).map(|found| found.get(1).unwrap().as_str()) {
        assert!(ids.contains_key(link), "#{link} leads nowhere");
        followed += 1;
    }
    assert!(followed > 30, "{followed} links");
}

#[test]
fn every_link_of_the_demo_pages_leads_somewhere() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let (hasty, record) = page(&root.join("demo-stacks/moss-leaf-hasty"), &[]);
    all_resolve(&hasty);
    for check in record["checks"].as_array().unwrap() {
        let id = check["id"].as_str().unwrap();
        assert!(hasty.contains(&format!("id=\"check-{id}\"")), "{id} has no place");
    }
    for (at, tilt) in record["tilts"].as_array().unwrap().iter().enumerate() {
        for flag in tilt["flags"].as_array().unwrap() {
            let flag = flag.as_str().unwrap();
            assert!(hasty.contains(&format!("<a href=\"#check-{flag}\">{flag}</a>")), "{flag}");
            assert!(hasty.contains(&format!("href=\"#tilt-{at}\"")));
        }
    }
    // Reasons that come from a check lead to it, at most three at once.
    let reasons = record["verdict"]["reason_checks"].as_array().unwrap();
    for id in reasons.iter().filter_map(|id| id.as_str()) {
        assert!(hasty.contains(&format!("href=\"#check-{id}\"><svg")), "{id}");
    }
    let head = hasty.split("<details>").next().unwrap();
    assert_eq!(head.matches("class=\"lead ").count(), reasons.iter().take(3).filter(|id| id.is_string()).count());

    // A series of which next to nothing is known has the same places.
    let (bare, _) = page(
        &root.join("tests/reference/outside/outside-flat/stack.mrc"),
        &["--angles", &root.join("tests/reference/outside/outside-flat/angles.txt").to_string_lossy()],
    );
    all_resolve(&bare);
}
