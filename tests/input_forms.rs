//! One series, whichever form it is handed in: the tilts of the record are the same to the last digit.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use assert_cmd::Command;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};

fn source() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/outside/outside-resin")
}

fn assess(series: &Path, options: &[&str]) -> Value {
    let out = tempfile::tempdir().unwrap();
    let result = out.path().join("result");
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    command.arg("assess").arg(series).arg("-q").arg("--out").arg(&result).args(options).assert().success();
    serde_json::from_str(&fs::read_to_string(result.join("record.json")).unwrap()).unwrap()
}

/// The reference series with its table and sheet changed.
fn changed(table: impl Fn(Vec<Vec<String>>) -> String, sheet: impl Fn(String) -> String) -> Value {
    let folder = tempfile::tempdir().unwrap();
    fs::copy(source().join("stack.tif"), folder.path().join("stack.tif")).unwrap();
    let cells = |text: String| text.lines().map(|line| line.split(',').map(str::to_owned).collect()).collect();
    let rows: Vec<Vec<String>> = cells(fs::read_to_string(source().join("sections.csv")).unwrap());
    fs::write(folder.path().join("sections.csv"), table(rows)).unwrap();
    fs::write(folder.path().join("series.toml"), sheet(fs::read_to_string(source().join("series.toml")).unwrap()))
        .unwrap();
    assess(folder.path(), &[])
}

fn joined(rows: Vec<Vec<String>>, by: &str) -> String {
    rows.into_iter().map(|row| row.join(by) + "\n").collect()
}

/// `section,tilt_deg,tile_col,tile_row,acquired_at,exposure_s,dose_e_per_A2` without the tile's column and row.
fn without_tiles(rows: Vec<Vec<String>>) -> Vec<Vec<String>> {
    rows.into_iter().map(|row| [&row[..2], &row[4..]].concat()).collect()
}

fn same(found: &Value) {
    let reference = assess(&source(), &[]);
    assert_eq!(found["tilts"], reference["tilts"]);
    assert_eq!(found["measures"], reference["measures"]);
    assert_eq!(found["verdict"], reference["verdict"]);
}

#[test]
fn tabs_in_place_of_commas() {
    same(&changed(|rows| joined(rows, "\t"), |sheet| sheet));
}

#[test]
fn rows_in_another_order() {
    let turned = |rows: Vec<Vec<String>>| {
        let (heading, body) = rows.split_first().unwrap();
        let rows = std::iter::once(heading.clone()).chain(body.iter().rev().cloned());
        joined(rows.collect(), ",")
    };
    same(&changed(turned, |sheet| sheet));
}

#[test]
fn tiles_by_their_nominal_places() {
    let places = |rows: Vec<Vec<String>>| {
        let pitch = |row: &str| row.parse::<i32>().map_or("tile_y_px".to_owned(), |row| (500 + 152 * row).to_string());
        let x = |col: &str| if col == "tile_col" { "tile_x_px".to_owned() } else { "-40".into() };
        let rows = rows.into_iter().map(|mut row| {
            (row[2], row[3]) = (x(&row[2]), pitch(&row[3]));
            row
        });
        joined(rows.collect(), ",")
    };
    same(&changed(places, |sheet| {
        sheet.split("[montage]").next().unwrap().to_owned()
            + "[targets]\nmean_counts = 6200\nsetup_mean_counts = 12400\n"
    }));
}

#[test]
fn tiles_by_the_order_of_pages() {
    same(&changed(
        |rows| joined(without_tiles(rows), ","),
        |sheet| sheet.replace("overlap_px = [0, 40]", "overlap_px = [0, 40]\norder = \"rows-first\""),
    ));
}

#[test]
fn a_sites_own_headings_and_units() {
    let own = |rows: Vec<Vec<String>>| {
        let rows = rows.into_iter().map(|mut row| {
            row[1] = row[1].replace("tilt_deg", "alpha");
            // RFC 3339 to day, month, year.
            row[4] = if row[4] == "acquired_at" { "clock".into() } else { format!("17/04/2031 {}", &row[4][11..19]) };
            row
        });
        joined(rows.collect(), ",")
    };
    same(&changed(own, |sheet| {
        sheet + "[columns]\ntilt_deg = \"alpha\"\nacquired_at = { from = \"clock\", format = \"%d/%m/%Y %H:%M:%S\" }\n"
    }));
}

#[test]
fn a_bare_stack_with_options() {
    let table = source().join("sections.csv");
    let found = assess(
        &source().join("stack.tif"),
        &[
            "--table",
            &table.to_string_lossy(),
            "--specimen",
            "resin-section",
            "--kv",
            "300",
            "--pixel-nm",
            "0.7",
            "--full-scale-counts",
            "16383",
            "--counts-per-electron",
            "40",
            "--thickness-nm",
            "120",
            "--pre-exposure",
            "1800",
            "--beam",
            "regulated",
            "--montage",
            "1x3",
            "--overlap-px",
            "0x40",
            "--target-counts",
            "6200",
            "--setup-counts",
            "12400",
        ],
    );
    same(&found);
}

#[test]
fn a_folder_of_single_images() {
    let folder = tempfile::tempdir().unwrap();
    let images = folder.path().join("images");
    fs::create_dir(&images).unwrap();
    let stack = fs::read(source().join("stack.tif")).unwrap();
    // The reference writer lays each page out as directory, then pixels: 192 × 192 × 2 bytes.
    let (directory, pixels) = (2 + 9 * 12 + 4, 192 * 192 * 2);
    let table = fs::read_to_string(source().join("sections.csv")).unwrap();
    let mut rows = table.lines();
    let mut own = format!("file,{}\n", &rows.next().unwrap()["section,".len()..]);
    for (page, row) in rows.enumerate() {
        let start = 8 + page * (directory + pixels) + directory;
        let mut image = stack[..8 + directory].to_vec();
        image[8 + directory - 4..].fill(0);
        image.extend(&stack[start..start + pixels]);
        let name = format!("exposure {page:03}.tif");
        fs::write(images.join(&name), image).unwrap();
        own += &format!("{name},{}\n", row.split_once(',').unwrap().1);
    }
    fs::write(folder.path().join("sections.csv"), own).unwrap();
    let sheet = fs::read_to_string(source().join("series.toml")).unwrap();
    fs::write(folder.path().join("series.toml"), sheet.replace("stack.tif", "images")).unwrap();
    same(&assess(folder.path(), &[]));
}

#[test]
fn inspect_says_what_was_understood_without_measuring() {
    let output = Command::cargo_bin("tiltworth").unwrap().arg("inspect").arg(source()).output().unwrap();
    let said = String::from_utf8(output.stdout).unwrap();
    for line in [
        "stack       63 sections of 192 × 192 px; TIFF, 16-bit unsigned, uncompressed, little-endian",
        "tilts       21 from -60.00° to +60.00°",
        "order       unidirectional, from acquired_at",
        "montage     1 columns × 3 rows, assembled 192 × 496 px",
        "column      dose_e_per_A2",
    ] {
        assert!(said.contains(line), "{line}\nis not in\n{said}");
    }
}
