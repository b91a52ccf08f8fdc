//! How far measured focus lies from the truth, on series that our simulator makes: `cargo bench --bench focus_accuracy`
//! prints the table that stands in DEVELOPERS.md.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "../support/focus_series.rs"]
#[allow(dead_code, reason = "shared with the test of the same limits")]
mod focus_series;

use focus_series::Outcome;
use tiltworth::intake::{Request, load};
use tiltworth::judge::Profile;

/// Series of each kind: of nine tilts a 95th percentile is the worst.
const SERIES: u64 = 6;

fn quantile(mut values: Vec<f64>, share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let at = (share * (values.len() as f64 - 1.0)).round() as usize;
    values.get(at).copied().unwrap_or(f64::NAN)
}

fn main() {
    let only = std::env::args().skip(1).find(|arg| !arg.starts_with("--"));
    println!(
        "| series | measurable | measured | median % | 95th ≤45° % | 95th >45° % | 2 CRB % | astigmatism 95th nm | 2 CRB nm | azimuth 95th ° | 2 CRB ° | pull sd |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    for (at, kind) in focus_series::kinds(0).iter().enumerate() {
        if only.as_ref().is_some_and(|only| !kind.name.contains(only.as_str())) {
            continue;
        }
        let one = |nth: u64| {
            let (record, truths, worth) = focus_series::assess(&focus_series::kinds(nth)[at].recipe);
            focus_series::compare(&record, &truths, &worth)
        };
        row(kind.name, &(0..SERIES).flat_map(one).collect::<Vec<Outcome>>());
    }
    for name in ["slab", "tilted", "abtem"] {
        if only.as_ref().is_none_or(|only| name.contains(only.as_str())) {
            reference_row(name);
        }
    }
    let (mut blind, mut given) = (0, 0);
    for kind in focus_series::blind_kinds() {
        if only.as_ref().is_some_and(|only| !kind.name.contains(only.as_str())) {
            continue;
        }
        let (record, truths, worth) = focus_series::assess(&kind.recipe);
        let all = focus_series::compare(&record, &truths, &worth);
        let n = all.iter().filter(|tilt| !tilt.measurable).count();
        let wrong = all.iter().filter(|tilt| !tilt.measurable && tilt.error_percent.is_some()).count();
        println!("| {} | {} | {wrong} of {n} given a number | | | | | | | | | |", kind.name, all.len() - n);
        blind += n;
        given += wrong;
    }
    println!("\nunmeasurable tilts given a number: {given} of {blind}");
}

/// A row for images that other programs made (`tests/reference/focus/`).
fn reference_row(name: &str) {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/focus").join(name);
    let truth = std::fs::read_to_string(folder.join("truth.json")).unwrap();
    let truth: serde_json::Value = serde_json::from_str(&truth).unwrap();
    let series = load(&Request { path: folder, ..Request::default() }).unwrap();
    let profile = Profile::find(None, series.specimen).unwrap();
    let (record, _) = tiltworth::assess::assess(&series, &profile, &|| (), &|| true).unwrap();
    let outcome = |tilt: &tiltworth::record::Tilt| -> Outcome {
        let near = |truth: &&serde_json::Value| (truth["tilt_deg"].as_f64().unwrap() - tilt.tilt_deg).abs() < 0.02;
        let truth = truth["tilts"].as_array().unwrap().iter().find(near).unwrap();
        let number = |key: &str| truth[key].as_f64();
        let (um, focus) = (number("defocus_um").unwrap(), tilt.focus.as_ref().unwrap());
        let (astigmatism, deg) = (number("astigmatism_um").unwrap(), number("astigmatism_deg").unwrap());
        let bound_um = number("defocus_bound_um").unwrap_or(f64::NAN);
        let off_um = focus.defocus_um.map(|found| found - um);
        let astigmatism_bound_um = 2.0 * std::f64::consts::SQRT_2 * bound_um;
        let turned = |found: f64| (found - deg).rem_euclid(180.0);
        Outcome {
            tilt_deg: tilt.tilt_deg,
            measurable: truth["measurable"].as_bool().unwrap_or(true),
            error_percent: off_um.map(|off| 100.0 * off / um),
            bound_percent: 200.0 * bound_um / um,
            astigmatism_error_nm: focus.astigmatism_um.map(|found| 1e3 * (found - astigmatism)),
            astigmatism_nm: 1e3 * astigmatism,
            astigmatism_bound_nm: 2e3 * astigmatism_bound_um,
            azimuth_error_deg: focus
                .astigmatism_deg
                .filter(|_| astigmatism > 0.1)
                .map(|found| turned(found).min(180.0 - turned(found))),
            azimuth_bound_deg: 2.0 * (0.5 * astigmatism_bound_um / astigmatism).to_degrees(),
            pull: off_um.zip(focus.error_um).map(|(off, sd)| off / sd),
            why_not: focus.why_not.clone().unwrap_or_default(),
        }
    };
    let all: Vec<Outcome> = record.tilts.iter().map(outcome).collect();
    row(&format!("{name} (made by others)"), &all);
}

fn row(name: &str, all: &[Outcome]) {
    let able: Vec<&Outcome> = all.iter().filter(|tilt| tilt.measurable).collect();
    let measured: Vec<&&Outcome> = able.iter().filter(|tilt| tilt.error_percent.is_some()).collect();
    let errors = |low: f64, high: f64| -> Vec<f64> {
        let inside = measured.iter().filter(|tilt| tilt.tilt_deg.abs() > low && tilt.tilt_deg.abs() <= high);
        inside.filter_map(|tilt| tilt.error_percent.map(f64::abs)).collect()
    };
    let of = |f: &dyn Fn(&Outcome) -> Option<f64>| -> Vec<f64> { measured.iter().filter_map(|tilt| f(tilt)).collect() };
    let pulls = of(&|tilt| tilt.pull);
    let pull = (pulls.iter().map(|p| p * p).sum::<f64>() / pulls.len().max(1) as f64).sqrt();
    println!(
        "| {name} | {} | {} | {:.2} | {:.2} | {:.2} | {:.2} | {:.0} | {:.0} | {:.1} | {:.1} | {pull:.2} |",
        able.len(),
        measured.len(),
        quantile(errors(-1.0, 90.0), 0.5),
        quantile(errors(-1.0, 45.5), 0.95),
        quantile(errors(45.5, 90.0), 0.95),
        quantile(of(&|tilt| Some(tilt.bound_percent)), 0.5),
        quantile(of(&|tilt| tilt.astigmatism_error_nm.map(f64::abs)), 0.95),
        quantile(of(&|tilt| Some(tilt.astigmatism_bound_nm)), 0.5),
        quantile(of(&|tilt| tilt.azimuth_error_deg), 0.95),
        quantile(of(&|tilt| Some(tilt.azimuth_bound_deg)), 0.5),
    );
}
