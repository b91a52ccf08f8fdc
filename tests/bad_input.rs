//! Bad input ends in one clear message with file, place, value and remedy, exit status 1, and no output.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use assert_cmd::Command;
use std::fs;
use std::path::{Path, PathBuf};

/// A sound little series: 3 tilts of one tile, as MRC2014.
fn sound() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/outside/outside-flat");
    fs::copy(source.join("stack.mrc"), folder.path().join("stack.mrc")).unwrap();
    let angles: Vec<String> = (0..31).map(|i| format!("{},{i}", 4 * i - 60)).collect();
    fs::write(folder.path().join("sections.csv"), format!("tilt_deg,order\n{}\n", angles.join("\n"))).unwrap();
    fs::write(folder.path().join("series.toml"), "stack = \"stack.mrc\"\ntable = \"sections.csv\"\n").unwrap();
    folder
}

fn assess(folder: &Path, options: &[&str]) -> (Option<i32>, String, PathBuf) {
    let out = folder.join("result");
    let output = Command::cargo_bin("tiltworth")
        .unwrap()
        .arg("assess")
        .arg(folder)
        .args(["--quiet", "--out"])
        .arg(&out)
        .args(options)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr).replace(&format!("{}/", folder.display()), "");
    (output.status.code(), said, out)
}

fn refused(change: impl Fn(&Path), expected: &str) {
    let folder = sound();
    change(folder.path());
    let (status, said, out) = assess(folder.path(), &[]);
    assert_eq!(status, Some(1), "{said}");
    assert!(said.contains(expected), "expected: {expected}\nsaid: {said}");
    assert_eq!(said.lines().count(), 1, "{said}");
    assert!(!said.contains("panicked"), "{said}");
    assert!(!out.exists());
    let left: Vec<_> = fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert!(left.iter().all(|name| !name.to_string_lossy().starts_with(".tiltworth")), "{left:?}");
}

fn edit(file: &'static str, from: &'static str, to: &'static str) -> impl Fn(&Path) {
    move |folder| {
        let path = folder.join(file);
        let text = fs::read_to_string(&path).unwrap();
        assert!(text.contains(from));
        fs::write(path, text.replacen(from, to, 1)).unwrap();
    }
}

#[test]
fn the_sound_series_is_assessed() {
    let folder = sound();
    let (status, said, out) = assess(folder.path(), &[]);
    assert_eq!(status, Some(0), "{said}");
    for file in ["report.html", "record.json", "tilts.csv", "dose-weights.csv", "alignment.csv", "evidence.zip"] {
        assert!(out.join(file).metadata().unwrap().len() > 0, "{file}");
    }
}

#[test]
fn tables_that_are_wrong_are_refused() {
    let table = "sections.csv";
    refused(
        edit(table, "-60,0", "x60,0"),
        "sections.csv, row 1, column tilt_deg: \"x60\" is no number; write a number",
    );
    refused(edit(table, "-56,1", "NaN,1"), "sections.csv, row 2, column tilt_deg: \"NaN\" is no number");
    refused(edit(table, "-60,0", "-160,0"), "row 1, column tilt_deg: -160 is beyond ±90°");
    refused(edit(table, "tilt_deg", "alpha"), "heading row: no column tilt_deg among the headings alpha, order");
    refused(
        edit(table, "-52,2\n", ""),
        "the table has 30 rows, but the stack has 31 sections; hand in the table that belongs",
    );
    refused(edit(table, "-52,2", "-52,1"), "row 3, column order: 1 stands in row 2 already");
    refused(|f| fs::write(f.join(table), b"tilt_deg,\xb5\n1,2\n").unwrap(), "line 1: byte 0xb5 is not UTF-8");
    refused(|f| fs::write(f.join(table), b"\xff\xfet\0i\0").unwrap(), "the text is UTF-16; save it as UTF-8");
    refused(
        |f| {
            let rows: Vec<String> = (0..31).map(|i| format!("{i},{}", if i == 7 { 6 } else { i })).collect();
            fs::write(f.join(table), format!("tilt_deg,section\n{}\n", rows.join("\n"))).unwrap();
        },
        "sections.csv, row 8, column section: 6 is named in row 7 already; name each section once",
    );
    refused(|f| fs::remove_file(f.join(table)).unwrap(), "sections.csv: No such file or directory");
}

