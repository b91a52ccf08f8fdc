//! Tracking and geometry: positions, jumps, axis offset, height and direction of the axis, against the simulator's truth.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "support/accuracy.rs"]
mod accuracy;

#[path = "support/focus_series.rs"]
#[allow(dead_code, reason = "shared with the tests of focus")]
mod focus_series;

use accuracy::{Plan, jump, steps};
use regex::{Captures, Regex};
use tiltworth::record::{Answer, Record};

fn flagged(record: &Record, id: &str) -> Vec<f64> {
    record.tilts.iter().filter(|t| t.flags.iter().any(|flag| flag == id)).map(|t| t.tilt_deg.round()).collect()
}

#[test]
fn lone_jumps_are_told_once_and_nothing_else_is() {
    let faults = [jump(-27.0, 7.0, 80.0), jump(24.0, 9.0, 200.0), jump(45.0, 8.0, 330.0)].concat();
    for scheme in ["unidirectional", "bidirectional", "dose-symmetric"] {
        let plan = Plan { seed: 31, scheme, faults: faults.clone(), ..Plan::default() };
        let (record, truth) = plan.assess();
        let (planted, others) = steps(&record, &truth);
        assert!(planted.len() == 3 && planted.iter().all(|step| *step > 4.0), "{scheme}: {planted:?}");
        assert!(others.iter().all(|step| *step < 4.0), "{scheme}: {others:?}");
        assert_eq!(flagged(&record, "tracking_step"), [-27.0, 24.0, 45.0], "{scheme}");
        assert!(record.verdict.answer == Answer::Reconstruct, "a jump of three hundredths is a caution");
    }
}

#[test]
fn axis_offset_and_height_are_measured_from_positions_and_recorded_shift() {
    let plan = Plan { seed: 32, axis_deg: 127.0, offsets_um: [-1.7, 0.45], ..Plan::default() };
    let (record, _) = plan.assess();
    let geometry = record.measures.geometry.as_ref().unwrap();
    let (d, z) = (geometry.axis_offset_um.unwrap(), geometry.height_offset_um.unwrap());
    assert!((d + 1.7).abs() <= 0.051 && (z - 0.45).abs() <= 0.05, "d {d}, z {z}");
    assert!(record.checks.iter().any(|check| check.id == "axis_offset" && check.value == Some(d.abs())));
    let next = record.verdict.next_time.join("; ");
    // d < 0 along (cos 127°, -sin 127°) = (-0.60, -0.80): the tilt axis lies at -d of it, mostly towards -y.
    assert!(next.contains("µm from the optical axis towards -y"), "{next}");
}

/// Without the columns of image shift the axis is not guessed at.
#[test]
fn without_image_shift_geometry_is_not_measured_and_the_column_is_named() {
    let plan = Plan { seed: 33, step_deg: 6.0, ..Plan::default() };
    let (record, _) = plan.assess_edited(|series| {
        let table = series.join("sections.csv");
        let text = std::fs::read_to_string(&table).unwrap();
        std::fs::write(&table, text.replacen("shift_x_um", "sx", 1).replacen("shift_y_um", "sy", 1)).unwrap();
    });
    let geometry = record.measures.geometry.unwrap();
    assert!(!geometry.measured && geometry.axis_offset_um.is_none());
    assert!(geometry.why_not.unwrap().contains("shift_x_um"));
    assert!(record.tilts.iter().all(|tilt| tilt.tracking.as_ref().unwrap().stage_step_px.is_none()));
    assert!(record.tilts.iter().all(|tilt| tilt.tracking.as_ref().unwrap().shift_x_px.is_some()));
}

