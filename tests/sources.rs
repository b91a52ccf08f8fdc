//! Facts of the sections from a site's own log, from records of an extended header and from OME-XML, as the command line
//! shows and uses them. The stacks are written by tifffile and mrcfile (tests/reference/sources/make.py).

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use assert_cmd::Command;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

fn stack(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/sources").join(name)
}

/// A folder with a sheet that names a stack of the reference, and other files.
fn series(sheet: &str, files: &[(&str, &str)]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    for name in ["planes.ome.tif", "records.mrc"] {
        fs::copy(stack(name), folder.path().join(name)).unwrap();
    }
    for (name, text) in files {
        fs::write(folder.path().join(name), text).unwrap();
    }
    fs::write(folder.path().join("series.toml"), sheet).unwrap();
    folder
}

fn run(args: &[&str], folder: &TempDir) -> (bool, String, String) {
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    let output = command.args(args).current_dir(folder.path()).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (output.status.success(), text(output.stdout), text(output.stderr))
}

fn inspect(folder: &TempDir) -> String {
    let (sound, out, error) = run(&["inspect", "."], folder);
    assert!(sound, "{error}");
    out
}

fn refused(folder: &TempDir) -> String {
    let (sound, out, error) = run(&["assess", ".", "--out", "result"], folder);
    assert!(!sound && !folder.path().join("result").exists(), "{out}");
    error
}

fn record(folder: &TempDir) -> Value {
    let (sound, _, error) = run(&["assess", ".", "--out", "result", "-q"], folder);
    assert!(sound, "{error}");
    serde_json::from_str(&fs::read_to_string(folder.path().join("result/record.json")).unwrap()).unwrap()
}

fn has(text: &str, lines: &[&str]) {
    for line in lines {
        assert!(text.lines().any(|found| found.trim_end() == *line), "no line\n{line}\nin\n{text}");
    }
}

const LAYOUT: &str = "stack = \"records.mrc\"\n[section_header]\nbytes_per_section = 16\nfields = [\n\
    { column = \"tilt_deg\", at = 0, type = \"f32\" }, { column = \"stage_x_um\", at = 4, type = \"i16\", scale = 0.04 },\n\
    { column = \"order\", at = 6, type = \"u16\" }, { column = \"dose_e_per_A2\", at = 8, type = \"f64\" } ]\n";

#[test]
fn records_of_an_extended_header_state_the_facts() {
    let folder = series(LAYOUT, &[]);
    let said = inspect(&folder);
    has(&said, &["column      tilt_deg (section header)", "tilts       4 from -10.50° to +10.50°"]);
    let record = record(&folder);
    let of = |key: &str| -> Vec<&Value> { record["tilts"].as_array().unwrap().iter().map(|t| &t[key]).collect() };
    assert_eq!(of("tilt_deg"), [-10.5, -3.5, 3.5, 10.5]);
    assert_eq!(of("order"), [3, 2, 0, 1]);
    let doses: Vec<f64> = of("dose").iter().map(|dose| dose["this_e_per_A2"].as_f64().unwrap()).collect();
    assert_eq!(doses, [1.1, 1.2, 1.3, 1.4]);
}

#[test]
fn a_header_that_does_not_fit_its_layout_is_told() {
    let longer = series(&LAYOUT.replace("bytes_per_section = 16", "bytes_per_section = 17"), &[]);
    let said = refused(&longer);
    assert!(
        said.ends_with(
            "records.mrc, extended header: it has 64 bytes, too few for 4 records of 17; correct \
             section_header.bytes_per_section\n"
        ),
        "{said}"
    );
    let shifted = series(&LAYOUT.replace("at = 0, type = \"f32\"", "at = 8, type = \"f32\""), &[]);
    assert!(inspect(&shifted).contains("tilts       4 from"), "plausible numbers cannot be told from true ones");
    let wild = series(&LAYOUT.replace("at = 0, type = \"f32\"", "at = 4, type = \"i16\""), &[]);
    let said = refused(&wild);
    assert!(said.contains("header record of section 0, column tilt_deg: -300 is beyond ±90°;"), "{said}");
    let none = series(&LAYOUT.replace("records.mrc", "planes.ome.tif"), &[]);
    assert!(
        refused(&none).contains("the stack has no extended header; only MRC2014 files have one"),
        "{}",
        refused(&none)
    );
}

const LOG: &str = "log of the night, doors closed\n# picture 3 of 4\n alpha = 10.52\n electrons = 150\n\n\
    # picture 0 of 4\n alpha = -10.5\n electrons = 110\n stage settled\n# picture 1 of 4\n alpha = -3.5\n\
    electrons = 120\n# picture 2 of 4\n alpha = 3.5\n electrons = 130\n";

const PATTERNS: &str = "[log]\nfile = \"night.log\"\nrecord_start = '^# picture (?P<section>\\d+) of'\n\
    field = '^ ?(?P<key>\\w+) = (?P<value>.*)$'\n[columns]\ntilt_deg = \"alpha\"\n\
    dose_e_per_A2 = { from = \"electrons\", scale = 0.01 }\n";

