//! A dual-axis pair: turn, shift and common field against what was planted, coverage against closed form and Monte Carlo,
//! doses that the sheets contradict, the page, and what is refused.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "support/pair_series.rs"]
mod pair_series;

use assert_cmd::Command;
use pair_series::{PIXEL_NM, Plan};
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use tiltworth::measure::pair::field::View;
use tiltworth::measure::pair::{self, Side};
use tiltworth::physics::pyramid::{Range, missing_fraction};
use tiltworth::record::pair::PairMeasures;
use tiltworth::simulate::truth::Truth;

const LATER: &str = "2031-04-17T11:00:00Z";

fn measured(a: &Plan, b: &Plan) -> (PairMeasures, [Truth; 2]) {
    let (a, b) = (a.assess(), b.assess());
    let sides = [&a, &b].map(|(series, assessed, _)| {
        let view = assessed.zero.as_ref().map(|zero| View {
            tilt: zero.tilt,
            tilt_deg: assessed.record.tilts[zero.tilt].tilt_deg,
            picture: zero.picture.image(),
            pixel_px: zero.pixel_px,
            pixel_nm: series.pixel_nm,
            assembled_px: [series.assembled_px.0 as f64, series.assembled_px.1 as f64],
        });
        Side { record: &assessed.record, view, offset_counts: series.offset_counts() }
    });
    let measures = pair::measure(&sides[0], &sides[1]).0;
    (measures, [a.2, b.2])
}

/// Where the simulator shows the specimen's middle at zero tilt, less where it was meant to.
fn wander(truth: &Truth) -> [f64; 2] {
    let zero = truth.tilts.iter().find(|tilt| tilt.nominal_deg.abs() < 0.1).unwrap();
    [zero.seen_x_px, zero.seen_y_px]
}

fn first(seed: u64) -> Plan {
    Plan { seed, specimen: seed, range_deg: [40.0, 20.0], ..Plan::default() }
}

fn second(seed: u64, turn_deg: f64, shift_px: [f64; 2]) -> Plan {
    Plan { seed: seed + 1000, turn_deg, shift_px, started_at: LATER, ..first(seed) }
}

#[test]
fn planted_turn_and_shift_are_found_on_fresh_seeds() {
    let planted = [
        (601, 90.0, [0.0, 0.0], 4.2, 7500.0, [256, 256]),
        (602, -90.0, [31.0, -18.0], 4.2, 7500.0, [256, 256]),
        (603, 88.3, [-44.0, 25.0], 95.0, 7500.0, [256, 256]),
        (604, 93.7, [12.0, 60.0], 180.0, 2500.0, [256, 256]),
        (606, 90.6, [8.0, 5.0], 4.2, 800.0, [256, 256]),
    ];
    for (seed, turn, shift, axis_b, counts, size_px) in planted {
        let a = Plan { counts, size_px, ..first(seed) };
        let b = Plan { axis_deg: axis_b, counts, size_px, ..second(seed, turn, shift) };
        let (found, truths) = measured(&a, &b);
        let field = &found.field;
        assert!(field.measured, "{seed}: {:?}", field.why_not);
        // The specimen grows across and along the axis of each series: the turn in the picture has the axes' part too.
        let expected: f64 = turn + a.axis_deg - axis_b;
        let off = (field.turn_deg.unwrap() - expected + 180.0).rem_euclid(360.0) - 180.0;
        println!(
            "{seed}: turn off by {off:.3} ± {:.3}°, score {:.1} of {:.1}, agreement {:.2}, {} patches",
            field.turn_error_deg.unwrap(),
            field.score.unwrap(),
            field.score_needed.unwrap(),
            field.agreement.unwrap(),
            field.patches
        );
        assert!(off.abs() < 0.5, "{seed}: {off}");
        let (of_a, of_b) = (wander(&truths[0]), wander(&truths[1]));
        let (sine, cosine) = expected.to_radians().sin_cos();
        let shift = [
            shift[0] + of_b[0] - cosine * of_a[0] + sine * of_a[1],
            shift[1] + of_b[1] - sine * of_a[0] - cosine * of_a[1],
        ];
        let far = [field.shift_x_px.unwrap() - shift[0], field.shift_y_px.unwrap() - shift[1]];
        println!("{seed}: shift off by {:.2}, {:.2} ± {:.2} px", far[0], far[1], field.shift_error_px.unwrap());
        assert!(far[0].hypot(far[1]) < 2.0, "{seed}: {far:?}");
        assert!(field.size_change_percent.unwrap().abs() < 0.3, "{seed}: {:?}", field.size_change_percent);
        let share = true_share(size_px.map(|px| px as f64), expected.to_radians(), shift);
        assert!((field.share_of_a.unwrap() - share).abs() < 0.02, "{seed}: {:?}, {share}", field.share_of_a);
        let apart = (found.coverage.axes_apart_deg - turn + 180.0).rem_euclid(360.0) - 180.0;
        assert!(apart.abs() < 0.5 && found.coverage.axes_apart_source == "measured", "{seed}: {apart}");
    }
}

