//! What else is promised of the pages: no barrier that axe-core finds, a clean print, a light page, the house's own name and
//! words, and a record alone where no report is wanted.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "support/browser.rs"]
mod browser;

use assert_cmd::Command;
use browser::{driven, hostile, lacks, page, root, skipped};
use serde_json::{Value, json};
use std::fs;
use std::path::{Path, PathBuf};

fn demo(name: &str) -> PathBuf {
    root().join("demo-stacks").join(name)
}

/// A page and what it stands for.
fn no_barriers(page: &Path) {
    let axe = root().join("target/axe/package/axe.min.js");
    let found = driven(Path::new("python3"), "access.py", &[&axe, page]);
    let views = found.as_object().unwrap();
    assert_eq!(views.len(), 4);
    for (view, facts) in views {
        assert!(facts["passes"].as_u64().unwrap() > 25, "{view}: axe looked at next to nothing: {facts}");
        assert_eq!(facts["violations"], json!([]), "{view}");
    }
}

#[test]
fn axe_finds_no_barrier_in_light_and_dark() {
    if skipped("axe") || (!root().join("target/axe/package/axe.min.js").exists() && lacks("axe", "axe-core")) {
        return;
    }
    let out = tempfile::tempdir().unwrap();
    no_barriers(&page(&demo("moss-leaf-hasty"), &[], &out.path().join("full")));
    // A series of which next to nothing is known.
    no_barriers(&page(&hostile(out.path()).0, &[], &out.path().join("bare")));
    let weeks = out.path().join("weeks.html");
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    command.arg("simulate").arg(demo("weeks").join("recipe.toml")).arg("--out").arg(out.path().join("weeks"));
    command.assert().success();
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    command.arg("compare").arg("--out").arg(&weeks);
    for entry in fs::read_dir(out.path().join("weeks")).unwrap() {
        let record = entry.unwrap().path().join("record.json");
        if record.exists() {
            command.arg(record);
        }
    }
    command.assert().success();
    no_barriers(&weeks);
}

/// Pages of a PDF: width, height and text of each.
fn sheets(pdf: &Path) -> Vec<(f64, f64, String)> {
    let python = root().join("target/test-python/bin/python");
    let facts = driven(&python, "read_pdf.py", &[pdf]);
    let sheet = |sheet: &Value| {
        let number = |key: &str| sheet[key].as_f64().unwrap();
        (number("width"), number("height"), sheet["text"].as_str().unwrap().to_owned())
    };
    facts.as_array().unwrap().iter().map(sheet).collect()
}

#[test]
fn the_report_prints_verdict_checks_plots_and_table_on_both_papers() {
    let python = root().join("target/test-python/bin/python");
    let reads = std::process::Command::new(&python).args(["-c", "import pypdf"]).status();
    if skipped("print") || (!reads.is_ok_and(|status| status.success()) && lacks("print", "pypdf")) {
        return;
    }
    let out = tempfile::tempdir().unwrap();
    let report = page(&demo("moss-leaf-hasty"), &["--pdf"], out.path());
    let a4 = report.with_file_name("report.pdf");
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    let scratch = tempfile::tempdir().unwrap();
    command.arg("render").arg(report.with_file_name("record.json")).arg("--pdf=letter").env("TMPDIR", scratch.path());
    command.arg("--out").arg(out.path().join("again.html")).assert().success();
    assert_eq!(fs::read_dir(scratch.path()).unwrap().count(), 0, "the browser left something behind");
    for (pdf, width, height) in [(a4, 595.3, 841.9), (out.path().join("again.pdf"), 612.0, 792.0)] {
        let sheets = sheets(&pdf);
        assert!((4..=14).contains(&sheets.len()), "{} sheets", sheets.len());
        for (at, (w, h, text)) in sheets.iter().enumerate() {
            assert!((w - width).abs() < 1.0 && (h - height).abs() < 1.0, "{w} × {h}");
            assert!(text.trim().len() > 40, "sheet {at} is empty");
        }
        let all: String = sheets.iter().map(|(_, _, text)| text.as_str()).collect::<Vec<_>>().join("\n");
        assert!(sheets[0].2.contains("Reconstruct without 5 of 41 tilts"));
        // Reasons that are folded away on the screen are printed.
        for told in
            ["Longest pause", "Largest gap left", "Counts", "Sharpness", "Place of the field", "Every tilt in numbers"]
        {
            assert!(all.contains(told), "{told}");
        }
        for told in ["tilt (degrees)", "does not replace the facility", "SHA-256"] {
            assert!(all.contains(told), "{told}");
        }
        for screen_only in ["Flicker", "Save as SVG", "Copy the table", "tilts a second"] {
            assert!(!all.contains(screen_only), "{screen_only}");
        }
        assert!(all.matches("pass").count() > 41 && all.contains("+57.0°"), "the table is not whole");
    }
}

