//! What the outlook on alignment promises, on simulated series with known truth.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test ends where it fails")]

#[path = "support/alignment.rs"]
mod alignment;

use alignment::{demo, done, quantile, single, with_beads};
use std::collections::HashMap;
use tiltworth::record::alignment_table::alignment_csv;
use tiltworth::record::{Answer, Grade, Record, Specimen};
use tiltworth::simulate::recipe::Scheme;
use tiltworth::simulate::warp::Warp;
use tiltworth::trial::sound::{Wish, sound};

fn grade(record: &Record) -> Grade {
    record.checks.iter().find(|check| check.id == "alignment_outlook").unwrap().grade
}

/// A section that moves in itself as it is exposed, recorded from one end to the other: how far along the axis is told within
/// a fifth, and that it is told along it alone.
#[test]
fn a_change_that_grows_with_the_dose_is_told() {
    let mut recipe = with_beads(single(demo("kelp-chloroplast", 78), 384), 600.0, 5.0);
    recipe.tilt.step_deg = 6.0;
    recipe.tilt.scheme = Scheme::Unidirectional;
    recipe.warp = Some(Warp { across_nm: 6.0, along_nm: 8.0, up_nm: 10.0 });
    let done = done(&recipe);
    let told = &done.record.measures.alignment;
    assert_eq!((told.followed.as_deref(), told.warp_along_axis_only), (Some("beads"), Some(true)), "{told:?}");
    let ratio = told.warp_nm.unwrap() / done.planted_warp_nm();
    assert!((ratio - 1.0).abs() < 0.2, "{ratio}");
}

/// Gold on both faces: places in three dimensions, shifts and axis come back, and the table says the same as the record.
#[test]
fn beads_tell_shifts_axis_and_heights() {
    let mut recipe = with_beads(single(demo("kelp-chloroplast", 77), 320), 800.0, 5.0);
    recipe.tilt.step_deg = 6.0;
    let done = done(&recipe);
    let told = &done.record.measures.alignment;
    assert_eq!(told.followed.as_deref(), Some("beads"), "{:?}", told.outlook);
    assert_eq!(grade(&done.record), Grade::Pass);
    assert!(told.tracks >= 12 && told.followed_fraction == Some(1.0), "{:?}", told.outlook);
    let shifts = done.shift_errors();
    assert!(quantile(&shifts, 0.5) < 0.5, "{shifts:?}");
    assert!(done.axis_error_deg().abs() < 0.2, "{}", done.axis_error_deg());
    let heights: Vec<f64> = done.height_errors_nm().into_iter().map(f64::abs).collect();
    assert!(heights.len() >= 8 && quantile(&heights, 0.9) < 15.0, "{heights:?}");

    let csv = alignment_csv(&done.record, &done.evidence).unwrap();
    let body: String = csv.lines().filter(|line| !line.starts_with('#')).map(|line| format!("{line}\n")).collect();
    let mut reader = csv::Reader::from_reader(body.as_bytes());
    let rows: Vec<HashMap<String, String>> = reader.deserialize().map(Result::unwrap).collect();
    let number = |row: &HashMap<String, String>, key: &str| row[key].parse::<f64>().unwrap();
    let of = |kind: &str, key: &str| -> HashMap<String, &HashMap<String, String>> {
        rows.iter().filter(|row| row["kind"] == kind).map(|row| (row[key].clone(), row)).collect()
    };
    let (tilts, points) = (of("tilt", "tilt"), of("point", "track"));
    let mut checked = 0;
    for seen in rows.iter().filter(|row| row["kind"] == "seen" && tilts.contains_key(&row["tilt"])) {
        let (tilt, point) = (tilts[&seen["tilt"]], points[&seen["track"]]);
        let (st, ct) = number(tilt, "tilt_deg").to_radians().sin_cos();
        let (sb, cb) = number(tilt, "axis_deg").to_radians().sin_cos();
        let across = number(point, "across_px") * ct + number(point, "height_px") * st;
        let v = number(point, "along_px");
        let m = number(tilt, "magnification");
        let expected =
            [number(tilt, "x_px") + m * (cb * across + sb * v), number(tilt, "y_px") + m * (-sb * across + cb * v)];
        for (k, axis) in ["x", "y"].iter().enumerate() {
            let left = number(seen, &format!("{axis}_px")) - expected[k];
            assert!((left - number(seen, &format!("left_{axis}_px"))).abs() < 0.01, "{seen:?}");
        }
        checked += 1;
    }
    assert!(checked > 100, "{checked}");
}

/// Nothing but noise: told as what cannot be aligned, never as a pass.
#[test]
fn a_series_without_structure_is_told_to_be_lost() {
    let mut recipe = single(demo("kelp-chloroplast", 78), 256);
    recipe.structures.clear();
    recipe.tilt.step_deg = 6.0;
    let done = done(&recipe);
    assert_eq!(grade(&done.record), Grade::Fail);
    // What cannot be followed is a figure that is missing, and no proof against the series.
    assert_eq!(done.record.verdict.answer, Answer::Undecided);
    let told = &done.record.measures.alignment;
    assert!(told.outlook.as_deref().unwrap().contains("it will not align"), "{:?}", told.outlook);
    let csv = alignment_csv(&done.record, &done.evidence).unwrap();
    assert_eq!(csv.lines().filter(|line| !line.starts_with('#')).count(), 1, "{csv}");
}

/// A sound series of the demo stacks at another seed raises nothing.
#[test]
fn texture_that_can_be_followed_is_no_alarm() {
    let done = done(&demo("pond-bacterium", 79));
    let told = &done.record.measures.alignment;
    assert_eq!(grade(&done.record), Grade::Pass, "{:?} {:?}", told.outlook, told.why_not);
    assert!(done.record.tilts.iter().all(|tilt| tilt.alignment.is_some()));
}

/// Patches of texture, small enough to have a height each, tell the shifts of all tilts within half a pixel.
#[test]
fn texture_tells_shifts() {
    let series: Vec<_> = [80, 81].map(|seed| done(&single(demo("kelp-chloroplast", seed), 448))).into();
    let followed = series.iter().map(|done| done.record.measures.alignment.followed.as_deref());
    assert!(followed.clone().all(|followed| followed == Some("texture")), "{:?}", followed.collect::<Vec<_>>());
    let shifts: Vec<f64> = series.iter().flat_map(|done| done.shift_errors()).collect();
    assert!(shifts.len() > 80 && quantile(&shifts, 0.5) < 0.5, "{shifts:?}");
}

/// In a small picture of a thick specimen small patches soon show other matter; large ones are followed there.
#[test]
fn where_small_patches_do_not_last_large_ones_are_followed() {
    for specimen in [Specimen::ResinSection, Specimen::Vitrified] {
        let done = done(&sound(9509, &Wish::of(specimen)));
        assert_eq!(grade(&done.record), Grade::Pass, "{:?}", done.record.measures.alignment.why_not);
    }
}