/// Dark and dim tilts are bridged over, and take nothing of their neighbours.
#[test]
fn a_dark_tilt_is_bridged() {
    let faults =
        "[[fault]]\ntilts_deg = [18.0]\nwhat = { dim = { factor = 0.0 } }\n".to_owned() + &jump(30.0, 8.0, 10.0);
    let plan = Plan { seed: 34, faults, ..Plan::default() };
    let (record, truth) = plan.assess();
    for tilt in record.tilts.iter().filter(|tilt| (tilt.tilt_deg - 18.0).abs() > 1.0) {
        let truth = truth.tilts.iter().find(|t| t.order == tilt.order).unwrap();
        let tracking = tilt.tracking.as_ref().unwrap();
        let off = tracking.shift_y_px.unwrap() - (truth.seen_y_px - 0.0);
        assert!(off.abs() < 12.0, "{}: {off}", tilt.tilt_deg);
    }
    assert_eq!(flagged(&record, "tracking_step"), [30.0]);
}

/// A field that has nothing in common with the rest is told, though its tilts follow each other.
#[test]
fn another_field_at_the_end_is_told() {
    let faults = "[[fault]]\ntilts_deg = [48.0]\nwhat = { jump = { px = 400.0, direction_deg = 0.0, stays = true } }\n";
    let plan = Plan { seed: 36, step_deg: 6.0, faults: faults.into(), ..Plan::default() };
    let (record, _) = plan.assess();
    assert_eq!(flagged(&record, "shared_area"), [48.0, 54.0, 60.0]);
    for tilt in record.tilts.iter().filter(|tilt| tilt.tilt_deg > 45.0) {
        let tracking = tilt.tracking.as_ref().unwrap();
        assert_eq!((tracking.shared_area_fraction, tracking.shift_x_px), (Some(0.0), None));
        assert!(tracking.why_not.as_ref().unwrap().contains("another field"));
        assert!(tilt.exclude);
    }
    assert_eq!(record.verdict.answer, Answer::ReconstructWithout);
}

fn away(deg: f64) -> String {
    let jump = "jump = { px = 700.0, direction_deg = 0.0, stays = false }";
    format!("[[fault]]\ntilts_deg = [{deg:?}]\nwhat = {{ {jump} }}\n")
}

/// These tilts, and no other, show another field; the others are followed.
fn lost(record: &Record, expected: &[f64]) {
    assert_eq!(flagged(record, "shared_area"), expected);
    for tilt in &record.tilts {
        let lost = expected.contains(&tilt.tilt_deg.round());
        let tracking = tilt.tracking.as_ref().unwrap();
        assert_eq!(tracking.shift_x_px.is_none(), lost, "{}: {:?}", tilt.tilt_deg, tracking.why_not);
    }
    assert_eq!(record.verdict.answer, Answer::ReconstructWithout);
}

#[test]
fn a_lone_tilt_of_another_field_is_told() {
    let plan = Plan { seed: 38, faults: away(-30.0), ..Plan::default() };
    let (record, _) = plan.assess();
    lost(&record, &[-30.0]);
    assert_eq!(record.verdict.exclude_tilts_deg.len(), 1, "{:?}", record.verdict.exclude_tilts_deg);
}

/// The tilts beyond two of another field show the common one again, and are followed.
#[test]
fn two_tilts_of_another_field_are_followed_over() {
    let plan = Plan { seed: 39, side_px: 512, faults: [away(18.0), away(21.0)].concat(), ..Plan::default() };
    lost(&plan.assess().0, &[18.0, 21.0]);
}

/// The stated axis is held against how the pictures shrink.
#[test]
fn an_axis_stated_wrong_by_ninety_degrees_is_said_plainly() {
    let plan = Plan { seed: 35, side_px: 448, axis_deg: 20.0, step_deg: 4.0, ..Plan::default() };
    let (record, _) = plan.assess_edited(|series| {
        let sheet = series.join("series.toml");
        let text = std::fs::read_to_string(&sheet).unwrap();
        let wrong: Vec<String> = text
            .lines()
            .map(|l| if l.starts_with("axis_deg") { "axis_deg = 110.0".into() } else { l.to_owned() })
            .collect();
        std::fs::write(&sheet, wrong.join("\n")).unwrap();
    });
    let geometry = record.measures.geometry.unwrap();
    let note = geometry.axis_note.unwrap_or_default();
    assert!(
        note.contains("wrong by 90°"),
        "{note} {:?} ± {:?}",
        geometry.axis_found_deg,
        geometry.axis_found_error_deg
    );
}

