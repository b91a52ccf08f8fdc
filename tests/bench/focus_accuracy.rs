//! How far measured focus lies from the truth, on series that our simulator makes: `cargo bench --bench focus_accuracy`
//! prints the table that stands in DEVELOPERS.md.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "../support/focus_series.rs"]
#[allow(dead_code, reason = "shared with the test of the same limits")]
mod focus_series;

use focus_series::Outcome;

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
    for kind in focus_series::kinds() {
        if only.as_ref().is_some_and(|only| !kind.name.contains(only.as_str())) {
            continue;
        }
        let (record, truths, worth) = focus_series::assess(&kind.recipe);
        let all = focus_series::compare(&record, &truths, &worth);
        row(kind.name, &all);
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
