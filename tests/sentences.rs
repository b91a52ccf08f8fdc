//! Every sentence that a page can show stands in `words.toml` or `sentences.toml`: a page in a made-up language, whose
//! letters are wide ones, holds no other words than those that were read from files.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "support/pair_series.rs"]
mod pair_series;
#[path = "support/records.rs"]
mod records;
#[path = "support/rust_text.rs"]
mod rust_text;

use regex::Regex;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use tempfile::TempDir;
use tiltworth::trial::grid;
use toml::{Table, Value};

/// Code whose texts end in records and on pages.
const SPEAKING: [&str; 8] = [
    "src/cli/chosen.rs",
    "src/judge",
    "src/measure",
    "src/assess",
    "src/compare/chart.rs",
    "src/compare/signals.rs",
    "src/ledger/figures.rs",
    "src/trial",
];
/// Code there whose texts are messages on the terminal.
const ON_THE_TERMINAL: [&str; 4] =
    ["src/judge/profile.rs", "src/judge/inherit.rs", "src/judge/house.rs", "src/judge/watch.rs"];

/// What stands before texts of a single word that are told; other single words are ids and keys.
const LABELS: [&str; 6] = ["title:", "unit:", "name:", "word:", "=>", "{"];

/// Whether a text is a verb that goes with angles.
fn is_verb(before: &str) -> bool {
    before.split("angles(").nth(1).is_some_and(|arguments| !arguments.contains(')'))
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn rust_files(under: &Path, found: &mut Vec<PathBuf>) {
    if under.is_file() {
        found.push(under.to_owned());
        return;
    }
    let mut entries: Vec<PathBuf> = fs::read_dir(under).unwrap().map(|entry| entry.unwrap().path()).collect();
    entries.sort();
    entries.iter().filter(|path| path.is_dir() || path.extension().is_some_and(|e| e == "rs")).for_each(|path| {
        rust_files(path, found);
    });
}

/// Slots as the list has them: by name, or else numbered.
fn with_slots(text: &str) -> String {
    let mut number = 0;
    let slot = Regex::new(r"\{([a-z_]*)[^{}]*\}").unwrap();
    let named = slot.replace_all(text, |found: &regex::Captures<'_>| {
        number += usize::from(found[1].is_empty());
        if found[1].is_empty() { format!("{{{number}}}") } else { format!("{{{}}}", &found[1]) }
    });
    named.into_owned()
}

/// The sentences of the code, by the file that says them.
fn said() -> Vec<(String, Vec<String>)> {
    let mut files = Vec::new();
    SPEAKING.iter().for_each(|part| rust_files(&root().join(part), &mut files));
    let (words, slot) = (Regex::new(r"[a-z]{2}").unwrap(), Regex::new(r"\{[^}]*\}").unwrap());
    let mut known = BTreeSet::new();
    let mut all = Vec::new();
    for file in files {
        let name = file.strip_prefix(root()).unwrap().to_str().unwrap().to_owned();
        if ON_THE_TERMINAL.contains(&name.as_str()) {
            continue;
        }
        let field = |before: &str, field: &str| before.ends_with(field);
        let sentences: Vec<String> = rust_text::literals(&fs::read_to_string(&file).unwrap())
            .into_iter()
            .filter(|literal| !field(&literal.before, "why:") || !name.ends_with("kinds.rs"))
            .filter(|literal| {
                let judged = |label: &str| match label {
                    "=>" => name.starts_with("src/judge"),
                    "{" => name.starts_with("src/compare"),
                    _ => true,
                };
                let labelled = LABELS.iter().any(|label| judged(label) && field(&literal.before, label));
                let label = labelled || is_verb(&literal.before) || name.ends_with("kinds.rs");
                let text = with_slots(&literal.text);
                let is_id = text.contains('_') && !text.contains([' ', '{']);
                let outside = slot.replace_all(&text, "").into_owned();
                words.is_match(&outside)
                    && !is_id
                    && (label || literal.text.trim().contains(' ') || outside.contains(' '))
            })
            .map(|literal| with_slots(&literal.text))
            .filter(|text| known.insert(text.clone()))
            .collect();
        if !sentences.is_empty() {
            all.push((name.trim_start_matches("src/").trim_end_matches(".rs").to_owned(), sentences));
        }
    }
    all
}

fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n"))
}

