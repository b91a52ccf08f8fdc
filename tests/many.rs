//! Many series in one run: found in folders, skipped where nothing changed, a failure costs its own series alone, and an
//! index leads to every report.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

mod support;

use std::fs;
use std::path::Path;
use std::process::{Command, Output};
use tempfile::TempDir;
use tiltworth::record::{Answer, Record};

const SIDE: usize = 128;
const TILTS: usize = 9;

fn run(args: &[&str], folder: &Path) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tiltworth"));
    command.current_dir(folder).args(["assess", "--recursive", "data"]).args(args).output().unwrap()
}

fn out(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// A folder with two nights of three series.
fn lab() -> TempDir {
    let home = tempfile::tempdir().unwrap();
    support::small_series(&home.path().join("data/night 1/a"), 1, SIDE, TILTS);
    support::small_series(&home.path().join("data/night 2/a"), 2, SIDE, TILTS);
    // A stack without a sheet.
    support::small_stack(&home.path().join("data/night 2/b.mrc"), 3, SIDE, TILTS);
    fs::write(home.path().join("data/night 2/b.csv"), support::small_table(TILTS)).unwrap();
    home
}

fn record(home: &Path, place: &str) -> Record {
    let file = home.join("tiltworth-quality").join(place).join("record.json");
    serde_json::from_slice(&fs::read(file).unwrap()).unwrap()
}

/// The row of the table at the end that speaks of a series.
fn row(output: &Output, name: &str) -> String {
    out(output).lines().find(|line| line.starts_with(name)).unwrap_or_else(|| panic!("{}", out(output))).to_owned()
}

#[test]
fn series_are_found_assessed_and_skipped_until_something_changes() {
    let home = lab();
    let first = run(&["--jobs", "2"], home.path());
    assert_eq!(first.status.code(), Some(0), "{}", said(&first));
    let places = ["night 1/a", "night 2/a", "night 2/b"];
    for place in places {
        assert!(row(&first, place).contains("assessed"));
        let report = format!("tiltworth-quality/{place}/report.html");
        assert!(row(&first, place).ends_with(&report) && home.path().join(report).exists());
    }
    assert!(
        fs::read_dir(home.path().join("data/night 1/a")).unwrap().count() == 3,
        "nothing is written beside a stack"
    );
    let was = places.map(|place| record(home.path(), place));
    assert_eq!(was[2].inputs.iter().map(|input| input.role.as_str()).collect::<Vec<_>>(), ["table", "stack"]);

    let index = fs::read_to_string(home.path().join("tiltworth-quality/index.html")).unwrap();
    for link in ["href=\"night%201/a/report.html\"", "href=\"night%202/b/report.html\""] {
        assert!(index.contains(link) || index.contains(&link.replace('/', "&#x2f;")), "{link}");
    }
    assert!(!index.contains("src=\"http") && index.contains("default-src 'none'"));

    let second = run(&[], home.path());
    assert_eq!(second.status.code(), Some(0), "{}", said(&second));
    assert_eq!(said(&second).matches("unchanged, skipped").count(), 3, "{}", said(&second));
    assert_eq!(places.map(|place| record(home.path(), place)), was);
    assert!(row(&second, "night 1/a").contains("unchanged, skipped"));

    // A pixel, a row, a sheet, an option, the profile: each makes the result another one.
    let stack = home.path().join("data/night 1/a/stack.mrc");
    let mut bytes = fs::read(&stack).unwrap();
    bytes[5000] ^= 1;
    fs::write(&stack, bytes).unwrap();
    let table = home.path().join("data/night 2/b.csv");
    fs::write(&table, support::small_table(TILTS).replace("60.000,8", "60.001,8")).unwrap();
    let third = run(&[], home.path());
    assert!(row(&third, "night 1/a").contains("assessed") && row(&third, "night 2/b").contains("assessed"));
    assert!(row(&third, "night 2/a").contains("unchanged, skipped"));
    assert_ne!(record(home.path(), "night 1/a").inputs, was[0].inputs);

    // The same bytes written again are no change, whatever the times say.
    fs::write(&table, fs::read(&table).unwrap()).unwrap();
    fs::write(&stack, fs::read(&stack).unwrap()).unwrap();
    let fourth = run(&["--rehash"], home.path());
    assert_eq!(said(&fourth).matches("unchanged, skipped").count(), 3, "{}", said(&fourth));
    let other = run(&["--pixel-nm", "0.7"], home.path());
    assert!(!said(&other).contains("unchanged"), "{}", said(&other));
    assert_eq!(record(home.path(), "night 2/a").options.as_deref(), Some("[camera]\npixel_nm = 0.7\n"));
    let strict = home.path().join("ours.toml");
    fs::write(&strict, "name = \"ours\"\nabout = \"x\"\nextends = \"resin-section\"\n").unwrap();
    let with = ["--pixel-nm", "0.7", "--profile", "ours.toml", "--no-report"];
    assert!(!said(&run(&with, home.path())).contains("unchanged"));
    assert_eq!(said(&run(&with, home.path())).matches("unchanged, skipped").count(), 3);
    // Now a report is wanted, and there is none.
    assert!(!said(&run(&with[..4], home.path())).contains("unchanged"));
    assert!(
        !said(&run(&["--pixel-nm", "0.7", "--profile", "ours.toml", "--force"], home.path())).contains("unchanged")
    );
}

#[test]
fn a_failure_costs_its_own_series_alone() {
    let home = lab();
    fs::write(home.path().join("data/night 1/a/sections.csv"), "tilt_deg\nsteep\n").unwrap();
    support::small_stack(&home.path().join("data/night 2/lone.mrc"), 4, SIDE, 1);
    let output = run(&["--ledger", "lab.sqlite", "--exit-verdict"], home.path());
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    assert!(row(&output, "night 1/a").contains("failed"));
    assert!(row(&output, "night 2/a").contains("assessed") && row(&output, "night 2/b").contains("assessed"));
    assert!(
        said(&output).contains("sections.csv, row 1, column tilt_deg: \"steep\" is no number"),
        "{}",
        said(&output)
    );
    assert!(said(&output).contains("a stack has neither a series.toml"), "{}", said(&output));
    let index = fs::read_to_string(home.path().join("tiltworth-quality/index.html")).unwrap();
    assert!(index.contains("failed") && index.contains("steep"));
    let ledger = |args: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tiltworth"));
        command.current_dir(home.path()).args(["ledger", "list", "--ledger", "lab.sqlite"]).args(args).output().unwrap()
    };
    assert!(out(&ledger(&[])).ends_with("2 assessments\n"), "{}", out(&ledger(&[])));

    // Mended, the rest follows; the ledger gets what it has not, and nothing twice.
    fs::write(home.path().join("data/night 1/a/sections.csv"), support::small_table(TILTS)).unwrap();
    let output = run(&["--ledger", "lab.sqlite", "--exit-verdict"], home.path());
    assert_eq!(said(&output).matches("unchanged, skipped").count(), 2, "{}", said(&output));
    assert!(out(&ledger(&["--all-revisions"])).ends_with("3 assessments\n"));
    let gravest =
        ["night 1/a", "night 2/a", "night 2/b"].map(|place| match record(home.path(), place).verdict.answer {
            Answer::Reconstruct => 0,
            Answer::ReconstructWithout => 10,
            Answer::DoNotReconstruct => 11,
            Answer::Undecided => 12,
        });
    assert_eq!(output.status.code(), gravest.into_iter().max());
    // What lies in the place of a result, and is none, is not replaced.
    fs::write(home.path().join("tiltworth-quality/night 2/a/thesis.txt"), "years of work").unwrap();
    let output = run(&["--force"], home.path());
    assert_eq!(output.status.code(), Some(1));
    assert!(said(&output).contains("it holds thesis.txt"), "{}", said(&output));
}