/// Share of the one frame that lies in the other, counted on a raster.
fn true_share([w, h]: [f64; 2], turn: f64, [x, y]: [f64; 2]) -> f64 {
    let (sine, cosine) = turn.sin_cos();
    let n = 400;
    let inside = (0..n * n).filter(|at| {
        let u = [(at % n) as f64, (at / n) as f64].map(|k| (k + 0.5) / f64::from(n as u32) - 0.5);
        let (px, py) = (u[0] * w, u[1] * h);
        let (qx, qy) = (cosine * px - sine * py + x, sine * px + cosine * py + y);
        qx.abs() <= 0.5 * w && qy.abs() <= 0.5 * h
    });
    inside.count() as f64 / (n * n) as f64
}

#[test]
fn unrelated_specimens_are_not_called_shared() {
    for seed in 620..626 {
        let b = Plan { specimen: seed + 500, ..second(seed, 90.0, [0.0; 2]) };
        let (found, _) = measured(&first(seed), &b);
        let field = &found.field;
        assert!(!field.measured && field.share_of_a.is_none() && field.turn_deg.is_none(), "{seed}: {field:?}");
        let why = field.why_not.as_ref().unwrap();
        assert!(why.contains("no common structure") || why.contains("too few patches"), "{why}");
        assert_eq!((found.coverage.axes_apart_source.as_str(), found.coverage.axes_apart_deg), ("assumed", 90.0));
    }
}

/// Closed form and other people's code: tests/reference/pair/make.py counts random directions with numpy.
#[test]
fn coverage_agrees_with_a_monte_carlo_by_numpy() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/pair/missing.json");
    let cases: Vec<Value> = serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap();
    assert!(cases.len() >= 8);
    for case in cases {
        let number = |pointer: &str| case.pointer(pointer).unwrap().as_f64().unwrap();
        let range = |of: &str| Range { min_deg: number(&format!("/{of}/0")), max_deg: number(&format!("/{of}/1")) };
        let found = missing_fraction(range("a_deg"), range("b_deg"), number("/apart_deg"));
        let (expected, sd) = (number("/missing"), number("/sd"));
        assert!(sd < 2e-4 && (found - expected).abs() < 4.5 * sd, "{case}: {found}");
    }
}

/// Two series of one specimen in a folder; gives their paths.
fn two(folder: &Path, seed: u64, edit: impl Fn(&mut Plan, &mut Plan)) -> [PathBuf; 2] {
    let (mut a, mut b) = (first(seed), second(seed, 90.0, [6.0, -9.0]));
    a.range_deg = [60.0, 10.0];
    b.range_deg = [60.0, 10.0];
    edit(&mut a, &mut b);
    let paths = [folder.join("first"), folder.join("second")];
    a.write(&paths[0]);
    b.write(&paths[1]);
    paths
}

fn assess(folder: &Path, paths: &[&Path], options: &[&str]) -> (i32, String, String) {
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    let output = command.current_dir(folder).arg("assess").args(paths).args(options).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
}

fn json(path: &Path) -> Value {
    serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap()
}

#[test]
fn a_pair_gets_both_reports_and_one_page_for_both() {
    let folder = tempfile::tempdir().unwrap();
    // Given in the wrong order: axis_name tells.
    let [one, other] = two(folder.path(), 640, |a, b| {
        a.top = "axis_name = \"a\"".into();
        b.top = "axis_name = \"b\"".into();
    });
    let paths: [&Path; 2] = [&other, &one];
    let (status, said, error) = assess(folder.path(), &paths, &["--pair", "--out", "out"]);
    assert_eq!(status, 0, "{error}");
    let out = folder.path().join("out");
    let pair = json(&out.join("pair.json"));
    assert_eq!((&pair["pair_version"], &pair["a"]["series_id"]), (&Value::from(1), &Value::from("series-640")));
    assert_eq!(pair["verdict"]["answer"], "reconstruct", "{}", pair["verdict"]);
    for side in ["a", "b"] {
        let home = out.join(pair[side]["series_id"].as_str().unwrap());
        for file in ["report.html", "record.json", "tilts.csv", "dose-weights.csv", "alignment.csv", "evidence.zip"] {
            assert!(home.join(file).exists(), "{side} lacks {file}");
        }
    }
    let missing = pair["measures"]["coverage"]["recorded"]["missing_fraction"].as_f64().unwrap();
    assert!((missing - 0.160_861).abs() < 1e-3, "{missing}");
    assert!(said.contains("16.1 % of all directions stay unseen (33.3 % by a alone"), "{said}");
    // b states the pre-exposure of a, and not what a gave.
    assert_eq!(pair["measures"]["dose"]["sheets"], "contradicts");
    let a_gave = json(&out.join("series-640/record.json"))["measures"]["dose"]["total_e_per_A2"].as_f64().unwrap();
    let before = pair["measures"]["dose"]["before_second_e_per_A2"].as_f64().unwrap();
    assert!((before - 1700.0 - a_gave).abs() < 1e-6 && a_gave > 100.0);
    let sentence = format!("b states 1700 e/Å² before its first tilt, but a alone had given {before:.0} e/Å²");
    assert!(said.contains(&sentence), "{said}");
    let ratio = pair["measures"]["counts"]["ratio"].as_f64().unwrap();
    assert!((ratio - 1.0).abs() < 0.02, "{ratio}");
    schema_holds(&pair);
    renders_again(&out);
    refuses_to_replace(folder.path(), &paths, &out);
}