/// The list as it should stand: `TILTWORTH_WRITE=1 cargo test --test sentences` writes it.
#[test]
fn the_list_holds_the_sentences_of_the_code() {
    let path = root().join("report-templates/sentences.toml");
    let text = fs::read_to_string(&path).unwrap_or_default();
    let head: String = text.lines().take_while(|line| line.starts_with('#')).map(|line| format!("{line}\n")).collect();
    let mut should = head;
    for (group, sentences) in said() {
        should += &format!("\n[{}]\n", quoted(&group));
        for sentence in sentences {
            should += &format!("{0} = {0}\n", quoted(&sentence));
        }
    }
    if std::env::var_os("TILTWORTH_WRITE").is_some() {
        fs::write(&path, &should).unwrap();
    }
    let lines = |text: &str| text.lines().map(str::to_owned).collect::<BTreeSet<_>>();
    let (is, should) = (lines(&fs::read_to_string(&path).unwrap()), lines(&should));
    let differ: Vec<&String> = is.symmetric_difference(&should).collect();
    assert!(differ.is_empty(), "the list and the code differ in {differ:#?}");
}

/// Letters outside of slots made wide.
fn wide(text: &str) -> String {
    let mut inside = false;
    let letter = |c: char| {
        inside = (inside || c == '{') && c != '}';
        let wide = match c {
            'a'..='z' => u32::from(c) - u32::from('a') + 0xff41,
            'A'..='Z' => u32::from(c) - u32::from('A') + 0xff21,
            _ => u32::from(c),
        };
        if inside { c } else { char::from_u32(wide).unwrap() }
    };
    text.chars().map(letter).collect()
}

fn widened(value: &Value) -> Value {
    match value {
        Value::String(text) => Value::String(wide(text)),
        Value::Array(values) => Value::Array(values.iter().map(widened).collect()),
        Value::Table(table) => Value::Table(table.iter().map(|(key, value)| (key.clone(), widened(value))).collect()),
        other => other.clone(),
    }
}

/// A folder of templates in the made-up language.
fn made_up() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    for name in ["words.toml", "sentences.toml"] {
        let own: Table = fs::read_to_string(root().join("report-templates").join(name)).unwrap().parse().unwrap();
        let own = widened(&Value::Table(own));
        fs::write(folder.path().join(name), toml::to_string(&own).unwrap()).unwrap();
    }
    folder
}

/// Runs of words on a page that are not in the made-up language, `read` taken out.
fn left(page: &str, read: &[String]) -> Vec<String> {
    let tag = |name: &str| Regex::new(&format!("(?s)<{name}[ >].*?</{name}>")).unwrap();
    let mut text = page.to_owned();
    for name in ["script", "style", "code"] {
        text = tag(name).replace_all(&text, " ").into_owned();
    }
    let labels = Regex::new("(?:aria-label|alt|title|placeholder)=\"([^\"]*)\"").unwrap();
    let labels: String = labels.captures_iter(&text).map(|found| format!("\n{}", &found[1])).collect();
    text = Regex::new("<[^>]*>").unwrap().replace_all(&text, "\n").into_owned() + &labels;
    for entity in [("&#x27;", "'"), ("&#39;", "'"), ("&quot;", "\""), ("&#x2f;", "/"), ("&amp;", "&")] {
        text = text.replace(entity.0, entity.1);
    }
    let mut read: Vec<&String> = read.iter().filter(|text| text.len() > 2).collect();
    read.sort_by_key(|text| std::cmp::Reverse(text.len()));
    for known in read {
        text = text.replace(known.as_str(), " ");
    }
    // Keys that a user writes into a sheet, and words of one or two letters, such as units, are no words of a language.
    let keys = Regex::new(r"[A-Za-z]+(?:[._][A-Za-z0-9]+)+").unwrap();
    text = keys.replace_all(&text, " ").into_owned();
    let words = Regex::new("[A-Za-z]{3,}").unwrap();
    let lines = text.lines().map(str::trim).filter(|line| words.is_match(line)).map(str::to_owned);
    lines.collect::<BTreeSet<_>>().into_iter().collect()
}

/// What a record holds that was read, and words that are keys of the contract.
fn read(record: &serde_json::Value) -> Vec<String> {
    fn strings(value: &serde_json::Value, found: &mut Vec<String>) {
        match value {
            serde_json::Value::String(text) => found.push(text.clone()),
            serde_json::Value::Array(values) => values.iter().for_each(|value| strings(value, found)),
            serde_json::Value::Object(fields) => fields.values().for_each(|value| strings(value, found)),
            _ => {}
        }
    }
    let mut found = vec!["tiltworth".to_owned()];
    for part in ["series", "inputs", "columns", "tool", "assessed_at"] {
        strings(&record[part], &mut found);
    }
    strings(&record["profile"]["name"], &mut found);
    // Keys of the contract.
    let coverage = &record["measures"]["coverage"];
    for key in ["scheme", "order_source", "axes_apart_source"] {
        strings(&coverage[key], &mut found);
    }
    for check in record["checks"].as_array().into_iter().flatten() {
        strings(&check["id"], &mut found);
    }
    found.extend(["SHA-256", "UTC"].map(str::to_owned));
    found
}