#[test]
fn a_log_is_read_by_its_patterns_and_inspect_shows_what_they_caught() {
    let folder = series(&format!("stack = \"records.mrc\"\n{PATTERNS}"), &[("night.log", LOG)]);
    let said = inspect(&folder);
    has(
        &said,
        &[
            "column      section (log)",
            "column      tilt_deg, from \"alpha\" (log)",
            "column      dose_e_per_A2, from \"electrons\" (log)",
            "log         night.log: record_start caught 4 records, field 8 lines",
            "            2 lines caught by neither, the first: line 1 \"log of the night, doors closed\"",
            "            the first inside a record: line 9 \"stage settled\"",
            "read        night.log (log)",
        ],
    );
    let record = record(&folder);
    assert_eq!(record["tilts"][3]["tilt_deg"], 10.52);
    assert_eq!(record["tilts"][3]["sections"], serde_json::json!([3]));
    assert_eq!(record["tilts"][0]["dose"]["this_e_per_A2"], 1.1);
    assert_eq!(record["inputs"][1]["role"], "log");
}

#[test]
fn table_wins_over_log_over_header_and_each_is_named() {
    let sheet = LAYOUT.replace("[section_header]", &format!("table = \"t.csv\"\n{PATTERNS}[section_header]"));
    let table = "section,dose_e_per_A2\n3,4\n2,3\n1,2\n0,1\n";
    let folder = series(&sheet, &[("night.log", LOG), ("t.csv", table)]);
    let said = inspect(&folder);
    has(
        &said,
        &[
            "column      section (table)",
            "column      dose_e_per_A2 (table)",
            "column      tilt_deg, from \"alpha\" (log)",
            "not used    \"electrons\" (log)",
            "column      stage_x_um (section header)",
            "column      order (section header)",
            "not used    \"tilt_deg\" (section header)",
        ],
    );
    let record = record(&folder);
    let tilts = record["tilts"].as_array().unwrap();
    let doses: Vec<&Value> = tilts.iter().map(|tilt| &tilt["dose"]["this_e_per_A2"]).collect();
    assert_eq!(doses, [1.0, 2.0, 3.0, 4.0]);
    assert_eq!(tilts.iter().map(|tilt| &tilt["order"]).collect::<Vec<_>>(), [3, 2, 0, 1]);
}

#[test]
fn sources_that_belong_to_different_series_are_told() {
    let folder = series(
        &LAYOUT.replace("[section_header]", "angles = \"a.txt\"\n[section_header]"),
        &[("a.txt", "-10.5\n-3.5\n4.5\n10.5\n")],
    );
    has(
        &inspect(&folder),
        &["note        tilt_deg: the angles is used; the section header differs by more than 0.1° in 1 of 4 sections"],
    );
}

#[test]
fn ome_xml_gives_pixel_size_positions_and_times() {
    let folder = series("stack = \"planes.ome.tif\"\nangles = \"a.txt\"\n", &[("a.txt", "0\n3\n-3\n")]);
    let said = inspect(&folder);
    has(
        &said,
        &[
            "pixel       0.68 nm",
            "column      stage_x_um (OME-XML)",
            "column      stage_y_um (OME-XML)",
            "column      exposure_s (OME-XML)",
            "column      acquired_at (OME-XML)",
        ],
    );
    let record = record(&folder);
    let tilts = record["tilts"].as_array().unwrap();
    assert_eq!(tilts.iter().map(|tilt| &tilt["order"]).collect::<Vec<_>>(), [2, 1, 0]);
    assert_eq!(tilts[2]["acquired_at"], "2031-04-17T08:30:00.5Z");
    // The table's own times win.
    let timed =
        series("stack = \"planes.ome.tif\"\ntable = \"t.csv\"\n", &[("t.csv", "tilt_deg,order\n0,0\n3,1\n-3,2\n")]);
    assert!(!inspect(&timed).contains("acquired_at"));
}

#[test]
fn without_angles_the_way_to_a_draft_is_named() {
    let said = refused(&series("stack = \"planes.ome.tif\"\n", &[]));
    assert!(said.contains("nothing states the tilt angles;") && said.contains("`tiltworth draft STACK`"), "{said}");
}

#[test]
fn a_draft_makes_a_series_that_is_assessed_at_once() {
    let table = "No,Tilt angle [deg],Recorded,Dose (e/nm2),Weather\n\
                 0,-3.5,17.04.2031 10:00:00,100,fine\n1,-0.5,17.04.2031 10:01:00,110,fine\n2,3,17.04.2031 10:02:00,120,rain\n";
    let folder = series("", &[("shift 3.csv", table)]);
    let (sound, said, error) = run(&["draft", "planes.ome.tif", "--table", "shift 3.csv"], &folder);
    assert!(!sound && said.is_empty() && error.contains("series.toml: it exists already;"), "{error}");
    let (sound, said, error) = run(&["draft", "planes.ome.tif", "--table", "shift 3.csv", "--force"], &folder);
    assert!(sound, "{error}");
    assert!(said.contains("  - headings not placed: \"No\", \"Weather\"\n"), "{said}");
    let sheet = fs::read_to_string(folder.path().join("series.toml")).unwrap();
    assert!(sheet.contains("#   \"Weather\" (\"fine\")\n"), "{sheet}");
    let record = record(&folder);
    assert_eq!(record["series"]["pixel_nm"], 0.68);
    assert_eq!(record["tilts"][2]["acquired_at"], "2031-04-17T10:02:00Z");
    assert_eq!(record["tilts"][2]["dose"]["this_e_per_A2"], 1.2);
}