/// Fields in which what lies at different heights moves apart by some px a tilt, as tracking leaves them wandering.
#[test]
fn clean_series_have_no_step_and_an_axis_within_two_degrees() {
    for (seed, axis_deg, stated_off) in [(61, 31.0, 0.0), (62, 204.0, 4.0)] {
        let plan = Plan { seed, axis_deg, wander_um: 0.0008, ..Plan::default() };
        let (record, truth) = plan.assess_edited(|series| {
            let sheet = series.join("series.toml");
            let text = std::fs::read_to_string(&sheet).unwrap();
            let stated = format!("axis_deg = {:?}", axis_deg + stated_off);
            std::fs::write(&sheet, text.replacen(&format!("axis_deg = {axis_deg:?}"), &stated, 1)).unwrap();
        });
        assert_eq!(flagged(&record, "tracking_step"), [] as [f64; 0], "seed {seed}");
        let (_, others) = steps(&record, &truth);
        let moved: Vec<f64> = others.into_iter().filter(|step| *step > 5.0).collect();
        assert!(moved.is_empty(), "seed {seed}: {moved:?}");
        let geometry = record.measures.geometry.unwrap();
        let (found, error) = (geometry.axis_found_deg.unwrap(), geometry.axis_found_error_deg.unwrap());
        let off = (found - axis_deg + 90.0).rem_euclid(180.0) - 90.0;
        assert!(off.abs() < 2.0 && error < 2.0, "seed {seed}: off by {off} ± {error}");
        match geometry.axis_note {
            Some(note) => assert!(stated_off > 0.0 && note.contains("off by"), "{note}"),
            None => assert_eq!(stated_off, 0.0, "{off} ± {error}"),
        }
    }
}

/// Few electrons: patches that chance found move no place about, and no jump is told. The demo's specimen, at a third of its
/// dose and half of its contrast.
#[test]
fn few_electrons_make_no_jumps() {
    let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-stacks/pond-bacterium/recipe.toml");
    let mut text = std::fs::read_to_string(demo).unwrap();
    for (key, value) in [
        ("seed", "7720003"),
        ("width_px", "640"),
        ("height_px", "640"),
        ("pixel_nm", "0.36"),
        ("counts_per_electron", "5.0"),
        ("dose_e_per_A2", "1.0"),
        ("step_deg", "6.0"),
        ("wander_um", "0.0015"),
        ("wanted_defocus_um", "4.0"),
    ] {
        let line = Regex::new(&format!("(?m)^{key} = .*$")).unwrap();
        text = line.replace(&text, format!("{key} = {value}")).into_owned();
    }
    let density = Regex::new(r"density_per_nm = ([0-9.]+)").unwrap();
    let half = |found: &Captures<'_>| format!("density_per_nm = {}", 0.5 * found[1].parse::<f64>().unwrap());
    let (record, truth, _) = focus_series::assess(&density.replace_all(&text, half));
    let off: Vec<[f64; 2]> = record
        .tilts
        .iter()
        .map(|tilt| {
            let truth = truth.iter().find(|t| t.order == tilt.order).unwrap();
            let tracking = tilt.tracking.as_ref().unwrap();
            [tracking.shift_x_px.unwrap() - truth.seen_x_px, tracking.shift_y_px.unwrap() - truth.seen_y_px]
        })
        .collect();
    let second = |three: &[[f64; 2]]| {
        let [x, y] = [0, 1].map(|k| three[1][k] - 0.5 * (three[0][k] + three[2][k]));
        x.hypot(y)
    };
    let mut away: Vec<f64> = off.windows(3).map(second).collect();
    away.sort_by(f64::total_cmp);
    println!("off the mean of the neighbours by {away:.1?} px");
    assert!(away[away.len() / 2] < 3.0, "{away:?}");
    assert_eq!(flagged(&record, "tracking_step"), [] as [f64; 0]);
}