fn tiltworth(args: &[&str]) {
    let output = Command::new(env!("CARGO_BIN_EXE_tiltworth")).args(args).output().unwrap();
    assert!(output.status.success(), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn another_language_reaches_every_word_of_a_report() {
    let (language, out) = (made_up(), tempfile::tempdir().unwrap());
    let bare = root().join("tests/reference/outside/outside-flat");
    let (stack, angles) = (bare.join("stack.mrc"), bare.join("angles.txt"));
    let demo = |name: &str| root().join("demo-stacks").join(name);
    let [kelp, moss, pond] = ["kelp-chloroplast", "moss-leaf-hasty", "pond-bacterium"].map(demo);
    let series = [vec![&kelp], vec![&moss], vec![&pond], vec![&stack]];
    for (at, inputs) in series.iter().enumerate() {
        let folder = out.path().join(at.to_string());
        let mut args: Vec<&str> = vec!["assess"];
        args.extend(inputs.iter().map(|path| path.to_str().unwrap()));
        if inputs[0].ends_with("stack.mrc") {
            args.extend(["--angles", angles.to_str().unwrap()]);
        }
        args.extend(["-q", "--out", folder.to_str().unwrap(), "--templates", language.path().to_str().unwrap()]);
        tiltworth(&args);
        let record: serde_json::Value =
            serde_json::from_str(&fs::read_to_string(folder.join("record.json")).unwrap()).unwrap();
        let page = fs::read_to_string(folder.join("report.html")).unwrap();
        let left = left(&page, &read(&record));
        assert!(left.is_empty(), "{:?}: {left:#?}", inputs[0]);
        // The record keeps the words in which it was judged.
        assert!(
            record["verdict"]["headline"].as_str().unwrap().contains(|c: char| c.is_ascii_lowercase()),
            "{}",
            record["verdict"]
        );
    }
}

#[test]
fn another_language_reaches_every_word_of_the_pages_of_pairs_weeks_and_trials() {
    let (language, out) = (made_up(), tempfile::tempdir().unwrap());
    let templates = language.path().to_str().unwrap();
    let folder = |name: &str| out.path().join(name).to_str().unwrap().to_owned();

    let a = pair_series::Plan { seed: 701, specimen: 701, ..pair_series::Plan::default() };
    let b = pair_series::Plan { seed: 1701, turn_deg: 90.0, ..a.clone() };
    a.write(&out.path().join("a"));
    b.write(&out.path().join("b"));
    tiltworth(&[
        "assess",
        &folder("a"),
        &folder("b"),
        "--pair",
        "-q",
        "--out",
        &folder("pair"),
        "--templates",
        templates,
    ]);
    let record = fs::read_to_string(out.path().join("pair/pair.json")).unwrap();
    let record: serde_json::Value = serde_json::from_str(&record).unwrap();
    let mut known = read(&record);
    for side in ["a", "b"] {
        known.extend(
            ["title", "series_id", "started_at"].map(|key| record[side][key].as_str().unwrap_or("").to_owned()),
        );
    }
    let page = fs::read_to_string(out.path().join("pair/pair.html")).unwrap();
    let strange = left(&page, &known);
    assert!(strange.is_empty(), "pair: {strange:#?}");

    for (at, record) in records::weeks().iter().enumerate().step_by(4).take(40) {
        known.extend(read(&serde_json::to_value(record).unwrap()));
        let file = records::write(out.path(), &format!("week {at}"), record);
        tiltworth(&["ledger", "add", "--ledger", &folder("lab.sqlite"), file.to_str().unwrap()]);
    }
    known.push(folder("lab.sqlite"));
    let weeks = folder("weeks.html");
    tiltworth(&["compare", "--ledger", &folder("lab.sqlite"), "--out", &weeks, "--templates", templates]);
    let strange = left(&fs::read_to_string(&weeks).unwrap(), &known);
    assert!(strange.is_empty(), "weeks: {strange:#?}");

    let profile = tiltworth::judge::Profile::find(Some("resin-section"), tiltworth::record::Specimen::Other).unwrap();
    let mut jobs = grid::jobs(grid::specimen(&profile), grid::Mode::Quick, 4_100);
    jobs.retain(|job| job.kind.is_some_and(|kind| ["pause", "unreadable"].contains(&kind.name)));
    let trial = tiltworth::trial::try_jobs(&profile, grid::Mode::Quick, 4_100, jobs, &|_| (), &|| true).unwrap();
    let page = tiltworth::report::trial_page(&trial, Some(language.path())).unwrap();
    let strange = left(&page, &["tiltworth", "quick", "min", &trial.profile, &trial.profile_sha256].map(str::to_owned));
    assert!(strange.is_empty(), "trial: {strange:#?}");
}