#[test]
fn stacks_that_are_wrong_are_refused() {
    let cut = |length: usize| {
        move |folder: &Path| {
            let path = folder.join("stack.mrc");
            let bytes = fs::read(&path).unwrap();
            fs::write(path, &bytes[..length.min(bytes.len() - 1)]).unwrap();
        }
    };
    refused(cut(500), "stack.mrc, header: the file ends at byte 500, inside the header");
    refused(cut(200_000), "stack.mrc, section 24: its pixels should reach to byte");
    refused(cut(usize::MAX), "or assess what is there with --partial");
    refused(|f| fs::write(f.join("stack.mrc"), "no stack").unwrap(), "neither a TIFF nor an MRC2014 file");
    refused(|f| fs::remove_file(f.join("stack.mrc")).unwrap(), "stack.mrc: No such file or directory");
}

#[test]
fn sheets_that_are_wrong_are_refused() {
    let sheet = "series.toml";
    refused(edit(sheet, "table = \"sections.csv\"\n", ""), "series.toml: nothing states the tilt angles; add table");
    refused(edit(sheet, "stack = \"stack.mrc\"\n", ""), "series.toml: nothing names the stack; add stack");
    refused(|f| fs::write(f.join(sheet), "stack = 3\n").unwrap(), "series.toml, line 1: invalid type");
    refused(|f| fs::write(f.join(sheet), "stack = \n").unwrap(), "series.toml, line 1:");
    refused(|f| fs::remove_file(f.join(sheet)).unwrap(), "the folder holds no series.toml; write one");
    refused(
        |f| {
            let text = fs::read_to_string(f.join(sheet)).unwrap();
            fs::write(f.join(sheet), format!("{text}[camera]\npixel_nm = -1\n")).unwrap();
        },
        "series.toml: camera.pixel_nm is -1; give a number above zero, or leave it out",
    );
}

#[test]
fn an_earlier_result_is_never_replaced_unasked() {
    let folder = sound();
    assert_eq!(assess(folder.path(), &[]).0, Some(0));
    let (status, said, out) = assess(folder.path(), &[]);
    assert_eq!(status, Some(1));
    assert!(said.contains("it exists already; choose another folder with --out, or replace it with --force"), "{said}");
    assert_eq!(assess(folder.path(), &["--force"]).0, Some(0));
    fs::write(out.join("notes.txt"), "mine").unwrap();
    let (status, said, _) = assess(folder.path(), &["--force"]);
    assert_eq!(status, Some(1));
    assert!(said.contains("it holds notes.txt, which is no file of tiltworth's, and is not replaced"), "{said}");
    assert_eq!(fs::read_to_string(out.join("notes.txt")).unwrap(), "mine");
}

#[test]
fn a_broken_off_series_is_assessed_for_what_is_there_when_asked() {
    let folder = sound();
    let path = folder.path().join("stack.mrc");
    let bytes = fs::read(&path).unwrap();
    fs::write(&path, &bytes[..1024 + 64 * 64 * 2 * 25]).unwrap();
    let (status, said, out) = assess(folder.path(), &["--partial"]);
    assert_eq!(status, Some(0), "{said}");
    let record: serde_json::Value =
        serde_json::from_str(&fs::read_to_string(out.join("record.json")).unwrap()).unwrap();
    assert_eq!(record["series"]["tilts"], 25);
    assert!(record["notes"].to_string().contains("a part of the series is assessed"), "{}", record["notes"]);
}

#[test]
fn wrong_command_lines_exit_with_2() {
    let output = Command::cargo_bin("tiltworth").unwrap().args(["assess", "--nonsense"]).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
}

#[test]
fn the_verdict_can_be_read_from_the_exit_status() {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-stacks/moss-leaf-hasty");
    let out = tempfile::tempdir().unwrap();
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    command.arg("assess").arg(demo).args(["-q", "--exit-verdict", "--out"]).arg(out.path().join("r"));
    assert_eq!(command.output().unwrap().status.code(), Some(10));
}