#[test]
fn where_there_is_no_browser_the_report_stands_and_its_print_is_told_to_be_missing() {
    let out = tempfile::tempdir().unwrap();
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    command.env("PATH", out.path()).arg("assess").arg(demo("pond-bacterium")).args(["-q", "--pdf", "--out"]);
    let told = command.arg(out.path().join("r")).assert().success().get_output().stderr.clone();
    let told = String::from_utf8(told).unwrap();
    assert!(told.contains("no PDF: Chromium is not installed here"), "{told}");
    assert!(out.path().join("r/report.html").exists() && !out.path().join("r/report.pdf").exists());
}

#[test]
fn without_a_report_the_record_and_its_tables_stand_alone() {
    let out = tempfile::tempdir().unwrap();
    let assess = |folder: &str, options: &[&str]| {
        let mut command = Command::cargo_bin("tiltworth").unwrap();
        command.arg("assess").arg(demo("pond-bacterium")).arg("--out").arg(out.path().join(folder)).args(options);
        String::from_utf8(command.assert().success().get_output().stdout.clone()).unwrap()
    };
    let told = assess("alone", &["--no-report"]);
    assert!(told.contains("record: ") && !told.contains("report: "), "{told}");
    let mut names: Vec<String> = fs::read_dir(out.path().join("alone"))
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(names, ["alignment.csv", "dose-weights.csv", "record.json", "tilts.csv"]);
    assess("whole", &["-q"]);
    let record = |folder: &str| {
        let text = fs::read_to_string(out.path().join(folder).join("record.json")).unwrap();
        let mut record: Value = serde_json::from_str(&text).unwrap();
        record["assessed_at"] = Value::Null;
        record
    };
    assert_eq!(record("alone"), record("whole"));
}

#[test]
fn a_house_has_its_name_logo_and_words() {
    let out = tempfile::tempdir().unwrap();
    let logo = "data:image/svg+xml;base64,PHN2ZyB4bWxucz0iaHR0cDovL3d3dy53My5vcmcvMjAwMC9zdmciLz4=";
    let profile = |logo: &str| {
        let file = out.path().join("ours.toml");
        let text = format!(
            "name = \"ours\"\nabout = \"Ours\"\nextends = \"vitrified\"\n[house]\nname = \"Hall of <Beams>\"\nlogo = \"{logo}\"\n"
        );
        fs::write(&file, text).unwrap();
        file
    };
    let words = out.path().join("templates");
    fs::create_dir(&words).unwrap();
    fs::write(words.join("words.toml"), "[page]\nlang = \"de\"\nchecks = \"Prüfungen\"\n[script]\nplay = \"Los\"\n")
        .unwrap();
    let good = profile(logo);
    let options = ["--profile", good.to_str().unwrap(), "--templates", words.to_str().unwrap()];
    let page = fs::read_to_string(page(&demo("pond-bacterium"), &options, out.path())).unwrap();
    assert!(page.contains("<bdi>Hall of &lt;Beams&gt;</bdi>") && !page.contains("Hall of <Beams>"));
    assert!(page.contains("<html lang=\"de\">") && page.contains("<h2 id=\"checks\">Prüfungen</h2>"));
    assert!(page.contains("\"play\":\"Los\"") && page.contains("Every tilt in numbers"));
    let shown = page.split("<img src=\"").nth(1).unwrap().split('"').next().unwrap();
    assert_eq!(shown.replace("&#x2f;", "/"), logo);
    let bad = profile("https://example.org/logo.png");
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    let refused = command.arg("profile").arg("check").arg(bad).assert().failure();
    let told = String::from_utf8_lossy(&refused.get_output().stderr).into_owned();
    assert!(told.contains("house.logo is no PNG, JPEG or SVG"), "{told}");
}