fn schema_holds(pair: &Value) {
    let output = Command::cargo_bin("tiltworth").unwrap().args(["schema", "--pair"]).output().unwrap();
    let schema: Value = serde_json::from_slice(&output.stdout).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    let errors: Vec<String> = validator.iter_errors(pair).map(|error| error.to_string()).collect();
    assert!(errors.is_empty(), "{errors:?}");
    let mut broken = pair.clone();
    broken["verdict"]["answer"] = Value::from("maybe");
    assert!(!validator.is_valid(&broken));
}

fn renders_again(out: &Path) {
    let again = out.with_file_name("again.html");
    let mut command = Command::cargo_bin("tiltworth").unwrap();
    command.arg("render").arg(out.join("pair.json")).arg("--out").arg(&again).assert().success();
    assert_eq!(fs::read(&again).unwrap(), fs::read(out.join("pair.html")).unwrap());
}

fn refuses_to_replace(folder: &Path, paths: &[&Path], out: &Path) {
    let options = ["--pair", "--out", "out", "-q"];
    let before = fs::read(out.join("pair.json")).unwrap();
    let (status, _, error) = assess(folder, paths, &options);
    assert!(status == 1 && error.contains("it exists already"), "{error}");
    fs::write(out.join("series-640/notes.txt"), "mine").unwrap();
    let forced = [&options[..], &["--force"]].concat();
    let (status, _, error) = assess(folder, paths, &forced);
    assert!(status == 1 && error.contains("notes.txt"), "{error}");
    assert_eq!(fs::read(out.join("pair.json")).unwrap(), before);
    fs::remove_file(out.join("series-640/notes.txt")).unwrap();
    assert_eq!(assess(folder, paths, &forced).0, 0);
    let left: Vec<String> =
        fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    assert!(left.iter().all(|name| !name.starts_with(".tiltworth")), "{left:?}");
}

#[test]
fn the_second_sheet_is_right_or_silent_or_wrong() {
    let folder = tempfile::tempdir().unwrap();
    let [one, other] = two(folder.path(), 650, |a, b| {
        a.range_deg = [40.0, 20.0];
        b.range_deg = [40.0, 20.0];
    });
    let paths: [&Path; 2] = [&one, &other];
    let sheet = other.join("series.toml");
    let text = fs::read_to_string(&sheet).unwrap();
    let dose_of = |name: &str, stated: Option<f64>| {
        let line = stated.map_or(String::new(), |dose| format!("pre_exposure_e_per_A2 = {dose:?}"));
        fs::write(&sheet, text.replace("pre_exposure_e_per_A2 = 1700.0", &line)).unwrap();
        let (status, _, error) = assess(folder.path(), &paths, &["--pair", "-q", "--out", name]);
        assert_eq!(status, 0, "{error}");
        json(&folder.path().join(name).join("pair.json"))["measures"]["dose"].clone()
    };
    let silent = dose_of("silent", None);
    assert_eq!(silent["sheets"], "omitted");
    let before = silent["before_second_e_per_A2"].as_f64().unwrap();
    assert!(silent["finding"].as_str().unwrap().contains(&format!("pre_exposure_e_per_A2 = {before:.0}")), "{silent}");
    let right = dose_of("right", Some(before));
    assert_eq!(right["sheets"], "agrees");
    // The whole: before the first, and both series.
    let both = right["a_e_per_A2"].as_f64().unwrap() + right["b_e_per_A2"].as_f64().unwrap() + 1700.0;
    assert!((right["total_e_per_A2"].as_f64().unwrap() - both).abs() < 1e-6 && right["lower_bound"] == false);
    assert_eq!(dose_of("more", Some(before + 300.0))["sheets"], "more");
}