#[test]
fn what_does_not_fit_into_memory_is_told_and_never_begun() {
    let home = tempfile::tempdir().unwrap();
    support::small_series(&home.path().join("data/small"), 1, SIDE, TILTS);
    support::small_series(&home.path().join("data/large"), 2, 3000, 3);
    // 150 MB + 3 sections of 36 MB + 1.5 MB are needed for the large one, 155 MB for the small one.
    let output = run(&["--memory-mb", "200", "--jobs", "4"], home.path());
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    assert!(
        said(&output).contains("large: it needs about 259 MB of memory, and 200 MB are free for it"),
        "{}",
        said(&output)
    );
    assert!(row(&output, "small").contains("assessed"), "{}", out(&output));
}

#[test]
fn a_folder_without_series_and_a_wrong_command_line_are_told() {
    let home = tempfile::tempdir().unwrap();
    fs::create_dir(home.path().join("data")).unwrap();
    let output = run(&[], home.path());
    assert_eq!(output.status.code(), Some(1));
    assert!(said(&output).contains("no series was found"), "{}", said(&output));
    assert!(!home.path().join("tiltworth-quality").exists());
    assert_eq!(run(&["--pair"], home.path()).status.code(), Some(2));
    assert_eq!(run(&["--jobs", "0"], home.path()).status.code(), Some(2));
}