/// 61 tilts of 1 × 3: light, and its tab stays small when every tilt was looked at. Times are printed, and bounded loosely: the
/// machine may be busy.
#[test]
fn a_page_of_61_tilts_is_light() {
    if skipped("weight") {
        return;
    }
    let out = tempfile::tempdir().unwrap();
    let recipe = fs::read_to_string(demo("kelp-chloroplast").join("recipe.toml")).unwrap();
    let recipe = recipe.replace("step_deg = 3.0", "step_deg = 2.0").replace("seed = 20310417", "seed = 61");
    fs::write(out.path().join("recipe.toml"), recipe).unwrap();
    let series = out.path().join("series");
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    command.arg("simulate").arg(out.path().join("recipe.toml")).arg("--out").arg(&series).assert().success();
    let report = page(&series, &[], out.path());
    let bytes = fs::metadata(&report).unwrap().len();
    assert!(bytes <= 6_000_000, "{bytes} bytes");
    let facts = driven(Path::new("python3"), "weigh.py", &[&report, Path::new("3")]);
    println!("{facts}");
    assert_eq!(facts["bytes"].as_u64(), Some(bytes));
    let figure = |key: &str| facts[key].as_f64().unwrap();
    assert!(figure("tab_megabytes") < 250.0, "{} MB", figure("tab_megabytes"));
    // On a quiet machine a tab that spends less than a second opens within one.
    assert!(figure("processor_ms") < 1000.0 && figure("loaded_ms") < 8000.0, "{facts}");
}

/// Linear red, green and blue of `#rrggbb`.
fn linear(hex: &str) -> [f64; 3] {
    [1, 3, 5].map(|at| {
        let c = f64::from(u8::from_str_radix(&hex[at..at + 2], 16).unwrap()) / 255.0;
        if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    })
}

/// CIE L*a*b* (D65) of linear sRGB.
fn lab([r, g, b]: [f64; 3]) -> [f64; 3] {
    let xyz = [
        (0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.9505,
        0.2126 * r + 0.7152 * g + 0.0722 * b,
        (0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.089,
    ];
    let [x, y, z] = xyz.map(|t| if t > 0.008_856 { t.cbrt() } else { 7.787 * t + 16.0 / 116.0 });
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

/// The colours that tell something stay apart for red-, green- and blue-blind readers (full strength, by the matrices of
/// Machado, Oliveira & Fernandes 2009), on a light page and on a dark one.
#[test]
fn the_palette_stays_apart_without_one_of_the_cones() {
    const SEEN: [[[f64; 3]; 3]; 4] = [
        [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
    ];
    let style = fs::read_to_string(root().join("report-templates/style.css")).unwrap();
    let themes: Vec<&str> = style.split(":root{").skip(1).take(2).collect();
    assert_eq!(themes.len(), 2);
    for theme in themes {
        let colour = |name: &str| {
            let from = theme.find(&format!("--{name}:#")).unwrap() + name.len() + 3;
            linear(&theme[from..from + 7])
        };
        let names = ["data", "second", "caution", "fail", "pass"];
        for matrix in SEEN {
            let seen = |name: &str| {
                let rgb = colour(name);
                lab(matrix.map(|row| row.iter().zip(rgb).map(|(m, c)| m * c).sum::<f64>().clamp(0.0, 1.0)))
            };
            for (at, one) in names.iter().enumerate() {
                for other in &names[..at] {
                    let apart = seen(one).iter().zip(seen(other)).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt();
                    // Five times what is just noticed.
                    assert!(apart > 11.5, "{one} and {other}: {apart:.1}");
                }
            }
        }
    }
}