#[test]
fn what_is_no_pair_is_refused_and_nothing_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let [one, other] = two(folder.path(), 660, |a, b| {
        a.range_deg = [40.0, 40.0];
        b.range_deg = [40.0, 40.0];
    });
    let refused = |paths: &[&Path], options: &[&str], expected: i32, words: &str| {
        let (status, _, error) = assess(folder.path(), paths, options);
        assert!(status == expected && error.contains(words), "{status}: {error}");
        assert!(!folder.path().join("out").exists());
    };
    let pair = ["--pair", "-q", "--out", "out"];
    refused(&[&one], &pair, 2, "--pair takes two SERIES, not 1");
    refused(&[&one, &other, &one], &pair, 2, "--pair takes two SERIES, not 3");
    refused(&[&one, &one], &pair, 1, "both series are called series-660");
    let sheet = other.join("series.toml");
    let text = fs::read_to_string(&sheet).unwrap();
    fs::write(&sheet, text.replace("kv = 300.0", "kv = 200.0")).unwrap();
    refused(&[&one, &other], &pair, 1, "the voltages of the two series differ (300 kV and 200 kV)");
    fs::write(&sheet, text.replace(&format!("pixel_nm = {PIXEL_NM:?}"), "pixel_nm = 0.75")).unwrap();
    refused(&[&one, &other], &pair, 1, "the pixel sizes of the two series differ (0.72 nm and 0.75 nm)");
    fs::write(&sheet, &text).unwrap();
    fs::write(other.join("stack.tif"), "no stack").unwrap();
    refused(&[&one, &other], &pair, 1, "stack.tif");
}

#[test]
fn exit_verdict_speaks_for_the_pair() {
    let folder = tempfile::tempdir().unwrap();
    let [one, other] = two(folder.path(), 670, |_, b| b.specimen = 99);
    let (status, said, error) = assess(folder.path(), &[&one, &other], &["--pair", "--out", "out", "--exit-verdict"]);
    // Each series is worth reconstructing; whether they show one field is not known.
    assert_eq!(status, 12, "{said}{error}");
    assert!(said.contains("Undecided: it is not known whether the two series show the same field"), "{said}");
    let page = fs::read_to_string(folder.path().join("out/pair.html")).unwrap();
    assert!(page.contains("no common structure"));
}

fn present(program: &str) -> bool {
    std::process::Command::new(program).arg("--version").output().is_ok_and(|output| output.status.success())
}

/// The page in a browser: no request, no error, no sideways scrolling, two themes; hostile titles are text.
#[test]
fn the_page_opens_in_a_browser_with_hostile_titles() {
    if let Some(missing) = ["chromium", "python3"].into_iter().find(|program| !present(program)) {
        assert!(std::env::var_os("TILTWORTH_NO_SKIP").is_none(), "{missing} is missing");
        println!("SKIPPED pair page: {missing} is missing");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let evil = "</title></script><script>window.planted=1</script><img src=x onerror=window.planted=1>\u{202e}\"'&";
    let [one, other] = two(folder.path(), 680, |_, _| ());
    for path in [&one, &other] {
        let sheet = path.join("series.toml");
        let text = fs::read_to_string(&sheet).unwrap();
        let title = text.lines().find(|line| line.starts_with("title")).unwrap().to_owned();
        let hostile = format!("title = {}", toml::Value::from(evil));
        fs::write(&sheet, text.replace(&title, &hostile)).unwrap();
    }
    let (status, _, error) = assess(folder.path(), &[&one, &other], &["--pair", "--out", "out", "-q"]);
    assert_eq!(status, 0, "{error}");
    let page = folder.path().join("out/pair.html");
    let text = fs::read_to_string(&page).unwrap();
    // Words, record and the page's own script, and no other.
    assert!(text.matches("<script").count() == 3 && !text.contains("<img src=x"));
    assert!(!text.contains("http://") && !text.contains("https://"), "nothing is loaded from outside");
    let driver = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser_driver/look.py");
    let mut command = std::process::Command::new("python3");
    command.arg(driver).arg("--page-only").arg(&page);
    // Where somebody wants to see it.
    if let Some(shots) = std::env::var_os("PAIR_SHOTS") {
        command.arg(shots);
    }
    let output = command.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let facts: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(facts["errors"], serde_json::json!([]), "{}", facts["errors"]);
    assert_eq!((&facts["requests_out"], &facts["planted_script_ran"]), (&serde_json::json!([]), &Value::from(false)));
    for (width, overflow) in facts["overflow"].as_object().unwrap() {
        assert!(overflow.as_i64().unwrap() <= 0, "{width}: scrolls sideways by {overflow} px");
    }
    assert_ne!(facts["light_background"], facts["dark_background"]);
    assert!(facts["title"].as_str().unwrap().starts_with("</title></script><script>window.planted=1</script>"));
    assert_eq!(facts["drawings"], 3);
}
